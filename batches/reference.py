"""Areas, places, equipment, materials and partners: made and changed with a record of before and after."""

from typing import Any, TypeVar

from batches import identifiers
from batches.models import Area, Dimension, Equipment, Material, StoragePlace, TradingPartner
from batches.models.places import Reference
from config.api.refusals import RuleBroken, Unusable
from ledger import changes
from ledger.acts import Act
from ledger.deeds import deed

Row = TypeVar("Row", bound=Reference)
KINDS: dict[str, type[Reference]] = {
    "areas": Area,
    "storage-places": StoragePlace,
    "equipment": Equipment,
    "materials": Material,
    "partners": TradingPartner,
}
"""How each kind is named in an address."""


@deed
def make(*, act: Act, kind: type[Row], values: dict[str, Any]) -> Row:
    """Add a row of reference data. Raises Unusable, RuleBroken where the code is taken."""
    row = kind(establishment=act.establishment, **_checked(kind, values))
    _refuse_taken_code(row)
    return changes.make(act=act, row=row)


@deed
def alter(*, act: Act, row: Row, values: dict[str, Any], expected_version: int | None = None) -> Row:
    """Change a row; what a lot or batch already says of it stays. Raises Unusable, ChangedMeanwhile."""
    checked = _checked(type(row), values)
    if isinstance(row, Material):
        _refuse_other_dimension(row, checked)
    for name, value in checked.items():
        setattr(row, name, value)
    _refuse_taken_code(row)
    return changes.alter(act=act, row=row, values=checked, expected_version=expected_version)


def _checked(kind: type[Reference], values: dict[str, Any]) -> dict[str, Any]:
    """Keys with a check digit and patterns, as they will be kept."""
    checked = dict(values)
    if checked.get("gtin"):
        checked["gtin"] = identifiers.check_gtin(checked["gtin"])
    if checked.get("gln"):
        checked["gln"] = identifiers.check_gln(checked["gln"])
    pattern = checked.get("lot_code_pattern")
    if pattern and (wrong := identifiers.validate_pattern(pattern)):
        raise Unusable(" ".join(wrong), field="lot_code_pattern")
    if "short_name" in checked and not identifiers.is_plain_code(checked["short_name"]):
        raise Unusable("A short name is 1 to 6 of A-Z and 0-9: it begins every lot code.", field="short_name")
    return checked


def _refuse_taken_code(row: Reference) -> None:
    taken = type(row)._default_manager.filter(establishment=row.establishment, code=row.code)
    if taken.exclude(pk=row.pk).exists():
        raise RuleBroken(
            f"The code {row.code} is taken by another {row._meta.verbose_name}. Nothing was written.",
            code="code-taken",
            field="code",
        )


def _refuse_other_dimension(row: Material, values: dict[str, Any]) -> None:
    """Lots are counted in the dimension their material had; it stays once there is one."""
    wanted = values.get("dimension", row.dimension)
    if wanted != row.dimension and row.lots.exists():
        raise RuleBroken(
            f"{row.name} has lots by {Dimension(row.dimension).label}; make a new material instead.",
            code="has-lots",
            field="dimension",
        )
