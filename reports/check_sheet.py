"""A sheet of blank lines for a day without power: what is read, what must hold, what to do when it does not, big boxes."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, ClassVar
from uuid import UUID
from xml.etree import ElementTree

from django.utils.translation import gettext_lazy

from config.api.refusals import Unknown
from haccp import limits, plans, rules
from haccp.bounds import InForce, in_force_from_json
from haccp.limit_kinds import CoolingLimit, CountLimit, LethalityLimit, ObservationLimit, TimeLimit
from haccp.models import CheckSheet, ControlPoint
from haccp.plan_documents import ControlPointSpec
from ledger.acts import Moment
from ledger.models import Establishment
from reports import limit_words, plan_words
from reports.code_drawing import Carrier, Code, path, square
from reports.documents import Document

TITLE = gettext_lazy("check sheet")
CODE_SIZE = 24.0  # mm (by eye)
MOST_IN_A_ROW = 3
"""Readings side by side in one line; a point that asks for more has them below each other (by eye)."""


@dataclass(frozen=True)
class Asked:
    """One reading of a line. ``boxes``: what is written or ticked: "value", "outcome", "counted" or "course"."""

    quantity: str
    unit: str
    must: str
    set_by: tuple[str, ...]
    boxes: str
    outcomes: tuple[str, ...]
    held_against: str
    besides: tuple[str, ...]


@dataclass(frozen=True)
class Block:
    """The lines of one control point."""

    code: str
    name: str
    critical: bool
    plan: str
    version: int
    lines: tuple[int, ...]
    asked: tuple[Asked, ...]
    instrument: str
    how: tuple[tuple[str, str], ...]
    how_often: str
    correction: str

    for_batch: bool

    @property
    def columns(self) -> int:
        """How many columns its table has: line, time, reading, result, initials, and what is asked besides."""
        return 5 + (not self.for_batch) + bool(self.instrument)

    @property
    def rows(self) -> tuple[tuple[Asked, ...], ...]:
        """What one line asks, a few readings beside each other."""
        starts = range(0, len(self.asked), MOST_IN_A_ROW)
        return tuple(self.asked[at : at + MOST_IN_A_ROW] for at in starts)


@dataclass(frozen=True, kw_only=True)
class CheckSheetPaper(Document):
    """``code`` stands on every page with its QR code (``picture``)."""

    kind: ClassVar[str] = "check-sheet"
    tells_rules: ClassVar[bool] = False
    template: ClassVar[str] = "reports/check_sheet.html"
    hangs: ClassVar[bool] = True
    landscape: ClassVar[bool] = True

    code: str
    picture: str
    day: date
    batch: str
    issued_by: str
    issued_at: datetime
    blocks: tuple[Block, ...]
    record_ids: tuple[UUID, ...]


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a sheet of another establishment."""
    if not CheckSheet.objects.filter(establishment=establishment, pk=subject).exists():
        raise Unknown(f"There is no check sheet {subject} here.", field="subject")


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> CheckSheetPaper:
    """The sheet as its record keeps it, so that a further print is the same sheet; call it within one snapshot."""
    sheet = CheckSheet.objects.select_related("performed_by", "batch").get(establishment=here, pk=subject)
    points = _points(sheet)
    bounds = [in_force_from_json(kept) for block in sheet.blocks for kept in block["limits"]]
    quantities = {part.quantity for each in bounds for part in _bounded(each)}
    names = {source for each in bounds for source in each.rules}
    return CheckSheetPaper(
        code=sheet.code,
        picture=code_picture(sheet.code),
        day=sheet.day,
        batch="" if sheet.batch is None else sheet.batch.code,
        issued_by=sheet.performed_by.name,
        issued_at=Moment(sheet.performed_at, sheet.performed_offset).local,
        blocks=tuple(
            _block(points[block["control_point"]], block, for_batch=sheet.batch is not None)
            for block in sheet.blocks
        ),
        confirmed_rules=tuple(sorted(map(limit_words.citation, names))),
        unconfirmed_rules=tuple(map(limit_words.of_rule, rules.awaiting(here, sheet.day, quantities, ()))),
        record_ids=(sheet.pk,),
        **head,
    )


def _bounded(bounds: InForce) -> Iterator[Any]:
    limit: Any = bounds.limit
    return limits.bounded_parts(limit)


def _points(sheet: CheckSheet) -> Mapping[str, ControlPoint]:
    keys = [block["control_point"] for block in sheet.blocks]
    found = ControlPoint.objects.filter(pk__in=keys).select_related("version__plan")
    return {str(each.pk): each for each in found}


def _block(point: ControlPoint, kept: Mapping[str, Any], *, for_batch: bool) -> Block:
    spec = plans.spec(point)
    monitoring = spec.document.get("monitoring", {})
    return Block(
        code=point.code,
        name=point.name,
        critical=point.kind == "ccp",
        plan=point.version.plan.code,
        version=point.version.number,
        lines=tuple(range(int(kept["first"]), int(kept["last"]) + 1)),
        asked=tuple(_asked(spec, in_force_from_json(each)) for each in kept["limits"]),
        instrument=spec.instrument,
        how=plan_words.said({name: plan_words.MONITORING[name] for name in ("what", "how")}, monitoring),
        how_often=plan_words.how_often(monitoring.get("when", {})),
        correction=spec.document.get("correction", ""),
        for_batch=for_batch,
    )


def _asked(spec: ControlPointSpec, bounds: InForce) -> Asked:
    limit: Any = bounds.limit
    over_time = isinstance(limit, TimeLimit | LethalityLimit | CoolingLimit)
    return Asked(
        quantity=limit.quantity,
        unit=limit_words.symbol(limit.temperature_unit if over_time else getattr(limit, "unit", "")),
        must=limit_words.must(bounds),
        set_by=limit_words.set_by(bounds),
        boxes=_boxes(limit, over_time=over_time),
        outcomes=limit.outcomes if isinstance(limit, ObservationLimit) else (),
        held_against=getattr(limit, "reference", ""),
        besides=tuple(str(plan_words.ASKS[each]) for each in getattr(limit, "asks", ())),
    )


def _boxes(limit: object, *, over_time: bool) -> str:
    if isinstance(limit, ObservationLimit):
        return "outcome"
    if isinstance(limit, CountLimit):
        return "counted"
    return "course" if over_time else "value"


def code_picture(code: str) -> str:
    """The code as a QR code, in millimetres."""
    size = f"{CODE_SIZE:g}"
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "role": "img",
            "width": f"{size}mm",
            "height": f"{size}mm",
            "viewBox": f"0 0 {size} {size}",
        },
    )
    ElementTree.SubElement(root, "title").text = code
    root.append(path(square(Code(Carrier.QR, code)), 0, 0, CODE_SIZE, CODE_SIZE))
    return ElementTree.tostring(root, encoding="unicode")
