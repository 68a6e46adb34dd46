from django.urls import path

from haccp.api import findings, inspection_samples, inspections

HERE = "establishments/<uuid:establishment>/"
ALL = f"{HERE}inspections"
ONE = f"{ALL}/<uuid:pk>"
FINDING = f"{ONE}/findings/<uuid:finding>"

urlpatterns = [
    path(ALL, inspections.Inspections.as_view(), name="inspections"),
    path(ONE, inspections.OneInspection.as_view(), name="inspection"),
    path(f"{ONE}/notes", inspections.InspectionNotes.as_view(), name="inspection-notes"),
    path(f"{ONE}/end", inspections.InspectionEnds.as_view(), name="inspection-end"),
    path(f"{ONE}/withdrawn", inspections.InspectionWithdrawals.as_view(), name="inspection-withdrawn"),
    path(f"{ONE}/samples", inspection_samples.InspectionSamples.as_view(), name="inspection-samples"),
    path(
        f"{ONE}/samples/<uuid:sample>/results",
        inspection_samples.SampleResults.as_view(),
        name="inspection-sample-results",
    ),
    path(f"{ONE}/findings", findings.InspectionFindings.as_view(), name="inspection-findings"),
    path(f"{FINDING}/answers", findings.FindingAnswers.as_view(), name="finding-answers"),
    path(f"{FINDING}/closing", findings.FindingClosings.as_view(), name="finding-closing"),
    path(f"{HERE}findings", findings.AllFindings.as_view(), name="findings"),
    path(
        f"{HERE}inspection-samples",
        inspection_samples.AllInspectionSamples.as_view(),
        name="all-inspection-samples",
    ),
]
