"""The sweep for changeovers that nobody recorded: one case a pair of batches, once, and none beside another's."""

import threading
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection, connections
from django.test.utils import CaptureQueriesContext

from batches import runs
from batches.models import Batch, Equipment, LotState, Material
from haccp import missed_changeovers, tasks
from haccp.models import Changeover, Deviation
from ledger import establishments
from ledger.models import Establishment, Person
from ledger.people import service_person
from tests.haccp.allergens.conftest import state as state_fixture
from tests.haccp.changeovers.conftest import BEGUN, HOUR, MINUTE
from tests.haccp.changeovers.procedures import dry
from tests.haccp.changeovers.test_starting import (  # noqa: F401 - fixtures
    AFTER,
    drops_recipe,
    nutty,
    start_drops,
)

state = state_fixture
LATER = AFTER + 2 * HOUR


@pytest.fixture
def phased(act: Any, lead: Person, establishment: Establishment) -> None:
    establishments.change_profile(act=act(lead), values={"phased_start_until": date(2026, 3, 2)})
    establishment.refresh_from_db()


@pytest.fixture
def drops(phased: None, nutty: Batch, start_drops: Any) -> Batch:  # noqa: F811
    """Drops began on the table after the caramels with hazelnuts, uncleaned, in a phased start."""
    found: Batch = start_drops().batch
    return found


def cases() -> list[Deviation]:
    return list(Deviation.objects.filter(what="no-changeover").order_by("recorded_at"))


def test_a_pair_without_a_changeover_is_one_case_with_hold(
    drops: Batch,
    nutty: Batch,  # noqa: F811
    make_lot: Any,
    products: dict[str, Material],
):
    lot = make_lot(drops, at=AFTER + MINUTE, material=products["LMD"])
    assert missed_changeovers.sweep(LATER) == 1
    (case,) = cases()
    assert (case.subject, case.slot) == (drops.uid, f"after batch {nutty.uid}")
    assert case.title == (
        f"No changeover is on record between batch {nutty.code} and batch {drops.code} on T-1: left hazelnut, which Plain "
        "lemon drops does not declare."
    )
    assert case.performed_by == service_person()
    assert LotState.objects.get(lot=lot).status == "held"


def test_run_twice_it_opens_nothing_twice(drops: Batch):
    assert missed_changeovers.sweep(LATER) == 1
    assert missed_changeovers.sweep(LATER + HOUR) == 0
    assert len(cases()) == 1


def test_what_may_have_been_left_asks_for_the_reason_and_holds_nothing(
    phased: None, begin: Any, end: Any, receive: Any, accept: Any, use: Any, nuts: Any, state: Any,
    table: Equipment, start_drops: Any,  # noqa: F811
):  # fmt: skip
    state(nuts, "may-contain:almond")
    batch = begin(equipment=[table])
    use(accept(receive(material=nuts)), batch)
    end(batch, at=BEGUN - HOUR)
    start_drops()
    assert missed_changeovers.sweep(LATER) == 1
    assert "may have left almond" in cases()[0].title
    assert not cases()[0].holds.exists()


def test_for_an_hour_a_changeover_may_come_in_from_a_queue(drops: Batch):
    assert missed_changeovers.sweep(AFTER + 59 * MINUTE) == 0
    assert missed_changeovers.sweep(AFTER + 61 * MINUTE) == 1


def test_a_changeover_that_clears_it_stands_between_though_not_released(drops: Batch, change_over: Any):
    change_over()
    assert missed_changeovers.sweep(LATER) == 0


def test_one_that_does_not_clear_it_does_not(drops: Batch, change_over: Any, approve: Any):
    change_over(procedure_version=approve(dry(), "DRY"))
    assert missed_changeovers.sweep(LATER) == 1


def test_a_released_break_stands_between(
    phased: None,
    nutty: Batch,  # noqa: F811
    changed_over: Changeover,
    free: Any,
    start_drops: Any,  # noqa: F811
):
    free(changed_over)
    start_drops()
    assert missed_changeovers.sweep(LATER) == 0


def test_a_product_that_declares_it_opens_nothing(
    phased: None,
    nutty: Batch,  # noqa: F811
    start_drops: Any,  # noqa: F811
    sugar: Material,
    state: Any,
):
    state(sugar, "hazelnut")
    start_drops()
    assert missed_changeovers.sweep(LATER) == 0


def test_an_emergency_start_that_named_it_has_its_case_already(nutty: Batch, start_drops: Any):  # noqa: F811
    start_drops(already_happened=True)
    assert missed_changeovers.sweep(LATER) == 0
    assert Deviation.objects.filter(what="emergency-start").count() == 1
    assert not cases()


def test_weighings_that_come_late_open_it(
    begin: Any, end: Any, receive: Any, accept: Any, use: Any, nuts: Any, state: Any, table: Equipment,
    sugar: Material, start_drops: Any,  # noqa: F811
):  # fmt: skip
    """The gate knew of sugar only; then the hazelnuts of the batch before come in from a tablet's queue."""
    state(nuts, "hazelnut")
    batch = begin(equipment=[table])
    use(accept(receive()), batch)
    end(batch, at=BEGUN - HOUR)
    start_drops()
    assert missed_changeovers.sweep(LATER) == 0
    use(accept(receive(material=nuts)), batch)
    assert missed_changeovers.sweep(LATER) == 1


def test_equipment_taken_in_the_middle_of_a_run_has_its_case_with_hold_and_gets_no_second(
    nutty: Batch,  # noqa: F811
    start_drops: Any,  # noqa: F811
    act: Any,
    table: Equipment,
):
    started = start_drops(equipment=[])
    runs.note_equipment(act=act(at=AFTER + MINUTE), batch=started.batch, equipment=table, deed="taken")
    (case,) = Deviation.objects.filter(what="emergency-start")
    assert case.holds.exists()
    assert missed_changeovers.sweep(LATER) == 0


def test_equipment_that_a_corrected_start_adds_has_its_case_and_gets_no_second(
    nutty: Batch,  # noqa: F811
    start_drops: Any,  # noqa: F811
    act: Any,
    table: Equipment,
):
    started = start_drops(equipment=[])
    said = act(at=AFTER, corrects=started.pk, reason="The table was left out.")
    runs.correct_start(act=said, batch=started.batch, quantity="6", unit="KGM", equipment=[table])
    assert Deviation.objects.filter(what="emergency-start").count() == 1
    assert missed_changeovers.sweep(LATER) == 0


def test_in_a_phased_start_equipment_taken_in_the_middle_of_a_run_is_looked_at(
    phased: None,
    nutty: Batch,  # noqa: F811
    start_drops: Any,  # noqa: F811
    act: Any,
    table: Equipment,
):
    started = start_drops(equipment=[])
    runs.note_equipment(act=act(at=AFTER + MINUTE), batch=started.batch, equipment=table, deed="taken")
    assert not Deviation.objects.filter(what="emergency-start").exists()
    assert missed_changeovers.sweep(LATER) == 1


def test_what_equipment_taken_later_opened_asks_nothing_of_what_the_start_only_warned_of(
    drops: Batch,
    nutty: Batch,  # noqa: F811
    act: Any,
    lead: Person,
    kettle: Equipment,
    begin: Any,
    end: Any,
    receive: Any,
    accept: Any,
    use: Any,
    nuts: Material,
    establishment: Establishment,
):
    """The table was warned of at the start; the kettle, taken after the phased start, has a case, of another batch."""
    other = begin(equipment=[kettle])
    use(accept(receive(material=nuts)), other)
    end(other, at=AFTER)
    establishments.change_profile(act=act(lead), values={"phased_start_until": None})
    establishment.refresh_from_db()
    runs.note_equipment(act=act(at=AFTER + MINUTE), batch=drops, equipment=kettle, deed="taken")
    assert Deviation.objects.filter(what="emergency-start", subject=drops.uid).count() == 1
    assert missed_changeovers.sweep(LATER) == 1
    assert cases()[0].slot == f"after batch {nutty.uid}"


def test_many_pairs_that_are_known_cost_no_more_statements(
    phased: None,
    nutty: Batch,  # noqa: F811
    start_drops: Any,  # noqa: F811
    change_over: Any,
    end: Any,
):
    def asked() -> int:
        missed_changeovers.sweep(LATER)
        with CaptureQueriesContext(connection) as queries:
            assert missed_changeovers.sweep(LATER) == 0
        return len(queries)

    end(start_drops().batch, at=AFTER + MINUTE)
    few = asked()
    for minute in range(2, 5):
        end(start_drops(at=AFTER + minute * MINUTE).batch, at=AFTER + minute * MINUTE + MINUTE / 2)
    assert asked() == few
    assert len(cases()) == 4


def test_what_a_product_declared_is_asked_of_the_day_on_which_it_took_the_equipment(
    drops: Batch,
    act: Any,
    kettle: Equipment,
    begin: Any,
    end: Any,
    receive: Any,
    accept: Any,
    use: Any,
    nuts: Material,
    sugar: Material,
    state: Any,
):
    """From the day after it began, on which it takes the kettle, its sugar is stated to hold hazelnut."""
    other = begin(equipment=[kettle])
    use(accept(receive(material=nuts)), other)
    end(other, at=AFTER)
    tomorrow = AFTER + timedelta(days=1)
    state(sugar, "hazelnut", in_force_from=tomorrow.date())
    runs.note_equipment(act=act(at=tomorrow), batch=drops, equipment=kettle, deed="taken")
    assert missed_changeovers.sweep(tomorrow + 2 * HOUR) == 1
    assert "on T-1: left hazelnut" in cases()[0].title


def test_equipment_that_several_share_at_once_is_left_out(drops: Batch, table: Equipment):
    Equipment.objects.filter(pk=table.pk).update(shared=True)
    assert missed_changeovers.sweep(LATER) == 0


def test_a_changeover_entered_afterwards_leaves_the_case(drops: Batch, change_over: Any):
    missed_changeovers.sweep(LATER)
    change_over()
    assert missed_changeovers.sweep(LATER) == 0
    assert len(cases()) == 1


def test_what_ended_long_ago_and_left_nothing_open_is_left_alone(drops: Batch, end: Any):
    end(drops, at=AFTER + MINUTE)
    assert missed_changeovers.sweep(LATER + timedelta(days=60)) == 0


def test_one_house_that_cannot_be_looked_at_is_told_of_in_the_log(
    drops: Batch, monkeypatch: pytest.MonkeyPatch, caplog: Any
):
    def fail(*_: Any) -> Any:
        raise ValueError("boom")

    monkeypatch.setattr(missed_changeovers, "pairs", fail)
    assert missed_changeovers.sweep(LATER) == 0
    assert str(drops.establishment_id) in caplog.text


def test_the_task_is_the_sweep(drops: Batch):
    tasks.sweep_changeovers()  # on the server's clock, long after; the drops are still on the table
    assert cases()


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
def test_two_sweeps_at_once_open_nothing_twice(drops: Batch):
    def sweep() -> None:
        try:
            missed_changeovers.sweep(LATER)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=sweep) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    (case,) = cases()
    assert case.holds.count() == 1
