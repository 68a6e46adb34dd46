"""Hazard plans: a draft is one document; an approved version and its control points never change (D18)."""

from django.db import models
from django.db.models import Exists, OuterRef, Q

from batches.models import Material
from batches.models.places import Reference
from ledger.ids import uuid7
from ledger.models import BASE_1, Establishment, Kept, Record


class Plan(Reference):
    """A hazard plan and its draft. ``draft`` is one document that ``haccp.plan_documents`` reads and checks."""

    draft = models.JSONField(default=dict, blank=True)


class PlanVersion(Record):
    """A hazard plan as it was approved; superseded by a newer approval of the same plan."""

    kind = "haccp.plan-version"

    plan = models.ForeignKey(Plan, models.PROTECT, related_name="versions")
    number = models.PositiveIntegerField()
    document = models.JSONField()

    own_fields = ("plan", "number", "document")
    client_fields = ("plan",)  # the document is the draft as it stood; the client does not send it again
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="plan_versions_are_numbered_once", fields=["plan", "number"]),
            models.CheckConstraint(
                name="a_plan_version_is_superseded_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]


class PlanProduct(Kept):
    """A product that an approved plan version covers."""

    part_of = "version"

    version = models.ForeignKey(PlanVersion, models.PROTECT, related_name="products")
    material = models.ForeignKey(Material, models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(name="plan_product_is_named_once", fields=["version", "material"])
        ]


class ControlKind(models.TextChoices):
    CCP = "ccp", "critical control point"
    OPRP = "oprp", "operational prerequisite programme"
    PRP = "prp", "prerequisite programme"


class ControlPoint(Kept):
    """A control point of an approved plan version. ``document``: its part of the plan's document."""

    part_of = "version"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    version = models.ForeignKey(PlanVersion, models.PROTECT, related_name="control_points")
    code = models.CharField(max_length=30)
    name = models.CharField(max_length=200)
    kind = models.CharField(max_length=4, choices=ControlKind.choices)
    document = models.JSONField()

    class Meta:
        ordering = ["version", "code"]
        constraints = [
            models.UniqueConstraint(name="control_point_code_is_used_once", fields=["version", "code"]),
            models.CheckConstraint(name="control_kind_is_known", condition=Q(kind__in=ControlKind.values)),
        ]

    @classmethod
    def newest(cls, establishment: object) -> models.QuerySet["ControlPoint"]:
        """Those of the newest versions of the plans in use, by code."""
        newer = PlanVersion.objects.filter(
            plan=OuterRef("version__plan"), number__gt=OuterRef("version__number")
        )
        rows = cls.objects.filter(~Exists(newer), establishment=establishment, version__plan__in_use=True)
        return rows.order_by("code", "id")
