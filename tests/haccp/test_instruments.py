"""Instruments: the register, what each can show, and how well it is known.

Temperatures in two units: NIST SP 811 appendix B.8, t/degC = (t/degF - 32)/1.8 and for an interval
1 degF = 1/1.8 K (read in a copy).
"""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import ChangedMeanwhile, RuleBroken, Unusable
from haccp import instruments
from haccp.models import Instrument
from haccp.readings import Reading
from ledger.acts import Act
from ledger.models import Change, Person


def read(value: str, unit: str = "CEL") -> Reading:
    return Reading("temperature", entered=value, value=Decimal(value), unit=unit)


def probe(**values: Any) -> Instrument:
    usual = {
        "unit": "CEL",
        "range_lower": Decimal("-20"),
        "range_upper": Decimal("200"),
        "expanded_uncertainty": Decimal("0.9"),
    }
    return Instrument(**(usual | values))


# --- the register


def test_an_instrument_is_entered_with_a_record_of_it(thermometer: Instrument, lead: Person):
    assert Change.objects.get(subject_id=thermometer.pk).performed_by == lead


def test_an_instrument_changes_with_a_record_of_before_and_after(
    act: Callable[..., Act], lead: Person, thermometer: Instrument
):
    instruments.alter(act=act(lead), instrument=thermometer, values={"serial": "44-0817"})
    change = Change.objects.filter(subject_id=thermometer.pk).order_by("-recorded_at", "-id")[0]
    assert (change.before, change.after) == ({"serial": ""}, {"serial": "44-0817"})


def test_an_instrument_that_changed_meanwhile_is_not_overwritten(
    act: Callable[..., Act], lead: Person, thermometer: Instrument
):
    instruments.alter(act=act(lead), instrument=thermometer, values={"serial": "1"})
    with pytest.raises(ChangedMeanwhile):
        instruments.alter(act=act(lead), instrument=thermometer, values={"serial": "2"}, expected_version=1)


def test_an_instruments_code_is_used_once(make_instrument: Callable[..., Instrument]):
    make_instrument(code="T-1")
    with pytest.raises(RuleBroken) as refusal:
        make_instrument(code="T-1")
    assert refusal.value.code == "code-taken"


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"unit": "hot"}, "unit"),
        ({"range_lower": Decimal(200)}, "range_upper"),
        ({"resolution": Decimal(0)}, "resolution"),
        ({"expanded_uncertainty": Decimal("-0.1")}, "expanded_uncertainty"),
        ({"kind": ""}, "kind"),
        ({"range_upper": Decimal("1e12")}, "range_upper"),
    ],
)
def test_an_instrument_that_makes_no_sense_is_refused(
    make_instrument: Callable[..., Instrument], values: dict[str, Any], field: str
):
    with pytest.raises(Unusable) as refusal:
        make_instrument(**values)
    assert [reason.field for reason in refusal.value.reasons] == [field]
    assert not Instrument.objects.exists()


def test_everything_wrong_with_an_instrument_is_told_at_once(make_instrument: Callable[..., Instrument]):
    with pytest.raises(Unusable) as refusal:
        make_instrument(unit="hot", resolution=Decimal(-1))
    assert {reason.field for reason in refusal.value.reasons} == {"unit", "resolution"}


def test_a_change_that_makes_no_sense_is_refused(
    act: Callable[..., Act], lead: Person, thermometer: Instrument
):
    with pytest.raises(Unusable) as refusal:
        instruments.alter(act=act(lead), instrument=thermometer, values={"range_upper": Decimal(-30)})
    assert [reason.field for reason in refusal.value.reasons] == ["range_upper"]


# --- what it can show


@pytest.mark.parametrize(
    ("value", "outside"),
    [("-20.1", True), ("-20", False), ("20", False), ("200", False), ("200.1", True)],
)
def test_a_reading_at_the_end_of_the_range_is_not_outside(value: str, outside: bool):
    assert instruments.outside_range(probe(), read(value)) is outside


@pytest.mark.parametrize(
    ("value", "outside"), [("392", False), ("392.1", True), ("-4", False), ("-4.1", True)]
)
def test_the_range_holds_in_fahrenheit_too(value: str, outside: bool):
    assert instruments.outside_range(probe(), read(value, "FAH")) is outside  # 392 degF = 200 degC, -4 = -20


def test_an_instrument_of_unknown_range_has_nothing_outside():
    assert not instruments.outside_range(probe(range_lower=None, range_upper=None), read("9999"))


def test_a_range_may_have_one_end_only():
    assert instruments.outside_range(probe(range_lower=None), read("201"))
    assert not instruments.outside_range(probe(range_lower=None), read("-273"))


def test_what_it_does_not_measure_is_not_outside_its_range():
    assert not instruments.outside_range(probe(), read("900", "MIN"))


def test_an_observation_is_not_outside_a_range():
    assert not instruments.outside_range(probe(), Reading("colour", outcome="amber"))


@given(st.decimals(min_value=-500, max_value=500, places=3, allow_nan=False, allow_infinity=False))
def test_a_reading_is_outside_in_every_unit_or_in_none(value: Decimal):
    celsius = read(f"{value:f}")
    kelvin = read(f"{value + Decimal('273.15'):f}", "KEL")
    fahrenheit = read(f"{value * Decimal('1.8') + 32:f}", "FAH")
    assert len({instruments.outside_range(probe(), each) for each in (celsius, kelvin, fahrenheit)}) == 1


# --- how well it is known


@pytest.mark.parametrize(("unit", "expected"), [("CEL", "0.9"), ("KEL", "0.9"), ("FAH", "1.62")])
def test_an_uncertainty_converts_as_an_interval(unit: str, expected: str):
    assert instruments.uncertainty_in(probe(), unit) == Decimal(expected)


def test_an_uncertainty_that_is_not_known_stays_unknown():
    assert instruments.uncertainty_in(probe(expanded_uncertainty=None), "CEL") is None


@pytest.mark.parametrize("unit", ["MIN", "hot"])
def test_an_uncertainty_says_nothing_of_what_the_instrument_does_not_measure(unit: str):
    assert instruments.uncertainty_in(probe(), unit) is None
