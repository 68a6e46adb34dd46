"""A page that tells which parts of the work are asked of the house, as of a day, for whoever works there."""

from datetime import date
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.dateparse import parse_date
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from config.api.refusals import Unknown
from haccp.compliance import known, profile
from ledger.acts import Moment
from ledger.api.authentication import standing_at
from ledger.models import Person


@never_cache
@require_safe
def required_parts(request: HttpRequest, establishment: Any) -> HttpResponse:
    """``on``: the day, in ISO 8601; today, if left out. A house where nobody may look does not exist."""
    if not isinstance(request.user, Person):
        return redirect_to_login(request.get_full_path())
    try:
        here = standing_at(request.user, None, establishment).establishment
    except Unknown:
        raise Http404 from None
    asked = request.GET.get("on", "").strip()
    day = _day(asked) if asked else Moment.now(here).local.date()
    shown: dict[str, Any] = {"establishment": here, "asked": asked, "kept": known.KEPT, "ask": known.DEFERRAL}
    if day is None:
        wrong = _("This is no day. Write it as year-month-day, such as 2026-03-02.")
        return render(request, "haccp/required_parts.html", shown | {"wrong": wrong}, status=400)
    told = profile.of(here, day)
    return render(
        request,
        "haccp/required_parts.html",
        shown | {"told": told, "law": known.of(here.country), "asked": day.isoformat()},
    )


def _day(text: str) -> date | None:
    try:
        return parse_date(text)
    except ValueError:  # a form of a day, and none of the calendar
        return None
