"""Changing equipment from one product to another: the procedure, what was done, what showed it, who released it."""

from typing import Self

from django.db import models
from django.db.models import F, Q

from batches.models import Area, Batch, Equipment, Material, RecipeVersion
from batches.models.places import Reference
from ledger.acts import Act
from ledger.models import BASE_1, Record


class CleaningProcedure(Reference):
    """A cleaning procedure and its draft, which ``haccp.changeovers.procedure_documents`` reads and checks."""

    draft = models.JSONField(default=dict, blank=True)


class CleaningProcedureVersion(Record):
    """A cleaning procedure as it was approved; superseded by a newer approval of the same procedure."""

    kind = "haccp.cleaning-procedure-version"

    procedure = models.ForeignKey(CleaningProcedure, models.PROTECT, related_name="versions")
    number = models.PositiveIntegerField()
    document = models.JSONField()

    own_fields = ("procedure", "number", "document")
    client_fields = ("procedure",)  # the document is the draft as it stood; the client does not send it again
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(
                name="cleaning_procedure_versions_are_numbered_once", fields=["procedure", "number"]
            ),
            models.CheckConstraint(
                name="a_cleaning_procedure_version_is_superseded_not_corrected",
                condition=Q(corrects__isnull=True),
            ),
        ]


class Changeover(Record):
    """Equipment was changed over, from ``performed_at`` until ``ended_at`` (empty: not ended, or nobody said).

    ``equipment``: uuids, one or more. ``steps``: what was ticked, [{"step", "done_at", "person"}]. ``clearance``: what
    of the old product was removed, {"product", "packaging", "labels", "none_issued": bool, "counts": [{"what", "issued", "used",
    "spoiled", "returned"}]}. What is missing is recorded as missing; ``haccp.changeovers.shortcomings`` names it.
    """

    kind = "haccp.changeover"

    equipment = models.JSONField()
    area = models.ForeignKey(Area, models.PROTECT, null=True, blank=True, related_name="+")
    from_batch = models.ForeignKey(Batch, models.PROTECT, null=True, blank=True, related_name="+")
    to_material = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="+")
    to_recipe_version = models.ForeignKey(
        RecipeVersion, models.PROTECT, null=True, blank=True, related_name="+"
    )
    procedure_version = models.ForeignKey(
        CleaningProcedureVersion, models.PROTECT, related_name="changeovers"
    )
    steps = models.JSONField(default=list, blank=True)
    dry_before_start = models.BooleanField(null=True, blank=True)  # empty: nobody said
    clearance = models.JSONField(default=dict, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    own_fields = (
        "equipment",
        "area",
        "from_batch",
        "to_material",
        "to_recipe_version",
        "procedure_version",
        "steps",
        "dry_before_start",
        "clearance",
        "ended_at",
    )
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    @classmethod
    def withdrawal(cls, act: Act) -> Self:
        """A withdrawal bears the time it was made, which may lie after the end of what never happened."""
        record = super().withdrawal(act)
        record.ended_at = None
        return record

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["establishment", "performed_at"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="changeover_ends_after_it_begins",
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("performed_at")),
            ),
            models.CheckConstraint(
                name="changeover_says_what_follows",
                condition=Q(to_material__isnull=False) | Q(to_recipe_version__isnull=False),
            ),
            models.CheckConstraint(name="changeover_names_its_equipment", condition=~Q(equipment=[])),
        ]


class Shown(models.TextChoices):
    WITHIN = "within", "within"
    OUTSIDE = "outside", "outside"
    UNDECIDED = "undecided", "undecided"


class ShownBy(models.TextChoices):
    VISUAL = "visual", "look"
    RINSE = "rinse", "rinse water"
    SWAB = "swab", "swab"
    ATP = "atp", "ATP"
    PROTEIN = "protein", "total protein"


class ChangeoverVerification(Record):
    """What was looked at or measured after a changeover, and what it comes to.

    ``equipment`` empty: everything that was changed over. ``said``: as entered, numbers as text (``haccp.changeovers.
    findings`` reads it). ``level``: the action level it was judged against, with dose, set, date and what is eaten.
    ``finding``: {"sentence", "reasons", "value", "low", "high", "unit"}. ATP and total protein name no allergen.
    """

    kind = "haccp.changeover-verification"

    changeover = models.ForeignKey(Changeover, models.PROTECT, related_name="verifications")
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, blank=True, related_name="+")
    method = models.CharField(max_length=7, choices=ShownBy.choices)
    allergen = models.CharField(max_length=40, blank=True)
    said = models.JSONField()
    level = models.JSONField(default=dict, blank=True)
    result = models.CharField(max_length=9, choices=Shown.choices)
    finding = models.JSONField()

    client_fields = ("changeover", "equipment", "method", "allergen", "said")
    FORMS = {1: (*BASE_1, *client_fields, "level", "result", "finding")}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["changeover", "performed_at"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="changeover_verification_method_is_known", condition=Q(method__in=ShownBy.values)
            ),
            models.CheckConstraint(
                name="changeover_verification_result_is_known", condition=Q(result__in=Shown.values)
            ),
            models.CheckConstraint(
                name="cleanliness_clears_no_allergen",
                condition=~Q(method__in=["atp", "protein"]) | Q(allergen=""),
            ),
            models.CheckConstraint(
                name="a_measured_residue_names_its_allergen",
                condition=~Q(method__in=["rinse", "swab"]) | ~Q(allergen=""),
            ),
        ]


class ChangeoverRelease(Record):
    """A changeover was released, signed. ``allergens``: for which of those its procedure clears ("all": each of them).

    ``scope``: what was really shown, as its cleaning breaks have it. ``basis``: the verifications it rests on.
    """

    kind = "haccp.changeover-release"
    counted_in = "what stands on which equipment"

    changeover = models.ForeignKey(Changeover, models.PROTECT, related_name="releases")
    allergens = models.JSONField()
    scope = models.JSONField()
    basis = models.JSONField(default=list, blank=True)

    client_fields = ("changeover", "allergens")
    FORMS = {1: (*BASE_1, *client_fields, "scope", "basis")}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["changeover"])]
