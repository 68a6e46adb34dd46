"""A recall notice arrives: what it means is found and held in the same moment, and what comes in later too."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches import receiving
from batches.models import Batch, Lot, LotStatus, Material, Occupation, TradingPartner
from config.api.refusals import NotAllowed, OtherContent, RuleBroken, Unusable
from haccp.models import Deviation, Notice, NoticeArrived, RecallScope
from haccp.recalls import arriving
from ledger.ids import uuid7
from ledger.models import Entry, Person, Seal
from tests.conftest import NOON, PASSWORD
from tests.haccp.conftest import HOUR
from tests.haccp.recalls.conftest import LATER, LEVEL_A, held

pytestmark = pytest.mark.django_db


@pytest.fixture
def seventh(receive: Any, accept: Any) -> Lot:
    """Twenty kilograms with the code HN-7, accepted."""
    return accept(receive(supplier_code="HN-7"))


def status(lot: Lot) -> str:
    lot.state.refresh_from_db()
    return str(lot.state.status)


def test_every_lot_it_means_and_what_was_made_of_them_is_held(
    take_in: Any, seventh: Lot, receive: Any, batch: Batch, use: Any, make_lot: Any, accept: Any
):
    other = accept(receive(supplier_code="HN-8"))
    use(seventh, batch)
    sweets = make_lot(batch)
    notice = take_in()
    assert held(notice) == {seventh.code, sweets.code}
    assert status(other) == LotStatus.RELEASED
    assert arriving.case_of(notice).because_id == notice.pk


def test_it_keeps_what_was_received_used_in_what_and_where_it_is_now(
    take_in: Any, seventh: Lot, batch: Batch, use: Any, make_lot: Any, shop: TradingPartner, ship: Any
):
    use(seventh, batch)
    sweets = make_lot(batch, quantity="2")
    ship(sweets, shop, "0.5")
    notice = take_in()
    (row,), (made,) = notice.found, notice.became
    assert (row["code"], row["certain"], row["why"]) == (seventh.code, True, ["its code is listed"])
    assert (row["received"], row["used"], row["on_hand"]) == ("20.000", "2.000", "18.000")
    assert row["used_in"] == [{"batch": batch.code, "quantity": "2.000", "made": [sweets.code]}]
    assert (made["code"], made["shipped"], made["on_hand"]) == (sweets.code, "0.500", "1.500")
    assert [each["name"] for each in notice.consignees] == ["Corner shop"]


def test_what_was_found_stays_as_it_was_and_lies_under_a_seal(
    take_in: Any, seventh: Lot, use: Any, batch: Any
):
    notice = take_in()
    use(seventh, batch)
    kept = NoticeArrived.objects.get(pk=notice.pk)
    assert kept.found[0]["used"] == "0.000"
    assert Seal.objects.get(number=kept.seal_number).hash == kept.seal_hash


def test_nothing_found_is_an_answer_and_says_what_was_searched(take_in: Any, receive: Any):
    receive(supplier_code="HN-8")
    notice = take_in()
    assert (notice.found, arriving.case_of(notice)) == ([], None)
    assert (notice.searched["lots"], notice.searched["outside_count"]) == ("1", "1")
    assert notice.searched["outside"][0]["why"] == ["its code is not listed"]


def test_an_ambiguous_code_lists_and_holds_every_candidate(
    take_in: Any, seventh: Lot, receive: Any, nuts: Lot, establishment: Any
):
    mill = TradingPartner.objects.create(
        establishment=establishment, code="M2", name="Other mill", is_supplier=True
    )
    theirs = receive(supplier=mill, supplier_code="HN-7")
    notice = take_in(supplier=None, sender="Town food office")
    assert {row["code"] for row in notice.found} == {seventh.code, theirs.code}
    assert [row["certain"] for row in notice.found] == [False, False]
    assert held(notice) == {seventh.code, theirs.code}


def test_a_lot_without_a_code_is_a_candidate_and_held(take_in: Any, receive: Any):
    bare = receive()
    notice = take_in()
    (row,) = notice.found
    assert (row["code"], row["certain"]) == (bare.code, False)
    assert status(bare) == LotStatus.HELD


def test_what_is_received_afterwards_and_is_meant_is_held_at_once(take_in: Any, receive: Any):
    notice = take_in()
    late, other = receive(supplier_code="HN-7"), receive(supplier_code="HN-8")
    assert (status(late), status(other)) == (LotStatus.HELD, LotStatus.AWAITING)
    assert held(notice) == {late.code}
    assert notice.found == []


def test_a_receipt_that_is_corrected_to_a_code_that_is_meant_is_held(take_in: Any, receive: Any, act: Any):
    take_in()
    lot = receive(supplier_code="HN-1")
    receiving.receive(
        act=act(at=NOON, corrects=lot.uid, reason="The bag says HN-7."),
        material=lot.material,
        supplier=lot.state.supplier or lot.movements.get().partner,
        quantity="20",
        unit="KGM",
        supplier_code="HN-7",
    )
    assert status(lot) == LotStatus.HELD


def test_the_leads_hear_again_of_a_case_that_goes_on(take_in: Any, seventh: Lot, receive: Any, lead: Person):
    lead.email = "lead@house.example"
    lead.save(update_fields=["email"])
    case = arriving.case_of(take_in())
    Notice.objects.filter(deviation=case).update(sent_at=LATER)
    receive(supplier_code="HN-7")
    assert Notice.objects.get(deviation=case).sent_at is None


def test_after_its_case_is_closed_a_notice_opens_another_for_what_it_certainly_means(
    take_in: Any, seventh: Lot, receive: Any, settle: Any
):
    notice = take_in()
    first = arriving.case_of(notice)
    settle(first)
    bare, late = receive(), receive(supplier_code="HN-7")
    assert arriving.case_of(notice) != first
    assert (status(late), status(bare)) == (LotStatus.HELD, LotStatus.AWAITING)


def test_everything_of_a_supplier_ends_with_its_case(take_in: Any, seventh: Lot, receive: Any, settle: Any):
    notice = take_in(codes=(), everything=True)
    settle(arriving.case_of(notice))
    assert status(receive()) == LotStatus.AWAITING


def test_a_corrected_notice_is_searched_anew_under_the_same_case(
    take_in: Any, seventh: Lot, receive: Any, act: Any
):
    eighth = receive(supplier_code="HN-8")
    notice = take_in()
    again = take_in(act(at=LATER, corrects=notice.pk, reason="They said eight."), codes=["HN-8"])
    assert arriving.case_of(again) == arriving.case_of(notice)
    assert held(again) == {seventh.code, eighth.code}
    assert Deviation.objects.filter(what="notice").count() == 1
    assert arriving.starts_of(again) == [eighth.uid]


def test_a_notice_sent_again_is_the_same_notice(take_in: Any, seventh: Lot, act: Any):
    same = uuid7()
    first = take_in(act(at=LATER, id=same))
    again = take_in(act(at=LATER, id=same))
    assert again.repeated
    assert arriving.case_of(first).holds.count() == 1
    with pytest.raises(OtherContent):
        take_in(act(at=LATER, id=same), codes=["HN-8"])


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"codes": ()}, "everything"),
        ({"everything": True}, "everything"),
        ({"codes": (), "first": "L1"}, "code_to"),
        ({"codes": (), "everything": True, "supplier": None}, "supplier"),
        ({"codes": (), "first": "L1", "last": "L2", "supplier": None}, "supplier"),
        ({"received": (date(2026, 3, 2), date(2026, 3, 1))}, "received_to"),
        ({"said": "  "}, "said"),
        ({"came_at": LATER + HOUR}, "came_at"),
        ({"sender": ""}, "sender"),
    ],
)
def test_what_is_unclear_is_asked_back(take_in: Any, values: dict[str, Any], field: str):
    with pytest.raises(Unusable) as refusal:
        take_in(**values)
    assert refusal.value.reasons[0].field == field
    assert not NoticeArrived.objects.exists()


# -- the recall that follows ------------------------------------------------------------------------------


@pytest.fixture
def recall(act: Any, lead: Person, proof: Any) -> Callable[..., Any]:
    def do(notice: NoticeArrived, who: Person | None = None, **values: Any) -> Any:
        return arriving.recall(
            act=act(who or lead, at=LATER, **values),
            proof=proof,
            notice=notice,
            hazard="microbiological",
            because="Salmonella at the mill.",
            determined_at=NOON,
            strategy=LEVEL_A,
        )

    return do


def test_a_recall_begins_with_the_lots_that_were_found(take_in: Any, seventh: Lot, receive: Any, recall: Any):
    notice = take_in()
    late = receive(supplier_code="HN-7")
    made = recall(notice)
    assert made.deviation == arriving.case_of(notice)
    assert set(RecallScope.objects.get(recall=made).starts) == {str(seventh.uid), str(late.uid)}


def test_a_recall_of_a_notice_follows_what_it_names_over_equipment_at_once(
    take_in: Any, seventh: Lot, batch: Batch, begin: Any, use: Any, make_lot: Any, kettle: Any, lead_api: Any
):
    use(seventh, batch)
    plain = begin(at=NOON - HOUR)
    for stays, since in ((batch, NOON - 4 * HOUR), (plain, NOON - HOUR)):
        Occupation.objects.create(batch=stays, equipment=kettle, since=since, until=since + HOUR)
    beside, notice, same = make_lot(plain), take_in(), uuid7()
    said = {
        "performed_at": LATER.isoformat(), "id": str(same), "hazard": "microbiological", "because": "Salmonella.",
        "determined_at": NOON.isoformat(), "password": PASSWORD, "carried_over": {"microbiological": True},
        "strategy": {"depth": "retail", "level": "A", "because": "It may be severe."},
    }  # fmt: skip
    where, other = f"notices-arrived/{notice.pk}/recalls", {"carried_over": {"foreign_bodies": True}}
    assert lead_api.send(where, said).status_code == 201
    assert status(beside) == LotStatus.HELD
    assert [lead_api.send(where, body).status_code for body in (said, said | other)] == [200, 409]


def test_decided_again_with_the_same_id_it_is_one_recall(take_in: Any, seventh: Lot, recall: Any):
    notice, same = take_in(), uuid7()
    recall(notice, id=same)
    assert recall(notice, id=same).repeated
    assert RecallScope.objects.count() == 1


def test_where_nothing_was_found_nothing_is_recalled(take_in: Any, recall: Any):
    with pytest.raises(RuleBroken, match="nothing to recall"):
        recall(take_in())


def test_only_a_lead_recalls(take_in: Any, seventh: Lot, recall: Any, operator: Person):
    with pytest.raises(NotAllowed):
        recall(take_in(), operator)


def test_a_notice_is_a_record_that_a_scan_can_hang_on(take_in: Any):
    assert Entry.objects.get(pk=take_in().pk).kind == "haccp.notice-arrived"


def test_finding_costs_the_same_for_one_lot_as_for_many(
    take_in: Any, receive: Any, sugar: Material, django_assert_num_queries: Any
):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def cost(code: str) -> int:
        with CaptureQueriesContext(connection) as asked:
            take_in(codes=[code])
        return len(asked)

    take_in(codes=["none"])  # what is asked once a process
    receive(supplier_code="A")
    for _ in range(6):
        receive(supplier_code="B")
    assert cost("A") == cost("B")
