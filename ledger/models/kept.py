"""Rows that are written once. The triggers in ``ledger.triggers`` refuse to change or remove them."""

from django.db import models


class Kept(models.Model):
    """A row that stays as it was written: no update, no delete, on either database."""

    class Meta:
        abstract = True


class Versioned(models.Model):
    """Reference data that may change; the deed that changes it writes a ``Change`` record."""

    version = models.PositiveIntegerField(default=1, editable=False)

    repeated = False  # True on an instance that answers a repeated post

    class Meta:
        abstract = True
