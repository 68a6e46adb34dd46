"""A recipe's draft as one document: its shape, and everything that is wrong with it at once. No database.

{"batch_size": {"quantity": "12", "unit": "KGM"},
 "lines": [{"position": "1", "material": "HZN", "quantity": "4.2", "unit": "KGM", "tolerance_permille": "10"}],
 "steps": [{"code": "COOK", "name": "Caramelise", "equipment_kind": "kettle"}],
 "notes": ""}

Numbers are text. Materials are named by their code.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from batches import quantities
from config.api.refusals import Reason, Unusable

MOST_LINES = 200
WIDEST_TOLERANCE = 1000  # per mille of the target


@dataclass(frozen=True)
class Line:
    """One input. ``amount``: base steps for the recipe's own batch size."""

    position: int
    material: str
    amount: quantities.Quantity
    tolerance_permille: int


@dataclass(frozen=True)
class Step:
    code: str
    name: str
    equipment_kind: str


@dataclass(frozen=True)
class RecipeDocument:
    batch_size: quantities.Quantity
    lines: tuple[Line, ...]
    steps: tuple[Step, ...]
    notes: str


def read(document: Any) -> RecipeDocument | list[Reason]:
    """The document as values, or every reason why it cannot be read."""
    reasons: list[Reason] = []
    if not isinstance(document, dict):
        return [Reason("shape", "A recipe is one object.", "document")]
    unknown = sorted(set(document) - {"batch_size", "lines", "steps", "notes"})
    reasons += (Reason("unknown-name", f"A recipe has no {name!r}.", name) for name in unknown)
    batch_size = _amount(document.get("batch_size"), "batch_size", reasons)
    lines = tuple(_lines(document.get("lines"), reasons))
    steps = tuple(_steps(document.get("steps", []), reasons))
    notes = document.get("notes", "")
    if not isinstance(notes, str) or len(notes) > 10_000:
        reasons.append(Reason("shape", "Notes are text of at most 10,000 characters.", "notes"))
    if reasons or batch_size is None:
        return reasons
    return RecipeDocument(batch_size, lines, steps, notes)


def _amount(said: Any, field: str, reasons: list[Reason]) -> quantities.Quantity | None:
    if not isinstance(said, dict):
        reasons.append(Reason("missing", "Give a quantity and a unit.", field))
        return None
    try:
        return quantities.parse(
            said.get("quantity"), said.get("unit"), positive=True, field=f"{field}.quantity"
        )
    except Unusable as refusal:
        inside = refusal.reasons[0].field
        where = inside if inside.startswith(field) else f"{field}.{inside}"
        reasons.append(Reason(refusal.code, refusal.detail, where))
        return None


def _lines(said: Any, reasons: list[Reason]) -> Iterator[Line]:
    if not isinstance(said, list) or not 1 <= len(said) <= MOST_LINES:
        reasons.append(Reason("missing", f"A recipe has 1 to {MOST_LINES} lines.", "lines"))
        return
    positions: set[int] = set()
    for index, line in enumerate(said):
        field = f"lines.{index}"
        if not isinstance(line, dict):
            reasons.append(Reason("shape", "A line is one object.", field))
            continue
        position = _whole(line.get("position", str(index + 1)), 1, 999, f"{field}.position", reasons)
        tolerance = _whole(
            line.get("tolerance_permille"), 0, WIDEST_TOLERANCE, f"{field}.tolerance_permille", reasons
        )
        amount = _amount(line, field, reasons)
        material = line.get("material")
        if not isinstance(material, str) or not material:
            reasons.append(Reason("missing", "Name the material by its code.", f"{field}.material"))
        if position in positions:
            reasons.append(Reason("doubled", f"Position {position} stands twice.", f"{field}.position"))
        if (
            position is not None
            and tolerance is not None
            and amount is not None
            and isinstance(material, str)
        ):
            positions.add(position)
            yield Line(position, material, amount, tolerance)


def _steps(said: Any, reasons: list[Reason]) -> Iterator[Step]:
    if not isinstance(said, list) or len(said) > MOST_LINES:
        reasons.append(Reason("shape", "Steps are a list.", "steps"))
        return
    for index, step in enumerate(said):
        texts = (
            [step.get(name, "") for name in ("code", "name", "equipment_kind")]
            if isinstance(step, dict)
            else []
        )
        if (
            len(texts) != 3
            or not all(isinstance(text, str) and len(text) <= 120 for text in texts)
            or not texts[0]
        ):
            reasons.append(
                Reason("shape", "A step has a code, a name and the kind of equipment.", f"steps.{index}")
            )
        else:
            yield Step(*texts)


def _whole(said: Any, least: int, most: int, field: str, reasons: list[Reason]) -> int | None:
    text = said if isinstance(said, str) else ""
    if text.isascii() and text.isdigit() and len(text) <= 6 and least <= int(text) <= most:
        return int(text)
    reasons.append(
        Reason("not-a-whole-number", f"Give a whole number from {least} to {most} as text.", field)
    )
    return None
