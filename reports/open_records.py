"""What there is in the days that an entrance opens: section by section how much, and which documents tell of it.

A section that holds nothing says so with a 0. A kind of document that has no look for outside is counted, not offered.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import Count, Exists, OuterRef, Q, QuerySet
from django.utils.translation import gettext as _

from batches.models import Batch, Lot, Material, Movement, MovementKind
from batches.trace_results import Direction
from haccp.inspections import visits
from haccp.models import (
    Changeover,
    Check,
    ControlPoint,
    Deviation,
    InspectedBy,
    Inspection,
    InstrumentVerification,
    PlanVersion,
    Recall,
)
from ledger.entrances import Days
from ledger.models import Establishment, Membership
from reports import cases, jobs
from reports.models import DocumentJob
from reports.periods import Period

Kind = DocumentJob.Kind
CAME_OR_LEFT = (MovementKind.RECEIVED, MovementKind.MADE, MovementKind.SHIPPED)
MOST = 200
"""Single things that one section lists (a site setting, no source); the count tells of all, and shorter days of the rest."""


@dataclass(frozen=True)
class Offer:
    """A document that may be asked for. ``of``: what it is about, in words; empty where it is about the whole section."""

    kind: str
    of: str = ""
    subject: UUID | None = None
    about: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Section:
    """``count``: how many there are; None where the section is no list of things. ``left_out``: not offered singly."""

    name: str
    title: str
    count: int | None
    offers: tuple[Offer, ...]
    left_out: int = 0


@dataclass(frozen=True)
class Asked:
    """Of which house and days."""

    here: Establishment
    days: Days

    @property
    def period(self) -> Period:
        return Period(self.days.first, self.days.last)

    @property
    def begins_before_end(self) -> Period:
        return Period(None, self.days.last)

    @property
    def ends_after_begin(self) -> Period:
        return Period(self.days.first, None)

    def log(self) -> dict[str, str]:
        """The days as a log is asked for them."""
        return {"first": self.days.first.isoformat(), "last": self.days.last.isoformat()}


def sections(here: Establishment, days: Days) -> tuple[Section, ...]:
    """All of it, the file of everything first; as many statements however much there is."""
    asked = Asked(here, days)
    found = (_open(each(asked)) for each in _SECTIONS)
    return tuple(each for each in found if each.offers or each.count is not None)


def _open(section: Section) -> Section:
    """Without what is not made for outside."""
    offers = tuple(each for each in section.offers if each.kind in jobs.FOR_OUTSIDE)
    return Section(section.name, section.title, section.count, offers, section.left_out if offers else 0)


def _whole(asked: Asked) -> Section:
    about = {"since": asked.days.first.isoformat(), "until": asked.days.last.isoformat()}
    return Section("whole", _("All of it in one file"), None, (Offer(Kind.INSPECTION_FILE, about=about),))


def _plans(asked: Asked) -> Section:
    """In force on any of the days."""
    before = asked.begins_before_end.within(asked.here)
    later = PlanVersion.objects.filter(plan=OuterRef("plan"), number__gt=OuterRef("number"))
    superseded = later.exclude(asked.ends_after_begin.within(asked.here))
    rows = PlanVersion.objects.of(asked.here).filter(before, ~Exists(superseded)).select_related("plan")
    found, count = _some(rows.order_by("plan__code", "number"))
    offers = (
        Offer(
            Kind.HAZARD_PLAN,
            _("%(name)s, version %(number)d") % {"name": each.plan.name, "number": each.number},
            each.pk,
        )
        for each in found
    )
    return Section("plans", _("Hazard plans in force"), count, tuple(offers), count - len(found))


def _batches(asked: Asked) -> Section:
    """That ran on any of the days."""
    rows = Batch.objects.filter(_ran(asked, "state__"), establishment=asked.here)
    rows = rows.select_related("recipe_version__material", "state").order_by("-state__started_at", "-id")
    found, count = _some(rows)
    offers = (
        Offer(
            Kind.BATCH_RECORD,
            f"{each.code}, {each.recipe_version.material.name}, {_day(asked, each)}",
            each.uid,
        )
        for each in found
    )
    return Section("batches", _("Batches"), count, tuple(offers), count - len(found))


def _ran(asked: Asked, way: str) -> Q:
    ended = asked.ends_after_begin.within(asked.here, f"{way}ended_at")
    began = asked.begins_before_end.within(asked.here, f"{way}started_at")
    return began & (ended | Q(**{f"{way}ended_at__isnull": True}))


def _day(asked: Asked, batch: Batch) -> date:
    return batch.state.started_at.astimezone(asked.here.zone).date()


def _lots(asked: Asked) -> Section:
    """That came, were made or left on any of the days; of one from before them the entrance opens no document."""
    moved = Movement.objects.of(asked.here).standing().filter(asked.period.within(asked.here))
    named = moved.filter(what__in=CAME_OR_LEFT).order_by().values("lot")
    rows = Lot.objects.filter(establishment=asked.here, pk__in=named).select_related("material")
    found, count = _some(rows.order_by("-day", "-id"))
    offers = (offer for each in found for offer in _of_lot(each))
    return Section("lots", _("Lots received, made or shipped"), count, tuple(offers), count - len(found))


def _of_lot(lot: Lot) -> tuple[Offer, ...]:
    of, uid = f"{lot.code}, {lot.material.name}, {lot.day}", str(lot.uid)
    trace = Offer(Kind.TRACE, of, about={"lot": [uid], "direction": Direction.WHOLE.value})
    return trace, Offer(Kind.MASS_BALANCE, of, about={"lot": uid})


def _monitoring(asked: Asked) -> Section:
    """Of each control point that was checked, by its code over all versions of the plan, and of those in use."""
    checks = Check.objects.of(asked.here).standing().filter(asked.period.within(asked.here)).order_by()
    counts = dict(checks.values_list("control_point__code").annotate(Count("pk")))
    points = ControlPoint.objects.filter(establishment=asked.here).order_by("code", "-version__number")
    newest: dict[str, ControlPoint] = {}
    for point in points.only("code", "name"):
        newest.setdefault(point.code, point)
    offers = (
        Offer(Kind.MONITORING_LOG, f"{code} {point.name}: {counts.get(code, 0)}", point.pk, asked.log())
        for code, point in newest.items()
    )
    return Section("monitoring", _("Checks at control points"), sum(counts.values()), tuple(offers))


def _deviations(asked: Asked) -> Section:
    """Open on any of the days."""
    opened = asked.begins_before_end.within(asked.here)
    still = Q(closing__isnull=True) | asked.ends_after_begin.within(asked.here, "closing__performed_at")
    found, count = _some(
        Deviation.objects.of(asked.here).filter(opened & still).order_by("-performed_at", "-id")
    )
    offers = (
        Offer(
            Kind.DEVIATION,
            f"{each.performed_at.astimezone(asked.here.zone):%Y-%m-%d}, {cases.title(each)}",
            each.pk,
        )
        for each in found
    )
    together = Offer(Kind.DEVIATION_LIST, about=asked.log())
    return Section("deviations", _("Deviations"), count, (together, *offers), count - len(found))


def _deliveries(asked: Asked) -> Section:
    came = Movement.objects.of(asked.here).standing().filter(what=MovementKind.RECEIVED)
    return _logged(asked, "deliveries", _("Deliveries"), came, Kind.RECEIVING_LOG)


def _changeovers(asked: Asked) -> Section:
    rows = Changeover.objects.of(asked.here).standing()
    logged = _logged(asked, "changeovers", _("Changeovers and cleaning"), rows, Kind.CHANGEOVER_LOG)
    table = Offer(Kind.CHANGEOVER_TABLE)
    return Section(logged.name, logged.title, logged.count, (*logged.offers, table))


def _verifications(asked: Asked) -> Section:
    rows = InstrumentVerification.objects.of(asked.here).standing()
    return _logged(asked, "verifications", _("Verifications of instruments"), rows, Kind.VERIFICATION_LOG)


def _logged(asked: Asked, name: str, title: str, rows: QuerySet[Any], kind: Kind) -> Section:
    """What one log of the days tells of."""
    count = rows.filter(asked.period.within(asked.here)).count()
    return Section(name, title, count, (Offer(kind, about=asked.log()),))


def _people(asked: Asked) -> Section:
    count = Membership.objects.filter(establishment=asked.here).values("person").distinct().count()
    return Section("people", _("People, training and qualifications"), count, (Offer(Kind.PEOPLE_LIST),))


def _products(asked: Asked) -> Section:
    """Of which a batch ran on any of the days."""
    ran = Batch.objects.filter(_ran(asked, "state__"), recipe_version__material=OuterRef("pk"))
    rows = Material.objects.filter(Exists(ran), establishment=asked.here)
    found, count = _some(rows.order_by("name", "id"))
    offers = (Offer(Kind.ALLERGEN_SHEET, each.name, each.pk) for each in found)
    return Section(
        "allergens", _("Allergens and labels of products"), count, tuple(offers), count - len(found)
    )


def _recalls(asked: Asked) -> Section:
    """That went on on any of the days, exercises among them."""
    began = asked.begins_before_end.within(asked.here)
    on = Q(end__isnull=True) | asked.ends_after_begin.within(asked.here, "end__performed_at")
    found, count = _some(Recall.objects.of(asked.here).filter(began & on).order_by("-performed_at", "-id"))
    offers = (Offer(Kind.RECALL_REPORT, each.code, each.pk) for each in found)
    return Section("recalls", _("Recalls and exercises"), count, tuple(offers), count - len(found))


def _inspections(asked: Asked) -> Section:
    """Earlier visits of authorities; what others found is between the house and them."""
    rows = Inspection.objects.of(asked.here).standing().filter(asked.period.within(asked.here))
    found, count = _some(rows.filter(by_whom=InspectedBy.AUTHORITY).order_by("-performed_at", "-id"))
    offers = (
        Offer(
            Kind.INSPECTION_RECORD,
            f"{each.performed_at.astimezone(asked.here.zone):%Y-%m-%d}, {each.body}",
            visits.line_of(each),
        )
        for each in found
    )
    return Section("inspections", _("Inspections by authorities"), count, tuple(offers), count - len(found))


def _some(rows: QuerySet[Any]) -> tuple[list[Any], int]:
    """The first so many, and how many there are."""
    found = list(rows[: MOST + 1])
    return (found, len(found)) if len(found) <= MOST else (found[:MOST], rows.count())


_SECTIONS: tuple[Callable[[Asked], Section], ...] = (
    _whole,
    _plans,
    _batches,
    _lots,
    _monitoring,
    _deviations,
    _deliveries,
    _changeovers,
    _verifications,
    _people,
    _products,
    _recalls,
    _inspections,
)
