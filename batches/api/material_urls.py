from django.urls import path

from batches.api import bringing, channels, despatches, lots, mixed_places, movements, traces

HERE = "establishments/<uuid:establishment>/"

urlpatterns = [
    path(f"{HERE}at-outlets", channels.AtOutlets.as_view(), name="at-outlets"),
    path(f"{HERE}at-outlets/withdrawn", channels.WithdrawnAtOutlets.as_view(), name="at-outlets-withdrawn"),
    path(f"{HERE}outlets/<uuid:pk>/stock", channels.OutletStock.as_view(), name="outlet-stock"),
    path(f"{HERE}bring-in", bringing.BringIn.as_view(), name="bring-in"),
    path(f"{HERE}web-orders", channels.WebOrders.as_view(), name="web-orders"),
    path(f"{HERE}web-orders/<uuid:pk>/buyer", channels.OneBuyer.as_view(), name="web-order-buyer"),
    path(f"{HERE}lots", lots.Lots.as_view(), name="lots"),
    path(f"{HERE}lots/<uuid:pk>", lots.OneLot.as_view(), name="lot"),
    path(f"{HERE}lots/<uuid:pk>/back", traces.Back.as_view(), name="trace-back"),
    path(f"{HERE}lots/<uuid:pk>/forward", traces.Forward.as_view(), name="trace-forward"),
    path(f"{HERE}lots/<uuid:pk>/whole", traces.Whole.as_view(), name="trace-whole"),
    path(f"{HERE}storage-places/<uuid:pk>/stock", lots.PlaceStock.as_view(), name="place-stock"),
    path(f"{HERE}storage-places/<uuid:pk>/mixed", mixed_places.MixedInPlace.as_view(), name="place-mixed"),
    path(
        f"{HERE}storage-places/<uuid:pk>/found-empty", mixed_places.FoundEmpties.as_view(), name="found-empty"
    ),
    path(
        f"{HERE}storage-places/<uuid:pk>/found-empty/withdrawn",
        mixed_places.WithdrawnFoundEmpties.as_view(),
        name="found-empty-withdrawn",
    ),
    path(f"{HERE}proposed-receipts", despatches.ProposedReceipts.as_view(), name="proposed-receipts"),
    path(
        f"{HERE}proposed-receipts/<uuid:pk>",
        despatches.OneProposedReceipt.as_view(),
        name="proposed-receipt",
    ),
    path(
        f"{HERE}proposed-receipts/<uuid:pk>/confirmed",
        despatches.ConfirmedProposals.as_view(),
        name="proposed-receipt-confirmed",
    ),
    path(
        f"{HERE}proposed-receipts/<uuid:pk>/declined",
        despatches.DeclinedProposals.as_view(),
        name="proposed-receipt-declined",
    ),
    path(f"{HERE}movements", movements.Movements.as_view(), name="movements"),
    path(f"{HERE}movements/many", movements.ManyMovements.as_view(), name="movements-many"),
    *(
        path(f"{HERE}movements/{what}", movements.deed_view(what).as_view(), name=f"movement-{what}")
        for what in movements.DEEDS
    ),
]
