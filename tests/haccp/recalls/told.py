"""Recalls from the decision to the end, where a test needs a row of each kind."""

from datetime import timedelta

from batches.models import Lot, TradingPartner
from haccp.models import Recall
from haccp.recalls import answering, deciding, noticing, scoping
from haccp.recalls.deciding import Strategy
from ledger.acts import Act
from ledger.signatures import Proof


def tell_of_one(act: Act) -> None:
    """A real one: decided, frozen from a lot, then all that follows."""
    lot = Lot.objects.filter(establishment=act.establishment).latest("id")
    recall = deciding.decide(
        act=act,
        proof=Proof(act.performed_by),
        hazard="foreign-body",
        because="A screw is missing from the cutter.",
        determined_at=act.performed.at - timedelta(minutes=1),
        strategy=Strategy(depth="retail", level="A", because="All buyers are known."),
    )
    scoping.freeze(act=act, recall=recall, starts=[lot.uid])
    public = noticing.tell(act=act, recall=recall, means="public", why="A screw may be in it.")
    noticing.publish(act=act, recall=recall, notice=public, where="Board at the market")
    go_on(act, recall, lot)


def go_on(act: Act, recall: Recall, lot: Lot) -> None:
    """A lot of its scope is let go, a partner told by mail, who answers; it ends."""
    proof = Proof(act.performed_by)
    shop = TradingPartner.objects.filter(establishment=act.establishment, is_customer=True, outlet="")[0]
    scoping.leave_out(
        act=act, proof=proof, recall=recall, lot=lot, because="It went over the detector again."
    )
    noticing.tell(
        act=act, recall=recall, partner=shop, means="e-mail", why="A screw.", to="shop@shop.example"
    )
    said = {"lot": lot, "unit": "H87" if lot.material.dimension == "count" else "KGM", "on_hand": "0"}
    answering.answer(act=act, recall=recall, partner=shop, means="phone", lots=[said])
    deciding.end(act=act, proof=proof, recall=recall, because="Nothing left.")
