"""Movements as rows of a sheet, read a few thousand at a time, however many there are.

Which ones: those of the lots of a trace, or of a period, a material, a lot. Sorted by when they were done. The database
writes the texts, since making them here costs more than all the rest.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db import connection

from batches.edges import among, as_one
from batches.models import Batch, Lot, LotState, Material, Movement, StoragePlace, TradingPartner
from batches.trace_following import Followed
from batches.trace_questions import ANY_TIME, Period
from ledger.models import Establishment
from ledger.snapshots import one_snapshot
from reports.exchange.columns import COLUMNS

ROWS_AT_ONCE = 2000
LEADS_BACK = ("received", "sent-back", "made")
HERE = sum(column.name.startswith("location") for column in COLUMNS)


@dataclass(frozen=True)
class Selection:
    """Which movements. ``lots``: keys; None does not ask.

    ``behind``: those of them that only lie on the way back. Of these, what brought them, and what of them went into
    ``batches``: the rest of a sack of sugar is no part of the trace.
    """

    lots: Collection[int] | None = None
    behind: frozenset[int] = frozenset()
    batches: frozenset[int] = frozenset()
    period: Period = ANY_TIME
    material: UUID | None = None
    document: str = ""
    standing: bool = True

    def conditions(self) -> tuple[str, list[Any]]:
        """SQL over ``moved`` and ``lot``, with its parameters."""
        found, params = ["TRUE"], list[Any]()
        if self.lots is not None:
            found.append(f"moved.lot_id {among()}")
            params.append(as_one(self.lots))
        if self.behind:
            brought = ", ".join(f"'{what}'" for what in LEADS_BACK)
            found.append(
                f"(moved.what IN ({brought}) OR NOT moved.lot_id {among()} "
                f"OR (moved.what = 'used' AND moved.batch_id {among()}))"
            )
            params += [as_one(self.behind), as_one(self.batches)]
        for sign, at in ((">=", self.period.since), ("<=", self.period.until)):
            if at is not None:
                found.append(f"moved.performed_at {sign} %s")
                params.append(connection.ops.adapt_datetimefield_value(at))
        if self.material is not None:
            found.append("lot.material_id = %s")
            params.append(self.material.hex if connection.vendor == "sqlite" else self.material)
        if self.document:
            found.append("moved.document = %s")
            params.append(self.document)
        if self.standing:
            found.append("NOT moved.withdrawn AND later.id IS NULL")
        return " AND ".join(found), params


def of_trace(followed: Followed, *, standing: bool = True) -> Selection:
    """What happened to the lots that a trace reached, as far as it lies on its way."""
    return Selection(
        lots=followed.keys,
        behind=frozenset(followed.keys) - followed.ahead,
        batches=frozenset(way[2] for way in (*followed.inward, *followed.mixed_inward)),
        standing=standing,
    )


@dataclass(frozen=True)
class House:
    """What is the same in every row: the place."""

    cells: tuple[str, ...] = field(default=("",) * HERE)

    @classmethod
    def of(cls, here: Establishment) -> "House":
        return cls((here.name, here.address, here.gln))


Selecting = Callable[[], Selection]
"""Finds out which movements: asked for in the same moment in which they are read, and after the answer began."""


def rows(here: Establishment, selected: Selecting) -> Iterator[list[tuple[str, ...]]]:
    """Rows as ``COLUMNS`` has them, as texts, some thousands at a time; all as they stand at one moment."""
    house = House.of(here).cells
    with one_snapshot():
        for found in read(*statement(here, selected())):
            yield [row + house for row in found]


def read(sql: str, params: Sequence[Any]) -> Iterator[Sequence[Any]]:
    """Rows as the database tells them, over a cursor that keeps them there."""
    with connection.chunked_cursor() as cursor:
        cursor.execute(sql, params)
        while found := cursor.fetchmany(ROWS_AT_ONCE):
            yield found


def statement(here: Establishment, selection: Selection) -> tuple[str, list[Any]]:
    """What reads rows as ``COLUMNS`` has them, without the place."""
    said = words()
    outward = "moved.what IN ('shipped', 'sent-back')"
    source, recipient = (
        ", ".join(
            f"CASE WHEN partner.id IS NOT NULL AND {asked} THEN partner.{column} ELSE '' END"
            for column in ("name", "address", "gln")
        )
        for asked in (f"NOT {outward}", outward)
    )
    below, params = from_on(here, selection)
    sql = f"""
        SELECT {said.uid.format("moved.id")}, moved.what, {said.day}, {said.at}, {said.utc}, lot.code, material.code,
               material.name, material.gtin, {said.amount.format("moved.quantity")},
               CASE WHEN material.dimension = 'mass' THEN 'KGM' ELSE 'H87' END, {said.amount.format("moved.effect")},
               moved.entered, moved.unit, COALESCE(batch.code, ''),
               CASE WHEN lot.is_rework THEN 'yes' ELSE '' END, {said.best_before},
               COALESCE(supplier.name, ''), state.supplier_code, {source}, {recipient},
               COALESCE(carrier.name, ''), moved.document, {said.recorded},
               CASE WHEN moved.withdrawn THEN 'withdrawal' WHEN later.withdrawn THEN 'withdrawn'
                    WHEN later.id IS NOT NULL THEN 'corrected' ELSE 'stands' END,
               CASE WHEN moved.corrects_id IS NULL THEN '' ELSE {said.uid.format("moved.corrects_id")} END
        {below}
    """
    return sql, params


def from_on(here: Establishment, selection: Selection) -> tuple[str, list[Any]]:
    """The same statement from FROM on, for whoever wants other columns of the same movements in the same order."""
    moved, lot, state, material, batch, place, partner = (
        model._meta.db_table
        for model in (Movement, Lot, LotState, Material, Batch, StoragePlace, TradingPartner)
    )
    conditions, params = selection.conditions()
    sql = f"""
        FROM {moved} moved
        JOIN {lot} lot ON lot.id = moved.lot_id
        JOIN {state} state ON state.lot_id = moved.lot_id
        JOIN {material} material ON material.id = lot.material_id
        LEFT JOIN {batch} batch ON batch.id = moved.batch_id
        LEFT JOIN {partner} partner ON partner.id = moved.partner_id
        LEFT JOIN {partner} carrier ON carrier.id = moved.carrier_id
        LEFT JOIN {place} place ON place.id = moved.to_place_id
        LEFT JOIN {partner} supplier ON supplier.id = state.supplier_id
        LEFT JOIN {moved} later ON later.corrects_id = moved.id AND later.corrects_id IS NOT NULL
        WHERE moved.establishment_id = %s AND {conditions}
        ORDER BY moved.performed_at, moved.id
    """
    return sql, [here.pk.hex if connection.vendor == "sqlite" else here.pk, *params]


@dataclass(frozen=True)
class Words:
    """How a database writes ids, days, times and amounts as text; amounts in kilograms or pieces."""

    uid: str
    day: str
    at: str
    utc: str
    amount: str
    best_before: str
    recorded: str


_LOCAL = "(moved.performed_at AT TIME ZONE 'UTC' + moved.performed_offset * INTERVAL '1 minute')"
_SIGN = "CASE WHEN moved.performed_offset < 0 THEN '-' ELSE '+' END"
POSTGRESQL = Words(
    uid="{}::text",
    day=f"to_char({_LOCAL}, 'YYYY-MM-DD')",
    at=(
        f"to_char({_LOCAL}, 'YYYY-MM-DD\"T\"HH24:MI:SS') || {_SIGN} || "
        "to_char(abs(moved.performed_offset) * INTERVAL '1 minute', 'HH24:MI')"
    ),
    utc="to_char(moved.performed_at AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.MS\"Z\"')",
    amount=(
        "CASE WHEN material.dimension <> 'mass' THEN {0}::text "
        "WHEN {0} %% 1000 = 0 THEN round({0} / 1000000.0, 3)::text "
        "ELSE trim_scale(round({0} / 1000000.0, 6))::text END"
    ),
    best_before="COALESCE(to_char(state.best_before, 'YYYY-MM-DD'), '')",
    recorded="to_char(moved.recorded_at AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS\"Z\"')",
)
_HEX = " || '-' || ".join(
    f"substr({{0}}, {begin}, {length})" for begin, length in ((1, 8), (9, 4), (13, 4), (17, 4))
)
_SQLITE_LOCAL = "moved.performed_at, moved.performed_offset || ' minutes'"
_HOURS, _MINUTES = "abs(moved.performed_offset) / 60", "abs(moved.performed_offset) %% 60"
_KILOGRAMS = "CASE WHEN {0} < 0 THEN '-' ELSE '' END, abs({0}) / 1000000, abs({0}) %% 1000000"
SQLITE = Words(
    uid=f"{_HEX} || '-' || substr({{0}}, 21)",
    day=f"strftime('%%Y-%%m-%%d', {_SQLITE_LOCAL})",
    at=f"strftime('%%Y-%%m-%%dT%%H:%%M:%%S', {_SQLITE_LOCAL}) || printf('%%s%%02d:%%02d', {_SIGN}, {_HOURS}, {_MINUTES})",
    utc="strftime('%%Y-%%m-%%dT%%H:%%M:%%fZ', moved.performed_at)",
    amount=(
        "CASE WHEN material.dimension <> 'mass' THEN CAST({0} AS TEXT) "
        f"WHEN {{0}} %% 1000 = 0 THEN printf('%%s%%d.%%03d', {_KILOGRAMS} / 1000) "
        f"ELSE rtrim(printf('%%s%%d.%%06d', {_KILOGRAMS}), '0') END"
    ),
    best_before="COALESCE(state.best_before, '')",
    recorded="strftime('%%Y-%%m-%%dT%%H:%%M:%%SZ', moved.recorded_at)",
)


def words() -> Words:
    return SQLITE if connection.vendor == "sqlite" else POSTGRESQL
