"""The register of instruments. Checks name theirs."""

from typing import Any

from rest_framework import serializers

from batches.api.reference import ReferenceSerializer, example
from haccp import instruments
from haccp.api.registers import NumberText, Register, RegisterRow
from haccp.models import Instrument
from ledger.acts import Act


@example(
    "A probe for the kettle",
    code="T-1",
    name="Probe thermometer, kettle",
    kind="thermometer",
    serial="44-0817",
    unit="CEL",
    range_lower="-20",
    range_upper="200",
    resolution="0.1",
    expanded_uncertainty="0.8",
    verify_every_days=7,
)
class InstrumentSerializer(ReferenceSerializer):
    """What a reading is taken with. All numbers are text in its own unit; null is not known."""

    kind = serializers.CharField(
        max_length=60, help_text="As the plan names it at a control point: thermometer, scale."
    )
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True)
    unit = serializers.CharField(max_length=10, help_text="UN/ECE Rec 20, for example CEL, FAH, C62, MMT.")
    range_lower = NumberText(required=False, allow_null=True)
    range_upper = NumberText(required=False, allow_null=True)
    resolution = NumberText(required=False, allow_null=True, help_text="The smallest step it shows.")
    expanded_uncertainty = NumberText(
        required=False, allow_null=True, help_text="U with k = 2, from its calibration."
    )
    verify_every_days = serializers.IntegerField(
        required=False,
        allow_null=True,
        min_value=1,
        max_value=3660,
        help_text="How often you verify it; checks after that are flagged. Null: no schedule.",
    )


class Instruments(Register):
    """Instruments, newest first; lead and administrator add them."""

    serializer_class = InstrumentSerializer
    queryset = Instrument.objects.all()

    def make(self, act: Act, values: dict[str, Any]) -> Instrument:
        return instruments.make(act=act, values=values)


class OneInstrument(RegisterRow):
    """An instrument. A change needs ``If-Match``; checks keep what they say of it."""

    serializer_class = InstrumentSerializer
    queryset = Instrument.objects.all()

    def alter(self, act: Act, row: Instrument, values: dict[str, Any], expected_version: int) -> Instrument:
        return instruments.alter(act=act, instrument=row, values=values, expected_version=expected_version)
