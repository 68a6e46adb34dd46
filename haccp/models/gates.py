"""Permission to start a batch and release of a lot: what the gates found when they were asked."""

from django.db import models

from batches.models import Lot, RecipeVersion
from haccp.models.plans import PlanVersion
from ledger.models import BASE_1, Record


class StartPermission(Record):
    """The start gate let a batch begin. ``warnings``: what it would have refused outside a phased start."""

    kind = "haccp.start-permission"

    recipe_version = models.ForeignKey(RecipeVersion, models.PROTECT, related_name="+")
    plan_version = models.ForeignKey(PlanVersion, models.PROTECT, null=True, blank=True, related_name="+")
    equipment = models.JSONField(default=list, blank=True)
    warnings = models.JSONField(default=list, blank=True)

    own_fields = ("recipe_version", "plan_version", "equipment", "warnings")
    client_fields = ("recipe_version", "equipment")
    FORMS = {1: BASE_1 + own_fields}


class Release(Record):
    """A lot was released (a product) or accepted (what was received). ``basis``: what was looked at."""

    kind = "haccp.release"

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="releases")
    basis = models.JSONField(default=dict, blank=True)

    own_fields = ("lot", "basis")
    client_fields = ("lot",)
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["lot"])]
