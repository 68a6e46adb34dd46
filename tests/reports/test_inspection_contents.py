"""Which documents an inspection file holds: what a control point brings besides its log."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from batches.models import Batch
from haccp import missed
from haccp.models import Deviation
from reports.inspection import contents
from reports.inspection.asked import Asked
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks
from tests.haccp.conftest import MINUTE, MORNING

pytestmark = pytest.mark.django_db


@pytest.fixture
def cases(batch: Batch) -> Callable[..., set[Any]]:
    """Those that a file of this holds; the start checks of the batch were missed."""
    missed.sweep(MORNING + 16 * MINUTE)

    def do(**asked: Any) -> set[Any]:
        parts = contents.parts(Asked.read(batch.establishment, asked))
        return {part.subject for part in parts if part.kind == "deviation"}

    return do


def of(code: str) -> set[Any]:
    return {each.pk for each in Deviation.objects.all() if each.slot.startswith(code)}


def test_a_control_point_brings_the_cases_of_its_missed_checks_and_no_others(
    cases: Callable[..., set[Any]],
) -> None:
    assert cases(control_points=["CP-METAL-1"]) == of("CP-METAL-1") != set()
    assert cases(control_points=["CP-LABEL-1"]) == of("CP-LABEL-1") != set()


def test_of_a_control_point_and_a_period_those_opened_in_it(cases: Callable[..., set[Any]]) -> None:
    before = MORNING.date() - timedelta(days=1)
    assert cases(control_points=["CP-METAL-1"], until=before.isoformat()) == set()
    assert cases(control_points=["CP-METAL-1"], since=MORNING.date().isoformat()) == of("CP-METAL-1")
