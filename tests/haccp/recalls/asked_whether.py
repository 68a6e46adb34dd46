"""A case that holds what was shipped, and a lead who decides on it, where a test needs a row of each kind."""

from batches import receiving, shipping
from batches.models import Material, TradingPartner
from haccp.models import RecallQuestion, RecallVerdict
from haccp.recalls import questions
from ledger.acts import Act
from ledger.signatures import Proof


def ship_unreleased_and_decide(act: Act) -> RecallVerdict:
    partners = TradingPartner.objects.filter(establishment=act.establishment)
    lot = receiving.receive(
        act=act,
        material=Material.objects.filter(establishment=act.establishment, dimension="mass")[0],
        supplier=partners.filter(is_supplier=True)[0],
        supplier_code="Whether",
        quantity="2",
        unit="KGM",
    ).lot
    customer = partners.filter(is_customer=True)[0]
    shipping.ship(act=act, lot=lot, customer=customer, quantity="1", unit="KGM", already_happened=True)
    question = RecallQuestion.objects.get(lots__lot=lot)
    return questions.decide(
        act=act, proof=Proof(act.performed_by), question=question, because="It came back unopened."
    )
