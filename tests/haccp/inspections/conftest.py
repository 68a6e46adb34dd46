"""A visit of the town food office, and what happens in it with what is usually said."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches.models import Lot
from haccp.inspections import findings, samples, visits
from haccp.models import Finding, FindingAnswer, Inspection, InspectionSample
from ledger.models import Person
from ledger.signatures import Proof
from tests.conftest import NOON
from tests.haccp.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.conftest import HOUR

DUE = date(2026, 3, 16)  # two weeks after the visit of 2 March
VISITORS = [{"name": "Rosalind Quiet", "function": "food inspector"}]


@pytest.fixture
def arrive(act: Any) -> Callable[..., Inspection]:
    def do(said: Any = None, **values: Any) -> Inspection:
        usual = {
            "by_whom": "authority",
            "body": "Town food office",
            "why": "routine",
            "visitors": VISITORS,
        }
        return visits.arrive(act=said or act(), **(usual | values))

    return do


@pytest.fixture
def visit(arrive: Callable[..., Inspection]) -> Inspection:
    """At noon."""
    return arrive()


@pytest.fixture
def find(act: Any, visit: Inspection) -> Callable[..., Finding]:
    def do(said: Any = None, **values: Any) -> Finding:
        usual = {"inspection": visit, "text": "The seal of the door is torn.", "due_on": DUE}
        return findings.find(act=said or act(at=NOON + HOUR), **(usual | values))

    return do


@pytest.fixture
def finding(find: Callable[..., Finding]) -> Finding:
    return find()


@pytest.fixture
def answer(act: Any, finding: Finding) -> Callable[..., FindingAnswer]:
    def do(said: Any = None, **values: Any) -> FindingAnswer:
        usual = {"finding": finding, "text": "The seal was replaced."}
        return findings.answer(act=said or act(at=NOON + 2 * HOUR), **(usual | values))

    return do


@pytest.fixture
def close(act: Any, lead: Person, finding: Finding) -> Callable[..., Any]:
    def do(said: Any = None, **values: Any) -> Any:
        usual = {"finding": finding, "by": "them", "reference": "Letter 20"}
        return findings.close(
            act=said or act(lead, at=NOON + 3 * HOUR), proof=Proof(lead), **(usual | values)
        )

    return do


@pytest.fixture
def sugar_lot(receive: Any) -> Lot:
    """Twenty kilograms."""
    found: Lot = receive()
    return found


@pytest.fixture
def take(act: Any, visit: Inspection, sugar_lot: Lot) -> Callable[..., InspectionSample]:
    def do(said: Any = None, **values: Any) -> InspectionSample:
        usual = {
            "inspection": visit,
            "lot": sugar_lot,
            "quantity": "0.250",
            "unit": "KGM",
            "counter": "stays",
            "counter_sample": "Seal 4712, in the office safe",
        }
        return samples.take(act=said or act(at=NOON + HOUR), **(usual | values))

    return do
