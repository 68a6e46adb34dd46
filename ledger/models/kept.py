"""Rows that are written once. The triggers in ``ledger.triggers`` refuse to change or remove them."""

from typing import ClassVar

from django.db import models


class Kept(models.Model):
    """A row that stays as it was written: no update, no delete, on either database.

    ``part_of``: the reference to the record this row is a part of, and leaves with when its retention ended.
    """

    part_of: ClassVar[str] = ""

    class Meta:
        abstract = True


class Versioned(models.Model):
    """Reference data that may change; the deed that changes it writes a ``Change`` record."""

    version = models.PositiveIntegerField(default=1, editable=False)

    repeated = False  # True on an instance that answers a repeated post

    class Meta:
        abstract = True
