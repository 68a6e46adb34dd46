"""Which documents make an inspection file: kind by kind, each with what it is asked."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import Any
from uuid import UUID

from config.api.refusals import Unusable
from haccp.models import ControlPoint, PlanVersion, Recall
from reports.inspection.asked import Asked
from reports.models import DocumentJob

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
    """In the order in which they lie in the file. Raises Unusable where there is nothing, or too much."""
    found = list(islice((part for section in SECTIONS for part in section(asked)), MOST + 1))
    if not found:
        raise Unusable(
            "Nothing here belongs to what was asked for, so no file is made.",
            code="nothing-found",
            field="file",
        )
    if len(found) > MOST:
        told = sum(1 for section in SECTIONS for _part in section(asked))
        raise Unusable(
            f"This comes to {told} documents; one file holds up to {MOST}. Ask for shorter periods or fewer things.",
            code="too-many",
            field="file",
        )
    return found


def _plans(asked: Asked) -> Iterator[Part]:
    """The versions that the batches were made under; of a control point or a period also those in force today."""
    batches = asked.concerned().order_by()
    keys = set(batches.filter(plan_version__isnull=False).values_list("plan_version", flat=True))
    if asked.control_points or asked.only_a_period:
        points = ControlPoint.newest(asked.here)
        if asked.control_points:
            points = points.filter(code__in=asked.control_points)
        keys |= set(points.values_list("version", flat=True))
    for version in (
        PlanVersion.objects.filter(pk__in=keys).select_related("plan").order_by("plan__code", "number")
    ):
        yield Part(Kind.HAZARD_PLAN, f"{version.plan.name}, {version.number}", version.pk)


def _batch_records(asked: Asked) -> Iterator[Part]:
    for uid, code, product in asked.concerned().values_list("uid", "code", "recipe_version__material__name"):
        yield Part(Kind.BATCH_RECORD, f"{code}, {product}", uid)


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


SECTIONS: tuple[Callable[[Asked], Iterator[Part]], ...] = (
    _plans,
    _batch_records,
    _traces,
    _balances,
    _recalls,
)
"""One for each kind of document, in the order of the file."""
