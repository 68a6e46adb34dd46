"""Which records keep which: what each record names, read from its own columns, so that no kind can be left out.

A record that stays keeps all that it names. What would mean something else without a later one (a record without its
correction, a case without its closing, a plan without its signature) leaves together with it: every reference from record
to record counts both ways, but for what many lean on (``LEANED_ON``). Lots and batches are identities: they stay as rows, and
what keeps their records is said in ``keeping``.
"""

import json
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
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
UUID_TEXT = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
ROWS_AT_ONCE = 2000

Node = UUID | tuple[str, int]
"""A record by its id; a lot or a batch by its key."""


def lot(key: int) -> Node:
    return ("lot", key)


def batch(key: int) -> Node:
    return ("batch", key)


@dataclass
class Web:
    """``kinds``: kind of each record. ``keeps``: what stays while a node stays. ``about``: the lots and batches that a
    record names. ``lots`` and ``batches``: the identities by uuid."""

    here: Establishment
    kinds: dict[UUID, type[Record]] = field(default_factory=dict)
    keeps: defaultdict[Node, set[Node]] = field(default_factory=lambda: defaultdict(set))
    about: defaultdict[UUID, set[Node]] = field(default_factory=lambda: defaultdict(set))

    @cached_property
    def identities(self) -> dict[UUID, Node]:
        lots = Lot.objects.filter(establishment=self.here).values_list("uid", "pk")
        batches = Batch.objects.filter(establishment=self.here).values_list("uid", "pk")
        return {uid: lot(key) for uid, key in lots} | {uid: batch(key) for uid, key in batches}

    @cached_property
    def parts(self) -> dict[UUID, UUID]:
        """The record that a row which bears a uuid is a part of, as a control point of a plan version."""
        return {
            key: whole
            for kind in record_classes()
            for model, named in parts_of(kind)
            if isinstance(model._meta.pk, models.UUIDField)
            for key, whole in model._default_manager.values_list("pk", named)
        }


def read(here: Establishment) -> Web:
    """All that is recorded in a house, as a web; every row is read once."""
    web = Web(here)
    for model in record_classes():
        web.kinds |= dict.fromkeys(model.objects.of(here).order_by().values_list("pk", flat=True), model)
    for model in record_classes():
        if model not in NAMES_NOTHING:
            _read_kind(web, model)
    for key, made_by in Lot.objects.filter(establishment=here, batch__isnull=False).values_list(
        "pk", "batch"
    ):
        web.keeps[lot(key)].add(batch(made_by))
    return web


def _read_kind(web: Web, model: type[Record]) -> None:
    columns = [
        each for each in model._meta.concrete_fields if each.name not in SAME_FOR_ALL and _may_name(each)
    ]
    rows = model.objects.of(web.here).order_by().values_list("pk", *(each.attname for each in columns))
    for pk, *values in rows.iterator(chunk_size=ROWS_AT_ONCE):
        if pk not in web.kinds:
            continue  # written since the ids were read: the next look sees it
        for column, value in zip(columns, values, strict=True):
            if value:
                _name(web, model, pk, column, value)


def _may_name(column: Any) -> bool:
    if isinstance(column, models.ForeignKey):
        return True
    return isinstance(column, (models.UUIDField, models.JSONField))


def _name(web: Web, model: type[Record], pk: UUID, column: Any, value: Any) -> None:
    target = column.related_model
    if target is None:
        for uuid in _uuids(value):
            _name_by_uuid(web, pk, uuid)
    elif target is Lot:
        _of_lot(web, model, pk, lot(value))
    elif target is Batch:
        _of_batch(web, model, pk, batch(value))
    elif target is Entry:
        _name_record(web, model, pk, value, both=model in HANGS_ON)
    elif issubclass(target, Record):
        _name_record(web, model, pk, value, both=True)
    elif value in web.parts:
        _name_record(web, model, pk, web.parts[value], both=False)


def _of_lot(web: Web, model: type[Record], pk: UUID, node: Node) -> None:
    """Whatever names a lot stays with it; what is counted in its state keeps it."""
    web.about[pk].add(node)
    web.keeps[node].add(pk)
    if model in COUNTED_IN_LOT:
        web.keeps[pk].add(node)


def _of_batch(web: Web, model: type[Record], pk: UUID, node: Node) -> None:
    """A batch keeps what went in and came out. A use that stays for its lot's sake does not keep the batch: the chain of a
    lot does not turn round on the way (decision 70)."""
    web.about[pk].add(node)
    web.keeps[node].add(pk)
    if model in COUNTED_IN_BATCH:
        web.keeps[pk].add(node)


def _name_record(web: Web, model: type[Record], pk: UUID, named: UUID, *, both: bool) -> None:
    kind = web.kinds.get(named)
    if kind is None:
        return
    web.keeps[pk].add(named)
    belongs = model is kind or model in HANGS_ON or (model, kind) in BELONGS_TO
    if both and (belongs or kind not in LEANED_ON):
        web.keeps[named].add(pk)


def _name_by_uuid(web: Web, pk: UUID, named: UUID) -> None:
    if named in web.identities:
        web.about[pk].add(web.identities[named])
    elif named in web.kinds:
        web.keeps[pk].add(named)
    elif named in web.parts:
        web.keeps[pk].add(web.parts[named])


def _uuids(value: Any) -> Iterator[UUID]:
    if isinstance(value, UUID):
        yield value
        return
    yield from map(UUID, UUID_TEXT.findall(json.dumps(value)))


def named_in(web: Web, records: Iterable[UUID]) -> set[Node]:
    """The lots and batches that records name."""
    return {node for each in records for node in web.about.get(each, ())}
