"""Texts in CSV that no spreadsheet takes for a formula. Pure, no Django."""

import re

NUMBER = re.compile(r"-?[0-9]+([.,][0-9]+)?")
STARTS_A_FORMULA = re.compile(r"[\s'\x00-\x1f]*[=+\-@＝＋－＠]|[\t\r\n]")
"""What makes a spreadsheet take a cell for a formula: = + - @, tab and line ends (list of the OWASP page on CSV injection,
from memory), the same in full width, also behind spaces or the mark itself."""
MARK = "'"
MAY_START_ONE = frozenset("=+-@＝＋－＠'") | {
    chr(code) for code in range(0x3001) if code < 0x20 or chr(code).isspace()
}
"""The first characters of all such texts, for a quick look."""


def defused(text: str) -> str:
    """The text with a mark before it if a spreadsheet could take it for a formula."""
    return MARK + text if STARTS_A_FORMULA.match(text) else text


def harmless(cell: str) -> str:
    """``defused``, but a plain number stays one, also below zero."""
    return cell if NUMBER.fullmatch(cell) else defused(cell)
