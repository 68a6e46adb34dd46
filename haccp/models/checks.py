from django.db import models
from django.db.models import Q

from batches.models import Batch, Lot, Part
from haccp.models.check_sheets import CheckSheet
from haccp.models.plans import ControlPoint
from haccp.models.rules import Instrument
from ledger.models import BASE_1, Record


class Result(models.TextChoices):
    WITHIN = "within", "within"
    OUTSIDE = "outside", "outside"
    UNDECIDED = "undecided", "undecided"


class Check(Record):
    """A reading at a control point, judged when it was recorded.

    ``readings``: one for each limit of the control point, as entered: {"quantity", "value" or "outcome", "unit",
    "method", "sample_temperature"}. ``judgements``: for each its bounds and their sources, result, margin and
    sentence. ``result``: the worst of them. ``flags``: codes of what was out of order when it was recorded. ``sheet`` and
    ``sheet_line``: where it was written by hand, of a check that was keyed in later.
    """

    kind = "haccp.check"

    control_point = models.ForeignKey(ControlPoint, models.PROTECT, related_name="checks")
    batch = models.ForeignKey(Batch, models.PROTECT, null=True, blank=True, related_name="checks")
    part = models.ForeignKey(Part, models.PROTECT, null=True, blank=True, related_name="checks")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="checks")
    instrument = models.ForeignKey(Instrument, models.PROTECT, null=True, blank=True, related_name="checks")
    occasion = models.CharField(max_length=40, blank=True)  # which due check this answers: start, end, ...
    sheet = models.ForeignKey(CheckSheet, models.PROTECT, null=True, blank=True, related_name="checks")
    sheet_line = models.PositiveSmallIntegerField(null=True, blank=True)
    readings = models.JSONField()
    judgements = models.JSONField()
    result = models.CharField(max_length=9, choices=Result.choices)
    flags = models.JSONField(default=list, blank=True)

    said_fields = (
        "control_point",
        "batch",
        "part",
        "lot",
        "instrument",
        "occasion",
        "sheet",
        "sheet_line",
        "readings",
    )
    client_fields = said_fields
    FORMS = {1: (*BASE_1, *said_fields, "judgements", "result", "flags")}

    class Meta(Record.Meta):
        indexes = [
            *Record.Meta.indexes,
            models.Index(fields=["batch", "control_point", "performed_at"]),
            models.Index(fields=["control_point", "performed_at"]),
        ]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="check_result_is_known", condition=Q(result__in=Result.values)),
            models.CheckConstraint(
                name="check_is_made_on_something", condition=Q(batch__isnull=False) | Q(lot__isnull=False)
            ),
            models.CheckConstraint(
                name="check_of_a_part_names_its_batch",
                condition=Q(part__isnull=True) | Q(batch__isnull=False),
            ),
            models.CheckConstraint(
                name="check_keyed_from_a_sheet_names_its_line",
                condition=Q(sheet__isnull=True, sheet_line__isnull=True)
                | Q(sheet__isnull=False, sheet_line__isnull=False, sheet_line__gte=1),
            ),
        ]
