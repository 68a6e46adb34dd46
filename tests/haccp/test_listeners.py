"""Material out of order: recorded, flagged, and a deviation in the movement's own transaction."""

from datetime import date
from typing import Any

import pytest

from batches import lots, shipping
from batches.models import Batch, Lot, LotState, Movement, TradingPartner
from haccp import deviations
from haccp.deviations import Touched
from haccp.models import Deviation, HoldSubject
from ledger.models import Entry
from tests.haccp.conftest import HOUR, MINUTE, MORNING


def causes() -> list[str]:
    return sorted(Deviation.objects.values_list("what", flat=True))


def status(lot: Lot) -> str:
    return LotState.objects.get(lot=lot).status


@pytest.fixture
def customer(establishment: Any) -> TradingPartner:
    return TradingPartner.objects.create(
        establishment=establishment, code="CUS", name="Corner Shop", is_customer=True
    )


def test_use_of_what_is_in_order_opens_nothing(receive: Any, accept: Any, use: Any, batch: Batch):
    use(accept(receive()), batch)
    assert causes() == []


def test_use_of_what_was_not_accepted_holds_the_batch(receive: Any, use: Any, batch: Batch, make_lot: Any):
    early = make_lot(batch, at=MORNING + MINUTE)
    use(receive(), batch)
    assert causes() == ["material"]
    assert (status(early), status(make_lot(batch))) == ("held", "held")


def test_use_past_its_date_holds_the_batch(receive: Any, accept: Any, use: Any, batch: Batch):
    use(accept(receive(best_before=date(2026, 3, 1))), batch)
    assert causes() == ["material"]


def test_use_of_what_the_recipe_does_not_name_holds_the_batch(
    receive: Any, accept: Any, use: Any, batch: Batch, nuts: Any
):
    use(accept(receive(material=nuts)), batch)
    assert causes() == ["material"]


def test_use_of_more_than_there_was_holds_nothing_but_is_a_case(
    receive: Any, accept: Any, use: Any, batch: Batch, make_lot: Any
):
    lot = make_lot(batch)
    use(accept(receive()), batch, quantity="21")
    assert (causes(), status(lot)) == (["stock"], "awaiting")


def test_more_shipped_than_was_made_is_recorded_and_a_case(
    act: Any, batch: Batch, make_lot: Any, customer: TradingPartner
):
    lot = make_lot(batch)
    lots.decide(act=act(), lots=[lot], status="released", because=Entry.objects.get(pk=lot.birth_id))
    more = {"lot": lot, "customer": customer, "quantity": "1.2", "unit": "KGM"}
    sent = shipping.ship(act=act(), already_happened=True, **more)
    assert (sent.flags, causes(), status(lot)) == (["more-than-on-hand"], ["stock"], "released")
    assert LotState.objects.get(lot=lot).on_hand == -200_000


def test_several_things_out_of_order_are_several_cases(receive: Any, use: Any, batch: Batch):
    use(receive(), batch, quantity="21")
    assert causes() == ["material", "stock"]


def test_what_left_without_being_released_is_a_case_and_held(
    act: Any, batch: Batch, make_lot: Any, customer: Any
):
    lot = make_lot(batch)
    shipping.ship(act=act(), lot=lot, customer=customer, quantity="1", unit="KGM", already_happened=True)
    assert (causes(), status(lot)) == (["shipped"], "held")


def test_a_correction_goes_on_under_the_open_case(act: Any, receive: Any, batch: Batch):
    from batches import using

    lot = receive()
    first = using.use(act=act(at=MORNING + HOUR), lot=lot, batch=batch, quantity="2", unit="KGM")
    using.use(
        act=act(at=MORNING + HOUR, corrects=first.pk, reason="Misread."),
        lot=lot,
        batch=batch,
        quantity="3",
        unit="KGM",
    )
    assert causes() == ["material"]


def test_a_correction_after_the_case_was_closed_opens_another(
    act: Any, receive: Any, batch: Batch, settle: Any
):
    from batches import using

    lot = receive()
    first = using.use(act=act(at=MORNING + HOUR), lot=lot, batch=batch, quantity="2", unit="KGM")
    settle(Deviation.objects.get())
    using.use(
        act=act(at=MORNING + HOUR, corrects=first.pk, reason="Misread."),
        lot=lot,
        batch=batch,
        quantity="3",
        unit="KGM",
    )
    assert causes() == ["material", "material"]


def test_a_withdrawn_movement_opens_nothing_and_closes_nothing(
    act: Any, receive: Any, use: Any, batch: Batch
):
    from dataclasses import replace

    from batches import movements

    use(receive(), batch)
    gone = Movement.objects.get(what="used")
    movements.withdraw(act=replace(act(corrects=gone.pk, reason="Put back."), withdraws=True))
    assert causes() == ["material"]
    assert not hasattr(Deviation.objects.get(), "closing")


def test_rework_that_a_case_asked_for_is_no_case(
    act: Any, begin: Any, make_lot: Any, use: Any, settle: Any, products: Any
):
    from batches.models import RecipeLine

    lot = make_lot(begin(), at=MORNING + MINUTE)
    hold = Touched(HoldSubject.LOT, lot.uid)
    settle(deviations.report(act=act(), title="Wet.", hold=hold), "rework")
    again = begin()
    RecipeLine.objects.create(
        version=again.recipe_version, position=2, material=products["SBC"], amount=1000, tolerance_permille=10
    )
    before = Deviation.objects.count()
    use(lot, again, quantity="1")
    assert Deviation.objects.count() == before


def test_a_case_that_cannot_be_opened_undoes_the_movement(
    receive: Any, use: Any, batch: Batch, monkeypatch: pytest.MonkeyPatch
):
    def fail(**_: Any) -> None:
        raise ValueError("boom")

    lot = receive()
    monkeypatch.setattr(deviations, "open_case", fail)
    with pytest.raises(ValueError, match="boom"):
        use(lot, batch)
    assert not Movement.objects.filter(what="used").exists()
