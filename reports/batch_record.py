"""The batch record: what was planned, weighed, done, checked, lost, decided and signed for one batch."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _

from batches.models import Batch, Lot, Movement
from batches.sheet_lines import BatchSheet
from batches.sheets import batch_sheet
from config.api.refusals import Unknown
from haccp import check_sheets, doubts, limits, monitoring, rules
from haccp.models import (
    Check,
    Deviation,
    Hold,
    PackingCheck,
    PlanVersion,
    Release,
    StartPermission,
)
from haccp.monitoring import Answered, State
from ledger.models import Establishment, Record
from reports import (
    balances,
    bare_sheet,
    batch_tables,
    kept_sentences,
    left_out,
    limit_words,
    occasions,
    packed,
    predicted,
    signed,
    tables,
)
from reports.bare_sheet import BareLine
from reports.cases import ANSWER_COLUMNS, DISPOSITION_COLUMNS, Case, CaseRead, case
from reports.check_lines import CHECK_COLUMNS, CheckLine
from reports.documents import Column, RecordLine, SignatureLine
from reports.left_out import Included, LeavesOut
from reports.listing import spoken
from reports.packed import PackingLine
from reports.predicted import Predicted

RELATED = RecordLine.FROM_RECORD
FORMS = tables.FORMS


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
class OpenCheck:
    """A check that the plan asks for and that is not there, or of which no record tells whether it was due."""

    slot: str
    due_at: datetime | None
    state: str


@dataclass(frozen=True, kw_only=True)
class PlanUsed(RecordLine):
    title: str
    number: int


@dataclass(frozen=True, kw_only=True)
class BatchRecord(LeavesOut):
    """Everything about one batch as it stood when it was read, in one snapshot.

    ``untold_checks``: what is due only if something happened that no record can tell, as a break: no miss, and not among
    ``open_checks``. ``balances``: those that weighings name, by their ids. ``record_ids``: every record shown, for the
    evidence that goes with the document. Approved versions are left to the digest that was signed: a whole plan or recipe does
    not travel with each batch.
    """

    kind: ClassVar[str] = "batch-record"
    template: ClassVar[str] = "reports/batch_record.html"
    marks_late: ClassVar[bool] = True
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
    untold_checks: tuple[OpenCheck, ...] = ()
    packing: tuple[PackingLine, ...]
    told_at_release: tuple[str, ...]
    predicted: Predicted | None
    weighed: tuple[BareLine, ...] = ()
    balances: tuple[tuple[UUID, str], ...] = ()
    cases: tuple[Case, ...]
    record_ids: tuple[UUID, ...]

    def data_tables(self) -> tuple[tables.Table, ...]:
        return batch_tables.tables_of(self)


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a batch of another establishment."""
    if not Batch.objects.filter(establishment=establishment, uid=subject).exists():
        raise Unknown(f"There is no batch {subject} here.", field="subject")


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> BatchRecord:
    """Read the record of a batch; call it within one snapshot, with what the base document needs as ``head``."""
    batches = Batch.objects.select_related("recipe_version__material")
    batch = batches.get(establishment=here, uid=subject)
    checks = _checks(batch)
    in_doubt, scans = doubts.doubted(checks), check_sheets.scans_of(checks)
    packing = packed.checks_of(batch)
    cases = _cases(batch, [*checks, *packing])
    releases = list(Release.objects.filter(lot__batch=batch).select_related(*RELATED, "lot"))
    plan = _plan(batch)
    of_cases = (record for case in cases for record in case.records)
    sheets = {each.sheet_id: each.sheet for each in checks if each.sheet is not None}
    outside = left_out.for_outside(about)
    words = left_out.words(here, [subject]) if outside else []
    of_batch = signed.of_batch(batch)
    shown: list[Record] = [*checks, *sheets.values(), *packing, *of_cases, *releases, *of_batch, *words]
    signatures = signed.signatures(plan, shown)
    sheet = batch_sheet(batch)
    asked = _asked_for(batch, head["made_at"])
    record = BatchRecord(
        sheet=sheet,
        balances=tuple(sorted(balances.names(here, _weighed_with(sheet)).items())),
        plan=None if plan is None else PlanUsed.of(plan, title=_title(plan), number=plan.number),
        warnings=_warnings(batch),
        lots_used=tuple(_lots_used(batch)),
        checks=tuple(
            CheckLine.of_check(each, each.pk in in_doubt, scans.get(each.sheet_id, ())) for each in checks
        ),
        open_checks=tuple(_open_check(each, here) for each in asked if each.state is not State.YOURS),
        untold_checks=tuple(_open_check(each, here) for each in asked if each.state is State.YOURS),
        packing=tuple(map(packed.line, packing)),
        told_at_release=packed.told(releases),
        predicted=predicted.of_batch(batch),
        cases=tuple(case.line for case in cases),
        signatures=tuple(SignatureLine.of(each, what) for each, what in signatures),
        confirmed_rules=_rules(checks),
        unconfirmed_rules=_unconfirmed_rules(batch, checks),
        included=Included.by(words),
        record_ids=tuple(sorted({each.pk for each in (*shown, *(one for one, _what in signatures))})),
        **head,
    )
    return _for_outside(record) if outside and not words else record


def _weighed_with(sheet: BatchSheet) -> Iterable[UUID | None]:
    weighings = (
        *(each for line in sheet.lines for each in line.weighings),
        *sheet.unclear,
        *sheet.outside_recipe,
    )
    return (each.weighed_with for each in (*weighings, *(made for lot in sheet.made for made in lot.makings)))


def _for_outside(record: BatchRecord) -> BatchRecord:
    sheet = bare_sheet.without_quantities(record.sheet)
    bare = bare_sheet.bare_lines(record.sheet)
    return replace(record, sheet=sheet, weighed=bare, predicted=None, left_out=bare_sheet.told())


def _title(plan: PlanVersion) -> str:
    return str(plan.document.get("title", plan.plan.name))


def _warnings(batch: Batch) -> tuple[str, ...]:
    """What the start gate kept with its permission; or that there was no gate when this ran."""
    permission = signed.permission_of(batch)
    if isinstance(permission, StartPermission):
        return tuple(kept_sentences.kept(each["detail"]) for each in permission.warnings)
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
            status=spoken(lot.state.get_status_display()),
        )


def _checks(batch: Batch) -> list[Check]:
    rows = Check.objects.filter(batch=batch).select_related(
        *RELATED, "control_point", "part", "instrument", "batch__state", "sheet"
    )
    rows = rows.prefetch_related("series_uses__series__corrected_by", "series_uses__series__instrument")
    return list(rows.order_by("performed_at", "recorded_at", "id"))


def _rules(checks: Sequence[Check]) -> tuple[str, ...]:
    return tuple(
        map(
            kept_sentences.source,
            sorted({rule for check in checks for each in check.judgements for rule in each.get("rules", [])}),
        )
    )


def _unconfirmed_rules(batch: Batch, checks: Sequence[Check]) -> tuple[str, ...]:
    """Rules about what was checked here that nobody has confirmed, as on the day the batch began."""
    whole = Batch.objects.select_related("state", "recipe_version", "establishment").get(pk=batch.pk)
    on = whole.state.started_at.astimezone(whole.establishment.zone).date()
    judged = [limits.from_json(each["limit"]) for check in checks for each in check.judgements]
    quantities = {part.quantity for limit in judged for part in limits.bounded_parts(limit)}
    about = [whole.recipe_version.material_id]
    return tuple(map(limit_words.of_rule, rules.awaiting(whole.establishment, on, quantities, about)))


def _asked_for(batch: Batch, now: datetime) -> list[Answered]:
    """What the plan asks for and no check answers."""
    whole = Batch.objects.select_related("state", "recipe_version__material", "establishment").get(
        pk=batch.pk
    )
    return [each for each in monitoring.of_batch(whole, now) if each.state is not State.MADE]


def _open_check(each: Answered, here: Establishment) -> OpenCheck:
    due_at = None if each.due.due_at is None else each.due.due_at.astimezone(here.zone)
    return OpenCheck(
        slot=occasions.words(each.due), due_at=due_at, state=spoken(each.sentence or each.state.value)
    )


# -- deviations -------------------------------------------------------------------------------------


def _cases(batch: Batch, checks: Sequence[Check | PackingCheck]) -> list[CaseRead]:
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
    return [case(deviation) for deviation in found]
