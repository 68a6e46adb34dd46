"""What an instrument should show: boiling water and salts by published tables, the ice point by common practice.

Boiling water: water-saturation.csv (IAPWS-95 and IAPWS-IF97, computed) and altitude-boiling.csv (standard atmosphere,
computed); one case by itself in measurement.csv (computed). Salts: greenspan-salts.csv (Greenspan 1977, J. Res. NBS
81A 89, from memory; cross-check read). °F: NIST SP 811 appendix B.8 (read in a copy).
"""

from decimal import Decimal
from typing import Any

import pytest

from config.api.refusals import Unusable
from haccp import known_values
from haccp.known_values import KnownValue, known_value
from tests.haccp.science.tables import rows

ROOM = Decimal("97.4")


def test_ice_melts_at_0():
    """Common practice, no source."""
    known = known_value("ice-point", "CEL")
    assert (known.value, known.source) == (0, known_values.ICE_SOURCE)


def test_ice_melts_at_32_fahrenheit():
    assert known_value("ice-point", "FAH").value == 32


@pytest.mark.parametrize("row", rows("water-saturation"), ids=lambda row: row["pressure_kPa"])
def test_water_boils_as_tabled_at_the_pressure_in_the_room(row: dict[str, str]):
    known = known_value("boiling-point", "CEL", pressure=Decimal(row["pressure_kPa"]))
    assert float(known.value) == pytest.approx(float(row["boiling_C"]), abs=0.002)
    assert known.low < known.value < known.high


@pytest.mark.parametrize("row", rows("altitude-boiling"), ids=lambda row: row["altitude_m"])
def test_water_boils_as_tabled_at_an_altitude(row: dict[str, str]):
    known = known_value("boiling-point", "CEL", altitude=int(row["altitude_m"]))
    assert float(known.value) == pytest.approx(float(row["water_boiling_C"]), abs=0.006)


def test_a_probe_at_1500_m_is_not_held_to_100():
    """measurement.csv: 94.98 °C at 84.56 kPa (computed)."""
    known = known_value("boiling-point", "CEL", pressure=Decimal("84.56"))
    assert float(known.value) == pytest.approx(94.98, abs=0.01)
    assert not known_values.passes(Decimal(100), known, Decimal(1))


def test_the_pressure_in_the_room_is_better_known_than_an_altitude():
    by_room = known_value("boiling-point", "CEL", pressure=ROOM, altitude=310)
    by_altitude = known_value("boiling-point", "CEL", altitude=310)
    assert by_room.high - by_room.low < Decimal("0.03") < by_altitude.high - by_altitude.low
    assert "97.4 kPa" in by_room.source
    assert "310 m" in by_altitude.source


@pytest.mark.parametrize("row", rows("greenspan-salts"), ids=lambda row: f"{row['formula']} {row['temp_C']}")
def test_a_salt_is_as_greenspan_tabled_it(row: dict[str, str]):
    known = known_value("saturated-salt", "C62", salt=row["formula"], temperature=Decimal(row["temp_C"]))
    assert known.value * 100 == pytest.approx(Decimal(row["erh_pct"]))
    assert "Greenspan 1977" in known.source


@pytest.mark.parametrize("method", ["reference-instrument", "weight"])
def test_a_stated_value_is_taken_as_it_is(method: str):
    known = known_value(method, "GRM", stated=Decimal("200.002"))
    assert (known.value, known.low, known.high) == (Decimal("200.002"),) * 3


@pytest.mark.parametrize(
    ("method", "unit", "values", "field"),
    [
        ("weight", "GRM", {}, "stated"),
        ("ice-point", "CEL", {"stated": Decimal(0)}, "stated"),
        ("ice-point", "C62", {}, "method"),
        ("weight", "CEL", {"stated": Decimal(1)}, "method"),
        ("boiling-point", "CEL", {}, "pressure"),
        ("boiling-point", "CEL", {"pressure": Decimal(1013)}, "pressure"),
        ("saturated-salt", "C62", {"temperature": Decimal(25)}, "salt"),
        ("saturated-salt", "C62", {"salt": "NaCl"}, "temperature"),
        ("saturated-salt", "C62", {"salt": "NaCl", "temperature": Decimal(15)}, "temperature"),
        ("saturated-salt", "C62", {"salt": "Salt", "temperature": Decimal(25)}, "salt"),
    ],
)
def test_what_cannot_be_known_is_refused(method: str, unit: str, values: dict[str, Any], field: str):
    with pytest.raises(Unusable) as refusal:
        known_value(method, unit, **values)
    assert [reason.field for reason in refusal.value.reasons] == [field]


@pytest.mark.parametrize("method", ["ice-point", "boiling-point"])
@pytest.mark.parametrize(("unit", "most", "more"), [("CEL", "110", "110.1"), ("FAH", "230", "338")])
def test_water_verifies_no_probe_in_boiling_sugar(method: str, unit: str, most: str, more: str):
    """The lowest stage begins at 110 degC (candy-stages.csv, read)."""
    known_values.refuse_too_far(method, Decimal(most), unit)
    with pytest.raises(Unusable, match="does not verify a probe in boiling sugar, nor at 170 °C") as refusal:
        known_values.refuse_too_far(method, Decimal(more), unit)
    assert refusal.value.reasons[0].field == "covers_upper"


def test_a_better_instrument_verifies_a_probe_at_170():
    known_values.refuse_too_far("reference-instrument", Decimal(175), "CEL")


@pytest.mark.parametrize(
    ("shown", "expected"), [("99.5", True), ("100.5", True), ("99.4", False), ("100.6", False)]
)
def test_at_the_tolerance_itself_it_passes(shown: str, expected: bool):
    known = known_value("reference-instrument", "CEL", stated=Decimal(100))
    assert known_values.passes(Decimal(shown), known, Decimal("0.5")) is expected


def test_it_is_said_where_the_known_value_is_not_known_well_enough():
    known = KnownValue(Decimal(99), Decimal(98), Decimal(100), "CEL", "standard day")
    assert known_values.reaches_across(Decimal("99.8"), known, Decimal(1))
    assert not known_values.reaches_across(Decimal(99), known, Decimal(1))


def test_a_known_value_reads_back():
    known = known_value("boiling-point", "FAH", pressure=ROOM)
    assert known_values.from_json(known.as_json()) == known
