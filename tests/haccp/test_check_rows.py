"""Pages of checks are made of the columns; each row says what the serializer says of the same check."""

import json
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from rest_framework.renderers import JSONRenderer

from haccp.api import check_rows
from haccp.api.checks import CheckSerializer
from haccp.models import Check
from ledger.models import Establishment
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.conftest import NOON
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks

pytestmark = pytest.mark.django_db


def by_rows(here: Establishment) -> list[Any]:
    page = list(check_rows.columns(Check.objects.of(here)))
    written = check_rows.RowsRenderer().render(check_rows.rows(here, page))
    said: list[Any] = json.loads(written)
    return said


def by_the_serializer(here: Establishment) -> list[Any]:
    """The serializer is right by definition: it answers whoever posts a check."""
    checks = Check.objects.of(here)
    said: list[Any] = json.loads(
        JSONRenderer().render(CheckSerializer(checks, many=True, context={"establishment": here}).data)
    )
    return said


def test_every_check_of_the_demos_firm(scene: Any) -> None:
    (here,) = Establishment.objects.filter(pk__in=Check.objects.values("establishment"))
    said = by_rows(here)
    assert len(said) > 10
    assert said == by_the_serializer(here)


def test_a_check_that_is_late_ahead_of_the_clock_corrected_or_noted(
    establishment: Establishment, measure: Any, batch: Any, act: Any
) -> None:
    wrong = measure(batch, "0.52", said_act=act(at=timezone.now() + timedelta(minutes=9), place="Table 2"))
    measure(
        batch, "0.55", said_act=act(corrects=wrong.pk, reason='Misread "é" \U0001f36c.', note="=1\u2028x")
    )
    measure(batch, "0.9", said_act=act(at=NOON.replace(microsecond=120), note="outside"))
    said = by_rows(establishment)
    assert said == by_the_serializer(establishment)
    assert {each["clock_ahead_seconds"] is None for each in said} == {True, False}


def test_a_check_after_its_run(
    establishment: Establishment, begin: Any, end: Any, measure: Any, act: Any
) -> None:
    batch = begin()
    end(batch, NOON - timedelta(hours=3))
    measure(batch, said_act=act(at=NOON + timedelta(days=60)))
    said = by_rows(establishment)
    assert said == by_the_serializer(establishment)
    assert said[0]["run_flags"] == ["after-its-time"]


def test_a_thousand_are_a_page_and_cost_as_many_statements_as_one(api: Any, measure: Any, batch: Any) -> None:
    def statements() -> int:
        with CaptureQueriesContext(connection) as seen:
            assert api.ask("checks", limit=1000).status_code == 200
        return len(seen)

    measure(batch)
    few = statements()
    for _ in range(4):
        measure(batch)
    assert statements() == few
    assert api.ask("checks", limit=1001).status_code == 400
