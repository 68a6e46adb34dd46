"""Fields of a GS1 barcode (application identifier and value): read with the place of what is wrong. Pure.

Which identifiers there are, how long and of which characters, and what their dates mean is asked of biip. Its silence
about wrong check digits is not taken over. Places are characters of the text as it was scanned, from 1.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from biip import ParseError
from biip.gs1_application_identifiers import GS1ApplicationIdentifier
from biip.gs1_element_strings import GS1ElementString

from config.api.refusals import Unusable
from ledger.gs1_keys import WrongCheckDigit, check_digit

LOT = "10"
SEPARATOR = "\x1d"
"""What a reader sends for FNC1 (GS1 Syntax Dictionary, read)."""
REAL_DAY = frozenset({"4326", "7003", "7006", "8008"})
"""Where day 00 is not allowed (GS1 Syntax Dictionary, read); elsewhere it is the last day of the month."""
DATES = frozenset({"11", "12", "13", "15", "16", "17", *REAL_DAY})
DIGIT_FIELD = re.compile(r"N\d\+N(\d+)")
CHARACTER_82 = re.compile(r"[!\"%-?A-Z_a-z]")
"""Character set 82 of the GS1 General Specifications (GS1 Syntax Dictionary, read)."""


@dataclass(frozen=True)
class Element:
    """One field as it was read. ``day`` and ``number`` where its identifier says that it is one."""

    ai: str
    title: str
    value: str
    day: date | None = None
    number: Decimal | None = None


def read(text: str, start: int = 0) -> tuple[Element, ...]:
    """The fields of ``text`` from ``start`` on, as a reader sends them. Raises Unusable."""
    found: dict[str, Element] = {}
    at = start + 1 if text[start : start + 1] == SEPARATOR else start
    while at < len(text):
        identifier = _identifier(text, at)
        begins = at + len(identifier.ai)
        stop = text.find(SEPARATOR, begins)
        stop = len(text) if stop < 0 else stop
        ends = stop if identifier.separator_required else min(stop, begins + _length(identifier))
        add(found, element(identifier, text[begins:ends], begins), at)
        at = ends + 1 if text[ends : ends + 1] == SEPARATOR else ends
    return _some(found)


HEAD = re.compile(r"\(([0-9]{2,4})\)")


def read_bracketed(text: str, start: int = 0) -> tuple[Element, ...]:
    """The line under a barcode, with its identifiers in brackets, as somebody typed it. Raises Unusable."""
    found: dict[str, Element] = {}
    heads = list(HEAD.finditer(text, start))
    for head, after in zip(heads, [*(each.start() for each in heads[1:]), len(text)], strict=True):
        identifier = _identifier(f"{head[1]} ", 0, told_at=head.start() + 1)
        value = text[head.end() : after].strip()
        begins = text.find(value, head.end())
        add(found, element(identifier, value, begins), head.start() + 1)
    return _some(found)


def known(ai: str) -> GS1ApplicationIdentifier | None:
    """The identifier, if there is exactly this one."""
    try:
        found = GS1ApplicationIdentifier.extract(ai)
    except ParseError:
        return None
    return found if found.ai == ai else None


def element(identifier: GS1ApplicationIdentifier, value: str, begins: int) -> Element:
    """One field, looked at from all sides; ``begins``: how many characters stand before its value. Raises Unusable."""
    _refuse_characters(identifier, value, begins)
    if not re.fullmatch(identifier.pattern, identifier.ai + value):
        _refuse_shape(identifier, value, begins)
    _refuse_day_nought(identifier, value, begins)
    try:
        read = GS1ElementString.parse(identifier.ai + value)
    except ParseError:
        raise _no_day(identifier, value, begins) from None
    _refuse_check_digit(read, value, begins)
    return Element(identifier.ai, _title(identifier), value, read.date, read.decimal)


def _identifier(text: str, at: int, told_at: int | None = None) -> GS1ApplicationIdentifier:
    try:
        return GS1ApplicationIdentifier.extract(text[at:])
    except ParseError:
        shown = ascii(text[at : at + 4].strip())
        where = (at if told_at is None else told_at) + 1
        raise Unusable(
            f"Character {where}: no GS1 application identifier begins {shown}. Scan it again, or type the line "
            "under the barcode with its brackets.",
            code="unknown-identifier",
            field="text",
        ) from None


def _length(identifier: GS1ApplicationIdentifier) -> int:
    """Digits of a field that needs no separator: those are all of one length."""
    told = DIGIT_FIELD.fullmatch(identifier.format)
    if told is None:
        raise ValueError(f"{identifier.ai} is of no fixed length: {identifier.format}")
    return int(told[1])


def add(found: dict[str, Element], new: Element, at: int) -> None:
    """Take a field up; the same twice is one. Raises Unusable where it says two things."""
    if new.ai in found and found[new.ai].value != new.value:
        raise Unusable(
            f"Character {at + 1}: {_named(new.ai, new.title)} stands twice, as {found[new.ai].value} and as "
            f"{new.value}.",
            code="said-twice",
            field="text",
        )
    found[new.ai] = new


def _some(found: dict[str, Element]) -> tuple[Element, ...]:
    if not found:
        raise Unusable("Nothing stands in the barcode.", code="empty", field="text")
    return tuple(found.values())


def _refuse_characters(identifier: GS1ApplicationIdentifier, value: str, begins: int) -> None:
    digits_only = (
        "X" not in identifier.format and "Y" not in identifier.format and "Z" not in identifier.format
    )
    allowed = re.compile("[0-9-]") if digits_only else CHARACTER_82
    for at, letter in enumerate(value):
        if not allowed.match(letter) and "Z" not in identifier.format:
            what = "digits" if digits_only else "letters, digits and some signs, no space"
            raise Unusable(
                f"{_named(identifier.ai, _title(identifier))}, character {begins + at + 1}: {letter!a} cannot "
                f"stand there, only {what}.",
                code="bad-character",
                field="text",
            )


def _refuse_shape(identifier: GS1ApplicationIdentifier, value: str, begins: int) -> None:
    if identifier.ai in DATES and len(value) >= 6 and value.isdigit():
        raise _no_day(identifier, value, begins)
    shape = identifier.format.split("+", 1)[1]
    raise Unusable(
        f"{_named(identifier.ai, _title(identifier))}, {_span(begins, value)}: {value!a} has {len(value)} "
        f"characters or another form than {shape} (N digits, X letters and digits, .. at most).",
        code="wrong-length",
        field="text",
    )


def _refuse_day_nought(identifier: GS1ApplicationIdentifier, value: str, begins: int) -> None:
    if identifier.ai in REAL_DAY and value[4:6] == "00":
        raise _no_day(identifier, value, begins)


def _no_day(identifier: GS1ApplicationIdentifier, value: str, begins: int) -> Unusable:
    return Unusable(
        f"{_named(identifier.ai, _title(identifier))}, {_span(begins, value)}: {value} is no day of the calendar "
        "(two digits each of year, month, day).",
        code="impossible-date",
        field="text",
    )


def _refuse_check_digit(read: GS1ElementString, value: str, begins: int) -> None:
    if not (read.gtin_error or read.sscc_error or read.gln_error):
        return
    name = _named(read.ai.ai, _title(read.ai))
    expected = check_digit(value[:-1])
    if int(value[-1]) == expected:
        raise Unusable(
            f"{name}, {_span(begins, value)}: {value} is no such number.", code="not-a-key", field="text"
        )
    raise WrongCheckDigit(
        f"{name}, character {begins + len(value)}: the last digit is {value[-1]}, but the others ask for "
        f"{expected}. Scan it again; if it stays, the label is wrong.",
        field="text",
    )


def _title(identifier: GS1ApplicationIdentifier) -> str:
    return identifier.data_title or identifier.description


def _named(ai: str, title: str) -> str:
    return f"({ai}) {title}"


def _span(begins: int, value: str) -> str:
    return f"characters {begins + 1} to {begins + len(value)}" if value else f"after character {begins}"


# -- writing ---------------------------------------------------------------------------------------------


def write(fields: Iterable[tuple[str, str]]) -> tuple[Element, ...]:
    """Fields for a label, those of fixed length first and the lot last, looked at like scanned ones. Raises Unusable."""
    found = []
    for ai, value in fields:
        identifier = known(ai)
        if identifier is None:
            raise ValueError(f"no application identifier {ai}")
        found.append((identifier.separator_required, element(identifier, value, 0)))
    return tuple(each for _, each in sorted(found, key=lambda pair: (pair[0], pair[1].ai == LOT, pair[1].ai)))


def bracketed(elements: Iterable[Element]) -> str:
    """The line under the barcode, for people."""
    return " ".join(f"({each.ai}){each.value}" for each in elements)


def needs_separator(each: Element) -> bool:
    identifier = known(each.ai)
    return identifier is not None and identifier.separator_required


def plain(elements: Iterable[Element]) -> str:
    """The text that a reader sends, without FNC1 at its beginning."""
    said = list(elements)
    parts = [
        each.ai + each.value + (SEPARATOR if needs_separator(each) and each is not said[-1] else "")
        for each in said
    ]
    return "".join(parts)
