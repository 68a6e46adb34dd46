"""What may be in a lot by contact: equipment, breaks with their scope, time, and batches that carry it on."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import noting, runs
from batches.models import Batch, CleaningBreak, Equipment, Lot, Material, Occupation, QualityReading
from haccp.allergens import contact, content, lists
from haccp.allergens.content import Content
from haccp.allergens.saying import Says
from ledger.models import Entry, Establishment
from tests.conftest import NOON
from tests.haccp.allergens.test_content import DAY

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
EIGHT = NOON - 4 * HOUR


@pytest.fixture
def all_free(establishment: Establishment) -> list[str]:
    return [f"free-of:{code}" for code in sorted(lists.vocabulary(establishment).listed_on(DAY))]


@pytest.fixture
def table(establishment: Establishment) -> Equipment:
    return Equipment.objects.create(establishment=establishment, code="T-1", name="Table", kind="table")


@pytest.fixture
def plain(state: Any, sugar: Material, receive: Any, all_free: Any) -> Lot:
    """Sugar that is free of everything."""
    state(sugar, *all_free)
    return receive()


@pytest.fixture
def nutty(state: Any, nuts: Material, receive: Any, all_free: Any) -> Lot:
    """Hazelnuts that are free of everything else."""
    state(nuts, "hazelnut", *[each for each in all_free if each != "free-of:hazelnut"])
    return receive(material=nuts)


@pytest.fixture
def stood(begin: Any, use: Any, make_lot: Any) -> Callable[..., Lot]:
    """A lot of a batch that stood somewhere: ``stood(lot, [table], 8, 9)``; until None it stands there still."""

    def make(source: Lot | None, equipment: list[Equipment], since: float, until: float | None) -> Lot:
        batch = begin()
        if source is not None:
            use(source, batch)
        for each in equipment:
            stay(batch, each, since, until)
        return make_lot(batch)

    return make


def hour(number: float) -> datetime:
    return NOON + (number - 12) * HOUR


def stay(batch: Batch, equipment: Equipment, since: float, until: float | None) -> None:
    Occupation.objects.create(
        batch=batch, equipment=equipment, since=hour(since), until=None if until is None else hour(until)
    )


@pytest.fixture
def clean(act: Any, batch: Batch) -> Callable[..., QualityReading]:
    def do(equipment: Equipment, at: float, allergens: Any = "all") -> QualityReading:
        record = noting.note_quality(act=act(at=hour(at)), batch=batch, what="table", value="clean")
        CleaningBreak.objects.create(
            equipment=equipment,
            at=hour(at),
            scope={"allergens": allergens, "microbiological": False, "foreign-bodies": False},
            because=Entry.objects.get(pk=record.pk),
        )
        return record

    return do


def of(lot: Lot) -> Content:
    return content.of_lots(lot.establishment, [lot])[lot.pk]


def batch_of(lot: Lot) -> Batch:
    assert lot.batch is not None
    return lot.batch


def test_what_an_earlier_batch_left_may_be_in_the_next_and_both_are_named(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any
):
    first, second = stood(nutty, [table], 8, 9), stood(plain, [table], 10, 11)
    found = of(second)
    assert (set(found.contains), set(found.may), found.unknown) == (set(), {"hazelnut"}, frozenset())
    why = found.may["hazelnut"]
    assert (why.by_contact, why.batch, why.equipment) == (True, batch_of(first).code, "T-1")
    assert str(why) == f"left on T-1 by batch {batch_of(first).code} ({second.code})"


def test_what_contains_it_is_not_told_as_contact(nutty: Lot, table: Equipment, stood: Any):
    stood(nutty, [table], 8, 9)
    second = stood(nutty, [table], 10, 11)
    assert (set(of(second).contains), set(of(second).may)) == ({"hazelnut"}, set())


def test_a_later_batch_leaves_nothing_to_an_earlier(plain: Lot, nutty: Lot, table: Equipment, stood: Any):
    first = stood(plain, [table], 8, 9)
    stood(nutty, [table], 9, 10)
    assert set(of(first).may) == set()


def test_another_table_leaves_nothing(
    plain: Lot, nutty: Lot, table: Equipment, kettle: Equipment, stood: Any
):
    stood(nutty, [table], 8, 9)
    assert set(of(stood(plain, [kettle], 10, 11)).may) == set()


@pytest.mark.parametrize(
    ("at", "scope", "left"),
    [
        (9, "all", set()),
        (10, "all", set()),
        (9.5, ["hazelnut"], set()),
        (9.5, ["tree-nuts"], set()),
        (9.5, ["milk"], {"hazelnut"}),
        (9.5, [], {"hazelnut"}),
        (8.5, "all", {"hazelnut"}),  # while the nuts still stood there
        (10.5, "all", {"hazelnut"}),  # after the next began
    ],
)
def test_a_break_clears_what_its_scope_names_between_the_two(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any, clean: Any, at: float, scope: Any, left: set[str]
):
    stood(nutty, [table], 8, 9)
    clean(table, at, scope)
    assert set(of(stood(plain, [table], 10, 11)).may) == left


def test_a_break_whose_record_was_withdrawn_clears_nothing(
    act: Any, batch: Batch, plain: Lot, nutty: Lot, table: Equipment, stood: Any, clean: Any
):
    stood(nutty, [table], 8, 9)
    record = clean(table, 9.5)
    gone = act(corrects=record.pk, reason="Another table.", withdraws=True)
    runs.withdraw(act=gone, batch=batch, kind=QualityReading)
    assert set(of(stood(plain, [table], 10, 11)).may) == {"hazelnut"}


def test_batches_on_shared_equipment_touch_each_other_both_ways(
    plain: Lot, nutty: Lot, state: Any, table: Equipment, stood: Any
):
    first = stood(plain, [table], 8, 10)
    second = stood(nutty, [table], 9, 11)
    assert set(of(first).may) == {"hazelnut"}
    assert of(first).may["hazelnut"].batch == batch_of(second).code


def test_a_batch_that_stands_there_still_touches_what_comes(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any, clean: Any
):
    stood(nutty, [table], 8, None)
    clean(table, 9)
    assert set(of(stood(plain, [table], 10, 11)).may) == {"hazelnut"}


def test_contact_is_carried_on_by_a_batch_that_had_it_itself(
    plain: Lot, nutty: Lot, table: Equipment, kettle: Equipment, stood: Any
):
    stood(nutty, [table], 8, 9)
    between = stood(plain, [table, kettle], 9, 10)
    last = stood(plain, [kettle], 10, 11)
    assert set(of(last).may) == {"hazelnut"}
    assert (of(last).may["hazelnut"].batch, of(last).may["hazelnut"].equipment) == (
        batch_of(between).code,
        "K-1",
    )


def test_contact_goes_with_the_lot_into_what_is_made_of_it(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any
):
    first = stood(nutty, [table], 8, 9)
    touched = stood(plain, [table], 9, 10)
    last = stood(touched, [], 10, 11)
    why = of(last).may["hazelnut"]
    assert (why.batch, str(why.path)) == (batch_of(first).code, f"{touched.code} -> {last.code}")


def test_a_lot_that_was_touched_and_used_leaves_it_where_that_batch_stands(
    plain: Lot, nutty: Lot, table: Equipment, kettle: Equipment, stood: Any
):
    stood(nutty, [table], 8, 9)
    touched = stood(plain, [table], 9, 10)
    stood(touched, [kettle], 10, 11)
    assert set(of(stood(plain, [kettle], 11, 12)).may) == {"hazelnut"}


def test_a_batch_that_made_nothing_leaves_what_was_used_in_it(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any, begin: Any, use: Any
):
    failed = begin()
    use(nutty, failed)
    stay(failed, table, 8, 9)
    assert set(of(stood(plain, [table], 10, 11)).may) == {"hazelnut"}


def test_what_a_supplier_says_may_be_there_is_left_too(
    state: Any, nuts: Material, receive: Any, plain: Lot, table: Equipment, stood: Any, all_free: Any
):
    state(nuts, "may-contain:almond", *[each for each in all_free if each != "free-of:almond"])
    stood(receive(material=nuts), [table], 8, 9)
    assert set(of(stood(plain, [table], 10, 11)).may) == {"almond"}


def test_contact_with_what_nobody_stated_is_unknown_by_contact(
    establishment: Establishment, plain: Lot, table: Equipment, stood: Any
):
    silent = stood(None, [table], 8, 9)
    found = of(stood(plain, [table], 10, 11))
    assert (set(found.may), found.unknown) == (set(), frozenset())
    assert set(found.unknown_by_contact) == lists.vocabulary(establishment).listed_on(DAY)
    assert found.unknown_by_contact["milk"].batch == batch_of(silent).code


def test_a_batch_without_a_recorded_use_leaves_something_nobody_knows(
    establishment: Establishment, plain: Lot, table: Equipment, stood: Any, begin: Any
):
    stay(begin(), table, 8, 9)
    listed = lists.vocabulary(establishment).listed_on(DAY)
    assert set(contact.standing_on([table], hour(10)).unstated[table.pk]) == listed
    assert set(of(stood(plain, [table], 10, 11)).unknown_by_contact) == listed


def test_contact_goes_on_through_a_batch_without_a_recorded_use(
    plain: Lot, nutty: Lot, table: Equipment, kettle: Equipment, stood: Any, begin: Any
):
    stood(nutty, [table], 8, 9)
    between = begin()
    stay(between, table, 9, 10)
    stay(between, kettle, 9, 10)
    lot = stood(plain, [kettle], 11, 12)
    assert set(of(lot).may) == {"hazelnut"}


def test_without_contact_asked_nothing_of_it_is_told(plain: Lot, nutty: Lot, table: Equipment, stood: Any):
    stood(nutty, [table], 8, 9)
    lot = stood(plain, [table], 10, 11)
    found = content.of_lots(lot.establishment, [lot], contact=False)[lot.pk]
    assert set(found.may) == set()


# -- what stands on equipment ------------------------------------------------------------------------


def test_what_stands_on_equipment_is_told_with_the_last_batch_that_brought_it(
    plain: Lot, nutty: Lot, table: Equipment, kettle: Equipment, stood: Any
):
    stood(nutty, [table], 7, 8)
    last = stood(nutty, [table], 8, 9)
    stood(plain, [table], 9, 10)  # carries hazelnut on by contact, yet did not bring it
    found = contact.left_on([table, kettle], hour(11))
    assert found[kettle.pk] == {}
    left = found[table.pk]["hazelnut"]
    assert (left.batch, left.says, left.until) == (batch_of(last).code, Says.CONTAINS, hour(9))


@pytest.mark.parametrize(
    ("at", "there"), [(7.9, False), (8, True), (9, True), (9.4, True), (9.5, False), (20, False)]
)
def test_what_stands_there_depends_on_the_time(
    nutty: Lot, table: Equipment, stood: Any, clean: Any, at: float, there: bool
):
    stood(nutty, [table], 8, 9)
    clean(table, 9.5, ["tree-nuts"])
    assert ("hazelnut" in contact.left_on([table], hour(at))[table.pk]) == there


def test_what_was_brought_only_by_contact_may_be_there(
    plain: Lot, nutty: Lot, table: Equipment, kettle: Equipment, stood: Any
):
    stood(nutty, [table], 8, 9)
    between = stood(plain, [table, kettle], 9, 10)
    left = contact.left_on([kettle], hour(11))[kettle.pk]["hazelnut"]
    assert (left.says, left.batch) == (Says.MAY_CONTAIN, batch_of(between).code)


def test_nothing_is_asked_of_no_equipment(django_assert_num_queries: Any):
    with django_assert_num_queries(0):
        assert contact.left_on([], NOON) == {}


def test_many_lots_answer_as_each_alone(
    plain: Lot, nutty: Lot, table: Equipment, kettle: Equipment, stood: Any
):
    made = [
        stood(nutty, [table], 8, 9),
        stood(plain, [table, kettle], 9, 10),
        stood(plain, [kettle], 10, 11),
        stood(nutty, [], 10, 11),
    ]
    alone = [of(lot) for lot in made]
    together = content.of_lots(made[0].establishment, made)
    for lot, found in zip(made, alone, strict=True):
        assert dict(together[lot.pk].may) == dict(found.may)
        assert dict(together[lot.pk].contains) == dict(found.contains)


def test_more_batches_on_the_same_table_cost_no_more_statements(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any
):
    counted = []
    for _ in range(2):
        for _ in range(3):
            stood(nutty, [table], 8, 9)
        lot = stood(plain, [table], 10, 11)
        with CaptureQueriesContext(connection) as queries:
            of(lot)
        counted.append(len(queries))
    assert counted[0] == counted[1]
