"""What an inspector sees after the sign-in: what there is in the days of the entrance, a button for each document, the files."""

import json
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import translation
from django.utils.dateparse import parse_date
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe
from rest_framework.exceptions import ValidationError

from config.api.refusals import Refusal, Unusable
from ledger.api.authentication import Standing
from ledger.entrances import Days
from ledger.models import Entrance, Establishment, Role
from ledger.pages.ways_in import LANGUAGES, page, spoken
from reports import inspecting, jobs, open_records
from reports.api.documents import fetched
from reports.models import DocumentJob
from reports.open_records import Offer, Section

INSPECTORS = frozenset({Role.INSPECTOR.value})
PRESSED = ("kind", "subject", "about")
WAITING = (DocumentJob.State.QUEUED, DocumentJob.State.MAKING)
MOST_MADE = 300  # documents made that one page lists (a site setting, no source); the API has all


@dataclass(frozen=True)
class Made:
    """A document that was asked for."""

    job: DocumentJob
    title: str
    forms: tuple[str, ...]

    @classmethod
    def of(cls, job: DocumentJob) -> "Made":
        return cls(job, jobs.title(job.kind, translation.get_language() or "en"), jobs.forms_of(job))


@dataclass(frozen=True)
class Row:
    """A document that may be asked for, and the newest like it that was."""

    offer: Offer
    title: str
    made: Made | None

    @property
    def about(self) -> str:
        return _written(self.offer.about)


@require_safe
@spoken
@page(INSPECTORS)
def index(request: HttpRequest, at: Standing) -> HttpResponse:
    """Section by section how much there is; ``first`` and ``last`` narrow the days."""
    entrance = _entrance(at)
    try:
        days = _days(request, entrance)
    except (Unusable, ValidationError) as wrong:
        messages.error(request, _sentence(wrong))
        days = inspecting.days_asked(entrance, None, None)
    made = _made(entrance)
    known = {_key(each.job.kind, each.job.subject, each.job.about): each for each in reversed(made)}
    found = open_records.sections(at.establishment, days)
    shown = {
        "establishment": at.establishment,
        "entrance": entrance,
        "closes_at": entrance.closes_at.astimezone(at.establishment.zone),
        "days": days,
        "sections": [(each, _rows(at.establishment, each, known)) for each in found],
        "empty": not any(each.count for each in found if each.name != "people"),
        "made": made,
        "waiting": any(each.job.state in WAITING for each in made),
        "languages": LANGUAGES,
        "language_now": translation.get_language(),
        "query": _query(days),
    }
    return render(request, "reports/pages/open_records.html", shown)


@require_POST
@spoken
@page(INSPECTORS)
def ask(request: HttpRequest, at: Standing) -> HttpResponse:
    """Ask for one of the documents on the page, by its ``kind``, its ``subject`` and what it is ``about``."""
    entrance = _entrance(at)
    days = _days(request, entrance)
    offer = _offered(at.establishment, days, *(request.POST.get(name, "") for name in PRESSED))
    language = translation.get_language() or "en"
    try:
        job = inspecting.ask(
            entrance,
            asked_by=request.user,
            kind=str(offer.kind),
            subject=offer.subject,
            about=dict(offer.about),
            language=language,
        )
    except (Refusal, ValidationError) as wrong:
        messages.error(request, _sentence(wrong))
    else:
        request.looked_at = inspecting.looked_at(job)  # type: ignore[attr-defined]
        messages.success(
            request, _("Document %06d was asked for. It is being made; look again in a moment.") % job.number
        )
    return redirect(reverse("open-records", args=[at.establishment.pk]) + _query(days))


@require_safe
@spoken
@page(INSPECTORS)
def file(request: HttpRequest, at: Standing, pk: UUID, form: str) -> HttpResponse:
    """A document that was made, in one of its forms."""
    visible = DocumentJob.objects.filter(inspecting.open_to(_entrance(at)), establishment=at.establishment)
    job = visible.filter(pk=pk).first()
    if job is None:
        raise Http404
    request.looked_at = inspecting.looked_at(job)  # type: ignore[attr-defined]
    return fetched(job, form)  # type: ignore[return-value]


def _entrance(at: Standing) -> Entrance:
    if at.entrance is None:
        raise TypeError("a page for inspectors is closed to others")
    return at.entrance


def _days(request: HttpRequest, entrance: Entrance) -> Days:
    return inspecting.days_asked(entrance, _day(request, "first"), _day(request, "last"))


def _day(request: HttpRequest, name: str) -> Any:
    text = request.GET.get(name, "").strip()
    try:
        day = parse_date(text) if text else None
    except ValueError:
        day = None
    if text and day is None:
        raise Unusable(_("This is no day. Write it as year-month-day, such as 2026-03-02."), field=name)
    return day


def _sentence(wrong: Refusal | ValidationError) -> str:
    if isinstance(wrong, Refusal):
        return wrong.detail
    said: Any = wrong.detail
    texts = said.values() if isinstance(said, dict) else [said]
    return " ".join(str(text) for each in texts for text in (each if isinstance(each, list) else [each]))


def _query(days: Days) -> str:
    return f"?language={translation.get_language()}&first={days.first}&last={days.last}"


def _made(entrance: Entrance) -> list[Made]:
    """Newest first."""
    rows = DocumentJob.objects.filter(inspecting.open_to(entrance), establishment=entrance.establishment_id)
    return [Made.of(each) for each in rows.order_by("-id")[:MOST_MADE]]


def _key(kind: str, subject: UUID, about: dict[str, Any]) -> str:
    asked = {name: said for name, said in about.items() if name != "outside"}
    return json.dumps([kind, str(subject), asked], sort_keys=True)


def _rows(here: Establishment, section: Section, known: dict[str, Made]) -> list[Row]:
    language = translation.get_language() or "en"
    return [
        Row(
            each,
            jobs.title(each.kind, language),
            known.get(_key(str(each.kind), each.subject or here.pk, each.about)),
        )
        for each in section.offers
    ]


def _written(about: dict[str, Any]) -> str:
    return json.dumps(about, sort_keys=True) if about else ""


def _offered(here: Establishment, days: Days, *pressed: str) -> Offer:
    """The offer that was pressed. Raises Http404 for one that is not on the page (any more)."""
    for section in open_records.sections(here, days):
        for each in section.offers:
            if (str(each.kind), str(each.subject or ""), _written(each.about)) == pressed:
                return each
    raise Http404
