"""Deliveries that the plan of their day asked to be checked at receipt, and that no check names.

Release waits for such a check (``gates.release``); what was used or shipped without it, or still lies there, is told here.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef, QuerySet

from batches.models import Movement
from haccp import plans
from haccp.models import Check, ControlPoint
from haccp.plan_documents import ControlPointSpec
from haccp.series_uses import founded


def unchecked(
    points: Sequence[ControlPoint], deliveries: QuerySet[Movement], now: datetime
) -> Iterator[Movement]:
    """Of ``deliveries`` those that are overdue. ``points``: of one code, the newest version first; what came before the
    first of them was approved was asked for nothing."""
    specs = [(point.version.performed_at, plans.spec(point)) for point in points]
    if not any(spec.is_at_receipt for _, spec in specs):
        return
    made = founded(Check.objects.standing().filter(control_point__in=points, lot=OuterRef("lot")))
    rows = deliveries.filter(~Exists(made)).select_related("lot__material")
    for each in rows.order_by("performed_at", "pk"):
        spec = next((spec for approved, spec in specs if approved <= each.performed_at), None)
        if spec is not None and each.lot.material.code in spec.materials and _overdue(spec, each, now):
            yield each


def _overdue(spec: ControlPointSpec, delivery: Movement, now: datetime) -> bool:
    if spec.schedule is None or not spec.is_at_receipt:
        return False
    return delivery.performed_at + timedelta(minutes=spec.schedule.within_minutes or 0) < now
