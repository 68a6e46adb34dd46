"""What the house wrote down before these records began, as it stood in its own papers."""

from django.db import models
from django.db.models import Q

from ledger.models import BASE_1, Record


class BroughtInTable(models.TextChoices):
    """Which of the house's tables a row stood in; ``batch``: what several rows of batches say of one batch."""

    MATERIALS = "materials", "materials"
    PARTNERS = "partners", "trading partners"
    PLACES = "places", "storage places"
    LOTS = "lots", "lots on hand"
    BATCH = "batch", "past batches"
    BATCHES = "batches", "what past batches used and made"
    SHIPMENTS = "shipments", "past shipments"


class BroughtIn(Record):
    """One row of a table of the house, word for word, and who brought it in when.

    What was made of it (a lot, a movement) bears an id that follows from ``from_table`` and ``row_key``, so the same row is the
    same record whoever brings it in again. It stands where a gate's record would: as the permission of a past batch,
    and as the reason why a lot counts as released. It permits and releases nothing itself.
    """

    kind = "batches.brought-in"
    counted_in = "what was brought in already"

    from_table = models.CharField(max_length=9, choices=BroughtInTable.choices)
    row_key = models.CharField(max_length=250)
    file = models.CharField(max_length=200)
    line = models.PositiveIntegerField()
    cells = models.JSONField()

    own_fields = ("from_table", "row_key", "file", "line", "cells")
    client_fields = ("from_table", "row_key", "cells")
    confidential = frozenset({"cells"})  # a partner's contact may stand there
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(
                name="a_row_is_brought_in_once", fields=["establishment", "from_table", "row_key"]
            ),
            models.CheckConstraint(
                name="brought_in_table_is_known", condition=Q(from_table__in=BroughtInTable.values)
            ),
            models.CheckConstraint(
                name="a_row_brought_in_is_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]
