"""A recipe's draft as one document: its shape, and everything that is wrong with it at once. No database.

{"batch_size": {"quantity": "12", "unit": "KGM"},
 "lines": [{"position": "1", "material": "HAZ", "quantity": "4.2", "unit": "KGM", "tolerance_permille": "10"},
           {"position": "2", "material": "SALT", "quantity": "40", "unit": "GRM",
            "tolerance": {"quantity": "1", "unit": "GRM"}}],
 "steps": [{"code": "COOK", "name": "Caramelise", "equipment_kind": "kettle", "minutes": "25"}],
 "cooked_to": {"moisture": "4.5", "moisture_uncertainty": "0.5"},
 "caramelised": true,
 "rework": {"materials": ["TRIM"], "recipes": ["R-HZP"], "most_permille": "100", "most_days": "7",
            "most_generations": "1"},
 "notes": ""}

Numbers are text. ``batch_size`` is how much of the product the lines make. A material is named by its code or
id. A line's tolerance is per mille of its target, or an amount that stays the same in a batch of any size.
``cooked_to`` may be left out: how far the lines are cooked down, as a moisture in % by mass or as a "total" with its
"total_uncertainty", both amounts of mass for the recipe's own batch size. What goes off is taken to be water.
``caramelised`` may be left out: the sugar is caramelised, so more goes off than the water that was weighed in; then
no solids balance says how much, and a total says nothing of the moisture.
``rework`` may be left out, then none is allowed; ``batches.rework_rules`` says what it means.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from batches import quantities
from batches.rework_rules import MOST_DAYS, MOST_GENERATIONS, MOST_SOURCES, WHOLE, Rules
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable

MOST_LINES = 200
MOST_MINUTES = 100_000
LONGEST_NOTES = 10_000
LONGEST_NAME = 120
LONGEST_CODE = 60  # as a process step keeps it
HIGHEST_POSITION = 999
WIDEST_TOLERANCE = 1000  # per mille of the target: from nothing to double

NOT_KNOWN = "not_known"
"""Marks the document that stands for how something was made before these records began; nobody approved it here."""

_DOCUMENT = {"batch_size", "lines", "steps", "cooked_to", "caramelised", "rework", "notes"}
_REWORK = {"materials", "recipes", "most_permille", "most_days", "most_generations"}
_COOKED_TO = {"moisture", "moisture_uncertainty", "total", "total_uncertainty"}
_LINE = {"position", "material", "quantity", "unit", "tolerance_permille", "tolerance"}
_STEP = {"code", "name", "equipment_kind", "minutes"}


@dataclass(frozen=True)
class Tolerance:
    """How far a weighing may lie from its target: per mille of the target, or base steps."""

    permille: int | None = None
    amount: quantities.Quantity | None = None


@dataclass(frozen=True)
class Line:
    """One input. ``amount``: for the recipe's own batch size. ``material``: its code or id as written."""

    position: int
    material: str
    amount: quantities.Quantity
    tolerance: Tolerance


@dataclass(frozen=True)
class Step:
    """One step of the process; ``minutes``: how long it usually takes, if said."""

    code: str
    name: str
    equipment_kind: str
    minutes: int | None = None


@dataclass(frozen=True)
class CookedTo:
    """How far the lines are cooked down, within ``uncertainty``: to a moisture (% by mass), or to a total (mg)."""

    moisture: Decimal | None
    total: Decimal | None
    uncertainty: Decimal


@dataclass(frozen=True)
class RecipeDocument:
    """``cooked_to``: None where the recipe does not say; then nobody knows what goes off. ``rework``: None allows none."""

    batch_size: quantities.Quantity
    lines: tuple[Line, ...]
    steps: tuple[Step, ...]
    notes: str
    cooked_to: CookedTo | None = None
    rework: Rules | None = None
    caramelised: bool = False


def read(document: Any) -> RecipeDocument | list[Reason]:
    """The document as values, or every reason why it cannot be read as a recipe."""
    if not isinstance(document, dict):
        return [Reason("shape", "A recipe is one object.", "document")]
    reasons: list[Reason] = []
    _refuse_unknown(document, _DOCUMENT, "", reasons)
    batch_size = _amount(document.get("batch_size"), "batch_size", reasons)
    lines = tuple(_lines(document.get("lines"), reasons))
    steps = tuple(_steps(document.get("steps", []), reasons))
    cooked_to = _cooked_to(document["cooked_to"], reasons) if "cooked_to" in document else None
    caramelised = document.get("caramelised", False)
    if not isinstance(caramelised, bool):
        reasons.append(Reason("shape", "Whether sugar is caramelised is true or false.", "caramelised"))
    rework = _rework(document["rework"], reasons) if "rework" in document else None
    notes = document.get("notes", "")
    if not isinstance(notes, str) or len(notes) > LONGEST_NOTES:
        reasons.append(Reason("shape", f"Notes are text of at most {LONGEST_NOTES} characters.", "notes"))
    if reasons or batch_size is None:
        return reasons
    return RecipeDocument(batch_size, lines, steps, notes, cooked_to, rework, caramelised)


def nothing_known(document: dict[str, Any]) -> RecipeDocument:
    """A recipe of which nothing is known: no lines, no steps, and a batch size that scales nothing."""
    return RecipeDocument(quantities.parse("1", "MGM"), (), (), str(document["notes"]))


def _refuse_unknown(said: dict[str, Any], known: set[str], field: str, reasons: list[Reason]) -> None:
    for name in sorted(set(said) - known):
        where = f"{field}.{name}".lstrip(".")
        reasons.append(Reason("unknown-name", f"{name!a} is not known here; known: {_listed(known)}.", where))


def _listed(names: set[str]) -> str:
    return ", ".join(sorted(names))


def _amount(said: Any, field: str, reasons: list[Reason], *, positive: bool = True) -> Any:
    """A quantity with its unit, or None and the reason."""
    if not isinstance(said, dict):
        reasons.append(Reason("missing", "Give a quantity and a unit.", field))
        return None
    try:
        return quantities.parse(
            said.get("quantity"),
            said.get("unit"),
            positive=positive,
            field=f"{field}.quantity",
            unit_field=f"{field}.unit",
        )
    except Unusable as refusal:
        reasons += refusal.reasons
        return None


def _lines(said: Any, reasons: list[Reason]) -> Iterator[Line]:
    if not isinstance(said, list) or not 1 <= len(said) <= MOST_LINES:
        reasons.append(Reason("missing", f"A recipe has 1 to {MOST_LINES} lines.", "lines"))
        return
    taken: set[int] = set()
    for index, line in enumerate(said):
        read = _line(line, index, taken, reasons)
        if read is not None:
            yield read


def _line(said: Any, index: int, taken: set[int], reasons: list[Reason]) -> Line | None:
    field = f"lines.{index}"
    if not isinstance(said, dict):
        reasons.append(Reason("shape", "A line is one object.", field))
        return None
    _refuse_unknown(said, _LINE, field, reasons)
    position = _position(said, index, taken, reasons)
    material = said.get("material")
    if not is_one_line(material, LONGEST_CODE):
        reasons.append(Reason("missing", "Name the material by its code or id.", f"{field}.material"))
    amount = _amount(said, field, reasons)
    tolerance = _tolerance(said, field, amount, reasons)
    if position is None or amount is None or tolerance is None or not isinstance(material, str):
        return None
    return Line(position, material, amount, tolerance)


def _position(said: dict[str, Any], index: int, taken: set[int], reasons: list[Reason]) -> int | None:
    """Where the line stands: as said, else in the order of the list."""
    field = f"lines.{index}.position"
    position = _whole(said.get("position", str(index + 1)), 1, HIGHEST_POSITION, field, reasons)
    if position in taken:
        reasons.append(Reason("doubled", f"Position {position} stands twice.", field))
    if position is not None:
        taken.add(position)
    return position


def _tolerance(
    said: dict[str, Any], field: str, amount: quantities.Quantity | None, reasons: list[Reason]
) -> Tolerance | None:
    if ("tolerance_permille" in said) == ("tolerance" in said):
        detail = (
            "Say how far a weighing may lie from its target: tolerance_permille, or a tolerance as amount."
        )
        reasons.append(Reason("missing", detail, f"{field}.tolerance_permille"))
        return None
    if "tolerance_permille" in said:
        permille = _whole(
            said["tolerance_permille"], 0, WIDEST_TOLERANCE, f"{field}.tolerance_permille", reasons
        )
        return None if permille is None else Tolerance(permille=permille)
    found = _amount(said["tolerance"], f"{field}.tolerance", reasons, positive=False)
    if found is None:
        return None
    if amount is not None and found.dimension is not amount.dimension:
        detail = "The tolerance measures something else than the line."
        reasons.append(Reason("other-dimension", detail, f"{field}.tolerance.unit"))
        return None
    return Tolerance(amount=found)


def _steps(said: Any, reasons: list[Reason]) -> Iterator[Step]:
    if not isinstance(said, list) or len(said) > MOST_LINES:
        reasons.append(Reason("shape", f"Steps are a list of at most {MOST_LINES}.", "steps"))
        return
    taken: set[str] = set()
    for index, step in enumerate(said):
        read = _step(step, f"steps.{index}", reasons)
        if read is not None and read.code in taken:
            reasons.append(Reason("doubled", f"Step {read.code} stands twice.", f"steps.{index}.code"))
        elif read is not None:
            taken.add(read.code)
            yield read


def _step(said: Any, field: str, reasons: list[Reason]) -> Step | None:
    if not isinstance(said, dict):
        reasons.append(Reason("shape", "A step is one object.", field))
        return None
    _refuse_unknown(said, _STEP, field, reasons)
    before = len(reasons)
    longest = {"code": LONGEST_CODE, "name": LONGEST_NAME, "equipment_kind": LONGEST_CODE}
    texts = {name: said.get(name, "") for name in longest}
    for name, text in texts.items():
        may_be_empty = name == "equipment_kind" and text == ""
        if not may_be_empty and not is_one_line(text, longest[name]):
            reasons.append(
                Reason("missing", f"Give one line of 1 to {longest[name]} characters.", f"{field}.{name}")
            )
    minutes = None
    if "minutes" in said:
        minutes = _whole(said["minutes"], 0, MOST_MINUTES, f"{field}.minutes", reasons)
    return Step(**texts, minutes=minutes) if len(reasons) == before else None


def _cooked_to(said: Any, reasons: list[Reason]) -> CookedTo | None:
    if not isinstance(said, dict) or ("moisture" in said) == ("total" in said):
        detail = "Say what it is cooked to: a moisture with moisture_uncertainty, or a total with total_uncertainty."
        reasons.append(Reason("missing", detail, "cooked_to"))
        return None
    _refuse_unknown(said, _COOKED_TO, "cooked_to", reasons)
    before = len(reasons)
    read = _cooked_percent if "moisture" in said else _cooked_mass
    name = "moisture" if "moisture" in said else "total"
    value, uncertainty = read(said, name, reasons), read(said, f"{name}_uncertainty", reasons)
    if len(reasons) > before or value is None or uncertainty is None:
        return None
    if name == "moisture":
        if value + uncertainty >= 100:
            detail = f"Something is left besides water, so below 100 %, with its uncertainty; {value} ± {uncertainty}."
            reasons.append(Reason("out-of-range", detail, "cooked_to.moisture"))
        return CookedTo(value, None, uncertainty)
    return CookedTo(None, value, uncertainty)


def _cooked_percent(said: dict[str, Any], name: str, reasons: list[Reason]) -> Decimal | None:
    field = f"cooked_to.{name}"
    try:
        return quantities.parse_number(said.get(name), field=field, signed=False)
    except Unusable as refusal:
        reasons += refusal.reasons
        return None


def _cooked_mass(said: dict[str, Any], name: str, reasons: list[Reason]) -> Decimal | None:
    field = f"cooked_to.{name}"
    found = _amount(said.get(name), field, reasons, positive=name == "total")
    if found is None:
        return None
    if found.dimension is not quantities.Dimension.MASS:
        reasons.append(Reason("other-dimension", "Give a mass.", f"{field}.unit"))
    return Decimal(found.base)


def _rework(said: Any, reasons: list[Reason]) -> Rules | None:
    if not isinstance(said, dict):
        reasons.append(Reason("shape", "Rules for rework are one object.", "rework"))
        return None
    _refuse_unknown(said, _REWORK, "rework", reasons)
    before = len(reasons)
    materials, recipes = (_names(said.get(name, []), f"rework.{name}", reasons) for name in _SOURCES)
    if not materials and not recipes:
        detail = "Name the materials or recipes whose rework may go in: like into like. Without any leave rework out."
        reasons.append(Reason("missing", detail, "rework.materials"))
    most = [_whole(said.get(name), least, top, f"rework.{name}", reasons) for name, least, top in _MOST]
    permille, days, generations = (0 if each is None else each for each in most)
    if len(reasons) > before:
        return None
    return Rules(materials, recipes, permille, days, generations)


_SOURCES = ("materials", "recipes")
_MOST = (("most_permille", 1, WHOLE), ("most_days", 0, MOST_DAYS), ("most_generations", 1, MOST_GENERATIONS))


def _names(said: Any, field: str, reasons: list[Reason]) -> tuple[str, ...]:
    if not isinstance(said, list) or len(said) > MOST_SOURCES:
        reasons.append(Reason("shape", f"Give a list of at most {MOST_SOURCES} codes or ids.", field))
        return ()
    for index, name in enumerate(said):
        if not is_one_line(name, LONGEST_CODE):
            reasons.append(Reason("missing", "Name it by its code or id.", f"{field}.{index}"))
        elif name in said[:index]:
            reasons.append(Reason("doubled", f"{name} stands twice.", f"{field}.{index}"))
    return tuple(name for name in said if isinstance(name, str))


def _whole(said: Any, least: int, most: int, field: str, reasons: list[Reason]) -> int | None:
    text = said if isinstance(said, str) else ""
    if text.isascii() and text.isdigit() and len(text) <= 6 and least <= int(text) <= most:
        return int(text)
    reasons.append(
        Reason("not-a-whole-number", f"Give a whole number from {least} to {most} as text.", field)
    )
    return None
