"""A lot that lay with others in a place that is topped up has their allergens: in every answer, and held by late facts."""

from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import emptying, receiving, reference, storing, using
from batches.models import (
    Batch,
    Equipment,
    Lot,
    LotState,
    LotStatus,
    Material,
    Movement,
    StoragePlace,
    TradingPartner,
)
from config.api.refusals import RuleBroken
from haccp import deviations, gates, late_allergens
from haccp.allergens import contact, content
from haccp.allergens.content import Content
from haccp.allergens.spread import Band
from haccp.deviations import Touched
from haccp.labels import packing
from haccp.models import Deviation, HoldSubject, LabelVersion
from ledger.models import Establishment, Person
from tests.conftest import NOON
from tests.haccp.allergens.conftest import entry
from tests.haccp.conftest import HOUR, MORNING
from tests.haccp.labels.conftest import COUNTS, approve, attach, make_label  # noqa: F401

pytestmark = pytest.mark.django_db


@pytest.fixture
def tank(establishment: Establishment) -> StoragePlace:
    return StoragePlace.objects.create(
        establishment=establishment, code="TANK", name="Coating tank", refilled=True
    )


@pytest.fixture
def white(establishment: Establishment) -> Material:
    return Material.objects.create(
        establishment=establishment, code="WHI", name="White chocolate", short_name="WHI", kind="ingredient"
    )


@pytest.fixture
def put(act: Any, supplier: TradingPartner, tank: StoragePlace) -> Callable[..., Lot]:
    def do(material: Material, at: datetime = MORNING - HOUR, **values: Any) -> Lot:
        usual = {"supplier": supplier, "quantity": "20", "unit": "KGM", "to_place": tank}
        return receiving.receive(act=act(at=at), material=material, **(usual | values)).lot

    return do


@pytest.fixture
def draw(act: Any, accept: Any, tank: StoragePlace) -> Callable[..., None]:
    """Two kilograms of a lot that was accepted are weighed in from the tank."""

    def do(lot: Lot, batch: Batch, at: datetime = MORNING + HOUR / 2) -> None:
        accept(lot)
        using.use(act=act(at=at), lot=lot, batch=batch, quantity="2", unit="KGM", from_place=tank)

    return do


def of(lot: Lot, **asked: Any) -> Content:
    return content.of_lots(lot.establishment, [lot], **asked)[lot.pk]


@pytest.fixture
def dark(put: Any, sugar: Material) -> Lot:
    """What is free of milk by itself; in the tank since seven, on top of white chocolate from six."""
    return put(sugar)


@pytest.fixture
def milky(put: Any, state: Any, white: Material, sugar: Material) -> Lot:
    state(white, "milk", "may-contain:almond")
    state(sugar, "free-of:milk", "free-of:almond")
    return put(white, MORNING - 2 * HOUR)


@pytest.fixture
def lot(batch: Batch, milky: Lot, dark: Lot, draw: Any, make_lot: Any) -> Lot:
    """Caramels of what was taken out of the tank as the dark lot."""
    draw(dark, batch)
    return make_lot(batch)


def test_what_is_made_from_it_contains_what_the_place_mates_contain_and_tells_the_way(
    lot: Lot, milky: Lot, dark: Lot
):
    found = of(lot)
    assert [step.code for step in found.contains["milk"].steps] == [milky.code, lot.code]
    mixed = found.contains["milk"].steps[0].mixed_in
    assert mixed is not None
    assert (mixed.place_code, mixed.since, mixed.taken_as) == ("TANK", MORNING - 2 * HOUR, dark.code)
    assert f"{milky.code} (mixed in TANK since 2026-03-02 " in str(found.contains["milk"])
    assert "almond" in found.may
    assert not found.may["almond"].by_contact


def test_what_nobody_stated_of_a_place_mate_is_not_known_of_what_is_made(
    state: Any, lot: Lot, milky: Lot, dark: Lot, sugar: Material
):
    state(sugar, "free-of:egg", in_force_from=MORNING.date())
    assert [step.code for step in of(lot).unstated["egg"].steps] == [milky.code, lot.code]


def test_what_was_made_before_the_other_came_in_does_not_have_it(
    batch: Batch, dark: Lot, draw: Any, make_lot: Any, put: Any, state: Any, white: Material
):
    state(white, "milk")
    draw(dark, batch)
    made = make_lot(batch)
    put(white, NOON)
    assert "milk" not in of(made).contains
    assert "milk" in of(dark).contains


def test_a_lot_that_lies_in_it_has_it_wherever_else_it_lies(milky: Lot, dark: Lot):
    found = of(dark)
    assert [(step.code, step.mixed_in is None) for step in found.contains["milk"].steps] == [
        (milky.code, False),
        (dark.code, True),
    ]
    assert "milk" in of(milky).contains
    assert of(milky).contains["milk"].steps[0].mixed_in is None


def test_found_empty_and_clean_between_them_it_does_not(
    act: Any, tank: StoragePlace, milky: Lot, put: Any, sugar: Material
):
    emptying.find_empty(act=act(at=MORNING - 1.5 * HOUR), storage_place=tank, is_clean=True)
    assert "milk" not in of(put(sugar)).contains


def test_a_thousand_at_once_answer_as_each_alone(
    establishment: Establishment, lot: Lot, milky: Lot, dark: Lot
):
    alone = {each.pk: set(of(each).contains) for each in (lot, milky, dark)}
    many = content.of_lots(establishment, [lot, milky, dark])
    assert {key: set(each.contains) for key, each in many.items()} == alone
    assert str(many[lot.pk].contains["milk"]) == str(of(lot).contains["milk"])


def test_more_place_mates_cost_no_more_statements(lot: Lot, put: Any, white: Material, sugar: Material):
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            dict(of(lot, contact=False).contains)
        return len(queries)

    few = asked()
    for number in range(5):
        put(white if number % 2 else sugar, MORNING - (3 + number) * HOUR)
    assert asked() == few


def test_of_sulphites_the_bounds_are_those_of_any_lot_in_it(
    batch: Batch, put: Any, state: Any, sugar: Material, white: Material, draw: Any, make_lot: Any
):
    """2 kg drawn, 1 kg made: all that went off may have been water, so the upper bound doubles."""
    state(sugar, entry("sulphites", mg_per_kg="4"))
    state(white, entry("sulphites", mg_per_kg="10"))
    put(white, MORNING - 2 * HOUR)
    drawn = put(sugar)
    draw(drawn, batch)
    made = make_lot(batch)
    assert of(made).amounts["sulphites"] == Band(Decimal("4.0"), Decimal("20.0"))
    assert of(drawn).amounts["sulphites"] == Band(Decimal(4), Decimal(10))


def test_a_batch_that_drew_from_it_leaves_the_place_mates_allergens_on_the_table(
    begin: Any, end: Any, milky: Lot, dark: Lot, draw: Any, kettle: Equipment
):
    batch = begin(equipment=[kettle])
    draw(dark, batch)
    end(batch, NOON)
    left = contact.left_on([kettle], NOON + HOUR)[kettle.pk]
    assert (left["milk"].batch, left["milk"].says) == (batch.code, "contains")


# -- late facts -------------------------------------------------------------------------------------------


@pytest.fixture
def labelled(act: Any, lot: Lot, make_label: Any, approve: Any) -> LabelVersion:  # noqa: F811
    """The lot bears a label that declares milk and says almond may be there."""
    version = approve(make_label())
    packing.record(act=act(at=NOON), batch=lot.batch, label_version=version, moment="end", counts=COUNTS)
    return version


def status(lot: Lot) -> str:
    return LotState.objects.get(lot=lot).status


def titles() -> list[str]:
    cases = Deviation.objects.filter(what=Deviation.What.ALLERGEN).order_by("recorded_at")
    return [case.title for case in cases]


def test_a_late_word_about_a_place_mate_holds_what_was_drawn_under_another_name(
    labelled: LabelVersion, state: Any, white: Material, milky: Lot, lot: Lot
):
    state(white, "milk", lot=milky)
    assert (titles(), status(lot)) == ([], LotStatus.AWAITING)
    state(white, "egg", lot=milky)
    assert status(lot) == LotStatus.HELD
    assert titles() == [f"Stated of White chocolate (Sheet 12): egg not declared on {lot.code}."]


def test_a_delivery_into_it_that_is_told_late_holds(
    labelled: LabelVersion, establishment: Establishment, state: Any, put: Any, lot: Lot
):
    nutty = Material.objects.create(
        establishment=establishment, code="PRA", name="Praline", short_name="PRA", kind="ingredient"
    )
    state(nutty, "hazelnut")
    put(nutty, MORNING + HOUR)  # after it was drawn
    assert status(lot) == LotStatus.AWAITING
    put(nutty, MORNING)
    assert status(lot) == LotStatus.HELD
    assert titles()[0].startswith("Mixed in TANK Coating tank: lot PRA-")


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> list[late_allergens.Late]:
    """Each time that all which a late fact reaches is derived."""
    found: list[late_allergens.Late] = []
    derive = late_allergens.no_longer_right

    def do(here: Establishment, late: late_allergens.Late) -> late_allergens.NoLongerRight:
        found.append(late)
        return derive(here, late)

    monkeypatch.setattr(late_allergens, "no_longer_right", do)
    return found


@pytest.fixture
def praline(establishment: Establishment, state: Any) -> Material:
    found = Material.objects.create(
        establishment=establishment, code="PRA", name="Praline", short_name="PRA", kind="ingredient"
    )
    state(found, "hazelnut")
    return found


def test_a_move_that_is_corrected_to_be_into_it_is_looked_at_once_and_holds(
    act: Any, establishment: Establishment, tank: StoragePlace, labelled: LabelVersion, lot: Lot, put: Any,
    praline: Material, looked: list[late_allergens.Late],
):  # fmt: skip
    shelf = StoragePlace.objects.create(establishment=establishment, code="S-1", name="Shelf")
    nutty = put(praline, to_place=None)

    def move(to_place: StoragePlace, **values: Any) -> Any:
        said = act(at=MORNING, **values)
        return storing.move(act=said, lot=nutty, quantity="5", unit="KGM", from_place=None, to_place=to_place)

    first = move(shelf)
    looked.clear()
    move(tank, corrects=first.pk, reason="It was the tank.")
    assert (len(looked), status(lot)) == (1, LotStatus.HELD)
    assert len(titles()) == 1


def test_a_use_of_what_nobody_put_in_it_is_looked_at_once_and_holds_what_was_drawn_later(
    labelled: LabelVersion, lot: Lot, put: Any, draw: Any, begin: Any, praline: Material, make_lot: Any,
    looked: list[late_allergens.Late],
):  # fmt: skip
    nutty, other = put(praline, to_place=None), begin()
    make_lot(other)
    looked.clear()
    draw(nutty, other, MORNING + HOUR / 4)
    assert (len(looked), status(lot)) == (1, LotStatus.HELD)


def test_a_place_marked_late_holds_what_was_drawn_from_it(
    act: Any,
    lead: Person,
    establishment: Establishment,
    tank: StoragePlace,
    state: Any,
    put: Any,
    labelled: LabelVersion,
    lot: Lot,
):
    reference.alter(act=act(lead, note="Wrong place."), row=tank, values={"refilled": False})
    nutty = Material.objects.create(
        establishment=establishment, code="PRA", name="Praline", short_name="PRA", kind="ingredient"
    )
    state(nutty, "hazelnut")
    put(nutty, MORNING)
    assert (status(lot), "milk" in of(lot).contains) == (LotStatus.AWAITING, False)
    reference.alter(act=act(lead), row=tank, values={"refilled": True})
    assert (status(lot), "milk" in of(lot).contains) == (LotStatus.HELD, True)


def test_a_place_that_was_not_found_empty_after_all_holds(
    act: Any,
    batch: Batch,
    tank: StoragePlace,
    state: Any,
    put: Any,
    draw: Any,
    make_lot: Any,
    white: Material,
    sugar: Material,
    make_label: Any,  # noqa: F811
    approve: Any,  # noqa: F811
):
    state(white, "hazelnut")
    put(white, MORNING - 2 * HOUR)
    found = emptying.find_empty(act=act(at=MORNING - 1.5 * HOUR), storage_place=tank, is_clean=True)
    drawn = put(sugar)
    draw(drawn, batch)
    made = make_lot(batch)
    version = approve(make_label())
    packing.record(act=act(at=NOON), batch=batch, label_version=version, moment="end", counts=COUNTS)
    assert status(made) == LotStatus.AWAITING
    emptying.withdraw(act=act(corrects=found.pk, reason="It was the other tank."), storage_place=tank)
    assert status(made) == LotStatus.HELD


def test_a_place_marked_late_holds_by_lots_that_were_only_taken_out_of_it(
    act: Any, lead: Person, tank: StoragePlace, state: Any, put: Any, draw: Any, begin: Any, batch: Batch,
    make_lot: Any, white: Material, sugar: Material, make_label: Any, approve: Any,  # noqa: F811
):  # fmt: skip
    """Nobody said where the deliveries were put."""
    reference.alter(act=act(lead, note="Wrong place."), row=tank, values={"refilled": False})
    state(white, "hazelnut")
    draw(put(white, MORNING - 2 * HOUR, to_place=None), begin(), MORNING + HOUR / 4)
    draw(put(sugar, to_place=None), batch)
    made = make_lot(batch)
    version = approve(make_label())
    packing.record(act=act(at=NOON), batch=batch, label_version=version, moment="end", counts=COUNTS)
    assert status(made) == LotStatus.AWAITING
    reference.alter(act=act(lead), row=tank, values={"refilled": True})
    assert status(made) == LotStatus.HELD


@pytest.fixture
def weigh(act: Any, accept: Any, batch: Batch, tank: StoragePlace) -> Callable[..., Movement]:
    """Some of a lot is weighed into the batch from the tank; with ``corrects``, instead of what was recorded."""

    def do(lot: Lot, quantity: str = "2", at: datetime = MORNING + HOUR / 2, **values: Any) -> Movement:
        place = values.pop("from_place", tank)
        said = act(at=at, **values)
        return using.use(act=said, lot=lot, batch=batch, quantity=quantity, unit="KGM", from_place=place)

    return do


@pytest.fixture
def onward(batch: Batch, begin: Any, use: Any, make_lot: Any) -> Callable[[], Lot]:
    """A released lot without a label, made in another batch of what this one makes."""

    def make() -> Lot:
        other = begin(at=MORNING + HOUR)
        use(make_lot(batch, at=MORNING + HOUR), other, at=MORNING + HOUR, quantity="1")
        made: Lot = make_lot(other, at=MORNING + 2 * HOUR)
        LotState.objects.filter(lot=made).update(status=LotStatus.RELEASED)
        return made

    return make


def test_a_corrected_amount_from_a_refilled_place_brings_nothing_new_and_holds_nothing(
    batch: Batch, milky: Lot, dark: Lot, accept: Any, weigh: Any, onward: Any
):
    accept(dark)
    first = weigh(dark)
    made = onward()
    weigh(dark, "2.1", corrects=first.pk, reason="Read again.")
    assert "milk" in of(made).contains
    assert titles() == []


def test_a_further_weighing_from_the_same_refilled_place_brings_nothing_new(
    batch: Batch, milky: Lot, dark: Lot, accept: Any, weigh: Any, onward: Any
):
    accept(dark)
    weigh(dark)
    onward()
    weigh(dark, "1", MORNING + HOUR * 3 / 4)
    assert titles() == []


def test_a_use_that_is_corrected_to_be_from_a_refilled_place_brings_what_lies_in_it(
    batch: Batch, milky: Lot, put: Any, sugar: Material, dark: Lot, accept: Any, weigh: Any, onward: Any
):
    first = weigh(accept(put(sugar, to_place=None)), from_place=None)
    made = onward()
    assert "milk" not in of(made).contains
    weigh(accept(dark), corrects=first.pk, reason="It was from the tank.")
    assert status(made) == LotStatus.HELD


def test_a_hold_on_a_lot_reaches_its_place_mates_and_what_is_drawn_later(
    act: Any,
    begin: Any,
    batch: Batch,
    milky: Lot,
    dark: Lot,
    lot: Lot,
    draw: Any,
    make_lot: Any,
    put: Any,
    sugar: Any,
):
    deviations.report(act=act(at=NOON), title="Smells of solvent", hold=Touched(HoldSubject.LOT, milky.uid))
    assert [status(each) for each in (milky, dark, lot)] == [LotStatus.HELD] * 3
    topped = put(sugar, NOON + HOUR)
    assert status(topped) == LotStatus.HELD


def test_what_may_be_of_a_rejected_place_mate_is_not_released(
    lead: Person, act: Any, milky: Lot, lot: Lot, proof: Any
):
    LotState.objects.filter(lot=milky).update(status=LotStatus.REJECTED)
    with pytest.raises(RuleBroken) as refused:
        gates.release(act=act(lead, at=NOON + HOUR), lot=lot, proof=proof)
    assert "ingredient-rejected" in {reason.code for reason in refused.value.reasons}


def test_a_label_that_does_not_declare_the_place_mates_allergen_is_refused_with_the_place(
    act: Any,
    lead: Person,
    lot: Lot,
    proof: Any,
    make_label: Any,  # noqa: F811
    approve: Any,  # noqa: F811
):
    version = approve(make_label(contains=[], ingredients=[{"name": {"en": "sugar"}, "material": "SUG"}]))
    packing.record(act=act(at=NOON), batch=lot.batch, label_version=version, moment="end", counts=COUNTS)
    with pytest.raises(RuleBroken) as refused:
        gates.release(act=act(lead, at=NOON + HOUR), lot=lot, proof=proof)
    told = [reason.detail for reason in refused.value.reasons if reason.code == "allergen-undeclared"]
    assert len(told) == 1
    assert "mixed in TANK since" in told[0]


def test_moved_on_to_a_shelf_it_is_mixed_still(
    act: Any,
    establishment: Establishment,
    tank: StoragePlace,
    milky: Lot,
    dark: Lot,
    batch: Batch,
    make_lot: Any,
):
    shelf = StoragePlace.objects.create(establishment=establishment, code="S-1", name="Shelf")
    said = act(at=MORNING)
    storing.move(act=said, lot=dark, quantity="5", unit="KGM", from_place=tank, to_place=shelf)
    using.use(
        act=act(at=MORNING + HOUR / 2), lot=dark, batch=batch, quantity="2", unit="KGM", from_place=shelf
    )
    mixed = of(make_lot(batch)).contains["milk"].steps[0].mixed_in
    assert mixed is not None
    assert mixed.place_code == "TANK"
