"""What the clocks of each record read: when it was prepared, whether it is in force, the best before of its lots.

A record is prepared when it is written down here, whatever day the work is said to have been: a late entry, what comes from
papers and a device whose clock is ahead are kept as long as everything else that was written that day.
"""

from collections.abc import Callable, Iterator, Mapping, Set
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.db.models import Max

from batches.models import LotState, RecipeVersion
from haccp.models import (
    AllergenStatement,
    CleaningProcedureVersion,
    ComplianceRelief,
    ContactAssessment,
    InstrumentVerification,
    LabelVersion,
    PlanVersion,
    RecallPlan,
)
from haccp.retention.rules import Facts
from haccp.retention.web import Node, Web, batch, lot
from ledger.models import Change, Establishment, Qualification, Record

NUMBERED: dict[type[Record], str] = {
    CleaningProcedureVersion: "procedure",
    LabelVersion: "label",
    PlanVersion: "plan",
    RecipeVersion: "recipe",
}
"""Versions, and what they are versions of: each is in force until the next one, the last until that is put away."""
USED_WITH: dict[type[Record], str] = {
    AllergenStatement: "material",
    ContactAssessment: "material",
    InstrumentVerification: "instrument",
}
"""What holds while the thing it is about is in use."""
Use = tuple[bool, date | None]
"""Whether it is in force, and else the day its use ended, where that is known."""


@dataclass(frozen=True)
class Shelf:
    """The best before of lots, and of what batches made: the latest of some, and which have one without."""

    latest: Mapping[Node, date]
    undated: Set[Node]

    def of(self, nodes: Set[Node]) -> tuple[date | None, bool]:
        known = [self.latest[node] for node in nodes if node in self.latest]
        return max(known, default=None), not nodes.isdisjoint(self.undated)


def shelf(here: Establishment) -> Shelf:
    """Lots that were withdrawn never were."""
    rows = LotState.objects.filter(establishment=here, withdrawn=False)
    latest, undated = dict[Node, date](), set[Node]()
    for key, made_by, day in rows.values_list("lot", "lot__batch", "best_before"):
        for node in (lot(key),) if made_by is None else (lot(key), batch(made_by)):
            if day is None:
                undated.add(node)
            else:
                latest[node] = max(day, latest.get(node, day))
    return Shelf(latest, undated)


def facts(here: Establishment, web: Web, model: type[Record]) -> Iterator[tuple[UUID, Facts]]:
    """The facts of every record of a kind; call it within one snapshot."""
    dates, used = shelf(here), _uses(here, model)
    rows = model.objects.of(here).order_by().values_list("pk", "recorded_at")
    for pk, recorded_at in rows.iterator(chunk_size=5000):
        best_before, undated = dates.of(web.about.get(pk, set()))
        in_force, until = used.get(pk, (False, None))
        yield (
            pk,
            Facts(
                kind=model.kind,
                prepared=_day(here, recorded_at),
                in_force=in_force,
                used_until=until,
                best_before=best_before,
                undated=undated,
            ),
        )


def _day(here: Establishment, at: datetime) -> date:
    return at.astimezone(here.zone).date()


# -- end of use ------------------------------------------------------------------------------------------


def _uses(here: Establishment, model: type[Record]) -> dict[UUID, Use]:
    if model in NUMBERED:
        return dict(_by_number(here, model, NUMBERED[model]))
    if model in USED_WITH:
        return dict(_with_its_thing(here, model, USED_WITH[model]))
    asked = _OTHERS.get(model)
    return {} if asked is None else dict(asked(here))


def _by_number(here: Establishment, model: type[Record], of: str) -> Iterator[tuple[UUID, Use]]:
    rows = model.objects.of(here).order_by(of, "-number")
    newer: dict[UUID, date] = {}
    away = _put_away(here)
    for pk, thing, in_use, at in rows.values_list("pk", f"{of}_id", f"{of}__in_use", "recorded_at"):
        if thing in newer:
            yield pk, (False, newer[thing])
        else:
            yield pk, (in_use, None if in_use else away.get(thing))
        newer[thing] = _day(here, at)


def _with_its_thing(here: Establishment, model: type[Record], of: str) -> Iterator[tuple[UUID, Use]]:
    away, lots = _put_away(here), model is not InstrumentVerification
    names = ["pk", f"{of}_id", f"{of}__in_use", *(["lot_id"] if lots else [])]
    for pk, thing, in_use, *of_lot in model.objects.of(here).order_by().values_list(*names):
        if not any(of_lot):  # what is said of one lot leaves with it
            yield pk, (bool(in_use), None if in_use else away.get(thing))


def _put_away(here: Establishment) -> dict[UUID, date]:
    """The day of the last change of each thing: it was put away by then."""
    rows = Change.objects.of(here).order_by().values_list("subject_id").annotate(last=Max("recorded_at"))
    return {thing: _day(here, last) for thing, last in rows}


def _recall_plans(here: Establishment) -> Iterator[tuple[UUID, Use]]:
    newer: date | None = None
    for pk, at in RecallPlan.objects.of(here).order_by("-number").values_list("pk", "recorded_at"):
        yield pk, (newer is None, newer)
        newer = _day(here, at)


def _qualifications(here: Establishment) -> Iterator[tuple[UUID, Use]]:
    for pk, until in Qualification.objects.of(here).order_by().values_list("pk", "valid_until"):
        yield pk, (until is None, until)


def _reliefs(here: Establishment) -> Iterator[tuple[UUID, Use]]:
    for pk, until in ComplianceRelief.objects.of(here).order_by().values_list("pk", "until_day"):
        yield pk, (False, until)


_OTHERS: dict[type[Record], Callable[[Establishment], Iterator[tuple[UUID, Use]]]] = {
    ComplianceRelief: _reliefs,
    RecallPlan: _recall_plans,
    Qualification: _qualifications,
}
