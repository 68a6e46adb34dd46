"""A despatch as a table, CSV or XLSX: which columns it may have, and how they are read. No database."""

from collections.abc import Iterable
from typing import IO

from batches.bringing.columns import Column, House, amount_of, checked, day_of_row, text_of, unit_of
from batches.despatches.lines import Despatch, Line, doubled, refuse
from config.api.refusals import Reason, Unusable
from config.api.tables import Columns, Row, read
from ledger.gs1_keys import check_gtin, check_sscc

TABLE = (
    Column("document", text_of(80), "number of the despatch note", needed=True),
    Column("despatched_on", day_of_row, "the day it left, as 2026-03-02 or 2.3.2026"),
    Column("item", text_of(80), "the supplier's number for the item, or your code for the material"),
    Column("gtin", checked(check_gtin), "the GTIN of the item; item or gtin is needed"),
    Column("description", text_of(200), "what it is"),
    Column("lot", text_of(60), "the supplier's lot code", needed=True),
    Column("quantity", amount_of, "how much, as 25 or 25 kg", needed=True),
    Column(
        "unit", unit_of, "kg, g, mg, lb, oz, t, pieces, dozen or a UN/ECE code; or write it beside the amount"
    ),
    Column("best_before", day_of_row, "its date"),
    Column("sscc", checked(check_sscc), "number of the pallet or case; tells two of the same lot apart"),
)
COLUMNS = Columns([column.name for column in TABLE], [column.name for column in TABLE if column.needed])


def told() -> Iterable[str]:
    """The columns in words, one a line."""
    for column in TABLE:
        yield f"{column.name}{' (needed)' if column.needed else ''}: {column.what}."


def read_table(file: IO[bytes], name: str, house: House) -> Despatch:
    """Raises UnreadableTable, Unusable with every line and column that is wrong."""
    table = read(file, name=name, columns=COLUMNS)
    lines, wrong = [], list(table.wrong)
    told_already = {each.field for each in table.wrong}
    for row in table.rows:
        values, reasons = _values(row, house)
        wrong += [each for each in reasons if each.field not in told_already]
        if not reasons:
            lines.append(_line(row, values))
    refuse(name, wrong + doubled(lines))
    if not lines:
        raise Unusable(f"{name}: no line tells of goods. Nothing was kept.", code="empty-file", field=name)
    return Despatch(lines)


def _values(row: Row, house: House) -> tuple[dict[str, str], list[Reason]]:
    values: dict[str, str] = {}
    wrong = []
    for column in TABLE:
        if column.name in row.cells:
            try:
                values |= _as_texts(column.name, column.read(row, column.name, house), values)
            except Unusable as refusal:
                wrong += [row.wrong(each.code, each.detail, column.name) for each in refusal.reasons]
        elif column.needed:
            wrong.append(row.wrong("missing", "This is needed.", column.name))
    if not ({"item", "gtin"} & row.cells.keys()):
        wrong.append(row.wrong("missing", "Say which item it is, or its GTIN.", "item"))
    if "quantity" in values and "unit" not in values:
        wrong.append(row.wrong("missing", "Say in which unit, as in 25 kg.", "unit"))
    return values, wrong


def _as_texts(name: str, value: object, values: dict[str, str]) -> dict[str, str]:
    if name == "quantity":
        amount = value
        return {"quantity": amount.text} | ({"unit": amount.unit} if amount.unit else {})  # type: ignore[attr-defined]
    if name == "unit" and values.get("unit", value) != value:
        sentence = f"The amount says {values['unit']} and this column {value}."
        raise Unusable(sentence, code="two-units", field="unit")
    return {"despatched_at" if name == "despatched_on" else name: str(value)}


def _line(row: Row, values: dict[str, str]) -> Line:
    told = [values.get(name, "") for name in ("document", "gtin", "item", "lot", "best_before", "sscc")]
    return Line(f"line {row.line}", ("table", *told), {"cells": row.cells, "read": values})
