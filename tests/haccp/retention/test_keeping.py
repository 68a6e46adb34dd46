"""What may leave on a day, and what keeps the rest."""

from collections.abc import Collection, Iterable, Mapping
from datetime import date, timedelta
from typing import Any

import pytest

from batches import storing
from batches.models import BatchStart, LotDecision, Movement
from haccp import deviations
from haccp.models import PlanVersion
from haccp.retention import keeping, saying
from ledger import changes, signatures
from ledger.models import Change, Entrance, Entry
from ledger.signatures import Proof
from tests.haccp.retention.conftest import LONG_AFTER

pytestmark = pytest.mark.django_db
OLD, NEW = date(2026, 3, 2), date(2030, 3, 4)
GONE = date(2031, 3, 3)  # five years and a day after OLD: guidance on Regulation (EC) 178/2002, from memory


@pytest.fixture
def old(bag: Any, caramels: Any, use_up: Any) -> Any:
    """A bag of sugar, all of it used, and the caramels of it: nothing of either is left."""
    sugar = bag(OLD, best_before=date(2027, 3, 2))
    made = caramels(sugar, OLD, best_before=date(2026, 9, 2))
    use_up(sugar, OLD)
    return sugar, made


def reached(starts: Iterable[Any], edges: Mapping[Any, Collection[Any]]) -> set[Any]:
    """The starts and all that follows from them, in plain sets: what the database that is asked must come to."""
    found = set(starts)
    waiting = list(found)
    while waiting:
        fresh = set(edges.get(waiting.pop(), ())) - found
        found |= fresh
        waiting.extend(fresh)
    return found


def leaves(found: keeping.Standing, lot: Any) -> bool:
    """All that is counted in a lot leaves, or none of it."""
    keys = {*lot.movements.values_list("pk", flat=True), *lot.decisions.values_list("pk", flat=True)}
    gone = keys & found.leaving
    assert gone in (keys, set())
    return bool(gone)


def test_on_its_last_day_everything_stays(old: Any, standing: Any) -> None:
    found = standing(GONE - timedelta(days=1))
    assert [leaves(found, lot) for lot in old] == [False, False]


def test_the_day_after_it_may_leave(old: Any, standing: Any) -> None:
    found = standing(GONE)
    assert [leaves(found, lot) for lot in old] == [True, True]
    assert set(BatchStart.objects.values_list("pk", flat=True)) <= found.leaving


def test_what_something_newer_was_made_of_stays_with_it(
    bag: Any, caramels: Any, use_up: Any, standing: Any
) -> None:
    sugar = bag(OLD, best_before=date(2027, 3, 2))
    first = caramels(sugar, OLD, best_before=date(2026, 9, 2))
    second = caramels(sugar, NEW, best_before=date(2030, 9, 2))
    use_up(sugar, NEW)
    found = standing(GONE)
    assert [leaves(found, lot) for lot in (sugar, second)] == [False, False]
    assert leaves(found, first) is False  # the throwing away is of 2030, and tells of the sugar


def test_what_else_came_of_its_sugar_leaves(
    bag: Any, caramels: Any, use_up: Any, leads: Any, lead: Any, standing: Any
) -> None:
    """The chain of a lot does not turn round on the way (decision 70)."""
    sugar = bag(OLD, best_before=date(2027, 3, 2))
    kept, other = (caramels(sugar, OLD, best_before=date(2026, 9, 2)) for _ in range(2))
    use_up(sugar, OLD)
    saying.hold(act=leads(), proof=Proof(lead), subject=kept.uid, because="A court asks.")
    found = standing(LONG_AFTER)
    assert [leaves(found, lot) for lot in (kept, sugar, other)] == [False, False, True]


def test_a_lot_in_stock_stays_and_what_it_was_made_of(
    bag: Any, caramels: Any, use_up: Any, standing: Any
) -> None:
    sugar = bag(OLD, best_before=date(2027, 3, 2))
    made = caramels(sugar, OLD, ship=False, best_before=date(2026, 9, 2))
    use_up(sugar, OLD)
    found = standing(LONG_AFTER)
    assert [leaves(found, lot) for lot in (sugar, made)] == [False, False]


def test_a_lot_that_keeps_for_ten_years_stays_with_what_came_of_it(
    bag: Any, caramels: Any, use_up: Any, standing: Any
) -> None:
    sugar = bag(OLD, best_before=date(2036, 3, 2))
    made = caramels(sugar, OLD, best_before=date(2026, 9, 2))
    use_up(sugar, OLD)
    found = standing(date(2036, 9, 2))  # six months beyond its shelf life
    assert leaves(found, made) is False
    assert [leaves(standing(date(2036, 9, 3)), lot) for lot in (sugar, made)] == [True, True]


def test_an_open_case_keeps_its_lots(old: Any, leads: Any, standing: Any) -> None:
    _, made = old
    deviations.open_case(
        act=leads(), what="reported", subject=made.uid, slot="1", title="A shell was found.", hold=None
    )
    assert [leaves(standing(LONG_AFTER), lot) for lot in old] == [False, False]


def test_what_is_kept_until_further_notice_stays(old: Any, leads: Any, lead: Any, standing: Any) -> None:
    sugar, _ = old
    hold = saying.hold(act=leads(), proof=Proof(lead), subject=sugar.uid, because="A court asks.")
    assert [leaves(standing(LONG_AFTER), lot) for lot in old] == [False, False]
    saying.take_back(
        act=leads(corrects=hold.pk, reason="The court has decided.", withdraws=True),
        proof=Proof(lead),
        kind=type(hold),
    )
    assert [leaves(standing(LONG_AFTER), lot) for lot in old] == [True, True]


def test_the_whole_house_may_be_kept(
    old: Any, leads: Any, lead: Any, establishment: Any, standing: Any
) -> None:
    saying.hold(act=leads(), proof=Proof(lead), subject=establishment.pk, because="An investigation.")
    assert standing(LONG_AFTER).leaving == set()


def test_while_an_inspector_is_let_in_nothing_leaves(
    old: Any, leads: Any, on: Any, standing: Any, inspector: Any
) -> None:
    at = on(LONG_AFTER)
    told = {"authority": "Town food office", "because": "Yearly visit.", "first_day": OLD, "last_day": None}
    days = {"opens_at": at, "closes_at": at + timedelta(days=1)}
    Entrance.new(leads(), person=inspector, **told, **days).insert()
    assert standing(LONG_AFTER).leaving == set()
    assert standing(LONG_AFTER + timedelta(days=2)).leaving != set()


def test_a_signature_stays_as_long_as_what_it_signs(
    old: Any, leads: Any, lead: Any, standing: Any, on: Any
) -> None:
    """And what is signed as long as the signature: the house was asked to look at it later."""
    _, made = old
    on(NEW)
    decision = LotDecision.objects.filter(lot=made).latest("recorded_at")
    target = Entry.objects.get(pk=decision.pk)
    signatures.sign(act=leads(), proof=Proof(lead), target=target, meaning="decided")
    assert leaves(standing(GONE), made) is False


def test_what_is_signed_later_keeps_what_came_of_its_lot_too(
    old: Any, leads: Any, lead: Any, standing: Any, on: Any
) -> None:
    """A record and its signature count as one, so that the lot is asked about forward as well."""
    sugar, made = old
    on(NEW)
    decision = LotDecision.objects.filter(lot=sugar).latest("recorded_at")
    target = Entry.objects.get(pk=decision.pk)
    signatures.sign(act=leads(), proof=Proof(lead), target=target, meaning="decided")
    assert leaves(standing(GONE), made) is False


def test_a_plan_in_force_stays_with_its_signature(old: Any, standing: Any) -> None:
    found, plan = standing(LONG_AFTER), PlanVersion.objects.get()
    assert plan.pk in found.stays
    assert set(Entry.objects.get(pk=plan.pk).signatures.values_list("pk", flat=True)) <= set(found.stays)


def test_a_plan_put_away_is_kept_from_the_day_its_use_ended(
    old: Any, on: Any, leads: Any, standing: Any
) -> None:
    plan = PlanVersion.objects.get()
    on(NEW)
    changes.alter(act=leads(), row=plan.plan, values={"in_use": False})
    assert plan.pk in standing(date(2032, 3, 4)).stays
    assert plan.pk in standing(date(2035, 3, 5)).leaving  # the longest known, where the Union names no number


def test_the_trail_of_changes_stays(old: Any, standing: Any) -> None:
    assert set(Change.objects.values_list("pk", flat=True)) <= set(standing(LONG_AFTER).stays)


def test_what_was_written_down_late_is_kept_from_that_day(old: Any, act: Any, on: Any, standing: Any) -> None:
    sugar, _ = old
    on(NEW)
    storing.count(act=act(), lot=sugar, quantity="0", unit="KGM")  # said to have been in 2026
    assert leaves(standing(GONE), sugar) is False


def test_a_device_whose_clock_was_ahead_keeps_nothing_for_ever(old: Any, act: Any, standing: Any) -> None:
    sugar, _ = old
    ahead = act().performed.local.replace(year=2300)
    storing.count(act=act(at=ahead), lot=sugar, quantity="0", unit="KGM")
    assert leaves(standing(GONE), sugar) is True


def test_where_the_house_ships_to_may_end_the_longer_rule(
    old: Any, leads: Any, lead: Any, standing: Any
) -> None:
    here = leads().establishment
    here.country = "US"
    here.save()
    assert leaves(standing(date(2028, 3, 3)), old[1]) is False
    saying.state_markets(act=leads(), proof=Proof(lead), jurisdictions=["US"], because="We sell at our door.")
    assert leaves(standing(date(2028, 3, 3)), old[1]) is True


def test_another_houses_records_are_not_asked(old: Any, elsewhere: Any) -> None:
    found = keeping.standing(elsewhere, LONG_AFTER)
    assert Movement.objects.count() > 0
    assert not set(Movement.objects.values_list("pk", flat=True)) & set(found.web.kinds)


@pytest.mark.parametrize("day", [GONE, LONG_AFTER])
def test_nothing_that_leaves_is_needed_by_what_stays_nor_kept_by_its_own_rules(
    old: Any, bag: Any, caramels: Any, standing: Any, day: date
) -> None:
    caramels(bag(NEW), NEW)
    found = standing(day)
    assert not reached(found.stays, found.web.keeps) & found.leaving
    assert all(found.own[pk].lasts < day for pk in found.leaving)


def test_parts_leave_before_what_they_need(old: Any, standing: Any) -> None:
    found = standing(LONG_AFTER)
    gone: set[Any] = set()
    for part in found.in_order():
        gone |= set(part)
        assert not reached(found.leaving - gone, found.web.keeps) & gone
    assert gone == found.leaving
