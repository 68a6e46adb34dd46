from django.urls import path

from haccp.api import check_sheets, checks, deviations, gates, histories, reviews, series

HERE = "establishments/<uuid:establishment>/"
POINT = f"{HERE}control-points/<str:code>"
CASE = f"{HERE}deviations/<uuid:pk>"

urlpatterns = [
    path(f"{HERE}batches", gates.StartBatch.as_view(), name="batches"),
    path(f"{HERE}batches/<uuid:uid>/due", checks.DueChecks.as_view(), name="batch-due"),
    path(f"{HERE}lots/<uuid:uid>/releases", gates.Releases.as_view(), name="lot-releases"),
    path(f"{HERE}checks", checks.Checks.as_view(), name="checks"),
    path(f"{HERE}checks/withdrawn", checks.WithdrawnChecks.as_view(), name="checks-withdrawn"),
    path(f"{HERE}checks/many", checks.ManyChecks.as_view(), name="checks-many"),
    path(f"{HERE}check-sheets", check_sheets.CheckSheets.as_view(), name="check-sheets"),
    path(f"{HERE}check-sheets/<uuid:pk>", check_sheets.OneCheckSheet.as_view(), name="check-sheet"),
    path(
        f"{HERE}check-sheets/<uuid:pk>/written-off",
        check_sheets.WriteOffSheet.as_view(),
        name="check-sheet-written-off",
    ),
    path(f"{POINT}/history", histories.ControlPointHistory.as_view(), name="control-point-history"),
    path(f"{POINT}/history.svg", histories.ControlPointPicture.as_view(), name="control-point-picture"),
    path(f"{HERE}series", series.AllSeries.as_view(), name="all-series"),
    path(f"{HERE}series/withdrawn", series.WithdrawnSeries.as_view(), name="series-withdrawn"),
    path(f"{HERE}series/<uuid:pk>", series.OneSeries.as_view(), name="series"),
    path(f"{HERE}series/<uuid:pk>/plot", series.Plot.as_view(), name="series-plot"),
    path(f"{HERE}series/<uuid:pk>/readings", series.AsCsv.as_view(), name="series-readings"),
    path(f"{HERE}deviations", deviations.Deviations.as_view(), name="deviations"),
    path(CASE, deviations.OneDeviation.as_view(), name="deviation"),
    path(f"{CASE}/holds", deviations.Holds.as_view(), name="deviation-holds"),
    path(f"{CASE}/answers", deviations.Answers.as_view(), name="deviation-answers"),
    path(f"{CASE}/dispositions", deviations.Dispositions.as_view(), name="deviation-dispositions"),
    path(f"{CASE}/closing", deviations.Close.as_view(), name="deviation-closing"),
    path(f"{HERE}reviews", reviews.Reviews.as_view(), name="reviews"),
    path(f"{HERE}reviews/due", reviews.ReviewsDue.as_view(), name="reviews-due"),
    path(f"{HERE}corrections", deviations.Corrections.as_view(), name="corrections"),
]
