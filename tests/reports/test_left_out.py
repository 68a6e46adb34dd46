"""A batch record for outside: the recipe stays in the house, what was left out is said, and the digests still verify."""

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from batches import using
from batches.models import Batch, Lot
from ledger import disclosures
from ledger.models import Person
from ledger.standalone import check_evidence
from reports import jobs, reading, rendering
from reports.documents import Document
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a batch to make a document of
from tests.reports.test_jobs import ask as ask
from tests.reports.test_jobs import planned_batch as planned_batch

pytestmark = pytest.mark.django_db
TELLING = ("0.597", "597000", "600000", "640000")
"""What was weighed of the paste, and what a hundred pillows take of paste and sugar: kilograms and milligrams."""


@pytest.fixture
def weighed(act: Callable[..., Any], planned_batch: Batch, paste: Lot) -> Batch:
    using.use(act=act(), lot=paste, batch=planned_batch, quantity="0.597", unit="KGM", recipe_line=1)
    return planned_batch


@pytest.fixture
def read(
    ask: Callable[..., DocumentJob], weighed: Batch
) -> Callable[..., tuple[Document, str, dict[str, Any]]]:
    """The document, all that it shows as page and data, and its evidence."""

    def do(**how: Any) -> tuple[Document, str, dict[str, Any]]:
        document, shown = jobs.read(ask(**how))
        evidence = reading.evidence_file(weighed.establishment, shown, [document]).content
        looks: Sequence[str] = (
            rendering.to_html(document, for_paper=True),
            rendering.to_json(document).decode(),
        )
        return document, "\n".join([*looks, evidence.decode()]), json.loads(evidence)

    return do


def let_go(act: Callable[..., Any], lead: Person, batch: Batch) -> None:
    disclosures.disclose(
        act=act(by=lead),
        subject=batch.uid,
        part="recipe",
        given_to="County food inspection",
        because="They ask for it.",
    )


def test_inside_the_house_the_weigh_up_is_whole(read: Callable[..., Any]) -> None:
    """Shows that the next test could fail."""
    _, all_of_it, _ = read()
    assert [told for told in TELLING if told not in all_of_it] == []


def test_for_outside_no_quantity_of_the_recipe_is_in_page_data_or_evidence(read: Callable[..., Any]) -> None:
    _, all_of_it, _ = read(outside=True)
    assert [told for told in TELLING if told in all_of_it] == []


def test_that_it_was_weighed_by_whom_and_of_which_lot_stays(read: Callable[..., Any], paste: Lot) -> None:
    document, _, _ = read(outside=True)
    (weighing,) = document.weighed[0].weighings
    assert (weighing.lot_code, weighing.by) == (paste.code, "Omar Stove")


def test_what_was_left_out_is_listed(read: Callable[..., Any]) -> None:
    document, all_of_it, _ = read(outside=True)
    assert "Left out</h2>" in all_of_it
    assert all(each in all_of_it for each in document.left_out)


def test_the_evidence_still_verifies_and_says_how_many_are_withheld(read: Callable[..., Any]) -> None:
    document, _, evidence = read(outside=True)
    findings = check_evidence.check(evidence, document=json.loads(rendering.to_json(document)))
    assert (findings.differences, findings.withheld) == ([], 1)
    assert "What 1 record say" in "\n".join(check_evidence.report(evidence, findings))


def test_a_withheld_record_with_another_digest_is_found(read: Callable[..., Any]) -> None:
    _, _, evidence = read(outside=True)
    next(one for one in evidence["records"] if "withheld" in one)["digest"] = "0" * 64
    assert "withheld record" in check_evidence.check(evidence).differences[0]


def test_with_the_word_of_a_lead_it_is_included_and_says_so(
    read: Callable[..., Any], act: Callable[..., Any], lead: Person, weighed: Batch
) -> None:
    let_go(act, lead, weighed)
    document, all_of_it, _ = read(outside=True)
    assert document.left_out == ()
    assert [told for told in TELLING if told not in all_of_it] == []
    assert (
        "let quantities of the recipe and what was weighed for them go to County food inspection" in all_of_it
    )
    assert document.included[0].record in document.record_ids


def test_what_was_struck_tells_no_amount(
    read: Callable[..., Any], act: Callable[..., Any], paste: Lot, weighed: Batch
) -> None:
    movement = weighed.movements.get()
    again = act(corrects=movement.pk, reason="A slip.")
    using.use(act=again, lot=paste, batch=weighed, quantity="0.601", unit="KGM", recipe_line=1)
    document, all_of_it, _ = read(outside=True)
    assert [struck.said for struck in document.sheet.struck] == ["an amount, left out"]
    assert "0.601" not in all_of_it
    assert "0.597" not in all_of_it


@pytest.mark.parametrize("kind", ["receiving-log", "people-list", "deviation-list"])
def test_what_never_shows_a_recipe_is_the_same_for_outside(
    ask: Callable[..., DocumentJob], kind: str
) -> None:
    about = {} if kind == "people-list" else {"first": "2026-03-01", "last": "2026-03-31"}
    inside, outside = (
        jobs.read(ask(kind=kind, subject=None, about=about, outside=look))[0] for look in (False, True)
    )
    where = {"number": "", "check_at": "", "seal": None, "made_at": inside.made_at}
    assert replace(outside, **where) == replace(inside, **where)
