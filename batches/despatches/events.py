"""A despatch as EPCIS 2.0 (JSON): ObjectEvents of shipping, read with the place of what is wrong. Pure, no Django.

Fields and word lists are those of the standard's JSON Schema (read). A time without an offset, or an offset written as Z,
is refused: the schema lets neither pass. What is no shipping is passed over, and said so. Numbers with a fraction come as
text, digit for digit.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import partial
from typing import Any
from urllib.parse import unquote, urlsplit

from batches.despatches.lines import Despatch, Line, doubled, refuse
from batches.quantities import known_unit, parse_number
from batches.scanning import links
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable
from ledger.gs1_keys import check_digit, check_gln, check_gtin

TYPES = ("ObjectEvent", "AggregationEvent", "TransactionEvent", "TransformationEvent", "AssociationEvent")
ACTIONS = ("ADD", "OBSERVE", "DELETE")
OFFSET = re.compile(r"[+-](0\d|1[0-3]):[0-5]\d|[+-]14:00")
CLOCK = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
WORD = re.compile(r"https?://(?:ref|ns)\.gs1\.org/cbv/(?:BizStep|BTT|SDT)-(.+)")
LGTIN = re.compile(r"urn:epc:class:lgtin:(\d{6,12})\.(\d{1,7})\.(.+)")
PGLN = re.compile(r"urn:epc:id:pgln:(\d{6,12})\.(\d{0,6})")
OWN_LOT = re.compile(r"/class/([^/]+)\.([^/.]+)\Z")
DATES = ("cbvmda:bestBeforeDate", "urn:epcglobal:cbv:mda:bestBeforeDate")
MOST_EVENTS = 5000  # of one document (site setting, no source)


@dataclass
class Reading:
    """``sender_gln``: of the supplier the file came from, if the house knows it."""

    file: str
    sender_gln: str = ""
    lines: list[Line] = field(default_factory=list)
    wrong: list[Reason] = field(default_factory=list)
    passed_over: list[Reason] = field(default_factory=list)

    def fault(self, place: str, code: str, detail: str) -> None:
        self.wrong.append(_reason(place, code, detail))


def _reason(place: str, code: str, detail: str) -> Reason:
    return Reason(code, f"{place or '/'}: {detail}", place or "/")


def read_document(said: Any, name: str, sender_gln: str = "") -> Despatch:
    """The lines of a document as JSON has it. Raises Unusable with the JSON pointer of everything that is wrong."""
    reading = Reading(name, sender_gln)
    found = _event_list(reading, said)
    dates = _best_before(found)
    for place, event in enumerate(found):
        _event(reading, f"/epcisBody/eventList/{place}", event, dates)
    refuse(name, reading.wrong + doubled(reading.lines))
    if not reading.lines:
        raise Unusable(
            f"{name}: no event tells of shipping a lot. Nothing was kept.",
            code="no-shipping",
            reasons=reading.passed_over[:20]
            or [_reason("/epcisBody/eventList", "no-shipping", "No shipping here.")],
        )
    return Despatch(reading.lines, reading.passed_over)


def _event_list(reading: Reading, said: Any) -> list[Any]:
    if not isinstance(said, Mapping) or said.get("type") != "EPCISDocument":
        reading.fault("/type", "not-epcis", "This is no EPCISDocument of EPCIS 2.0 in JSON.")
    elif not str(said.get("schemaVersion", "")).startswith("2."):
        reading.fault("/schemaVersion", "other-version", "Only EPCIS 2.0 is read.")
    else:
        body = said.get("epcisBody")
        found = body.get("eventList") if isinstance(body, Mapping) else None
        if isinstance(found, list) and len(found) <= MOST_EVENTS:
            return found
        sentence = (
            f"More than {MOST_EVENTS} events: send them in parts."
            if found
            else "A list of events stands here."
        )
        reading.fault("/epcisBody/eventList", "no-events", sentence)
    refuse(reading.file, reading.wrong)
    return []


def _best_before(found: list[Any]) -> dict[str, str]:
    """By class: what another event of the document says of it when it made or named the lot."""
    dates = {}
    for event in found:
        about = event.get("ilmd") if isinstance(event, Mapping) else None
        if not isinstance(about, Mapping):
            continue
        day = next((about[name] for name in DATES if name in about), None)
        named = [*_listed(event, "quantityList"), *_listed(event, "outputQuantityList")]
        for each in named:
            if _is_day(day) and isinstance(each, Mapping):
                dates[str(each.get("epcClass"))] = str(day)
    return dates


def _listed(event: Mapping[str, Any], name: str) -> list[Any]:
    found = event.get(name, [])
    return found if isinstance(found, list) else []


def _is_day(said: Any) -> bool:
    try:
        return bool(date.fromisoformat(str(said)))
    except ValueError:
        return False


# -- one event ----------------------------------------------------------------------------------------


def _event(reading: Reading, place: str, event: Any, dates: Mapping[str, str]) -> None:
    if not isinstance(event, Mapping):
        return reading.fault(place, "not-an-event", "An event is an object.")
    if event.get("type") not in TYPES:
        return reading.fault(f"{place}/type", "unknown-type", f"None of {', '.join(TYPES)}.")
    if event["type"] != "ObjectEvent" or _word(event.get("bizStep")) != "shipping":
        told = "No ObjectEvent of shipping."
        reading.passed_over.append(_reason(place, "passed-over", told))
        return None
    if "errorDeclaration" in event:
        told = "It declares an earlier event to be wrong: look at what was proposed by that."
        reading.passed_over.append(_reason(f"{place}/errorDeclaration", "declared-wrong", told))
        return None
    before = len(reading.wrong)
    told_at = _when(reading, place, event)
    document = _document(reading, place, event)
    _sender(reading, place, event)
    if event.get("action") not in ACTIONS:
        reading.fault(f"{place}/action", "unknown-word", f"One of {', '.join(ACTIONS)}.")
    if not _listed(event, "quantityList"):
        reading.fault(
            f"{place}/quantityList", "no-lots", "No quantities of lots: single items are not taken here."
        )
    known_by = event.get("eventID") or [told_at, document]
    for at, each in enumerate(_listed(event, "quantityList")):
        spot = f"{place}/quantityList/{at}"
        values = _quantity(reading, spot, each)
        if len(reading.wrong) == before:
            values |= {"document": document, "despatched_at": told_at}
            if day := dates.get(each["epcClass"]):
                values["best_before"] = day
            values = {name: value for name, value in values.items() if value}
            key = ("event", str(known_by), each["epcClass"])
            reading.lines.append(Line(spot, key, {"event": _plain(event), "read": values}))
    return None


def _plain(event: Mapping[str, Any]) -> dict[str, Any]:
    """As it stood there; whole numbers as text, since records hold no numbers."""

    def text(value: Any) -> Any:
        if isinstance(value, Mapping):
            return {name: text(inner) for name, inner in value.items()}
        if isinstance(value, list):
            return [text(inner) for inner in value]
        return value if isinstance(value, (str, bool)) or value is None else str(value)

    return {name: text(value) for name, value in event.items()}


def _word(said: Any) -> str:
    """A word of the vocabulary, bare or as its address."""
    found = WORD.fullmatch(said) if isinstance(said, str) else None
    return found[1] if found else str(said)


def _when(reading: Reading, place: str, event: Mapping[str, Any]) -> str:
    at, offset = event.get("eventTime"), event.get("eventTimeZoneOffset")
    if not isinstance(at, str) or not CLOCK.fullmatch(at) or not _is_moment(at):
        sentence = "A date and time with its offset from UTC, as 2026-03-02T08:00:00.000Z."
        reading.fault(f"{place}/eventTime", "not-a-time", sentence)
    if not isinstance(offset, str) or not OFFSET.fullmatch(offset):
        reading.fault(f"{place}/eventTimeZoneOffset", "not-an-offset", "The offset of the place, as +01:00.")
    return str(at)


def _is_moment(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def _document(reading: Reading, place: str, event: Mapping[str, Any]) -> str:
    """The despatch advice, else the first paper named; of an address its last part."""
    papers = _listed(event, "bizTransactionList")
    if not all(isinstance(each, Mapping) and isinstance(each.get("bizTransaction"), str) for each in papers):
        reading.fault(f"{place}/bizTransactionList", "not-a-paper", "Each names a bizTransaction.")
        return ""
    advice = [each for each in papers if _word(each.get("type")) == "desadv"] or papers
    name = unquote(re.split(r"[/:]", advice[0]["bizTransaction"])[-1]) if advice else ""
    if name and not is_one_line(name, 80):
        reading.fault(
            f"{place}/bizTransactionList", "too-long", "The number of a paper is one line of at most 80."
        )
    return name


def _sender(reading: Reading, place: str, event: Mapping[str, Any]) -> None:
    """A number in it has to be right, and that of the supplier whose file this is said to be."""
    for at, each in enumerate(_listed(event, "sourceList")):
        said = each.get("source") if isinstance(each, Mapping) else None
        gln = _tried(reading, f"{place}/sourceList/{at}/source", partial(_gln, str(said)))
        if gln and reading.sender_gln and gln != reading.sender_gln:
            sentence = f"It was sent by {gln}, and the supplier named here has the GLN {reading.sender_gln}."
            reading.fault(f"{place}/sourceList/{at}/source", "other-sender", sentence)


def _gln(said: str) -> str:
    """The GLN in an address or URN of a party; "" where there is none."""
    if found := PGLN.fullmatch(said):
        return f"{found[1]}{found[2]}{check_digit(found[1] + found[2])}"
    parts = urlsplit(said).path.split("/")
    return check_gln(parts[-1]) if len(parts) > 1 and parts[-2] == "417" else ""


def _tried(reading: Reading, place: str, read: Callable[[], Any]) -> Any:
    """What is read, or None where that is refused, which is kept with its place."""
    try:
        return read()
    except (Unusable, ValueError) as refusal:
        told = refusal.detail if isinstance(refusal, Unusable) else "This is no address."
        code = refusal.code if isinstance(refusal, Unusable) else "not-an-address"
        reading.fault(place, code, told)
        return None


# -- one quantity -------------------------------------------------------------------------------------


def _quantity(reading: Reading, place: str, each: Any) -> dict[str, str]:
    if not isinstance(each, Mapping) or not isinstance(each.get("epcClass"), str):
        reading.fault(place, "no-class", "It names no epcClass.")
        return {}
    values = _tried(reading, f"{place}/epcClass", lambda: dict(_lot(each["epcClass"]))) or {}
    unit = each.get("uom", "H87")  # without a unit it is pieces (EPCIS 2.0, read)
    if _tried(reading, f"{place}/uom", lambda: known_unit(unit)) is None:
        return values
    number = each.get("quantity")
    if isinstance(number, bool) or not isinstance(number, (int, str)):
        reading.fault(f"{place}/quantity", "number-missing", "How much is not told.")
        return values
    value = _tried(reading, f"{place}/quantity", lambda: parse_number(str(number), field="quantity"))
    if value is not None and value <= 0:
        reading.fault(f"{place}/quantity", "not-positive", "The amount must be more than 0.")
    return values | {"quantity": str(number), "unit": unit}


def _lot(said: str) -> Iterator[tuple[str, str]]:
    """GTIN or item, and lot, of a class: GS1 Digital Link, LGTIN URN, or an own address. Raises Unusable, ValueError."""
    if found := LGTIN.fullmatch(said):
        body = found[2][0] + found[1] + found[2][1:]
        yield "gtin", check_gtin(body + str(check_digit(body)))
        yield "lot", _short(unquote(found[3]))
        return
    fields = {each.ai: each.value for each in links.read(said) or ()}
    if "01" in fields and "10" in fields:
        yield "gtin", check_gtin(fields["01"])
        yield "lot", fields["10"]
        return
    own = OWN_LOT.search(urlsplit(said).path)
    if own is None:
        raise Unusable(
            "This names no lot: neither GS1 Digital Link nor LGTIN with a lot, nor an address that ends in "
            "/class/item.lot.",
            code="unknown-class",
        )
    yield "item", _short(unquote(own[1]))
    yield "lot", _short(unquote(own[2]))


def _short(text: str) -> str:
    if not is_one_line(text, 60):
        raise Unusable("A code is one line of at most 60 characters.", code="too-long")
    return text
