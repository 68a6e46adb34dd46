"""A house with nuts, sweets made of them and two shops; and the deeds of a recall with what they usually say."""

from collections.abc import Callable
from typing import Any

import pytest

from batches import shipping, web_orders
from batches.carry_over import Hazard
from batches.models import Batch, Lot, TradingPartner, WebOrder
from batches.web_orders import Contact
from haccp import deviations
from haccp.models import Recall, RecallScope
from haccp.recalls import answering, arriving, deciding, noticing, scoping
from haccp.recalls.arriving import Goods
from haccp.recalls.deciding import Strategy
from ledger.models import Establishment, Person
from ledger.signatures import Proof
from tests.conftest import NOON
from tests.haccp.conftest import HOUR

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
    def do(recall: Recall, *lots: Lot, hazard: Hazard | None = None, **values: Any) -> RecallScope:
        said = act(lead, at=LATER, **values)
        return scoping.freeze(act=said, recall=recall, starts=[lot.uid for lot in lots], hazard=hazard)

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


@pytest.fixture
def take_in(act: Any, supplier: TradingPartner) -> Callable[..., Any]:
    """The supplier of the nuts telephones at noon: their lot HN-7 is recalled."""

    def do(said_act: Any = None, **values: Any) -> Any:
        goods = {"supplier": supplier, "codes": ["HN-7"]}
        goods |= {name: values.pop(name) for name in tuple(values) if name in Goods.__dataclass_fields__}
        usual = {"said": "We recall HN-7: Salmonella was found.", "came_by": "phone", "came_at": NOON}
        sender = {} if "sender" in values else {"partner": supplier}
        return arriving.take_in(
            act=said_act or act(at=LATER), goods=Goods(**goods), **(usual | sender | values)
        )

    return do


def held(notice: Any) -> set[str]:
    """Codes of the lots that the case of a notice holds."""
    case = arriving.case_of(notice)
    uids = [] if case is None else deviations.held_under(case)
    return set(Lot.objects.filter(uid__in=uids).values_list("code", flat=True))


@pytest.fixture
def stall(establishment: Establishment) -> TradingPartner:
    return TradingPartner.objects.create(
        establishment=establishment, code="STALL", name="Market stall", is_customer=True, outlet="stall"
    )


@pytest.fixture
def web(establishment: Establishment) -> TradingPartner:
    return TradingPartner.objects.create(
        establishment=establishment, code="WEB", name="Web orders", is_customer=True, outlet="web"
    )


@pytest.fixture
def order(act: Any, web: TradingPartner) -> Callable[..., WebOrder]:
    """One buyer got half a kilogram of a lot."""

    def do(lot: Lot, number: str = "W-1", quantity: str = "0.5") -> WebOrder:
        return web_orders.send(
            act=act(at=LATER),
            outlet=web,
            number=number,
            lines=[{"lot": lot, "quantity": quantity, "unit": "KGM"}],
            buyer=Contact(f"Buyer of {number}", email=f"{number.lower()}@buyers.example"),
            already_happened=True,
        )

    return do
