"""A check that was written on a sheet and keyed in later: whether the line is one of the sheet, and what is odd about it."""

from collections.abc import Iterator
from typing import Any

from config.api.refusals import Unusable
from haccp.models import Check, ControlPoint, SheetWrittenOff

TWICE = "line-keyed-twice"
OTHER_LINE = "another-line-of-the-sheet"
OTHER_VERSION = "sheet-of-another-plan-version"
BEFORE_PRINTED = "before-the-sheet-was-printed"
WRITTEN_OFF = "sheet-written-off"
SENTENCES = {
    TWICE: "This line of the sheet was keyed in before; one of the two is to be withdrawn, or its line put right.",
    OTHER_LINE: "This line of the sheet is for another control point.",
    OTHER_VERSION: "The sheet was printed for another version of the plan; it is judged by that of the batch.",
    BEFORE_PRINTED: "The time written down lies before the sheet was printed.",
    WRITTEN_OFF: "The sheet had been written off when this was keyed in.",
}
"""What is odd about a transcribed check; it is recorded all the same."""


def refuse_other_line(check: Check) -> None:
    """Raise Unusable for a line that the sheet has not, and for a sheet without a line or the other way round."""
    if (check.sheet_id is None) != (check.sheet_line is None):
        missing = "line" if check.sheet_line is None else "sheet"
        raise Unusable("Name the sheet and the line it was written on.", code="missing", field=missing)
    if (
        check.sheet is not None
        and check.sheet_line is not None
        and not 1 <= check.sheet_line <= check.sheet.lines
    ):
        raise Unusable(
            f"Sheet {check.sheet.code} has the lines 1 to {check.sheet.lines}.",
            code="no-such-line",
            field="line",
        )


def flags(check: Check) -> Iterator[str]:
    """What is odd about it; nothing, and no statement, for a check that was keyed in at once."""
    if check.sheet is None:
        return
    block = _block(check)
    if block["control_point"] != str(check.control_point_id):
        code = ControlPoint.objects.filter(pk=block["control_point"]).values_list("code", flat=True).first()
        yield OTHER_VERSION if code == check.control_point.code else OTHER_LINE
    if check.performed_at < check.sheet.performed_at:
        yield BEFORE_PRINTED
    if SheetWrittenOff.objects.filter(sheet=check.sheet_id).exists():
        yield WRITTEN_OFF
    same = Check.objects.standing().filter(sheet=check.sheet_id, sheet_line=check.sheet_line)
    if same.exclude(pk__in=[check.pk, check.corrects_id or check.pk]).exists():
        yield TWICE


def _block(check: Check) -> Any:
    """What the line is for."""
    assert check.sheet is not None
    assert check.sheet_line is not None
    return next(
        each for each in check.sheet.blocks if int(each["first"]) <= check.sheet_line <= int(each["last"])
    )
