"""The house's recall plan: who does what, whom to call outside, where the public would be told. The newest one holds."""

from django.db import models
from django.db.models import Q

from ledger.models import BASE_1, Record


class PlanStep(models.TextChoices):
    """What a recall plan tells how to do, each with whose task it is: 21 CFR 117.139(b) (read)."""

    TELL_CONSIGNEES = "tell-consignees", "tell those who got it, and how to return it or dispose of it"
    TELL_PUBLIC = "tell-public", "tell the public where that is needed"
    CHECK = "check-effectiveness", "check that the recall is carried out"
    DISPOSE = "dispose", "dispose of what comes back"


class Outside(models.TextChoices):
    AUTHORITY = "authority", "authority"
    LABORATORY = "laboratory", "laboratory"
    OTHER = "other", "other"


class RecallPlan(Record):
    """A plan as it was approved by signature; a change is a new one.

    ``people``: each {"role", "name"}; ``telephones``: by role, private. ``steps``: each {"step", "role", "how"}.
    ``outside``: each {"what", "name", "reached_by"}. ``public_notice``: where and how the public would be told.
    """

    kind = "haccp.recall-plan"

    number = models.PositiveIntegerField()
    people = models.JSONField()
    telephones = models.JSONField(default=dict, blank=True)
    steps = models.JSONField()
    outside = models.JSONField()
    public_notice = models.TextField(max_length=2000)

    client_fields = ("people", "telephones", "steps", "outside", "public_notice")
    FORMS = {1: (*BASE_1, *client_fields, "number")}
    confidential = frozenset({"telephones"})

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(
                name="recall_plans_are_numbered_once", fields=["establishment", "number"]
            ),
            models.CheckConstraint(
                name="a_recall_plan_says_how_the_public_is_told", condition=~Q(public_notice="")
            ),
            models.CheckConstraint(
                name="a_recall_plan_is_superseded_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]
