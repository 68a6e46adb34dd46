"""What is in a recall: frozen, widened, never silently narrowed."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from batches import movements, noting, receiving, shipping, storing
from batches.carry_over import Hazard
from batches.models import (
    Batch,
    CleaningBreak,
    Equipment,
    Lot,
    LotState,
    Occupation,
    StoragePlace,
    TradingPartner,
)
from config.api.refusals import OtherContent, RuleBroken, Unknown
from haccp import deviations
from haccp.models import Hold, RecallScope
from haccp.recalls import deciding, scoping
from haccp.recalls.status import status
from ledger import verification
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Leaf, Person, Signature
from ledger.signatures import Proof
from tests.conftest import NOON
from tests.haccp.conftest import HOUR
from tests.haccp.recalls.conftest import LATER, LEVEL_A, codes

pytestmark = pytest.mark.django_db

# --- freezing


def test_a_scope_holds_what_was_made_of_a_lot_and_who_got_it(
    decide: Any, freeze: Any, nuts: Lot, sweets: Lot, shop: TradingPartner, ship: Any
):
    ship(sweets, shop, document="note 7")
    scope = freeze(decide(), nuts)
    assert codes(scope) == {nuts.code, sweets.code}
    ((consignee),) = scope.consignees
    (got,) = consignee["lots"]
    assert (consignee["name"], got["shipped"], got["documents"]) == ("Corner shop", "1.000", ["note 7"])


def test_freezing_holds_the_lots_at_once(decide: Any, freeze: Any, nuts: Lot, sweets: Lot):
    recall = decide()
    freeze(recall, nuts)
    assert set(LotState.objects.values_list("status", flat=True)) == {"held"}
    assert Hold.objects.get(deviation=recall.deviation).subject == nuts.uid


def test_an_exercise_holds_nothing(decide: Any, freeze: Any, nuts: Lot, sweets: Lot):
    freeze(decide(is_exercise=True), nuts)
    assert not LotState.objects.filter(status="held").exists()


def test_a_seal_covers_what_was_traced(
    decide: Any, freeze: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    shipped = ship(sweets, shop)
    scope = freeze(decide(), nuts)
    assert Leaf.objects.filter(seal__number=scope.seal_number, entry_id=shipped.pk).exists()


def test_the_same_scope_frozen_again_is_refused_and_names_who_froze_it(
    decide: Any, freeze: Any, nuts: Lot, sweets: Lot
):
    recall = decide()
    freeze(recall, nuts)
    with pytest.raises(RuleBroken, match="very lots and consignees; Ines Lead froze it") as refusal:
        freeze(recall, nuts)
    assert refusal.value.code == "frozen-already"


def test_the_same_freeze_sent_again_is_the_same_scope(decide: Any, freeze: Any, nuts: Lot):
    recall = decide()
    first = freeze(recall, nuts, id=uuid7())
    again = freeze(recall, nuts, id=first.pk)
    assert (again.pk, again.repeated) == (first.pk, True)


def test_a_recall_widens_by_a_further_lot(decide: Any, freeze: Any, nuts: Lot, sweets: Lot, receive: Any):
    recall, more = decide(), receive()
    freeze(recall, nuts)
    scope = freeze(recall, more)
    assert (scope.number, codes(scope)) == (2, {nuts.code, sweets.code, more.code})


def test_what_a_trace_no_longer_reaches_stays_in_the_recall(
    act: Any, decide: Any, freeze: Any, nuts: Lot, sweets: Lot, receive: Any, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    used = nuts.movements.get(what="used")
    movements.withdraw(act=act(corrects=used.pk, reason="Another lot", withdraws=True))
    scope = freeze(recall, receive())
    carried = [each["code"] for each in scope.lots if each["carried"]]
    assert carried == [sweets.code]
    assert [each["name"] for each in scope.consignees] == ["Corner shop"]


def test_a_lot_leaves_only_by_a_signed_decision(
    act: Any, lead: Person, proof: Proof, decide: Any, freeze: Any, nuts: Lot, sweets: Lot
):
    recall = decide()
    scope = freeze(recall, nuts)
    made = scoping.leave_out(
        act=act(lead, at=LATER), proof=proof, recall=recall, lot=sweets, because="Recipe without"
    )
    assert Signature.objects.filter(target_id=made.pk).exists()
    assert [each["code"] for each in scoping.in_scope(scope)] == [nuts.code]


def test_a_lot_that_was_let_go_comes_back_where_a_later_trace_reaches_it(
    act: Any, lead: Person, proof: Proof, decide: Any, freeze: Any, nuts: Lot, sweets: Lot, receive: Any
):
    recall = decide()
    freeze(recall, nuts)
    scoping.leave_out(
        act=act(lead, at=LATER), proof=proof, recall=recall, lot=sweets, because="Recipe without"
    )
    assert sweets.code in codes(freeze(recall, receive()))


def test_a_lot_that_is_not_in_it_cannot_leave(
    act: Any, lead: Person, proof: Proof, decide: Any, freeze: Any, nuts: Lot, receive: Any
):
    recall = decide()
    freeze(recall, nuts)
    with pytest.raises(Unknown):
        scoping.leave_out(act=act(lead, at=LATER), proof=proof, recall=recall, lot=receive(), because="x")


def test_a_lot_that_does_not_exist_freezes_nothing(act: Any, lead: Person, decide: Any):
    recall = decide()
    with pytest.raises(Unknown):
        scoping.freeze(act=act(lead), recall=recall, starts=[recall.pk])
    assert not RecallScope.objects.exists()


def test_a_recall_verifies(
    decide: Any, freeze: Any, tell: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any
):
    recall = decide()
    freeze(recall, nuts)
    tell(recall, shop)
    answer(recall, shop, sweets, on_hand="0.5")
    assert verification.verify().findings == []


# --- what comes after the freeze


def test_what_comes_back_after_the_freeze_is_recovered(
    act: Any, decide: Any, freeze: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    shipping.take_back(act=act(at=NOON), lot=sweets, customer=shop, quantity="0.25", unit="KGM")
    assert status(recall).found("KGM") == Fraction(1, 4)


def test_a_delivery_told_late_makes_a_consignee_and_a_gap(
    decide: Any, freeze: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    recall = decide()
    freeze(recall, nuts)
    ship(sweets, shop)
    found = status(recall)
    assert [each.name for each in found.consignees] == ["Corner shop"]
    assert any(gap.startswith(f"Corner shop got some of lot {sweets.code}") for gap in found.gaps)


def test_a_delivery_told_late_can_be_frozen(
    decide: Any, freeze: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    recall = decide()
    freeze(recall, nuts)
    ship(sweets, shop)
    scope = freeze(recall, nuts)
    assert (scope.number, [each["name"] for each in scope.consignees]) == (2, ["Corner shop"])


def test_what_is_made_after_the_freeze_is_a_gap_until_it_is_frozen(
    batch: Batch, decide: Any, freeze: Any, nuts: Lot, sweets: Lot, make_lot: Any
):
    recall = decide()
    freeze(recall, nuts)
    later = make_lot(batch)
    assert any(
        gap.startswith(f"Lot {later.code} is made of what is in scope 1") for gap in status(recall).gaps
    )
    assert later.code in codes(freeze(recall, nuts))


def test_what_is_in_a_batch_that_has_made_nothing_is_told(
    batch: Batch, nuts: Lot, use: Any, decide: Any, freeze: Any
):
    use(nuts, batch)
    recall = decide()
    (told,) = freeze(recall, nuts).in_batches
    assert (told["batch"], told["quantity"]) == (batch.code, "2.000")
    assert any(f"went into batch {batch.code}" in gap for gap in status(recall).gaps)


def test_what_is_made_of_a_lot_that_is_carried_on_is_in_it_too(
    act: Any,
    decide: Any,
    freeze: Any,
    nuts: Lot,
    sweets: Lot,
    begin: Any,
    use: Any,
    make_lot: Any,
    receive: Any,
):
    recall = decide()
    freeze(recall, nuts)
    used = nuts.movements.get(what="used")
    movements.withdraw(act=act(corrects=used.pk, reason="Another lot", withdraws=True))
    box = begin()
    use(sweets, box, at=NOON, quantity="0.5")
    boxed = make_lot(box, at=NOON + HOUR)
    assert boxed.code in codes(freeze(recall, receive()))


def test_what_lay_in_a_topped_up_place_with_it_is_in_the_recall(
    act: Any, establishment: Establishment, decide: Any, freeze: Any, nuts: Lot, receive: Any
):
    bin_ = StoragePlace.objects.create(establishment=establishment, code="BIN", name="Bin", refilled=True)
    other = receive()
    for lot in (nuts, other):
        storing.move(act=act(at=NOON - 5 * HOUR), lot=lot, quantity="10", unit="KGM", to_place=bin_)
    assert other.code in codes(freeze(decide(), nuts))


def test_a_widening_sent_again_is_the_same_scope(decide: Any, freeze: Any, nuts: Lot, receive: Any):
    recall, more, key = decide(), receive(), uuid7()
    freeze(recall, nuts)
    first = freeze(recall, more, id=key)
    again = freeze(recall, more, id=key)
    assert (again.pk, again.repeated) == (first.pk, True)


def test_a_decision_sent_again_with_another_strategy_is_refused(act: Any, lead: Person, proof: Proof):
    said = {"hazard": "other", "because": "x", "determined_at": NOON, "proof": proof}
    deciding.decide(act=act(lead, at=LATER, id=(key := uuid7())), strategy=LEVEL_A, **said)
    with pytest.raises(OtherContent):
        deciding.decide(act=act(lead, at=LATER, id=key), strategy=replace(LEVEL_A, level="E"), **said)


def test_the_case_of_a_recall_does_not_close_while_it_runs(act: Any, lead: Person, proof: Proof, decide: Any):
    recall = decide()
    for question in ("put-right", "cause", "prevention"):
        deviations.answer(act=act(lead), deviation=recall.deviation, question=question, text="x")
    with pytest.raises(RuleBroken) as refusal:
        deviations.close(act=act(lead), deviation=recall.deviation, proof=proof)
    assert [each.code for each in refusal.value.reasons] == ["recall-runs"]
    deciding.end(act=act(lead, at=LATER), proof=proof, recall=recall, because="Nothing found.")
    assert deviations.close(act=act(lead), deviation=recall.deviation, proof=proof)


def test_goods_sent_back_to_a_supplier_make_it_a_consignee(
    act: Any, decide: Any, freeze: Any, nuts: Lot, supplier: TradingPartner
):
    receiving.send_back(act=act(at=NOON), lot=nuts, supplier=supplier, quantity="5", unit="KGM")
    (row,) = freeze(decide(), nuts).consignees
    assert (row["name"], row["lots"][0]["sent_back"]) == (supplier.name, "5.000")


# --- over shared equipment


@pytest.fixture
def beside(batch: Batch, sweets: Lot, begin: Any, make_lot: Any, establishment: Establishment) -> Lot:
    """Made later on the table that the sweets were made on; nothing cleaned it in between."""
    table = Equipment.objects.create(establishment=establishment, code="T-9", name="Table", kind="table")
    plain = begin(at=NOON - HOUR)
    for stays, since in ((batch, NOON - 4 * HOUR), (plain, NOON - HOUR)):
        Occupation.objects.create(batch=stays, equipment=table, since=since, until=since + HOUR)
    return make_lot(plain, at=NOON)


def test_widened_by_a_hazard_the_scope_holds_what_equipment_led_to_and_how(
    decide: Any, freeze: Any, nuts: Lot, beside: Lot
):
    recall = decide()
    assert beside.code not in codes(freeze(recall, nuts))
    scope = freeze(recall, nuts, hazard=Hazard(microbiological=True))
    (row,) = [each for each in scope.lots if each["code"] == beside.code]
    assert (row["side"], scope.touches[int(row["touch"])]["equipment"]) == ("contact", "T-9")
    assert scope.hazard == {"allergens": [], "microbiological": True, "foreign_bodies": False}
    found = verification.verify().findings
    assert [each for each in found if not each.startswith("batch states")] == []  # stays were planted


def test_what_equipment_led_to_is_held(decide: Any, freeze: Any, nuts: Lot, beside: Lot):
    freeze(decide(), nuts, hazard=Hazard(foreign_bodies=True))
    assert LotState.objects.get(lot=beside).status == "held"


def test_a_hazard_that_was_named_once_is_followed_when_frozen_again(
    decide: Any, freeze: Any, nuts: Lot, beside: Lot, receive: Any
):
    recall = decide()
    freeze(recall, nuts, hazard=Hazard(microbiological=True))
    scope = freeze(recall, receive())
    (row,) = [each for each in scope.lots if each["code"] == beside.code]
    assert (row["side"], row["carried"]) == ("contact", False)


def test_a_cleaning_valid_for_the_hazard_ends_it(
    act: Any, decide: Any, freeze: Any, nuts: Lot, beside: Lot, batch: Batch
):
    because = noting.note_quality(act=act(), batch=batch, what="table", value="clean")
    CleaningBreak.objects.create(
        equipment=Equipment.objects.get(code="T-9"),
        at=NOON - 2 * HOUR,
        scope={"microbiological": True},
        because=Entry.objects.get(pk=because.pk),
    )
    recall = decide()
    assert beside.code not in codes(freeze(recall, nuts, hazard=Hazard(microbiological=True)))
    assert beside.code in codes(freeze(recall, nuts, hazard=Hazard(foreign_bodies=True)))


def test_the_same_lots_with_a_further_hazard_are_frozen_anew(decide: Any, freeze: Any, nuts: Lot):
    recall = decide()
    freeze(recall, nuts)
    assert freeze(recall, nuts, hazard=Hazard(microbiological=True)).number == 2
