"""Word to the food-safety leads, of a deviation, an instrument that is due, whether to recall, a relief that ends, or what an
inspection found: a row first, mail second; the sweep sends what was lost.

Mail is sent and then marked: after a crash in between a lead may hear of a case twice, never not at all.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.mail import send_mail
from django.db import transaction
from django.db.models import F, Q
from django.urls import reverse
from django.utils import timezone

from haccp.compliance import known
from haccp.inspections import visits
from haccp.models import ComplianceRelief, Deviation, Finding, Instrument, Notice, RecallQuestion
from haccp.verified import State
from ledger.models import Establishment, Membership, Role

PATIENCE = timedelta(minutes=2)  # how long a message may be on its way before the sweep sends it
MOST_TRIES = 12  # with waits that double, six days; then the list of open deviations alone tells


def leave_word(deviation: Deviation) -> None:
    """Within the deviation's own transaction: one row a lead with an address; messages go after commit."""
    now = timezone.now()
    leads = _leads(deviation.establishment)
    _send(
        Notice.objects.bulk_create(Notice(deviation=deviation, person_id=lead, made_at=now) for lead in leads)
    )


def leave_word_again(deviation: Deviation) -> None:
    """The case goes on for a further cause: its leads are told once more, and those who had no word yet."""
    now = timezone.now()
    rows = Notice.objects.filter(deviation=deviation, person__in=_leads(deviation.establishment))
    rows.update(made_at=now, sent_at=None, tries=0)
    known = list(rows)
    told = {row.person_id for row in known}
    new = [each for each in _leads(deviation.establishment) if each not in told]
    made = Notice.objects.bulk_create(
        Notice(deviation=deviation, person_id=lead, made_at=now) for lead in new
    )
    _send([*known, *made])


def leave_word_of_instrument(instrument: Instrument, slot: str) -> int:
    """One row for each lead who has none about this instrument and ``slot`` yet; how many were new."""
    return _leave_once(instrument.establishment, slot, instrument=instrument)


def leave_word_of_question(question: RecallQuestion, slot: str) -> int:
    """The same of whether to recall."""
    return _leave_once(question.establishment, slot, question=question)


def leave_word_of_relief(relief: ComplianceRelief, slot: str) -> int:
    """The same of a relief that ends."""
    return _leave_once(relief.establishment, slot, relief=relief)


def leave_word_of_finding(finding: Finding, slot: str) -> int:
    """The same of what an inspection found."""
    return _leave_once(finding.establishment, slot, finding=finding)


@transaction.atomic
def _leave_once(here: Establishment, slot: str, **about: Any) -> int:
    told = Notice.objects.filter(slot=slot, **about).values_list("person", flat=True)
    leads = _leads(here).exclude(person__in=told)
    now = timezone.now()
    rows = [Notice(slot=slot, person_id=lead, made_at=now, **about) for lead in leads]
    _send(Notice.objects.bulk_create(rows))
    return len(rows)


def _leads(establishment: Establishment) -> Any:
    """Keys of the food-safety leads of today who have an address."""
    today = timezone.now().astimezone(establishment.zone).date()
    return (
        Membership.objects.filter(
            Q(until_day__isnull=True) | Q(until_day__gt=today),
            establishment=establishment,
            role=Role.FOOD_SAFETY_LEAD,
            from_day__lte=today,
            person__is_active=True,
        )
        .exclude(person__email="")
        .values_list("person", flat=True)
    )


def _send(rows: Iterable[Notice]) -> None:
    for row in rows:
        transaction.on_commit(lambda pk=row.pk: _send_soon(pk), robust=True)  # type: ignore[misc]


def _send_soon(pk: int) -> None:
    from haccp.tasks import tell_of_deviation

    tell_of_deviation.delay(pk)


@transaction.atomic
def tell(pk: int) -> None:
    """Send one notice. A second call finds it sent and stops; a failing mail server raises, to be tried again."""
    notice = (
        Notice.objects.select_for_update(of=("self",))
        .select_related(
            "person",
            "deviation",
            "instrument",
            "question__deviation",
            "question__establishment",
            "relief__establishment",
            "finding__establishment",
        )
        .get(pk=pk)
    )
    if notice.sent_at:
        return
    if notice.deviation is not None:
        subject, text = _of_case(notice.deviation)
    elif notice.question is not None:
        subject, text = _of_question(notice.question, notice.slot)
    elif notice.relief is not None:
        subject, text = _of_relief(notice.relief)
    elif notice.finding is not None:
        subject, text = _of_finding(notice.finding)
    else:
        assert notice.instrument is not None
        subject, text = _of_instrument(notice.instrument, notice.slot)
    send_mail(" ".join(subject.split())[:200], text, None, [notice.person.email])
    notice.sent_at = timezone.now()
    notice.save(update_fields=["sent_at"])


def _of_case(case: Deviation) -> tuple[str, str]:
    held = "What it touched is held. " if case.holds.exists() else ""
    last = case.holds.exclude(note="").order_by("recorded_at", "id").last()
    added = "" if last is None else f"Held since, under this case: {last.note}\n\n"
    where = reverse("deviation", kwargs={"establishment": case.establishment_id, "pk": case.pk})
    return (
        f"Deviation at {case.establishment.name}: {case.title}",
        f"{case.title}\n\n{added}Opened {case.recorded_at.astimezone(case.establishment.zone):%Y-%m-%d %H:%M %z}. "
        f"{held}Answer and decide:\n"
        f"{settings.PUBLIC_URL}{where}\n",
    )


def _of_instrument(instrument: Instrument, slot: str) -> tuple[str, str]:
    since = "It was never verified" if slot == State.NEVER else f"Its verification was due on {slot}"
    return (
        f"Instrument to verify at {instrument.establishment.name}: {instrument}",
        f"{instrument}: {since}. Checks made with it are flagged until it is verified.\n",
    )


def _of_question(question: RecallQuestion, slot: str) -> tuple[str, str]:
    here = question.establishment
    return (
        f"Whether to recall, at {here.name}: {question.deviation.title}",
        f"{question.deviation.title}\n\nSome of what this case holds was shipped ({slot}). It was known on "
        f"{question.determined_at.astimezone(here.zone):%Y-%m-%d %H:%M %z}. Decide whether to recall, by signature, and "
        "ask your authority: periods may run from then.\n",
    )


def _of_relief(relief: ComplianceRelief) -> tuple[str, str]:
    here, law = relief.establishment, known.relief(relief.relief)
    return (
        f"A relief ends at {here.name}: {law.name}",
        f"{law.name} ({law.source}) holds until {relief.until_day}, which is the first day it no longer does. From then on all "
        "is asked again that it eases. If its basis still holds, record it anew from that day on, signed.\n",
    )


def _of_finding(finding: Finding) -> tuple[str, str]:
    here, body = finding.establishment, visits.standing(finding.inspection_id).body
    where = reverse("inspection-page", kwargs={"establishment": here.pk, "pk": finding.inspection_id})
    return (
        f"Finding to answer at {here.name}, due on {finding.due_on}: {finding.text}",
        f"{body} found:\n\n{finding.text}\n\nNobody has answered it here yet. It is due on {finding.due_on}. Say what was "
        f"done:\n{settings.PUBLIC_URL}{where}\n",
    )


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
