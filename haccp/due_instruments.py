"""Which instruments must be verified: overdue, failed or never done; the leads are told once of each."""

import logging
from collections.abc import Iterator
from datetime import datetime, timedelta

from django.utils import timezone

from haccp import instruments, notices
from haccp.instruments import Standing
from haccp.models import Instrument
from haccp.verified import State
from ledger.models import Establishment

log = logging.getLogger(__name__)


def due(establishment: Establishment, at: datetime, within_days: int = 0) -> list[Standing]:
    """Instruments in use that failed, are overdue, were never verified though a schedule asks for it, or fall due
    within so many days; by code."""
    rows = Instrument.objects.filter(establishment=establishment, in_use=True)
    found = (
        instruments.standing(each, at)
        for each in rows.select_related("verification_state", "establishment").order_by("code")
    )
    return [each for each in found if _is_due(each, within_days)]


def _is_due(standing: Standing, within_days: int) -> bool:
    if standing.state is State.NEVER:
        return standing.instrument.verify_every_days is not None
    if standing.state is State.VERIFIED:
        return standing.due_day is not None and standing.due_day < standing.day + timedelta(days=within_days)
    return True


def sweep(now: datetime | None = None) -> int:
    """Leave word of each instrument that is overdue or was never verified; the number of notices.

    Word, no deviation. A notice is unique for the instrument, the day it fell due and the person: asked again, nothing
    is written. A failed one has its case.
    """
    at = now or timezone.now()
    left = 0
    for establishment in Establishment.objects.all():
        try:
            left += sum(notices.leave_word_of_instrument(*each) for each in _to_name(establishment, at))
        except Exception:  # one establishment must not keep the others from being told
            log.exception("the instruments of %s could not be looked at", establishment.pk)
    return left


def _to_name(establishment: Establishment, at: datetime) -> Iterator[tuple[Instrument, str]]:
    for standing in due(establishment, at):
        if standing.state is State.OVERDUE and standing.due_day is not None:
            yield standing.instrument, standing.due_day.isoformat()
        if standing.state is State.NEVER:
            yield standing.instrument, State.NEVER.value
