"""Web orders: lots picked for a buyer who stands beside the record, never in it."""

import json
from datetime import date, timedelta
from typing import Any

import pytest

from batches import shipping, web_orders
from batches.models import Buyer, BuyerForgotten, Lot, LotState, Movement, TradingPartner, WebOrder
from batches.web_orders import Contact
from config.api.refusals import OtherContent, RuleBroken, Unusable
from ledger import verification
from ledger.evidence import evidence
from tests.batches.conftest import HOUR
from tests.conftest import NOON, new_id

BUYER = Contact("Odile Parcel", email="odile@buyers.example", address="Hill Street 9, Seeborn")


@pytest.fixture
def web(make_partner: Any) -> TradingPartner:
    return make_partner("Web orders", is_customer=True, outlet="web")


@pytest.fixture
def send(act: Any, paste: Lot, web: TradingPartner) -> Any:
    def do(number: str = "W-1", *lots: Lot, **values: Any) -> WebOrder:
        lines = [{"lot": lot, "quantity": "2", "unit": "KGM"} for lot in lots or (paste,)]
        usual = {"act": act(), "outlet": web, "lines": lines, "buyer": BUYER}
        return web_orders.send(**(usual | {"number": number} | values))

    return do


def last_day(order: WebOrder) -> date | None:
    return web_orders.kept_until(order.establishment, [order.pk])[order.pk]


def test_each_lot_picked_is_a_shipment_that_names_the_order(send: Any, paste: Lot) -> None:
    order = send()
    (moved,) = Movement.objects.filter(order=order)
    assert (moved.what, moved.lot, moved.document) == ("shipped", paste, "web order W-1")
    paste.state.refresh_from_db()
    assert paste.state.on_hand == 8_000_000


def test_nothing_of_the_buyer_is_in_the_record_or_in_what_is_handed_out(send: Any) -> None:
    order = send()
    told = json.dumps(
        [order.content(), order.open_values(), evidence([order], open_confidential=True)], default=str
    )
    assert not [word for word in vars(BUYER).values() if word and word in told]


def test_a_lot_that_is_not_released_is_refused_with_its_line_and_nothing_is_written(
    send: Any, receive: Any, paste: Lot
) -> None:
    other = receive().lot
    with pytest.raises(RuleBroken) as refused:
        send("W-1", paste, other)
    assert [(each.code, each.field) for each in refused.value.reasons] == [("not-released", "lines.1.lot")]
    assert (
        WebOrder.objects.count(),
        Buyer.objects.count(),
        Movement.objects.filter(what="shipped").count(),
    ) == (
        0,
        0,
        0,
    )


def test_what_has_left_already_is_recorded_and_flagged(send: Any, receive: Any) -> None:
    order = send("W-1", receive().lot, already_happened=True)
    assert "shipped-not-released" in order.movements.get().flags


def test_an_amount_that_is_none_is_refused_with_its_line(send: Any, paste: Lot) -> None:
    with pytest.raises(Unusable) as refused:
        send(lines=[{"lot": paste, "quantity": "some", "unit": "KGM"}])
    assert refused.value.reasons[0].field == "lines.0.quantity"


def test_the_same_order_sent_again_is_the_same(act: Any, send: Any) -> None:
    said = act(id=new_id())
    first = send(act=said)
    assert send(act=said).repeated
    assert Movement.objects.filter(order=first.pk).count() == 1


@pytest.mark.parametrize(
    "changed", [{"number": "W-2"}, {"buyer": Contact("Another", phone="0555 0101")}], ids=["number", "buyer"]
)
def test_the_same_id_with_another_order_is_refused(act: Any, send: Any, changed: Any) -> None:
    said = act(id=new_id())
    send(act=said)
    with pytest.raises(OtherContent):
        send(act=said, **changed)


def test_a_number_is_used_once(send: Any) -> None:
    send()
    with pytest.raises(RuleBroken) as refused:
        send()
    assert refused.value.code == "number-taken"


def test_a_buyer_whom_no_recall_could_reach_is_refused(send: Any) -> None:
    with pytest.raises(Unusable, match="no recall reaches them"):
        send(buyer=Contact("Nobody"))


def test_web_orders_go_through_an_outlet_for_them(send: Any, customer: TradingPartner) -> None:
    with pytest.raises(Unusable, match="no outlet for web orders"):
        send(outlet=customer)


def test_a_corrected_shipment_stays_with_its_order(act: Any, send: Any, web: Any, paste: Lot) -> None:
    order = send()
    said = act(corrects=order.movements.get().pk, reason="Weighed again.")
    shipping.ship(act=said, lot=paste, customer=web, quantity="1.5", unit="KGM")
    standing = Movement.objects.standing().get(order=order)
    assert standing.quantity == 1_500_000


def test_what_a_buyer_sends_back_is_the_orders(act: Any, send: Any, web: Any, paste: Lot) -> None:
    order = send()
    back = shipping.take_back(
        act=act(at=NOON + HOUR), lot=paste, customer=web, quantity="1", unit="KGM", order=order
    )
    assert back.order == order


def test_an_order_is_of_the_outlet_that_is_named(act: Any, send: Any, customer: Any, paste: Lot) -> None:
    order = send()
    with pytest.raises(Unusable, match="went through Web orders"):
        shipping.take_back(act=act(), lot=paste, customer=customer, quantity="1", unit="KGM", order=order)


# -- how long a buyer is kept ----------------------------------------------------------------------------


def test_a_buyer_is_kept_to_the_latest_best_before_and_the_days_of_the_house(
    send: Any, receive: Any, release: Any, paste: Lot
) -> None:
    longer = receive(best_before=date(2026, 12, 24)).lot
    release(longer)
    order = send("W-1", paste, longer)
    order.establishment.buyers_kept_days = 30
    assert last_day(order) == date(2026, 12, 24) + timedelta(days=30)


def test_a_best_before_that_is_put_right_changes_how_long(send: Any, paste: Lot) -> None:
    order = send()
    order.establishment.buyers_kept_days = 0
    LotState.objects.filter(lot=paste).update(best_before=date(2026, 5, 1))
    assert last_day(order) == date(2026, 5, 1)


def test_of_a_lot_without_a_date_it_counts_from_the_day_it_left(send: Any, paste: Lot) -> None:
    LotState.objects.filter(lot=paste).update(best_before=None)
    order = send()
    assert last_day(order) == NOON.date() + timedelta(days=183)


def test_a_buyer_is_overdue_the_day_after(send: Any) -> None:
    order = send()
    day = last_day(order)
    assert day is not None
    here = order.establishment
    assert web_orders.overdue(here, day) == []
    assert web_orders.overdue(here, day + timedelta(days=1)) == [order]


def test_an_order_of_which_nothing_left_keeps_nobody(act: Any, send: Any) -> None:
    from dataclasses import replace

    from batches.movements import withdraw

    order = send()
    gone = act(corrects=order.movements.get().pk, reason="Never packed.")
    withdraw(act=replace(gone, withdraws=True))
    assert (last_day(order), web_orders.overdue(order.establishment, NOON.date())) == (None, [order])


def test_a_forgotten_buyer_leaves_the_order_and_a_record_that_they_were_forgotten(
    act: Any, send: Any
) -> None:
    order = send()
    record = web_orders.forget(act=act(), order=order, because="Over.")
    assert (Buyer.objects.count(), BuyerForgotten.objects.get(), WebOrder.objects.get()) == (0, record, order)
    assert verification.verify().findings == []


def test_nobody_is_forgotten_twice(act: Any, send: Any) -> None:
    order = send()
    web_orders.forget(act=act(), order=order, because="Over.")
    with pytest.raises(RuleBroken, match="is forgotten"):
        web_orders.forget(act=act(), order=order, because="Over again.")


def test_who_is_forgotten_stays_so(act: Any, send: Any) -> None:
    order = send()
    web_orders.forget(act=act(), order=order, because="Over.")
    with pytest.raises(RuleBroken, match="stays so"):
        web_orders.change_buyer(act=act(), order=order, buyer=BUYER)


# -- over HTTP -----------------------------------------------------------------------------------------


@pytest.fixture
def sent(api: Any, web: TradingPartner, paste: Lot) -> str:
    body = {
        "performed_at": NOON.isoformat(),
        "number": "W-9",
        "outlet": str(web.pk),
        "lines": [{"lot": str(paste.uid), "quantity": "0.5", "unit": "KGM"}],
        "buyer": {"name": BUYER.name, "email": BUYER.email},
    }
    answer = api.send("web-orders", body)
    assert (answer.status_code, answer.json()["buyer_is_kept"]) == (201, True)
    return str(answer.json()["id"])


def test_who_ordered_is_shown_to_the_lead_only(api: Any, lead_api: Any, sent: str) -> None:
    assert api.ask(f"web-orders/{sent}/buyer").status_code == 403
    assert BUYER.email not in api.ask("web-orders").content.decode()
    shown = lead_api.ask(f"web-orders/{sent}/buyer").json()
    assert (shown["buyer"]["email"], shown["forgotten_at"]) == (BUYER.email, None)


def test_a_wrong_address_is_put_right_and_nothing_of_it_stays(api: Any, lead_api: Any, sent: str) -> None:
    address = f"{api.base}web-orders/{sent}/buyer"
    answer = lead_api.put(address, {"name": "O. Parcel", "phone": "0555 0102"}, format="json")
    assert (answer.status_code, answer.json()["buyer"]["email"]) == (200, "")


def test_a_list_of_orders_costs_the_same_for_one_as_for_ten(
    api: Any, send: Any, django_assert_num_queries: Any
) -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            assert api.ask("web-orders").status_code == 200
        return len(queries)

    send("W-1", lines=[{"lot": Lot.objects.get(), "quantity": "1", "unit": "GRM"}])
    alone = asked()
    for number in range(2, 11):
        send(f"W-{number}", lines=[{"lot": Lot.objects.get(), "quantity": "1", "unit": "GRM"}])
    assert asked() == alone
