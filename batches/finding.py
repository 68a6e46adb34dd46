"""What a scanned text means in a house: every lot, product, partner or place that bears it, and by what it was found."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.db.models import Q, QuerySet

from batches import own_addresses
from batches.models import Batch, Lot, Material, TradingPartner
from batches.scanning.texts import Scanned
from ledger.gs1_keys import is_restricted
from ledger.models import Establishment

PLACES = ("410", "411", "412", "413", "414", "415", "416", "417")
"""Fields that hold a GLN (GS1 Syntax Dictionary, read)."""
MOST_NAMED = 100  # lots of one batch in a sentence (a site setting, no source)
MADE_ON, PACKED_ON, BEST_BEFORE, USE_BY = "11", "13", "15", "17"


@dataclass(frozen=True)
class Found:
    """``what`` bears the text, ``by`` what it was found; ``differs``: where the barcode says another thing than we know."""

    what: Lot | Material | TradingPartner | Establishment
    by: str
    differs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Findings:
    """``told``: what else is to be known of the text, in sentences."""

    found: tuple[Found, ...] = ()
    told: tuple[str, ...] = field(default=())


def find(here: Establishment, scanned: Scanned) -> Findings:
    """Everything in the house that the text may mean. Raises Unusable where it is a broken barcode and no code of ours."""
    if scanned.address and (named := own_addresses.read_lot(scanned.address)):
        return _of_own_address(here, named)
    if scanned.elements:
        return _of_fields(here, scanned)
    if scanned.address:
        return Findings(told=("This is a web address that names no lot and holds no GS1 number.",))
    found = (*_of_code(here, scanned.code), *_of_product(here, scanned.gtin))
    if not found and scanned.refused:
        raise scanned.refused
    batch = _of_batch(here, scanned.code)
    told = () if found else (batch or _unknown(scanned),)
    return Findings((*found, *_on_hand(here, found)), told)


SHOPS_OWN = "This product number means something within one shop or country only: ask whose label it is."


def _unknown(scanned: Scanned) -> str:
    if scanned.gtin and is_restricted(scanned.gtin):
        return SHOPS_OWN
    number = f", and no material the GTIN {scanned.gtin}" if scanned.gtin else ""
    return f"No lot here bears the code {scanned.code[:60]}{number}. If it is a delivery, record its receipt."


def _of_batch(here: Establishment, code: str) -> str:
    """A sheet at the stove bears the code of a batch, which is no delivery: the lots it made are what there is of it."""
    batch = Batch.objects.filter(establishment=here, code=code.upper()).first()
    if batch is None:
        return ""
    made = ", ".join(
        _lots(here)
        .filter(batch=batch, state__withdrawn=False)
        .order_by("id")
        .values_list("code", flat=True)[:MOST_NAMED]
    )
    return f"A batch bears the code {batch.code}. " + (
        f"It made the lots: {made}. Scan or type one of them." if made else "It made no lot yet."
    )


def _lots(here: Establishment) -> QuerySet[Lot]:
    rows = Lot.objects.filter(establishment=here)
    return rows.select_related("material", "state", "batch").order_by("-id")


def _of_own_address(here: Establishment, named: own_addresses.NamedLot) -> Findings:
    if named.establishment != here.pk:
        return Findings(told=("This is the address of a lot of another establishment.",))
    found = []
    for lot in _lots(here).filter(code=named.lot):
        other = lot.material.code != named.product
        differs = (f"The label names product {named.product}, which is {lot.material.code} now.",)
        found.append(Found(lot, "the lot's own address", differs if other else ()))
    gone = f"This address names lot {named.lot}, and there is no such lot here."
    return Findings(tuple(found), () if found else (gone,))


def _of_code(here: Establishment, code: str) -> Iterator[Found]:
    """Our codes are capitals, so that one typed small is the same; a supplier's is taken letter by letter."""
    for lot in _lots(here).filter(Q(code=code.upper()) | Q(state__supplier_code=code)):
        yield Found(lot, "our own lot code" if lot.code == code.upper() else "the supplier's lot code")


def _of_product(here: Establishment, gtin: str) -> Iterator[Found]:
    if gtin:
        for material in Material.objects.filter(establishment=here, gtin=gtin).order_by("code"):
            yield Found(material, "its GTIN")


def _on_hand(here: Establishment, found: Iterable[Found]) -> Iterator[Found]:
    """The lots there are of products that were found without a lot."""
    known = {each.what.pk for each in found if isinstance(each.what, Material)}
    if known:
        for lot in _lots(here).filter(material__in=known, state__on_hand__gt=0):
            yield Found(lot, "a lot of this product on hand")


def _of_fields(here: Establishment, scanned: Scanned) -> Findings:
    lot, gtin = scanned.value("10"), scanned.gtin
    products = list(_of_product(here, gtin))
    found = list(_of_lot(here, scanned, products)) if lot else []
    told = [_of_unknown(gtin, lot, products, found)] if gtin or lot else []
    if lot and not gtin:
        told.append("The barcode bears a lot without its product, which GS1 does not allow: mind what it is.")
    if not found:
        found = [*products, *_on_hand(here, products)]
    found += _of_places(here, {scanned.value(ai) for ai in PLACES})
    if scanned.value("00"):
        told.append("The number of a logistic unit (SSCC) is not kept here.")
    return Findings(tuple(found), tuple(filter(None, told)))


def _of_unknown(gtin: str, lot: str, products: list[Found], found: list[Found]) -> str:
    if gtin and is_restricted(gtin):
        return SHOPS_OWN
    if gtin and not products:
        return f"No material here bears GTIN {gtin}."
    if lot and not found:
        return f"No lot here bears the code {lot} of this product. If it is a delivery, record its receipt."
    return ""


def _of_lot(here: Establishment, scanned: Scanned, products: list[Found]) -> Iterator[Found]:
    """Of the product if we know it; else of any, since a GTIN may not have been noted yet."""
    code = scanned.value("10")
    known = [each.what for each in products if isinstance(each.what, Material)]
    rows: Any = _lots(here).filter(material__in=known) if known else _lots(here)
    of_product = "GTIN and " if known else ""
    for lot in rows.filter(Q(code=code, batch__isnull=False) | Q(state__supplier_code=code)):
        whose = "our own" if lot.code == code else "the supplier's"
        yield Found(lot, f"{of_product}{whose} lot code", _differs(scanned, lot))


def _differs(scanned: Scanned, lot: Lot) -> tuple[str, ...]:
    days = {each.ai: each.day for each in scanned.elements if each.day}
    ours: list[tuple[str, str, date | None]] = [
        (BEST_BEFORE, "best before", lot.state.best_before),
        (USE_BY, "use by", lot.state.best_before),
    ]
    if lot.batch_id:
        ours += [(MADE_ON, "made on", lot.day)]
    return tuple(
        f"The barcode says {word} {days[ai].isoformat()}, the records say {known.isoformat() if known else 'nothing'}."
        for ai, word, known in ours
        if ai in days and days[ai] != known
    )


def _of_places(here: Establishment, numbers: Iterable[str]) -> Iterator[Found]:
    said = {number for number in numbers if number}
    if here.gln in said:
        yield Found(here, "its GLN")
    if said:
        for partner in TradingPartner.objects.filter(establishment=here, gln__in=said).order_by("code"):
            yield Found(partner, "its GLN")
