"""Packing checks that are due: as far as records tell, and no further; each that is missing is one case, once."""

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from batches import shipping
from batches.models import Batch, Lot
from haccp import missed_packing, tasks
from haccp.labels import packing, packing_dues
from haccp.models import Deviation, LabelVersion
from tests.conftest import NOON
from tests.haccp.conftest import HOUR, MINUTE

pytestmark = pytest.mark.django_db
SOON = timedelta(minutes=5)
LATER = timedelta(hours=2)


def dues(batch: Batch, after: timedelta = LATER) -> list[tuple[str, str]]:
    return [
        (each.moment.value, each.state.value) for each in packing_dues.of_batch(batch, timezone.now() + after)
    ]


def swept(after: timedelta = LATER) -> list[Deviation]:
    missed_packing.sweep(timezone.now() + after)
    return list(Deviation.objects.filter(what="missed-check", slot__startswith="packing").order_by("id"))


@pytest.fixture
def bag(make_label: Any, approve: Any) -> LabelVersion:
    """A label that goes on a pack."""
    found: LabelVersion = approve(make_label(unpacked=False))
    return found


@pytest.fixture
def ship(act: Any, establishment: Any) -> Any:
    from batches.models import TradingPartner

    shop = TradingPartner.objects.create(
        establishment=establishment, code="SHOP", name="Shop", is_customer=True
    )

    def do(lot: Lot) -> None:
        shipping.ship(
            act=act(at=NOON + 3 * HOUR),
            lot=lot,
            customer=shop,
            quantity="1",
            unit="KGM",
            already_happened=True,
        )

    return do


# -- what is due ------------------------------------------------------------------------------------------


def test_from_start_to_end_all_is_made(batch: Batch, bag: LabelVersion, see: Any):
    see(batch, bag, moment="start", counts={})
    see(batch, bag, at=NOON + HOUR)
    assert dues(batch) == [("start", "made"), ("end", "made")]
    assert not swept()


def test_a_run_that_nobody_said_is_over_is_yours_to_end(batch: Batch, bag: LabelVersion, see: Any):
    see(batch, bag, moment="start", counts={})
    assert dues(batch) == [("start", "made"), ("end", "yours")]
    assert not swept()


def test_what_no_record_tells_of_is_named_as_yours(batch: Batch, bag: LabelVersion, make_lot: Any):
    make_lot(batch)
    (due,) = packing_dues.of_batch(batch, timezone.now())
    assert (due.moment.value, due.state.value) == ("start", "yours")
    assert due.sentence.startswith("No record tells whether packing began")
    assert not swept()


def test_what_is_sold_loose_takes_none(batch: Batch, make_label: Any, approve: Any, make_lot: Any):
    approve(make_label(unpacked=True))
    make_lot(batch)
    assert dues(batch) == []


def test_a_batch_without_a_label_for_packs_takes_none(batch: Batch, make_lot: Any):
    make_lot(batch)
    assert dues(batch) == []


# -- what is missing --------------------------------------------------------------------------------------


def test_an_end_without_a_start_tells_that_the_start_is_missing(batch: Batch, bag: LabelVersion, see: Any):
    see(batch, bag)
    assert dues(batch, SOON) == [("start", "waiting"), ("end", "made")]
    assert dues(batch) == [("start", "missed"), ("end", "made")]
    (case,) = swept()
    assert case.subject == batch.uid
    assert "nobody recorded the label at its start" in case.title
    assert not case.holds.exists()


def test_a_start_that_comes_in_within_the_hour_opens_nothing(batch: Batch, bag: LabelVersion, see: Any):
    see(batch, bag)
    assert not swept(SOON)
    see(batch, bag, at=NOON - MINUTE, moment="start", counts={})
    assert not swept()


def test_a_roll_change_after_the_end_tells_that_packing_went_on(batch: Batch, bag: LabelVersion, see: Any):
    see(batch, bag, moment="start", counts={})
    see(batch, bag, at=NOON + HOUR)
    see(batch, bag, at=NOON + 2 * HOUR, moment="roll-change")
    assert dues(batch) == [("start", "made"), ("end", "made"), ("start", "missed"), ("end", "yours")]


def test_labels_counted_once_more_after_the_end_begin_nothing(batch: Batch, bag: LabelVersion, see: Any):
    see(batch, bag, moment="start", counts={})
    see(batch, bag, at=NOON + HOUR)
    see(batch, bag, at=NOON + 2 * HOUR)
    assert not swept()


def test_a_new_start_tells_that_the_run_before_had_ended(batch: Batch, bag: LabelVersion, see: Any):
    see(batch, bag, moment="start", counts={})
    see(batch, bag, at=NOON + HOUR, moment="start", counts={})
    assert dues(batch) == [("start", "made"), ("end", "missed"), ("start", "made"), ("end", "yours")]
    assert "nobody recorded its end" in swept()[0].title


def test_a_shipment_tells_that_packing_had_ended(
    batch: Batch, bag: LabelVersion, see: Any, make_lot: Any, ship: Any
):
    lot = make_lot(batch)
    see(batch, bag, moment="start", counts={}, lot=lot)
    ship(lot)
    assert dues(batch) == [("start", "made"), ("end", "missed")]


def test_a_lot_shipped_in_packs_that_nobody_looked_at_is_a_case(
    batch: Batch, bag: LabelVersion, make_lot: Any, ship: Any
):
    ship(make_lot(batch))
    assert dues(batch) == [("start", "missed")]
    assert len(swept()) == 1


def test_a_start_that_names_no_lot_speaks_for_each(batch: Batch, bag: LabelVersion, see: Any, make_lot: Any):
    one, other = make_lot(batch), make_lot(batch)
    see(batch, bag, moment="start", counts={})
    see(batch, bag, at=NOON + HOUR, lot=one)
    found = packing_dues.of_batch(batch, timezone.now() + LATER)
    assert {(each.moment.value, each.lot, each.state.value) for each in found} == {
        ("start", None, "made"),
        ("end", one, "made"),
        ("end", other, "yours"),
    }
    assert not swept()


# -- once, and over HTTP ----------------------------------------------------------------------------------


def test_run_twice_it_opens_nothing_twice(batch: Batch, bag: LabelVersion, see: Any):
    see(batch, bag)
    assert len(swept()) == len(swept()) == 1


def test_a_corrected_check_is_about_the_same_run(batch: Batch, bag: LabelVersion, see: Any, act: Any):
    made = see(batch, bag)
    swept()
    see(batch, bag, said_act=act(at=NOON + MINUTE, corrects=made.pk, reason="Wrong time."))
    assert len(swept()) == 1


def test_a_withdrawn_check_tells_nothing(batch: Batch, bag: LabelVersion, see: Any, act: Any):
    made = see(batch, bag)
    packing.withdraw(act=act(corrects=made.pk, reason="Wrong batch."))
    assert dues(batch) == []


def test_many_batches_cost_no_more_statements(
    begin: Any, bag: LabelVersion, see: Any, make_lot: Any, django_assert_max_num_queries: Any
):
    batches = [begin() for _ in range(4)]
    for each in batches:
        see(each, bag, lot=make_lot(each))
    with django_assert_max_num_queries(8):
        assert len(packing_dues.of_batches(batches, timezone.now())) == 8


def test_checks_and_lots_are_grouped_by_batch_once(begin: Any, bag: LabelVersion, see: Any, make_lot: Any):
    batches = [begin() for _ in range(4)]
    for each in batches:
        see(each, bag, lot=make_lot(each))
    reading = packing_dues._Reading.of(batches)
    assert {key: len(found) for key, found in reading.checks.items()} == {each.pk: 1 for each in batches}
    assert {key: len(found) for key, found in reading.lots.items()} == {each.pk: 1 for each in batches}


def test_the_list_over_http(batch: Batch, bag: LabelVersion, see: Any, api: Any):
    made = see(batch, bag, moment="start", counts={})
    first, last = api.ask(f"batches/{batch.uid}/packing-due").json()
    assert (first["moment"], first["state"], first["check"]) == ("start", "made", str(made.pk))
    assert (last["moment"], last["state"]) == ("end", "yours")
    assert last["sentence"].startswith("No record tells whether packing ended")


def test_the_task_is_the_sweep(batch: Batch, bag: LabelVersion, see: Any, monkeypatch: pytest.MonkeyPatch):
    see(batch, bag)
    monkeypatch.setattr(packing_dues, "PATIENCE", timedelta(0))
    tasks.sweep_packing()
    assert Deviation.objects.filter(slot__startswith="packing start").count() == 1
