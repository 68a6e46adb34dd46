"""A recall from the decision to its end: nothing silently leaves it, and nothing that was answered is lost."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from typing import Any

import pytest
from django.core import mail
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from batches import movements, receiving, shipping, storing
from batches.models import Batch, Lot, LotState, StoragePlace, TradingPartner
from config.api.refusals import NotAllowed, OtherContent, RuleBroken, Unknown, Unusable
from haccp import deviations
from haccp.models import Hold, Recall, RecallMail, RecallScope
from haccp.recalls import answering, deciding, noticing, scoping
from haccp.recalls.deciding import Strategy
from haccp.recalls.status import status
from ledger import verification
from ledger.ids import uuid7
from ledger.models import Establishment, Leaf, Person, Signature
from ledger.signatures import Proof
from tests.conftest import NOON, PASSWORD, Client
from tests.haccp.conftest import HOUR

pytestmark = pytest.mark.django_db
LEVEL_A = Strategy(depth="retail", level="A", because="All buyers are known.")
LATER = NOON + 2 * HOUR


@pytest.fixture
def decide(act: Any, lead: Person, proof: Proof) -> Callable[..., Recall]:
    def do(**values: Any) -> Recall:
        usual = {"hazard": "allergen", "because": "Almond, not declared", "determined_at": NOON}
        said = {"strategy": LEVEL_A} | usual | values
        return deciding.decide(act=act(lead, at=LATER), proof=proof, **said)

    return do


@pytest.fixture
def shop(establishment: Establishment) -> TradingPartner:
    return TradingPartner.objects.create(
        establishment=establishment,
        code="SHOP",
        name="Corner shop",
        is_customer=True,
        email="shop@shop.example",
    )


@pytest.fixture
def other_shop(establishment: Establishment) -> TradingPartner:
    return TradingPartner.objects.create(
        establishment=establishment, code="OTHER", name="Other shop", is_customer=True
    )


@pytest.fixture
def nuts(receive: Any, accept: Any) -> Lot:
    return accept(receive())


@pytest.fixture
def sweets(batch: Batch, nuts: Lot, use: Any, make_lot: Any, accept: Any) -> Lot:
    """Two kilograms, made of the nuts, accepted."""
    use(nuts, batch)
    return make_lot(batch, quantity="2")


@pytest.fixture
def ship(act: Any) -> Callable[..., Any]:
    def do(lot: Lot, customer: TradingPartner, quantity: str = "1", **values: Any) -> Any:
        return shipping.ship(
            act=act(at=NOON),
            lot=lot,
            customer=customer,
            quantity=quantity,
            unit="KGM",
            already_happened=True,
            **values,
        )

    return do


@pytest.fixture
def freeze(act: Any, lead: Person) -> Callable[..., RecallScope]:
    def do(recall: Recall, *lots: Lot, **values: Any) -> RecallScope:
        return scoping.freeze(
            act=act(lead, at=LATER, **values), recall=recall, starts=[lot.uid for lot in lots]
        )

    return do


@pytest.fixture
def tell(act: Any, lead: Person) -> Callable[..., Any]:
    def do(recall: Recall, partner: TradingPartner | None, means: str = "phone", **values: Any) -> Any:
        usual = {"why": "It may contain almond, which the label does not say."}
        return noticing.tell(
            act=act(lead, at=LATER + HOUR), recall=recall, partner=partner, means=means, **(usual | values)
        )

    return do


@pytest.fixture
def answer(act: Any) -> Callable[..., Any]:
    def do(recall: Recall, partner: TradingPartner, lot: Lot, **amounts: Any) -> Any:
        return answering.answer(
            act=act(at=LATER + 2 * HOUR),
            recall=recall,
            partner=partner,
            means="phone",
            lots=[{"lot": lot, "unit": "KGM", **amounts}],
        )

    return do


def codes(scope: RecallScope) -> set[str]:
    return {each["code"] for each in scope.lots}


# --- deciding


def test_a_recall_is_signed_and_opens_the_case_that_holds_its_lots(decide: Any):
    recall = decide()
    assert Signature.objects.filter(target_id=recall.pk, meaning="decided").exists()
    assert recall.deviation.what == "recall"


def test_an_exercise_has_no_case(decide: Any):
    assert decide(is_exercise=True).deviation is None


def test_recalls_and_exercises_count_apart(decide: Any):
    assert [decide().code, decide(is_exercise=True).code, decide().code] == ["RC-26-1", "TE-26-1", "RC-26-2"]


def test_only_a_lead_decides(act: Any, operator: Person):
    with pytest.raises(NotAllowed):
        deciding.decide(
            act=act(operator),
            proof=Proof(operator),
            hazard="other",
            because="x",
            determined_at=NOON,
            strategy=LEVEL_A,
        )


def test_what_is_determined_after_the_decision_is_refused(decide: Any):
    with pytest.raises(Unusable, match="after it was decided"):
        decide(determined_at=LATER + HOUR)


@pytest.mark.parametrize(("level", "percent"), [("B", None), ("B", 10), ("B", 100), ("A", 50)])
def test_only_level_b_has_a_share_of_its_own_over_10_and_under_100(decide: Any, level: str, percent: Any):
    """21 CFR 7.42(b)(3) (from memory)."""
    with pytest.raises(Unusable):
        decide(strategy=replace(LEVEL_A, level=level, percent=percent))


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


# --- telling


def test_the_notice_names_lots_amounts_and_what_to_do(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop, document="note 7")
    recall = decide()
    freeze(recall, nuts)
    notice = tell(recall, shop)
    assert f"lot {sweets.code}: 1.000 kg (note 7)" in notice.text
    assert "Stop using and selling" in notice.text
    assert "URGENT" not in notice.subject


@pytest.mark.parametrize(("recall_class", "urgent"), [("I", True), ("II", True), ("III", False)])
def test_a_notice_of_class_1_or_2_is_marked_urgent(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any, recall_class: str, urgent: bool
):
    """21 CFR 7.49(b) (from memory)."""
    recall = decide(strategy=replace(LEVEL_A, recall_class=recall_class))
    freeze(recall, nuts)
    assert tell(recall, shop).subject.startswith("URGENT") is urgent


def test_a_notice_in_spanish(decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any):
    recall = decide()
    freeze(recall, nuts)
    assert "Retiramos la mercancía" in tell(recall, shop, language="es").text


def test_an_e_mail_is_sent_once_after_commit(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any, django_capture_on_commit_callbacks: Any
):
    recall = decide()
    freeze(recall, nuts)
    tell(recall, shop, "e-mail")
    (row,) = RecallMail.objects.all()
    noticing.send(row.pk)
    noticing.send(row.pk)
    assert [each.to for each in mail.outbox] == [["shop@shop.example"]]


def test_an_exercise_mails_only_the_house(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any, establishment: Establishment
):
    establishment.exercise_mailbox = "exercise@house.example"
    establishment.save(update_fields=["exercise_mailbox"])
    recall = Recall.objects.get(pk=decide(is_exercise=True).pk)
    freeze(recall, nuts)
    tell(recall, shop, "e-mail")
    noticing.send(RecallMail.objects.get().pk)
    assert [each.to for each in mail.outbox] == [["exercise@house.example"]]
    assert mail.outbox[0].subject.startswith("EXERCISE")


def test_an_exercise_without_a_mailbox_mails_nobody(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any
):
    recall = decide(is_exercise=True)
    freeze(recall, nuts)
    tell(recall, shop, "e-mail")
    assert not RecallMail.objects.exists()


def test_an_unsent_mail_is_found_by_the_sweep(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any, monkeypatch: pytest.MonkeyPatch
):
    recall = decide()
    freeze(recall, nuts)
    tell(recall, shop, "e-mail")
    (row,) = RecallMail.objects.all()
    monkeypatch.setattr("haccp.tasks.send_recall_mail.delay", lambda pk: None)
    assert noticing.sweep(row.made_at + timedelta(minutes=1)) == 0
    assert noticing.sweep(row.made_at + timedelta(minutes=3)) == 1


def test_a_partner_without_an_address_is_told_another_way(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, other_shop: Any
):
    recall = decide()
    freeze(recall, nuts)
    with pytest.raises(Unusable, match="no e-mail address"):
        tell(recall, other_shop, "e-mail")


def test_a_public_notice_names_lots_and_nobody(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    text = tell(recall, None, "public").text
    assert sweets.code in text
    assert "Corner shop" not in text


def test_nobody_is_told_before_a_scope_is_frozen(decide: Any, tell: Any, shop: Any):
    with pytest.raises(RuleBroken, match="no scope yet"):
        tell(decide(), shop)


# --- answers and where it stands


def test_an_answer_that_fits_has_no_flags(
    decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    assert answer(recall, shop, sweets, received="1", sold="0.4", on_hand="0.6").flags == []


@pytest.mark.parametrize(
    ("amounts", "flag"),
    [
        ({"received": "1.5"}, "more-than-shipped"),
        ({"received": "1", "sold": "0.5"}, "does-not-add-up"),
    ],
)
def test_an_answer_that_does_not_fit_is_kept_and_flagged(
    decide: Any,
    freeze: Any,
    answer: Any,
    nuts: Lot,
    sweets: Lot,
    shop: Any,
    ship: Any,
    amounts: Any,
    flag: str,
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    assert answer(recall, shop, sweets, **amounts).flags == [flag]


def test_an_answer_from_an_unknown_consignee_is_kept_and_a_gap(
    decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, other_shop: Any
):
    recall = decide()
    freeze(recall, nuts)
    assert answer(recall, other_shop, sweets, on_hand="0.2").flags == ["not-a-consignee"]
    found = status(recall)
    assert [each.name for each in found.others] == ["Other shop"]
    assert any("find out who passed it on" in gap for gap in found.gaps)


def test_an_answer_after_the_end_is_still_taken(
    act: Any, lead: Person, proof: Proof, decide: Any, freeze: Any, answer: Any, nuts: Lot, shop: Any
):
    recall = decide()
    freeze(recall, nuts)
    deciding.end(act=act(lead, at=LATER), proof=proof, recall=recall, because="All back.")
    assert answer(recall, shop, nuts, on_hand="0")


def test_nobody_is_told_after_the_end(
    act: Any, lead: Person, proof: Proof, decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any
):
    recall = decide()
    freeze(recall, nuts)
    deciding.end(act=act(lead, at=LATER), proof=proof, recall=recall, because="All back.")
    with pytest.raises(RuleBroken, match="has ended"):
        tell(recall, shop)


@pytest.mark.parametrize(
    ("level", "percent", "needed"),
    [("A", None, 11), ("B", 50, 6), ("C", None, 2), ("D", None, 1), ("E", None, 0)],
)
def test_the_level_says_how_many_consignees_are_asked(
    decide: Any,
    freeze: Any,
    nuts: Lot,
    sweets: Lot,
    ship: Any,
    establishment: Any,
    level: str,
    percent: Any,
    needed: int,
):
    """Of eleven: 100 %, a share set case by case, 10 %, 2 % and none: 21 CFR 7.42(b)(3) (from memory); part of a
    consignee is one."""
    for number in range(11):
        partner = TradingPartner.objects.create(
            establishment=establishment, code=f"C{number}", name=f"Shop {number}", is_customer=True
        )
        ship(sweets, partner, "0.01")
    recall = decide(strategy=replace(LEVEL_A, level=level, percent=percent))
    freeze(recall, nuts)
    assert status(recall).needed == needed


def test_recovered_is_what_came_back_and_what_they_destroyed(
    act: Any, decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    shipping.take_back(act=act(at=NOON), lot=sweets, customer=shop, quantity="0.25", unit="KGM")
    recall = decide()
    freeze(recall, nuts)
    answer(recall, shop, sweets, received="1", returned="0.25", destroyed="0.5", sold="0.25")
    assert status(recall).found("KGM") == Fraction(3, 4)


def test_a_later_answer_of_a_lot_replaces_the_earlier_in_the_sums(
    decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    answer(recall, shop, sweets, destroyed="0.1")
    answer(recall, shop, sweets, destroyed="0.4")
    assert status(recall).recovered == {"KGM": 400_000}


def test_the_clock_runs_from_the_decision(
    decide: Any, freeze: Any, tell: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    tell(recall, shop)
    answer(recall, shop, sweets, on_hand="0.5")
    clock = status(recall).clock
    assert clock.since_decision(clock.first_told) == HOUR
    assert clock.since_decision(clock.last_answered) == 2 * HOUR


def test_a_report_of_an_earlier_time_tells_what_was_known_then(
    decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    scope = freeze(recall, nuts)
    answer(recall, shop, sweets, destroyed="0.4")
    assert status(recall, scope.recorded_at).recovered == {}


def test_a_status_costs_the_same_statements_for_any_number_of_consignees(
    decide: Any,
    freeze: Any,
    answer: Any,
    tell: Any,
    nuts: Lot,
    sweets: Lot,
    ship: Any,
    establishment: Any,
):
    recall = decide()
    counts = []
    for number in range(6):
        partner = TradingPartner.objects.create(
            establishment=establishment, code=f"C{number}", name=f"Shop {number}", is_customer=True
        )
        ship(sweets, partner, "0.01")
        freeze(recall, nuts)
        tell(recall, partner)
        answer(recall, partner, sweets, on_hand="0.01")
        with CaptureQueriesContext(connection) as asked:
            status(Recall.objects.get(pk=recall.pk))
        counts.append(len(asked))
    assert counts[0] == counts[-1]


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


# --- at an earlier time, and what does not fit


def test_a_corrected_answer_still_counts_at_the_time_before(
    act: Any, decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    first = answer(recall, shop, sweets, destroyed="0.4")
    answering.answer(
        act=act(corrects=first.pk, reason="Misheard"),
        recall=recall,
        partner=shop,
        means="phone",
        lots=[{"lot": sweets, "unit": "KGM", "destroyed": "0.1"}],
    )
    assert status(recall, first.recorded_at).recovered == {"KGM": 400_000}
    assert status(recall).recovered == {"KGM": 100_000}


def test_a_lot_let_go_later_counts_at_the_time_before(
    act: Any,
    lead: Person,
    proof: Proof,
    decide: Any,
    freeze: Any,
    nuts: Lot,
    sweets: Lot,
    shop: Any,
    ship: Any,
):
    ship(sweets, shop)
    recall = decide()
    scope = freeze(recall, nuts)
    scoping.leave_out(
        act=act(lead, at=LATER), proof=proof, recall=recall, lot=sweets, because="Recipe without"
    )
    assert (status(recall, scope.recorded_at).shipped, status(recall).shipped) == ({"KGM": 1_000_000}, {})


def test_a_call_that_is_still_to_come_has_told_nobody(
    act: Any, lead: Person, decide: Any, freeze: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    tomorrow = timezone.now() + timedelta(days=1)
    noticing.tell(act=act(lead, at=tomorrow), recall=recall, partner=shop, means="phone", why="Almond.")
    assert "Corner shop was not told." in status(recall).gaps


def test_an_answer_for_a_lot_they_never_got_is_flagged(
    decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    assert answer(recall, shop, nuts, on_hand="1").flags == ["more-than-shipped"]


def test_what_was_destroyed_of_a_lot_that_is_not_in_scope_is_not_recovered(
    decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any, receive: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    answer(recall, shop, receive(), destroyed="9")
    assert status(recall).recovered == {}


def test_an_amount_said_earlier_stays_where_a_later_answer_is_silent(
    decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    recall = decide()
    freeze(recall, nuts)
    answer(recall, shop, sweets, destroyed="0.4")
    answer(recall, shop, sweets, on_hand="0.1")
    assert status(recall).recovered == {"KGM": 400_000}


def test_a_lot_twice_in_one_answer_is_asked_back(act: Any, decide: Any, nuts: Lot, shop: Any):
    with pytest.raises(Unusable, match="stands twice"):
        answering.answer(
            act=act(),
            recall=decide(),
            partner=shop,
            means="phone",
            lots=[{"lot": nuts, "unit": "KGM", "on_hand": amount} for amount in ("1", "2")],
        )


def test_a_lot_they_did_not_answer_for_is_a_gap(
    decide: Any, freeze: Any, answer: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
):
    ship(sweets, shop)
    ship(nuts, shop)
    recall = decide()
    freeze(recall, nuts)
    answer(recall, shop, sweets, on_hand="1")
    assert f"Corner shop has not answered for lot {nuts.code}." in status(recall).gaps


def test_an_exercise_mails_nobody_where_its_mailbox_is_a_partners(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any, establishment: Establishment
):
    establishment.exercise_mailbox = "SHOP@shop.example"
    establishment.save(update_fields=["exercise_mailbox"])
    recall = Recall.objects.get(pk=decide(is_exercise=True).pk)
    freeze(recall, nuts)
    tell(recall, shop, "e-mail")
    assert not RecallMail.objects.exists()


@pytest.mark.parametrize("deed", ["freeze", "tell", "leave_out", "end"])
def test_an_operator_does_none_of_a_leads_deeds(
    act: Any, operator: Person, decide: Any, freeze: Any, nuts: Lot, shop: Any, deed: str
):
    recall, said = decide(), act(operator, at=LATER)
    freeze(recall, nuts)
    tries: dict[str, Callable[[], Any]] = {
        "freeze": lambda: scoping.freeze(act=said, recall=recall, starts=[nuts.uid]),
        "tell": lambda: noticing.tell(act=said, recall=recall, partner=shop, means="phone", why="Almond."),
        "leave_out": lambda: scoping.leave_out(
            act=said, proof=Proof(operator), recall=recall, lot=nuts, because="x"
        ),
        "end": lambda: deciding.end(act=said, proof=Proof(operator), recall=recall, because="x"),
    }
    with pytest.raises(NotAllowed):
        tries[deed]()


# --- over HTTP


def test_a_recall_over_http(lead_api: Client, api: Client, nuts: Lot, sweets: Lot, shop: Any, ship: Any):
    ship(sweets, shop)
    decided = lead_api.send(
        "recalls",
        {
            "performed_at": LATER.isoformat(),
            "hazard": "allergen",
            "because": "Almond, not declared",
            "determined_at": NOON.isoformat(),
            "strategy": {"depth": "retail", "level": "A", "because": "All buyers are known."},
            "password": PASSWORD,
        },
    )
    assert decided.status_code == 201, decided.content
    where = f"recalls/{decided.json()['id']}"
    frozen = lead_api.send(f"{where}/scopes", {"performed_at": LATER.isoformat(), "lots": [str(nuts.uid)]})
    assert frozen.status_code == 201, frozen.content
    assert "contacts" not in frozen.json()
    told = lead_api.send(
        f"{where}/notices",
        {"performed_at": LATER.isoformat(), "partner": str(shop.pk), "means": "phone", "why": "Almond."},
    )
    assert told.status_code == 201, told.content
    answered = api.send(
        f"{where}/answers",
        {
            "performed_at": LATER.isoformat(),
            "partner": str(shop.pk),
            "means": "phone",
            "lots": [{"lot": str(sweets.uid), "unit": "KGM", "received": "1", "on_hand": "1"}],
        },
    )
    assert answered.status_code == 201, answered.content
    stands = api.ask(f"{where}/status").json()
    assert (stands["told"], stands["answered"], stands["gaps"]) == (1, 1, [])
