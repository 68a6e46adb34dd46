"""Which days a document tells of, kind by kind: what an inspector's entrance is held against.

A document tells of no day after the one it was asked for: what still went on then is dated up to that day. The days are
kept with the request, as things stood when it was made.
"""

from collections.abc import Callable, Iterable
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Max, Min, Q
from django.utils import timezone

from batches.models import Batch, BatchState, Lot, Movement
from haccp.inspections import visits
from haccp.models import (
    CheckSheet,
    Deviation,
    InspectedBy,
    Inspection,
    NoticeReply,
    PlanVersion,
    Recall,
    RecallNotice,
)
from haccp.trial_questions import question
from ledger.entrances import Days
from ledger.models import Entrance, Establishment
from reports import periods
from reports.api.changeover_table import ChangeoverTableSerializer
from reports.api.compliance_profiles import ProfileAskedSerializer
from reports.api.mass_balances import BalanceAskedSerializer
from reports.api.trace_questions import TraceAskedSerializer
from reports.inspection.asked import Asked
from reports.models import DocumentJob

Kind = DocumentJob.Kind
MOMENT = timedelta(microseconds=1)


def days_of(here: Establishment, kind: str, subject: UUID, about: dict[str, Any]) -> Days | None:
    """None: of no days, as people and tables that tell how things stand, or a question that no days can be told of."""
    told = _OF_KIND.get(kind)
    return (
        told(here, subject, {name: said for name, said in about.items() if name != "outside"})
        if told
        else None
    )


def in_days(entrance: Entrance, days: Days) -> Q:
    """The condition that a document lies in ``days``, which ``entrance`` opens."""
    touches = Q(kind__in=TOUCHING, told_first__lte=days.last, told_last__gte=days.first)
    within = Q(told_first__gte=days.first, told_last__lte=days.last)
    stands = Q(kind__in=AS_IT_STANDS, told_first__isnull=True, asked_at__gte=entrance.opens_at)
    return touches | within | stands


def _day(here: Establishment, at: datetime) -> date:
    return at.astimezone(here.zone).date()


def _today(here: Establishment) -> date:
    return _day(here, timezone.now())


def _span(here: Establishment, began: datetime | None, ended: datetime | None) -> Days | None:
    """From the day it began to the day it ended, today where it goes on; a clock may have been ahead."""
    if began is None:
        return None
    first = _day(here, began)
    return Days(first, max(first, _day(here, ended) if ended else _today(here)))


def _around(spans: Iterable[Days | None]) -> Days | None:
    """All of them together. None where one of them has no days."""
    found = list(spans)
    known = [each for each in found if each is not None]
    if not found or len(known) < len(found):
        return None
    return Days(min(each.first for each in known), max(each.last for each in known))


# -- one thing: it counts if any of its days does ------------------------------------------------------


def _of_batch(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    state = BatchState.objects.filter(batch__establishment=here, batch__uid=subject).first()
    return _span(here, state.started_at, state.ended_at) if state else None


def _of_plan(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """From its approval to that of the version after it. A draft was never in force."""
    version = PlanVersion.objects.of(here).filter(pk=subject).first()
    if version is None:
        return None
    later = PlanVersion.objects.filter(plan=version.plan_id, number__gt=version.number)
    return _span(here, version.performed_at, later.aggregate(at=Min("performed_at"))["at"])


def _of_deviation(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """While it was open."""
    case = Deviation.objects.of(here).filter(pk=subject).select_related("closing").first()
    closing = getattr(case, "closing", None)
    return _span(here, case.performed_at, closing and closing.performed_at) if case else None


def _of_recall(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """While it went on."""
    recall = Recall.objects.of(here).filter(pk=subject).select_related("end").first()
    end = getattr(recall, "end", None)
    return _span(here, recall.performed_at, end and end.performed_at) if recall else None


def _of_product(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """From its first batch to its last: the sheet tells what holds for what was made then."""
    made = BatchState.objects.filter(batch__establishment=here, batch__recipe_version__material=subject)
    ends = made.aggregate(began=Min("started_at"), last=Max("started_at"))
    return _span(here, ends["began"], ends["last"])


def _of_visit(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """While they were here. What a buyer or a certifier found is opened by no entrance."""
    visit = Inspection.objects.of(here).filter(pk=subject, by_whom=InspectedBy.AUTHORITY).first()
    if visit is None:
        return None
    end = visits.end_of(visits.line_of(visit))
    return _span(here, visit.performed_at, end.performed_at if end else visit.performed_at)


def _of_record(model: Any) -> Callable[..., Days | None]:
    """The day it was done."""

    def told(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
        at = model.objects.of(here).filter(pk=subject).values_list("performed_at", flat=True).first()
        return _span(here, at, at)

    return told


# -- a question: it counts if all of its days do -------------------------------------------------------


def _of_period(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """The days that were asked for; of everything there is no days can be told."""
    asked = periods.asked(about, whole=True)
    return Days(asked.first, asked.last) if asked.first and asked.last else None


def _of_file(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """The period, and the days of the lots and batches that are named; whatever else is named needs a period."""
    asked = Asked.read(here, about)
    spans: list[Days | None] = [_of_lots(here, [each.uid for each in asked.lots])] if asked.lots else []
    spans += [_start_of(here, each.uid) for each in asked.batches]
    others = (asked.products, asked.control_points, asked.suppliers, asked.customers)
    if asked.only_a_period or any(others) or asked.since or asked.until:
        spans.append(Days(asked.since, asked.until) if asked.since and asked.until else None)
    return _around(spans)


def _of_trace(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """Where it begins: its lots, its batch, or the period of a partner, a person or equipment. It leads where it leads."""
    reader = TraceAskedSerializer(data=about)
    reader.is_valid(raise_exception=True)
    said = reader.validated_data
    if "lot" in said:
        return _of_lots(here, said["lot"])
    if "batch" in said:
        return _start_of(here, said["batch"])
    if "since" in said and "until" in said:
        return _span(here, said["since"].at, said["until"].at)
    return None


def _of_balance(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """Of a lot the day it came or was made, of a batch the day it began, else the period."""
    reader = BalanceAskedSerializer(data=about)
    reader.is_valid(raise_exception=True)
    said = reader.validated_data
    if "lot" in said:
        return _of_lots(here, [said["lot"]])
    if "batch" in said:
        return _start_of(here, said["batch"])
    return _span(here, said["since"], said["until"] - MOMENT)


def _of_trial(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
    """Of the checks it was tried on."""
    tried = question(here, about)
    return Days(tried.first_day, tried.last_day)


def _of_day(serializer: Any) -> Callable[..., Days | None]:
    """The day it was asked for, if one was."""

    def told(here: Establishment, subject: UUID, about: dict[str, Any]) -> Days | None:
        reader = serializer(data=about, context={"establishment": here})
        reader.is_valid(raise_exception=True)
        on = reader.validated_data.get("on")
        return Days(on, on) if on else None

    return told


def _of_lots(here: Establishment, uids: Iterable[UUID]) -> Days | None:
    """The days on which they came or were made."""
    births = Lot.objects.filter(establishment=here, uid__in=uids).values("birth")
    ends = Movement.objects.of(here).filter(pk__in=births)
    came = ends.aggregate(first=Min("performed_at"), last=Max("performed_at"))
    return _span(here, came["first"], came["last"])


def _start_of(here: Establishment, uid: UUID) -> Days | None:
    began = BatchState.objects.filter(batch__in=Batch.objects.filter(establishment=here, uid=uid))
    at = began.values_list("started_at", flat=True).first()
    return _span(here, at, at)


TOUCHING = {
    Kind.BATCH_RECORD.value: _of_batch,
    Kind.HAZARD_PLAN.value: _of_plan,
    Kind.DEVIATION.value: _of_deviation,
    Kind.RECALL_REPORT.value: _of_recall,
    Kind.ALLERGEN_SHEET.value: _of_product,
    Kind.INSPECTION_RECORD.value: _of_visit,
    Kind.SALE_SIGN.value: _of_product,
    Kind.RECALL_LETTER.value: _of_record(RecallNotice),
    Kind.PUBLIC_NOTICE.value: _of_record(RecallNotice),
    Kind.NOTICE_REPLY.value: _of_record(NoticeReply),
    Kind.CHECK_SHEET.value: _of_record(CheckSheet),
}
"""One thing, that is shown whole if any of its days is open: a night's batch is not cut at midnight."""
OF_DAYS = {
    Kind.MONITORING_LOG.value: _of_period,
    Kind.DEVIATION_LIST.value: _of_period,
    Kind.RECEIVING_LOG.value: _of_period,
    Kind.CHANGEOVER_LOG.value: _of_period,
    Kind.VERIFICATION_LOG.value: _of_period,
    Kind.INSPECTION_FILE.value: _of_file,
    Kind.TRACE.value: _of_trace,
    Kind.MASS_BALANCE.value: _of_balance,
    Kind.TRIAL.value: _of_trial,
    Kind.CHANGEOVER_TABLE.value: _of_day(ChangeoverTableSerializer),
    Kind.COMPLIANCE_PROFILE.value: _of_day(ProfileAskedSerializer),
}
"""What asks for days, of which every one must be open."""
AS_IT_STANDS = (
    Kind.PEOPLE_LIST.value,
    Kind.RECALL_PLAN.value,
    Kind.CHANGEOVER_TABLE.value,
    Kind.COMPLIANCE_PROFILE.value,
)
"""They tell how things stand on the day they are asked for, which is while the entrance is open."""
_OF_KIND: dict[str, Callable[..., Days | None]] = TOUCHING | OF_DAYS
