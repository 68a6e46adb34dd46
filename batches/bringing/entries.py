"""Rows of a table as entries: what they say, the key that they are known by, and the ids that follow from it."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from uuid import UUID, uuid5

from batches.bringing.columns import OF_THE_BATCH, TABLES, House
from config.api.refusals import Reason, Unusable
from config.api.tables import Row, Table


@dataclass(frozen=True)
class Entry:
    """``cells``: as they are kept, to see whether the row was changed since it was brought in."""

    table: str
    key: str
    row: Row
    cells: dict[str, str]
    values: dict[str, Any]

    def id_in(self, establishment: UUID) -> UUID:
        return id_of(establishment, self.table, self.key)

    def wrong(self, code: str, detail: str, column: str = "") -> Reason:
        return self.row.wrong(code, detail, column)


def id_of(establishment: UUID, table: str, key: str, what: str = "") -> UUID:
    """The same for the same row of the same house, and for nothing else (RFC 9562 section 5.5).

    ``what``: of the several records that one row may make, which.
    """
    return uuid5(establishment, json.dumps(["brought in", table, key, what]))


def read(name: str, table: Table, house: House) -> tuple[list[Entry], list[Reason]]:
    """Every row that can be read, and everything that is wrong with any."""
    entries, wrong = [], list(table.wrong)
    for row in table.rows:
        values, reasons = _values(name, row, house)
        wrong += reasons
        if not reasons:
            entries.append(Entry(name, _key(name, row, values), row, _kept(name, row), values))
    wrong += _doubled(entries)
    return entries, wrong


def _values(name: str, row: Row, house: House) -> tuple[dict[str, Any], list[Reason]]:
    values: dict[str, Any] = {}
    wrong = []
    for column in TABLES[name]:
        if column.name in row.cells:
            try:
                values[column.name] = column.read(row, column.name, house)
            except Unusable as refusal:
                wrong += [row.wrong(each.code, each.detail, column.name) for each in refusal.reasons]
        elif column.needed:
            wrong.append(row.wrong("missing", f"Give the {column.name}.", column.name))
    return values, wrong


def _key(name: str, row: Row, values: dict[str, Any]) -> str:
    if name == "batches":
        return json.dumps([values["batch"], values["what"], values["lot"]])
    if name == "shipments":
        said = [
            values["shipped_on"].day.isoformat(),
            values["customer"],
            values["lot"],
            values.get("document", ""),
        ]
        return json.dumps(said, ensure_ascii=False)
    return str(values["code"])


def _kept(name: str, row: Row) -> dict[str, str]:
    left_out = OF_THE_BATCH if name == "batches" else ()
    return {column: text for column, text in row.cells.items() if column not in left_out}


def _doubled(entries: list[Entry]) -> Iterator[Reason]:
    first: dict[str, Entry] = {}
    for entry in entries:
        before = first.setdefault(entry.key, entry)
        if before is not entry:
            sentence = (
                f"Line {before.row.line} says the same key: {_named(entry)}. Add the two up, or mend one."
            )
            yield entry.wrong("row-twice", sentence, TABLES[entry.table][0].name)


def _named(entry: Entry) -> str:
    if entry.table == "batches":
        return f"batch {entry.values['batch']} {entry.values['what']} lot {entry.values['lot']}"
    if entry.table == "shipments":
        return f"lot {entry.values['lot']} to {entry.values['customer']} that day by the same document"
    return entry.key


def heads(rows: list[Entry]) -> tuple[list[Entry], list[Reason]]:
    """What the rows of each batch say of the batch itself; rows of one batch must not contradict each other."""
    found: dict[str, Entry] = {}
    wrong = []
    for each in rows:
        code = each.values["batch"]
        head = found.setdefault(code, Entry("batch", code, each.row, {"batch": code}, {"batch": code}))
        for column in OF_THE_BATCH:
            said = each.row.cells.get(column)
            if said is None:
                continue
            if head.cells.setdefault(column, said) != said:
                sentence = f"Another row of batch {code} says {head.cells[column]}."
                wrong.append(each.wrong("rows-contradict", sentence, column))
            head.values.setdefault(column, each.values[column])
    wrong += [
        head.wrong("missing", f"Say when batch {code} began, in its first row.", "began")
        for code, head in found.items()
        if "began" not in head.values
    ]
    return list(found.values()), wrong


def changed(before: Row, now: Entry, house: House) -> list[str]:
    """The columns in which a row says something else than it said before; 2,50 and 2.5 say the same."""
    names = dict.fromkeys([*before.cells, *now.cells])
    return [
        name
        for name in names
        if before.cells.get(name) != now.cells.get(name) and _differs(name, before, now, house)
    ]


def _differs(name: str, before: Row, now: Entry, house: House) -> bool:
    of_table = TABLES["batches" if now.table == "batch" else now.table]
    column = next((each for each in of_table if each.name == name), None)
    if column is None or name not in before.cells or name not in now.cells:
        return True
    try:
        return bool(column.read(before, name, house) != now.values[name])
    except Unusable:  # the house may have written its numbers otherwise then
        return True
