"""The columns of a sheet of movements. Pure, no Django.

What stands in it: the key data elements of 21 CFR 1.1340 (shipping), 1.1345 (receiving) and 1.1350 (transformation),
the first two read, the third from memory; who supplied and who was supplied as Regulation (EC) 178/2002 article 18 asks
(read in secondary texts). The quantity of each lot that was used is one of them; recipes and prices are not.
"""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple


class Column(NamedTuple):
    """``typed``: a person typed it, so that it may begin as a formula does. ``amount``: a number to reckon with."""

    name: str
    meaning: str
    typed: bool = False
    amount: bool = False


COLUMNS = (
    Column("event_id", "The movement's id; the EPCIS event bears the same."),
    Column(
        "event", "received, used, made, moved, shipped, returned, sent-back, counted, sampled or destroyed."
    ),
    Column("date", "On the clock of the place."),
    Column("time", "The same with time and offset from UTC (RFC 3339)."),
    Column("time_utc", "The same in UTC, which sorts as text."),
    Column("lot", "Traceability lot code: as it stands on the label.", typed=True),
    Column("product_code", "The house's own code for the material or product.", typed=True),
    Column("product", "What it is.", typed=True),
    Column("gtin", "Its GTIN, where it has one."),
    Column("quantity", "How much, in kilograms or pieces; of a count what was found.", amount=True),
    Column("unit", "KGM or H87 (UN/ECE Recommendation 20)."),
    Column(
        "effect", "What it does to the stock of the lot; the sum over a lot is what is on hand.", amount=True
    ),
    Column("quantity_entered", "The number as it was entered."),
    Column("unit_entered", "The unit as it was entered."),
    Column("batch", "The batch that it was used in or made by.", typed=True),
    Column("rework", "yes for a lot of rework."),
    Column("best_before", "Of the lot."),
    Column("supplier", "Of whom the lot was received.", typed=True),
    Column("supplier_lot", "The supplier's own code for it.", typed=True),
    Column("source", "Received or returned: the immediate previous source.", typed=True),
    Column("source_address", "Its address.", typed=True),
    Column("source_gln", "Its GLN, where it has one."),
    Column("recipient", "Shipped or sent back: the immediate next recipient.", typed=True),
    Column("recipient_address", "Its address.", typed=True),
    Column("recipient_gln", "Its GLN, where it has one."),
    Column("carrier", "Who carried it.", typed=True),
    Column("document", "Type and number of the paper that went with it.", typed=True),
    Column("recorded_at", "When it was written down, in UTC."),
    Column("state", "stands; corrected, withdrawn or withdrawal where those are asked for."),
    Column("corrects", "The event that this one replaces or takes back."),
    Column(
        "location",
        "The house: where it was received, made or shipped from, and who gave the lot its code.",
        typed=True,
    ),
    Column("location_address", "Its address.", typed=True),
    Column("location_gln", "Its GLN, where it has one."),
)
NAMES = tuple(column.name for column in COLUMNS)
AMOUNTS = tuple(place for place, column in enumerate(COLUMNS) if column.amount)
TYPED = tuple(place for place, column in enumerate(COLUMNS) if column.typed)


def told() -> Iterable[Mapping[str, Any]]:
    """The list of columns for people."""
    return ({"name": column.name, "meaning": column.meaning} for column in COLUMNS)
