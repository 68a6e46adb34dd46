"""Three products on one table, their hazard plan, local rules and instruments, for tests about what must hold."""

import itertools
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from batches.models import Material
from haccp import instruments, plans, rules
from haccp.models import Instrument, LocalRule, Plan, PlanVersion
from haccp.plan_documents import starter_plan
from ledger import signatures
from ledger.acts import Act
from ledger.models import Establishment, Person

TEAM = [{"person": "Ines Lead", "role": "food-safety lead", "competence": "course of 2025, own kitchen"}]
CONFIRMED = {"confirmed_by": "Ines Lead", "confirmed_on": "2026-03-02", "how": "walked it during a batch"}
PRODUCTS = {"HZP": "Layered hazelnut pillows", "SBC": "Salted butter caramels", "LMD": "Plain lemon drops"}
_numbers = itertools.count(1)


@pytest.fixture
def products(establishment: Establishment) -> dict[str, Material]:
    """What the plan covers, by code."""
    return {
        code: Material.objects.create(
            establishment=establishment, code=code, name=name, short_name=code, kind="finished-product"
        )
        for code, name in PRODUCTS.items()
    }


@pytest.fixture
def document() -> dict[str, Any]:
    """A plan without gaps; its control point CP-AW-2 wants the caramel's water activity at 0.65 or less."""
    return starter_plan("three_products_one_table") | {"team": TEAM, "flow_confirmation": CONFIRMED}


@pytest.fixture
def proof(lead: Person) -> signatures.Proof:
    """That the lead gave their password just now."""
    return signatures.Proof(lead)


@pytest.fixture
def plan(
    act: Callable[..., Act], lead: Person, products: dict[str, Material], document: dict[str, Any]
) -> Plan:
    """A draft that can be approved."""
    return plans.draft(act=act(lead), code="HP-1", name="Three products", document=document)


@pytest.fixture
def plan_version(act: Callable[..., Act], lead: Person, plan: Plan, proof: signatures.Proof) -> PlanVersion:
    return plans.approve(act=act(lead), plan=plan, proof=proof)


@pytest.fixture
def make_rule(act: Callable[..., Act], lead: Person) -> Callable[..., LocalRule]:
    """A rule that water activity is 0.62 or less, from 2026 on, not confirmed yet."""

    def make(**values: Any) -> LocalRule:
        usual = {
            "code": f"LR-{next(_numbers)}",
            "name": "Water activity",
            "quantity": "water activity",
            "unit": "C62",
            "upper": Decimal("0.62"),
            "authority": "Town food office",
            "citation": "Letter of 5 January 2026",
            "in_force_from": date(2026, 1, 1),
        }
        return rules.make(act=act(lead), values=usual | values)

    return make


@pytest.fixture
def confirmed_rule(
    act: Callable[..., Act], lead: Person, proof: signatures.Proof, make_rule: Callable[..., LocalRule]
) -> Callable[..., LocalRule]:
    """The same, confirmed by the lead."""

    def make(**values: Any) -> LocalRule:
        return rules.confirm(act=act(lead), rule=make_rule(**values), proof=proof)

    return make


@pytest.fixture
def make_instrument(act: Callable[..., Act], lead: Person) -> Callable[..., Instrument]:
    def make(**values: Any) -> Instrument:
        usual = {
            "code": f"I-{next(_numbers)}",
            "name": "Probe",
            "kind": "thermometer",
            "unit": "CEL",
            "range_lower": Decimal("-20"),
            "range_upper": Decimal("200"),
            "resolution": Decimal("0.1"),
            "expanded_uncertainty": Decimal("0.9"),
        }
        return instruments.make(act=act(lead), values=usual | values)

    return make


@pytest.fixture
def thermometer(make_instrument: Callable[..., Instrument]) -> Instrument:
    """A probe from -20 to 200 degrees Celsius, known to 0.9 (U, k = 2)."""
    return make_instrument()
