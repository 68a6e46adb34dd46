"""A deviation as a document: what happened, what was held, its four answers, what was decided on each lot, and who signed."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.models import Lot
from config.api.refusals import Unknown
from haccp.models import Deviation, Hold
from ledger.models import Establishment, Record, Signature
from reports import tables
from reports.cases import ANSWER_COLUMNS, DISPOSITION_COLUMNS, Case, case
from reports.documents import Column, RecordLine, SignatureLine
from reports.listing import Listing, Section, spoken
from reports.tables import Table
from reports.templatetags.documents import local_time

TITLE = gettext_lazy("deviation")
LANGUAGES = ("en", "es")
FORMS = tables.FORMS


@dataclass(frozen=True, kw_only=True)
class HoldLine(RecordLine):
    """Everything its subject touched since the last good check is held; ``lots``: by their codes, as found then."""

    subject: str
    since: datetime | None
    lots: tuple[str, ...]


HOLD_COLUMNS = (
    Column(gettext_lazy("Held is"), "subject", 3),
    Column(gettext_lazy("Since the last good check"), "since", 3),
    Column(gettext_lazy("Lots found then"), "lots", 4),
)


@dataclass(frozen=True, kw_only=True)
class DeviationPaper(Listing):
    kind: ClassVar[str] = "deviation"
    shows_limits: ClassVar[bool] = False
    landscape: ClassVar[bool] = False

    case: Case
    holds: tuple[HoldLine, ...]
    days_open: int
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        case, closed = self.case, self.case.closed
        state = _("open for %d days") % self.days_open
        if closed is not None:
            state = _("closed by %(name)s, %(at)s, after %(days)d days") % {
                "name": closed.performed_by,
                "at": local_time(closed.performed_at),
                "days": self.days_open,
            }
        return (
            (_("What happened"), case.title),
            (_("Kind"), case.what),
            (_("Opened"), f"{local_time(case.performed_at)}, {case.performed_by}"),
            (_("State"), state),
            (_("Questions without an answer"), ", ".join(case.unanswered)),
            (_("Lots without a decision"), ", ".join(case.undecided)),
            (_("Record"), f"{case.record} {case.digest}"),
        )

    def sections(self) -> tuple[Section, ...]:
        return (
            Section(_("Held"), self.holds, HOLD_COLUMNS, _("Nothing was held.")),
            Section(_("Answers"), self.case.answers, ANSWER_COLUMNS, _("No question was answered yet.")),
            Section(
                _("Decisions on lots"),
                self.case.dispositions,
                DISPOSITION_COLUMNS,
                _("No lot was decided on."),
            ),
        )

    def data_tables(self) -> tuple[Table, ...]:
        return (
            tables.of_records("answers", self.case.answers, ("question", "text")),
            tables.of_records("decisions", self.case.dispositions, ("lot", "decision", "because")),
            tables.of_records("holds", self.holds, ("subject", "since", "lots")),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a deviation of another establishment."""
    if not Deviation.objects.filter(establishment=establishment, pk=subject).exists():
        raise Unknown(f"There is no deviation {subject} here.", field="subject")


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> DeviationPaper:
    """Read the case; call it within one snapshot."""
    deviation = Deviation.objects.select_related(*RecordLine.FROM_RECORD).get(establishment=here, pk=subject)
    read = case(deviation)
    shown: list[Record] = list(read.records)
    signatures = Signature.objects.standing().filter(target__in=[each.pk for each in shown])
    signed = list(signatures.order_by("performed_at", "id"))
    closed = read.line.closed
    until = head["made_at"] if closed is None else closed.performed_at
    return DeviationPaper(
        case=read.line,
        holds=tuple(_holds(deviation, here)),
        days_open=max(0, (until - read.line.performed_at).days),
        signatures=tuple(SignatureLine.of(each, _signed(each, shown)) for each in signed),
        confirmed_rules=(),
        record_ids=tuple(sorted({each.pk for each in (*shown, *signed)})),
        **head,
    )


def _holds(deviation: Deviation, here: Establishment) -> Iterator[HoldLine]:
    holds = list(Hold.objects.filter(deviation=deviation).select_related(*RecordLine.FROM_RECORD))
    named = {uid for hold in holds for uid in hold.lots}
    codes = {str(uid): code for uid, code in Lot.objects.filter(uid__in=named).values_list("uid", "code")}
    for hold in sorted(holds, key=lambda hold: (hold.recorded_at, hold.pk)):
        yield HoldLine.of(
            hold,
            subject=spoken(hold.get_subject_kind_display()),
            since=None if hold.since is None else hold.since.astimezone(here.zone),
            lots=tuple(codes.get(uid, uid) for uid in hold.lots),
        )


def _signed(signature: Signature, shown: list[Record]) -> str:
    """What was signed, in words."""
    kinds = {each.pk: type(each)._meta.model_name for each in shown}
    words = {
        "closing": _("closing of the deviation"),
        "disposition": _("decision on a lot"),
        "answer": _("answer"),
    }
    return words.get(str(kinds.get(signature.target_id)), _("deviation"))
