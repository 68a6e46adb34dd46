"""Who is told, and what they read."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail

from batches.models import Lot
from config.api.refusals import RuleBroken, Unusable
from haccp.models import Recall, RecallMail
from haccp.recalls import noticing
from ledger.models import Establishment
from tests.haccp.recalls.conftest import LEVEL_A

pytestmark = pytest.mark.django_db


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


@pytest.mark.parametrize(
    ("language", "sentence"), [("en", "tell those who have it the same"), ("es", "avíseles de lo mismo")]
)
def test_the_notice_asks_to_pass_it_on(
    decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any, language: str, sentence: str
):
    """21 CFR 7.49(a)(3), (d) (from memory): who passed it on tells their customers."""
    recall = decide()
    freeze(recall, nuts)
    assert sentence in tell(recall, shop, language=language).text


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
