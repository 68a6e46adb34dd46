"""What went wrong, what was held, what was answered and decided, and how it was closed (D8)."""

from django.db import models
from django.db.models import Q

from batches.models import Lot
from haccp.models.rules import Instrument
from ledger.models import BASE_1, Entry, Person, Record


class Deviation(Record):
    """A case: something was outside what must hold. Answers, dispositions and closing point to it.

    Unique (``what``, ``subject``, ``slot``): the same cause opens one case, however often it is looked at.
    ``subject``: the id of what it is about (a check, a movement, a batch). ``slot``: which occurrence.
    """

    kind = "haccp.deviation"

    class What(models.TextChoices):
        LIMIT = "limit", "a limit was lost"
        MISSED_CHECK = "missed-check", "a check was not made in time"
        MATERIAL = "material", "material out of order was used"
        STOCK = "stock", "more was taken than there was"
        SHIPPED = "shipped", "shipped without being released"
        REPORTED = "reported", "reported by a person"
        EMERGENCY_START = "emergency-start", "started without permission"
        INSTRUMENT = "instrument", "an instrument failed its verification"
        LABEL = "label", "a wrong label, or labels not accounted for"
        CHANGEOVER = "changeover", "a released changeover shows nothing any more"
        NO_CHANGEOVER = "no-changeover", "no changeover between two batches"
        ALLERGEN = "allergen", "a label no longer declares what is in the lot"
        RECALL = "recall", "a recall was decided"
        NOTICE = "notice", "a recall notice arrived"

    what = models.CharField(max_length=20, choices=What.choices)
    subject = models.UUIDField()
    slot = models.CharField(max_length=120)
    title = models.CharField(max_length=300)
    because = models.ForeignKey(Entry, models.PROTECT, null=True, blank=True, related_name="+")

    own_fields = ("what", "subject", "slot", "title", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["subject"])]
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="one_deviation_for_a_cause", fields=["what", "subject", "slot"]),
            models.CheckConstraint(
                name="deviation_cause_is_known",
                condition=Q(
                    what__in=[
                        "limit",
                        "missed-check",
                        "material",
                        "stock",
                        "shipped",
                        "reported",
                        "emergency-start",
                        "instrument",
                        "label",
                        "changeover",
                        "no-changeover",
                        "allergen",
                        "recall",
                        "notice",
                    ]
                ),
            ),
            models.CheckConstraint(name="deviation_is_not_corrected", condition=Q(corrects__isnull=True)),
            models.CheckConstraint(name="deviation_has_a_title", condition=~Q(title="")),
        ]


class HoldSubject(models.TextChoices):
    BATCH = "batch", "batch"
    PART = "part", "batch part"
    LOT = "lot", "lot"
    EQUIPMENT = "equipment", "equipment or tool"
    AREA = "area", "area"
    INSTRUMENT = "instrument", "instrument"
    VERIFICATION = "verification", "failed verification of an instrument"
    PACKING = "packing", "what was packed before a bad packing check"
    SUPPLIER_LOT = "supplier-lot", "supplier's lot"


class Hold(Record):
    """Everything its subject touched since the last good check is held; ``lots``: their uuids, found then."""

    kind = "haccp.hold"

    deviation = models.ForeignKey(Deviation, models.PROTECT, related_name="holds")
    subject_kind = models.CharField(max_length=20, choices=HoldSubject.choices)
    subject = models.UUIDField()
    since = models.DateTimeField(
        null=True, blank=True
    )  # the last good check; empty = as far back as there is
    lots = models.JSONField(default=list, blank=True)

    own_fields = ("deviation", "subject_kind", "subject", "since", "lots")
    client_fields = ("deviation", "subject_kind", "subject", "since")
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["subject"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="hold_subject_is_known", condition=Q(subject_kind__in=HoldSubject.values)
            ),
        ]


class Question(models.TextChoices):
    PUT_RIGHT = "put-right", "what was wrong, and how it was put right"
    CAUSE = "cause", "why it happened"
    PREVENTION = "prevention", "how it will not come back"


class Answer(Record):
    """An answer to one of a deviation's questions; the fourth, what becomes of each lot, is a Disposition."""

    kind = "haccp.answer"

    deviation = models.ForeignKey(Deviation, models.PROTECT, related_name="answers")
    question = models.CharField(max_length=10, choices=Question.choices)
    text = models.TextField(max_length=4000)

    own_fields = ("deviation", "question", "text")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="question_is_known", condition=Q(question__in=Question.values)),
            models.CheckConstraint(name="answer_says_something", condition=~Q(text="")),
            models.UniqueConstraint(  # further ones correct it
                name="question_is_answered_once",
                fields=["deviation", "question"],
                condition=Q(corrects__isnull=True),
            ),
        ]


class Disposition(Record):
    """What becomes of one lot that a deviation held, and why."""

    kind = "haccp.disposition"

    class Decision(models.TextChoices):
        RELEASE = "release", "may be released"
        REWORK = "rework", "to be reworked"
        REJECT = "reject", "rejected"
        DESTROY = "destroy", "to be destroyed"
        SEND_BACK = "send-back", "to be sent back"

    deviation = models.ForeignKey(Deviation, models.PROTECT, related_name="dispositions")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="dispositions")
    decision = models.CharField(max_length=10, choices=Decision.choices)
    because = models.TextField(max_length=2000)

    own_fields = ("deviation", "lot", "decision", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["lot"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="disposition_is_known",
                condition=Q(decision__in=["release", "rework", "reject", "destroy", "send-back"]),
            ),
            models.CheckConstraint(name="disposition_has_a_reason", condition=~Q(because="")),
            models.UniqueConstraint(  # further ones correct it
                name="lot_is_decided_once", fields=["deviation", "lot"], condition=Q(corrects__isnull=True)
            ),
        ]


class Closing(Record):
    """A deviation was closed: every question answered, every lot decided, signed."""

    kind = "haccp.closing"

    deviation = models.OneToOneField(Deviation, models.PROTECT, related_name="closing")

    own_fields = ("deviation",)
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}


class Correction(Record):
    """A minor slip without product impact, put right at once; says why no product is touched."""

    kind = "haccp.correction"

    what = models.CharField(max_length=300)
    done = models.TextField(max_length=2000)
    no_impact_because = models.TextField(max_length=2000)

    own_fields = ("what", "done", "no_impact_because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="correction_says_why_no_impact", condition=~Q(no_impact_because="") & ~Q(done="")
            ),
        ]


SUBJECTS_OF_NOTICES = ("deviation", "instrument", "question", "relief", "finding")


def _about_one_thing() -> Q:
    """Exactly one of the subjects is named."""
    one = Q()
    for named in SUBJECTS_OF_NOTICES:
        one |= Q(**{f"{each}__isnull": each != named for each in SUBJECTS_OF_NOTICES})
    return one


class Notice(models.Model):
    """Mail that must go out: a row first, a message second; the sweep sends what was lost.

    About a deviation; an instrument whose verification is due (``slot``: since which day, or never made); whether to
    recall (``slot``: of how many lots, and after how long); a relief that ends (``slot``: how near it was); or what an
    inspection found (``slot``: due when, and whether before or after that day).
    """

    deviation = models.ForeignKey(Deviation, models.PROTECT, related_name="notices", null=True, blank=True)
    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="notices", null=True, blank=True)
    question = models.ForeignKey(
        "haccp.RecallQuestion", models.PROTECT, related_name="notices", null=True, blank=True
    )
    relief = models.ForeignKey(
        "haccp.ComplianceRelief", models.PROTECT, related_name="notices", null=True, blank=True
    )
    finding = models.ForeignKey(
        "haccp.Finding", models.PROTECT, related_name="notices", null=True, blank=True
    )
    slot = models.CharField(max_length=20, blank=True)
    person = models.ForeignKey(Person, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="one_notice_a_person", fields=["person", "deviation"]),
            models.UniqueConstraint(
                name="one_notice_of_an_instrument", fields=["person", "instrument", "slot"]
            ),
            models.UniqueConstraint(
                name="one_notice_of_a_recall_question", fields=["person", "question", "slot"]
            ),
            models.UniqueConstraint(name="one_notice_of_a_relief", fields=["person", "relief", "slot"]),
            models.UniqueConstraint(name="one_notice_of_a_finding", fields=["person", "finding", "slot"]),
            models.CheckConstraint(name="notice_is_about_one_thing", condition=_about_one_thing()),
        ]
        indexes = [models.Index(name="notice_unsent", fields=["made_at"], condition=Q(sent_at__isnull=True))]
