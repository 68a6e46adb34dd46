"""A movement that left alone would make stock false: it stays, and so does whatever else is counted in a state."""

import pytest

from batches.models import BatchEnd, BatchStart, EquipmentUse, LotDecision, Movement
from config.api.refusals import RuleBroken
from haccp.models import InstrumentVerification
from ledger import removals, seals, verification
from ledger.models import Removal


def test_a_movement_does_not_leave_alone(act, receive, hazelnuts, establishment):
    lot = receive(material=hazelnuts, quantity="10", unit="KGM").lot
    movement = Movement.objects.get(lot=lot)
    seals.seal(establishment=establishment)
    with pytest.raises(RuleBroken, match="counted in stock, traces and the states of lots") as refusal:
        removals.remove(act=act(), record=movement, rule="two years, ended today")
    assert refusal.value.code == "counted-in"
    assert Movement.objects.filter(pk=movement.pk).exists()
    assert not Removal.objects.exists()
    assert verification.verify().findings == []


@pytest.mark.parametrize(
    "kind", [Movement, LotDecision, BatchStart, BatchEnd, EquipmentUse, InstrumentVerification]
)
def test_whatever_a_state_is_computed_from_says_so(kind):
    assert kind.counted_in
