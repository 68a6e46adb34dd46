"""Whether to recall: asked by each case whose hold reaches what has been shipped, until a lead decides."""

from django.db import models
from django.db.models import F, Q

from batches.models import Lot
from haccp.models.deviations import Deviation
from haccp.models.recalls import Recall
from ledger.models import BASE_1, Entry, Record


class RecallQuestion(Record):
    """A case holds what has left the house, or what it holds has left: one question a case.

    ``determined_at``: when what the case is about was known; periods of authorities count from then.
    """

    kind = "haccp.recall-question"

    deviation = models.OneToOneField(Deviation, models.PROTECT, related_name="recall_question")
    determined_at = models.DateTimeField()

    own_fields = ("deviation", "determined_at")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="a_recall_question_is_decided_not_corrected", condition=Q(corrects__isnull=True)
            ),
            models.CheckConstraint(
                name="a_question_is_asked_after_it_is_determined",
                condition=Q(determined_at__lte=F("recorded_at")),
            ),
        ]


class RecallQuestionLot(Record):
    """A lot the question is about, from now on. ``because``: the case that held it, or the shipment that came after.

    ``shipped``: base steps that had left by then.
    """

    kind = "haccp.recall-question-lot"

    question = models.ForeignKey(RecallQuestion, models.PROTECT, related_name="lots")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="+")
    shipped = models.BigIntegerField()
    because = models.ForeignKey(Entry, models.PROTECT, related_name="+")
    determined_at = models.DateTimeField()

    own_fields = ("question", "lot", "shipped", "because", "determined_at")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="a_question_names_a_lot_once", fields=["question", "lot"]),
            models.CheckConstraint(name="a_lot_in_question_was_shipped", condition=Q(shipped__gt=0)),
            models.CheckConstraint(name="a_lot_in_question_stays_in_it", condition=Q(corrects__isnull=True)),
        ]


class RecallVerdict(Record):
    """A food-safety lead decides, signed: to recall (``recall``), or not, and why. The newest holds.

    ``lots``: the uuids it decides on, all that were in question by then; what comes later is open again.
    """

    kind = "haccp.recall-verdict"

    question = models.ForeignKey(RecallQuestion, models.PROTECT, related_name="verdicts")
    recall = models.ForeignKey(
        Recall, models.PROTECT, null=True, blank=True, related_name="answered_questions"
    )
    because = models.TextField(max_length=4000)
    lots = models.JSONField(default=list)

    client_fields = ("question", "recall", "because")
    FORMS = {1: (*BASE_1, *client_fields, "lots")}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="a_verdict_has_a_reason", condition=~Q(because="")),
            models.CheckConstraint(
                name="a_verdict_is_superseded_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]
