"""What inspections left to be done: findings without an answer or not closed, samples without a result; and the reminders.

Whether something is late is asked anew each time, by the finding as it stands: a day that was put right counts at once.
"""

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any
from uuid import UUID

from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.db.models.functions import Coalesce
from django.utils import timezone

from haccp import notices
from haccp.inspections.visits import line_of
from haccp.models import Finding, FindingAnswer, FindingClosed, InspectionSample, SampleResult
from ledger.models import Establishment

log = logging.getLogger(__name__)
REMIND_BEFORE = timedelta(days=7)  # a site setting, no source


class Standing(StrEnum):
    OPEN = "open"  # nobody answered
    ANSWERED = "answered"  # not closed yet
    CLOSED = "closed"


@dataclass(frozen=True)
class State:
    """``late_days``: of the first answer, or until today where there is none; 0 where it is in time or no day was set."""

    standing: Standing
    late_days: int
    answers: tuple[FindingAnswer, ...]
    closed: FindingClosed | None


# -- findings --------------------------------------------------------------------------------------------


def findings(here: Establishment) -> QuerySet[Finding]:
    """Those that stand, the first due first, those without a day last."""
    rows: QuerySet[Finding] = Finding.objects.standing().of(here)
    rows = rows.select_related(
        "establishment",
        "performed_by",
        "inspection",
        "closed__performed_by",
        "lot",
        "batch",
        "control_point",
        "equipment",
    )
    return rows.order_by(F("due_on").asc(nulls_last=True), "recorded_at", "id")


NOT_CLOSED = Q(closed__isnull=True)
ANSWERED = Exists(
    FindingAnswer.objects.standing().filter(finding=Coalesce(OuterRef("first_id"), OuterRef("pk")))
)


def states(found: Sequence[Finding], today: date) -> dict[UUID, State]:
    """How each stands, by its key; one statement for all their answers."""
    rows = FindingAnswer.objects.standing().filter(finding__in=[line_of(each) for each in found])
    given: dict[UUID, list[FindingAnswer]] = {}
    for answer in rows.select_related("establishment", "performed_by").order_by("performed_at", "id"):
        given.setdefault(answer.finding_id, []).append(answer)
    return {each.pk: _state(each, given.get(line_of(each), []), today) for each in found}


def _state(finding: Finding, answers: Sequence[FindingAnswer], today: date) -> State:
    closed: FindingClosed | None = getattr(finding, "closed", None)
    standing = Standing.CLOSED if closed else Standing.ANSWERED if answers else Standing.OPEN
    until = _day(answers[0]) if answers else today
    late = 0 if finding.due_on is None else max(0, (until - finding.due_on).days)
    return State(standing, late, tuple(answers), closed)


def _day(answer: FindingAnswer) -> date:
    return answer.performed_at.astimezone(answer.establishment.zone).date()


def today_at(here: Establishment, now: datetime | None = None) -> date:
    return (now or timezone.now()).astimezone(here.zone).date()


# -- samples ---------------------------------------------------------------------------------------------


def awaiting(here: Establishment) -> QuerySet[InspectionSample]:
    """Samples whose result nobody told yet, or that is not decided; the first promised first."""
    told = SampleResult.objects.standing().filter(sample=OuterRef("pk"))
    decided = told.exclude(outcome=SampleResult.Outcome.UNDECIDED)
    rows: QuerySet[InspectionSample] = InspectionSample.objects.standing().of(here)
    rows = rows.filter(~Exists(decided)).select_related("establishment", "inspection", "lot")
    return rows.order_by(F("result_by").asc(nulls_last=True), "performed_at", "id")


# -- reminders -------------------------------------------------------------------------------------------


def sweep(now: datetime | None = None) -> int:
    """Leave word of each finding that nobody answered, some days before it is due and when the day has passed.

    Once each for the day as it stands: put right, it is told anew. The number of notices.
    """
    left = 0
    for here in Establishment.objects.all():
        try:
            left += sum(
                notices.leave_word_of_finding(*each) for each in _to_remind_of(here, today_at(here, now))
            )
        except Exception:  # one establishment must not keep the others from being told
            log.exception("the findings at %s could not be looked at", here.pk)
    return left


def _to_remind_of(here: Establishment, today: date) -> Iterable[tuple[Any, str]]:
    rows = findings(here).filter(~ANSWERED, NOT_CLOSED, due_on__lte=today + REMIND_BEFORE)
    for finding in rows:
        assert finding.due_on is not None  # asked for above
        yield finding, f"{finding.due_on} {'after' if finding.due_on < today else 'before'}"
