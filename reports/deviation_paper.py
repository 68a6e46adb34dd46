"""A deviation as a document: what was read and judged, what was held, its answers, the fate of each lot, who signed."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.models import Lot
from config.api.refusals import Unknown
from config.templatetags.moments import local_time
from haccp import check_sheets, doubts, limits, rules
from haccp.models import Check, Deviation, Hold, InstrumentVerification, PackingCheck
from ledger.models import Establishment, Record, Signature
from reports import check_lines, kept_sentences, limit_words, packed, tables, verification_log
from reports.cases import ANSWER_COLUMNS, DISPOSITION_COLUMNS, Case, case
from reports.check_lines import CHECK_COLUMNS, CheckLine
from reports.documents import Column, RecordLine, SignatureLine
from reports.listing import Listing, Section, spoken
from reports.packed import PackingLine
from reports.signed import signatures_on
from reports.tables import Table
from reports.templatetags.documents import span
from reports.verification_log import VerificationLine

TITLE = gettext_lazy("deviation")
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


CASE_COLUMNS = (Column(gettext_lazy("Kind"), "what", 3), Column(gettext_lazy("As it was opened"), "title", 7))


@dataclass(frozen=True, kw_only=True)
class DeviationPaper(Listing):
    """``checks``, ``packing``, ``verifications``: the record that it was opened for, with what corrects it."""

    kind: ClassVar[str] = "deviation"
    landscape: ClassVar[bool] = False

    case: Case
    checks: tuple[CheckLine, ...]
    packing: tuple[PackingLine, ...]
    verifications: tuple[VerificationLine, ...]
    holds: tuple[HoldLine, ...]
    days_open: int
    record_ids: tuple[UUID, ...]

    @property
    def tells_limits(self) -> bool:
        return bool(self.checks)

    def facts(self) -> tuple[tuple[str, str], ...]:
        case, closed = self.case, self.case.closed
        open_for = span((closed.performed_at if closed else self.made_at) - case.performed_at)
        state = _("open for %s") % open_for
        if closed is not None:
            state = _("closed by %(name)s, %(at)s, after %(long)s") % {
                "name": closed.performed_by,
                "at": local_time(closed.performed_at),
                "long": open_for,
            }
        return (
            (_("State"), state),
            (_("Questions without an answer"), ", ".join(case.unanswered)),
            (_("Lots without a decision"), ", ".join(case.undecided)),
            (_("Record"), f"{case.record} {case.digest}"),
        )

    def sections(self) -> tuple[Section, ...]:
        return (
            Section(_("What happened"), (self.case,), CASE_COLUMNS, ""),
            *self._causes(),
            Section(_("Held"), self.holds, HOLD_COLUMNS, _("Nothing was held.")),
            Section(_("Answers"), self.case.answers, ANSWER_COLUMNS, _("No question was answered yet.")),
            Section(
                _("Decisions on lots"),
                self.case.dispositions,
                DISPOSITION_COLUMNS,
                _("No lot was decided on."),
            ),
        )

    def _causes(self) -> Iterator[Section]:
        """What was read and judged, where the case was opened for that."""
        if self.checks:
            yield Section(_("The check"), self.checks, CHECK_COLUMNS, "")
        if self.packing:
            yield Section(_("The packing check"), self.packing, packed.COLUMNS, "")
        if self.verifications:
            yield Section(_("The verification"), self.verifications, verification_log.COLUMNS, "")

    def data_tables(self) -> tuple[Table, ...]:
        return (
            tables.of_records("answers", self.case.answers, ("question", "text")),
            tables.of_records("decisions", self.case.dispositions, ("lot", "decision", "because")),
            tables.of_records("holds", self.holds, ("subject", "since", "lots")),
            check_lines.table(self.checks),
            tables.of_records("verifications", self.verifications, verification_log.HEADS),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a deviation of another establishment."""
    if not Deviation.objects.filter(establishment=establishment, pk=subject).exists():
        raise Unknown(f"There is no deviation {subject} here.", field="subject")


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> DeviationPaper:
    """Read the case; call it within one snapshot."""
    deviation = Deviation.objects.select_related(*RecordLine.FROM_RECORD).get(establishment=here, pk=subject)
    read, checks = case(deviation), _checks(deviation)
    packing = list(_causes(PackingCheck, deviation, "lot", "label_version__label"))
    verified = list(_causes(InstrumentVerification, deviation, "instrument"))
    sheets = {each.sheet_id: each.sheet for each in checks if each.sheet is not None}
    shown: list[Record] = [*read.records, *checks, *sheets.values(), *packing, *verified]
    signatures = signatures_on([each.pk for each in shown])
    signed = list(signatures)
    closed = read.line.closed
    until = head["made_at"] if closed is None else closed.performed_at
    return DeviationPaper(
        case=read.line,
        checks=tuple(_check_lines(checks)),
        packing=tuple(map(packed.line, packing)),
        verifications=tuple(map(verification_log.line, verified)),
        holds=tuple(_holds(deviation, here)),
        days_open=max(0, (until - read.line.performed_at).days),
        signatures=tuple(SignatureLine.of(each, _signed(each, shown)) for each in signed),
        confirmed_rules=tuple(
            map(
                kept_sentences.source,
                sorted(
                    {rule for check in checks for each in check.judgements for rule in each.get("rules", ())}
                ),
            )
        ),
        unconfirmed_rules=tuple(_unconfirmed(here, checks)),
        record_ids=tuple(sorted({each.pk for each in (*shown, *signed)})),
        **head,
    )


def _causes(kind: type[Record], deviation: Deviation, *related: str) -> Any:
    """The record that the case was opened for, and what was written in its place since."""
    rows: Any = kind.objects
    keys = [deviation.subject, deviation.because_id]
    found = rows.filter(Q(pk__in=keys) | Q(corrects__in=keys), withdrawn=False)
    return found.select_related(*RecordLine.FROM_RECORD, *related).order_by(
        "performed_at", "recorded_at", "id"
    )


def _checks(deviation: Deviation) -> list[Check]:
    related = ("control_point", "part", "instrument", "sheet", "batch__recipe_version", "batch__state", "lot")
    found = _causes(Check, deviation, *related)
    return list(
        found.prefetch_related("series_uses__series__corrected_by", "series_uses__series__instrument")
    )


def _check_lines(checks: list[Check]) -> Iterator[CheckLine]:
    in_doubt, scans = doubts.doubted(checks), check_sheets.scans_of(checks)
    for each in checks:
        yield CheckLine.of_check(each, each.pk in in_doubt, scans.get(each.sheet_id, ()))


def _unconfirmed(here: Establishment, checks: list[Check]) -> Iterator[str]:
    """Rules about what was read that nobody has confirmed, as on the day of the check."""
    for check in checks[:1]:
        judged = [limits.from_json(each["limit"]) for each in check.judgements]
        quantities = {part.quantity for limit in judged for part in limits.bounded_parts(limit)}
        materials = {check.lot.material_id} if check.lot else set()
        materials |= {check.batch.recipe_version.material_id} if check.batch else set()
        day = check.performed_at.astimezone(here.zone).date()
        yield from map(limit_words.of_rule, rules.awaiting(here, day, quantities, materials))


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
