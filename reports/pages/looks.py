"""The house's page of what inspectors were shown: every look, in a sentence."""

from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import get_language
from django.views.decorators.http import require_safe

from ledger import looks
from ledger.api.authentication import Standing
from ledger.models import Establishment, Look
from ledger.pages.ways_in import page, spoken
from reports import looks_csv
from reports.look_words import sentence

LOOKS_A_PAGE = 100  # a site setting, no source


@require_safe
@spoken
@page()
def looked(request: HttpRequest, at: Standing) -> HttpResponse:
    """Every look, newest first; ``page`` counts from 1, ``entrance`` narrows it to one."""
    rows, entrance = _asked(request, at)
    number = _number(request.GET.get("page", ""))
    start = (number - 1) * LOOKS_A_PAGE
    found: list[Look] = list(rows[start : start + LOOKS_A_PAGE + 1])
    with timezone.override(at.establishment.zone):
        shown = {
            "establishment": at.establishment,
            "looks": [_told(at.establishment, each) for each in found[:LOOKS_A_PAGE]],
            "entrance": entrance,
            "language": get_language(),
            "newer": number - 1,
            "older": number + 1 if len(found) > LOOKS_A_PAGE else 0,
        }
        return render(request, "reports/pages/looks.html", shown)


@require_safe
@spoken
@page()
def as_csv(request: HttpRequest, at: Standing) -> HttpResponseBase:
    """The same as a file, for who is signed in; in the language of the page."""
    rows, _ = _asked(request, at)
    return looks_csv.answer(at.establishment, rows, get_language() or "en")


def _asked(request: HttpRequest, at: Standing) -> tuple[QuerySet[Look], UUID | None]:
    rows, entrance = looks.of(at.establishment), _uuid(request.GET.get("entrance", ""))
    return (rows.filter(entrance=entrance) if entrance else rows), entrance


def _told(here: Establishment, look: Look) -> tuple[Look, datetime, Any]:
    return look, look.at.astimezone(here.zone), sentence(look)


def _number(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and 0 < len(text) < 7 and int(text) else 1


def _uuid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None
