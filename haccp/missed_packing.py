"""What no request can see: packing that went on without a look at its label, or whose labels nobody counted; once each.

A missing packing check asks for the reason and holds nothing: what is on the packs the release gate asks for.
"""

import logging
from datetime import datetime

from django.db.models import Q, QuerySet
from django.utils import timezone

from batches.models import Batch, BroughtIn, Movement, MovementKind
from haccp import deviations
from haccp.labels import packing_dues
from haccp.labels.packing_dues import PackingDue
from haccp.missed import LOOK_BACK, UNDECIDED
from haccp.models import Deviation, Moment, PackingCheck
from haccp.monitoring import State
from ledger.acts import Act
from ledger.acts import Moment as Time
from ledger.models import Establishment
from ledger.people import service_person

WHAT = {
    Moment.START: "packing went on and nobody recorded the label at its start",
    Moment.END: "packing is over and nobody recorded its end and counted its labels",
}

log = logging.getLogger(__name__)


def sweep(now: datetime | None = None) -> int:
    """Look at what was packed or shipped lately, or is not decided on; the number of cases opened, each once."""
    at = now or timezone.now()
    opened = 0
    for here in Establishment.objects.filter(pk__in=_looked_at(at).values("establishment")):
        try:
            opened += open_missed(here, at)
        except Exception:  # one house must not keep the others from being looked at
            log.exception("the packing of establishment %s could not be looked at", here.pk)
    return opened


def open_missed(here: Establishment, now: datetime) -> int:
    batches = list(
        _looked_at(now)
        .filter(establishment=here)
        .select_related("recipe_version__material", "establishment")
        .order_by("pk")
    )
    missed = [due for due in packing_dues.of_batches(batches, now) if due.state is State.MISSED]
    rows = Deviation.objects.filter(
        what=Deviation.What.MISSED_CHECK, subject__in={due.batch.uid for due in missed}
    )
    known = set(rows.values_list("subject", "slot"))
    new = [due for due in missed if (due.batch.uid, due.slot) not in known]
    for due in new:
        _open(due, now)
    return len(new)


def _looked_at(now: datetime) -> QuerySet[Batch]:
    since = now - LOOK_BACK
    checked = PackingCheck.objects.filter(recorded_at__gte=since).values("batch")
    shipped = Movement.objects.standing().filter(what=MovementKind.SHIPPED, performed_at__gte=since)
    undecided = Batch.objects.filter(lots__state__status__in=UNDECIDED).values("pk")
    found = Batch.objects.filter(
        Q(pk__in=checked) | Q(pk__in=shipped.values("lot__batch")) | Q(pk__in=undecided)
    )
    return found.exclude(permission__kind=BroughtIn.kind)  # packed before anybody recorded it here


def _open(due: PackingDue, now: datetime) -> None:
    who, here = service_person(), due.batch.establishment
    about = f"lot {due.lot.code}" if due.lot is not None else f"batch {due.batch.code}"
    deviations.open_case(
        act=Act(
            establishment=here,
            performed_by=who,
            performed=Time.of(now.astimezone(here.zone)),
            recorded_by=who,
        ),
        what=Deviation.What.MISSED_CHECK,
        subject=due.batch.uid,
        slot=due.slot,
        title=f"Packing of {due.batch.recipe_version.material.name}, {about}: {WHAT[due.moment]}.",
    )
