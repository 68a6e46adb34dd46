"""What partners answer, and where a recall stands, now and at an earlier time."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from batches import shipping
from batches.models import Lot, TradingPartner
from config.api.refusals import NotAllowed, RuleBroken, Unusable
from haccp.models import Recall, RecallMail
from haccp.recalls import answering, deciding, noticing, scoping
from haccp.recalls.status import status
from ledger.models import Establishment, Person
from ledger.signatures import Proof
from tests.conftest import NOON, PASSWORD, Client
from tests.haccp.conftest import HOUR
from tests.haccp.recalls.conftest import LATER, LEVEL_A

pytestmark = pytest.mark.django_db

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
