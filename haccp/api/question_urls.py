from django.urls import path

from haccp.api import laminating, residues, sampling, scanning, traces

HERE = "establishments/<uuid:establishment>/"

urlpatterns = [
    path(f"{HERE}laminating", laminating.Laminating.as_view(), name="laminating"),
    path(f"{HERE}scan", scanning.Scan.as_view(), name="scan"),
    path(f"{HERE}sampling-plans", sampling.SamplingPlans.as_view(), name="sampling-plans"),
    path(f"{HERE}residues/action-levels", residues.ActionLevels.as_view(), name="action-levels"),
    path(f"{HERE}traces", traces.Traces.as_view(), name="traces"),
    path(f"{HERE}residues/swab", residues.Swab.as_view(), name="swab"),
]
