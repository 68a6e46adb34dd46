"""What the clocks of each record read: when it was prepared, whether it is in force, the best before of its lots.

A record is prepared when it is written down here, whatever day the work is said to have been: a late entry, what comes from
papers and a device whose clock is ahead are kept as long as everything else that was written that day.
"""

from collections.abc import Callable, Iterator
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
from haccp.retention import scratch
from haccp.retention.rules import Facts
from haccp.retention.scratch import ROWS_AT_ONCE, written
from haccp.retention.web import Web, batch, lot
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


def facts(web: Web) -> Iterator[tuple[UUID, Facts]]:
    """The facts of every record, in the order of their ids; call it within one snapshot."""
    _put_shelf(web)
    for model in web.models:
        used = _uses(web.here, model)
        rows = ((pk.bytes, in_force, until and until.isoformat()) for pk, (in_force, until) in used)
        scratch.put(web.scratch, "used", rows)
    for pk, kind, prepared, in_force, until, best_before, undated in web.scratch.execute(FACTS):
        yield (
            UUID(bytes=pk),
            Facts(
                kind=web.models[kind].kind,
                prepared=date.fromisoformat(prepared),
                in_force=bool(in_force),
                used_until=date.fromisoformat(until) if until else None,
                best_before=date.fromisoformat(best_before) if best_before else None,
                undated=bool(undated),
            ),
        )


FACTS = """
SELECT record.id, kind, prepared, in_force, until, max(latest), max(undated) FROM record
    LEFT JOIN used ON used.id = record.id
    LEFT JOIN about ON about.record = record.id LEFT JOIN shelf ON shelf.node = about.node
    GROUP BY record.id ORDER BY record.id
"""


def _put_shelf(web: Web) -> None:
    """The best before of lots, and of what batches made: the latest, and whether one has none. Lots that were withdrawn
    never were."""
    rows = LotState.objects.filter(establishment=web.here, withdrawn=False)
    found = rows.values_list("lot", "lot__batch", "best_before").iterator(chunk_size=ROWS_AT_ONCE)
    web.scratch.executemany(
        "INSERT INTO shelf VALUES (?, ?, ?) ON CONFLICT (node) DO UPDATE SET "
        "latest = max(latest, excluded.latest), undated = max(undated, excluded.undated)",
        (
            (written(node), day.isoformat() if day else "", day is None)
            for key, made_by, day in found
            for node in ((lot(key),) if made_by is None else (lot(key), batch(made_by)))
        ),
    )


def _day(here: Establishment, at: datetime) -> date:
    return at.astimezone(here.zone).date()


# -- end of use ------------------------------------------------------------------------------------------


def _uses(here: Establishment, model: type[Record]) -> Iterator[tuple[UUID, Use]]:
    if model in NUMBERED:
        yield from _by_number(here, model, NUMBERED[model])
    elif model in USED_WITH:
        yield from _with_its_thing(here, model, USED_WITH[model])
    elif model in _OTHERS:
        yield from _OTHERS[model](here)


def _by_number(here: Establishment, model: type[Record], of: str) -> Iterator[tuple[UUID, Use]]:
    rows = model.objects.of(here).order_by(of, "-number")
    newer: dict[UUID, date] = {}
    away = _put_away(here)
    told = rows.values_list("pk", f"{of}_id", f"{of}__in_use", "recorded_at")
    for pk, thing, in_use, at in told.iterator(chunk_size=ROWS_AT_ONCE):
        if thing in newer:
            yield pk, (False, newer[thing])
        else:
            yield pk, (in_use, None if in_use else away.get(thing))
        newer[thing] = _day(here, at)


def _with_its_thing(here: Establishment, model: type[Record], of: str) -> Iterator[tuple[UUID, Use]]:
    away, lots = _put_away(here), model is not InstrumentVerification
    names = ["pk", f"{of}_id", f"{of}__in_use", *(["lot_id"] if lots else [])]
    told = model.objects.of(here).order_by().values_list(*names)
    for pk, thing, in_use, *of_lot in told.iterator(chunk_size=ROWS_AT_ONCE):
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
