"""Which checks are due, which were made, which were missed."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from batches.models import Batch
from haccp import checks, dues, monitoring
from haccp.models import Check
from haccp.monitoring import MOST_IN_A_ROW, State
from ledger.acts import Act
from tests.haccp.conftest import HOUR, MINUTE, MORNING, seen

METAL = "CP-METAL-1"


def of(batch: Batch, code: str, now: Any) -> dict[str, monitoring.Answered]:
    found = monitoring.of_batch(batch, now)
    return {each.due.occasion: each for each in found if each.due.spec.code == code}


def states(batch: Batch, code: str, now: Any) -> dict[str, str]:
    return {occasion: each.state.value for occasion, each in of(batch, code, now).items()}


@pytest.fixture
def pass_pieces(act: Callable[..., Act], look: Callable[..., Check]) -> Callable[..., Check]:
    def do(batch: Batch, at: Any, occasion: str = "", good: bool = True, **more: Any) -> Check:
        return look(batch, METAL, good, said_act=act(at=at, **more), occasion=occasion)

    return do


def test_a_check_at_the_start_waits_until_its_time_is_over(batch: Batch):
    assert states(batch, METAL, MORNING + 15 * MINUTE)["start"] == "waiting"
    assert states(batch, METAL, MORNING + 15 * MINUTE + timedelta(seconds=1))["start"] == "missed"


def test_a_check_made_in_time_and_entered_late_is_made(batch: Batch, pass_pieces: Any):
    pass_pieces(batch, MORNING + 10 * MINUTE)
    assert states(batch, METAL, MORNING + 5 * HOUR)["start"] == "made"


def test_a_check_made_too_late_is_missed(batch: Batch, pass_pieces: Any):
    pass_pieces(batch, MORNING + 16 * MINUTE, "start")
    assert states(batch, METAL, MORNING + 30 * MINUTE)["start"] == "missed"


def test_the_end_is_not_foreseen_while_the_batch_runs(batch: Batch):
    due = of(batch, METAL, MORNING + HOUR)["end"].due
    assert (due.due_at, due.missed_after) == (None, None)


def test_intervals_lie_between_start_and_end(batch: Batch, end: Any):
    end(batch, at=MORNING + 3 * HOUR)
    assert list(of(batch, METAL, MORNING + 9 * HOUR)) == [
        "start",
        "every 60 min, 1",
        "every 60 min, 2",
        "end",
    ]


def test_one_check_answers_one_due_check(batch: Batch, pass_pieces: Any):
    pass_pieces(batch, MORNING + HOUR)
    now = MORNING + 2 * HOUR + 16 * MINUTE
    assert states(batch, METAL, now) == {
        "start": "missed",
        "every 60 min, 1": "made",
        "every 60 min, 2": "missed",
        "end": "waiting",
    }


def test_a_check_said_to_be_of_the_start_answers_no_interval(batch: Batch, pass_pieces: Any):
    pass_pieces(batch, MORNING + 5 * MINUTE, "start")
    pass_pieces(batch, MORNING + 6 * MINUTE, "start")
    assert states(batch, METAL, MORNING + 2 * HOUR)["every 60 min, 1"] == "missed"


def test_a_check_shortly_before_the_end_answers_the_end(batch: Batch, end: Any, pass_pieces: Any):
    pass_pieces(batch, MORNING + MINUTE)
    pass_pieces(batch, MORNING + 30 * MINUTE)
    end(batch, at=MORNING + 40 * MINUTE)
    assert states(batch, METAL, MORNING + HOUR) == {"start": "made", "end": "made"}


def test_a_withdrawn_check_is_due_again(act: Any, batch: Batch, pass_pieces: Any):
    gone = pass_pieces(batch, MORNING + MINUTE)
    assert states(batch, METAL, MORNING + 2 * MINUTE)["start"] == "made"
    checks.withdraw(act=act(corrects=gone.pk, reason="Other batch."))
    assert states(batch, METAL, MORNING + 2 * MINUTE)["start"] == "waiting"


def test_a_check_made_again_in_time_counts_as_the_better_one(batch: Batch, pass_pieces: Any):
    pass_pieces(batch, MORNING + MINUTE, "start", good=False)
    again = pass_pieces(batch, MORNING + 5 * MINUTE, "start")
    assert of(batch, METAL, MORNING + HOUR)["start"].check == again


def test_a_good_check_is_not_made_up_for_by_an_earlier_one(batch: Batch, pass_pieces: Any):
    pass_pieces(batch, MORNING + MINUTE, "start", good=False)
    assert of(batch, METAL, MORNING + HOUR)["start"].check.result == "outside"


def test_a_check_for_each_part_is_due_from_its_beginning(
    document: dict[str, Any], batch: Batch, open_part: Any
):
    open_part(batch, 1, at=MORNING)
    open_part(batch, 2, at=MORNING + HOUR)
    assert {due for due in _slots(batch) if due.startswith("CP-BLADE-1")} == {
        "CP-BLADE-1 part 1 start",
        "CP-BLADE-1 part 2 start",
    }


@pytest.fixture
def document(document: dict[str, Any], request: Any) -> dict[str, Any]:
    """Blades are counted for each part where a test asks for parts."""
    if "part" in request.node.name:
        point = next(each for each in document["control_points"] if each["code"] == "CP-BLADE-1")
        point["monitoring"]["when"] |= {"per": "part", "at": ["start"]}
    return document


def _slots(batch: Batch) -> list[str]:
    return [each.due.slot for each in monitoring.of_batch(batch, MORNING + 2 * HOUR)]


def test_products_a_point_does_not_name_ask_for_nothing(batch: Batch, point: Any):
    assert "SBC" not in point("CP-AW-1").document["products"]
    assert not [slot for slot in _slots(batch) if slot.startswith("CP-AW-1")]


def test_slots_are_not_mistaken_for_one_another(batch: Batch):
    assert len(set(_slots(batch))) == len(_slots(batch))


# --- a gap in a series


def test_in_a_long_gap_the_last_of_a_few_cases_stands_for_the_rest(batch: Batch):
    found = of(batch, METAL, MORNING + 48 * HOUR)
    intervals = [each for occasion, each in found.items() if occasion.startswith("every")]
    assert all(each.state is State.MISSED for each in intervals)
    assert len(intervals) == 47
    assert len({each.case_slot for each in intervals}) == MOST_IN_A_ROW
    assert {each.case_slot for each in intervals[MOST_IN_A_ROW:]} == {intervals[MOST_IN_A_ROW - 1].due.slot}


def test_a_check_ends_the_gap(batch: Batch, pass_pieces: Any):
    pass_pieces(batch, MORNING + 20 * HOUR)
    found = monitoring.missed(monitoring.of_batch(batch, MORNING + 48 * HOUR))
    assert len([due for due in found if due.spec.code == METAL and due.number]) == 2 * MOST_IN_A_ROW


def test_a_batch_that_nobody_ends_asks_for_no_more_than_can_be_counted(batch: Batch):
    found = of(batch, METAL, MORNING + timedelta(days=36500))
    assert len(found) == dues.MOST_INTERVALS + 2


# --- received lots


def test_a_receipt_asks_for_its_check_until_it_is_made(
    receipt_document: Any, plan_version: Any, act: Any, receive: Any, nuts: Any, point: Any
):
    lot = receive(material=nuts)
    (waiting,) = monitoring.of_receipt(lot, MORNING + 99 * HOUR)
    assert (waiting.state, waiting.due.slot) == (State.WAITING, "CP-NUT-1 lot once")
    subject = checks.Subject(point("CP-NUT-1"), lot=lot)
    made = checks.record(act=act(), subject=subject, said=seen(point("CP-NUT-1")))
    assert monitoring.of_receipt(lot, MORNING)[0].check == made


def test_a_receipt_of_another_material_asks_for_nothing(
    receipt_document: Any, plan_version: Any, receive: Any
):
    assert monitoring.of_receipt(receive(), MORNING) == []
