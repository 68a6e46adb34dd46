"""Buyers nobody names: outlets are listed with quantities and days, and a public notice tells them."""

import json
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

import pytest
from django.core import mail
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import outlets, shipping, web_orders
from batches.models import Buyer, Lot, TradingPartner
from config.api.refusals import NotAllowed, RuleBroken, Unknown, Unusable
from haccp.models import NoticePublished, Recall, RecallMail, RecallNotice
from haccp.recalls import noticing
from haccp.recalls.status import status
from ledger.models import Establishment, Person
from tests.conftest import NOON
from tests.haccp.conftest import HOUR
from tests.haccp.recalls.conftest import LATER, LEVEL_A

pytestmark = pytest.mark.django_db
TO_CONSUMERS = replace(LEVEL_A, depth="consumer")
WHY = "It may contain almond, which the label does not say."


@pytest.fixture
def stall_day(act: Any, sweets: Lot, stall: TradingPartner) -> Any:
    """One kilogram was taken to a market, and some brought back in the evening."""

    def do(back: str = "0.25", place: str = "Seeborn market") -> None:
        moved = {"lot": sweets, "customer": stall, "unit": "KGM"}
        shipping.ship(act=act(at=NOON, place=place), quantity="1", already_happened=True, **moved)
        if back:
            shipping.take_back(act=act(at=NOON + 6 * HOUR), quantity=back, **moved)

    return do


@pytest.fixture
def recall(decide: Any) -> Recall:
    made: Recall = decide(strategy=TO_CONSUMERS)
    return made


@pytest.fixture
def publish(act: Any, lead: Person) -> Any:
    def do(recall: Recall, notice: RecallNotice, where: str = "Board at the market", **values: Any) -> Any:
        said = act(lead, at=LATER + 2 * HOUR, **values)
        return noticing.publish(act=said, recall=recall, notice=notice, where=where)

    return do


# -- where it stands -----------------------------------------------------------------------------------


def test_a_stall_is_an_outlet_and_no_consignee(
    stall_day: Any, recall: Recall, freeze: Any, nuts: Lot
) -> None:
    stall_day()
    scope = freeze(recall, nuts)
    assert (scope.consignees, scope.contacts) == ([], {})
    (row,) = scope.outlets[0]["lots"]
    assert (row["taken"], row["brought_back"], row["with_buyers"]) == ("1.000", "0.250", "0.750")
    assert row["visits"] == [{"place": "Seeborn market", "first": "2026-03-02", "last": "2026-03-02"}]


def test_unnamed_buyers_count_in_no_effectiveness_check(
    stall_day: Any,
    recall: Recall,
    freeze: Any,
    tell: Any,
    answer: Any,
    nuts: Lot,
    sweets: Lot,
    shop: Any,
    ship: Any,
) -> None:
    stall_day()
    ship(sweets, shop, "0.5")
    freeze(recall, nuts)
    tell(recall, shop)
    answer(recall, shop, sweets, on_hand="0.5")
    found = status(recall)
    assert (found.needed, found.answered) == (1, 1)
    assert "count in no effectiveness check" in found.unnamed
    assert not any("was not told" in gap or "has not answered" in gap for gap in found.gaps)


def test_what_outlets_got_and_brought_back_counts_in_what_is_recovered(
    stall_day: Any,
    act: Any,
    stall: Any,
    recall: Recall,
    freeze: Any,
    nuts: Lot,
    sweets: Lot,
    shop: Any,
    ship: Any,
) -> None:
    stall_day()
    ship(sweets, shop, "0.5")
    thrown = {"outlet": stall, "lot": sweets, "what": "destroyed", "quantity": "0.125", "unit": "KGM"}
    outlets.note(act=act(at=NOON + HOUR), **thrown)
    freeze(recall, nuts)
    found = status(recall)
    assert (found.shipped, found.recovered) == ({"KGM": 1_500_000}, {"KGM": 375_000})
    assert found.found("KGM") == Fraction(1, 4)


def test_without_outlets_nothing_is_said_of_unnamed_buyers(
    recall: Recall, freeze: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
) -> None:
    ship(sweets, shop)
    freeze(recall, nuts)
    found = status(recall)
    assert (found.unnamed, found.outlets) == ("", ())


def test_all_brought_back_reached_no_buyer(stall_day: Any, recall: Recall, freeze: Any, nuts: Lot) -> None:
    stall_day(back="1")
    freeze(recall, nuts)
    found = status(recall)
    assert (found.unnamed, [gap for gap in found.gaps if "uyers" in gap]) == ("", [])


def test_until_a_public_notice_is_published_that_is_a_gap(
    stall_day: Any, recall: Recall, freeze: Any, tell: Any, publish: Any, nuts: Lot
) -> None:
    stall_day()
    freeze(recall, nuts)

    def gaps() -> list[str]:
        return [gap for gap in status(recall).gaps if gap.startswith("Buyers at Market stall")]

    before = gaps()
    notice = tell(recall, None, "public")
    written = gaps()
    publish(recall, notice)
    assert (len(before), len(written), gaps()) == (1, 1, [])


def test_a_lot_that_the_published_notice_does_not_name_is_a_gap(
    act: Any,
    stall: Any,
    stall_day: Any,
    recall: Recall,
    freeze: Any,
    tell: Any,
    publish: Any,
    nuts: Lot,
    receive: Any,
) -> None:
    stall_day()
    freeze(recall, nuts)
    publish(recall, tell(recall, None, "public"))
    other = receive()
    said = {"lot": other, "customer": stall, "quantity": "1", "unit": "KGM", "already_happened": True}
    shipping.ship(act=act(at=NOON), **said)
    freeze(recall, other)
    assert any(f"may have some of lot {other.code}" in gap for gap in status(recall).gaps)


def test_a_strategy_that_stops_at_shops_is_asked_whether_it_should(
    stall_day: Any, decide: Any, freeze: Any, nuts: Lot
) -> None:
    stall_day()
    recall = decide()
    freeze(recall, nuts)
    assert any("does not go to whoever bought it" in gap for gap in status(recall).gaps)


def test_a_stall_that_is_told_of_after_the_freeze_is_a_gap(
    stall_day: Any, recall: Recall, freeze: Any, nuts: Lot
) -> None:
    freeze(recall, nuts)
    stall_day()
    assert any(gap.startswith("Market stall got some of lot") for gap in status(recall).gaps)


def test_a_status_of_before_the_publication_tells_of_none(
    stall_day: Any, recall: Recall, freeze: Any, tell: Any, publish: Any, nuts: Lot
) -> None:
    stall_day()
    freeze(recall, nuts)
    notice = tell(recall, None, "public")
    published = publish(recall, notice)
    assert status(recall, notice.recorded_at).published is None
    assert status(recall).published == published.performed_at


def test_a_status_costs_the_same_for_one_order_as_for_five(
    recall: Recall, freeze: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    def asked() -> int:
        found = Recall.objects.get(pk=recall.pk)
        with CaptureQueriesContext(connection) as queries:
            status(found)
        return len(queries)

    order(sweets, "W-0", "0.1")
    freeze(recall, nuts)
    alone = asked()
    for number in range(1, 5):
        order(sweets, f"W-{number}", "0.1")
    assert asked() == alone


# -- the public notice ----------------------------------------------------------------------------------


def test_the_public_notice_tells_product_lot_date_place_days_what_is_wrong_and_what_to_do(
    stall_day: Any, recall: Recall, freeze: Any, tell: Any, nuts: Lot, sweets: Lot
) -> None:
    stall_day()
    sweets.state.best_before = date(2026, 6, 1)
    sweets.state.save()
    freeze(recall, nuts)
    text = tell(recall, None, "public", why=WHY).text
    assert f"{sweets.material.name}, lot {sweets.code}, best before 2026-06-01" in text
    assert "Market stall, Seeborn market: on 2026-03-02" in text
    for part in (
        WHY,
        "Do not eat it",
        "Bring it back",
        "ask a doctor",
        "Ask us: Lindenhof Sweets, Mill Lane 4",
    ):
        assert part in text


def test_the_public_notice_in_spanish(
    stall_day: Any, recall: Recall, freeze: Any, tell: Any, nuts: Lot
) -> None:
    stall_day()
    freeze(recall, nuts)
    notice = tell(recall, None, "public", language="es")
    assert "Market stall, Seeborn market: el 2026-03-02" in notice.text
    assert notice.subject.startswith("No coma estos dulces")


def test_a_shop_that_still_has_it_sells_until_now(
    act: Any, stall: TradingPartner, stall_day: Any, recall: Recall, freeze: Any, tell: Any, nuts: Lot
) -> None:
    TradingPartner.objects.filter(pk=stall.pk).update(outlet="shop", address="Mill Lane 4\nMusterstadt")
    stall_day(back="")
    freeze(recall, nuts)
    assert (
        "Market stall, Mill Lane 4, Musterstadt: from 2026-03-02 until now"
        in tell(recall, None, "public").text
    )


def test_shops_with_a_name_are_told_of_without_their_name(
    recall: Recall, freeze: Any, tell: Any, nuts: Lot, sweets: Lot, shop: Any, ship: Any
) -> None:
    ship(sweets, shop)
    freeze(recall, nuts)
    text = tell(recall, None, "public").text
    assert "in other shops that we supply" in text
    assert "Corner shop" not in text


def test_an_exercise_writes_its_notice_and_publishes_nothing(
    stall_day: Any, decide: Any, freeze: Any, tell: Any, publish: Any, nuts: Lot
) -> None:
    stall_day()
    recall = decide(is_exercise=True, strategy=TO_CONSUMERS)
    freeze(recall, nuts)
    notice = tell(recall, None, "public")
    assert notice.subject.startswith("EXERCISE")
    assert "published nowhere" in notice.text
    with pytest.raises(RuleBroken) as refused:
        publish(recall, notice)
    assert refused.value.code == "exercise"
    assert not NoticePublished.objects.exists()
    assert not any(gap.startswith("Buyers at") for gap in status(recall).gaps)


def test_only_a_lead_publishes(
    act: Any, stall_day: Any, recall: Recall, freeze: Any, tell: Any, nuts: Lot, operator: Person
) -> None:
    stall_day()
    freeze(recall, nuts)
    notice = tell(recall, None, "public")
    with pytest.raises(NotAllowed):
        noticing.publish(act=act(operator), recall=recall, notice=notice, where="Board")


def test_a_notice_to_a_partner_is_not_published(
    recall: Recall, freeze: Any, tell: Any, publish: Any, nuts: Lot, shop: Any
) -> None:
    freeze(recall, nuts)
    with pytest.raises(Unknown):
        publish(recall, tell(recall, shop))


def test_a_publication_names_its_place(
    recall: Recall, freeze: Any, tell: Any, publish: Any, nuts: Lot
) -> None:
    freeze(recall, nuts)
    with pytest.raises(Unusable):
        publish(recall, tell(recall, None, "public"), where=" ")


def test_it_is_published_over_http(
    lead_api: Any, api: Any, stall_day: Any, recall: Recall, freeze: Any, tell: Any, nuts: Lot
) -> None:
    stall_day()
    freeze(recall, nuts)
    body = {"performed_at": (LATER + 2 * HOUR).isoformat(), "notice": str(tell(recall, None, "public").pk)}
    body |= {"where": "Board"}
    address = f"recalls/{recall.pk}/published"
    assert api.send(address, body).status_code == 403
    assert lead_api.send(address, body).status_code == 201
    shown = lead_api.ask(f"recalls/{recall.pk}/status").json()
    assert (shown["outlets"][0]["lots"][0]["with_buyers"]["quantity"], shown["consignees"]) == ("0.750", [])
    assert shown["published"] is not None


# -- buyers of web orders --------------------------------------------------------------------------------


def test_a_buyer_who_is_kept_is_a_consignee_named_by_the_order(
    recall: Recall, freeze: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    order(sweets)
    scope = freeze(recall, nuts)
    (row,) = scope.consignees
    assert (row["name"], row["lots"][0]["shipped"]) == ("Buyer of web order W-1", "0.500")
    assert (status(recall).needed, scope.outlets) == (1, [])


def test_nothing_of_a_buyer_stays_in_scope_notice_or_mail_row(
    recall: Recall, freeze: Any, tell: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    made = order(sweets)
    scope = freeze(recall, nuts)
    notice = tell(recall, None, "e-mail", order=made)
    told = json.dumps(
        [scope.content(), scope.contacts, notice.content(), notice.text, notice.to], default=str
    )
    assert "buyers.example" not in told
    assert "Buyer of W-1" not in told


def test_the_mail_goes_to_the_address_as_it_stands_when_it_is_sent(
    recall: Recall, freeze: Any, tell: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    made = order(sweets)
    freeze(recall, nuts)
    tell(recall, None, "e-mail", order=made)
    Buyer.objects.update(email="moved@buyers.example")
    noticing.send(RecallMail.objects.get().pk)
    assert [each.to for each in mail.outbox] == [["moved@buyers.example"]]
    assert f"lot {sweets.code}: 0.500 kg (web order W-1)" in mail.outbox[0].body


def test_an_exercise_mails_no_buyer(
    decide: Any, freeze: Any, tell: Any, order: Any, nuts: Lot, sweets: Lot, establishment: Establishment
) -> None:
    establishment.exercise_mailbox = "w-1@buyers.example"  # the buyer's own, by mistake
    establishment.save(update_fields=["exercise_mailbox"])
    made = order(sweets)
    recall = Recall.objects.get(pk=decide(is_exercise=True).pk)
    freeze(recall, nuts)
    tell(recall, None, "e-mail", order=made)
    assert not RecallMail.objects.exists()


def test_a_buyers_answer_counts_as_a_consignees(
    act: Any, recall: Recall, freeze: Any, tell: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    from haccp.recalls import answering

    made = order(sweets)
    freeze(recall, nuts)
    tell(recall, None, "phone", order=made)
    said = [{"lot": sweets, "unit": "KGM", "on_hand": "0.5"}]
    record = answering.answer(
        act=act(at=LATER + 2 * HOUR), recall=recall, order=made, means="phone", lots=said
    )
    found = status(recall)
    assert (record.flags, found.answered, found.needed, found.told) == ([], 1, 1, 1)


def test_an_answer_is_of_a_partner_or_of_a_buyer(
    act: Any, recall: Recall, sweets: Lot, order: Any, shop: Any
) -> None:
    from haccp.recalls import answering

    said = [{"lot": sweets, "unit": "KGM", "on_hand": "0.5"}]
    for who in ({}, {"partner": shop, "order": order(sweets)}):
        with pytest.raises(Unusable):
            answering.answer(act=act(at=LATER), recall=recall, means="phone", lots=said, **who)


def test_a_forgotten_buyer_is_one_of_those_nobody_names(
    act: Any, recall: Recall, freeze: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    web_orders.forget(act=act(at=LATER), order=order(sweets), because="Over.")
    scope = freeze(recall, nuts)
    assert (scope.consignees, scope.outlets[0]["name"]) == ([], "Web orders")
    assert status(recall).needed == 0
    assert "Buyers at Web orders are not named" in status(recall).unnamed


def test_a_forgotten_buyer_is_told_by_the_public_notice_only(
    act: Any, recall: Recall, freeze: Any, tell: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    made = order(sweets)
    web_orders.forget(act=act(at=LATER), order=made, because="Over.")
    freeze(recall, nuts)
    with pytest.raises(RuleBroken) as refused:
        tell(recall, None, "phone", order=made)
    assert refused.value.code == "buyer-forgotten"
    assert "Web orders: on 2026-03-02" in tell(recall, None, "public").text


def test_no_address_of_a_buyer_is_taken_with_a_notice(
    recall: Recall, freeze: Any, tell: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    made = order(sweets)
    freeze(recall, nuts)
    with pytest.raises(Unusable, match="kept with the buyer only"):
        tell(recall, None, "e-mail", order=made, to="else@buyers.example")


def test_a_status_of_before_the_forgetting_still_counts_the_buyer(
    act: Any, recall: Recall, freeze: Any, order: Any, nuts: Lot, sweets: Lot
) -> None:
    made = order(sweets)
    scope = freeze(recall, nuts)
    record = web_orders.forget(act=act(at=LATER), order=made, because="Over.")
    assert len(status(recall, scope.recorded_at).consignees) == 1
    assert len(status(recall, record.recorded_at + timedelta(seconds=1)).consignees) == 0
