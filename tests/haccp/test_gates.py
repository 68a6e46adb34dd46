"""Permission to start and release: every reason at once, with ids; warnings in a phased start."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches.models import Batch, BatchStart, Equipment, Lot, LotState, Recipe, RecipeVersion
from config.api.refusals import NotAllowed, Reason, RuleBroken
from haccp import checks, deviations, gates, missed
from haccp.deviations import Touched
from haccp.models import Check, Deviation, HoldSubject, Release, StartPermission
from haccp.monitoring import MOST_IN_A_ROW
from ledger import establishments, people, signatures
from ledger.ids import uuid7
from ledger.models import Person, Signature
from tests.conftest import NOON
from tests.haccp.conftest import HOUR, MINUTE, MORNING, seen


def reasons_of(gate: Callable[[], Any]) -> dict[str, Reason]:
    with pytest.raises(RuleBroken) as refusal:
        gate()
    return {reason.code: reason for reason in refusal.value.reasons}


# --- start


@pytest.fixture
def start(act: Any, caramel_recipe: RecipeVersion) -> Callable[..., BatchStart]:
    """Through the gate, whether there is a plan or not."""

    def do(said_act: Any = None, **values: Any) -> BatchStart:
        usual = {"recipe_version": caramel_recipe, "quantity": "6", "unit": "KGM"}
        return gates.start_batch(act=said_act or act(at=MORNING), **(usual | values))

    return do


@pytest.fixture
def phased(act: Any, lead: Person) -> None:
    establishments.change_profile(act=act(lead), values={"phased_start_until": MORNING.date()})


def test_a_batch_pins_plan_version_and_permission(start: Any, plan_version: Any):
    batch = start().batch
    permission = StartPermission.objects.get(pk=batch.permission_id)
    assert (batch.plan_version_id, permission.plan_version_id, permission.warnings) == (
        plan_version.pk,
        plan_version.pk,
        [],
    )


def test_every_reason_against_a_start_is_told_at_once(
    start: Any, act: Any, lead: Person, kettle: Equipment, caramel_recipe: RecipeVersion, phased: None
):
    other = Equipment.objects.create(
        establishment=kettle.establishment, code="K-9", name="Old", kind="kettle", in_use=False
    )
    kettle.establishment.refresh_from_db()
    first = start(equipment=[kettle]).batch
    establishments.change_profile(act=act(lead), values={"phased_start_until": None})
    kettle.establishment.refresh_from_db()
    Recipe.objects.update(in_use=False)
    caramel_recipe.recipe.refresh_from_db()
    found = reasons_of(lambda: start(equipment=[kettle, other]))
    assert set(found) == {"recipe-not-in-use", "no-plan", "not-in-use", "equipment-occupied"}
    assert found["equipment-occupied"].ids == [str(kettle.pk), str(first.uid)]
    assert Batch.objects.count() == 1


def test_a_superseded_recipe_does_not_start(
    start: Any, act: Any, lead: Person, caramel_recipe: RecipeVersion, plan_version: Any
):
    from batches import recipes

    recipe = caramel_recipe.recipe
    draft = recipe.draft | {"notes": "Stir longer."}
    recipes.redraft(act=act(lead), recipe=recipe, values={"draft": draft})
    newer = recipes.approve(act=act(lead), recipe=recipe, proof=signatures.Proof(lead))
    assert reasons_of(start)["recipe-superseded"].ids == [str(newer.pk)]


def test_a_phased_start_warns_and_begins_even_without_a_plan(start: Any, establishment: Any, phased: None):
    establishment.refresh_from_db()
    batch = start().batch
    (warning,) = StartPermission.objects.get(pk=batch.permission_id).warnings
    assert (warning["code"], bool(warning["ids"]), batch.plan_version_id) == ("no-plan", True, None)
    assert not Deviation.objects.exists()


def test_a_recipe_out_of_use_is_named_in_words_and_by_id(
    start: Any, caramel_recipe: RecipeVersion, plan_version: Any
):
    Recipe.objects.update(in_use=False)
    caramel_recipe.recipe.refresh_from_db()
    reason = reasons_of(start)["recipe-not-in-use"]
    assert reason.detail == "Recipe R-SBC is marked as no longer in use."
    assert (reason.field, reason.ids) == ("recipe_version", [str(caramel_recipe.recipe_id)])


def test_a_phased_start_warns_of_a_recipe_out_of_use(
    start: Any, establishment: Any, caramel_recipe: RecipeVersion, plan_version: Any, phased: None
):
    Recipe.objects.update(in_use=False)
    caramel_recipe.recipe.refresh_from_db()
    establishment.refresh_from_db()
    (warning,) = StartPermission.objects.get(pk=start().batch.permission_id).warnings
    assert (warning["code"], warning["ids"]) == ("recipe-not-in-use", [str(caramel_recipe.recipe_id)])


def test_a_phased_start_ends_on_its_day(start: Any, act: Any, establishment: Any, phased: None):
    establishment.refresh_from_db()
    assert "no-plan" in reasons_of(lambda: start(said_act=act(at=MORNING + 24 * HOUR)))


def test_a_batch_that_runs_already_is_recorded_and_held(start: Any, make_lot: Any):
    batch = start(already_happened=True).batch
    case = Deviation.objects.get()
    assert (case.what, case.subject) == ("emergency-start", batch.uid)
    assert LotState.objects.get(lot=make_lot(batch)).status == "held"


def test_a_repeated_start_is_one_start(start: Any, act: Any, kettle: Equipment, plan_version: Any):
    said = act(at=MORNING, id=uuid7())
    first = start(said_act=said, equipment=[kettle])
    assert start(said_act=said, equipment=[kettle]).pk == first.pk  # the kettle is occupied by itself
    assert StartPermission.objects.count() == 1


# --- release of what was made


@pytest.fixture
def ready(begin: Any, make_lot: Any, end: Any, check_all: Any) -> Lot:
    """A lot of a batch from eight to nine with every check made within limits."""
    batch = begin()
    lot = make_lot(batch, at=MORNING + 50 * MINUTE)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    return lot


@pytest.fixture
def release(act: Any, lead: Person) -> Callable[..., Release]:
    def do(lot: Lot, said_act: Any = None) -> Release:
        said = said_act or act(lead)
        return gates.release(act=said, lot=lot, proof=signatures.Proof(said.performed_by))

    return do


def status(lot: Lot) -> str:
    return LotState.objects.get(lot=lot).status


def test_a_lot_in_order_is_released_and_signed(ready: Lot, release: Any):
    record = release(ready)
    assert status(ready) == "released"
    assert Signature.objects.get(target=record.pk).meaning == "released"
    assert len(record.basis["checks"]) == 9


def test_a_repeated_release_answers_what_is_stored(act: Any, lead: Person, ready: Lot, release: Any):
    said = act(lead, id=uuid7())
    release(ready, said)
    assert release(ready, said).repeated


def test_an_operator_releases_nothing(act: Any, ready: Lot, release: Any):
    with pytest.raises(NotAllowed):
        release(ready, act())
    assert status(ready) == "awaiting"


def test_every_reason_against_a_release_is_told_at_once(
    batch: Batch, make_lot: Any, act: Any, look: Any, release: Any
):
    lot = make_lot(batch)
    failing = look(batch, good=False, said_act=act(at=MORNING + MINUTE), occasion="start")
    with pytest.raises(RuleBroken) as refusal:
        release(lot)
    found = refusal.value.reasons
    assert {reason.code for reason in found} == {
        "batch-running",
        "open-deviation",
        "check-missed",
        "check-not-made",
        "check-not-within",
    }
    by_code = {reason.code: reason for reason in found}
    assert by_code["check-not-within"].ids == [str(failing.pk)]
    assert by_code["batch-running"].ids == [str(batch.uid)]
    assert by_code["open-deviation"].ids == [str(Deviation.objects.get().pk)]
    assert all((reason.ids and reason.detail.endswith(".")) or reason.ids for reason in found)
    assert not Release.objects.exists()


def test_the_long_gap_of_a_batch_nobody_ended_is_told_in_a_few_reasons_and_statements(
    batch: Batch, make_lot: Any, release: Any
):
    lot = make_lot(batch)
    with CaptureQueriesContext(connection) as seen, pytest.raises(RuleBroken) as refusal:
        release(lot)
    gap = [reason for reason in refusal.value.reasons if " more after it" in reason.detail]
    assert gap
    assert len(refusal.value.reasons) < 10 * MOST_IN_A_ROW
    assert len(seen) < 200


def test_a_check_not_made_stands_in_the_way(begin: Any, make_lot: Any, end: Any, release: Any):
    batch = begin()
    lot = make_lot(batch, at=MORNING + MINUTE)
    end(batch, at=MORNING + HOUR)
    missed.sweep(NOON)
    assert {"check-missed", "open-deviation", "held"} & set(reasons_of(lambda: release(lot)))


def test_a_missed_check_is_made_good_by_a_closed_deviation(
    begin: Any, make_lot: Any, end: Any, check_all: Any, release: Any, settle: Any
):
    batch = begin()
    lot = make_lot(batch, at=MORNING + 50 * MINUTE)
    end(batch, at=MORNING + 76 * MINUTE)  # a detector check was due at nine
    check_all(batch)
    assert "check-missed" in reasons_of(lambda: release(lot))
    missed.sweep(NOON)
    settle(Deviation.objects.get())
    release(lot)
    assert status(lot) == "released"


def test_a_failing_check_is_made_good_by_a_closed_deviation(
    ready: Lot, measure: Any, settle: Any, release: Any
):
    measure(Batch.objects.get(), "0.7")
    assert set(reasons_of(lambda: release(ready))) == {"open-deviation"}
    settle(Deviation.objects.get())
    release(ready)
    assert status(ready) == "released"


def test_correcting_a_failing_check_does_not_free_its_lot(act: Any, ready: Lot, measure: Any, release: Any):
    failing = measure(Batch.objects.get(), "0.7")
    measure(Batch.objects.get(), "0.5", said_act=act(corrects=failing.pk, reason="Misread."))
    assert "open-deviation" in reasons_of(lambda: release(ready))


def test_withdrawing_a_check_makes_it_due_again(act: Any, ready: Lot, release: Any):
    gone = Check.objects.get(control_point__code="CP-AW-2")
    checks.withdraw(act=act(corrects=gone.pk, reason="Other batch."))
    assert "check-missed" in reasons_of(lambda: release(ready))


@pytest.mark.parametrize(("decision", "code"), [("reject", "rejected"), ("rework", "to-be-reworked")])
def test_what_a_case_decided_otherwise_is_not_released(
    ready: Lot, measure: Any, settle: Any, release: Any, decision: str, code: str
):
    measure(Batch.objects.get(), "0.7")
    settle(Deviation.objects.get(), decision)
    assert set(reasons_of(lambda: release(ready))) == {code}


def test_a_lot_is_released_once(ready: Lot, release: Any):
    release(ready)
    assert set(reasons_of(lambda: release(ready))) == {"released-already"}


def test_a_release_is_not_corrected(act: Any, lead: Person, ready: Lot, release: Any):
    first = release(ready)
    with pytest.raises(RuleBroken) as refusal:
        release(ready, act(lead, corrects=first.pk, reason="x"))
    assert refusal.value.code == "a-release-is-not-corrected"


def test_what_went_into_a_lot_must_not_be_held(
    act: Any, ready: Lot, receive: Any, accept: Any, use: Any, release: Any
):
    sugar = accept(receive())
    use(sugar, Batch.objects.get(), at=MORNING + MINUTE)
    from batches import lots

    lots.decide(  # as if nothing had reached the product
        act=act(), lots=[sugar], status="held", because=Release.objects.get(lot=sugar)
    )
    found = reasons_of(lambda: release(ready))
    assert found["ingredient-held"].ids == [str(sugar.uid)]


def test_a_batch_without_a_plan_needs_a_decision_before_it_is_released(
    act: Any, start: Any, establishment: Any, phased: None, make_lot: Any, end: Any, release: Any, settle: Any
):
    establishment.refresh_from_db()
    batch = start().batch
    lot = make_lot(batch, at=MORNING + MINUTE)
    end(batch, at=MORNING + HOUR)
    assert set(reasons_of(lambda: release(lot))) == {"no-plan"}
    settle(deviations.report(act=act(), title="Made without a plan.", hold=Touched(HoldSubject.LOT, lot.uid)))
    release(lot)
    assert status(lot) == "released"


# --- undecided


@pytest.fixture
def guarded(document: dict[str, Any]) -> None:
    point = next(each for each in document["control_points"] if each["code"] == "CP-AW-2")
    point["guard"] = "one-sided"


@pytest.fixture
def undecided(guarded: None, begin: Any, make_lot: Any, end: Any, check_all: Any) -> Lot:
    batch = begin()
    lot = make_lot(batch, at=MORNING + 50 * MINUTE)
    end(batch, at=MORNING + HOUR)
    check_all(batch, water_activity="0.645")
    return lot


def test_an_undecided_check_stands_in_the_way(undecided: Lot, release: Any):
    assert set(reasons_of(lambda: release(undecided))) == {"check-not-within"}


def test_another_check_within_limits_in_time_decides_it(act: Any, undecided: Lot, measure: Any, release: Any):
    measure(Batch.objects.get(), "0.6", said_act=act(at=MORNING + 2 * HOUR))
    release(undecided)
    assert status(undecided) == "released"


def test_a_good_check_is_not_the_last_word_when_a_later_one_is_undecided(
    guarded: None, act: Any, ready: Lot, measure: Any, release: Any
):
    measure(Batch.objects.get(), "0.645", said_act=act(at=MORNING + 2 * HOUR))
    assert set(reasons_of(lambda: release(ready))) == {"check-not-within"}


def test_a_decision_on_the_lot_decides_it_too(act: Any, undecided: Lot, settle: Any, release: Any):
    hold = Touched(HoldSubject.LOT, undecided.uid)
    settle(deviations.report(act=act(), title="Too near the bound.", hold=hold))
    release(undecided)
    assert status(undecided) == "released"


# --- acceptance of what was received


def test_a_received_lot_is_accepted(receive: Any, release: Any):
    lot = receive()
    release(lot)
    assert status(lot) == "released"


def test_a_supervisor_accepts_what_was_received_and_nothing_else(
    act: Any, lead: Person, make_person: Any, establishment: Any, receive: Any, ready: Lot, release: Any
):
    person = make_person("Sven Super")
    people.give_role(act=act(lead), person=person, role="supervisor", from_day=date(2020, 1, 1))
    lot = receive()
    release(lot, act(person))
    assert status(lot) == "released"
    with pytest.raises(NotAllowed):
        release(ready, act(person))


def test_no_qualification_is_asked_of_who_releases(
    act: Any, lead: Person, make_person: Any, ready: Lot, release: Any
):
    person = make_person("Lea Lead")
    people.give_role(act=act(lead), person=person, role="food-safety-lead", from_day=date(2020, 1, 1))
    assert not people.may_approve_plans(person, ready.establishment, NOON.date())
    release(ready, act(person))
    assert status(ready) == "released"


def test_a_receipt_waits_for_its_check(
    receipt_document: Any, plan_version: Any, act: Any, receive: Any, nuts: Any, point: Any, release: Any
):
    lot = receive(material=nuts)
    assert set(reasons_of(lambda: release(lot))) == {"check-not-made"}
    checks.record(act=act(), subject=checks.Subject(point("CP-NUT-1"), lot=lot), said=seen(point("CP-NUT-1")))
    release(lot)
    assert status(lot) == "released"


def test_a_receipt_that_fails_its_check_is_held(
    receipt_document: Any, plan_version: Any, act: Any, receive: Any, nuts: Any, point: Any, release: Any
):
    lot = receive(material=nuts)
    checks.record(
        act=act(),
        subject=checks.Subject(point("CP-NUT-1"), lot=lot),
        said=seen(point("CP-NUT-1"), good=False),
    )
    assert status(lot) == "held"
    assert "open-deviation" in reasons_of(lambda: release(lot))


def test_a_receipt_that_was_withdrawn_is_not_accepted(act: Any, receive: Any, release: Any):
    from dataclasses import replace

    from batches import movements

    lot = receive()
    movements.withdraw(act=replace(act(corrects=lot.birth_id, reason="Never came."), withdraws=True))
    assert "withdrawn" in reasons_of(lambda: release(lot))
