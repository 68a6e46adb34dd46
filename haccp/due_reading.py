"""What the dues of several batches stand on, read together: a kind of row for all of them, once a schedule asks for it."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any, TypeVar
from uuid import UUID

from django.db.models import OuterRef, Subquery

from batches.models import Batch, Occupation, Part, ProcessStep
from haccp import plans
from haccp.changeovers import lines
from haccp.models import Changeover, ControlPoint
from haccp.plan_documents import ControlPointSpec, Schedule

Key = TypeVar("Key")
Row = TypeVar("Row")
Asked = tuple[ControlPoint, ControlPointSpec, Schedule]
Corrects = dict[UUID, UUID]
"""By record the one that it corrects."""


@dataclass(frozen=True)
class Stay:
    """A batch on equipment. ``before``: since when the last other batch had been on it, if any was."""

    equipment: UUID
    since: datetime
    until: datetime | None
    before: datetime | None


class Reading:
    """``code``: of this control point only. Give batches with state, ``recipe_version__material`` and establishment."""

    def __init__(self, batches: Collection[Batch], code: str | None = None):
        self.batches = batches
        self.code = code

    def asked(self, batch: Batch) -> Iterator[Asked]:
        """The points of its plan version that ask for checks of its product, by code."""
        product = batch.recipe_version.material.code
        for point, spec, schedule in self._points.get(batch.plan_version_id, ()):
            if product in spec.products:
                yield point, spec, schedule

    @cached_property
    def _points(self) -> dict[UUID | None, list[Asked]]:
        """By plan version; each point's document is read once, however many batches were made under it."""
        versions = {each.plan_version_id for each in self.batches} - {None}
        if not versions:
            return {}
        rows = ControlPoint.objects.filter(version__in=versions).order_by("code")
        found: dict[UUID | None, list[Asked]] = {}
        for point in rows.filter(code=self.code) if self.code is not None else rows:
            spec = plans.spec(point)
            if spec.schedule is not None and spec.limits:
                found.setdefault(point.version_id, []).append((point, spec, spec.schedule))
        return found

    @cached_property
    def parts(self) -> dict[int, list[Part]]:
        """By batch, by number."""
        rows = Part.objects.filter(batch__in=self.batches).order_by("number")
        return grouped((each.batch_id, each) for each in rows)

    @cached_property
    def steps(self) -> dict[int, list[ProcessStep]]:
        """By batch, those that stand in the order they began."""
        rows = ProcessStep.objects.standing().filter(batch__in=self.batches)
        return grouped((each.batch_id, each) for each in rows.order_by("performed_at", "id"))

    @cached_property
    def corrected_steps(self) -> dict[int, Corrects]:
        """By batch."""
        rows = ProcessStep.objects.filter(batch__in=self.batches, corrects__isnull=False)
        pairs = grouped((row[0], row[1:]) for row in rows.values_list("batch_id", "pk", "corrects_id"))
        return {batch: dict(found) for batch, found in pairs.items()}

    @cached_property
    def stays(self) -> dict[int, list[Stay]]:
        """By batch, in the order they began."""
        others = Occupation.objects.filter(equipment=OuterRef("equipment"), since__lt=OuterRef("since"))
        last = others.exclude(batch=OuterRef("batch")).order_by("-since").values("since")[:1]
        rows = Occupation.objects.filter(batch__in=self.batches).order_by("since", "id")
        found: Any = rows.annotate(before=Subquery(last))
        fields = found.values_list("batch_id", "equipment_id", "since", "until", "before")
        return grouped((batch, Stay(*values)) for batch, *values in fields)

    @cached_property
    def changeovers(self) -> dict[UUID, list[Changeover]]:
        """By equipment, those that stand and may be about one of the stays, in the order they began."""
        stays = [stay for each in self.stays.values() for stay in each]
        if not stays:
            return {}
        here, since = self._houses, _first(each.before for each in stays)
        found = lines.in_span(here, since=since, until=self._last_end()).defer("steps", "clearance")
        wanted = {str(each.equipment): each.equipment for each in stays}
        return grouped((wanted[key], row) for row in found for key in row.equipment if key in wanted)

    def _last_end(self) -> datetime | None:
        """Until when stays last; None while one goes on."""
        ends = {each.pk: each.state.ended_at for each in self.batches}
        until = [stay.until or ends[batch] for batch, stays in self.stays.items() for stay in stays]
        return None if None in until else max(filter(None, until))

    @cached_property
    def corrected_changeovers(self) -> Corrects:
        """All of the premises: a line of corrections may lead back to any day."""
        rows = Changeover.objects.filter(establishment__in=self._houses, corrects__isnull=False)
        return dict(rows.values_list("pk", "corrects_id"))

    @property
    def _houses(self) -> set[UUID]:
        return {each.establishment_id for each in self.batches}


def grouped(pairs: Iterable[tuple[Key, Row]]) -> dict[Key, list[Row]]:
    """What lies under each key, in the order it came."""
    found: defaultdict[Key, list[Row]] = defaultdict(list)
    for key, row in pairs:
        found[key].append(row)
    return dict(found)


def _first(times: Iterable[datetime | None]) -> datetime | None:
    """The earliest; None where one is from the beginning on."""
    found = list(times)
    return None if None in found else min(filter(None, found))
