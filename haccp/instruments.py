"""The register of instruments: what a reading was taken with, how far it reaches, how well it is known."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from batches import reference
from batches.quantities import UNITS, convert_difference, exactly
from config.api.refusals import Reason, Unusable
from haccp.models import Instrument
from haccp.readings import Reading
from ledger.acts import Act
from ledger.deeds import deed


@deed
def make(*, act: Act, values: dict[str, Any]) -> Instrument:
    """Enter an instrument in the register. Raises Unusable with every reason at once, RuleBroken.

    Range, resolution and expanded uncertainty are in the instrument's own unit.
    """
    _refuse_unusable(Instrument(establishment=act.establishment, **values))
    return reference.make(act=act, kind=Instrument, values=values)


@deed
def alter(
    *, act: Act, instrument: Instrument, values: dict[str, Any], expected_version: int | None = None
) -> Instrument:
    """Change an entry; checks keep what they say. Raises Unusable, RuleBroken, ChangedMeanwhile."""
    for name, value in values.items():
        setattr(instrument, name, value)
    _refuse_unusable(instrument)
    return reference.alter(act=act, row=instrument, values=values, expected_version=expected_version)


def outside_range(instrument: Instrument, reading: Reading) -> bool:
    """Whether a reading lies outside what the instrument can show; at the end of its range it does not.

    A reading without a number, or of something this instrument does not measure, is not outside.
    """
    if not _measures(instrument, reading.unit):
        return False
    values = [exactly(each, reading.unit, instrument.unit) for each in _extremes(reading)]
    lower, upper = instrument.range_lower, instrument.range_upper
    return any(
        (lower is not None and value < lower) or (upper is not None and value > upper) for value in values
    )


def _extremes(reading: Reading) -> list[Decimal]:
    """The value that was read; of a course the lowest and the highest."""
    if reading.course is not None:
        values = reading.course.values
        return [Decimal(repr(float(each))) for each in (values.min(), values.max())]
    return [] if reading.value is None else [reading.value]


def uncertainty_in(instrument: Instrument, unit: str) -> Decimal | None:
    """The expanded uncertainty (U, k = 2) in ``unit``; None where it is not known or not of that kind."""
    if instrument.expanded_uncertainty is None or not _measures(instrument, unit):
        return None
    return convert_difference(instrument.expanded_uncertainty, instrument.unit, unit)


def _measures(instrument: Instrument, unit: str) -> bool:
    return unit in UNITS and UNITS[unit].dimension is UNITS[instrument.unit].dimension


def _refuse_unusable(instrument: Instrument) -> None:
    reasons = list(_wrong(instrument))
    if reasons:
        raise Unusable("The instrument cannot be entered so. Nothing was written.", reasons=reasons)


def _wrong(instrument: Instrument) -> Iterator[Reason]:
    if instrument.unit not in UNITS:
        yield Reason(
            "unknown-unit", f"Give its unit by the UN/ECE code: one of {', '.join(sorted(UNITS))}.", "unit"
        )
    lower, upper = instrument.range_lower, instrument.range_upper
    if lower is not None and upper is not None and lower >= upper:
        yield Reason("range-crossed", "The range ends above where it begins.", "range_upper")
    if instrument.resolution is not None and instrument.resolution <= 0:
        yield Reason("not-positive", "The smallest step it shows is more than 0.", "resolution")
    if instrument.expanded_uncertainty is not None and instrument.expanded_uncertainty < 0:
        yield Reason("negative", "An uncertainty is 0 or more.", "expanded_uncertainty")
