"""Checks after breaks, at changeovers, once a day and once a shift: when records tell, and when they do not."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest

from batches import noting, runs
from batches.models import Batch, Equipment
from haccp import missed, monitoring
from haccp.changeovers import procedures, recording
from haccp.dues import YOURS
from haccp.models import Changeover, Check, Deviation
from haccp.monitoring import Answered, State
from haccp.plan_documents import control_point, errors, gaps
from ledger import signatures
from ledger.acts import Act
from tests.haccp.changeovers.procedures import dry
from tests.haccp.conftest import HOUR, MINUTE, MORNING

BLADE = "CP-BLADE-1"


@pytest.fixture
def when(request: Any) -> dict[str, Any]:
    """What the blade count's monitoring says of when; a test gives its own."""
    return dict(request.param)


@pytest.fixture
def document(document: dict[str, Any], when: dict[str, Any]) -> dict[str, Any]:
    point = next(each for each in document["control_points"] if each["code"] == BLADE)
    point["monitoring"]["when"] = {"within_minutes": "15", "source": {"provenance": "site"}} | when
    return document


def asks(**when: Any) -> Any:
    return pytest.mark.parametrize("when", [when], indirect=True)


def of(batch: Batch, now: datetime) -> dict[str, Answered]:
    found = monitoring.of_batch(Batch.objects.get(pk=batch.pk), now)
    return {each.due.occasion: each for each in found if each.due.spec.code == BLADE}


def states(batch: Batch, now: datetime) -> dict[str, str]:
    return {occasion: each.state.value for occasion, each in of(batch, now).items()}


@pytest.fixture
def count(act: Callable[..., Act], look: Callable[..., Check]) -> Callable[..., Check]:
    def do(batch: Batch, at: datetime, occasion: str = "", **more: Any) -> Check:
        return look(batch, BLADE, said_act=act(at=at), occasion=occasion, **more)

    return do


@pytest.fixture
def pause(act: Callable[..., Act]) -> Callable[..., Any]:
    """A break of a quarter of an hour, an hour after the morning's start."""

    def do(batch: Batch, at: datetime = MORNING + HOUR, minutes: int | None = 15, **more: Any) -> Any:
        ended = None if minutes is None else at + minutes * MINUTE
        said = act(at=at, **{name: more.pop(name) for name in ("corrects", "reason") if name in more})
        return noting.note_step(act=said, batch=batch, step=more.pop("step", "Break"), ended_at=ended, **more)

    return do


# --- breaks

AFTER_BREAKS = asks(per="batch", at=["start", "break"], break_steps=["BREAK", "Stop"])
HALF_PAST_NINE = MORNING + HOUR + 30 * MINUTE


@AFTER_BREAKS
def test_a_break_asks_for_a_check_from_its_end_on(batch: Batch, pause: Any):
    pause(batch)
    due = of(batch, HALF_PAST_NINE)["after the break of 2026-03-02 09:00"]
    assert (due.due.due_at, due.state) == (MORNING + HOUR + 15 * MINUTE, State.WAITING)
    assert states(batch, HALF_PAST_NINE + MINUTE)["after the break of 2026-03-02 09:00"] == "missed"


@AFTER_BREAKS
@pytest.mark.parametrize(("minute", "state"), [(14, "missed"), (15, "made"), (30, "made"), (31, "missed")])
def test_only_a_check_after_the_break_and_in_time_answers_it(
    batch: Batch, pause: Any, count: Any, minute: int, state: str
):
    count(batch, MORNING + MINUTE, "start")
    pause(batch)
    count(batch, MORNING + HOUR + minute * MINUTE)
    assert states(batch, MORNING + 2 * HOUR) == {
        "start": "made",
        "after the break of 2026-03-02 09:00": state,
    }


@AFTER_BREAKS
def test_a_check_said_to_be_after_a_break_answers_nothing_else(batch: Batch, count: Any):
    count(batch, MORNING + MINUTE, "break")
    assert states(batch, MORNING + HOUR) == {"start": "missed"}


@AFTER_BREAKS
def test_while_a_break_lasts_nobody_knows_when_its_check_is_due(batch: Batch, pause: Any):
    pause(batch, minutes=None)
    found = of(batch, MORNING + 9 * HOUR)["after the break of 2026-03-02 09:00"]
    assert (found.due.due_at, found.state) == (None, State.WAITING)


@AFTER_BREAKS
def test_other_steps_and_a_break_until_the_end_ask_for_nothing(batch: Batch, pause: Any, end: Any):
    pause(batch, step="COOK")
    pause(batch, at=MORNING + 2 * HOUR, step="stop")
    end(batch, at=MORNING + 2 * HOUR + 15 * MINUTE)
    assert set(of(batch, MORNING + 9 * HOUR)) == {"start"}


@AFTER_BREAKS
def test_a_corrected_break_keeps_its_case_and_a_withdrawn_one_asks_for_nothing(
    act: Any, batch: Batch, pause: Any, count: Any
):
    count(batch, MORNING + MINUTE, "start")
    first = pause(batch)
    assert len(missed.open_missed(batch, MORNING + 3 * HOUR)) >= 1
    moved = pause(batch, at=MORNING + HOUR + MINUTE, corrects=first.pk, reason="Misread the clock.")
    assert not [case for case in missed.open_missed(batch, MORNING + 3 * HOUR) if case.slot.startswith(BLADE)]
    runs.withdraw(
        act=act(corrects=moved.pk, reason="No break.", withdraws=True), batch=batch, kind=type(first)
    )
    assert set(of(batch, MORNING + 3 * HOUR)) == {"start"}
    assert Deviation.objects.filter(slot=f"{BLADE} batch break {first.pk}").count() == 1


@asks(per="part", at=["break"], break_steps=["BREAK"])
def test_a_break_of_a_part_asks_for_that_part_and_one_of_the_batch_for_all(
    batch: Batch, open_part: Any, pause: Any
):
    first, _ = open_part(batch, 1), open_part(batch, 2)
    pause(batch, part=first)
    pause(batch, at=MORNING + 2 * HOUR)
    found = monitoring.of_batch(batch, MORNING + 3 * HOUR)
    numbers = sorted(each.due.part.number for each in found if each.due.spec.code == BLADE and each.due.part)
    assert numbers == [1, 1, 2]


@asks(per="batch", at=["break"])
def test_breaks_without_a_name_are_left_to_people_and_it_says_so(batch: Batch, pause: Any):
    pause(batch)
    (found,) = of(batch, MORNING + 9 * HOUR).values()
    assert (found.due.occasion, found.state, found.sentence) == ("break", State.YOURS, YOURS)
    assert not [case for case in missed.open_missed(batch, MORNING + 9 * HOUR) if case.slot.startswith(BLADE)]


# --- changeovers


@pytest.fixture
def clean(act: Any, lead: Any, kettle: Equipment, products: Any) -> Callable[..., Changeover]:
    """The kettle, or other equipment, was changed over for caramels, ended at a time."""
    procedure = procedures.draft(act=act(lead), code="DRY", name="Vacuumed", document=dry(equipment_kinds=[]))
    early = act(lead, at=MORNING - timedelta(days=1))
    version = procedures.approve(act=early, procedure=procedure, proof=signatures.Proof(lead))

    def do(at: datetime, *equipment: Equipment, said_act: Any = None, **values: Any) -> Changeover:
        usual = {"procedure_version": version, "to_material": products["SBC"], "ended_at": at}
        return recording.record(
            act=said_act or act(at=at - MINUTE), equipment=equipment or [kettle], **(usual | values)
        )

    return do


AT_CHANGES = asks(per="changeover")


@AT_CHANGES
def test_a_changeover_before_the_start_is_due_at_the_start(begin: Any, kettle: Equipment, clean: Any):
    batch = begin(equipment=[kettle])
    clean(MORNING - HOUR)
    (found,) = of(batch, MORNING).values()
    assert (found.due.occasion, found.due.due_at) == ("changeover of 2026-03-02 07:00", MORNING)


@AT_CHANGES
def test_a_changeover_while_the_batch_runs_is_due_then(begin: Any, kettle: Equipment, clean: Any, count: Any):
    batch = begin(equipment=[kettle])
    clean(MORNING + HOUR)
    count(batch, MORNING + 59 * MINUTE)
    assert states(batch, MORNING + 2 * HOUR) == {"changeover of 2026-03-02 09:00": "missed"}
    count(batch, MORNING + HOUR + MINUTE, "change")
    assert states(batch, MORNING + 2 * HOUR) == {"changeover of 2026-03-02 09:00": "made"}


@AT_CHANGES
def test_a_changeover_of_an_earlier_batch_is_not_this_ones(
    begin: Any, kettle: Equipment, clean: Any, end: Any
):
    clean(MORNING - HOUR)
    end(begin(equipment=[kettle]), at=MORNING + HOUR)
    (found,) = of(begin(at=MORNING + 2 * HOUR, equipment=[kettle]), MORNING + 2 * HOUR).values()
    assert found.state is State.YOURS


@AT_CHANGES
def test_one_changeover_of_two_things_asks_once(
    begin: Any, kettle: Equipment, clean: Any, establishment: Any
):
    table = Equipment.objects.create(establishment=establishment, code="T-1", name="Table", kind="table")
    batch = begin(equipment=[kettle, table])
    clean(MORNING + HOUR, kettle, table)
    assert len(of(batch, MORNING + 2 * HOUR)) == 1


@AT_CHANGES
def test_a_corrected_changeover_asks_under_the_same_name(begin: Any, kettle: Equipment, clean: Any, act: Any):
    batch = begin(equipment=[kettle])
    first = clean(MORNING + HOUR)
    (before,) = of(batch, MORNING + 2 * HOUR).values()
    said = act(at=MORNING + HOUR, corrects=first.pk, reason="Misread the clock.")
    clean(MORNING + HOUR + MINUTE, said_act=said)
    (after,) = of(batch, MORNING + 2 * HOUR).values()
    assert (after.due.slot, after.due.due_at) == (before.due.slot, MORNING + HOUR + MINUTE)


@AT_CHANGES
def test_a_withdrawn_changeover_asks_for_nothing(begin: Any, kettle: Equipment, clean: Any, act: Any):
    batch = begin(equipment=[kettle])
    recording.withdraw(act=act(corrects=clean(MORNING + HOUR).pk, reason="Another kettle."))
    (found,) = of(batch, MORNING + 2 * HOUR).values()
    assert found.state is State.YOURS


@AT_CHANGES
def test_while_a_changeover_lasts_nobody_knows_when_its_check_is_due(
    begin: Any, kettle: Equipment, clean: Any
):
    batch = begin(equipment=[kettle])
    clean(MORNING + HOUR, ended_at=None)
    (found,) = of(batch, MORNING + 9 * HOUR).values()
    assert (found.due.due_at, found.state) == (None, State.WAITING)


@AT_CHANGES
def test_without_a_changeover_on_record_it_is_left_to_people(begin: Any, kettle: Equipment):
    (found,) = of(begin(equipment=[kettle]), MORNING + 9 * HOUR).values()
    assert (found.due.occasion, found.state) == ("change", State.YOURS)


# --- days and shifts


EACH_DAY = asks(per="day")
NIGHT = MORNING + timedelta(hours=15)  # eleven at night


@EACH_DAY
def test_each_local_day_of_a_batch_asks_for_one_check(begin: Any, end: Any, count: Any):
    batch = begin(at=NIGHT)
    count(batch, NIGHT + 10 * MINUTE)
    assert states(batch, NIGHT + 2 * HOUR) == {
        "day 2026-03-02, once": "made",
        "day 2026-03-03, once": "waiting",
    }
    end(batch, at=NIGHT + 3 * HOUR)
    assert states(batch, NIGHT + 4 * HOUR)["day 2026-03-03, once"] == "missed"


@EACH_DAY
def test_midnight_is_that_of_the_premises(begin: Any):
    """Eleven at night in Berlin is ten in UTC: one day until midnight there."""
    assert list(of(begin(at=NIGHT), NIGHT + 59 * MINUTE)) == ["day 2026-03-02, once"]
    found = of(begin(at=NIGHT), NIGHT + HOUR + MINUTE)
    assert found["day 2026-03-02, once"].due.due_at == NIGHT + HOUR


@EACH_DAY
def test_a_check_on_another_batch_of_the_day_answers_it(begin: Any, end: Any, count: Any):
    first = begin()
    good = count(first, MORNING + MINUTE)
    second = begin(at=MORNING + HOUR)
    end(second, at=MORNING + 2 * HOUR)
    assert of(second, MORNING + 9 * HOUR)["day 2026-03-02, once"].check == good


@EACH_DAY
def test_a_check_of_the_day_before_does_not(begin: Any, end: Any, count: Any):
    count(begin(), MORNING + MINUTE)
    next_day = begin(at=MORNING + timedelta(days=1))
    end(next_day, at=MORNING + timedelta(days=1, hours=1))
    assert list(states(next_day, MORNING + timedelta(days=2)).values()) == ["missed"]


@asks(per="batch")
def test_what_is_asked_for_a_batch_is_not_answered_on_another(begin: Any, end: Any, count: Any):
    count(begin(), MORNING + MINUTE)
    second = begin(at=MORNING + HOUR)
    end(second, at=MORNING + 2 * HOUR)
    assert states(second, MORNING + 9 * HOUR) == {"once": "missed"}


@asks(per="day", at=["start", "end"])
def test_a_day_may_ask_at_its_start_and_its_end(begin: Any, end: Any):
    batch = begin(at=NIGHT)
    end(batch, at=NIGHT + 2 * HOUR)
    dues = {occasion: each.due.due_at for occasion, each in of(batch, NIGHT + 3 * HOUR).items()}
    assert dues == {
        "day 2026-03-02, start": NIGHT,
        "day 2026-03-02, end": NIGHT + HOUR,
        "day 2026-03-03, start": NIGHT + HOUR,
        "day 2026-03-03, end": NIGHT + 2 * HOUR,
    }


@EACH_DAY
def test_a_day_of_23_hours_is_one_day(begin: Any, end: Any):
    """Clocks in Berlin go forward on 29 March 2026 (IANA database)."""
    saturday = datetime(2026, 3, 28, 23, 0, tzinfo=MORNING.tzinfo)
    batch = begin(at=saturday)
    end(batch, at=saturday + 25 * HOUR)
    dues = [each.due.due_at for each in of(batch, saturday + 48 * HOUR).values()]
    assert dues == [saturday + HOUR, saturday + 24 * HOUR, saturday + 25 * HOUR]


@asks(per="shift", shifts=["06:00", "14:00", "22:00"])
def test_each_shift_asks_for_one_check(begin: Any, end: Any, count: Any):
    batch = begin()
    count(batch, MORNING + MINUTE)
    end(batch, at=MORNING + 7 * HOUR)
    assert states(batch, MORNING + 9 * HOUR) == {
        "shift 2026-03-02 06:00, once": "made",
        "shift 2026-03-02 14:00, once": "missed",
    }


@asks(per="shift", shifts=["22:00"])
def test_a_batch_before_the_first_shift_of_its_day_is_in_the_one_of_the_day_before(begin: Any):
    assert list(of(begin(), MORNING)) == ["shift 2026-03-01 22:00, once"]


@asks(per="shift")
def test_shifts_without_a_time_are_left_to_people(batch: Batch):
    assert states(batch, MORNING + 9 * HOUR) == {"shift": "yours"}


@EACH_DAY
def test_days_that_nobody_ends_do_not_open_cases_without_end(batch: Batch):
    missed.open_missed(batch, MORNING + timedelta(days=60))
    cases = Deviation.objects.filter(slot__startswith=BLADE)
    assert cases.count() == monitoring.MOST_IN_A_ROW


# --- the plan's document


@EACH_DAY
def test_shift_times_are_times_of_day(document: dict[str, Any]):
    index, point = next(
        (i, each) for i, each in enumerate(document["control_points"]) if each["code"] == BLADE
    )
    point["monitoring"]["when"]["shifts"] = ["06:00", "6:00", "24:00"]
    field = f"control_points.{index}.monitoring.when.shifts"
    assert [error.field for error in errors(document)] == [f"{field}.1", f"{field}.2"]


@AFTER_BREAKS
def test_a_plan_that_names_breaks_and_shifts_has_no_gap_for_it(document: dict[str, Any]):
    assert gaps(document) == []
    spec = control_point(next(each for each in document["control_points"] if each["code"] == BLADE))
    assert spec.schedule is not None
    assert spec.schedule.break_steps == ("BREAK", "Stop")
