"""What no request can see: a check that was not made in time becomes a deviation, once."""

import logging
from collections.abc import Collection
from datetime import datetime, timedelta
from itertools import islice
from uuid import UUID

from django.db.models import Q, QuerySet
from django.utils import timezone

from batches.models import Batch, LotStatus
from haccp import checks, deviations, monitoring
from haccp.deviations import Touched
from haccp.dues import Due
from haccp.models import ControlKind, Deviation, HoldSubject
from ledger.acts import Act, Moment
from ledger.people import service_person

LOOK_BACK = timedelta(days=8)
"""So long after its end a batch is looked at for checks that fall due late; longer while a lot of it is not
released or rejected (a site setting, no source)."""
UNDECIDED = (LotStatus.AWAITING, LotStatus.HELD)

log = logging.getLogger(__name__)


def sweep(now: datetime | None = None) -> int:
    """Look at every batch that runs, ended lately or awaits a decision; the number of deviations opened.

    Run twice, or at once by two workers, it opens nothing twice: a deviation is unique for its batch and slot,
    and opened under the material lock. Batches are read together only to find those that ask for a case; each of these
    is read again by itself when its cases are opened, so that what was recorded meanwhile counts.
    """
    at = now or timezone.now()
    opened = 0
    batches = iter(_looked_at(at).order_by("pk"))
    while some := list(islice(batches, monitoring.AT_ONCE)):
        for batch in _asking(some, at):
            try:
                opened += len(open_missed(batch, at))
            except Exception:  # one batch must not keep the others from being looked at
                log.exception("the checks of batch %s could not be looked at", batch.uid)
    return opened


def _looked_at(now: datetime) -> QuerySet[Batch]:
    recent = Q(state__ended_at__isnull=True) | Q(state__ended_at__gte=now - LOOK_BACK)
    undecided = Q(pk__in=Batch.objects.filter(lots__state__status__in=UNDECIDED).values("pk"))
    found = Batch.objects.filter(recent | undecided, plan_version__isnull=False)
    return found.select_related("state", "recipe_version__material", "establishment")


def _asking(batches: list[Batch], now: datetime) -> list[Batch]:
    """Those with a missed check that has no case; all of them, where one cannot be looked at."""
    try:
        wanted = _without_case(batches, now)
    except Exception:
        log.exception("%d batches could not be looked at together", len(batches))
        return batches
    return [each for each in batches if wanted[each.uid]]


def open_missed(batch: Batch, now: datetime) -> list[Deviation]:
    """Open what is not open yet: with hold for a missed CCP check, without for an OPRP, whose cause is asked."""
    return [_open(due, batch, now) for due in _without_case([batch], now)[batch.uid]]


def _without_case(batches: Collection[Batch], now: datetime) -> dict[UUID, list[Due]]:
    """By batch the missed checks that ask for a case and have none; a flat number of statements."""
    found = {
        batch.uid: [due for due in monitoring.missed(answered) if due.control_point.kind != ControlKind.PRP]
        for batch, answered in monitoring.of_batches(batches, now)
    }
    missed = [uid for uid, dues in found.items() if dues]
    known = Deviation.objects.filter(what=Deviation.What.MISSED_CHECK, subject__in=missed)
    slots = set(known.values_list("subject", "slot"))
    return {uid: [due for due in dues if (uid, due.slot) not in slots] for uid, dues in found.items()}


def _open(due: Due, batch: Batch, now: datetime) -> Deviation:
    who = service_person()
    act = Act(
        establishment=batch.establishment,
        performed_by=who,
        performed=Moment.of(now.astimezone(batch.establishment.zone)),
        recorded_by=who,
    )
    return deviations.open_case(
        act=act,
        what=Deviation.What.MISSED_CHECK,
        subject=batch.uid,
        slot=due.slot,
        title=f"{due.spec.code} {due.spec.name}, {due.occasion}: not checked in time on batch {batch.code}.",
        hold=_touched(due, batch) if due.control_point.kind == ControlKind.CCP else None,
    )


def _touched(due: Due, batch: Batch) -> Touched:
    assert due.missed_after is not None
    since = checks.last_good(due.missed_after, due.control_point, batch, due.part)
    if due.part is not None:
        return Touched(HoldSubject.PART, due.part.pk, since)
    return Touched(HoldSubject.BATCH, batch.uid, since)
