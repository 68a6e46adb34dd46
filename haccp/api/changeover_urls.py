from django.urls import path

from haccp.api import changeover_matrix, changeovers, cleaning_procedures

HERE = "establishments/<uuid:establishment>/"
CHANGEOVER = f"{HERE}changeovers/<uuid:pk>"
PROCEDURE = f"{HERE}cleaning-procedures/<uuid:pk>"

urlpatterns = [
    path(
        f"{HERE}cleaning-procedures",
        cleaning_procedures.CleaningProcedures.as_view(),
        name="cleaning-procedures",
    ),
    path(PROCEDURE, cleaning_procedures.OneCleaningProcedure.as_view(), name="cleaning-procedure"),
    path(
        f"{PROCEDURE}/versions",
        cleaning_procedures.CleaningProcedureVersions.as_view(),
        name="cleaning-procedure-versions",
    ),
    path(
        f"{HERE}cleaning-procedure-versions/<uuid:pk>",
        cleaning_procedures.OneCleaningProcedureVersion.as_view(),
        name="cleaning-procedure-version",
    ),
    path(f"{HERE}changeovers", changeovers.Changeovers.as_view(), name="changeovers"),
    path(f"{HERE}changeovers/matrix", changeover_matrix.ChangeoverMatrix.as_view(), name="changeover-matrix"),
    path(
        f"{HERE}changeovers/withdrawn",
        changeovers.WithdrawnChangeovers.as_view(),
        name="changeovers-withdrawn",
    ),
    path(CHANGEOVER, changeovers.OneChangeover.as_view(), name="changeover"),
    path(
        f"{CHANGEOVER}/verifications",
        changeovers.ChangeoverVerifications.as_view(),
        name="changeover-verifications",
    ),
    path(f"{CHANGEOVER}/releases", changeovers.ChangeoverReleases.as_view(), name="changeover-releases"),
    path(
        f"{HERE}changeover-verifications/withdrawn",
        changeovers.WithdrawnChangeoverVerifications.as_view(),
        name="changeover-verifications-withdrawn",
    ),
    path(
        f"{HERE}changeover-releases/withdrawn",
        changeovers.WithdrawnChangeoverReleases.as_view(),
        name="changeover-releases-withdrawn",
    ),
]
