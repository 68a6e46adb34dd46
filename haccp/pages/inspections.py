"""Pages of inspections: what is due from them, who came, and one visit with forms for a tablet on the table."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from batches import quantities
from config.api.refusals import Refusal
from haccp.api.inspections import whole
from haccp.inspections import due, visits
from haccp.models import Inspection, SampleResult
from haccp.pages.inspection_forms import DEEDS, AnswerForm, ArriveForm, CloseForm, DeedForm, ResultForm
from ledger.acts import Act, Moment
from ledger.api.authentication import Standing
from ledger.api.scope import DECIDERS
from ledger.models import Attachment, Person
from ledger.pages.ways_in import page

MOST_VISITS = 100  # of a page; the API lists all (a site setting, no source)
OF_THE_VISIT = ("note", "sample", "finding", "end")


@require_http_methods(["GET", "POST"])
@page()
def all_of_them(request: HttpRequest, at: Standing) -> HttpResponse:
    """What is due from inspections, the visits, and a form for a new one."""
    with timezone.override(at.establishment.zone):
        form = ArriveForm(at.establishment, request.POST if request.method == "POST" else None)
        if form.is_valid():
            try:
                visit = visits.arrive(act=_act(request, at, form), **form.values())
            except Refusal as refusal:
                return _all(request, at, _refused(form, refusal), refusal.status)
            return redirect("inspection-page", at.establishment.pk, visits.line_of(visit))
        return _all(request, at, form)


def _all(request: HttpRequest, at: Standing, form: DeedForm, status: int = 200) -> HttpResponse:
    here = at.establishment
    waiting = list(due.findings(here).filter(due.NOT_CLOSED))
    states = due.states(waiting, due.today_at(here))
    visited = Inspection.objects.standing().of(here).annotate(left=visits.LEFT)
    shown = {
        "establishment": here,
        "waiting": [(each, states[each.pk]) for each in waiting],
        "awaiting": due.awaiting(here),
        "visits": visited.order_by("-performed_at", "-id")[:MOST_VISITS],
        "more": max(0, visited.count() - MOST_VISITS),
        "form": form,
    }
    return render(request, "haccp/inspections.html", shown, status=status)


@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
@page()
def one(request: HttpRequest, at: Standing, pk: UUID) -> HttpResponse:
    """One visit, with a form for each thing that may happen in it or come of it."""
    visit = get_object_or_404(Inspection, establishment=at.establishment, pk=pk)
    with timezone.override(at.establishment.zone):
        if request.method == "GET":
            return _one(request, at, visit)
        return _do(request, at, visit)


def _do(request: HttpRequest, at: Standing, visit: Inspection) -> HttpResponse:
    name = request.POST.get("deed", "")
    if name not in DEEDS:
        return _one(request, at, visit, status=400)
    shape, deed = DEEDS[name]
    form = shape(at.establishment, request.POST, request.FILES)
    if not form.is_valid():
        return _one(request, at, visit, (name, form), 400)
    try:
        deed(request, _act(request, at, form), visit, form.values())
    except Refusal as refusal:
        return _one(request, at, visit, (name, _refused(form, refusal)), refusal.status)
    messages.success(request, _("It is recorded."))
    return redirect("inspection-page", at.establishment.pk, visits.line_of(visit))


def _act(request: HttpRequest, at: Standing, form: DeedForm) -> Act:
    person = request.user
    assert isinstance(person, Person)  # page() stands before this
    said = form.cleaned_data
    moment = Moment.of(said["at"].astimezone(at.establishment.zone), "at")
    return Act(
        establishment=at.establishment,
        performed_by=person,
        performed=moment,
        recorded_by=person,
        id=said["record"],
    )


def _refused(form: DeedForm, refusal: Refusal) -> DeedForm:
    """The same form with the sentence where it belongs."""
    for reason in refusal.reasons:
        name = {"performed_at": "at", **form.fails_at}.get(reason.field, reason.field)
        form.add_error(name if name in form.fields else None, reason.detail)
    return form


Tried = tuple[str, DeedForm]


def _one(
    request: HttpRequest, at: Standing, visit: Inspection, tried: Tried | None = None, status: int = 200
) -> HttpResponse:
    here = at.establishment
    now = whole(visit)
    shown = {
        "establishment": here,
        "visit": now,
        "along": visits.names_of(now.accompanied_by),
        "findings": [
            {
                "finding": each,
                "state": each.known_state,
                "told": _told(each),
                "answer": _form("answer", here, tried, AnswerForm, finding=each.pk),
                "close": _form("closing", here, tried, CloseForm, finding=each.pk)
                if at.roles & DECIDERS
                else None,
            }
            for each in now.shown_findings
        ],
        "samples": [
            (
                each,
                _of(each),
                None if _decided(each) else _form("result", here, tried, ResultForm, sample=each.pk),
            )
            for each in now.shown_samples
        ],
        "forms": [(name, _form(name, here, tried, DEEDS[name][0])) for name in OF_THE_VISIT],
        "papers": _papers(now),
    }
    return render(request, "haccp/inspection.html", shown, status=status)


def _told(finding: Any) -> list[str]:
    """What they named with it: rule, grade, and what it is about."""
    about = (finding.lot, finding.batch, finding.control_point, finding.equipment)
    return [*filter(None, (finding.rule, finding.grade)), *(each.code for each in about if each)]


def _of(sample: Any) -> str:
    if sample.lot is None:
        return str(sample.of)
    return f"{sample.lot.code}: {sample.entered} {quantities.known_unit(sample.unit).symbol}"


def _decided(sample: Any) -> bool:
    return any(each.outcome != SampleResult.Outcome.UNDECIDED for each in sample.results.all())


def _form(name: str, here: Any, tried: Tried | None, shape: type[DeedForm], **about: Any) -> DeedForm:
    """The one that was refused where it was tried, else a fresh one."""
    if tried is not None and tried[0] == name:
        same = all(str(tried[1].data.get(key)) == str(value) for key, value in about.items())
        if same:
            return tried[1]
    return shape(here, initial=about)


def _papers(visit: Any) -> list[Attachment]:
    """What hangs on the visit, its answers and its end."""
    hung = [visit, *visit.shown_findings, *visit.shown_samples, visit.shown_end]
    hung += [answer for each in visit.shown_findings for answer in each.known_state.answers]
    keys = [each.pk for each in hung if each is not None]
    return list(Attachment.objects.standing().filter(target__in=keys).order_by("recorded_at"))
