"""The start gate: what an earlier batch left on the equipment, the step that is missing, and what clears it."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches import recipes, runs
from batches.models import Batch, BatchStart, Equipment, LotState, Material, RecipeVersion
from config.api.refusals import Reason, RuleBroken
from haccp import gates
from haccp.changeovers import releasing
from haccp.labels import versions
from haccp.models import Changeover, Deviation, Hold, StartPermission
from ledger import establishments, signatures
from ledger.models import Person
from tests.haccp.allergens.conftest import state as state_fixture
from tests.haccp.changeovers.conftest import BEGUN, FREED, HOUR, MINUTE, ticked
from tests.haccp.changeovers.procedures import dry
from tests.haccp.conftest import MORNING

state = state_fixture
AFTER = FREED + MINUTE


@pytest.fixture
def drops_recipe(act: Any, lead: Person, products: dict[str, Material], sugar: Material) -> RecipeVersion:
    document = {
        "batch_size": {"quantity": "6", "unit": "KGM"},
        "lines": [{"material": "SUG", "quantity": "6", "unit": "KGM", "tolerance_permille": "10"}],
    }
    recipe = recipes.draft(
        act=act(lead), code="R-LMD", name="Drops", material=products["LMD"], document=document
    )
    return recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))


@pytest.fixture
def start_drops(act: Any, drops_recipe: RecipeVersion, table: Equipment) -> Callable[..., BatchStart]:
    """Drops begin on the table after one, unless said otherwise."""

    def do(at: Any = AFTER, **values: Any) -> BatchStart:
        usual = {"recipe_version": drops_recipe, "quantity": "6", "unit": "KGM", "equipment": [table]}
        return gates.start_batch(act=act(at=at), **(usual | values))

    return do


@pytest.fixture
def nutty(
    begin: Any, end: Any, receive: Any, accept: Any, use: Any, nuts: Material, state: Any, table: Equipment
) -> Batch:
    """Caramels with hazelnuts were on the table from eight until eleven."""
    state(nuts, "hazelnut")
    batch = begin(equipment=[table])
    use(accept(receive(material=nuts)), batch)
    end(batch, at=MORNING + 3 * HOUR)
    return batch


def left(gate: Callable[[], Any]) -> list[Reason]:
    with pytest.raises(RuleBroken) as refusal:
        gate()
    return [reason for reason in refusal.value.reasons if reason.code == "allergen-left"]


def told(started: BatchStart) -> dict[str, str]:
    permission = StartPermission.objects.get(pk=started.batch.permission_id)
    return {each["code"]: each["detail"] for each in permission.warnings}


# --- refused


def test_it_names_the_allergen_the_earlier_batch_the_equipment_and_the_missing_step(
    start_drops: Any, nutty: Batch, table: Equipment, wet_version: Any
):
    (reason,) = left(start_drops)
    assert (reason.field, reason.ids) == ("equipment", [str(table.pk), str(nutty.uid)])
    assert reason.detail == (
        f"T-1 Table bears hazelnut of batch {nutty.code}, which Plain lemon drops does not declare (by its recipe, as no "
        "label is approved). No changeover is on record since. Change over by WET (45 min), verify and release it."
    )
    assert Batch.objects.count() == 1


def test_without_a_procedure_for_it_that_is_said(start_drops: Any, nutty: Batch, approve: Any):
    approve(dry(), "DRY")
    assert "No approved procedure clears it from a table" in left(start_drops)[0].detail


def test_a_changeover_without_release_is_not_enough(start_drops: Any, nutty: Batch, change_over: Any):
    change_over()
    assert "its release waits for: T-1 Table: not shown yet: visual" in left(start_drops)[0].detail


def test_a_changeover_that_waits_for_its_signature_says_so(
    start_drops: Any, nutty: Batch, changed_over: Changeover
):
    assert "has to release it yet" in left(start_drops)[0].detail


def test_a_changeover_that_does_not_clear_it_says_so(
    start_drops: Any, nutty: Batch, change_over: Any, show: Any, free: Any, approve: Any, wet_version: Any
):
    made = change_over(procedure_version=approve(dry(), "DRY"))
    show(made)
    free(made)
    detail = left(start_drops)[0].detail
    assert "changed over by DRY, which does not clear it. Change over by WET" in detail


def test_a_release_without_it_says_so(start_drops: Any, nutty: Batch, changed_over: Changeover, free: Any):
    free(changed_over, allergens=["milk"])
    assert "released without it" in left(start_drops)[0].detail


def test_a_break_before_the_earlier_batch_clears_nothing(
    act: Any,
    start_drops: Any,
    nutty: Batch,
    change_over: Any,
    show: Any,
    show_all: Any,
    free: Any,
    wet_version: Any,
):
    early = MORNING - 2 * HOUR
    steps = [each | {"done_at": early + MINUTE} for each in ticked(wet_version)]
    made = change_over(act(at=early), ended_at=MORNING - HOUR, steps=steps)
    show_all(made)
    free(made)
    assert "No changeover is on record since" in left(start_drops)[0].detail


def test_a_batch_that_is_on_it_still_is_ended_first(
    start_drops: Any, begin: Any, receive: Any, accept: Any, use: Any, nuts: Any, state: Any, table: Equipment
):
    state(nuts, "hazelnut")
    use(accept(receive(material=nuts)), begin(equipment=[table]))
    assert "is on it still: end that batch or free it" in left(start_drops)[0].detail


def test_a_release_taken_back_clears_nothing(
    start_drops: Any, nutty: Batch, changed_over: Changeover, free: Any, act: Any, supervisor: Person
):
    release = free(changed_over)
    releasing.withdraw(act=act(supervisor, at=FREED, corrects=release.pk, reason="Wrong table."))
    assert left(start_drops)


def test_a_changeover_corrected_after_its_release_clears_nothing(
    start_drops: Any, nutty: Batch, changed_over: Changeover, change_over: Any, free: Any, act: Any
):
    free(changed_over)
    change_over(act(at=BEGUN, corrects=changed_over.pk, reason="Wrong time."))
    assert left(start_drops)


def test_what_only_may_be_there_is_refused_as_well(
    start_drops: Any,
    begin: Any,
    end: Any,
    receive: Any,
    accept: Any,
    use: Any,
    nuts: Any,
    state: Any,
    table: Any,
):
    state(nuts, "may-contain:almond")
    batch = begin(equipment=[table])
    use(accept(receive(material=nuts)), batch)
    end(batch, at=MORNING + 3 * HOUR)
    assert "possibly bears" in left(start_drops)[0].detail


# --- permitted


def test_a_valid_break_between_lets_it_begin(
    start_drops: Any, nutty: Batch, changed_over: Changeover, free: Any
):
    free(changed_over)
    assert told(start_drops()).keys() <= {"allergen-left-unknown"}


def test_a_release_that_came_after_the_batch_began_let_nothing_begin(
    start_drops: Any, nutty: Batch, changed_over: Changeover, free: Any
):
    """It is entered late: the table was clean by then, and nobody had released it."""
    free(changed_over)
    (reason,) = left(lambda: start_drops(at=FREED - MINUTE))
    assert "It was changed over by WET, and that was released only after this begins." in reason.detail


def test_a_product_that_declares_it_begins(start_drops: Any, nutty: Batch, sugar: Material, state: Any):
    """The drops are made of sugar that bears hazelnut itself; no label is approved yet."""
    state(sugar, "hazelnut")
    assert start_drops()


@pytest.fixture
def label(act: Any, lead: Person, products: dict[str, Material]) -> Callable[..., None]:
    """A label of the drops, approved in the morning."""

    def do(code: str, contains: list[str], may: list[str]) -> None:
        document = {
            "languages": ["en"],
            "name": {"en": "Plain lemon drops"},
            "contains": contains,
            "may_contain": [{"allergen": each, "reason": "Same table."} for each in may],
            "ingredients": [
                {"name": {"en": "sugar"}, "material": "SUG"},
                *({"name": {"en": f"*{each}*"}, "allergens": [each]} for each in contains),
            ],
            "net_quantity": {"quantity": "100", "unit": "GRM"},
            "unpacked": True,
        }
        made = versions.draft(
            act=act(lead, at=MORNING), code=code, name="Bag", material=products["LMD"], document=document
        )
        versions.approve(act=act(lead, at=MORNING), label=made, proof=signatures.Proof(lead))

    return do


@pytest.mark.parametrize(("contains", "may"), [(["hazelnut"], []), ([], ["hazelnut"]), ([], ["tree-nuts"])])
def test_a_product_whose_label_declares_it_begins(
    start_drops: Any, nutty: Batch, label: Any, contains: list[str], may: list[str]
):
    label("L-1", contains, may)
    assert start_drops()


def test_every_label_in_use_has_to_declare_it(start_drops: Any, nutty: Batch, label: Any):
    label("L-1", [], ["hazelnut"])
    label("L-2", [], ["milk"])
    assert "does not declare (by its label)" in left(start_drops)[0].detail


def test_a_label_counts_before_the_recipe(
    start_drops: Any, nutty: Batch, label: Any, sugar: Material, state: Any
):
    """That the sugar bears hazelnut is stated late, and the label does not say so: the eater reads the label."""
    label("L-1", [], ["milk"])
    state(sugar, "hazelnut")
    assert left(start_drops)


def test_other_equipment_is_no_matter(start_drops: Any, nutty: Batch, kettle: Equipment):
    assert start_drops(equipment=[kettle])


def test_without_equipment_it_is_told_that_nobody_knows_what_was_on_it(start_drops: Any, nutty: Batch):
    assert list(told(start_drops(equipment=[]))) == ["equipment-not-named"]


def test_a_house_without_any_equipment_is_not_told_so(start_drops: Any, nutty: Batch):
    Equipment.objects.update(in_use=False)
    assert told(start_drops(equipment=[])) == {}


# --- unknown


@pytest.fixture
def unspoken(
    begin: Any, end: Any, receive: Any, accept: Any, use: Any, nuts: Material, table: Equipment
) -> Batch:
    """Something was on the table of which nobody stated anything."""
    batch = begin(equipment=[table])
    use(accept(receive(material=nuts)), batch)
    end(batch, at=MORNING + 3 * HOUR)
    return batch


def test_what_nobody_stated_is_told_and_refuses_nothing(
    start_drops: Any, unspoken: Batch, state: Any, sugar: Material
):
    """Of the sugar milk is known to be away, of what was there before it is not known."""
    state(sugar, "free-of:milk")
    assert told(start_drops()) == {
        "allergen-left-unknown": f"T-1 Table: nobody stated of batch {unspoken.code}, which was on it before, whether it "
        "left: milk."
    }


def test_what_is_unknown_of_the_product_itself_is_not_told_of_the_equipment(
    start_drops: Any, unspoken: Batch
):
    assert told(start_drops()) == {}


# --- phased start, and what happened already


def test_a_phased_start_warns(start_drops: Any, nutty: Batch, act: Any, lead: Person, establishment: Any):
    establishments.change_profile(act=act(lead), values={"phased_start_until": date(2026, 3, 2)})
    establishment.refresh_from_db()
    assert "hazelnut" in told(start_drops())["allergen-left"]
    assert not Deviation.objects.filter(what="emergency-start").exists()


def test_what_happened_already_is_recorded_with_a_case_and_a_hold(
    start_drops: Any, nutty: Batch, make_lot: Any, products: Any
):
    started = start_drops(already_happened=True)
    case = Deviation.objects.get(what="emergency-start")
    assert "hazelnut" in case.title
    assert "hazelnut" in told(started)["allergen-left"]
    lot = make_lot(started.batch, at=AFTER + MINUTE, material=products["LMD"])
    assert LotState.objects.get(lot=lot).status == "held"


def test_an_unreleased_overlap_is_named(
    start_drops: Any, nutty: Batch, changed_over: Changeover, change_over: Any
):
    change_over()
    assert "Another changeover of the same equipment overlaps it" in left(start_drops)[0].detail


def test_the_statements_do_not_grow_with_what_is_left(
    start_drops: Any, nutty: Batch, nuts: Material, state: Any, django_assert_max_num_queries: Any
):
    state(nuts, "hazelnut", "almond", "peanut", "milk", "egg", "fish", in_force_from=date(2026, 1, 2))
    with django_assert_max_num_queries(90):
        assert len(left(start_drops)) >= 6


# --- taken into a batch that runs


@pytest.fixture
def drops_running(start_drops: Any, nutty: Batch, establishment: Any, clean_kettle: Equipment) -> Batch:
    batch: Batch = start_drops(equipment=[clean_kettle]).batch
    return batch


@pytest.fixture
def clean_kettle(establishment: Any) -> Equipment:
    return Equipment.objects.create(establishment=establishment, code="K-9", name="Kettle", kind="kettle")


def take(act: Any, batch: Batch, table: Equipment, at: Any = AFTER + MINUTE, **more: Any) -> Any:
    return runs.note_equipment(act=act(at=at, **more), batch=batch, equipment=table, deed="taken")


def test_equipment_that_bears_an_allergen_and_is_taken_later_opens_a_case_with_hold(
    drops_running: Batch, nutty: Batch, table: Equipment, act: Any, wet_version: Any
):
    record = take(act, drops_running, table)
    case = Deviation.objects.get(what=Deviation.What.EMERGENCY_START)
    assert (case.subject, case.because_id) == (drops_running.uid, record.pk)
    for told in ("T-1", "hazelnut", nutty.code, "No changeover is on record since", drops_running.code):
        assert told in case.title
    assert Hold.objects.filter(deviation=case).exists()


def test_taken_twice_by_a_correction_is_one_case(
    drops_running: Batch, table: Equipment, act: Any, wet_version: Any
):
    record = take(act, drops_running, table)
    take(act, drops_running, table, at=AFTER + 2 * MINUTE, corrects=record.pk, reason="a minute later")
    assert Deviation.objects.filter(what=Deviation.What.EMERGENCY_START).count() == 1


def test_after_a_released_changeover_it_is_taken_without_a_case(
    drops_running: Batch, table: Equipment, act: Any, changed_over: Changeover, free: Any
):
    free(changed_over)
    take(act, drops_running, table)
    assert not Deviation.objects.filter(what=Deviation.What.EMERGENCY_START).exists()


def test_what_the_batch_itself_left_there_opens_no_case(
    table: Equipment, act: Any, begin: Any, use: Any, accept: Any, receive: Any, nuts: Material, state: Any
):
    state(nuts, "hazelnut")
    batch = begin(equipment=[table])
    use(accept(receive(material=nuts)), batch)
    runs.note_equipment(act=act(at=MORNING + HOUR), batch=batch, equipment=table, deed="freed")
    take(act, batch, table, at=MORNING + 2 * HOUR)
    assert not Deviation.objects.filter(what=Deviation.What.EMERGENCY_START).exists()


# --- a start that is corrected


def start_anew(act: Any, batch: Batch, equipment: list[Equipment], at: Any = AFTER) -> BatchStart:
    last = BatchStart.objects.standing().get(batch=batch)
    said = act(at=at, corrects=last.pk, reason="The table was left out.")
    return runs.correct_start(act=said, batch=batch, quantity="6", unit="KGM", equipment=equipment)


def test_equipment_that_a_corrected_start_adds_opens_a_case_with_hold(
    drops_running: Batch,
    nutty: Batch,
    table: Equipment,
    clean_kettle: Equipment,
    act: Any,
    make_lot: Any,
    products: Any,
):
    lot = make_lot(drops_running, at=AFTER + MINUTE, material=products["LMD"])
    record = start_anew(act, drops_running, [clean_kettle, table])
    (case,) = Deviation.objects.filter(what=Deviation.What.EMERGENCY_START)
    assert (case.subject, case.because_id) == (drops_running.uid, record.pk)
    assert case.title.startswith(f"Batch {drops_running.code} was taken to T-1 without permission: ")
    assert "hazelnut" in case.title
    assert nutty.code in case.title
    assert LotState.objects.get(lot=lot).status == "held"


def test_an_unreleased_changeover_clears_nothing_for_a_corrected_start(
    drops_running: Batch, table: Equipment, act: Any, changed_over: Changeover
):
    start_anew(act, drops_running, [table])
    title = Deviation.objects.get(what=Deviation.What.EMERGENCY_START).title
    assert "a supervisor or food-safety lead has to release it yet" in title


def test_after_a_released_changeover_a_corrected_start_opens_no_case(
    drops_running: Batch, table: Equipment, act: Any, changed_over: Changeover, free: Any
):
    free(changed_over)
    start_anew(act, drops_running, [table])
    assert not Deviation.objects.filter(what=Deviation.What.EMERGENCY_START).exists()


def test_a_start_moved_before_the_release_opens_a_case(
    start_drops: Any, nutty: Batch, table: Equipment, act: Any, changed_over: Changeover, free: Any
):
    free(changed_over)
    batch = start_drops().batch
    start_anew(act, batch, [table], at=FREED - 2 * MINUTE)
    assert Deviation.objects.get(what=Deviation.What.EMERGENCY_START).subject == batch.uid


def test_a_second_correction_asks_nothing_that_an_open_case_names(
    drops_running: Batch, table: Equipment, act: Any
):
    start_anew(act, drops_running, [table])
    start_anew(act, drops_running, [table], at=AFTER + MINUTE)
    assert Deviation.objects.filter(what=Deviation.What.EMERGENCY_START).count() == 1


def test_an_emergency_start_that_is_moved_keeps_its_one_case(
    start_drops: Any, nutty: Batch, table: Equipment, act: Any
):
    batch = start_drops(already_happened=True).batch
    start_anew(act, batch, [table], at=AFTER + MINUTE)
    assert Deviation.objects.filter(what=Deviation.What.EMERGENCY_START).count() == 1


def test_in_a_phased_start_a_corrected_start_opens_no_case(
    drops_running: Batch, table: Equipment, act: Any, lead: Person, establishment: Any
):
    establishments.change_profile(act=act(lead), values={"phased_start_until": date(2026, 3, 2)})
    establishment.refresh_from_db()
    start_anew(act, drops_running, [table])
    assert not Deviation.objects.filter(what=Deviation.What.EMERGENCY_START).exists()
