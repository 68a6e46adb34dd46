"""Recalls and trace exercises: decided, what is in them, who was told, who answered, how they ended."""

from django.db import models
from django.db.models import F, Q

from batches.models import Lot, TradingPartner, WebOrder
from haccp.models.deviations import Deviation
from ledger.models import BASE_1, Record


class RecallHazard(models.TextChoices):
    ALLERGEN = "allergen", "an allergen that the label does not declare"
    MICROBIOLOGICAL = "microbiological", "microbiological"
    FOREIGN_BODY = "foreign-body", "a foreign body"
    CHEMICAL = "chemical", "chemical"
    LABEL = "label", "a wrong label without an allergen"
    OTHER = "other", "other"


class RecallClass(models.TextChoices):
    """21 CFR 7.3(m) (read in secondary texts); elsewhere the authority's own word goes into the strategy's reason."""

    NONE = "", "not classified"
    I = "I", "class I: a reasonable probability of serious harm or death"  # noqa: E741
    II = "II", "class II: temporary or reversible harm, or a remote chance of serious harm"
    III = "III", "class III: not likely to cause harm"


class Depth(models.TextChoices):
    """How far down the chain it goes: 21 CFR 7.42(b)(1) (from memory)."""

    WHOLESALE = "wholesale", "to wholesale"
    RETAIL = "retail", "to shops and stalls"
    CONSUMER = "consumer", "to whoever bought it"


class Level(models.TextChoices):
    """How many consignees an effectiveness check asks: 21 CFR 7.42(b)(3) (from memory)."""

    A = "A", "A: all of them"
    B = "B", "B: a share set case by case, over 10 and under 100 %"
    C = "C", "C: 10 %"
    D = "D", "D: 2 %"
    E = "E", "E: none"


class Means(models.TextChoices):
    E_MAIL = "e-mail", "e-mail"
    LETTER = "letter", "letter"
    PHONE = "phone", "by phone"
    IN_PERSON = "in-person", "in person"
    PUBLIC = "public", "public notice"


class Recall(Record):
    """It was decided to take lots back, or to exercise doing so.

    ``determined_at``: when it was determined that the food may harm, or does not bear the right label; authorities count
    from then. ``deviation``: the case that holds the lots; an exercise has none, because it holds nothing.
    """

    kind = "haccp.recall"

    code = models.CharField(max_length=30)
    is_exercise = models.BooleanField(default=False)
    hazard = models.CharField(max_length=20, choices=RecallHazard.choices)
    because = models.TextField(max_length=4000)
    determined_at = models.DateTimeField()
    deviation = models.ForeignKey(Deviation, models.PROTECT, null=True, blank=True, related_name="recalls")

    client_fields = ("is_exercise", "hazard", "because", "determined_at")
    FORMS = {1: (*BASE_1, "code", *client_fields, "deviation")}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="recall_code_is_used_once", fields=["establishment", "code"]),
            models.CheckConstraint(name="recall_has_a_reason", condition=~Q(because="")),
            models.CheckConstraint(
                name="recall_hazard_is_known", condition=Q(hazard__in=RecallHazard.values)
            ),
            models.CheckConstraint(
                name="an_exercise_holds_nothing",
                condition=Q(is_exercise=True, deviation__isnull=True)
                | Q(is_exercise=False, deviation__isnull=False),
            ),
            models.CheckConstraint(
                name="a_recall_is_ended_not_corrected", condition=Q(corrects__isnull=True)
            ),
            models.CheckConstraint(
                name="recall_is_decided_after_it_is_determined",
                condition=Q(determined_at__lte=F("performed_at")),
            ),
        ]


class RecallStrategy(Record):
    """How a recall is gone about from now on; the newest holds. ``percent``: of consignees, at level B only."""

    kind = "haccp.recall-strategy"

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="strategies")
    recall_class = models.CharField(max_length=3, choices=RecallClass.choices, blank=True)
    classified_by = models.CharField(max_length=200, blank=True)  # authority and its reference
    depth = models.CharField(max_length=9, choices=Depth.choices)
    level = models.CharField(max_length=1, choices=Level.choices)
    percent = models.PositiveSmallIntegerField(null=True, blank=True)
    because = models.TextField(max_length=4000)

    own_fields = ("recall", "recall_class", "classified_by", "depth", "level", "percent", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="recall_class_is_known", condition=Q(recall_class__in=RecallClass.values)
            ),
            models.CheckConstraint(name="recall_depth_is_known", condition=Q(depth__in=Depth.values)),
            models.CheckConstraint(
                name="level_b_has_its_share",
                condition=Q(level="B", percent__isnull=False, percent__gt=10, percent__lt=100)
                | Q(level__in=["A", "C", "D", "E"], percent__isnull=True),
            ),
            models.CheckConstraint(
                name="a_strategy_is_superseded_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]


class RecallScope(Record):
    """What is in a recall, frozen as a trace found it. A later one is wider, or leaves out what a signed decision let go.

    ``starts``: the lots it was asked to follow (uuids). ``hazard``: what it was asked to follow over shared equipment too,
    {"allergens", "microbiological", "foreign_bodies"}. ``lots``: each {"lot", "code", "material", "best_before", "start",
    "carried", "side", "touch", "unit"} and its amounts as text. ``carried``: what was asked for reaches it no more, and
    nobody let it go. ``side``: how it was reached, as a trace says. ``touch``: the place in ``touches`` of how equipment
    led to it, "" where it did not. ``touches``: each {"equipment", "left_by", "batch", "at", "hazards"}.
    ``consignees``: each {"partner", "order", "name", "lots"}, those with what they got, when and by which papers; the buyer
    of a web order is one while kept, and is named by the order only. ``outlets``: each {"partner", "name", "lots"}, where
    buyers nobody names may have got some, with quantities and days. ``in_batches``:
    what went into batches that have made nothing yet. ``contacts``: address and contact by partner. ``seal_number``,
    ``seal_hash``: of the seal that covers all that was read.
    """

    kind = "haccp.recall-scope"

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="scopes")
    number = models.PositiveIntegerField()
    starts = models.JSONField()
    hazard = models.JSONField(default=dict, blank=True)
    lots = models.JSONField()
    touches = models.JSONField(default=list, blank=True)
    consignees = models.JSONField(default=list, blank=True)
    outlets = models.JSONField(default=list, blank=True)
    contacts = models.JSONField(default=dict, blank=True)
    in_batches = models.JSONField(default=list, blank=True)
    seal_number = models.PositiveIntegerField()
    seal_hash = models.CharField(max_length=64)

    client_fields = ("recall", "starts", "hazard")
    FORMS = {
        1: (
            *BASE_1,
            *client_fields,
            "number",
            "lots",
            "touches",
            "consignees",
            "outlets",
            "contacts",
            "in_batches",
            "seal_number",
            "seal_hash",
        )
    }
    confidential = frozenset({"contacts"})

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="recall_scopes_are_numbered_once", fields=["recall", "number"]),
            models.CheckConstraint(
                name="a_scope_is_widened_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]


class RecallExclusion(Record):
    """A lot leaves a recall, by a signed decision. A later freeze whose trace reaches it takes it in again."""

    kind = "haccp.recall-exclusion"

    scope = models.ForeignKey(RecallScope, models.PROTECT, related_name="exclusions")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="+")
    because = models.TextField(max_length=4000)

    own_fields = ("scope", "lot", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="lot_leaves_a_scope_once", fields=["scope", "lot"]),
            models.CheckConstraint(name="exclusion_has_a_reason", condition=~Q(because="")),
            models.CheckConstraint(name="an_exclusion_is_not_corrected", condition=Q(corrects__isnull=True)),
        ]


class RecallNotice(Record):
    """Somebody was told, or what is to be told was written. A public notice names neither ``partner`` nor ``order``.

    ``to``: the address it went to; of the buyer of a web ``order`` never, since that is forgotten one day. ``lots``: those
    it names (uuids). An e-mail is sent by the service; everything else was done when it says so, but for a public notice:
    that is published by ``NoticePublished``.
    """

    kind = "haccp.recall-notice"

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="notices")
    partner = models.ForeignKey(TradingPartner, models.PROTECT, null=True, blank=True, related_name="+")
    order = models.ForeignKey(WebOrder, models.PROTECT, null=True, blank=True, related_name="+")
    means = models.CharField(max_length=10, choices=Means.choices)
    language = models.CharField(max_length=10)
    why = models.TextField(max_length=1000)  # in the words and the language of the notice
    subject = models.CharField(max_length=200)
    text = models.TextField(max_length=20_000)
    to = models.TextField(max_length=500, blank=True)
    lots = models.JSONField(default=list, blank=True)

    own_fields = ("recall", "partner", "order", "means", "language", "why", "subject", "text", "to", "lots")
    client_fields = ("recall", "partner", "order", "means", "language", "why", "to")
    FORMS = {1: BASE_1 + own_fields}
    confidential = frozenset({"to"})

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="a_notice_is_not_corrected", condition=Q(corrects__isnull=True)),
            models.CheckConstraint(name="recall_means_are_known", condition=Q(means__in=Means.values)),
            models.CheckConstraint(
                name="a_public_notice_names_nobody",
                condition=Q(means="public", partner__isnull=True, order__isnull=True)
                | (~Q(means="public") & Q(partner__isnull=False, order__isnull=True))
                | (~Q(means="public") & Q(partner__isnull=True, order__isnull=False)),
            ),
            models.CheckConstraint(
                name="no_address_of_a_buyer_is_kept", condition=Q(order__isnull=True) | Q(to="")
            ),
        ]


class NoticePublished(Record):
    """A public notice was put up, printed or sent out: where, and when that was done. An exercise publishes nothing."""

    kind = "haccp.notice-published"

    notice = models.ForeignKey(RecallNotice, models.PROTECT, related_name="publications")
    where = models.TextField(max_length=1000)

    own_fields = ("notice", "where")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="publication_names_its_place", condition=~Q(where="")),
        ]


class RecallMail(models.Model):
    """A notice on its way: work is a row first and a message second."""

    notice = models.OneToOneField(RecallNotice, models.PROTECT, related_name="mail")
    made_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)

    class Meta:
        indexes = [
            models.Index(name="unsent_recall_mail", fields=["made_at"], condition=Q(sent_at__isnull=True))
        ]


class RecallAnswer(Record):
    """What a partner, or the buyer of a web order, answered.

    ``lots``: each {"lot", "received", "on_hand", "sold", "returned", "destroyed", "unit"}.

    ``flags``: what does not fit, as "not-a-consignee", "not-in-scope", "more-than-shipped", "does-not-add-up".
    """

    kind = "haccp.recall-answer"

    recall = models.ForeignKey(Recall, models.PROTECT, related_name="answers")
    partner = models.ForeignKey(TradingPartner, models.PROTECT, null=True, blank=True, related_name="+")
    order = models.ForeignKey(WebOrder, models.PROTECT, null=True, blank=True, related_name="+")
    means = models.CharField(max_length=10, choices=Means.choices)
    lots = models.JSONField(default=list, blank=True)
    passed_on = models.BooleanField(null=True, blank=True)  # whether they told those they sold to
    flags = models.JSONField(default=list, blank=True)

    client_fields = ("recall", "partner", "order", "means", "lots", "passed_on")
    FORMS = {1: (*BASE_1, *client_fields, "flags")}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="answer_means_are_known", condition=Q(means__in=Means.values)),
            models.CheckConstraint(
                name="an_answer_is_of_somebody",
                condition=Q(partner__isnull=False, order__isnull=True)
                | Q(partner__isnull=True, order__isnull=False),
            ),
        ]


class RecallEnd(Record):
    """A recall or an exercise is over, signed."""

    kind = "haccp.recall-end"

    recall = models.OneToOneField(Recall, models.PROTECT, related_name="end")
    because = models.TextField(max_length=4000)

    own_fields = ("recall", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="recall_end_has_a_reason", condition=~Q(because="")),
            models.CheckConstraint(name="an_end_is_not_corrected", condition=Q(corrects__isnull=True)),
        ]
