"""Word of a deviation to the food-safety leads: a row first, mail second; the sweep sends what was lost.

Mail is sent and then marked: after a crash in between a lead may hear of a case twice, never not at all.
"""

from datetime import datetime, timedelta

from django.conf import settings
from django.core.mail import send_mail
from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from haccp.models import Deviation, Notice
from ledger.models import Membership, Role

PATIENCE = timedelta(minutes=2)  # how long a message may be on its way before the sweep sends it
MOST_TRIES = 12  # with waits that double, six days; then the list of open deviations alone tells


def leave_word(deviation: Deviation) -> None:
    """Within the deviation's own transaction: one row a lead with an address; messages go after commit."""
    today = timezone.now().astimezone(deviation.establishment.zone).date()
    leads = (
        Membership.objects.filter(
            Q(until_day__isnull=True) | Q(until_day__gt=today),
            establishment=deviation.establishment,
            role=Role.FOOD_SAFETY_LEAD,
            from_day__lte=today,
            person__is_active=True,
        )
        .exclude(person__email="")
        .values_list("person", flat=True)
    )
    now = timezone.now()
    rows = Notice.objects.bulk_create(
        Notice(deviation=deviation, person_id=person, made_at=now) for person in leads
    )
    for row in rows:
        transaction.on_commit(lambda pk=row.pk: _send_soon(pk), robust=True)  # type: ignore[misc]


def _send_soon(pk: int) -> None:
    from haccp.tasks import tell_of_deviation

    tell_of_deviation.delay(pk)


@transaction.atomic
def tell(pk: int) -> None:
    """Send one notice. A second call finds it sent and stops; a failing mail server raises, to be tried again."""
    notice = Notice.objects.select_for_update(of=("self",)).select_related("person", "deviation").get(pk=pk)
    if notice.sent_at:
        return
    case = notice.deviation
    held = "What it touched is held. " if case.holds.exists() else ""
    send_mail(
        " ".join(f"Deviation at {case.establishment.name}: {case.title}".split())[:200],
        f"{case.title}\n\nOpened {case.recorded_at.astimezone(case.establishment.zone):%Y-%m-%d %H:%M %z}. "
        f"{held}Answer and decide:\n"
        f"{settings.PUBLIC_URL}/deviations/{case.pk}\n",
        None,
        [notice.person.email],
    )
    notice.sent_at = timezone.now()
    notice.save(update_fields=["sent_at"])


def sweep(now: datetime | None = None) -> int:
    """Send again what is still unsent, after waits that double; the number of messages given to the broker."""
    from haccp.tasks import tell_of_deviation

    at = now or timezone.now()
    waiting = Notice.objects.filter(sent_at__isnull=True, tries__lt=MOST_TRIES, made_at__lt=at - PATIENCE)
    lost = [row.pk for row in waiting if row.made_at + PATIENCE * 2**row.tries < at]
    for pk in lost:
        Notice.objects.filter(pk=pk).update(tries=F("tries") + 1)
        tell_of_deviation.delay(pk)
    return len(lost)
