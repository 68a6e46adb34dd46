"""What no request can see: a check that was not made in time becomes a deviation, once."""

from datetime import datetime, timedelta

from django.db.models import Q
from django.utils import timezone

from batches.models import Batch
from haccp import deviations, monitoring
from haccp.deviations import Touched
from haccp.models import ControlKind, Deviation, HoldSubject
from haccp.monitoring import Due
from ledger.acts import Act, Moment
from ledger.people import service_person

LOOK_BACK = timedelta(days=8)  # how long after its end a batch may still have a check that falls due


def sweep(now: datetime | None = None) -> int:
    """Look at every batch that runs or ended lately; the number of deviations that are there now for it.

    Run twice it opens nothing twice: a deviation is unique for its batch and slot.
    """
    at = now or timezone.now()
    recent = Q(state__ended_at__isnull=True) | Q(state__ended_at__gte=at - LOOK_BACK)
    batches = Batch.objects.filter(recent).select_related(
        "state", "recipe_version__material", "establishment"
    )
    return sum(len(open_missed(batch, at)) for batch in batches)


def open_missed(batch: Batch, now: datetime) -> list[Deviation]:
    """A deviation for each missed check of a batch: with hold at a CCP, asking for the reason at an OPRP."""
    missed = monitoring.missed(monitoring.of_batch(batch, now))
    return [_open(due, now) for due in missed if due.control_point.kind != ControlKind.PRP]


def _open(due: Due, now: datetime) -> Deviation:
    batch, critical = due.batch, due.control_point.kind == ControlKind.CCP
    who = service_person()
    act = Act(
        establishment=batch.establishment,
        performed_by=who,
        performed=Moment.of(now.astimezone(batch.establishment.zone)),
        recorded_by=who,
    )
    subject = due.part.pk if due.part else batch.uid
    kind = HoldSubject.PART if due.part else HoldSubject.BATCH
    return deviations.open_case(
        act=act,
        what=Deviation.What.MISSED_CHECK,
        subject=batch.uid,
        slot=due.slot,
        title=f"{due.spec.code} {due.spec.name}, {due.occasion}: not checked in time on batch {batch.code}.",
        hold=Touched(kind, subject) if critical else None,
    )
