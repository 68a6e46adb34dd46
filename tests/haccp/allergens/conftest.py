"""What a supplier states, in one line."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches.models import Material
from haccp.allergens import statements
from haccp.models import AllergenStatement
from ledger.acts import Act
from ledger.models import Person

REASONS = {"free-of": "assay 3/26", "exempt": "Glucose syrup; Reg. (EU) 1169/2011, Annex II, 1(a)"}

OIL_IN_BOTH = "Fully refined oil; Reg (EU) 1169/2011, Annex II, 6 (a); 21 USC 321(qq)(2)(A)"
"""Exempt by the lists of both markets that name soybeans (the rows of the lists, with their provenance)."""


def entry(allergen: str, says: str = "contains", **more: str) -> dict[str, str]:
    usual = {"because": REASONS[says]} if says in REASONS else {}
    return {"allergen": allergen, "says": says} | usual | more


@pytest.fixture
def state(act: Callable[..., Act], lead: Person) -> Callable[..., AllergenStatement]:
    """``state(material, "milk", "may-contain:almond", ...)`` from the first of January on."""

    def do(
        material: Material, *said: str | dict[str, str], said_act: Act | None = None, **values: Any
    ) -> AllergenStatement:
        entries = [
            each if isinstance(each, dict) else entry(*reversed(("contains:" + each).split(":")[-2:]))
            for each in said
        ]
        usual = {
            "says": entries,
            "document": "Sheet 12",
            "document_day": date(2026, 1, 1),
            "in_force_from": date(2026, 1, 1),
        }
        return statements.record(act=said_act or act(lead), material=material, **(usual | values))

    return do
