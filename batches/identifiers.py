"""Our own lot codes: short names, patterns, running numbers. Pure, no Django."""

import re
from datetime import date

from config.api.refusals import Unusable

LONGEST_LOT_CODE = 20  # GS1 General Specifications, application identifier 10: at most 20 characters
DEFAULT_PATTERN = "{short}-{yy}{ddd}-{n}"
PATTERN_FIELDS = ("short", "yy", "mm", "dd", "ddd", "n")

_CODE = re.compile(r"[A-Z0-9-]+")
_PIECE = re.compile(r"\{([^{}]*)\}|([^{}]+)|([{}])")


def is_plain_code(text: str) -> bool:
    """Whether a short name can begin a lot code: 1 to 6 of A-Z and 0-9."""
    return re.fullmatch(r"[A-Z0-9]{1,6}", text) is not None


def validate_pattern(pattern: str) -> list[str]:
    """What is wrong with a lot code pattern, in sentences; empty when nothing is."""
    problems = []
    names = []
    for name, literal, stray in _PIECE.findall(pattern):
        if stray:
            problems.append("A brace is open or closed without its partner.")
        elif literal and not _CODE.fullmatch(literal):
            problems.append(f"Outside the braces only A-Z, 0-9 and '-' may stand, not {literal!a}.")
        elif not literal and name not in PATTERN_FIELDS:
            problems.append(f"{{{ascii(name)[1:-1]}}} is not known; known are {_known_fields()}.")
        elif not literal:
            names.append(name)
    if names.count("n") != 1:
        problems.append("The running number {n} must stand in it once, or two lots could get the same code.")
    if len(names) > len(set(names) | {"n"}) and not problems:
        problems.append("Each field may stand in it once.")
    if not problems and len(_filled(pattern, "A", date(2000, 1, 1), "1")) > LONGEST_LOT_CODE:
        problems.append(f"The code would be longer than {LONGEST_LOT_CODE} characters.")
    return problems


def _known_fields() -> str:
    return ", ".join(f"{{{name}}}" for name in PATTERN_FIELDS)


def _filled(pattern: str, short_name: str, made_on: date, number: str) -> str:
    return pattern.format(
        short=short_name,
        yy=f"{made_on:%y}",
        mm=f"{made_on:%m}",
        dd=f"{made_on:%d}",
        ddd=f"{made_on:%j}",  # 001 to 366
        n=number,
    )


def render_lot_code(
    pattern: str, *, short_name: str, made_on: date, number: int, field: str = "lot_code_pattern"
) -> str:
    """The lot code, e.g. ``PIL-26045-3``: short name, two-digit year, day of year, running number.

    ``made_on`` is the establishment's own date. Raises Unusable where the pattern, short name or
    result is not made of A-Z, 0-9 and '-', or is longer than 20 characters.
    """
    stem, tail = lot_code_stem(pattern, short_name=short_name, made_on=made_on, field=field)
    if number < 1:
        raise Unusable("The running number starts at 1.", field=field)
    code = f"{stem}{number}{tail}"
    if len(code) > LONGEST_LOT_CODE:
        raise Unusable(
            f"{code} has {len(code)} characters; a lot code has at most {LONGEST_LOT_CODE}. "
            "Shorten the short name or the pattern.",
            code="lot-code-too-long",
            field=field,
        )
    return code


def lot_code_stem(
    pattern: str, *, short_name: str, made_on: date, field: str = "lot_code_pattern"
) -> tuple[str, str]:
    """What stands before and after the running number: the number counts on among codes that share both."""
    problems = validate_pattern(pattern)
    if problems:
        raise Unusable(" ".join(problems), code="lot-code-pattern", field=field)
    if not _CODE.fullmatch(short_name):
        raise Unusable(
            "The short name may hold only A-Z, 0-9 and '-'.", code="short-name", field="short_name"
        )
    stem, tail = _filled(pattern, short_name, made_on, "\n").split("\n")
    return stem, tail
