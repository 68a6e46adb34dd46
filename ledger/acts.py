"""Who did a thing, when and where, and who wrote it down: what every deed is told first."""

import uuid
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from datetime import timezone as fixed_zone
from functools import cache
from typing import TYPE_CHECKING

from django.utils import timezone

from config.api.refusals import Unusable

if TYPE_CHECKING:
    from ledger.models import Establishment, Person


@cache
def _zone(offset: int) -> fixed_zone:
    return fixed_zone(timedelta(minutes=offset))


@dataclass(frozen=True)
class Moment:
    """An instant (UTC) and the offset from UTC in minutes that stood on the clock it was read from."""

    at: datetime
    offset: int

    @classmethod
    def of(cls, value: datetime, field: str = "performed_at") -> "Moment":
        """From an aware datetime. Raises Unusable for one without an offset or with one in seconds."""
        offset = value.utcoffset()
        if offset is None:
            raise Unusable("Say the offset from UTC, for example 2026-03-02T09:30:00+01:00.", field=field)
        minutes, seconds = divmod(offset.total_seconds(), 60)
        if seconds or abs(minutes) > 14 * 60:
            raise Unusable("The offset from UTC must be whole minutes, at most 14 hours.", field=field)
        if not 1 < value.year < 9999:  # so that it can be told on any clock of this earth
            raise Unusable("A time lies in the years 2 to 9998.", field=field)
        return cls(value.astimezone(UTC), int(minutes))

    @classmethod
    def parse(cls, text: str, field: str = "performed_at") -> "Moment":
        """From RFC 3339 text."""
        try:
            value = datetime.fromisoformat(text)
        except (TypeError, ValueError) as error:
            raise Unusable("Not a date and time as in RFC 3339.", field=field) from error
        return cls.of(value, field)

    @classmethod
    def now(cls, establishment: "Establishment") -> "Moment":
        return cls.of(timezone.now().astimezone(establishment.zone))

    @property
    def local(self) -> datetime:
        """The instant as the clock on the wall showed it."""
        return self.at.astimezone(_zone(self.offset))

    @property
    def told(self) -> str:
        """As the API answers it (RFC 3339)."""
        local = self.local
        return local.isoformat(timespec="microseconds" if local.microsecond else "seconds")


@dataclass(frozen=True)
class Act:
    """The part that all records share. ``id`` may be the client's choice; ``corrects`` names an earlier record."""

    establishment: "Establishment"
    performed_by: "Person"
    performed: Moment
    recorded_by: "Person"
    id: uuid.UUID | None = None
    sent_at: datetime | None = None
    place: str = ""
    note: str = ""
    corrects: uuid.UUID | None = None
    reason: str = ""
    withdraws: bool = False

    def with_new_id(self, **changes: object) -> "Act":
        """The same act for a further record that follows from it; correcting nothing unless said."""
        usual: dict[str, object] = {
            "id": None,
            "corrects": None,
            "withdraws": False,
            "reason": "",
            "note": "",
        }
        return replace(self, **(usual | changes))  # type: ignore[arg-type]

    @property
    def local_day(self) -> date:
        """The establishment's date at the time of the act."""
        return self.performed.at.astimezone(self.establishment.zone).date()
