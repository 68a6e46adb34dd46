"""The compliance profile of a house as of a day: which parts are asked of it, which are eased, and on whose word."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import UUID

from haccp.compliance import known, reliefs
from haccp.compliance.known import Part, Relief
from haccp.models import ComplianceRelief
from ledger.models import Change, Establishment


@dataclass(frozen=True)
class Ground:
    """Why something is eased. ``law``: the relief, None where the establishment's own profile says so. ``record``: what says
    it, None where the house was set up so; ``by``: who. ``until_day``: the first day it no longer holds, None without end."""

    law: Relief | None
    basis: str
    evidence: str
    by: str
    from_day: date | None
    until_day: date | None
    record: UUID | None


@dataclass(frozen=True)
class Standing:
    """A part as it stands on a day; without grounds it is asked."""

    part: Part
    grounds: tuple[Ground, ...]

    @property
    def is_eased(self) -> bool:
        return bool(self.grounds)


@dataclass(frozen=True)
class Profile:
    """``reliefs``: those that hold on the day, also those that ease nothing here."""

    on: date
    country: str
    parts: tuple[Standing, ...]
    reliefs: tuple[Ground, ...]


def of(establishment: Establishment, on: date) -> Profile:
    """Four statements, however many parts and reliefs."""
    rows = reliefs.holding(establishment, on).select_related("performed_by")
    held = tuple(map(_of_law, rows))
    own = {
        "own-review": _own_review(establishment, on),
        "start-gate": _phased_start(establishment, on),
    }
    parts = tuple(
        Standing(part, (*_easing(part, held), *filter(None, (own.get(part.code),)))) for part in known.PARTS
    )
    return Profile(on, establishment.country, parts, held)


def _easing(part: Part, held: tuple[Ground, ...]) -> Iterator[Ground]:
    return (each for each in held if each.law is not None and part.code in each.law.eases)


def _of_law(row: ComplianceRelief) -> Ground:
    return Ground(
        law=known.relief(row.relief),
        basis=row.basis,
        evidence=row.evidence,
        by=row.performed_by.name,
        from_day=row.from_day,
        until_day=row.until_day,
        record=row.pk,
    )


# -- what the establishment's own profile says --------------------------------------------------------


def _own_review(establishment: Establishment, on: date) -> Ground | None:
    said, change = _said(establishment, on, "one_person_reason")
    return _by_profile(change, str(said), None) if said else None


def _phased_start(establishment: Establishment, on: date) -> Ground | None:
    said, change = _said(establishment, on, "phased_start_until")
    last = date.fromisoformat(str(said)) if said else None
    if last is None or on > last:
        return None
    note = "" if change is None else change.note
    return _by_profile(change, note, last + timedelta(days=1))


def _by_profile(change: Change | None, basis: str, until_day: date | None) -> Ground:
    return Ground(
        law=None,
        basis=basis,
        evidence="",
        by="" if change is None else change.performed_by.name,
        from_day=None if change is None else change.recorded_at.astimezone(change.establishment.zone).date(),
        until_day=until_day,
        record=None if change is None else change.pk,
    )


def _said(establishment: Establishment, on: date, field: str) -> tuple[Any, Change | None]:
    """What a field of the profile said at the end of a day, and the record of it; as it is now where none tells."""
    changes = Change.objects.of(establishment).filter(
        subject_kind=establishment._meta.label_lower, subject_id=establishment.pk, after__has_key=field
    )
    if (found := list(changes.select_related("performed_by", "establishment"))) == []:
        return getattr(establishment, field), None
    end = datetime.combine(on + timedelta(days=1), time.min, establishment.zone)
    before = [each for each in found if each.recorded_at < end]
    latest = max(before, key=lambda each: (each.recorded_at, each.pk), default=None)
    return (None, None) if latest is None else (latest.after[field], latest)
