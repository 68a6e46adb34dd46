"""Sheets of blank lines for a day without power: printed with the limits that bind, keyed in later, or written off."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from secrets import randbelow
from typing import Any
from uuid import UUID

from django.db.models import Count, F, Q, QuerySet

from batches.models import Batch, Material
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp import limits, plans, rules, sheet_codes
from haccp.judging import OtherPlanVersion
from haccp.models import Check, CheckSheet, ControlPoint, PlanVersion, SheetWrittenOff
from haccp.plan_documents import ControlPointSpec
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Attachment, Establishment

MOST_POINTS, MOST_LINES = 60, 40  # of a sheet, and of each of its points (site settings, no source)
USUAL_LINES = 6  # as many as fit a page below its head (by eye)
MOST_GUESSED_AMONG = 1000


@deed
def issue(
    *,
    act: Act,
    day: date,
    control_points: Sequence[ControlPoint] = (),
    batch: Batch | None = None,
    lines: int = USUAL_LINES,
) -> CheckSheet:
    """Keep that a sheet is printed: which lines are for what, and the limits that bind on ``day``.

    Without ``control_points``: all that the plan of the batch asks of its product, or all of the plans in force. Raises
    Unusable where there is nothing to check, OtherPlanVersion for a point the batch is not checked by.
    """
    asked = {"control_points": [str(each.pk) for each in control_points], "lines": str(lines)}
    sheet = CheckSheet.new(act, day=day, batch=batch, asked=asked, number=0, blocks=[], lines=1)
    sheet.answer_if_repeated()
    points = _points(act.establishment, control_points, batch)
    sheet.blocks = list(_blocks(act.establishment, day, points, batch, lines))
    sheet.lines = lines * len(points)
    sheet.number = _free_number(act.establishment)
    sheet.insert()
    return sheet


@deed
def write_off(*, act: Act, sheet: CheckSheet, because: str) -> SheetWrittenOff:
    """Say that a sheet, or what is blank on it, will not be keyed in any more. Raises RuleBroken where that was said."""
    off = SheetWrittenOff.new(act, sheet=sheet, because=because)
    off.answer_if_repeated()
    if SheetWrittenOff.objects.filter(sheet=sheet).exists():
        raise RuleBroken(
            f"Sheet {sheet.code} was written off already. Nothing was written.",
            code="written-off-already",
            field="sheet",
        )
    off.insert()
    return off


# -- what stands on a sheet ------------------------------------------------------------------------------


def _points(
    here: Establishment, named: Sequence[ControlPoint], batch: Batch | None
) -> list[tuple[ControlPoint, ControlPointSpec]]:
    rows = list(named) or _all_points(here, batch)
    found = [(point, plans.spec(point)) for point in dict.fromkeys(rows)]
    if batch is not None:
        if other := [point.code for point, _ in found if point.version_id != batch.plan_version_id]:
            raise OtherPlanVersion(
                f"Of another plan version than batch {batch.code} was started under: {', '.join(other)}.",
                field="control_points",
            )
        if not named:
            product = batch.recipe_version.material.code
            found = [
                (point, spec) for point, spec in found if product in spec.products and not spec.is_at_receipt
            ]
    if named and (without := [point.code for point, spec in found if not spec.limits]):
        raise Unusable(
            f"There is no limit to check at {', '.join(without)}.",
            code="nothing-to-check",
            field="control_points",
        )
    found = [(point, spec) for point, spec in found if spec.limits]
    if not found:
        raise Unusable(
            "No control point of an approved plan asks for a check here; approve a plan first, or name the points.",
            code="nothing-to-check",
            field="control_points",
        )
    if len(found) > MOST_POINTS:
        raise Unusable(
            f"A sheet is for at most {MOST_POINTS} control points, this for {len(found)}: name fewer.",
            code="too-many",
            field="control_points",
        )
    return found


def _all_points(here: Establishment, batch: Batch | None) -> list[ControlPoint]:
    if batch is None:
        return list(ControlPoint.newest(here))
    if batch.plan_version_id is None:
        return []
    return plans.control_points_of(PlanVersion.objects.get(pk=batch.plan_version_id))


def _blocks(
    here: Establishment,
    day: date,
    points: Sequence[tuple[ControlPoint, ControlPointSpec]],
    batch: Batch | None,
    lines: int,
) -> Iterable[dict[str, Any]]:
    """One for each point. The rules are those for the batch's product; without a batch for any the point is about."""
    confirmed = rules.confirmed_on(here, day)
    materials = _materials(here, [spec for _, spec in points], batch)
    for at, (point, spec) in enumerate(points):
        codes = (*spec.products, *spec.materials)
        about = set(materials.values()) if batch else {materials[code] for code in codes if code in materials}
        yield {
            "control_point": str(point.pk),
            "first": str(at * lines + 1),
            "last": str((at + 1) * lines),
            "limits": [_kept(each) for each in bounds_of(spec, rules.binding(confirmed, about))],
        }


def _materials(
    here: Establishment, specs: Sequence[ControlPointSpec], batch: Batch | None
) -> Mapping[str, UUID]:
    if batch is not None:
        material = batch.recipe_version.material
        return {material.code: material.pk}
    codes = {code for spec in specs for code in (*spec.products, *spec.materials)}
    return dict(Material.objects.filter(establishment=here, code__in=codes).values_list("code", "pk"))


def bounds_of(spec: ControlPointSpec, binding: Sequence[limits.Rule]) -> list[limits.InForce]:
    """Every limit of a control point that takes a reading, as it binds."""
    asked = [limits.from_json(each) for each in spec.limits]
    return [limits.in_force(member, binding) for limit in asked for member in limits.members(limit)]


def _kept(bounds: limits.InForce) -> dict[str, Any]:
    """As a judgement keeps its bounds; ``haccp.bounds.in_force_from_json`` reads it."""
    windows = [each.as_json() for each in bounds.windows]
    return bounds.as_json() | ({"windows": windows} if windows else {})


def _free_number(here: Establishment) -> int:
    taken = set(CheckSheet.objects.filter(establishment=here).values_list("number", flat=True))
    number = randbelow(sheet_codes.MOST)
    while number in taken:
        number = randbelow(sheet_codes.MOST)
    return number


# -- what a reader asks ----------------------------------------------------------------------------------


def find(here: Establishment, code: str) -> CheckSheet:
    """The sheet that bears a code. Raises Unusable for what is no code, Unknown for one of no sheet here.

    Both name the sheet of this house whose code is most like it, if one is.
    """
    try:
        number = sheet_codes.read(code)
    except sheet_codes.NotThisCode as refusal:
        raise sheet_codes.NotThisCode(refusal.detail + _nearest(here, code), field="sheet") from refusal
    found = CheckSheet.objects.filter(establishment=here, number=number).first()
    if found is None:
        raise Unknown(
            f"No sheet here bears the code {sheet_codes.shown(number)}.{_nearest(here, code)}", field="sheet"
        )
    return found


def _nearest(here: Establishment, code: str) -> str:
    numbers = CheckSheet.objects.filter(establishment=here).order_by("-recorded_at", "-id")
    known = [
        sheet_codes.shown(each) for each in numbers.values_list("number", flat=True)[:MOST_GUESSED_AMONG]
    ]
    near = get_close_matches(code.strip().upper(), known, n=1, cutoff=0.75)
    return f" Did you mean {near[0]}?" if near else ""


def still_open(sheets: QuerySet[CheckSheet]) -> Any:
    """Those with lines that no standing check was keyed in from, and that are not written off."""
    standing = Q(checks__corrected_by__isnull=True, checks__withdrawn=False)
    counted = sheets.annotate(keyed=Count("checks__sheet_line", distinct=True, filter=standing))
    waiting: Any = Q(written_off__isnull=True, keyed__lt=F("lines"))
    return counted.filter(waiting)


def said(sheet: CheckSheet) -> str:
    """A sheet in a sentence, and what is to be done with it."""
    of = f" for batch {sheet.batch.code}" if sheet.batch else ""
    waiting = still_open(CheckSheet.objects.filter(pk=sheet.pk)).first()
    if waiting is None:
        return f"Check sheet {sheet.code} of {sheet.day}{of}: nothing on it waits to be keyed in."
    return (
        f"Check sheet {sheet.code} of {sheet.day}{of}: {sheet.lines - waiting.keyed} of {sheet.lines} lines wait to be keyed in. "
        "Send each as a check that names the sheet and the line, and hang the scan on the sheet; or write the rest off."
    )


@dataclass(frozen=True)
class Scan:
    """A picture of a sheet, hung on its record."""

    attachment: UUID
    file_name: str
    sha256: str


def scans_of(checks: Iterable[Check]) -> dict[UUID | None, tuple[Scan, ...]]:
    """By sheet the scans that hang on it, of every sheet these checks were keyed in from; one statement, or none."""
    sheets = {each.sheet_id for each in checks if each.sheet_id is not None}
    found: dict[UUID | None, tuple[Scan, ...]] = {}
    if sheets:
        rows = Attachment.objects.standing().filter(target__in=sheets).order_by("recorded_at", "id")
        for each in rows:
            scan = Scan(each.pk, each.file_name, each.sha256)
            found[each.target_id] = (*found.get(each.target_id, ()), scan)
    return found
