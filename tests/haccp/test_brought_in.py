"""What was brought in from the house's papers, where plans, gates, reviews and documents look at it."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from batches.bringing import columns
from batches.bringing.columns import TABLES
from batches.bringing.deed import bring_in
from batches.models import Batch, BroughtIn, Lot, RecipeVersion
from config.api.refusals import RuleBroken
from config.api.tables import read
from haccp import gates, missed, missed_packing, reviews
from haccp.allergens import content
from haccp.models import Deviation
from ledger import signatures
from reports import batch_record
from reports.demo.earlier import SAMPLES
from reports.rendering import to_html
from tests.conftest import NOON


@pytest.fixture
def papers(act: Callable[..., Any], lead: Any) -> None:
    tables = {}
    for name in TABLES:
        with (SAMPLES / f"{name}.csv").open("rb") as file:
            tables[name] = read(file, name=f"{name}.csv", columns=columns.columns_of(name))
    bring_in(act=act(by=lead), tables=tables, write=True)


@pytest.fixture
def batch(papers: None) -> Batch:
    return Batch.objects.select_related("recipe_version__material", "establishment").get(code="LEMON-7")


def test_the_record_of_a_past_batch_says_that_nobody_permitted_it_here(batch: Batch) -> None:
    head = {"number": "1", "title": "Batch record", "establishment": "Lindenhof", "asked_by": "Ines"}
    made = batch_record.build(
        batch.establishment, batch.uid, {}, made_at=NOON, seal=None, establishment_lines=(), **head
    )
    (warning,) = made.warnings
    assert "This ran before these records began" in warning
    assert "batches.csv, line 2" in warning
    assert "LMD-25309-1" in to_html(made, for_paper=True)
    assert batch.permission_id in made.record_ids


def test_no_review_is_asked_of_what_ran_before_these_records(papers: None, establishment: Any) -> None:
    assert not reviews.awaiting(establishment).exists()


def test_no_check_of_a_past_batch_counts_as_missed(papers: None) -> None:
    later = NOON + timedelta(days=1)
    assert (missed.sweep(later), missed_packing.sweep(later)) == (0, 0)
    assert not Deviation.objects.exists()


def test_a_past_lot_without_a_release_goes_through_a_case_and_not_around_the_gate(
    papers: None, act: Callable[..., Any], lead: Any
) -> None:
    awaiting = Lot.objects.get(code="SBC-25322-R1")
    with pytest.raises(RuleBroken) as refusal:
        gates.release(act=act(by=lead), lot=awaiting, proof=signatures.Proof(lead))
    assert "no-plan" in [each.code for each in refusal.value.reasons]


def test_of_a_recipe_that_is_not_known_no_allergen_is_ruled_out(batch: Batch) -> None:
    version = RecipeVersion.objects.select_related("material", "establishment").get(
        pk=batch.recipe_version_id
    )
    found = content.of_recipe(version, NOON.date())
    assert found.unknown
    assert not found.contains


def test_a_row_that_was_brought_in_does_not_hide_who_and_when(papers: None, lead: Any) -> None:
    row = BroughtIn.objects.get(from_table="batch", row_key="LEMON-7")
    assert (row.recorded_by, row.performed_at) == (lead, NOON)
