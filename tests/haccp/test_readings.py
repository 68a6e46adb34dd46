"""Readings: taken as typed, refused where a digit or a unit would have to be guessed."""

from decimal import Decimal

import pytest

from config.api.refusals import Unusable
from haccp.readings import Reading, read

SAID = {"quantity": "water activity", "value": "0.520", "unit": "C62", "method": "dew point"}


def refused(**changes):
    with pytest.raises(Unusable) as refusal:
        read(
            {name: value for name, value in (SAID | changes).items() if value is not ...}, field="readings.0"
        )
    return refusal.value.reasons[0]


def test_a_reading_keeps_the_number_as_typed():
    assert read(SAID) == Reading(
        "water activity", entered="0.520", value=Decimal("0.520"), unit="C62", method="dew point"
    )


def test_a_decimal_comma_is_read_where_asked_for_and_kept_as_typed():
    reading = read(SAID | {"value": "0,52"}, decimal_comma=True)
    assert (reading.entered, reading.value) == ("0,52", Decimal("0.52"))


def test_an_observation_has_an_outcome_and_nothing_to_convert():
    assert read({"quantity": "knife tip", "outcome": "whole"}) == Reading("knife tip", outcome="whole")


def test_a_negative_temperature_is_a_reading():
    assert read({"quantity": "freezer", "value": "-18.0", "unit": "CEL"}).value == -18


def test_a_sample_temperature_keeps_its_unit():
    reading = read(SAID | {"sample_temperature": "77", "sample_temperature_unit": "FAH"})
    assert reading.as_json()["sample_temperature_unit"] == "FAH"


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"value": "NaN"}, "not-a-number", "value"),
        ({"value": "Infinity"}, "not-a-number", "value"),
        ({"value": "1e309"}, "not-a-number", "value"),
        ({"value": "0,52"}, "not-a-number", "value"),
        ({"value": 0.52}, "not-text", "value"),
        ({"value": "1234567890123456"}, "too-many-digits", "value"),
        ({"value": ...}, "one-way-to-say-it", "value"),
        ({"outcome": "whole"}, "one-way-to-say-it", "value"),
        ({"unit": ...}, "missing", "unit"),
        ({"unit": "aw"}, "unknown-unit", "unit"),
        ({"quantity": ""}, "missing", "quantity"),
        ({"method": "x" * 121}, "too-long", "method"),
        ({"method": "dew\x00point"}, "too-long", "method"),
        ({"colour": "red"}, "unknown-name", "colour"),
        ({"sample_temperature": "warm"}, "not-a-number", "sample_temperature"),
        (
            {"sample_temperature": "25", "sample_temperature_unit": "KGM"},
            "unit-does-not-convert",
            "sample_temperature_unit",
        ),
        ({"sample_temperature_unit": "CEL"}, "number-missing", "sample_temperature"),
    ],
)
def test_what_cannot_be_read_is_refused_at_its_place(changes, code, field):
    reason = refused(**changes)
    assert (reason.code, reason.field) == (code, f"readings.0.{field}")
