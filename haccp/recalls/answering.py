"""What those who were told answer. It is recorded from whomever it comes, and what does not fit is flagged."""

from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from typing import Any

from batches import quantities
from batches.models import Lot, TradingPartner, WebOrder
from batches.movements import read_amount
from config.api.refusals import Unknown, Unusable
from haccp.models import Recall, RecallAnswer, RecallScope
from haccp.recalls.consignees import UNITS, receiver_of, text, who_got
from haccp.recalls.deciding import refuse_foreign
from haccp.recalls.scoping import in_scope, latest
from ledger.acts import Act
from ledger.deeds import deed

AMOUNTS = ("received", "on_hand", "sold", "returned", "destroyed")
WENT = AMOUNTS[1:]


class Odd(StrEnum):
    NOT_A_CONSIGNEE = "not-a-consignee"
    NOT_IN_SCOPE = "not-in-scope"
    MORE_THAN_SHIPPED = "more-than-shipped"
    DOES_NOT_ADD_UP = "does-not-add-up"


SENTENCES = {
    Odd.NOT_A_CONSIGNEE: "By our records nothing of the scope was shipped to them: find out who passed it on.",
    Odd.NOT_IN_SCOPE: "They name a lot that is not in the scope: look whether it belongs there.",
    Odd.MORE_THAN_SHIPPED: "They received more than our records say was shipped to them.",
    Odd.DOES_NOT_ADD_UP: "What they have, sold, sent back and destroyed is not what they received.",
}


@deed
def answer(
    *,
    act: Act,
    recall: Recall,
    partner: TradingPartner | None = None,
    order: WebOrder | None = None,
    means: str,
    lots: Sequence[Mapping[str, Any]],
    passed_on: bool | None = None,
) -> RecallAnswer:
    """Record what a partner, or the buyer of a web order, says of each lot; also after the end, and from whom nobody asked.
    Raises Unusable, Unknown.

    ``lots``: each {"lot": Lot, "unit", and as text any of "received", "on_hand", "sold", "returned", "destroyed"}.
    """
    record = RecallAnswer.new(
        act,
        recall=recall,
        partner=partner,
        order=order,
        means=means,
        lots=[_said(each) for each in lots],
        passed_on=passed_on,
    )
    for field, row in (("partner", partner), ("order", order), *(("lot", each["lot"]) for each in lots)):
        if row is not None and row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no such {field} here.", field=field)
    refuse_foreign(act, recall)
    record.answer_if_repeated()
    if (partner is None) == (order is None):
        raise Unusable("Name the partner, or the web order of the buyer.", code="missing", field="partner")
    _refuse_twice(record)
    corrected: Any = record.corrects
    if corrected is not None and corrected.recall_id != recall.pk:
        raise Unknown(f"{recall.code} has no answer {corrected.pk}.", field="corrects")
    record.flags = sorted(_odd(latest(recall), record))
    return record.insert()


def _refuse_twice(record: RecallAnswer) -> None:
    named = [each["lot"] for each in record.lots]
    for place, lot in enumerate(named):
        if lot in named[:place]:
            raise Unusable("This lot stands twice in one answer.", code="doubled", field=f"lots.{place}.lot")


def _said(each: Mapping[str, Any]) -> dict[str, str]:
    """Amounts in the base unit of the scope (kilograms or pieces), as text; the digits as they were said."""
    lot: Lot = each["lot"]
    given = {name: each[name] for name in AMOUNTS if each.get(name) is not None}
    if not given:
        raise Unusable("Say at least one amount, 0 too.", code="missing", field="lots")
    dimension = lot.material.dimension
    amounts = {name: text(_base(lot, said, each["unit"], name), dimension) for name, said in given.items()}
    return {"lot": str(lot.uid), "code": lot.code, "unit": UNITS[dimension][0], **amounts}


def _base(lot: Lot, said: str, unit: str, name: str) -> int:
    try:
        return read_amount(lot.material, said, unit, positive=False).base
    except Unusable as refusal:
        raise Unusable(f"{name}: {refusal.detail}", code=refusal.code, field=f"lots.{name}") from refusal


def _odd(scope: RecallScope | None, record: RecallAnswer) -> set[str]:
    here = set() if scope is None else {each["lot"] for each in in_scope(scope)}
    asked = (record.partner_id, record.order_id)
    found_got = (each for each in who_got(record.establishment, here) if receiver_of(each) == asked)
    got = {str(each.lot): each.shipped for received in found_got for each in received.got}
    found = set() if got else {Odd.NOT_A_CONSIGNEE.value}
    for each in record.lots:
        shipped = got.get(each["lot"], 0) if got else None
        found |= set(_odd_lot(each, shipped, each["lot"] in here))
    return found


def _odd_lot(said: Mapping[str, str], shipped: int | None, in_it: bool) -> Iterable[str]:
    """``shipped``: base steps of the lot that went to them, by the movements that stand; None to who got nothing at all."""
    went = [base(said, name) for name in WENT if name in said]
    if not in_it:
        yield Odd.NOT_IN_SCOPE.value
    elif shipped is not None and max(base(said, "received"), sum(went)) > shipped:
        yield Odd.MORE_THAN_SHIPPED.value
    if "received" in said and went and sum(went) != base(said, "received"):
        yield Odd.DOES_NOT_ADD_UP.value


def base(row: Mapping[str, Any], name: str) -> int:
    """An amount of a frozen row in base steps; 0 where it is not said."""
    return quantities.parse(row[name], row["unit"], positive=False).base if row.get(name) else 0
