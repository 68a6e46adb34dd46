"""What identifies a lot in a code on a label: GS1 fields where the house may give them, else an address of its own.

A GS1 number is never made up. Fields are given to lots that were made here under a GTIN of the house's own prefix; a
received lot bears its maker's identification, not one of ours with their product number.
"""

from collections.abc import Iterable

from batches import own_addresses
from batches.models import Lot
from batches.scanning import elements, links
from batches.scanning.elements import Element
from config.api.refusals import Reason, RuleBroken
from ledger.gs1_keys import is_under

LONGEST_GS1_128 = 48
"""Characters of one GS1-128, identifiers and separators counted (GS1 General Specifications; two libraries stop there)."""


def own(lot: Lot) -> str:
    """The lot's own address; its bare code where PUBLIC_URL is of this machine alone, since the link would be dead."""
    return own_addresses.of_lot(lot) if own_addresses.answer() else lot.code


def best(lot: Lot) -> str:
    """What a QR code on any tag of the lot holds: GS1 Digital Link where it may, else ``own``."""
    if not own_addresses.answer() or any(_against(lot)):
        return own(lot)
    return link(lot)


def link(lot: Lot, *, made_on: bool = False) -> str:
    """The lot as GS1 Digital Link below the house's own address, which answers. Raises RuleBroken."""
    found = fields(lot, made_on=made_on)
    if not own_addresses.answer():
        raise RuleBroken(
            "PUBLIC_URL is an address of this machine alone, so the link would be dead for everybody else. Set it to "
            "the address under which people reach the service, and keep that for as long as labels are out.",
            code="no-own-address",
            field="carrier",
        )
    return links.write(found, base=own_addresses.below(lot.establishment))


def fields(lot: Lot, *, made_on: bool = False) -> tuple[Element, ...]:
    """GTIN, best before and lot, and the day it was made if asked. Raises RuleBroken with every reason against it."""
    reasons = list(_against(lot))
    if reasons:
        raise RuleBroken(
            f"Lot {lot.code} bears no GS1 label: {' '.join(each.detail for each in reasons)} A plain QR code with its "
            "own address can be had.",
            code="no-gs1-label",
            reasons=reasons,
        )
    said = [("01", lot.material.gtin), ("10", lot.code)]
    said += [("15", f"{lot.state.best_before:%y%m%d}")] if lot.state.best_before else []
    said += [("11", f"{lot.day:%y%m%d}")] if made_on else []
    return elements.write(said)


def _against(lot: Lot) -> Iterable[Reason]:
    here, material = lot.establishment, lot.material
    if not here.gs1_prefixes:
        yield Reason("no-gs1-prefix", "The house has no GS1 company prefix.", "carrier")
    if not material.gtin:
        yield Reason("no-gtin", f"{material.name} has no GTIN.", "carrier", [str(material.pk)])
    elif here.gs1_prefixes and not is_under(material.gtin, here.gs1_prefixes):
        sentence = f"GTIN {material.gtin} is not of a prefix of the house."
        yield Reason("gtin-not-ours", sentence, "carrier", [str(material.pk)])
    if lot.batch_id is None:
        yield Reason("not-made-here", "It was received, so its maker's barcode identifies it.", "carrier")
    if lot.is_rework:
        yield Reason("is-rework", "It is rework, which is no product.", "carrier")
    if lot.state.withdrawn:
        yield Reason("withdrawn", "It was withdrawn: it never was.", "carrier")
    if _reads_as_another_day(lot):
        sentence = f"Two digits of a year cannot say {lot.state.best_before}."
        yield Reason("date-out-of-range", sentence, "carrier")


def _reads_as_another_day(lot: Lot) -> bool:
    """A barcode keeps two digits of the year, which are read as 49 years back to 50 ahead (GS1 Syntax Dictionary, read)."""
    day = lot.state.best_before
    if day is None:
        return False
    return elements.write([("15", f"{day:%y%m%d}")])[0].day != day


def for_gs1_128(found: Iterable[Element]) -> str:
    """The text of a GS1-128. Raises RuleBroken where it does not fit into one."""
    text = elements.plain(found)
    if len(text) > LONGEST_GS1_128:
        raise RuleBroken(
            f"A GS1-128 holds {LONGEST_GS1_128} characters, and this would be {len(text)}. Leave the day it was made "
            "out, or take GS1 DataMatrix.",
            code="too-long-for-gs1-128",
            field="carrier",
        )
    return text
