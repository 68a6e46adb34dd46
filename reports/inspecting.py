"""What somebody who was let in by an entrance may ask for and fetch: what is made for outside and lies in its days."""

from datetime import date, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from config.api.refusals import NotAllowed
from ledger import entrances
from ledger.entrances import Days
from ledger.models import Entrance
from reports import dated, jobs, periods
from reports.api.periods import MOST_DAYS
from reports.models import DocumentJob

LONGEST = timedelta(days=MOST_DAYS)


def open_to(entrance: Entrance) -> Q:
    """The condition that a document may be fetched."""
    days = entrances.days_of(entrance)
    return Q(pk__in=[]) if days is None else Q(about__outside=True) & dated.in_days(entrance, days)


def days_asked(entrance: Entrance | None, first: date | None, last: date | None) -> Days:
    """The days somebody wants to see: of an inspector those of the entrance, or some of them; of others those they name.

    Raises NotAllowed for days that are not open, Unusable or ValidationError for days that are none, or that nobody named.
    """
    opened = entrances.days_of(entrance) if entrance else None
    if entrance and opened is None:
        raise NotAllowed(_("Your entrance opens days from %s on. Nothing was shown.") % entrance.first_day)
    if opened:
        last = last or opened.last
        first = first or max(opened.first, last - LONGEST)
    asked = periods.asked({name: day for name, day in (("first", first), ("last", last)) if day})
    assert asked.first is not None
    assert asked.last is not None
    if opened and not opened.first <= asked.first <= asked.last <= opened.last:
        raise NotAllowed(
            _("Your entrance opens %s. Nothing was shown.") % _told(opened.first, opened.last),
            code="other-days",
        )
    return Days(asked.first, asked.last)


@transaction.atomic
def ask(entrance: Entrance, **asked: Any) -> DocumentJob:
    """Ask for a document as it may leave the house. Raises what ``jobs.ask`` does, and NotAllowed ``other-days``."""
    job = jobs.ask(establishment=entrance.establishment, **{**asked, "outside": True})
    if not DocumentJob.objects.filter(open_to(entrance), pk=job.pk).exists():
        raise NotAllowed(_not_open(entrance, job), code="other-days")
    return job


def _not_open(entrance: Entrance, job: DocumentJob) -> str:
    tells = _told(job.told_first, job.told_last) if job.told_first else _("no days")
    return _("This %(kind)s tells of %(tells)s; your entrance opens %(opened)s. Nothing was asked for.") % {
        "kind": jobs.title(job.kind, get_language() or "en").lower(),
        "tells": tells,
        "opened": _told(entrance.first_day, entrance.last_day),
    }


def _told(first: date | None, last: date | None) -> str:
    return _("%(first)s to %(last)s") % {"first": first, "last": last or _("today")}


def looked_at(job: DocumentJob) -> dict[str, Any]:
    """As the list of looks names it."""
    return {"subject": job.pk, "document": job.number, "document_kind": job.kind}
