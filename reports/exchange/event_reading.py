"""The events of a selection, written as one EPCIS document, however many there are."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain, islice
from typing import Any

import orjson
from django.db import connection
from django.db.models import Q, QuerySet
from django.utils import timezone

from batches import own_addresses
from batches.models import Lot, LotDecision
from haccp.models import PackingCheck, RecallEnd, RecallExclusion, RecallScope
from haccp.recalls.scoping import in_scope, latest
from ledger.models import Establishment, Record
from ledger.snapshots import one_snapshot
from reports.exchange import events, movements
from reports.exchange.events import OFFSETS, Event, Moved, Told, Wrong
from reports.exchange.identifying import Identifiers
from reports.exchange.movements import Selecting, Selection

EVENTS_AT_ONCE = 500


def identifiers(here: Establishment) -> Identifiers:
    return Identifiers(own_addresses.below(here), str(here.pk), here.gln, tuple(here.gs1_prefixes))


def as_epcis(here: Establishment, selected: Selecting) -> Iterator[bytes]:
    """The document, its frame at once; all as it stands at one moment."""
    ids = identifiers(here)
    before, after = events.document(ids, utc(timezone.now()))
    yield before.encode()
    comma = b""
    with one_snapshot():
        for found in _all(here, ids, selected()):
            if found:
                yield comma + b",".join(map(orjson.dumps, found))
                comma = b","
    yield after.encode()


def _all(here: Establishment, ids: Identifiers, selection: Selection) -> Iterator[list[Event]]:
    for rows in read_rows(here, selection):
        yield [event for row in rows if not row[0] for event in events.of_movement(ids, _moved(row))]
    if selection.document:
        return  # what is told of whole lots went with no paper
    told = chain(
        _decided(ids, here, selection), _packed(ids, here, selection), _recalled(ids, here, selection)
    )
    while found := list(islice(told, EVENTS_AT_ONCE)):
        yield [events.told(ids, each) for each in found]


# -- movements ----------------------------------------------------------------------------------------


def read_rows(here: Establishment, selection: Selection) -> Iterator[Sequence[Any]]:
    """Whether it is a withdrawal, which is no event itself; then as ``Moved``. Those that turned out wrong too: whoever was
    sent them has to be told."""
    words = SQLITE if connection.vendor == "sqlite" else POSTGRESQL
    below, params = movements.from_on(here, replace(selection, standing=False))
    uid = movements.words().uid
    sql = f"""
        SELECT moved.withdrawn, {uid.format("moved.id")}, moved.what, {words.utc.format("moved.performed_at")},
               moved.performed_offset, lot.code, material.code, material.gtin, lot.batch_id IS NOT NULL, lot.is_rework,
               moved.quantity, material.dimension = 'count', {words.brings}, {words.supplier_lot},
               {words.best_before}, COALESCE(batch.code, ''), COALESCE(place.code, ''),
               COALESCE(partner.code, ''), COALESCE(partner.gln, ''), moved.document,
               CASE WHEN later.id IS NULL THEN '' ELSE {words.utc.format("later.recorded_at")} END,
               CASE WHEN later.id IS NULL OR later.withdrawn THEN '' ELSE {uid.format("later.id")} END
        {below}
    """
    yield from movements.read(sql, params)


def _moved(row: Sequence[Any]) -> Moved:
    _, uid, what, at, offset, *known, wrong_at, instead = row
    wrong = Wrong(wrong_at, instead) if wrong_at else None
    values = [uid, what, at, OFFSETS[offset], *known, wrong]
    return Moved(*values)


@dataclass(frozen=True)
class Words:
    """How a database writes times as text, and what it makes of what was said about a new lot."""

    utc: str
    brings: str
    supplier_lot: str
    best_before: str


POSTGRESQL = Words(
    utc="to_char({} AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.MS\"Z\"')",
    brings="moved.new_lot <> '{}'::jsonb",
    supplier_lot="COALESCE(moved.new_lot ->> 'supplier_code', '')",
    best_before="COALESCE(to_char(moved.best_before, 'YYYY-MM-DD'), '')",
)
SQLITE = Words(
    utc="replace(substr({0}, 1, 19), ' ', 'T') || substr(substr({0}, 20, 4) || '.000', 1, 4) || 'Z'",
    brings="moved.new_lot <> '{}'",
    supplier_lot="COALESCE(json_extract(moved.new_lot, '$.supplier_code'), '')",
    best_before="COALESCE(moved.best_before, '')",
)
"""Milliseconds are cut off, not rounded, so that no event moves into the next second."""


# -- whole lots ---------------------------------------------------------------------------------------


def _decided(ids: Identifiers, here: Establishment, selection: Selection) -> Iterator[Told]:
    found = _standing(LotDecision, here, selection).filter(_of_lots(selection), status__in=events.DECIDED)
    for each in found.select_related("lot__material").iterator(EVENTS_AT_ONCE):
        yield _told(each, [_class(ids, each.lot)], *events.DECIDED[each.status])


def _packed(ids: Identifiers, here: Establishment, selection: Selection) -> Iterator[Told]:
    """Seen to bear the right label while it was packed."""
    found = _standing(PackingCheck, here, selection).filter(
        _of_lots(selection), lot__isnull=False, result="good"
    )
    for each in found.select_related("lot__material").iterator(EVENTS_AT_ONCE):
        yield _told(each, [_class(ids, each.lot)], "packing")


def _recalled(ids: Identifiers, here: Establishment, selection: Selection) -> Iterator[Told]:
    """What is in a recall, what left it, and what is in it when it ends. An exercise recalls nothing."""

    def classes(uids: Iterable[str]) -> list[str]:
        lots = Lot.objects.filter(_of_lots(selection, ""), establishment=here, uid__in=list(uids))
        return [_class(ids, lot) for lot in lots.select_related("material").order_by("pk")]

    real = Q(recall__is_exercise=False)
    for scope in _standing(RecallScope, here, selection).filter(real):
        yield from _if_any(scope, classes(each["lot"] for each in scope.lots), "holding", "recalled", "set")
    left = _standing(RecallExclusion, here, selection).filter(
        _of_lots(selection), scope__recall__is_exercise=False
    )
    for exclusion in left.select_related("lot__material"):
        yield from _if_any(exclusion, [_class(ids, exclusion.lot)], "inspecting", "", "unset")
    for end in _standing(RecallEnd, here, selection).filter(real).select_related("recall"):
        last = latest(end.recall)
        in_it = [] if last is None else classes(each["lot"] for each in in_scope(last))
        yield from _if_any(end, in_it, "inspecting", "", "unset")


def _if_any(record: Record, classes: Sequence[str], step: str, disposition: str, word: str) -> Iterator[Told]:
    if classes:
        yield _told(record, classes, step, disposition, {word: ["recalled"]})


def _told(
    record: Record, classes: Sequence[str], step: str, disposition: str = "", lasting: Any = None
) -> Told:
    at, offset = utc(record.performed_at), OFFSETS[record.performed_offset]
    return Told(str(record.pk), at, offset, classes, step, disposition, lasting)


def _standing(model: Any, here: Establishment, selection: Selection) -> QuerySet[Any]:
    return model.objects.of(here).standing().filter(selection.period.within()).order_by("performed_at", "pk")


def _of_lots(selection: Selection, prefix: str = "lot__") -> Q:
    found = Q()
    if selection.lots is not None:
        found &= Q(**{f"{prefix}pk__in": selection.lots})
    if selection.material is not None:
        found &= Q(**{f"{prefix}material": selection.material})
    return found


def _class(ids: Identifiers, lot: Lot) -> str:
    material = lot.material
    made_here = lot.batch_id is not None
    return ids.lot(material.code, lot.code, gtin=material.gtin, made_here=made_here, rework=lot.is_rework)


def utc(at: datetime) -> str:
    """To the millisecond, which is as fine as times are compared in events."""
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"
