"""Whether to recall: asked when a hold reaches what was shipped, open until a lead decides by signature."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from batches import lots, shipping
from batches.models import Batch, Lot, TradingPartner
from config.api.refusals import NotAllowed, OtherContent, RuleBroken, Unusable
from haccp import deviations, notices
from haccp.deviations import Touched
from haccp.models import Deviation, HoldSubject, Notice, RecallQuestion, RecallVerdict
from haccp.recalls import arriving, periods, questions
from ledger.ids import uuid7
from ledger.models import Establishment, Person, Signature
from tests.conftest import NOON
from tests.haccp.conftest import HOUR
from tests.haccp.recalls.conftest import LATER, LEVEL_A, held

pytestmark = pytest.mark.django_db


@pytest.fixture
def report(act: Any) -> Callable[..., Deviation]:
    """Somebody saw something wrong at one o'clock and names a lot, or a batch."""

    def do(what: Lot | Batch) -> Deviation:
        kind = HoldSubject.LOT if isinstance(what, Lot) else HoldSubject.BATCH
        said = act(at=NOON + HOUR)
        return deviations.report(act=said, title="Grit in a piece", hold=Touched(kind, what.uid))

    return do


@pytest.fixture
def sweets(sweets: Lot, act: Any) -> Lot:
    """Two kilograms made of the nuts, released at eleven."""
    lots.decide(act=act(at=NOON - HOUR), lots=[sweets], status="released", because=sweets.birth)
    return sweets


@pytest.fixture
def sold(sweets: Lot, shop: TradingPartner, ship: Any) -> Lot:
    """A kilogram of two went to the shop."""
    ship(sweets, shop)
    return sweets


@pytest.fixture
def verdict(act: Any, lead: Person, proof: Any) -> Callable[..., RecallVerdict]:
    def do(question: RecallQuestion, who: Person | None = None, **values: Any) -> RecallVerdict:
        said = {"because": "It came back unopened."} | values
        at = said.pop("at", timezone.now().astimezone(NOON.tzinfo))
        return questions.decide(
            act=act(who or lead, at=at, id=said.pop("id", None)), proof=proof, question=question, **said
        )

    return do


def of(case: Deviation) -> RecallQuestion:
    return RecallQuestion.objects.get(deviation=case)


def is_open(question: RecallQuestion) -> bool:
    return questions.open_ones(RecallQuestion.objects.filter(pk=question.pk)).exists()


# -- what asks --------------------------------------------------------------------------------------------


def test_a_hold_that_reaches_what_was_shipped_asks_whether_to_recall(report: Any, sold: Lot):
    question = of(report(sold))
    (about,) = question.lots.all()
    assert (about.lot, about.shipped, question.determined_at) == (sold, 1_000_000, NOON + HOUR)
    assert is_open(question)


def test_a_hold_on_what_is_all_here_asks_nothing(report: Any, sweets: Lot):
    report(sweets)
    assert not RecallQuestion.objects.exists()


def test_a_hold_by_what_went_in_asks_about_what_was_made_and_shipped(report: Any, nuts: Lot, sold: Lot):
    assert [each.lot for each in of(report(nuts)).lots.all()] == [sold]


def test_a_hold_on_a_batch_asks_too(report: Any, batch: Batch, sold: Lot):
    assert of(report(batch)).lots.count() == 1


def test_a_failing_check_asks_in_the_same_moment(measure: Any, batch: Batch, sold: Lot):
    measure(batch, "0.99")
    assert RecallQuestion.objects.get().deviation.what == Deviation.What.LIMIT


def test_a_suppliers_notice_asks_from_when_it_came(
    take_in: Any, receive: Any, accept: Any, use: Any, batch: Batch, make_lot: Any, shop: Any, ship: Any
):
    lot = accept(receive(supplier_code="HN-7"))
    use(lot, batch)
    ship(make_lot(batch), shop)
    notice = take_in()
    assert of(arriving.case_of(notice)).determined_at == NOON  # it came at noon and was taken in at two
    assert len(held(notice)) == 2


def test_what_was_shipped_unreleased_is_recorded_and_asks(receive: Any, shop: Any, ship: Any):
    lot = receive()
    ship(lot, shop)
    question = RecallQuestion.objects.get()
    assert (question.deviation.what, question.lots.get().lot) == (Deviation.What.SHIPPED, lot)


def test_shipping_unreleased_is_refused_and_asks_nothing(act: Any, receive: Any, shop: Any):
    with pytest.raises(RuleBroken) as refusal:
        shipping.ship(act=act(), lot=receive(), customer=shop, quantity="1", unit="KGM")
    assert refusal.value.code == "may-not-ship"
    assert not RecallQuestion.objects.exists()


def test_a_shipment_from_before_the_hold_that_is_said_late_asks(
    report: Any, sweets: Lot, shop: Any, ship: Any
):
    case = report(sweets)
    ship(sweets, shop)  # it left at noon, before the hold; the lot was released then
    assert of(case).lots.get().because.kind == "batches.movement"


def test_one_case_asks_one_question_and_lots_join_it(
    report: Any, act: Any, sold: Lot, batch: Batch, make_lot: Any, shop: Any, ship: Any
):
    case = report(sold)
    other = make_lot(batch, at=NOON - HOUR / 2)
    ship(other, shop, "0.5")
    held_too = Touched(HoldSubject.LOT, other.uid)
    deviations.hold_more(act=act(at=LATER), deviation=case, touched=held_too)
    deviations.hold_more(act=act(at=LATER), deviation=case, touched=held_too)
    assert {each.lot for each in of(case).lots.all()} == {sold, other}


def test_a_recall_that_runs_asks_no_more_by_its_own_case(decide: Any, freeze: Any, nuts: Lot, sold: Lot):
    freeze(decide(), nuts)
    assert not RecallQuestion.objects.exists()


def test_holding_costs_the_same_for_one_shipped_lot_as_for_four(
    report: Any, batch: Batch, nuts: Lot, use: Any, make_lot: Any, shop: Any, ship: Any, act: Any
):
    use(nuts, batch)

    def cost(lots: int) -> int:
        made = [make_lot(batch, quantity="0.2") for _ in range(lots)]
        for lot in made:
            ship(lot, shop, "0.1")
        case = deviations.open_case(act=act(at=LATER), what="reported", subject=uuid7(), slot="x", title="x")
        with CaptureQueriesContext(connection) as asked:
            from haccp import holds

            holds.place_on_lots(act=act(at=LATER), deviation=case, lots=made)
        return len(asked)

    cost(1)
    assert cost(1) == cost(4)


# -- what answers -----------------------------------------------------------------------------------------


def test_releasing_and_closing_its_case_leaves_it_open(report: Any, sold: Lot, settle: Any):
    case = report(sold)
    settle(case)
    assert deviations.is_closed(case)
    assert is_open(of(case))


def test_a_lead_decides_that_none_is_needed_by_signature(report: Any, sold: Lot, verdict: Any):
    question = of(report(sold))
    made = verdict(question)
    assert Signature.objects.filter(target_id=made.pk, meaning="decided").exists()
    assert made.lots == [str(sold.uid)]
    assert not is_open(question)


def test_what_comes_after_the_decision_is_open_again(
    report: Any, sold: Lot, verdict: Any, batch: Batch, make_lot: Any, shop: Any, ship: Any, act: Any
):
    case = report(sold)
    verdict(of(case))
    other = make_lot(batch)
    ship(other, shop, "0.5")
    deviations.hold_more(act=act(at=LATER), deviation=case, touched=Touched(HoldSubject.LOT, other.uid))
    question = of(case)
    assert is_open(question)
    waiting = questions.open_lots(list(question.lots.all()), list(question.verdicts.all()))
    assert [each.lot for each in waiting] == [other]


def test_a_recall_that_is_decided_under_the_case_answers_it(report: Any, sold: Lot, decide: Any):
    case = report(sold)
    recall = decide(deviation=case)
    assert of(case).verdicts.get().recall == recall
    assert not is_open(of(case))


def test_a_decision_can_name_a_recall_and_is_superseded_by_a_later_one(
    report: Any, sold: Lot, decide: Any, verdict: Any
):
    question = of(report(sold))
    verdict(question)
    recall = decide()
    assert verdict(question, recall=recall, because="More of it is out there.").recall == recall
    assert question.verdicts.count() == 2


def test_only_a_lead_decides(report: Any, sold: Lot, verdict: Any, operator: Person):
    with pytest.raises(NotAllowed):
        verdict(of(report(sold)), operator)


def test_a_decision_without_a_reason_or_by_an_exercise_is_refused(
    report: Any, sold: Lot, decide: Any, verdict: Any
):
    question = of(report(sold))
    with pytest.raises(Unusable, match="Say why"):
        verdict(question, because=" ")
    with pytest.raises(Unusable, match="exercise"):
        verdict(question, recall=decide(is_exercise=True))


def test_a_decision_sent_again_is_the_same_and_another_is_refused(report: Any, sold: Lot, verdict: Any):
    question, same = of(report(sold)), {"id": uuid7(), "at": LATER}
    verdict(question, **same)
    assert verdict(question, **same).repeated
    with pytest.raises(OtherContent):
        verdict(question, **same, because="Another reason.")


# -- time, reminders --------------------------------------------------------------------------------------


def told(question: RecallQuestion, now: Any) -> timedelta:
    return questions.elapsed(question, list(question.lots.all()), list(question.verdicts.all()), now)


def test_elapsed_time_runs_from_the_determination_to_the_decision(report: Any, sold: Lot, verdict: Any):
    question = of(report(sold))
    assert told(question, NOON + 3 * HOUR) == 2 * HOUR
    made = verdict(question)
    assert told(question, NOON + 1000 * HOUR) == made.performed_at - (NOON + HOUR)


def test_the_reportable_food_period_is_24_hours_in_the_us_and_no_number_is_named_in_the_eu():
    """21 USC 350f(d)(1) (read); Regulation (EC) 178/2002, Article 19 (read in a secondary text)."""
    due = [each.due(NOON) for each in periods.of("US")]
    assert due == [NOON + timedelta(hours=24), None]
    assert [each.within for each in periods.of("DE")] == [None]
    assert periods.of("CH") == ()


def test_the_european_union_has_27_members():
    """27 since 1 February 2020 (from memory)."""
    assert len(periods.EU) == 27


@pytest.fixture
def with_address(lead: Person) -> Person:
    lead.email = "lead@house.example"
    lead.save(update_fields=["email"])
    return lead


def slots() -> list[str]:
    rows = Notice.objects.filter(question__isnull=False).order_by("pk")
    return list(rows.values_list("slot", flat=True))


def test_leads_are_reminded_once_at_half_of_the_period_and_once_at_its_end(
    report: Any, sold: Lot, with_address: Person
):
    known = of(report(sold)).determined_at
    found = [questions.sweep(known + hours * HOUR) for hours in (11, 12, 13, 24, 25, 300)]
    assert found == [0, 1, 0, 1, 0, 0]
    assert slots() == ["1 lots", "1 lots, 12 h", "1 lots, 24 h"]


def test_what_is_decided_is_not_reminded_of(report: Any, sold: Lot, verdict: Any, with_address: Person):
    question = of(report(sold))
    verdict(question)
    assert questions.sweep(timezone.now() + 1000 * HOUR) == 0


def test_the_mail_says_what_is_to_be_decided_and_to_ask(report: Any, sold: Lot, with_address: Person):
    report(sold)
    notices.tell(Notice.objects.get(question__isnull=False).pk)
    (sent,) = mail.outbox
    assert sent.subject.startswith("Whether to recall")
    assert "ask your authority" in sent.body


# -- over the API -----------------------------------------------------------------------------------------


def test_over_the_api_it_is_listed_with_time_and_periods_and_decided(
    api: Any, lead_api: Any, report: Any, sold: Lot, establishment: Establishment
):
    establishment.country = "US"
    establishment.save(update_fields=["country"])
    report(sold)
    (found,) = api.ask("recall-questions", open="true").json()["results"]
    assert found["open"]
    assert found["elapsed_seconds"] > 0
    assert found["lots"][0]["shipped"] == {"quantity": "1.000", "unit": "KGM"}
    assert [each["hours"] for each in found["periods"]] == ["24", None]
    assert found["ask"].startswith("Ask your authority")
    from tests.conftest import PASSWORD

    body = {"performed_at": LATER.isoformat(), "because": "All came back.", "password": PASSWORD}
    where = f"recall-questions/{found['id']}"
    assert api.send(f"{where}/verdicts", body).status_code == 403
    assert lead_api.send(f"{where}/verdicts", body).status_code == 201
    assert api.ask("recall-questions", open="true").json()["results"] == []
    assert not api.ask(where).json()["open"]


def test_the_list_costs_the_same_for_one_question_as_for_four(
    api: Any, report: Any, sold: Lot, receive: Any, shop: Any, ship: Any
):
    report(sold)

    def cost() -> int:
        with CaptureQueriesContext(connection) as asked:
            assert api.ask("recall-questions").status_code == 200
        return len(asked)

    cost()
    alone = cost()
    for _ in range(3):
        ship(receive(), shop)
    assert cost() == alone


def test_a_strategy_of_another_level_changes_no_question(report: Any, sold: Lot, decide: Any):
    case = report(sold)
    decide(deviation=case, strategy=replace(LEVEL_A, level="C"))
    assert of(case).verdicts.count() == 1
