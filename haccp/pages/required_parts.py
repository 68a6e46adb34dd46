"""A page that tells which parts of the work are asked of the house, as of a day, for whoever works there."""

from datetime import date
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.dateparse import parse_date
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from haccp.compliance import known, profile
from ledger.acts import Moment
from ledger.api.authentication import Standing
from ledger.pages.ways_in import page


@require_safe
@page()
def required_parts(request: HttpRequest, at: Standing) -> HttpResponse:
    """``on``: the day, in ISO 8601; today, if left out. A house where nobody may look does not exist."""
    here = at.establishment
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
