"""What became of the checks of several batches, read together: the same as one by one, in a flat number of statements."""

import random
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from batches import noting, runs
from batches.models import Batch, BatchEnd, BatchStart, Equipment
from haccp import checks, missed, monitoring, plans
from haccp.changeovers import procedures, recording
from haccp.models import Changeover, Check, ControlPoint
from haccp.monitoring import Answered, State
from ledger import signatures
from tests.haccp.changeovers.procedures import dry
from tests.haccp.conftest import HOUR, MINUTE, MORNING, seen, water

WHEN: dict[str, dict[str, Any]] = {
    "CP-WEIGH-1": {"per": "shift", "at": ["start"], "shifts": ["06:00", "14:00", "22:00"]},
    "CP-CLEAN-1": {"per": "changeover"},
    "CP-BLADE-1": {"per": "part", "at": ["start", "break"], "break_steps": ["BREAK"]},
    "CP-METAL-1": {"per": "batch", "at": ["start", "break", "end"], "break_steps": ["BREAK"], "every_minutes": "60"},
    "CP-AW-2": {"per": "day"},
    "CP-LABEL-1": {"per": "batch", "at": ["start", "change", "end"]},
}  # fmt: skip
"""Every way in which a plan may say when."""
WEEK = 8  # batches
EXPECTED = {("batch", "made"), ("batch", "missed"), ("part", "made"), ("part", "missed"), ("shift", "made"),
            ("shift", "missed"), ("day", "made"), ("day", "missed"), ("changeover", "made"), ("changeover", "missed"),
            ("changeover", "yours")}  # fmt: skip


@pytest.fixture
def document(document: dict[str, Any]) -> dict[str, Any]:
    for point in document["control_points"]:
        if point["code"] in WHEN:
            usual = {"within_minutes": "90", "source": {"provenance": "site"}}
            point["monitoring"]["when"] = usual | WHEN[point["code"]]
    return document


@pytest.fixture
def table(establishment: Any) -> Equipment:
    return Equipment.objects.create(establishment=establishment, code="T-1", name="Table", kind="table")


@pytest.fixture
def week(
    begin: Any, end: Any, act: Any, lead: Any, meter: Any, kettle: Equipment, table: Equipment, open_part: Any,
    plan: Any, products: Any,
) -> list[Batch]:  # fmt: skip
    """Batches drawn by lot: over days and shifts, beside each other, with parts, breaks, changeovers and corrections of each;
    in the middle the plan is approved anew."""
    by_lot = random.Random(20260302)
    procedure = procedures.draft(act=act(lead), code="DRY", name="Vacuumed", document=dry(equipment_kinds=[]))
    version = procedures.approve(
        act=act(lead, at=MORNING - 24 * HOUR), procedure=procedure, proof=signatures.Proof(lead)
    )

    def within(batch_hours: int) -> timedelta:
        return by_lot.randrange(batch_hours * 60) * MINUTE

    def change_over(at: datetime, **said: Any) -> Changeover:
        values = {"procedure_version": version, "to_material": products["SBC"], "ended_at": at + 5 * MINUTE}
        return recording.record(act=act(at=at, **said), equipment=[kettle, table], **values)

    def check(batch: Batch, code: str, at: datetime, **more: Any) -> Check:
        point = ControlPoint.objects.get(version=batch.plan_version_id, code=code)
        by = meter if code == "CP-AW-2" else None
        subject = checks.Subject(point, batch=batch, instrument=by, **more)
        said = water("0.52") if by else seen(point, good=by_lot.random() < 0.9)
        return checks.record(act=act(at=at), subject=subject, said=said)

    made = []
    for number in range(WEEK):
        at = MORNING + number * 7 * HOUR + within(1)
        if number == WEEK // 2:
            changed = plan.draft | {"team": [*plan.draft["team"], *plan.draft["team"]]}
            plan = plans.redraft(act=act(lead), plan=plan, values={"draft": changed})
            plans.approve(act=act(lead, at=at - 2 * HOUR), plan=plan, proof=signatures.Proof(lead))
        if number % 3 == 1:
            first = change_over(at - HOUR)
            if number % 2:
                change_over(at - HOUR + MINUTE, corrects=first.pk, reason="Misread the clock.")
        on = [[kettle], [kettle, table], []][number % 3]
        batch = begin(at=at, equipment=on)
        parts = [open_part(batch, each, at=at + each * 30 * MINUTE) for each in range(1, number % 3 + 1)]
        for part in [None, *parts]:
            begun = at + within(3)
            said = {"batch": batch, "part": part, "step": "Break"}
            noted = noting.note_step(act=act(at=begun), ended_at=begun + 9 * MINUTE, **said)
            if part is not None:
                later = act(at=begun + MINUTE, corrects=noted.pk, reason="Misread the clock.")
                noting.note_step(act=later, ended_at=begun + 11 * MINUTE, **said)
            if part is not None and by_lot.random() < 0.7:
                check(
                    batch, "CP-BLADE-1", begun + 15 * MINUTE, part=part, occasion=by_lot.choice(["", "break"])
                )
        for code in by_lot.sample(
            ["CP-WEIGH-1", "CP-CLEAN-1", "CP-METAL-1", "CP-METAL-1", "CP-AW-2", "CP-LABEL-1"], 4
        ):
            check(
                batch,
                code,
                at + 5 * MINUTE + within(4),
                occasion=by_lot.choice(["", "", "start", "change", "end"]),
            )
        if number % 4 == 1:
            gone = check(batch, "CP-METAL-1", at + 6 * MINUTE)
            checks.withdraw(act=act(at=at + HOUR, corrects=gone.pk, reason="Another batch."))
        if number % 4 == 2:
            change_over(at + 2 * HOUR)
        if number != 2:  # one runs on beside all that follow
            end(batch, at=at + 4 * HOUR + within(1))
        if number % 4 == 0:
            last = BatchEnd.objects.standing().get(batch=batch)
            runs.end(act=act(at=at + 5 * HOUR, corrects=last.pk, reason="Wrong clock."), batch=batch)
            start = BatchStart.objects.standing().get(batch=batch)
            said = act(at=at + 3 * MINUTE, corrects=start.pk, reason="Wrong clock.")
            runs.correct_start(act=said, batch=batch, quantity="6", unit="KGM", equipment=on)
        made.append(batch)
    return read(made)


def read(batches: Sequence[Batch]) -> list[Batch]:
    rows = Batch.objects.select_related("state", "recipe_version__material", "establishment")
    return list(rows.filter(pk__in=[each.pk for each in batches]).order_by("pk"))


def told(found: Sequence[Answered]) -> list[tuple[Any, ...]]:
    return [(each.due.slot, each.due.occasion, each.due.due_at, each.due.missed_after, each.state.value,
             each.check and each.check.pk, each.case_slot) for each in found]  # fmt: skip


def test_together_they_are_told_as_one_by_one(week: list[Batch], monkeypatch: pytest.MonkeyPatch):
    kinds: set[tuple[str, str]] = set()

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=15, deadline=None)
    @given(
        some=st.lists(st.sampled_from(week), min_size=1, unique=True),
        hours=st.integers(0, 90),
        at_once=st.sampled_from([1, 3, 200]),
    )
    def hold(some: list[Batch], hours: int, at_once: int) -> None:
        now = MORNING + hours * HOUR
        monkeypatch.setattr(monitoring, "AT_ONCE", at_once)
        together = list(monitoring.of_batches(some, now))
        assert [each for each, _ in together] == some
        for batch, found in together:
            assert told(found) == told(monitoring.of_batch(batch, now))
            kinds.update(
                (each.due.spec.schedule.per, each.state.value) for each in found if each.due.spec.schedule
            )

    hold()
    assert kinds >= EXPECTED


def test_of_one_point_it_is_told_what_is_told_of_it_among_all(week: list[Batch]):
    now = MORNING + 90 * HOUR
    for code in WHEN:
        among_all = [
            [each for each in found if each.due.spec.code == code]
            for _, found in monitoring.of_batches(week, now)
        ]
        alone = [found for _, found in monitoring.of_batches(week, now, code)]
        assert [*map(told, alone)] == [*map(told, among_all)]
        assert any(alone)


def test_a_check_under_a_newer_version_of_the_plan_answers_for_the_premises(week: list[Batch]):
    """The one that runs on beside the others was begun under the first version."""
    running = week[2]
    found = monitoring.of_batch(running, MORNING + 90 * HOUR)
    versions = {each.check.control_point.version_id for each in found if each.due.house and each.check}
    assert versions - {running.plan_version_id}


def counted(do: Callable[[], Any]) -> int:
    with CaptureQueriesContext(
        connection,
    ) as queries:
        do()
    return len(queries)


def test_all_kinds_of_dues_take_few_statements(week: list[Batch]):
    """Points, checks; versions, points and checks of the premises; parts; steps twice; stays; changeovers twice."""
    assert counted(lambda: list(monitoring.of_batches(week, MORNING + 90 * HOUR))) == 11


def test_many_batches_take_no_more_statements(begin: Any, end: Any, look: Any, act: Any):
    def some(count: int) -> None:
        for _ in range(count):
            batch = begin()
            look(batch, said_act=act(at=MORNING + MINUTE))
            end(batch, at=MORNING + HOUR)

    def together() -> int:
        batches = read(Batch.objects.all())
        return counted(lambda: list(monitoring.of_batches(batches, MORNING + 3 * HOUR)))

    some(2)
    of_two, sweep_of_two = together(), swept()
    some(18)
    assert together() == of_two
    assert swept() == sweep_of_two


def swept() -> int:
    """Statements of a sweep that finds nothing new."""
    missed.sweep(MORNING + 3 * HOUR)
    return counted(lambda: missed.sweep(MORNING + 3 * HOUR))


def test_what_cannot_be_read_together_is_looked_at_one_by_one(
    begin: Any, monkeypatch: pytest.MonkeyPatch, caplog: Any
):
    batches = [begin(), begin()]
    real = missed._without_case

    def fail(some: Sequence[Batch], now: Any) -> Any:
        if len(some) > 1 or some[0] == batches[0]:
            raise ValueError("boom")
        return real(some, now)

    monkeypatch.setattr(missed, "_without_case", fail)
    assert missed.sweep(MORNING + 2 * HOUR) > 0
    assert "2 batches could not be looked at together" in caplog.text
    assert str(batches[0].uid) in caplog.text


def test_a_check_recorded_after_the_batches_were_read_together_opens_no_case(
    batch: Batch, look: Any, act: Any, monkeypatch: pytest.MonkeyPatch
):
    """As another process may, between the reading and the opening."""
    real = missed._asking

    def meanwhile(*asked: Any) -> list[Batch]:
        found = real(*asked)
        look(batch, said_act=act(at=MORNING + MINUTE), occasion="start")
        return found

    monkeypatch.setattr(missed, "_asking", meanwhile)
    missed.sweep(MORNING + 95 * MINUTE)
    states = {each.due.slot: each.state for each in monitoring.of_batch(batch, MORNING + 95 * MINUTE)}
    assert states["CP-METAL-1 batch start"] is State.MADE
    assert not missed.Deviation.objects.filter(slot="CP-METAL-1 batch start").exists()
