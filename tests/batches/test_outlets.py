"""Stalls and shops: what was taken, sold, brought back; what is left and what buyers may have."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches import outlets, reference, shipping
from batches.flags import Flag
from batches.models import AtOutlet, Lot, LotStatus, Movement, Outlet, TradingPartner
from batches.outlet_sums import COUNTED, ORDER, Event, Visit, sum_up
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.models import Deviation
from ledger.models import Person
from tests.batches.conftest import HOUR
from tests.conftest import NOON

DAY = timedelta(days=1)
SATURDAY = datetime(2026, 3, 7, 6, 0, tzinfo=NOON.tzinfo)


def event(what: str, quantity: int, hours: float = 0, place: str = "Market") -> Event:
    at = SATURDAY + hours * HOUR
    return Event(what, quantity, at, at.date(), place)


# -- sums, by themselves -----------------------------------------------------------------------------

EVENTS = st.lists(
    st.builds(
        event, st.sampled_from(sorted(ORDER)), st.integers(0, 50), st.integers(0, 200), st.sampled_from("AB")
    ),
    max_size=12,
)


@given(EVENTS, st.booleans())
def test_nothing_is_lost_between_what_was_taken_and_what_became_of_it(events: Any, stays: bool) -> None:
    found = sum_up(events, stays=stays)
    counts = [each for each in events if each.what == COUNTED]
    last = max(counts, key=lambda each: each.at, default=None)
    left = found.taken - found.brought_back - found.sold - found.given - found.destroyed + found.gap
    assert left == found.there
    if last is not None and all(each.at < last.at for each in events if each is not last):
        assert found.there == last.quantity


@given(EVENTS)
def test_buyers_may_have_no_more_than_was_taken_and_no_less_than_was_sold(events: Any) -> None:
    found = sum_up(events, stays=False)
    assert 0 <= found.with_buyers <= found.taken
    if not found.short and not found.gap:
        assert found.with_buyers >= found.sold + found.given


@given(EVENTS, st.randoms())
def test_the_order_in_which_it_is_told_changes_nothing(events: Any, random: Any) -> None:
    told = [each for place, each in enumerate(events) if each.at not in {e.at for e in events[:place]}]
    mixed = list(told)
    random.shuffle(mixed)
    assert sum_up(mixed, stays=False) == sum_up(told, stays=False)


def test_without_a_count_all_that_did_not_come_back_counts_as_sold() -> None:
    found = sum_up([event("taken", 40), event("brought-back", 6, 10)], stays=False)
    assert (found.counted, found.there, found.with_buyers) == (False, 34, 34)


def test_what_is_counted_as_left_is_not_with_buyers() -> None:
    found = sum_up([event("taken", 40), event("counted", 25, 24)], stays=True)
    assert (found.gap, found.there, found.with_buyers) == (-15, 25, 15)


def test_a_sale_told_after_a_count_of_the_time_before_it_explains_the_gap() -> None:
    told = [event("taken", 40), event("counted", 25, 24)]
    found = sum_up([*told, event("sold", 15, 5)], stays=True)
    assert (found.gap, found.there, found.with_buyers) == (0, 25, 15)


def test_more_that_left_than_came_is_told_and_what_is_left_is_below_nothing() -> None:
    found = sum_up([event("taken", 10), event("sold", 12, 1)], stays=False)
    assert (found.short, found.there) == (2, -2)


def test_a_stall_that_goes_out_twice_has_two_visits() -> None:
    told = [event("taken", 40), event("sold", 30, 8), event("brought-back", 10, 34)]
    found = sum_up([*told, event("taken", 10, 168, "Fair")], stays=False)
    first = SATURDAY.date()
    assert found.visits == (
        Visit("Market", first, first + DAY),
        Visit("Fair", first + 7 * DAY, first + 7 * DAY),
    )


def test_a_shop_has_it_until_it_is_gone() -> None:
    told = [event("taken", 40), event("sold", 30, 48)]
    first = SATURDAY.date()
    assert sum_up(told, stays=True).visits == (Visit("", first, None),)
    assert sum_up([*told, event("sold", 10, 72)], stays=True).visits == (Visit("", first, first + 3 * DAY),)


# -- recorded ------------------------------------------------------------------------------------------


@pytest.fixture
def stall(make_partner: Any) -> TradingPartner:
    return make_partner("Market stall", is_customer=True, outlet="stall")


@pytest.fixture
def taken(act: Any, paste: Lot, stall: TradingPartner) -> Movement:
    return shipping.ship(
        act=act(place="Saturday market"), lot=paste, customer=stall, quantity="4", unit="KGM"
    )


@pytest.fixture
def note(act: Any, paste: Lot, stall: TradingPartner) -> Any:
    def do(what: str, quantity: str, hours: float = 1, **values: Any) -> AtOutlet:
        said = {"outlet": stall, "lot": paste} | values
        return outlets.note(act=act(at=NOON + hours * HOUR), what=what, quantity=quantity, unit="KGM", **said)

    return do


@pytest.fixture
def bring_back(act: Any, paste: Lot, stall: TradingPartner) -> Any:
    def do(quantity: str = "1", hours: float = 6) -> Movement:
        return shipping.take_back(
            act=act(at=NOON + hours * HOUR), lot=paste, customer=stall, quantity=quantity, unit="KGM"
        )

    return do


def test_a_stall_day_is_taken_sold_and_brought_back(
    taken: Any, note: Any, bring_back: Any, stall: TradingPartner
) -> None:
    note("sold", "2.5")
    note("given", "0.1")
    bring_back("1.4")
    (row,) = outlets.there(stall.establishment)
    assert (row.sums.there, row.sums.with_buyers, row.sums.gap) == (0, 2_600_000, 0)
    assert row.sums.visits == (Visit("Saturday market", date(2026, 3, 2), date(2026, 3, 2)),)


def test_what_is_brought_back_awaits_a_decision_and_is_not_sold_on_by_itself(
    act: Any, taken: Any, bring_back: Any, paste: Lot, customer: TradingPartner
) -> None:
    bring_back()
    paste.state.refresh_from_db()
    assert paste.state.status == LotStatus.AWAITING
    with pytest.raises(RuleBroken) as refused:
        shipping.ship(act=act(at=NOON + 7 * HOUR), lot=paste, customer=customer, quantity="1", unit="KGM")
    assert [each.code for each in refused.value.reasons] == ["not-released"]


def test_a_sale_changes_no_stock_of_the_house(taken: Any, note: Any, paste: Lot) -> None:
    note("sold", "3")
    paste.state.refresh_from_db()
    assert (paste.state.on_hand, paste.state.shipped) == (6_000_000, 4_000_000)


def test_more_sold_than_was_taken_is_recorded_and_flagged(taken: Any, note: Any) -> None:
    assert note("sold", "4.001").flags == [Flag.MORE_THAN_AT_OUTLET]


def test_what_is_told_late_explains_what_was_flagged_before(
    act: Any, note: Any, stall: Any, paste: Lot
) -> None:
    assert note("sold", "3").flags == [Flag.MORE_THAN_AT_OUTLET]
    shipping.ship(act=act(), lot=paste, customer=stall, quantity="4", unit="KGM")
    (row,) = outlets.there(stall.establishment)
    assert (row.sums.short, row.sums.there) == (0, 1_000_000)


def test_a_correction_takes_the_place_of_what_it_corrects(
    act: Any, taken: Any, note: Any, stall: TradingPartner, paste: Lot
) -> None:
    slip = note("sold", "40")
    said = act(at=NOON + HOUR, corrects=slip.pk, reason="The comma slipped.")
    right = outlets.note(act=said, outlet=stall, lot=paste, what="sold", quantity="4", unit="KGM")
    (row,) = outlets.there(stall.establishment)
    assert (right.flags, row.sums.sold, row.sums.short) == ([], 4_000_000, 0)


def test_a_correction_is_of_the_same_lot_outlet_and_deed(act: Any, note: Any, stall: Any, paste: Lot) -> None:
    said = act(corrects=note("sold", "1").pk, reason="It was thrown away.")
    with pytest.raises(RuleBroken, match="another outlet"):
        outlets.note(act=said, outlet=stall, lot=paste, what="destroyed", quantity="1", unit="KGM")


def test_what_never_happened_counts_no_more(act: Any, taken: Any, note: Any, stall: TradingPartner) -> None:
    outlets.withdraw(act=act(corrects=note("sold", "1").pk, reason="Twice."))
    (row,) = outlets.there(stall.establishment)
    assert (row.sums.sold, row.sums.counted) == (0, False)


def test_what_stood_at_a_time_is_told_as_it_was_known_then(
    taken: Any, note: Any, stall: TradingPartner
) -> None:
    first = note("sold", "1")
    note("sold", "1", hours=2)
    (row,) = outlets.there(stall.establishment, at=first.recorded_at)
    assert row.sums.sold == 1_000_000


def test_something_sold_where_no_outlet_is_known_is_flagged(note: Any, customer: TradingPartner) -> None:
    assert Flag.PARTNER_IN_OTHER_PART in note("sold", "1", outlet=customer).flags


def test_a_lot_sold_while_it_is_held_is_a_case_with_hold(
    taken: Any, note: Any, release: Any, paste: Lot
) -> None:
    release(paste, status="held", at=NOON + HOUR / 2)
    record = note("sold", "1")
    case = Deviation.objects.get(subject=record.pk)
    assert (case.what, case.holds.count()) == ("shipped", 1)


def test_a_lot_that_awaits_its_decision_again_is_sold_with_a_flag_and_no_case(
    taken: Any, note: Any, bring_back: Any
) -> None:
    bring_back("1", hours=0.5)
    record = note("sold", "1")
    assert record.flags == [Flag.LOT_AWAITING]
    assert not Deviation.objects.filter(subject=record.pk).exists()


def test_nothing_is_sold_at_an_outlet_of_another_house(note: Any, elsewhere: Any) -> None:
    other = TradingPartner.objects.create(
        establishment=elsewhere, code="S", name="Theirs", is_customer=True, outlet="stall"
    )
    with pytest.raises(Unknown):
        note("sold", "1", outlet=other)


def test_an_outlet_is_a_customer(act: Any, lead: Person) -> None:
    said = {"code": "ST", "name": "Stall", "is_supplier": True, "outlet": "stall"}
    with pytest.raises(Unusable, match="An outlet is a customer"):
        reference.make(act=act(lead), kind=TradingPartner, values=said)


def test_a_customer_that_goods_went_to_becomes_no_outlet_without_a_word(
    act: Any, lead: Person, taken: Any, stall: TradingPartner
) -> None:
    with pytest.raises(RuleBroken) as refused:
        reference.alter(act=act(lead), row=stall, values={"outlet": ""})
    assert refused.value.code == "goods-went-there"
    stall.refresh_from_db()
    noted = act(lead, note="The shop of Ms Ohm, from the start.")
    assert reference.alter(act=noted, row=stall, values={"outlet": ""}).outlet == Outlet.NONE


def test_an_outlet_that_goods_went_to_never_becomes_one_for_web_orders(
    act: Any, lead: Person, taken: Any, stall: TradingPartner
) -> None:
    with pytest.raises(RuleBroken, match="outlet of their own"):
        reference.alter(act=act(lead, note="So it is."), row=stall, values={"outlet": "web"})


# -- over HTTP -----------------------------------------------------------------------------------------


def test_an_outlet_tells_what_is_there_by_lot(
    api: Any, taken: Any, stall: TradingPartner, paste: Lot
) -> None:
    body = {"performed_at": NOON.isoformat(), "what": "sold", "quantity": "2.5", "unit": "KGM"}
    sent = api.send("at-outlets", body | {"outlet": str(stall.pk), "lot": str(paste.uid)})
    assert (sent.status_code, sent.json()["quantity"]) == (201, "2.5")
    (row,) = api.ask(f"outlets/{stall.pk}/stock").json()["lots"]
    assert row["there"] == {"quantity": "1.500", "unit": "KGM"}
    assert (row["sold"]["quantity"], row["flags"]) == ("2.500", [])


def test_the_same_note_sent_again_is_the_same_record(api: Any, taken: Any, stall: Any, paste: Lot) -> None:
    body = {"performed_at": NOON.isoformat(), "what": "sold", "quantity": "2.5", "unit": "KGM"}
    body |= {"outlet": str(stall.pk), "lot": str(paste.uid), "id": "01980a3e-7c1b-7d44-9a55-0f2f3c7d1e11"}
    assert [api.send("at-outlets", body).status_code for _ in range(2)] == [201, 200]
    assert AtOutlet.objects.count() == 1


def test_a_customer_with_a_name_has_no_stock_of_an_outlet(api: Any, customer: TradingPartner) -> None:
    assert api.ask(f"outlets/{customer.pk}/stock").status_code == 404


def test_the_stock_of_an_outlet_costs_the_same_for_one_lot_as_for_ten(
    taken: Any, note: Any, stall: TradingPartner, receive: Any, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(4):
        outlets.there(stall.establishment)
    for _ in range(9):
        note("sold", "1", lot=receive().lot)
    with django_assert_num_queries(4):
        assert len(outlets.there(stall.establishment)) == 10
