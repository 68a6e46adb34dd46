"""What each table of the house may hold, column by column, and how a cell is read. No database.

Nothing is guessed: a cell that can be read in two ways is asked back. A day without a time of day counts as noon of the
house's clock, and the record says so.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from batches.identifiers import is_plain_code
from batches.quantities import UNITS, known_unit, parse_number
from batches.texts import one_line
from config.api.refusals import Unusable
from config.api.tables import Columns, Row, read_day
from config.api.tables.days import day_of
from ledger.acts import Moment
from ledger.gs1_keys import check_gln, check_gtin

NOON = time(12)
CODE = re.compile(r"[A-Z0-9-]{1,30}")
AMOUNT = re.compile(r"([+-]?[0-9.,]+)\s*([^0-9\s.,].*)?")
KINDS = ("ingredient", "packaging", "processing-aid", "intermediate", "finished-product")
DIMENSIONS = ("mass", "count")
UNIT_WORDS = {"piece": "H87", "pcs": "H87", "pc": "H87"} | {
    word.lower(): unit.code
    for unit in reversed(UNITS.values())
    if unit.dimension in ("mass", "pieces", "volume")
    for word in (unit.symbol, unit.code)
}
"""How an amount's unit may be written: by its UN/ECE code or its symbol, in any case of letters."""


@dataclass(frozen=True)
class House:
    """How the house writes: its clock, its decimal mark, and what time it is there now."""

    zone: ZoneInfo
    decimal_comma: bool
    now: datetime


@dataclass(frozen=True)
class When:
    """A moment of the past; ``day_only``: the file gives no time of day."""

    moment: Moment
    day: date
    day_only: bool


@dataclass(frozen=True)
class Amount:
    """An amount as written, with a point as its decimal mark, and its UN/ECE unit; "" where the cell has none."""

    text: str = field(compare=False)
    value: Decimal
    unit: str


Read = Callable[[Row, str, House], Any]


@dataclass(frozen=True)
class Column:
    name: str
    read: Read
    what: str
    needed: bool = False


# -- cells -------------------------------------------------------------------------------------------


def text_of(longest: int) -> Read:
    def read(row: Row, name: str, house: House) -> str:
        return one_line(row.cells[name], field=name, longest=longest)

    return read


def _lines(longest: int) -> Read:
    def read(row: Row, name: str, house: House) -> str:
        if len(row.cells[name]) > longest:
            raise Unusable(f"At most {longest} characters.", code="too-long", field=name)
        return row.cells[name]

    return read


def _code(longest: int) -> Read:
    """A code on a label of ours."""

    def read(row: Row, name: str, house: House) -> str:
        said = row.cells[name]
        if CODE.fullmatch(said) and len(said) <= longest:
            return said
        hint = re.sub(r"[^A-Z0-9]+", "-", said.upper()).strip("-")[:longest]
        sentence = f"A code here is 1 to {longest} of A-Z, 0-9 and '-', not {said[:30]!a}."
        raise Unusable(f"{sentence} Perhaps {hint}?" if hint else sentence, code="not-a-code", field=name)

    return read


def _short_name(row: Row, name: str, house: House) -> str:
    if not is_plain_code(row.cells[name]):
        raise Unusable(
            "A short name is 1 to 6 of A-Z and 0-9: it begins lot codes.", code="short-name", field=name
        )
    return row.cells[name]


def checked(check: Callable[..., str]) -> Read:
    """A number with a check digit."""

    def read(row: Row, name: str, house: House) -> str:
        return check(row.cells[name], field=name)

    return read


def _one_of(*words: str) -> Read:
    def read(row: Row, name: str, house: House) -> str:
        said = "-".join(row.cells[name].lower().replace("-", " ").split())
        if said not in words:
            sentence = f"{row.cells[name][:30]!a} is none of {', '.join(words)}."
            raise Unusable(sentence, code="unknown-word", field=name)
        return said

    return read


def _yes_or_no(row: Row, name: str, house: House) -> bool:
    said = row.cells[name].lower()
    if said not in ("yes", "no", "x"):
        raise Unusable(f"Write yes or no, not {said[:20]!a}.", code="not-yes-or-no", field=name)
    return said != "no"


def _days(row: Row, name: str, house: House) -> int:
    said = row.cells[name]
    if not (said.isascii() and said.isdigit() and len(said) <= 5):
        raise Unusable(
            f"Write a whole number of days, not {said[:20]!a}.", code="not-a-whole-number", field=name
        )
    return int(said)


def day_of_row(row: Row, name: str, house: House) -> date:
    return read_day(row, name)


def _when(row: Row, name: str, house: House) -> When:
    """A day, or a day and a time of the house's clock, that has been."""
    said, _, clock = row.cells[name].replace("T", " ").partition(" ")
    day = day_of(said, name) if clock else read_day(row, name)
    at = _on_the_clock(datetime.combine(day, _time(clock, name)), house.zone, name)
    if not clock and at > house.now >= _on_the_clock(datetime.combine(day, time(0)), house.zone, name):
        at = house.now  # noon of today is still to come
    if at > house.now:
        raise Unusable(
            f"{row.cells[name]} is still to come; only what was is brought in.", code="to-come", field=name
        )
    return When(Moment.of(at, name), day, not clock)


def _time(clock: str, name: str) -> time:
    if not clock:
        return NOON
    try:
        if clock.count(":") not in (1, 2) or not clock.replace(":", "").isdigit():
            raise ValueError
        return time.fromisoformat(clock.zfill(5))
    except ValueError:
        raise Unusable(
            f"Write the time as in 09:30, not {clock[:20]!a}.", code="not-a-time", field=name
        ) from None


def _on_the_clock(wall: datetime, zone: ZoneInfo, name: str) -> datetime:
    at = wall.replace(tzinfo=zone)
    if at.astimezone(ZoneInfo("UTC")).astimezone(zone).replace(tzinfo=None) != wall:
        raise Unusable(
            f"The clock never showed {wall}: it was put forward then.", code="no-such-time", field=name
        )
    return at


def amount_of(row: Row, name: str, house: House) -> Amount:
    """``2.5``, or ``2.5 kg`` with its unit in the same cell."""
    found = AMOUNT.fullmatch(row.cells[name])
    number, unit = (found[1], found[2] or "") if found else (row.cells[name], "")
    value = parse_number(number, field=name, decimal_comma=house.decimal_comma, signed=False)
    return Amount(number.replace(",", "."), value, _unit_code(unit.strip(), name) if unit else "")


def unit_of(row: Row, name: str, house: House) -> str:
    return _unit_code(row.cells[name], name)


def _unit_code(said: str, name: str) -> str:
    return known_unit(UNIT_WORDS.get(said.lower(), said), field=name).code


# -- tables ------------------------------------------------------------------------------------------

_CODE_OF_REFERENCE = text_of(20)
_NOTE = Column("note", _lines(2000), "anything else; kept with the record")
_RELEASED = (
    Column("released_on", _when, "when it was released or accepted, if your papers say so"),
    Column("released_by", text_of(120), "who released it then; a name as your papers have it"),
)
_QUANTITY = Column("quantity", amount_of, "how much, as 2.5 or 2.5 kg", needed=True)
_UNIT = Column(
    "unit", unit_of, "kg, g, mg, lb, oz, t, pieces, dozen or a UN/ECE code; or write it beside the amount"
)

TABLES: dict[str, tuple[Column, ...]] = {
    "materials": (
        Column("code", _CODE_OF_REFERENCE, "your short code for it; the same row is known by it", needed=True),
        Column("name", text_of(120), "as you call it", needed=True),
        Column("kind", _one_of(*KINDS), f"one of {', '.join(KINDS)}", needed=True),
        Column("short_name", _short_name, "1 to 6 of A-Z and 0-9, begins lot codes; the code, if left out"),
        Column("kept_by", _one_of(*DIMENSIONS), "mass or count; mass, if left out"),
        Column("piece_mass", amount_of, "what a piece weighs, with its unit, where it is counted"),
        Column("shelf_life_days", _days, "how long it keeps from the day it is made"),
        Column("gtin", checked(check_gtin), "its GTIN, if it has one"),
    ),
    "partners": (
        Column("code", _CODE_OF_REFERENCE, "your short code for them", needed=True),
        Column("name", text_of(120), "their name", needed=True),
        Column("supplier", _yes_or_no, "yes or no: you buy from them"),
        Column("customer", _yes_or_no, "yes or no: you sell to them"),
        Column("carrier", _yes_or_no, "yes or no: they carry for you"),
        Column("laboratory", _yes_or_no, "yes or no: they test for you"),
        Column("address", _lines(1000), "postal address"),
        Column("contact", _lines(500), "whom to ring in a recall; private, left out of what leaves the house"),
        Column("gln", checked(check_gln), "their GLN, if they have one"),
    ),
    "places": (
        Column("code", _CODE_OF_REFERENCE, "your short code for the place", needed=True),
        Column("name", text_of(120), "as you call it: a shelf, cold room, bin or tank", needed=True),
        Column("refilled", _yes_or_no, "yes if it is topped up before it is empty, so that lots mix in it"),
        Column("for_held", _yes_or_no, "yes if it is kept apart for what is held"),
    ),
    "lots": (
        Column("code", _code(20), "your code of the lot, as it is on the tub or shelf", needed=True),
        Column("material", _CODE_OF_REFERENCE, "code of the material", needed=True),
        Column("supplier", _CODE_OF_REFERENCE, "code of whoever it came from", needed=True),
        Column("received_on", _when, "when it came", needed=True),
        Column("supplier_code", text_of(60), "the supplier's own code of the lot"),
        Column("quantity", amount_of, "how much came; if you no longer know, leave it out and give on_hand"),
        _UNIT,
        Column("on_hand", amount_of, "how much is left, as counted"),
        Column("counted_on", _when, "when that was counted; today, if left out"),
        Column("best_before", day_of_row, "its date, if it has one"),
        Column("place", _CODE_OF_REFERENCE, "code of the storage place where it lies; it counts as there since it came"),
        Column("document", text_of(80), "delivery note or invoice it came with"),
        *_RELEASED,
        _NOTE,
    ),
    "batches": (
        Column("batch", _code(30), "code of the batch; a row for each lot that it used or made", needed=True),
        Column("began", _when, "when it began; once for each batch is enough"),
        Column("ended", _when, "when it ended; when it began, if left out"),
        Column("planned", amount_of, "how much was to be made; what was made, if left out"),
        Column("what", _one_of("used", "made"), "used or made", needed=True),
        Column("lot", _code(20), "code of the lot", needed=True),
        Column("material", _CODE_OF_REFERENCE, "code of the material; for a lot that was made"),
        _QUANTITY,
        _UNIT,
        Column("rework", _yes_or_no, "yes for a made lot that was put aside to be worked in again"),
        Column("best_before", day_of_row, "of a made lot; by its shelf life, if left out"),
        *_RELEASED,
        _NOTE,
    ),
    "shipments": (
        Column("shipped_on", _when, "when it left", needed=True),
        Column("customer", _CODE_OF_REFERENCE, "code of whoever got it", needed=True),
        Column("lot", _code(20), "code of the lot", needed=True),
        _QUANTITY,
        _UNIT,
        Column("document", text_of(80), "delivery note; tells two deliveries of one day apart"),
        Column("carrier", _CODE_OF_REFERENCE, "code of who carried it, if not you or they"),
        _NOTE,
    ),
}  # fmt: skip
OF_THE_BATCH = ("began", "ended", "planned")
"""Columns of ``batches`` that speak of the batch, not of the lot in the row."""


def columns_of(table: str) -> Columns:
    names = [column.name for column in TABLES[table]]
    return Columns(names, [column.name for column in TABLES[table] if column.needed])


def told(table: str) -> Iterable[str]:
    """The columns of a table in words, one a line."""
    for column in TABLES[table]:
        yield f"{column.name:16} {'needed ' if column.needed else '       '} {column.what}"
