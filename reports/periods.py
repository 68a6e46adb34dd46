"""The days a document tells of: read as they were asked, and held against rows of records."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import Q

from config.api.refusals import RuleBroken, Unusable
from ledger.models import Establishment
from reports.api.periods import DaysSerializer

MOST_ROWS = 2000
"""Of one document in its full layout (a site setting, no source): some ten seconds of drawing."""


@dataclass(frozen=True)
class Period:
    """Local days, both included. ``None``: from the beginning, until now."""

    first: date | None
    last: date | None

    def within(self, here: Establishment, field: str = "performed_at") -> Q:
        """The condition that ``field`` lies in it, on the clock of the establishment."""
        found = Q()
        if self.first is not None:
            found &= Q(**{f"{field}__gte": self._midnight(here, self.first)})
        if self.last is not None:
            found &= Q(**{f"{field}__lt": self._midnight(here, self.last + timedelta(days=1))})
        return found

    def _midnight(self, here: Establishment, day: date) -> datetime:
        return datetime.combine(day, time.min, here.zone)


def asked(about: dict[str, Any], *, whole: bool = False) -> Period:
    """The period as it was asked. ``whole``: whether everything may be asked for. Raises Unusable, ValidationError."""
    reader = DaysSerializer(data=about)
    reader.is_valid(raise_exception=True)
    said = reader.validated_data
    if said["whole"] and not whole:
        raise Unusable("Name the first and the last day.", code="missing", field="period.first")
    return Period(said.get("first"), said.get("last"))


def refuse_too_many(count: int, most: int = MOST_ROWS) -> None:
    """Raise RuleBroken where a document would hold more than ``most`` rows."""
    if count > most:
        raise RuleBroken(
            f"That are {count:,} rows, and one document holds {most:,} at most. Ask for the period in parts, "
            f"{-(-count // most)} or more documents with an earlier last day each.",
            code="too-many-rows",
            field="period",
        )
