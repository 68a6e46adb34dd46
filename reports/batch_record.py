"""The batch record: what was planned, weighed, done, checked, lost, decided and signed for one batch."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.models import Batch, Lot, Movement
from batches.quantities import UNITS
from batches.sheet_lines import BatchSheet
from batches.sheets import batch_sheet
from config.api.refusals import Unknown
from haccp import doubts, limits, monitoring, rules
from haccp.judging import GONE, SENTENCES, run_flags
from haccp.limits import Result
from haccp.models import (
    Answer,
    Check,
    Closing,
    Deviation,
    Disposition,
    Hold,
    PackingCheck,
    PlanVersion,
    Question,
    Release,
    StartPermission,
)
from haccp.series_uses import gone
from ledger.models import Establishment, Record
from reports import packed, predicted, signed
from reports.documents import Column, Document, RecordLine, SignatureLine
from reports.packed import PackingLine
from reports.predicted import Predicted

RELATED = RecordLine.FROM_RECORD
IN_DOUBT = gettext_lazy("In doubt: the instrument failed a verification. See its deviation.")


@dataclass(frozen=True)
class LotUsed:
    """A lot that went in: whose it is, and its status now. What stood against it then is flagged at its weighings."""

    code: str
    material: str
    supplier: str
    supplier_code: str
    best_before: date | None
    made_by_batch: str
    status: str


@dataclass(frozen=True)
class JudgedReading:
    """One reading as entered and as judged, with the bounds and who set them."""

    quantity: str
    entered: str
    must: str
    source: str
    result: str
    margin: str
    sentence: str
    warning: str = ""


@dataclass(frozen=True, kw_only=True)
class CheckLine(RecordLine):
    """A check with its readings; corrected ones stay, struck."""

    point: str
    name: str
    kind: str
    part: int | None
    occasion: str
    instrument: str
    readings: tuple[JudgedReading, ...]
    result: Result
    flags: tuple[str, ...]

    @property
    def control(self) -> tuple[str, ...]:
        """Which point, on which part and occasion, as it stands in the table."""
        part = _("part %d") % self.part if self.part else ""
        return f"{self.point} {self.name}", ", ".join(filter(None, (self.kind, part, self.occasion)))

    @property
    def read(self) -> tuple[str, ...]:
        said = (f"{each.quantity}: {each.entered}" for each in self.readings)
        warnings = dict.fromkeys(each.warning for each in self.readings)
        return tuple(filter(None, (*said, self.instrument, *warnings, *self.flags)))

    @property
    def asked(self) -> tuple[str, ...]:
        """What had to hold, who set it, and how far off or inside the reading lies."""
        return tuple(
            _("%(must)s (%(source)s), margin %(margin)s") % vars(each)
            if each.margin
            else f"{each.must} ({each.source})"
            for each in self.readings
        )


CHECK_COLUMNS = (
    Column(gettext_lazy("Control point"), "control", 4),
    Column(gettext_lazy("Read, as entered"), "read", 5),
    Column(gettext_lazy("Must be (set by)"), "asked", 4),
    Column(gettext_lazy("Result"), "result", 3),
)


@dataclass(frozen=True)
class OpenCheck:
    """A check that the plan asks for and that is not there."""

    slot: str
    due_at: datetime | None
    state: str


@dataclass(frozen=True, kw_only=True)
class AnswerLine(RecordLine):
    question: str
    text: str


@dataclass(frozen=True, kw_only=True)
class DispositionLine(RecordLine):
    lot: str
    decision: str
    because: str


ANSWER_COLUMNS = (
    Column(gettext_lazy("Question"), "question", 4),
    Column(gettext_lazy("Answer"), "text", 8),
)
DISPOSITION_COLUMNS = (
    Column(gettext_lazy("Lot"), "lot", 3),
    Column(gettext_lazy("Decision"), "decision", 3),
    Column(gettext_lazy("Because"), "because", 6),
)


@dataclass(frozen=True, kw_only=True)
class Case(RecordLine):
    """A deviation with its four answers: put right, cause, prevention, and what became of each lot."""

    what: str
    title: str
    held: tuple[str, ...]
    answers: tuple[AnswerLine, ...]
    unanswered: tuple[str, ...]
    dispositions: tuple[DispositionLine, ...]
    undecided: tuple[str, ...]
    closed: RecordLine | None


@dataclass(frozen=True, kw_only=True)
class PlanUsed(RecordLine):
    title: str
    number: int


@dataclass(frozen=True, kw_only=True)
class BatchRecord(Document):
    """Everything about one batch as it stood when it was read, in one snapshot.

    ``record_ids``: every record shown, for the evidence that goes with the document. Approved versions are left to
    the digest that was signed: a whole plan or recipe does not travel with each batch.
    """

    kind: ClassVar[str] = "batch-record"
    template: ClassVar[str] = "reports/batch_record.html"
    check_columns: ClassVar[tuple[Column, ...]] = CHECK_COLUMNS
    packing_columns: ClassVar[tuple[Column, ...]] = packed.COLUMNS
    answer_columns: ClassVar[tuple[Column, ...]] = ANSWER_COLUMNS
    disposition_columns: ClassVar[tuple[Column, ...]] = DISPOSITION_COLUMNS

    sheet: BatchSheet
    plan: PlanUsed | None
    warnings: tuple[str, ...]
    lots_used: tuple[LotUsed, ...]
    checks: tuple[CheckLine, ...]
    open_checks: tuple[OpenCheck, ...]
    packing: tuple[PackingLine, ...]
    told_at_release: tuple[str, ...]
    predicted: Predicted | None
    cases: tuple[Case, ...]
    record_ids: tuple[UUID, ...]


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a batch of another establishment."""
    if not Batch.objects.filter(establishment=establishment, uid=subject).exists():
        raise Unknown(f"There is no batch {subject} here.", field="subject")


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> BatchRecord:
    """Read the record of a batch; call it within one snapshot, with what the base document needs as ``head``."""
    batches = Batch.objects.select_related("recipe_version__material")
    batch = batches.get(establishment=here, uid=subject)
    checks = _checks(batch)
    in_doubt = doubts.doubted(checks)
    packing = packed.checks_of(batch)
    cases = _cases(batch, [*checks, *packing])
    releases = list(Release.objects.filter(lot__batch=batch).select_related(*RELATED, "lot"))
    plan = _plan(batch)
    of_cases = (record for case in cases for record in case.records)
    shown: list[Record] = [*checks, *packing, *of_cases, *releases, *signed.of_batch(batch)]
    signatures = signed.signatures(plan, shown)
    return BatchRecord(
        sheet=batch_sheet(batch),
        plan=None if plan is None else PlanUsed.of(plan, title=_title(plan), number=plan.number),
        warnings=_warnings(batch),
        lots_used=tuple(_lots_used(batch)),
        checks=tuple(_check_line(each, each.pk in in_doubt) for each in checks),
        open_checks=tuple(_open_checks(batch, head["made_at"])),
        packing=tuple(map(packed.line, packing)),
        told_at_release=packed.told(releases),
        predicted=predicted.of_batch(batch),
        cases=tuple(case.line for case in cases),
        signatures=tuple(SignatureLine.of(each, what) for each, what in signatures),
        confirmed_rules=_rules(checks),
        unconfirmed_rules=_unconfirmed_rules(batch, checks),
        record_ids=tuple(sorted({record.pk for record in (*shown, *(each for each, _what in signatures))})),
        **head,
    )


def _title(plan: PlanVersion) -> str:
    return str(plan.document.get("title", plan.plan.name))


def _warnings(batch: Batch) -> tuple[str, ...]:
    """What the start gate kept with its permission; or that there was no gate when this ran."""
    permission = signed.permission_of(batch)
    if isinstance(permission, StartPermission):
        return tuple(each["detail"] for each in permission.warnings)
    return (
        _(
            "This ran before these records began. It was brought in from the house's own papers (%(file)s, line %(line)s); "
            "nobody permitted it here, and no check or recipe of it is on record."
        )
        % {"file": permission.file, "line": permission.line},
    )


def _plan(batch: Batch) -> PlanVersion | None:
    return (
        PlanVersion.objects.select_related(*RELATED, "plan")
        .filter(pk__in=filter(None, [batch.plan_version_id]))
        .first()
    )


def _lots_used(batch: Batch) -> Iterable[LotUsed]:
    used = Movement.objects.standing().filter(batch=batch, what="used").values("lot")
    lots = Lot.objects.filter(pk__in=used).select_related("material", "batch", "state", "state__supplier")
    for lot in lots.order_by("material__name", "code"):
        yield LotUsed(
            code=lot.code,
            material=lot.material.name,
            supplier=lot.state.supplier.name if lot.state.supplier else "",
            supplier_code=lot.state.supplier_code,
            best_before=lot.state.best_before,
            made_by_batch=lot.batch.code if lot.batch else "",
            status=lot.state.get_status_display(),
        )


def _checks(batch: Batch) -> list[Check]:
    rows = Check.objects.filter(batch=batch).select_related(
        *RELATED, "control_point", "part", "instrument", "batch__state"
    )
    rows = rows.prefetch_related("series_uses__series__corrected_by")
    return list(rows.order_by("performed_at", "recorded_at", "id"))


def _check_line(check: Check, in_doubt: bool) -> CheckLine:
    point, instrument = check.control_point, check.instrument
    return CheckLine.of(
        check,
        point=point.code,
        name=point.name,
        kind=point.kind.upper(),
        part=check.part.number if check.part else None,
        occasion=check.occasion,
        instrument="" if instrument is None else " ".join(filter(None, (str(instrument), instrument.serial))),
        readings=tuple(_readings(check)),
        result=Result(check.result),
        flags=(
            *(SENTENCES.get(flag, flag) for flag in sorted({*check.flags, *run_flags(check)})),
            *([str(IN_DOUBT)] if in_doubt else []),
            *([GONE] if gone(check) else []),
        ),
    )


def _readings(check: Check) -> Iterable[JudgedReading]:
    entered = {each["quantity"]: each for each in check.readings}
    for judged in check.judgements:
        said = entered.get(judged["limit"]["quantity"], {})
        ends = [judged, *judged.get("windows", [])]
        sources = {each[end]["source"] for each in ends for end in ("lower", "upper") if end in each}
        yield JudgedReading(
            quantity=" / ".join(filter(None, (judged.get("all_of"), judged["limit"]["quantity"]))),
            entered=_entered(said),
            must=judged["must"],
            source="; ".join(sorted(sources)) or "plan",
            result=judged["result"],
            margin=judged.get("margin", ""),
            sentence=judged["sentence"],
            warning=judged.get("warning", ""),
        )


def _entered(said: dict[str, Any]) -> str:
    words = [said.get("outcome") or f"{said.get('value', '')} {_symbol(said.get('unit', ''))}".strip()]
    if "counted_out" in said:
        words = [_("out %(out)s, in %(back)s") % {"out": said["counted_out"], "back": said["counted_in"]}]
    if said.get("points"):
        first, last = said["points"][0], said["points"][-1]
        words = [
            _("%(count)d readings from %(began)s to %(ended)s, first %(first)s, last %(last)s %(unit)s")
            % {
                "count": len(said["points"]),
                "began": first["at"],
                "ended": last["at"],
                "first": first["value"],
                "last": last["value"],
                "unit": _symbol(said["unit"]),
            }
        ]
    if said.get("series"):
        words = [_("series %s") % said["series"]]
    if said.get("method"):
        words.append(_("by %s") % said["method"])
    if said.get("sample_temperature"):
        unit = _symbol(said.get("sample_temperature_unit", ""))
        words.append(_("sample at %(value)s %(unit)s") % {"value": said["sample_temperature"], "unit": unit})
    return ", ".join(words)


def _symbol(unit: str) -> str:
    return UNITS[unit].symbol if unit in UNITS else unit


def _rules(checks: Sequence[Check]) -> tuple[str, ...]:
    return tuple(
        sorted({rule for check in checks for each in check.judgements for rule in each.get("rules", [])})
    )


def _unconfirmed_rules(batch: Batch, checks: Sequence[Check]) -> tuple[str, ...]:
    """Rules about what was checked here that nobody has confirmed, as on the day the batch began."""
    whole = Batch.objects.select_related("state", "recipe_version", "establishment").get(pk=batch.pk)
    on = whole.state.started_at.astimezone(whole.establishment.zone).date()
    judged = [limits.from_json(each["limit"]) for check in checks for each in check.judgements]
    quantities = {part.quantity for limit in judged for part in limits.bounded_parts(limit)}
    about = [whole.recipe_version.material_id]
    return tuple(rules.unconfirmed(whole.establishment, on, quantities, about))


def _open_checks(batch: Batch, now: datetime) -> Iterable[OpenCheck]:
    whole = Batch.objects.select_related("state", "recipe_version__material", "establishment").get(
        pk=batch.pk
    )
    zone = whole.establishment.zone
    for each in monitoring.of_batch(whole, now):
        if each.state is not monitoring.State.MADE:
            due_at = None if each.due.due_at is None else each.due.due_at.astimezone(zone)
            yield OpenCheck(slot=each.due.slot, due_at=due_at, state=each.sentence or each.state.value)


# -- deviations -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Case:
    line: Case
    records: tuple[Record, ...]


def _cases(batch: Batch, checks: Sequence[Check | PackingCheck]) -> list[_Case]:
    """Deviations about the batch, its checks, packing checks and movements, and those that hold one of its lots."""
    subjects: list[UUID] = [batch.uid, *(check.pk for check in checks)]
    subjects += batch.movements.values_list("pk", flat=True)
    lots = {str(uid) for uid in batch.lots.values_list("uid", flat=True)}
    holds = Hold.objects.filter(establishment=batch.establishment_id).values_list(
        "deviation_id", "subject", "lots"
    )
    holding = {key for key, subject, held in holds if subject == batch.uid or lots & set(held)}
    rows = Deviation.objects.filter(establishment=batch.establishment_id)
    about = rows.filter(subject__in=subjects) | rows.filter(pk__in=holding)
    found = list(about.select_related(*RELATED).order_by("recorded_at"))
    return [_case(deviation) for deviation in found]


def _case(deviation: Deviation) -> _Case:
    answers = list(_of(Answer, deviation))
    dispositions = list(_of(Disposition, deviation, "lot"))
    closing = _of(Closing, deviation).first()
    held = {uid for lots in deviation.holds.values_list("lots", flat=True) for uid in lots}
    codes = dict(Lot.objects.filter(uid__in=held).values_list("uid", "code"))
    standing = {each.question for each in answers if _stands(each)}
    decided = {each.lot.uid for each in dispositions if _stands(each)}
    line = Case.of(
        deviation,
        what=deviation.get_what_display(),
        title=deviation.title,
        held=tuple(sorted(codes.values())),
        answers=tuple(
            AnswerLine.of(each, question=each.get_question_display(), text=each.text) for each in answers
        ),
        unanswered=tuple(str(question.label) for question in Question if question not in standing),
        dispositions=tuple(
            DispositionLine.of(
                each, lot=each.lot.code, decision=each.get_decision_display(), because=each.because
            )
            for each in dispositions
        ),
        undecided=tuple(sorted(code for uid, code in codes.items() if uid not in decided)),
        closed=None if closing is None else RecordLine.of(closing),
    )
    holds = deviation.holds.all()
    records = (deviation, *holds, *answers, *dispositions, *([closing] if closing else []))
    return _Case(line, records)


def _of(kind: type[Record], deviation: Deviation, *related: str) -> Any:
    rows: Any = kind.objects
    return rows.filter(deviation=deviation).select_related(*RELATED, *related).order_by("recorded_at", "id")


def _stands(record: Record) -> bool:
    return getattr(record, "corrected_by", None) is None and not record.withdrawn
