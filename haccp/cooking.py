"""What a temperature in the kettle stands for, here and today: sugar stages, solids left, and what the probe is worth.

Only a syrup boiled with water has a boiling point to correct. Dry-method caramel has none, nor have the rows at
160 and 170 °C. The shift by altitude or weather and the probe's own error stand apart, never in one figure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from batches.cautions import BURNS
from config.api.refusals import Unusable
from haccp.science import boiling, stages
from haccp.science.answers import Answer, Computed, NotComputed, number
from haccp.science.stages import ProbeCheck, StageTarget
from ledger.models import Establishment

LOWEST_C, HIGHEST_C = -50.0, 400.0  # what any kettle and probe could show: from memory
WORST_ERROR_K = 50.0  # a probe further off is broken: site setting, no source
CARAMEL_C = 170.0
BOILING_CHECK = (
    "A check in ice or boiling water does not verify a probe at 170 °C: have it calibrated on both sides."
)
STANDARD_DAY = "By the altitude, on a standard day; the band holds ordinary weather."
SETTING = "A stage is a setting for quality. The limits are the plan's, and local rules come first."
NO_ALTITUDE = "The altitude of the establishment is not stated."
GIVE_ONE = "State it in the profile, or give the pressure the barometer in the room shows."
AT_SEA_LEVEL = "{} at sea level; here it is not known, as neither altitude nor pressure is"
BELOW_STAGES = "below every stage"
ABOVE_STAGES = "above every stage that boils"
DRY_SOLIDS = "Sugar melted without water does not boil: its temperature says nothing of solids or moisture."


class Method(StrEnum):
    BOILED = "boiled"
    DRY = "dry"


def cautions() -> tuple[str, ...]:
    """What every answer about a cook says first, in the active language."""
    return (str(BURNS), BOILING_CHECK, SETTING)


@dataclass(frozen=True)
class StageTable:
    """Each stage here and today. ``water``: where water boils; ``probe``: what the probe's checks say at 170 °C."""

    water: Answer
    targets: tuple[StageTarget, ...]
    probe: ProbeCheck


@dataclass(frozen=True)
class Meaning:
    """What one reading means.

    ``celsius``: as the probe shows it. ``without_error``: less the probe's own error, None where that is not stated.
    ``stage``: a name, or between which two it lies. ``solids``: of pure sucrose syrup, within 3 %.
    """

    celsius: float
    without_error: float | None
    instrument_error: float | None
    stage: str
    target: StageTarget | None
    solids: Answer
    water: Answer
    probe: ProbeCheck


def water_boils(here: Establishment, pressure_kpa: float | None) -> Answer:
    """Where water boils in an open pan: by the day's station pressure, else by the altitude of the house.

    Raises Unusable, naming ``pressure``, for one that no open pan has.
    """
    if pressure_kpa is not None:
        kpa = number(pressure_kpa, "pressure")
        if not boiling.LOWEST_KPA <= kpa <= boiling.HIGHEST_KPA:
            raise Unusable(boiling.NOT_STATION, code="out-of-range", field="pressure")
        return boiling.water_boils(kpa)
    if here.altitude_m is None:
        return NotComputed(boiling.WATER_MODEL, NO_ALTITUDE, GIVE_ONE)
    return boiling.water_boils_at(here.altitude_m)


def table(
    here: Establishment,
    *,
    pressure_kpa: float | None = None,
    instrument_error: float | None = None,
    checked_at: Sequence[float] = (),
) -> StageTable:
    """The stage table here and today. ``instrument_error``: reading less truth, in K; ``checked_at``: the points (°C)
    at which the probe was tried. Raises Unusable."""
    _refuse_nonsense(instrument_error, checked_at)
    water = water_boils(here, pressure_kpa)
    targets = tuple(stages.target(row, water, instrument_error) for row in stages.STAGES)
    return StageTable(water, targets, stages.what_checks_say(checked_at, CARAMEL_C))


def meaning(
    here: Establishment,
    celsius: float,
    *,
    method: Method,
    pressure_kpa: float | None = None,
    instrument_error: float | None = None,
    checked_at: Sequence[float] = (),
) -> Meaning:
    """What the probe's ``celsius`` means in a syrup boiled with water, or in sugar melted dry. Raises Unusable."""
    _refuse_nonsense(instrument_error, checked_at)
    shown = _between(celsius, LOWEST_C, HIGHEST_C, "celsius")
    water = water_boils(here, pressure_kpa)
    truly = None if instrument_error is None else shown - instrument_error
    probe = stages.what_checks_say(checked_at, shown)
    if method is Method.DRY:
        row = stages.STAGES[-1]
        nothing = NotComputed(boiling.SOLIDS_MODEL, DRY_SOLIDS, stages.END_POINT)
        dry = stages.target(row, water, instrument_error)
        return Meaning(shown, truly, instrument_error, row.name, dry, nothing, water, probe)
    best = shown if truly is None else truly
    name, target = _stage_at(best, water, instrument_error)
    if isinstance(water, NotComputed):
        name = AT_SEA_LEVEL.format(name)
    solids = _solids(here, best, pressure_kpa)
    return Meaning(shown, truly, instrument_error, name, target, solids, water, probe)


def _solids(here: Establishment, celsius: float, pressure_kpa: float | None) -> Answer:
    if pressure_kpa is not None:
        return boiling.solids_from_boiling(celsius, pressure_kpa)
    if here.altitude_m is None:
        return NotComputed(boiling.SOLIDS_MODEL, NO_ALTITUDE, GIVE_ONE)
    usual = boiling.standard_kpa(here.altitude_m)
    middle, *others = (
        boiling.solids_from_boiling(celsius, usual + change)
        for change in (0.0, -boiling.WEATHER_KPA, boiling.WEATHER_KPA)
    )
    if isinstance(middle, NotComputed):
        return middle
    lower, higher = others
    # no answer under lower pressure: more than 96 % solids; under higher pressure: hardly any
    low = min(middle.low, higher.low if isinstance(higher, Computed) else 0.0)
    high = max(middle.high, lower.high if isinstance(lower, Computed) else 100.0)
    return replace(middle, low=low, high=high, notes=(STANDARD_DAY, *middle.notes))


def _stage_at(celsius: float, water: Answer, error: float | None) -> tuple[str, StageTarget | None]:
    """The stage whose moved temperatures hold ``celsius``, or the two it lies between."""
    targets = [stages.target(row, water, error) for row in stages.STAGES]
    boils = [each for each in targets if each.stage.boils]
    for each in targets:
        low, high = each.low_c, each.high_c
        if low is None or high is None:
            continue
        if low <= celsius <= high:
            return each.stage.name, each
    lower = [each.stage.name for each in boils if (each.high_c or 0) < celsius]
    higher = [each.stage.name for each in boils if (each.low_c or 0) > celsius]
    if not lower:
        return BELOW_STAGES, None
    return (f"between {lower[-1]} and {higher[0]}" if higher else ABOVE_STAGES), None


def _refuse_nonsense(error: float | None, checked_at: Sequence[float]) -> None:
    if error is not None:
        _between(error, -WORST_ERROR_K, WORST_ERROR_K, "instrument_error")
    for point in checked_at:
        _between(point, LOWEST_C, HIGHEST_C, "checked_at")


def _between(value: float, least: float, most: float, field: str) -> float:
    given = number(value, field)
    if not least <= given <= most:
        sentence = f"{field} lies from {least:g} to {most:g}, it is {given:g}."
        raise Unusable(sentence, code="out-of-range", field=field)
    return given
