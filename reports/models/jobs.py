from django.db import models
from django.db.models import F, Q

from ledger.ids import uuid7
from ledger.models import Establishment, Person


class DocumentJob(models.Model):
    """A document that was asked for: a row first, a message to a worker second.

    ``subject``: the uuid of what it is about; the establishment's own where it is about no one thing. ``about``: what
    its kind asks besides, as asked. ``request_digest``: SHA-256 over all that was asked and by whom. ``seal_number``:
    of the seal it bears. ``told_first`` and ``told_last``: of which local days it tells, of one made for outside
    (``reports.dated``); none where it tells of no days. ``parts_drawn`` of ``parts_in_all``: how far it is. ``digest``:
    SHA-256 of the finished PDF.
    A job that a worker left behind is picked up again by the sweep; made twice it is the same job.
    """

    class State(models.TextChoices):
        QUEUED = "queued", "queued"
        MAKING = "making", "being made"
        DONE = "done", "done"
        FAILED = "failed", "failed"

    class Kind(models.TextChoices):
        BATCH_RECORD = "batch-record", "batch record"
        HAZARD_PLAN = "hazard-plan", "hazard plan"
        CHECK_SHEET = "check-sheet", "check sheet"
        TRIAL = "trial", "trial on past checks"
        SALE_SIGN = "sale-sign", "sign for unpacked sale"
        TAG_SHEET = "tag-sheet", "sheet of tags"
        CHANGEOVER_TABLE = "changeover-table", "changeover table"
        TRACE = "trace", "trace"
        RECALL_LETTER = "recall-letter", "recall letter"
        RECALL_REPORT = "recall-report", "recall report"
        NOTICE_REPLY = "notice-reply", "reply to a recall notice"
        RECALL_PLAN = "recall-plan", "recall plan"
        INSPECTION_FILE = "inspection-file", "inspection file"
        PUBLIC_NOTICE = "public-notice", "public notice of a recall"
        MASS_BALANCE = "mass-balance", "mass balance"
        MONITORING_LOG = "monitoring-log", "monitoring log"
        DEVIATION = "deviation", "deviation"
        DEVIATION_LIST = "deviation-list", "list of deviations"
        RECEIVING_LOG = "receiving-log", "receiving log"
        CHANGEOVER_LOG = "changeover-log", "changeover log"
        VERIFICATION_LOG = "verification-log", "instrument verification log"
        PEOPLE_LIST = "people-list", "people, training and qualifications"
        RETENTION_REPORT = "retention-report", "retention of records"
        ALLERGEN_SHEET = "allergen-sheet", "allergen and label sheet"
        COMPLIANCE_PROFILE = "compliance-profile", "which parts are asked of this establishment"
        INSPECTION_RECORD = "inspection-record", "inspection record"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    kind = models.CharField(
        max_length=30
    )  # of ``Kind``; which there are is for the code to say, not for the table
    subject = models.UUIDField()
    about = models.JSONField(default=dict, blank=True)
    language = models.CharField(max_length=5, default="en")
    page_size = models.CharField(max_length=6, default="a4")
    pdf_variant = models.CharField(max_length=10, default="pdf/a-3u")
    number = models.PositiveBigIntegerField()
    asked_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    state = models.CharField(max_length=6, choices=State.choices, default=State.QUEUED)
    tries = models.PositiveSmallIntegerField(default=0)
    touched_at = models.DateTimeField()
    made_at = models.DateTimeField(null=True, blank=True)
    problem = models.TextField(blank=True)
    size = models.PositiveBigIntegerField(null=True, blank=True)
    digest = models.CharField(max_length=64, blank=True)
    request_digest = models.CharField(max_length=64, blank=True)
    seal_number = models.PositiveBigIntegerField(null=True, blank=True)
    told_first = models.DateField(null=True, blank=True)
    told_last = models.DateField(null=True, blank=True)
    parts_drawn = models.PositiveSmallIntegerField(default=0)
    parts_in_all = models.PositiveSmallIntegerField(default=1)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                name="document_numbers_are_given_once", fields=["establishment", "number"]
            ),
            models.CheckConstraint(
                name="document_state_is_known", condition=Q(state__in=["queued", "making", "done", "failed"])
            ),
            models.CheckConstraint(
                name="document_parts_drawn_are_of_all", condition=Q(parts_drawn__lte=F("parts_in_all"))
            ),
            models.CheckConstraint(
                name="document_days_end_after_they_begin",
                condition=Q(told_first__isnull=True, told_last__isnull=True)
                | Q(told_first__isnull=False, told_last__isnull=False, told_last__gte=F("told_first")),
            ),
            models.CheckConstraint(
                name="document_done_has_a_digest", condition=~Q(state="done") | ~Q(digest="")
            ),
        ]
        indexes = [
            models.Index(fields=["establishment", "-id"]),
            models.Index(fields=["state", "touched_at"]),
            models.Index(fields=["establishment", "request_digest"]),
        ]
