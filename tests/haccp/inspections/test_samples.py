"""Samples: out of stock by a movement, a counter-sample described, a result awaited, what is objected to held."""

from datetime import date
from typing import Any

import pytest

from batches import storing
from batches.models import Lot, LotStatus, Movement
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.inspections import due, samples, withdrawals
from haccp.models import Deviation, Hold, Inspection, InspectionSample
from ledger.ids import uuid7
from ledger.models import Establishment
from tests.conftest import NOON
from tests.haccp.conftest import HOUR

pytestmark = pytest.mark.django_db


def on_hand(lot: Lot) -> int:
    """Milligrams."""
    lot.state.refresh_from_db()
    found: int = lot.state.on_hand
    return found


def tell(act: Any, sample: InspectionSample, outcome: str = "objected", **values: Any) -> Any:
    said = values.pop("said", None) or act(at=NOON + 24 * HOUR)
    return samples.tell_result(
        act=said, sample=sample, **({"outcome": outcome, "text": "Salmonella in 25 g."} | values)
    )


def test_a_sample_of_a_lot_leaves_its_stock_by_a_movement(take: Any, sugar_lot: Lot) -> None:
    sample = take()
    assert on_hand(sugar_lot) == 19_750_000
    assert sample.movement.what == "sampled"
    assert (sample.entered, sample.unit) == ("0.250", "KGM")


def test_a_sample_that_left_the_stock_already_is_named_and_taken_once(
    take: Any, act: Any, sugar_lot: Lot
) -> None:
    movement = storing.sample(act=act(), lot=sugar_lot, quantity="0.3", unit="KGM")
    sample = take(lot=None, quantity="", unit="", taken_before=movement.pk)
    assert (sample.lot, sample.entered, sample.movement) == (sugar_lot, "0.3", movement)
    assert on_hand(sugar_lot) == 19_700_000
    with pytest.raises(RuleBroken, match="another sample"):
        take(lot=None, quantity="", unit="", taken_before=movement.pk)
    with pytest.raises(Unknown):
        take(lot=None, quantity="", unit="", taken_before=uuid7())


def test_what_is_no_lot_is_told_in_words(take: Any) -> None:
    swab = take(lot=None, quantity="", unit="", of="Table 1, 100 cm2", counter="none")
    assert swab.movement is None
    with pytest.raises(Unusable, match="a lot, or in words"):
        take(lot=None, quantity="", unit="")
    with pytest.raises(Unusable, match="An amount is told of a lot"):
        take(lot=None, of="Table 1")


def test_a_counter_sample_that_stays_is_described(take: Any) -> None:
    with pytest.raises(Unusable, match="counter-sample"):
        take(counter_sample="")


def test_a_repeat_takes_nothing_more(take: Any, act: Any, sugar_lot: Lot) -> None:
    once = act(at=NOON + HOUR, id=uuid7())
    assert take(once).pk == take(once).pk
    assert on_hand(sugar_lot) == 19_750_000


def test_a_correction_puts_the_movement_right_too(take: Any, act: Any, sugar_lot: Lot) -> None:
    sample = take()
    right = act(at=NOON + HOUR, corrects=sample.pk, reason="The scale said 0.52.")
    later = take(right, quantity="0.520")
    assert on_hand(sugar_lot) == 19_480_000
    assert later.movement.corrects == sample.movement


def test_a_correction_of_words_leaves_the_movement(take: Any, act: Any) -> None:
    sample = take()
    later = take(act(at=NOON + HOUR, corrects=sample.pk, reason="Misread."), receipt="R 10")
    assert later.movement == sample.movement
    assert Movement.objects.filter(what="sampled").count() == 1


def test_a_withdrawn_sample_is_back_in_stock(take: Any, act: Any, visit: Inspection, sugar_lot: Lot) -> None:
    sample = take()
    gone = act(corrects=sample.pk, reason="They put it back.", withdraws=True)
    withdrawals.withdraw(act=gone, inspection=visit, what="sample")
    assert on_hand(sugar_lot) == 20_000_000


def test_a_sample_with_a_result_is_not_withdrawn(take: Any, act: Any, visit: Inspection) -> None:
    sample = take()
    tell(act, sample, "in-order", text="Nothing found.")
    gone = act(corrects=sample.pk, reason="Slip.", withdraws=True)
    with pytest.raises(RuleBroken, match="A result"):
        withdrawals.withdraw(act=gone, inspection=visit, what="sample")


def test_a_sample_awaits_its_result_until_one_decides(
    take: Any, act: Any, establishment: Establishment
) -> None:
    later = take(result_by=date(2026, 3, 20))
    sooner = take(result_by=date(2026, 3, 9))
    assert list(due.awaiting(establishment)) == [sooner, later]
    tell(act, sooner, "undecided", text="Another method is tried.")
    assert list(due.awaiting(establishment)) == [sooner, later]
    tell(act, sooner, "in-order", text="Nothing found.")
    assert list(due.awaiting(establishment)) == [later]


def test_what_is_objected_to_is_held_at_once_under_a_case(take: Any, act: Any, sugar_lot: Lot) -> None:
    result = tell(act, take())
    case = samples.case_of(result)
    assert case is not None
    assert case.title.startswith("Town food office objects to a sample of lot")
    assert Hold.objects.get(deviation=case).lots == [str(sugar_lot.uid)]
    sugar_lot.state.refresh_from_db()
    assert sugar_lot.state.status == LotStatus.HELD


def test_a_corrected_objection_opens_no_second_case_and_closes_none(take: Any, act: Any) -> None:
    sample = take()
    result = tell(act, sample)
    right = act(at=NOON + 25 * HOUR, corrects=result.pk, reason="Misread.")
    tell(act, sample, said=right, text="Salmonella in 1 of 5.")
    assert Deviation.objects.count() == 1


def test_an_objection_to_a_swab_opens_a_case_that_holds_nothing(take: Any, act: Any) -> None:
    tell(act, take(lot=None, quantity="", unit="", of="Table 1", counter="none"))
    assert Deviation.objects.get().holds.count() == 0


def test_a_result_belongs_to_the_sample_that_stands(take: Any, act: Any) -> None:
    sample = take()
    take(act(at=NOON + HOUR, corrects=sample.pk, reason="Misread."), receipt="R 10")
    sample.refresh_from_db()
    with pytest.raises(RuleBroken, match="what stands"):
        tell(act, sample)
