"""Limits on what is left behind: allergen residue against an action level, and things counted out and in again."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from batches.quantities import Dimension
from haccp.limit_kinds.plain import bounds_to_json
from haccp.limit_kinds.said import Said


@dataclass(frozen=True)
class ResidueLimit:
    """Residue of an allergen against an action level, as a share of the food (mg/kg: 59, parts per million of the mass).

    A reading may be of the food itself, or a swab: a mass on ``swab_square_cm`` wiped, carried by ``contact_square_cm``
    of surface into ``first_product_kg``, the first food off the line and never the whole batch. ``protein_of``: what
    the value counts (protein of which food), since a level in protein and one in the whole food differ.
    """

    quantity: str
    unit: str
    upper: Decimal
    allergen: str
    protein_of: str
    swab_square_cm: Decimal | None = None
    contact_square_cm: Decimal | None = None
    first_product_kg: Decimal | None = None
    upper_inclusive: bool = True
    lower: None = field(default=None, init=False)
    lower_inclusive: bool = field(default=True, init=False)

    @property
    def subject(self) -> str:
        return self.quantity

    def to_json(self) -> dict[str, Any]:
        made: dict[str, Any] = {"kind": "residue"}
        for name in ("quantity", "unit", "allergen", "protein_of"):
            made[name] = getattr(self, name)
        for name in SWAB:
            value = getattr(self, name)
            if value is not None:
                made[name] = format(value, "f")
        return made | bounds_to_json(self)


@dataclass(frozen=True)
class CountLimit:
    """Things counted out and in again (blades, test pieces, tools): as many in as out."""

    quantity: str

    def to_json(self) -> dict[str, Any]:
        return {"kind": "count", "quantity": self.quantity}


SWAB = ("swab_square_cm", "contact_square_cm", "first_product_kg")


def read_residue(part: Mapping[str, Any]) -> ResidueLimit:
    said = Said(part)
    swab = {name: said.number(name) for name in SWAB}
    for name, value in swab.items():
        if value is not None and value <= 0:
            said.refuse("not-positive", f"This must be above 0, it is {value}.", name)
    if any(said.part.get(name) for name in SWAB) and not all(said.part.get(name) for name in SWAB):
        sentence = "A swab needs all of: area wiped, area of contact, mass of the first food off the line."
        said.refuse("missing", sentence, next(name for name in SWAB if not said.part.get(name)))
    limit = ResidueLimit(
        quantity=said.text("quantity", "Say what is measured."),
        unit=said.unit("unit", Dimension.FRACTION),
        upper=said.needed("upper", "Give the action level.", positive=True),
        allergen=said.text("allergen", "Name the allergen."),
        protein_of=said.text("protein_of", "Say what the value counts, e.g. protein of milk."),
        upper_inclusive=said.yes_or_no("upper_inclusive", usual=True),
        swab_square_cm=swab["swab_square_cm"],
        contact_square_cm=swab["contact_square_cm"],
        first_product_kg=swab["first_product_kg"],
    )
    said.done()
    return limit


def read_count(part: Mapping[str, Any]) -> CountLimit:
    said = Said(part)
    limit = CountLimit(said.text("quantity", "Say what is counted."))
    said.done()
    return limit
