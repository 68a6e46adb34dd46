"""What a text from a scanner or a keyboard is: fields, an address, a number, a code. Pure.

A symbology identifier in front (ISO/IEC 15424) says what the barcode was; many scanners leave it out. Then a text may
be read in more than one way, and every way is tried: which of them means something here, the records say.
"""

import re
from dataclasses import dataclass

from batches.scanning import elements, links
from batches.scanning.elements import SEPARATOR, Element
from batches.texts import CONTROL
from config.api.refusals import Unusable
from ledger.gs1_keys import GTIN_LENGTHS, check_digit, check_gtin

LONGEST = 4296
"""Letters and digits in the largest QR code (ISO/IEC 18004, from memory)."""
FIELDS = {
    "]C1": "GS1-128",
    "]d2": "GS1 DataMatrix",
    "]Q3": "GS1 QR code",
    "]e0": "GS1 DataBar",
    "]J1": "GS1 DotCode",
}
"""Barcodes that hold GS1 fields (GS1 Barcode Engine, read; DotCode by the parser library)."""
NUMBERS = {"]E0": ("EAN-13 or UPC", 13), "]E4": ("EAN-8", 8), "]I1": ("ITF-14", 14)}
"""Barcodes that hold one product number, of so many digits."""
PLAIN = {
    "]C0": "Code 128",
    "]d0": "Data Matrix",
    "]d1": "Data Matrix",
    "]Q0": "QR code",
    "]Q1": "QR code",
    "]Q2": "QR code",
    "]A0": "Code 39",
    "]z0": "Aztec code",
}
"""Barcodes that hold any text (]d1 and ]Q1 by the GS1 Barcode Engine, read; the others from memory)."""
SYMBOLOGY = re.compile(r"\][A-Za-z][0-9A-Za-z]")
ADDRESS = re.compile(r"https?://", re.IGNORECASE)
BRACKETED = re.compile(r"\([0-9]{2,4}\)")
LOOKS_LIKE_FIELDS = re.compile(r"(?:00[0-9]{18}|0[12][0-9]{14})")
"""A text without identifier in front that begins like fields: SSCC, product, content."""


@dataclass(frozen=True)
class Scanned:
    """What a text may say. ``code`` is it as a whole, without what the scanner put round it.

    ``gtin``: the product number it is or holds, 14 digits. ``refused``: why it cannot be fields, though it begins so;
    it counts where nothing here bears the whole text as its code.
    """

    code: str
    symbology: str = ""
    elements: tuple[Element, ...] = ()
    address: str = ""
    gtin: str = ""
    refused: Unusable | None = None

    def value(self, *identifiers: str) -> str:
        """Of the first of these fields that there is, or empty."""
        said = {each.ai: each.value for each in self.elements}
        return next((said[ai] for ai in identifiers if ai in said), "")


def read(text: str) -> Scanned:
    """What ``text`` may say. Raises Unusable with the place of what is wrong."""
    start, end = 0, len(text.rstrip(" \t\r\n"))
    while start < end and text[start] in " \t\r\n":
        start += 1
    if start >= end:
        raise Unusable("Nothing was scanned.", code="empty", field="text")
    if end - start > LONGEST:
        raise Unusable(f"No barcode holds more than {LONGEST} characters.", code="too-long", field="text")
    text = text[:end]
    _refuse_control(text, start)
    mark = SYMBOLOGY.match(text, start)
    if mark is None:
        _refuse_broken_mark(text, start)
        return _unmarked(text, start)
    return _marked(mark[0], text, start + 3)


def _refuse_control(text: str, start: int) -> None:
    for found in CONTROL.finditer(text, start):
        if found[0] != SEPARATOR:
            raise Unusable(
                f"Character {found.start() + 1}: U+{ord(found[0]):04X} is no character of a barcode that is read here. "
                "Scan it again, or type what stands under it.",
                code="bad-character",
                field="text",
            )


def _refuse_broken_mark(text: str, start: int) -> None:
    if text[start] == "]":
        raise Unusable(
            f"Character {start + 1}: ] begins the mark of a kind of barcode, a letter and a digit follow it.",
            code="unknown-symbology",
            field="text",
        )


def _marked(mark: str, text: str, start: int) -> Scanned:
    content = text[start:]
    if not content:
        raise Unusable(f"Nothing stands after {mark}.", code="empty", field="text")
    if mark in NUMBERS:
        name, length = NUMBERS[mark]
        return Scanned(code=content, symbology=name, gtin=_number(name, length, content, start))
    name = FIELDS.get(mark, "") or PLAIN.get(mark, "")
    if not name:
        raise Unusable(
            f"Character {start - 2}: {mark} is no kind of barcode that is read here; read are "
            f"{', '.join([*FIELDS, *NUMBERS, *PLAIN])}.",
            code="unknown-symbology",
            field="text",
        )
    if ADDRESS.match(content):
        return _address(text, start, name)
    if mark in FIELDS:
        return _of_fields(elements.read(text, start), content, name)
    return _plain(content, name)


def _number(name: str, length: int, content: str, start: int) -> str:
    if len(content) != length or not (content.isascii() and content.isdigit()):
        raise Unusable(
            f"{name}, from character {start + 1} on: it holds {length} digits, not {content[:30]!a}.",
            code="wrong-length",
            field="text",
        )
    return check_gtin(content, field="text")


def _address(text: str, start: int, symbology: str) -> Scanned:
    found = links.read(text[start:], start) or ()
    read = _of_fields(found, text[start:], symbology)
    return Scanned(code=read.code, symbology=symbology, elements=found, address=text[start:], gtin=read.gtin)


def _of_fields(found: tuple[Element, ...], content: str, symbology: str) -> Scanned:
    said = {each.ai: each.value for each in found}
    return Scanned(code=content, symbology=symbology, elements=found, gtin=said.get("01", said.get("02", "")))


def _unmarked(text: str, start: int) -> Scanned:
    content = text[start:]
    if ADDRESS.match(content):
        return _address(text, start, "")
    if BRACKETED.match(content):
        return _of_fields(elements.read_bracketed(text, start), content, "")
    if SEPARATOR in content:
        return _of_fields(elements.read(text, start), content, "")
    if not LOOKS_LIKE_FIELDS.match(content):
        return _plain(content, "")
    try:
        return _of_fields(elements.read(text, start), content, "")
    except Unusable as refused:
        return Scanned(code=content, refused=refused)


def _plain(content: str, symbology: str) -> Scanned:
    """Any text: a code, or a product number if it is one by its length and check digit."""
    is_number = content.isascii() and content.isdigit() and len(content) in GTIN_LENGTHS
    if is_number and int(content[-1]) == check_digit(content[:-1]):
        return Scanned(code=content, symbology=symbology, gtin=content.zfill(14))
    return Scanned(code=content, symbology=symbology)
