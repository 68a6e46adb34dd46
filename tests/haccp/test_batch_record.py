"""What the batch record says of the sheet, and who signed what of the batch."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from batches import noting, using
from batches.models import Batch, Lot, Movement
from batches.recipe_documents import Step
from config.templatetags.moments import local_time
from haccp import reviews
from haccp.models import Check
from ledger import signatures
from ledger.models import Entry, Person, Signature
from reports import batch_record
from reports.rendering import to_html
from tests.conftest import NOON
from tests.haccp.conftest import HOUR, MORNING

Read = Callable[[Batch], batch_record.BatchRecord]
LATER = NOON + timedelta(days=1)


@pytest.fixture
def read() -> Read:
    def do(batch: Batch) -> batch_record.BatchRecord:
        here = batch.establishment
        head = {
            "number": "000001",
            "title": "Batch record",
            "establishment": here.name,
            "asked_by": "Ines Lead",
        }
        return batch_record.build(
            here, batch.uid, {}, made_at=LATER, seal=None, establishment_lines=("Mill Lane 4",), **head
        )

    return do


@pytest.fixture
def page(read: Read) -> Callable[[Batch], str]:
    return lambda batch: " ".join(to_html(read(batch), for_paper=True).split())


def test_each_line_of_the_sheet_says_that_it_is_late_and_when_it_was_written_down(
    act: Any, batch: Batch, open_part: Any, receive: Any, use: Any, make_lot: Any, page: Any
) -> None:
    """Everything here was done in March and is written down now."""
    first, second = open_part(batch, 1), open_part(batch, 2)
    noting.note_step(act=act(), batch=batch, step="COOK")
    noting.note_quality(act=act(), batch=batch, what="colour", value="amber")
    noting.return_trim(act=act(), batch=batch, from_part=first, to_part=second, quantity="1", unit="KGM")
    noting.weigh_apart(act=act(), batch=batch, what="pot-residue", quantity="1", unit="KGM")
    use(receive(), batch)
    make_lot(batch)
    shown = page(batch)
    lines = 8  # two parts, a step, a reading, trim, residue, a weighing, what was made; and the start
    assert shown.count("<strong>late entry</strong>, written down") == lines + 1
    assert f"written down {local_time(first.recorded_at.astimezone(first.establishment.zone))}" in shown


def test_a_weighing_keyed_by_another_names_both(
    act: Any, batch: Batch, receive: Any, lead: Person, page: Any
) -> None:
    said = replace(act(at=MORNING + HOUR), recorded_by=lead)
    using.use(act=said, lot=receive(), batch=batch, quantity="2", unit="KGM")
    assert re.search(r"Omar Stove, [^<;]*, entered by Ines Lead; <strong>late entry", page(batch))


def test_what_was_out_of_order_at_a_weighing_is_said_in_a_sentence(
    batch: Batch, receive: Any, use: Any, page: Any
) -> None:
    use(receive(), batch)
    assert Movement.objects.get(batch=batch, what="used").flags == ["lot-awaiting-decision"]
    shown = page(batch)
    assert "The lot was not accepted or released yet." in shown
    assert "lot-awaiting-decision" not in shown


def test_what_was_made_says_when_and_by_whom(batch: Batch, make_lot: Any, read: Read, page: Any) -> None:
    lot: Lot = make_lot(batch)
    (made,) = read(batch).sheet.made
    assert [(each.lot_code, each.by) for each in made.makings] == [(lot.code, "Omar Stove")]
    assert f"{NOON - HOUR:%Y-%m-%d %H:%M} +01:00, Omar Stove" in page(batch)


def test_a_tolerance_is_printed_in_percent(batch: Batch, page: Any) -> None:
    assert "± 1 %" in page(batch)


def test_steps_of_the_recipe_that_nobody_noted_are_named(batch: Batch, read: Read) -> None:
    made = read(batch)
    step = Step("COOK", "Cook to amber", "kettle")
    missing = replace(made, sheet=replace(made.sheet, steps_not_noted=(step,)))
    page = to_html(missing, for_paper=True)
    assert "Steps of the recipe that nobody noted:</strong> COOK Cook to amber" in page


def test_the_review_of_a_check_stands_among_the_signatures(
    act: Any, batch: Batch, look: Any, lead: Person, read: Read, page: Any
) -> None:
    check: Check = look(batch)
    reviews.review(
        act=act(by=lead, at=LATER),
        proof=signatures.Proof(lead),
        records=[Entry.objects.get(pk=check.pk)],
    )
    (line,) = (each for each in read(batch).signatures if each.record == check.pk)
    assert (line.name, line.meaning, line.signed) == ("Ines Lead", "reviewed by me", "check at CP-METAL-1")
    assert check.digest in page(batch)


def test_evidence_is_given_of_the_sheet_the_cases_and_the_signatures(
    act: Any, batch: Batch, open_part: Any, look: Any, make_lot: Any, settle: Any, read: Read
) -> None:
    part = open_part(batch, 1)
    make_lot(batch)
    failing: Check = look(batch, good=False)
    case = batch_record.Deviation.objects.get(subject=failing.pk)
    settle(case)
    shown = set(read(batch).record_ids)
    assert {batch.uid, batch.permission_id, part.pk, failing.pk, case.pk} <= shown
    assert {hold.pk for hold in case.holds.all()} <= shown
    assert set(Signature.objects.filter(meaning="closed").values_list("pk", flat=True)) <= shown
