"""Sheets of blank lines for checks on a day without power: that one was printed, and that one was written off."""

from django.db import models
from django.db.models import Q

from batches.models import Batch
from haccp import sheet_codes
from ledger.models import BASE_1, Record


class CheckSheet(Record):
    """Blank lines were printed for control points, with the limits that bind on ``day``.

    ``asked``: what was asked for, {"control_points": [uuid], "lines": text for each}. ``blocks``: what stands on it, in its
    order: {"control_point": uuid, "first": text, "last": text (its lines), "limits": [as kept with a judgement]}.
    """

    kind = "haccp.check-sheet"

    number = models.PositiveIntegerField()  # drawn by lot, so that the sheet of another house names none here
    day = models.DateField()
    batch = models.ForeignKey(Batch, models.PROTECT, null=True, blank=True, related_name="check_sheets")
    asked = models.JSONField()
    blocks = models.JSONField()
    lines = models.PositiveSmallIntegerField()

    client_fields = ("day", "batch", "asked")
    FORMS = {1: (*BASE_1, *client_fields, "number", "blocks", "lines")}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(
                name="check_sheet_numbers_are_given_once", fields=["establishment", "number"]
            ),
            models.CheckConstraint(name="check_sheet_has_lines", condition=Q(lines__gte=1)),
            models.CheckConstraint(
                name="a_check_sheet_is_written_off_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]

    @property
    def code(self) -> str:
        return sheet_codes.shown(self.number)


class SheetWrittenOff(Record):
    """A sheet, or what is left blank on it, will not be keyed in any more, and why."""

    kind = "haccp.check-sheet-written-off"

    sheet = models.OneToOneField(CheckSheet, models.PROTECT, related_name="written_off")
    because = models.TextField(max_length=1000)

    client_fields = ("sheet", "because")
    FORMS = {1: BASE_1 + client_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="a_sheet_is_written_off_for_a_reason", condition=~Q(because="")),
            models.CheckConstraint(name="a_written_off_sheet_stays_so", condition=Q(corrects__isnull=True)),
        ]
