"""What a bought compound ingredient is made of, as its supplier lists it: one document, pure.

{"parts": [{"name": "sugar"},
           {"name": "whole milk powder", "allergens": ["milk"]},
           {"name": "praline", "parts": [{"name": "hazelnuts", "allergens": ["hazelnut"]}, {"name": "sugar"}]}]}

In the supplier's order, which is by weight. The allergens are for emphasis in the list; what a lot contains follows from
statements of allergens.
"""

from collections.abc import Iterator
from typing import Any

from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable
from haccp.labels.documents import DEEPEST, LONGEST_CODE, LONGEST_TEXT, MOST_CODES, MOST_INGREDIENTS
from haccp.labels.ingredient_list import Line

_DOCUMENT = {"parts"}
_PART = {"name", "allergens", "parts"}


def read(document: Any) -> tuple[Line, ...]:
    """The parts in order, without masses. Raises Unusable with every reason, each below the field ``document``."""
    reasons: list[Reason] = []
    said = document if isinstance(document, dict) else {}
    reasons += _unknown(said, _DOCUMENT, "document")
    parts = tuple(_parts(said.get("parts"), "document.parts", 1, reasons))
    if reasons:
        raise Unusable(
            "The parts cannot be kept so. Nothing was written.", code="stated-parts", reasons=reasons
        )
    return parts


def allergens(parts: tuple[Line, ...]) -> Iterator[str]:
    """Every code that is named, so that a vocabulary can be asked."""
    for part in parts:
        yield from part.allergens or {}
        yield from allergens(part.parts)


def _unknown(said: dict[str, Any], known: set[str], field: str) -> Iterator[Reason]:
    for name in sorted(set(said) - known, key=str):
        sentence = f"{str(name)[:40]!a} is not known here; known: {', '.join(sorted(known))}."
        yield Reason("unknown-field", sentence, f"{field}.{name}"[:200])


def _parts(said: Any, field: str, depth: int, reasons: list[Reason]) -> Iterator[Line]:
    if not isinstance(said, list) or not 1 <= len(said) <= MOST_INGREDIENTS or depth > DEEPEST:
        sentence = f"This is a list of 1 to {MOST_INGREDIENTS} parts, at most {DEEPEST} deep."
        reasons.append(Reason("shape", sentence, field))
        return
    for index, each in enumerate(said):
        place = f"{field}.{index}"
        if isinstance(each, dict):
            yield _part(each, place, depth, reasons)
        else:
            reasons.append(Reason("shape", "A part is one object.", place))


def _part(said: dict[str, Any], field: str, depth: int, reasons: list[Reason]) -> Line:
    reasons += _unknown(said, _PART, field)
    name, codes = said.get("name"), said.get("allergens", [])
    if not is_one_line(name, LONGEST_TEXT):
        reasons.append(
            Reason("missing", f"Give one line of 1 to {LONGEST_TEXT} characters.", f"{field}.name")
        )
    if not isinstance(codes, list) or len(codes) > MOST_CODES:
        reasons.append(
            Reason("shape", f"This is a list of at most {MOST_CODES} codes.", f"{field}.allergens")
        )
        codes = []
    for index, code in enumerate(codes):
        if not is_one_line(code, LONGEST_CODE):
            reasons.append(Reason("missing", "Name the allergen by its code.", f"{field}.allergens.{index}"))
    parts = tuple(_parts(said["parts"], f"{field}.parts", depth + 1, reasons)) if "parts" in said else ()
    named = {code: code for code in codes if isinstance(code, str)}
    return Line(field, str(name), None, named, parts)
