"""Who may see a page below an establishment; whoever may not is told why, and what somebody let in was shown is noted."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.utils import translation
from django.views.decorators.cache import never_cache

from config.api.refusals import NotAllowed, Refusal, Unknown
from ledger import looks
from ledger.api.authentication import Standing, standing_at
from ledger.api.scope import NOT_FOR_INSPECTORS, WORKERS
from ledger.models import Person

View = Callable[..., HttpResponseBase]
LANGUAGES = ("en", "es")
"""In which the pages of entrances, and those around the sign-in, are written; other pages in English."""


def spoken(view: View) -> View:
    """A page in the language of ``?language=``, else the one the browser asks for, if it is written in it."""

    @wraps(view)
    def run(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        with translation.override(_language(request)):
            return view(request, *args, **kwargs)

    return run


def _language(request: HttpRequest) -> str:
    said = request.GET.get("language", "")
    if said in LANGUAGES:
        return said
    usual = translation.get_language_from_request(request).split("-")[0]
    return usual if usual in LANGUAGES else "en"


def page(roles: frozenset[str] = WORKERS) -> Callable[[View], View]:
    """A page for these roles: the view is given where the reader stands in place of the establishment's id.

    Who has another role, or an entrance that is shut, gets 403 and a sentence; whoever does not belong here 404. A view for
    inspectors says in ``request.looked_at`` which document it showed.
    """

    def closed_to_others(view: View) -> View:
        @never_cache
        @wraps(view)
        def run(request: HttpRequest, establishment: Any, **kwargs: Any) -> HttpResponseBase:
            if not isinstance(request.user, Person):
                return redirect_to_login(request.get_full_path())
            try:
                at = standing_at(request.user, None, establishment)
            except Unknown as unknown:
                raise Http404 from unknown
            except NotAllowed as shut:
                return refused(request, shut)
            return _noted(request, at, lambda: _shown(request, at, roles, view, kwargs), kwargs)

        return run

    return closed_to_others


def _shown(
    request: HttpRequest, at: Standing, roles: frozenset[str], view: View, kwargs: dict[str, Any]
) -> HttpResponseBase:
    try:
        if not at.roles & roles:
            needed = f"This needs one of these roles here: {', '.join(sorted(roles))}."
            raise NotAllowed(NOT_FOR_INSPECTORS if at.entrance else needed)
        return view(request, at, **kwargs)
    except Refusal as refusal:
        return refused(request, refusal)


def _noted(
    request: HttpRequest, at: Standing, show: Callable[[], HttpResponseBase], kwargs: dict[str, Any]
) -> HttpResponseBase:
    """Also a look for what is not there."""
    seen = {"subject": kwargs.get("pk")}
    try:
        answer = show()
    except Http404:
        if at.entrance:
            looks.note(at.entrance, request, 404, **seen)
        raise
    if at.entrance:
        looks.note(at.entrance, request, answer.status_code, **getattr(request, "looked_at", seen))
    return answer


def refused(request: HttpRequest, refusal: Refusal) -> HttpResponse:
    return render(request, "ledger/refused.html", {"refusal": refusal}, status=refusal.status)
