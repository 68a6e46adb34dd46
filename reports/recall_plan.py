"""The recall plan for the wall and the folder: who does what, whom to call, what the letters say, when it was last tried.

Telephones of people stay out unless they are asked for. As it may leave the house, so does how those outside are reached.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _

from config.api.refusals import Unusable
from haccp.models import Outside, PlanStep, RecallPlan
from haccp.recalls import plans
from ledger.acts import Moment
from ledger.models import Establishment, Part
from ledger.stored import Stored
from reports import left_out
from reports.api.recall_reports import RecallPlanPaperSerializer
from reports.documents import SignatureLine, written_late
from reports.left_out import Included, LeavesOut
from reports.listing import spoken
from reports.signed import signatures_on


@dataclass(frozen=True)
class Person:
    """``telephone``: empty where it was not asked for, or none is known."""

    role: str
    name: str
    telephone: str


@dataclass(frozen=True)
class Step:
    what: str
    role: str
    name: str
    how: str


@dataclass(frozen=True)
class OutsideContact:
    what: str
    name: str
    reached_by: str


@dataclass(frozen=True)
class Letter:
    """What stands in a notice, with what only a recall can say left open."""

    language: str
    to_consignees: str
    to_the_public: str


@dataclass(frozen=True)
class Exercised:
    code: str
    began: datetime
    ended: datetime


@dataclass(frozen=True, kw_only=True)
class RecallPlanPaper(LeavesOut):
    """``exercised``: the last trace exercise that ended, None where there was none."""

    kind: ClassVar[str] = "recall-plan"
    template: ClassVar[str] = "reports/recall_plan.html"
    shows_limits: ClassVar[bool] = False

    version: int
    since: datetime
    since_late: datetime | None = None  # when that was written down, if late
    people: tuple[Person, ...]
    with_telephones: bool
    steps: tuple[Step, ...]
    outside: tuple[OutsideContact, ...]
    public_notice: str
    letters: tuple[Letter, ...]
    exercised: Exercised | None
    record_ids: tuple[UUID, ...]

    def withholds(self, record: Stored) -> bool:
        return bool(self.left_out) and record.kind == RecallPlan.kind


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable where no plan is approved."""
    _telephones(about)
    _plan(establishment)


def _plan(here: Establishment) -> RecallPlan:
    found = plans.in_force(here)
    if found is None:
        raise Unusable("No recall plan is approved here yet.", code="nothing-to-show", field="kind")
    return found


def _telephones(about: dict[str, Any]) -> bool:
    reader = RecallPlanPaperSerializer(data=left_out.asked(about))
    reader.is_valid(raise_exception=True)
    return bool(reader.validated_data["telephones"])


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> RecallPlanPaper:
    """The plan that holds; call it within one snapshot."""
    plan, outside = _plan(here), left_out.for_outside(about)
    words = left_out.words(here, [plan.pk], Part.CONTACTS) if outside else []
    hides = outside and not words
    shown = _telephones(about) and not hides
    names = {each["role"]: each["name"] for each in plan.people}
    signatures = list(signatures_on([plan.pk]))
    return RecallPlanPaper(
        version=plan.number,
        since=Moment(plan.performed_at, plan.performed_offset).local,
        since_late=written_late(plan),
        people=tuple(
            Person(role, name, plan.telephones.get(role, "") if shown else "") for role, name in names.items()
        ),
        with_telephones=shown,
        steps=tuple(
            Step(spoken(PlanStep(each["step"]).label), each["role"], names[each["role"]], each["how"])
            for each in sorted(plan.steps, key=lambda each: PlanStep.values.index(each["step"]))
        ),
        outside=tuple(
            OutsideContact(
                spoken(Outside(each["what"]).label), each["name"], "" if hides else each["reached_by"]
            )
            for each in plan.outside
        ),
        public_notice=plan.public_notice,
        letters=tuple(Letter(*each) for each in plans.letters(here)),
        exercised=_exercised(here),
        left_out=_told() if hides else (),
        included=Included.by(words),
        record_ids=(plan.pk, *(each.pk for each in (*signatures, *words))),
        signatures=tuple(
            SignatureLine.of(each, _("recall plan, version %d") % plan.number) for each in signatures
        ),
        confirmed_rules=(),
        deferral=_(
            "Whether, how fast and whom you must tell is for the law of the place and its authority to say."
        ),
        **head,
    )


def _told() -> tuple[str, ...]:
    return (
        _("Telephones, and how those outside are reached"),
        _("What the record of the plan says, in the attached evidence: its digest and proof are there"),
    )


def _exercised(here: Establishment) -> Exercised | None:
    last = plans.last_exercise(here)
    if last is None:
        return None
    end = last.end
    return Exercised(
        last.code,
        Moment(last.performed_at, last.performed_offset).local,
        Moment(end.performed_at, end.performed_offset).local,
    )
