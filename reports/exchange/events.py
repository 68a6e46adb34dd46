"""EPCIS 2.0 events of what happened to lots. Pure, no Django.

One record, one event, with the record's id: what was sent is never changed by what comes later. What a batch used and what
it made are TransformationEvents that share one ``transformationID``, by which all that went in may be in all that came out
(EPCIS 2.0, read). A record that turned out wrong comes again, word for word, with an ``errorDeclaration``.

``bizStep`` and ``disposition`` are words of the Core Business Vocabulary 2.0 (meanings read); fields and word lists are those of
the standard's JSON Schema (read). Left out are people, recipes, prices and private contacts.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID, uuid5

from ledger.gs1_keys import is_restricted
from reports.exchange.identifying import Identifiers

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
MASTER_DATA = "urn:epcglobal:cbv:mda:"
"""Said beside the standard context, since the reference generator of event hashes looks for it there (measured)."""

Event = dict[str, Any]
OFFSETS: dict[int, str] = {
    minutes: f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    for minutes in range(-14 * 60, 14 * 60 + 1)
}
"""How an offset from UTC in minutes is written."""


@dataclass(frozen=True)
class Moved:
    """A movement and its lot as an event needs them. ``at``: UTC to the millisecond; ``offset`` as +01:00."""

    uid: str
    what: str
    at: str
    offset: str
    lot: str
    product: str
    gtin: str
    made_here: bool
    rework: bool
    base: int
    counted: bool
    brings: bool
    supplier_lot: str
    best_before: str
    batch: str
    to_place: str
    partner: str
    partner_gln: str
    document: str
    wrong: "Wrong | None" = None


@dataclass(frozen=True)
class Wrong:
    """That a record is replaced, by ``instead``, or that it never happened. ``at``: UTC to the millisecond."""

    at: str
    instead: str = ""


@dataclass(frozen=True)
class Told:
    """What is told of whole lots: held, released, rejected, recalled, packed. ``classes``: their identifiers."""

    uid: str
    at: str
    offset: str
    classes: Sequence[str]
    step: str
    disposition: str = ""
    lasting: Mapping[str, Sequence[str]] | None = None


STEPS = {
    "received": ("OBSERVE", "receiving", ""),
    "returned": ("OBSERVE", "receiving", "returned"),
    "moved": ("OBSERVE", "storing", ""),
    "shipped": ("OBSERVE", "shipping", "in_transit"),
    "sent-back": ("OBSERVE", "shipping", "returned"),
    "counted": ("OBSERVE", "cycle_counting", ""),
    "sampled": ("DELETE", "sampling", ""),
    "destroyed": ("DELETE", "destroying", "destroyed"),
}
"""Action, business step and disposition; what a batch used and made is apart."""
STAYS = ("received", "returned", "moved", "counted", "made")
DECIDED = {
    "held": ("holding", "non_sellable_other"),
    "released": ("inspecting", "conformant"),
    "rejected": ("inspecting", "non_conformant"),
}


def document(ids: Identifiers, created: str) -> tuple[str, str]:
    """What stands before and after the events of a document, so that they can be written one by one."""
    frame = {
        "@context": [CONTEXT, {"own": f"{ids.below}/ns/", "cbvmda": MASTER_DATA}],
        "type": "EPCISDocument",
        "schemaVersion": "2.0",
        "creationDate": created,
        "epcisBody": {"eventList": []},
    }
    text = json.dumps(frame, ensure_ascii=False, separators=(",", ":"))
    return text[: -len("]}}")], "]}}"


def of_movement(ids: Identifiers, moved: Moved) -> list[Event]:
    """The event of a movement; before that of a receipt the one that gave the lot the house's own code."""
    amount, wrong = _amount(ids, moved), moved.wrong
    if moved.what in ("used", "made"):
        return [_declared(_transformation(ids, moved, amount), wrong)]
    event = _declared(_object(ids, moved, amount), wrong)
    if not moved.brings:
        return [event]
    named = wrong and Wrong(wrong.at, wrong.instead and _naming(wrong.instead))
    return [_declared(_commissioning(ids, moved, amount), named), event]


def told(ids: Identifiers, about: Told) -> Event:
    """An event about whole lots, whatever is left of them: quantities are not told."""
    event = _base("ObjectEvent", about.uid, about.at, about.offset)
    event |= {"action": "OBSERVE", "bizStep": about.step}
    if about.disposition:
        event["disposition"] = about.disposition
    if about.lasting:
        event["persistentDisposition"] = {word: list(these) for word, these in about.lasting.items()}
    return event | {
        "quantityList": [{"epcClass": each} for each in about.classes],
        "readPoint": {"id": ids.here},
        "bizLocation": {"id": ids.here},
    }


def _base(kind: str, uid: str, at: str, offset: str) -> Event:
    return {"type": kind, "eventID": f"urn:uuid:{uid}", "eventTime": at, "eventTimeZoneOffset": offset}


def _amount(ids: Identifiers, moved: Moved) -> Event:
    """Kilograms, milligrams below a gram, or pieces, which is what an amount without a unit means."""
    lot = ids.lot(moved.product, moved.lot, gtin=moved.gtin, made_here=moved.made_here, rework=moved.rework)
    if moved.counted:
        return {"epcClass": lot, "quantity": moved.base}
    if moved.base < 1000:  # in kilograms it would be written with an exponent
        return {"epcClass": lot, "quantity": moved.base, "uom": "MGM"}
    return {"epcClass": lot, "quantity": moved.base / 1_000_000, "uom": "KGM"}


def _object(ids: Identifiers, moved: Moved, amount: Event) -> Event:
    """The paper that went with goods counts as a despatch advice, that of a destruction as a certificate: records do not say
    more of it, and without a type the reference generator of hashes stumbles (measured)."""
    action, step, disposition = STEPS[moved.what]
    event = _base("ObjectEvent", moved.uid, moved.at, moved.offset)
    event |= {"action": action, "bizStep": step}
    if disposition:
        event["disposition"] = disposition
    event["quantityList"] = [amount]
    event |= _where(ids, moved)
    if moved.document:
        paper = "cert" if moved.what == "destroyed" else "desadv"
        event["bizTransactionList"] = [{"type": paper, "bizTransaction": ids.paper(moved.document)}]
    return event | _parties(ids, moved)


def _where(ids: Identifiers, moved: Moved) -> Event:
    """What has left or is no more has no place from then on."""
    found = {"readPoint": {"id": ids.here}}
    if moved.what in STAYS:
        found["bizLocation"] = {"id": ids.place(moved.to_place) if moved.to_place else ids.here}
    return found


def _parties(ids: Identifiers, moved: Moved) -> Event:
    """Who had it and who has it then. Who owned it no record tells."""
    if not moved.partner:
        return {}
    partner, house = ids.party(moved.partner, moved.partner_gln), ids.house
    source, destination = (house, partner) if moved.what in ("shipped", "sent-back") else (partner, house)
    return {
        "sourceList": [{"type": "possessing_party", "source": source}],
        "destinationList": [{"type": "possessing_party", "destination": destination}],
    }


def _commissioning(ids: Identifiers, moved: Moved, amount: Event) -> Event:
    event = _base("ObjectEvent", _naming(moved.uid), moved.at, moved.offset)
    return event | {
        "action": "ADD",
        "bizStep": "commissioning",
        "disposition": "active",
        "quantityList": [amount],
        **_where(ids, moved),
        "ilmd": _about(moved),
    }


def _naming(receipt: str) -> str:
    """The id of the event that gave the lot of a receipt its code: always the same for the same receipt."""
    return str(uuid5(UUID(receipt), "commissioning"))


def _about(moved: Moved) -> Event:
    """What stays true of a lot. The maker's GTIN of what was received is told of its product, not as a name of ours."""
    found = {"cbvmda:lotNumber": moved.lot}
    if moved.best_before:
        found["cbvmda:bestBeforeDate"] = moved.best_before
    if moved.supplier_lot:
        found["own:supplierLot"] = moved.supplier_lot
    if moved.gtin and not is_restricted(moved.gtin):
        found["own:gtin"] = moved.gtin
    return found


def _transformation(ids: Identifiers, moved: Moved, amount: Event) -> Event:
    event = _base("TransformationEvent", moved.uid, moved.at, moved.offset)
    event |= {
        "transformationID": ids.run(moved.batch),
        "bizStep": "creating_class_instance",
        **_where(ids, moved),
        "bizTransactionList": [{"type": "prodorder", "bizTransaction": ids.paper(moved.batch)}],
    }
    if moved.what == "used":
        return event | {"inputQuantityList": [amount]}
    event |= {"disposition": "active", "outputQuantityList": [amount]}
    return event | ({"ilmd": _about(moved)} if moved.brings else {})


def _declared(event: Event, wrong: Wrong | None) -> Event:
    if wrong is None:
        return event
    said: Event = {"declarationTime": wrong.at, "reason": "did_not_occur"}
    if wrong.instead:
        said |= {"reason": "incorrect_data", "correctiveEventIDs": [f"urn:uuid:{wrong.instead}"]}
    return event | {"errorDeclaration": said}
