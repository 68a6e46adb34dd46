"""One recall from its decision to its end, where a test needs a row of each kind."""

from datetime import timedelta

from batches.models import Lot, TradingPartner
from haccp.recalls import answering, deciding, noticing, scoping
from haccp.recalls.deciding import Strategy
from ledger.acts import Act
from ledger.signatures import Proof


def tell_of_one(act: Act) -> None:
    """Decided, frozen from a lot, which is let go, a partner told by mail who answered, ended."""
    proof, lot = Proof(act.performed_by), Lot.objects.filter(establishment=act.establishment).latest("id")
    shop = TradingPartner.objects.filter(establishment=act.establishment, is_customer=True)[0]
    recall = deciding.decide(
        act=act,
        proof=proof,
        hazard="foreign-body",
        because="A screw is missing from the cutter.",
        determined_at=act.performed.at - timedelta(minutes=1),
        strategy=Strategy(depth="retail", level="A", because="All buyers are known."),
    )
    scoping.freeze(act=act, recall=recall, starts=[lot.uid])
    scoping.leave_out(
        act=act, proof=proof, recall=recall, lot=lot, because="It went over the detector again."
    )
    noticing.tell(act=act, recall=recall, partner=shop, means="e-mail", to="shop@shop.example")
    said = {"lot": lot, "unit": "H87" if lot.material.dimension == "count" else "KGM", "on_hand": "0"}
    answering.answer(act=act, recall=recall, partner=shop, means="phone", lots=[said])
    deciding.end(act=act, proof=proof, recall=recall, because="Nothing left.")
