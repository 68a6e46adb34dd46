"""Which records keep which: what each record names, read from its own columns, so that no kind can be left out.

A record that stays keeps all that it names. What would mean something else without a later one (a record without its
correction, a case without its closing, a plan without its signature) leaves together with it: every reference from record
to record counts both ways, but for what many lean on (``LEANED_ON``). Lots and batches are identities: they stay as rows, and
what keeps their records is said in ``keeping``.
"""

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from sqlite3 import Connection
from typing import Any
from uuid import UUID

from django.db import models

from batches.models import (
    AtOutlet,
    Batch,
    BatchEnd,
    BatchStart,
    BuyerForgotten,
    EquipmentUse,
    Lot,
    LotDecision,
    Movement,
    Part,
    RecipeVersion,
    WebOrder,
)
from haccp.models import (
    Archive,
    CheckSheet,
    CleaningProcedureVersion,
    KeptLonger,
    LabelVersion,
    LegalHold,
    Markets,
    PlanVersion,
    Series,
    SheetWrittenOff,
)
from haccp.retention import scratch
from haccp.retention.scratch import ROWS_AT_ONCE, ByRecord, Edges, Node, Writing, written
from ledger.models import (
    BASE_1,
    Attachment,
    Change,
    Entry,
    Establishment,
    Record,
    Removal,
    Signature,
    SigningKey,
    record_classes,
)
from ledger.removals import parts_of

LEANED_ON: tuple[type[Record], ...] = (
    CheckSheet,
    CleaningProcedureVersion,
    LabelVersion,
    Movement,
    Part,
    PlanVersion,
    RecipeVersion,
    Series,
    WebOrder,
)
"""What leans on these may leave before them; but a correction, and what ``BELONGS_TO`` names, may not."""
BELONGS_TO = frozenset({(BuyerForgotten, WebOrder), (SheetWrittenOff, CheckSheet)})
NAMES_NOTHING: tuple[type[Record], ...] = (
    Archive,
    Change,
    KeptLonger,
    LegalHold,
    Markets,
    Removal,
    SigningKey,
)
"""They stay for ever and would keep all that they tell of."""
COUNTED_IN_LOT = (Movement, LotDecision, AtOutlet)
COUNTED_IN_BATCH = (BatchStart, BatchEnd, EquipmentUse)
"""Kinds that the state of a lot or batch is computed from: one of them keeps all of it."""
HANGS_ON = (Attachment, Signature)
"""What they point to does not leave before them, nor they before it."""
SAME_FOR_ALL = frozenset({*BASE_1, "id", "salts", "request_digest", "form", "digest"}) - {"corrects"}
BOTH, ONE, PART, BY_UUID = "both", "one", "part", "by uuid"
"""How a record is named: by a reference that may count both ways or one only, by a part of it, by its uuid."""
UUID_TEXT = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


def lot(key: int) -> Node:
    return ("lot", key)


def batch(key: int) -> Node:
    return ("batch", key)


@dataclass(frozen=True)
class Web:
    """``kinds``: kind of each record. ``keeps``: what stays while a node stays. Both are read from ``scratch``."""

    here: Establishment
    scratch: Connection
    models: tuple[type[Record], ...]
    """Kinds stand there by their number in this."""

    @property
    def kinds(self) -> Mapping[UUID, type[Record]]:
        return ByRecord(self.scratch, "record", "kind", self.models.__getitem__)

    @property
    def keeps(self) -> Mapping[Node, set[Node]]:
        return Edges(self.scratch)


def read(here: Establishment) -> Web:
    """All that is recorded in a house, as a web; every row is read once, some at a time."""
    web = Web(here, scratch.laid_out(), tuple(record_classes()))
    lots = _rows(Lot.objects.filter(establishment=here), "uid", "pk", "batch")
    _read_lots(web, lots)
    batches = _rows(Batch.objects.filter(establishment=here), "uid", "pk")
    scratch.put(web.scratch, "identity", ((uid.bytes, written(batch(key))) for uid, key in batches))
    scratch.put(web.scratch, "part", _parts(web))
    for number in range(len(web.models)):
        _Kind(web, number).read()
    _look_up(web)
    return web


def _rows(of: Any, *names: str) -> Iterator[Any]:
    rows: Iterator[Any] = of.order_by().values_list(*names).iterator(chunk_size=ROWS_AT_ONCE)
    return rows


def _read_lots(web: Web, lots: Iterable[Any]) -> None:
    identities, keeps = Writing(web.scratch, "identity"), Writing(web.scratch, "keeps")
    for uid, key, made_by in lots:
        identities.add(uid.bytes, written(lot(key)))
        if made_by is not None:
            keeps.add(written(lot(key)), written(batch(made_by)))
    identities.rest()
    keeps.rest()


def _part_kinds() -> Iterator[tuple[Any, str]]:
    """Kinds of rows that bear a uuid and are a part of a record, as a control point of a plan version."""
    for kind in record_classes():
        for model, named in parts_of(kind):
            if isinstance(model._meta.pk, models.UUIDField):
                yield model, named


def _parts(web: Web) -> Iterator[tuple[bytes, bytes]]:
    for model, named in _part_kinds():
        of_house = model._default_manager.filter(**{f"{named}__establishment": web.here})
        for key, whole in _rows(of_house, "pk", named):
            yield key.bytes, whole.bytes


class _Kind:
    """Reads the records of one kind, and writes down what each names."""

    def __init__(self, web: Web, number: int) -> None:
        self.web, self.number, self.model = web, number, web.models[number]
        self.parts = tuple(model for model, _ in _part_kinds())
        tables = ("record", "about", "keeps", "named")
        self.records, self.about, self.keeps, self.named = (Writing(web.scratch, name) for name in tables)

    def read(self) -> None:
        columns = (
            [] if self.model in NAMES_NOTHING else list(filter(_may_name, self.model._meta.concrete_fields))
        )
        names = [each.attname for each in columns]
        for pk, recorded_at, *values in _rows(
            self.model.objects.of(self.web.here), "pk", "recorded_at", *names
        ):
            day = recorded_at.astimezone(self.web.here.zone).date()
            self.records.add(pk.bytes, self.number, day.isoformat())
            for column, value in zip(columns, values, strict=True):
                if value:
                    self._name(pk.bytes, column.related_model, value)
        for each in (self.records, self.about, self.keeps, self.named):
            each.rest()

    def _name(self, pk: bytes, target: Any, value: Any) -> None:
        if target is None:
            for uuid in _uuids(value):
                self.named.add(pk, self.number, uuid.bytes, BY_UUID)
        elif target is Lot:
            self._of(pk, written(lot(value)), counted=COUNTED_IN_LOT)
        elif target is Batch:
            self._of(pk, written(batch(value)), counted=COUNTED_IN_BATCH)
        elif target is Entry:
            self.named.add(pk, self.number, value.bytes, BOTH if self.model in HANGS_ON else ONE)
        elif issubclass(target, Record):
            self.named.add(pk, self.number, value.bytes, BOTH)
        elif target in self.parts:
            self.named.add(pk, self.number, value.bytes, PART)

    def _of(self, pk: bytes, node: bytes | str, counted: tuple[type[Record], ...]) -> None:
        """Whatever names a lot or a batch stays with it; what is counted in its state keeps it. A use that stays for its
        lot's sake does not keep the batch: the chain of a lot does not turn round on the way (decision 70)."""
        self.about.add(pk, node)
        self.keeps.add(node, pk)
        if self.model in counted:
            self.keeps.add(pk, node)


def _may_name(column: Any) -> bool:
    if column.name in SAME_FOR_ALL:
        return False
    return isinstance(column, (models.ForeignKey, models.UUIDField, models.JSONField))


def _uuids(value: Any) -> Iterator[UUID]:
    if isinstance(value, UUID):
        yield value
        return
    yield from map(UUID, UUID_TEXT.findall(json.dumps(value)))


# -- which of the uuids are what ------------------------------------------------------------------------


def _look_up(web: Web) -> None:
    """Of what records name: which are records here, lots or batches, or parts of a record."""

    def goes_back(by: int, kind: int) -> bool:
        return _goes_back(web.models[by], web.models[kind])

    web.scratch.create_function("goes_back", 2, goes_back, deterministic=True)
    for statement in LOOKED_UP:
        web.scratch.execute(statement)


def _goes_back(by: type[Record], kind: type[Record]) -> bool:
    """Whether a record of ``kind`` does not leave before one that names it."""
    return by is kind or by in HANGS_ON or (by, kind) in BELONGS_TO or kind not in LEANED_ON


LOOKED_UP = (
    f"INSERT OR IGNORE INTO about SELECT record, node FROM named JOIN identity ON uid = uuid WHERE how = '{BY_UUID}'",
    f"DELETE FROM named WHERE how = '{BY_UUID}' AND uuid IN (SELECT uid FROM identity)",
    "INSERT OR IGNORE INTO keeps SELECT named.record, record.id FROM named JOIN record ON id = uuid",
    "INSERT OR IGNORE INTO keeps SELECT record.id, named.record FROM named JOIN record ON id = uuid "
    f"WHERE how = '{BOTH}' AND goes_back(named.kind, record.kind)",
    "INSERT OR IGNORE INTO keeps SELECT named.record, record.id FROM named JOIN part ON part.id = uuid "
    f"JOIN record ON record.id = part.whole WHERE how IN ('{BY_UUID}', '{PART}')",
    "DELETE FROM named",
)
