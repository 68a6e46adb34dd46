"""Rows that are written once. The triggers in ``ledger.triggers`` refuse to change or remove them."""

from django.db import models


class Kept(models.Model):
    """A row that stays as it was written: no update, no delete, on either database."""

    class Meta:
        abstract = True


class Versioned(models.Model):
    """Reference data that may change; each change is a ``Change`` record written by the deed that makes it."""

    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        abstract = True
