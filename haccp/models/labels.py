"""Labels as drafted and approved, what was seen on the roll, and contacts a lead has assessed."""

from django.db import models
from django.db.models import Q

from batches.models import Batch, Lot, Material
from batches.models.places import Reference
from ledger.models import BASE_1, Record


class Label(Reference):
    """The label of a product and its draft: one document that ``haccp.labels.documents`` reads."""

    material = models.ForeignKey(Material, models.PROTECT, related_name="labels")
    draft = models.JSONField(default=dict, blank=True)


class LabelVersion(Record):
    """A label as it was approved; superseded by a newer approval of the same label."""

    kind = "haccp.label-version"

    label = models.ForeignKey(Label, models.PROTECT, related_name="versions")
    material = models.ForeignKey(Material, models.PROTECT, related_name="+")
    number = models.PositiveIntegerField()
    document = models.JSONField()

    own_fields = ("label", "material", "number", "document")
    client_fields = ("label",)  # the document is the draft as it stood; the client does not send it again
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="label_versions_are_numbered_once", fields=["label", "number"]),
            models.CheckConstraint(
                name="a_label_version_is_superseded_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]

    @property
    def declared(self) -> frozenset[str]:
        """The allergens it says are contained."""
        return frozenset(self.document.get("contains", ()))

    @property
    def precautionary(self) -> frozenset[str]:
        """The allergens it says may be there."""
        return frozenset(each["allergen"] for each in self.document.get("may_contain", ()))


class StatedParts(Reference):
    """What a bought compound ingredient is made of, as its supplier lists it, from a day on.

    ``haccp.labels.stated_parts`` reads ``document``. ``source``: where it is written; ``provenance``: how that was seen.
    """

    material = models.ForeignKey(Material, models.PROTECT, related_name="stated_parts")
    document = models.JSONField()
    source = models.CharField(max_length=300)
    provenance = models.CharField(max_length=200)
    in_force_from = models.DateField()

    class Meta(Reference.Meta):
        constraints = [
            *Reference.Meta.constraints,
            models.UniqueConstraint(
                name="stated_parts_begin_on_different_days", fields=["material", "in_force_from"]
            ),
            models.CheckConstraint(
                name="stated_parts_name_their_source", condition=~Q(source="") & ~Q(provenance="")
            ),
        ]


class Moment(models.TextChoices):
    START = "start", "start"
    ROLL_CHANGE = "roll-change", "roll change"
    END = "end", "end"


class Packed(models.TextChoices):
    GOOD = "good", "the right label, all accounted for"
    BAD = "bad", "wrong label, or labels not accounted for"


class PackingCheck(Record):
    """Which label was on the roll, and whether the labels of a roll are accounted for.

    ``label_version``: what was seen; empty where it is none of ours, then ``seen`` tells what stood there. ``counts``:
    whole labels as text: issued, applied, spoiled, returned; of the roll that came off. ``findings``: what was wrong.
    """

    kind = "haccp.packing-check"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="packing_checks")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="packing_checks")
    moment = models.CharField(max_length=11, choices=Moment.choices)
    label_version = models.ForeignKey(
        LabelVersion, models.PROTECT, null=True, blank=True, related_name="packing_checks"
    )
    seen = models.CharField(max_length=300, blank=True)
    counts = models.JSONField(default=dict, blank=True)
    result = models.CharField(max_length=4, choices=Packed.choices)
    findings = models.JSONField(default=list, blank=True)

    client_fields = ("batch", "lot", "moment", "label_version", "seen", "counts")
    own_fields = (*client_fields, "result", "findings")
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [
            *Record.Meta.indexes,
            models.Index(fields=["batch", "performed_at"]),
            models.Index(fields=["lot"]),
        ]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="packing_moment_is_known", condition=Q(moment__in=Moment.values)),
            models.CheckConstraint(name="packing_result_is_known", condition=Q(result__in=Packed.values)),
            models.CheckConstraint(
                name="packing_check_says_what_it_saw", condition=Q(label_version__isnull=False) | ~Q(seen="")
            ),
        ]


class ContactAssessment(Record):
    """A food-safety lead assessed that a contact, or what nobody stated, need not stand on the label; signed.

    About one material or one lot. ``allergens``: codes. ``until``: the first day it no longer holds.
    """

    kind = "haccp.contact-assessment"

    material = models.ForeignKey(
        Material, models.PROTECT, null=True, blank=True, related_name="contact_assessments"
    )
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="contact_assessments")
    allergens = models.JSONField()
    because = models.TextField(max_length=4000)
    until = models.DateField()

    own_fields = ("material", "lot", "allergens", "because", "until")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["material"]), models.Index(fields=["lot"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="contact_assessment_is_about_one_thing",
                condition=Q(material__isnull=False, lot__isnull=True)
                | Q(material__isnull=True, lot__isnull=False),
            ),
            models.CheckConstraint(name="contact_assessment_says_why", condition=~Q(because="")),
        ]
