from django.urls import path

from haccp.api import compositions, cooking, predictions, run_orders

HERE = "establishments/<uuid:establishment>/"

urlpatterns = [
    path(f"{HERE}compositions", compositions.Compositions.as_view(), name="compositions"),
    path(f"{HERE}compositions/<uuid:pk>", compositions.OneComposition.as_view(), name="composition"),
    path(
        f"{HERE}recipe-versions/<uuid:pk>/prediction",
        predictions.RecipePrediction.as_view(),
        name="recipe-prediction",
    ),
    path(
        f"{HERE}batches/<uuid:uid>/prediction", predictions.BatchPrediction.as_view(), name="batch-prediction"
    ),
    path(f"{HERE}lots/<uuid:uid>/prediction", predictions.LotPrediction.as_view(), name="lot-prediction"),
    path(f"{HERE}lots/<uuid:uid>/growth", predictions.LotGrowth.as_view(), name="lot-growth"),
    path(f"{HERE}cooking/stages", cooking.Stages.as_view(), name="cooking-stages"),
    path(f"{HERE}cooking/reading", cooking.ReadingMeaning.as_view(), name="cooking-reading"),
    path(f"{HERE}run-orders", run_orders.RunOrders.as_view(), name="run-orders"),
]
