from django.urls import path

from haccp.api import compositions, cooking, mass_balances, predictions, run_orders

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
    path(
        f"{HERE}lots/<uuid:uid>/mass-balance", mass_balances.LotMassBalance.as_view(), name="lot-mass-balance"
    ),
    path(
        f"{HERE}batches/<uuid:uid>/mass-balance",
        mass_balances.BatchMassBalance.as_view(),
        name="batch-mass-balance",
    ),
    path(f"{HERE}mass-balance", mass_balances.PeriodMassBalance.as_view(), name="mass-balance"),
    path(f"{HERE}cooking/stages", cooking.Stages.as_view(), name="cooking-stages"),
    path(f"{HERE}cooking/reading", cooking.ReadingMeaning.as_view(), name="cooking-reading"),
    path(f"{HERE}run-orders", run_orders.RunOrders.as_view(), name="run-orders"),
]
