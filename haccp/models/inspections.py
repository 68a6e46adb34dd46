"""Who came to inspect, what was shown or copied, samples taken, what was found, by when, and what became of it.

What hangs on an inspection or a finding names its first record, so that a correction of that record takes all of it along.
"""

from django.db import models
from django.db.models import F, Q

from batches.models import Batch, Equipment, Lot, Movement
from haccp.models.plans import ControlPoint
from ledger.models import BASE_1, Entry, Record


class InspectedBy(models.TextChoices):
    AUTHORITY = "authority", "an authority"
    BUYER = "buyer", "a buyer's auditor"
    CERTIFIER = "certification-body", "a certification body"
    OTHER = "other", "somebody else"


class InspectedFor(models.TextChoices):
    ROUTINE = "routine", "as a matter of routine"
    FOLLOW_UP = "follow-up", "to follow something up"
    COMPLAINT = "complaint", "after a complaint"
    SAMPLING = "sampling", "to take samples"
    OTHER = "other", "for another reason"


class InspectedHow(models.TextChoices):
    ON_SITE = "on-site", "on site"
    REMOTE = "remote", "from afar"
    IN_WRITING = "in-writing", "in writing"


class Inspection(Record):
    """Somebody came to look, or wrote and asked for records; ``performed_at``: when they came, or it came.

    ``body``: the office or firm. ``reference``: of their notice or order. ``about``: what they said they came for.
    ``methods``: how they went about it. ``visitors``: [{"name", "function"}], hidden in the digest, since the names are
    of private people. ``accompanied_by``: uuids of those of the house who went along. ``first``: the first record of a
    line of corrections; empty on that one.
    """

    kind = "haccp.inspection"

    by_whom = models.CharField(max_length=18, choices=InspectedBy.choices)
    body = models.CharField(max_length=200)
    why = models.CharField(max_length=9, choices=InspectedFor.choices)
    about = models.TextField(max_length=2000, blank=True)
    how = models.CharField(max_length=10, choices=InspectedHow.choices)
    announced_on = models.DateField(null=True, blank=True)  # empty: it was not
    reference = models.CharField(max_length=120, blank=True)
    methods = models.TextField(max_length=2000, blank=True)
    visitors = models.JSONField(default=list, blank=True)
    accompanied_by = models.JSONField(default=list, blank=True)
    first = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="+")

    client_fields = (
        "by_whom",
        "body",
        "why",
        "about",
        "how",
        "announced_on",
        "reference",
        "methods",
        "visitors",
        "accompanied_by",
    )
    FORMS = {1: (*BASE_1, *client_fields, "first")}
    confidential = frozenset({"visitors"})

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="who_inspects_is_known", condition=Q(by_whom__in=InspectedBy.values) & ~Q(body="")
            ),
            models.CheckConstraint(
                name="why_they_inspect_is_known", condition=Q(why__in=InspectedFor.values)
            ),
            models.CheckConstraint(name="another_reason_is_told", condition=~Q(why="other") | ~Q(about="")),
            models.CheckConstraint(
                name="how_they_inspect_is_known", condition=Q(how__in=InspectedHow.values)
            ),
        ]


class InspectionNote(Record):
    """Something was shown, copied or said. ``document``: the number of a document made here."""

    kind = "haccp.inspection-note"

    class What(models.TextChoices):
        SHOWN = "shown", "shown"
        COPIED = "copied", "copied or handed over"
        REMARK = "remark", "remark"

    inspection = models.ForeignKey(Inspection, models.PROTECT, related_name="notes")
    what = models.CharField(max_length=6, choices=What.choices)
    text = models.TextField(max_length=4000, blank=True)
    document = models.PositiveBigIntegerField(null=True, blank=True)
    record = models.ForeignKey(Entry, models.PROTECT, null=True, blank=True, related_name="+")

    client_fields = ("inspection", "what", "text", "document", "record")
    FORMS = {1: BASE_1 + client_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="what_an_inspection_notes_is_known", condition=Q(what__in=["shown", "copied", "remark"])
            ),
            models.CheckConstraint(
                name="an_inspection_note_says_something",
                condition=~Q(text="") | Q(document__isnull=False) | Q(record__isnull=False),
            ),
        ]


class CounterSample(models.TextChoices):
    STAYS = "stays", "stays here, sealed"
    DECLINED = "declined", "offered and declined"
    NONE = "none", "none was left"


class InspectionSample(Record):
    """They took a sample. Of a lot, ``movement`` took it out of stock; else ``of`` says of what.

    ``taken_before``: the movement named by whoever told it, where it had been recorded already. ``analysis``: what is to
    be looked for, if told. ``mark``: how theirs is sealed or marked. ``counter_sample``: where one stays, how it is
    sealed and where it lies. ``receipt``: number of the receipt they gave. ``result_by``: when a result was promised.
    """

    kind = "haccp.inspection-sample"

    inspection = models.ForeignKey(Inspection, models.PROTECT, related_name="samples")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="inspection_samples")
    of = models.CharField(max_length=300, blank=True)
    entered = models.CharField(max_length=40, blank=True)
    unit = models.CharField(max_length=3, blank=True)
    taken_before = models.UUIDField(null=True, blank=True)
    movement = models.ForeignKey(Movement, models.PROTECT, null=True, blank=True, related_name="+")
    analysis = models.TextField(max_length=1000, blank=True)
    mark = models.CharField(max_length=200, blank=True)
    counter = models.CharField(max_length=8, choices=CounterSample.choices)
    counter_sample = models.CharField(max_length=300, blank=True)
    receipt = models.CharField(max_length=120, blank=True)
    result_by = models.DateField(null=True, blank=True)

    client_fields = (
        "inspection",
        "lot",
        "of",
        "entered",
        "unit",
        "taken_before",
        "analysis",
        "mark",
        "counter",
        "counter_sample",
        "receipt",
        "result_by",
    )
    FORMS = {1: (*BASE_1, *client_fields, "movement")}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="an_inspection_sample_is_of_something", condition=Q(lot__isnull=False) | ~Q(of="")
            ),
            models.CheckConstraint(
                name="a_sampled_lot_has_its_movement",
                condition=Q(lot__isnull=True, movement__isnull=True)
                | Q(lot__isnull=False, movement__isnull=False),
            ),
            models.CheckConstraint(
                name="what_became_of_a_counter_sample_is_known", condition=Q(counter__in=CounterSample.values)
            ),
            models.CheckConstraint(
                name="a_counter_sample_that_stays_is_described",
                condition=~Q(counter="stays") | ~Q(counter_sample=""),
            ),
        ]


class SampleResult(Record):
    """What came of a sample, as it was told; ``performed_at``: when it came. A lot that is objected to is held."""

    kind = "haccp.inspection-sample-result"

    class Outcome(models.TextChoices):
        IN_ORDER = "in-order", "nothing objected to"
        OBJECTED = "objected", "objected to"
        UNDECIDED = "undecided", "not decided yet"

    sample = models.ForeignKey(InspectionSample, models.PROTECT, related_name="results")
    outcome = models.CharField(max_length=9, choices=Outcome.choices)
    text = models.TextField(max_length=4000)
    reference = models.CharField(max_length=120, blank=True)

    client_fields = ("sample", "outcome", "text", "reference")
    FORMS = {1: BASE_1 + client_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="outcome_of_a_sample_is_known",
                condition=Q(outcome__in=["in-order", "objected", "undecided"]),
            ),
            models.CheckConstraint(name="a_sample_result_says_something", condition=~Q(text="")),
        ]


class Finding(Record):
    """What they found, in their words: ``text``, the ``rule`` they named, their ``grade``, and by when (``due_on``).

    ``number``: theirs. About one thing, or none in particular. ``flags``: what was odd about it when it was entered.
    ``first``: as of an inspection.
    """

    kind = "haccp.inspection-finding"

    inspection = models.ForeignKey(Inspection, models.PROTECT, related_name="findings")
    number = models.CharField(max_length=20, blank=True)
    text = models.TextField(max_length=4000)
    rule = models.CharField(max_length=300, blank=True)
    grade = models.CharField(max_length=120, blank=True)
    due_on = models.DateField(null=True, blank=True)
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="+")
    batch = models.ForeignKey(Batch, models.PROTECT, null=True, blank=True, related_name="+")
    control_point = models.ForeignKey(ControlPoint, models.PROTECT, null=True, blank=True, related_name="+")
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, blank=True, related_name="+")
    flags = models.JSONField(default=list, blank=True)
    first = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="+")

    client_fields = (
        "inspection",
        "number",
        "text",
        "rule",
        "grade",
        "due_on",
        "lot",
        "batch",
        "control_point",
        "equipment",
    )
    FORMS = {1: (*BASE_1, *client_fields, "flags", "first")}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="a_finding_says_something", condition=~Q(text="")),
            models.CheckConstraint(
                name="a_finding_is_about_one_thing",
                condition=Q(lot__isnull=True, batch__isnull=True, control_point__isnull=True)
                | Q(lot__isnull=True, batch__isnull=True, equipment__isnull=True)
                | Q(lot__isnull=True, control_point__isnull=True, equipment__isnull=True)
                | Q(batch__isnull=True, control_point__isnull=True, equipment__isnull=True),
            ),
        ]
        indexes = [*Record.Meta.indexes, models.Index(fields=["establishment", "due_on"])]


class FindingAnswer(Record):
    """What was done about a finding. ``told``: how and to whom it was told; empty: it was not. More may follow."""

    kind = "haccp.finding-answer"

    finding = models.ForeignKey(Finding, models.PROTECT, related_name="answers")  # the first of its line
    text = models.TextField(max_length=4000)
    told = models.CharField(max_length=300, blank=True)

    client_fields = ("finding", "text", "told")
    FORMS = {1: BASE_1 + client_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="an_answer_to_a_finding_says_something", condition=~Q(text="")),
        ]


class FindingClosed(Record):
    """A finding is done with, as it stood then: by the word of who made it (``reference``), or of the house; signed."""

    kind = "haccp.finding-closed"

    class By(models.TextChoices):
        THEM = "them", "by the word of who made it"
        HOUSE = "house", "by the house"

    finding = models.OneToOneField(Finding, models.PROTECT, related_name="closed")
    by = models.CharField(max_length=5, choices=By.choices)
    reference = models.CharField(max_length=200, blank=True)
    because = models.TextField(max_length=2000, blank=True)

    client_fields = ("finding", "by", "reference", "because")
    FORMS = {1: BASE_1 + client_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="a_finding_is_closed_by_a_word_or_for_a_reason",
                condition=(Q(by="them") & ~Q(reference="")) | (Q(by="house") & ~Q(because="")),
            ),
            models.CheckConstraint(name="a_closed_finding_stays_so", condition=Q(corrects__isnull=True)),
        ]


class InspectionEnd(Record):
    """They left, at ``performed_at``. ``outcome``: in their words. ``reference``: of their report; a scan hangs on this.

    ``arrived_at``: when they had come, as it stood then. ``objection``: the house's own words where it disagrees.
    """

    kind = "haccp.inspection-end"

    inspection = models.ForeignKey(Inspection, models.PROTECT, related_name="ends")
    arrived_at = models.DateTimeField()
    outcome = models.TextField(max_length=4000, blank=True)
    reference = models.CharField(max_length=120, blank=True)
    disagrees = models.BooleanField(default=False)
    objection = models.TextField(max_length=4000, blank=True)

    client_fields = ("inspection", "outcome", "reference", "disagrees", "objection")
    FORMS = {1: (*BASE_1, *client_fields, "arrived_at")}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="they_leave_after_they_came", condition=Q(performed_at__gte=F("arrived_at"))
            ),
            models.CheckConstraint(
                name="a_disagreement_has_its_words", condition=Q(disagrees=False) | ~Q(objection="")
            ),
            models.UniqueConstraint(  # further ones correct it
                name="an_inspection_ends_once", fields=["inspection"], condition=Q(corrects__isnull=True)
            ),
        ]
