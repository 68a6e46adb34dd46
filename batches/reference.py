"""Areas, places, equipment, materials and partners: made and changed with a record of before and after.

Nothing is removed: what is no longer wanted is marked ``in_use=False``, since lots and batches lean on it.
"""

from typing import Any, TypeVar

from django.db import models

from batches import identifiers
from batches.locks import lock_material
from batches.models import (
    Area,
    Dimension,
    Equipment,
    Material,
    Movement,
    Outlet,
    RecipeLine,
    StoragePlace,
    TradingPartner,
)
from batches.models.places import Reference
from batches.signals import places_mixed
from batches.texts import one_line
from config.api.refusals import RuleBroken, Unknown, Unusable
from ledger import changes, gs1_keys
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Change, Establishment

Row = TypeVar("Row", bound=Reference)
KINDS: dict[str, type[Reference]] = {
    "areas": Area,
    "storage-places": StoragePlace,
    "equipment": Equipment,
    "materials": Material,
    "partners": TradingPartner,
}
"""How each kind is named in an address."""
PARTS = ("is_supplier", "is_customer", "is_carrier", "is_laboratory")


@deed
def make(*, act: Act, kind: type[Row], values: dict[str, Any]) -> Row:
    """Add a row of reference data; asked twice with the same ``act`` it answers the same row.

    Raises Unusable, Unknown for a reference to another establishment's row, RuleBroken where the code is taken.
    """
    checked = checked_values(kind, act.establishment, values)
    row = kind(establishment=act.establishment, **checked)
    if act.id is not None:
        row.pk = act.id
    _refuse_partner_without_part(row)
    refuse_taken_code(row)
    return changes.make(act=act, row=row)


@deed
def alter(*, act: Act, row: Row, values: dict[str, Any], expected_version: int | None = None) -> Row:
    """Change a row; what a lot or batch already says of it stays. Raises Unusable, RuleBroken, ChangedMeanwhile."""
    checked = checked_values(type(row), act.establishment, values)
    was_refilled = isinstance(row, StoragePlace) and "refilled" in checked and _is_refilled(row)
    if was_refilled and not checked["refilled"]:
        _refuse_to_forget(act, row)
    if isinstance(row, TradingPartner) and checked.get("outlet", row.outlet) != row.outlet:
        _refuse_other_buyers(act, row, checked["outlet"])
    if isinstance(row, Material) and "dimension" in checked:
        lock_material(act.establishment)
        _refuse_other_dimension(row, checked["dimension"])
    for name, value in checked.items():
        setattr(row, name, value)
    _refuse_partner_without_part(row)
    refuse_taken_code(row)
    altered = changes.alter(act=act, row=row, values=checked, expected_version=expected_version)
    if isinstance(altered, StoragePlace) and checked.get("refilled") and not was_refilled:
        because = Change.objects.filter(subject_id=altered.pk).latest("recorded_at", "id")
        places_mixed.send(sender=StoragePlace, place=altered, because=because, act=act)
    return altered


def _is_refilled(place: StoragePlace) -> bool:
    """As it stands, under the lock of all that follows from it."""
    lock_material(place.establishment)
    return StoragePlace.objects.filter(pk=place.pk, refilled=True).exists()


def _refuse_to_forget(act: Act, place: Reference) -> None:
    """Without the mark nothing that lay in a place counts as mixed: that is for one that was wrong from the start."""
    if act.note.strip() or not Movement.objects.filter(to_place=place.pk).exists():
        return
    raise RuleBroken(
        f"Lots lay in {place} while it was topped up, and would count as never mixed. If it is emptied from now on, "
        "record each time that it was found empty and clean. If it never was topped up, say so in the note. Nothing was "
        "written.",
        code="was-refilled",
        field="refilled",
    )


def _refuse_other_buyers(act: Act, partner: TradingPartner, outlet: str) -> None:
    """A recall asks today who got what then: goods that went to a shop with a name did not go to buyers without one."""
    lock_material(act.establishment)
    if not Movement.objects.filter(partner=partner.pk).exists():
        return
    if Outlet.WEB in (partner.outlet, outlet):
        raise RuleBroken(
            f"Goods went to {partner.name}; web orders have an outlet of their own. Make a new one, and mark this one as no "
            "longer in use.",
            code="goods-went-there",
            field="outlet",
        )
    if not act.note.strip():
        raise RuleBroken(
            f"Goods went to {partner.name}, and a recall would reach other people than it did. If it was wrong from the "
            "start, say so in the note; else make a new partner. Nothing was written.",
            code="goods-went-there",
            field="outlet",
        )


def checked_values(
    kind: type[Reference], establishment: Establishment, values: dict[str, Any]
) -> dict[str, Any]:
    """Words, keys with a check digit, patterns and references, as they will be kept. Raises Unusable, Unknown."""
    checked = dict(values)
    for name in {"code", "name", "kind"} & set(checked):
        one_line(checked[name], field=name, longest=_longest(kind, name))
    if checked.get("gtin"):
        checked["gtin"] = gs1_keys.refuse_restricted(gs1_keys.check_gtin(checked["gtin"]))
    if checked.get("gln"):
        checked["gln"] = gs1_keys.check_gln(checked["gln"])
    pattern = checked.get("lot_code_pattern")
    if pattern and (wrong := identifiers.validate_pattern(pattern)):
        raise Unusable(" ".join(wrong), code="lot-code-pattern", field="lot_code_pattern")
    if "short_name" in checked and not identifiers.is_plain_code(checked["short_name"]):
        raise Unusable(
            "A short name is 1 to 6 of A-Z and 0-9: it begins every lot code.",
            code="short-name",
            field="short_name",
        )
    for name in ("area", "material"):
        other = checked.get(name)
        if other is not None and other.establishment_id != establishment.pk:
            raise Unknown(f"There is no {name} {other.pk} here.", field=name)
    return checked


def _longest(kind: type[Reference], name: str) -> int:
    field: models.Field[Any, Any] = kind._meta.get_field(name)  # type: ignore[assignment]
    return field.max_length or 0


def refuse_taken_code(row: Reference) -> None:
    """Raises RuleBroken ``code-taken``. The database keeps the same rule; this says which row it is."""
    others = type(row)._default_manager.filter(establishment=row.establishment_id, code=row.code)
    other = others.exclude(pk=row.pk).first()
    if other is not None:
        raise RuleBroken(
            f"The code {row.code} is taken by {other.name} ({other.pk}). Nothing was written.",
            code="code-taken",
            field="code",
        )


def _refuse_partner_without_part(row: Reference) -> None:
    if isinstance(row, TradingPartner) and not any(getattr(row, part) for part in PARTS):
        raise Unusable(
            f"Say what the partner is to you: one or more of {', '.join(PARTS)}.",
            code="partner-has-a-part",
            field=PARTS[0],
        )
    if isinstance(row, TradingPartner) and row.outlet and not row.is_customer:
        raise Unusable(
            "An outlet is a customer: goods go there as shipped.", code="outlet-is-a-customer", field="outlet"
        )


def _refuse_other_dimension(row: Material, wanted: str) -> None:
    """Lots and recipe lines are kept in the dimension their material had; it stays once there is one."""
    if wanted == row.dimension:
        return
    if row.lots.exists() or row.recipes.exists() or RecipeLine.objects.filter(material=row).exists():
        raise RuleBroken(
            f"{row.name} has lots or recipes by {Dimension(row.dimension).label}; make a new material instead.",
            code="has-lots",
            field="dimension",
        )
