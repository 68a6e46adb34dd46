"""Which documents make an inspection file: kind by kind, each with what it is asked."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from itertools import islice
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet
from rest_framework.exceptions import ValidationError

from config.api.refusals import Refusal, Unusable
from haccp import histories
from haccp.inspections import visits
from haccp.models import Check, ControlPoint, Deviation, Hold, InspectedBy, Inspection, PlanVersion, Recall
from reports import deviation_list, receiving_log
from reports.inspection.asked import Asked
from reports.models import DocumentJob
from reports.periods import Period

Kind = DocumentJob.Kind
MOST = 400
"""Documents of one file: so many take some minutes to draw (a site setting, no source)."""


@dataclass(frozen=True)
class Part:
    """One document. ``of``: what it is about, as the list of contents says it."""

    kind: Kind
    of: str
    subject: UUID | None = None
    about: dict[str, Any] = field(default_factory=dict)


def parts(asked: Asked) -> list[Part]:
    """In the order in which they lie in the file. Raises Unknown for a control point there is not, Unusable for too much."""
    found = list(islice((part for section in SECTIONS for part in section(asked)), MOST + 1))
    if len(found) > MOST:
        told = sum(1 for section in SECTIONS for _part in section(asked))
        raise Unusable(
            f"This comes to {told} documents; one file holds up to {MOST}. Ask for shorter periods or fewer things.",
            code="too-many",
            field="file",
        )
    return found


@contextmanager
def named(part: Part) -> Iterator[None]:
    """Whatever is refused of one document is refused of the file, and says of which document."""
    try:
        yield
    except Refusal as error:
        raise type(error)(_told(part, error.detail), code=error.code, field="file") from error
    except ValidationError as error:
        said: Any = error.detail.values() if isinstance(error.detail, dict) else [error.detail]
        texts = " ".join(str(text) for each in said for text in each)
        raise Unusable(_told(part, texts), field="file") from error


def _told(part: Part, said: str) -> str:
    return f"{part.kind.label.capitalize()}, {part.of}: {said}"


def _plans(asked: Asked) -> Iterator[Part]:
    """The versions that the batches were made under; of a control point or a period also those in force today."""
    batches = asked.concerned().order_by()
    keys = set(batches.filter(plan_version__isnull=False).values_list("plan_version", flat=True))
    if asked.control_points or asked.only_a_period:
        points = _points(asked) or ControlPoint.newest(asked.here)
        keys |= {point.version_id for point in points}
    for version in (
        PlanVersion.objects.filter(pk__in=keys).select_related("plan").order_by("plan__code", "number")
    ):
        yield Part(Kind.HAZARD_PLAN, f"{version.plan.name}, {version.number}", version.pk)


def _batch_records(asked: Asked) -> Iterator[Part]:
    for uid, code, product in asked.concerned().values_list("uid", "code", "recipe_version__material__name"):
        yield Part(Kind.BATCH_RECORD, f"{code}, {product}", uid)


def _allergen_sheets(asked: Asked) -> Iterator[Part]:
    for product in asked.products:
        yield Part(Kind.ALLERGEN_SHEET, product.name, product.pk)


def _monitoring(asked: Asked) -> Iterator[Part]:
    """Of the points asked for; of a period of every point of the plans in use."""
    points = list(ControlPoint.newest(asked.here)) if asked.only_a_period else _points(asked)
    for point in points:
        yield Part(Kind.MONITORING_LOG, f"{point.code} {point.name}", point.pk, asked.days())


def _points(asked: Asked) -> list[ControlPoint]:
    """Each as the newest version of a plan has it that has it at all."""
    return [histories.control_points(asked.here, code)[0] for code in asked.control_points]


def _logs(asked: Asked) -> Iterator[Part]:
    """What tells of days and of no one thing; where suppliers are asked for, what they delivered."""
    days = asked.days()
    of = f"{days['first']} – {days['last']}"
    if asked.only_a_period:
        yield Part(Kind.DEVIATION_LIST, of, about=days)
    if asked.only_a_period:
        yield Part(Kind.RECEIVING_LOG, of, about=days)
    elif asked.suppliers:
        about = receiving_log.of_suppliers(days, [each.pk for each in asked.suppliers])
        yield Part(Kind.RECEIVING_LOG, of, about=about)
    if asked.only_a_period:
        yield Part(Kind.CHANGEOVER_LOG, of, about=days)
        yield Part(Kind.VERIFICATION_LOG, of, about=days)
        yield Part(Kind.PEOPLE_LIST, asked.here.name)
        yield Part(Kind.COMPLIANCE_PROFILE, asked.here.name, about={"on": days["last"]})


def _cases(asked: Asked) -> Iterator[Part]:
    """Each with its answers: the list tells only that they are there. What batches were about, their records tell too."""
    for case in _cases_found(asked).order_by("performed_at", "id"):
        day = case.performed_at.astimezone(asked.here.zone).date()
        yield Part(Kind.DEVIATION, f"{day}, {case.title}", case.pk)


def _cases_found(asked: Asked) -> QuerySet[Deviation]:
    """Of a period those that its list names; else of the checks at the points asked for, also those that nobody made, and
    of lots no batch made."""
    if asked.only_a_period:
        days = {end: date.fromisoformat(day) for end, day in asked.days().items()}
        return deviation_list.found(asked.here, Period(**days))
    checks = Check.objects.of(asked.here).filter(control_point__code__in=asked.control_points)
    bought = {str(lot.uid) for lot in asked.lots if lot.batch_id is None}
    holds = Hold.objects.of(asked.here).values_list("deviation", "lots") if bought else []
    holding = [case for case, lots in holds if bought & set(lots)]
    about = Q(subject__in=checks.filter(asked.within("performed_at")).values("pk")) | Q(pk__in=holding)
    for code in asked.control_points:
        about |= asked.within("performed_at") & Q(
            what=Deviation.What.MISSED_CHECK, slot__startswith=f"{code} "
        )
    return Deviation.objects.of(asked.here).filter(about)


def _traces(asked: Asked) -> Iterator[Part]:
    period = {name: end.isoformat() for name, end in zip(("since", "until"), asked.ends, strict=True) if end}
    for lot in asked.lots:
        yield Part(Kind.TRACE, lot.code, about={"lot": [str(lot.uid)], "direction": "whole"})
    ways = (("forward", asked.suppliers), ("back", asked.customers))
    for direction, partners in ways:
        for partner in partners:
            about = {"partner": str(partner.pk), "direction": direction, **period}
            yield Part(Kind.TRACE, partner.name, about=about)


def _balances(asked: Asked) -> Iterator[Part]:
    """Of what was named; of a period of all that moved in it."""
    for lot in asked.lots:
        yield Part(Kind.MASS_BALANCE, lot.code, about={"lot": str(lot.uid)})
    for batch in asked.batches:
        yield Part(Kind.MASS_BALANCE, batch.code, about={"batch": str(batch.uid)})
    since, until = asked.ends
    if asked.only_a_period and since and until:
        about = {"since": since.isoformat(), "until": until.isoformat()}
        yield Part(Kind.MASS_BALANCE, f"{asked.since} – {asked.until}", about=about)


def _recalls(asked: Asked) -> Iterator[Part]:
    """Those decided in the period: a recall is looked at as it stands now."""
    if not asked.only_a_period:
        return
    rows = Recall.objects.filter(asked.within("performed_at"), establishment=asked.here)
    for recall in rows.order_by("performed_at"):
        yield Part(Kind.RECALL_REPORT, recall.code, recall.pk)


def _inspections(asked: Asked) -> Iterator[Part]:
    """Visits of authorities in the period. What a buyer or a certifier found is between the house and them."""
    if not asked.only_a_period:
        return
    rows = Inspection.objects.standing().of(asked.here).filter(asked.within("performed_at"))
    for visit in rows.filter(by_whom=InspectedBy.AUTHORITY).order_by("performed_at", "id"):
        day = visit.performed_at.astimezone(asked.here.zone).date()
        of = f"{visit.body}, {day}"
        yield Part(Kind.INSPECTION_RECORD, of, visits.line_of(visit))


SECTIONS: tuple[Callable[[Asked], Iterator[Part]], ...] = (
    _plans,
    _allergen_sheets,
    _batch_records,
    _monitoring,
    _logs,
    _cases,
    _traces,
    _balances,
    _recalls,
    _inspections,
)
"""One for each kind of document, in the order of the file."""
