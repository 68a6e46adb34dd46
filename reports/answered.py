"""Which rules of law and code the fields of a document are meant to answer, by the map of requirements; no statement of more."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass, replace
from functools import cache
from typing import Any, TypeVar

from reports import requirements
from reports.documents import Document, RuleLine
from reports.listing import spoken
from reports.requirements import Answer, Requirements

D = TypeVar("D", bound=Document)
Held = dict[str, list[Any]]
EMPTY: tuple[Any, ...] = (None, "", ())
RULES = "reports.documents.RuleLine"
"""These lines themselves, which stand wherever there is one."""
SHOWN_AS = {
    "ledger.models.Record.corrects": "reports.documents.RecordLine.corrects",
    "ledger.models.Signature.meaning": "reports.documents.SignatureLine.meaning",
    "ledger.models.Signature.signer_name": "reports.documents.SignatureLine.name",
}
"""Fields of records whose head stands only where a line bears them."""
NO_RULES = frozenset({"us-11", "practice"})
"""Sources that ask nothing of a house: part 11 is a model taken by choice (21 CFR 117.305(g), read); common practice."""


def with_rules(document: D) -> D:
    """The document with the rules that its fields are meant to answer, in its language, which is active."""
    return replace(document, rules=rules_of(document)) if document.tells_rules else document


def rules_of(document: Document) -> tuple[RuleLine, ...]:
    """Where the map names a field with the document's kind, or a field of what the document holds, and it is not empty."""
    held = _held(document)
    named = {
        entry.id: dict.fromkeys(short(each) for each in entry.answers if _speaks(each, document.kind, held))
        for entry in _map().entries
        if entry.source not in NO_RULES
    }
    return tuple(_lines(named))


def together(lines: Iterable[RuleLine]) -> tuple[RuleLine, ...]:
    """Those of several documents as one list in the active language; a rule that several answer stands once."""
    named: dict[str, dict[str, None]] = {}
    for line in lines:
        named.setdefault(line.rule, {}).update(dict.fromkeys(line.fields))
    return tuple(_lines(named))


def _lines(named: Mapping[str, Iterable[str]]) -> Iterator[RuleLine]:
    """In the order of the map; of fields by the id of the rule they answer."""
    told = _map()
    for entry in told.entries:
        if fields_of_it := tuple(named.get(entry.id, ())):
            yield RuleLine(
                rule=entry.id,
                source=spoken(told.sources[entry.source]),
                section=spoken(entry.section),
                fields=fields_of_it,
                provenance="; ".join(map(spoken, entry.provenance_words)),
            )


@cache
def _map() -> Requirements:
    return requirements.shipped()


def _speaks(answer: Answer, kind: str, held: Held) -> bool:
    shape, _dot, name = answer.field.rpartition(".")
    return bool(name) and (answer.document == kind or shape in held) and _stands(answer.field, held)


def _stands(field: str, held: Held) -> bool:
    """Whether anything of it is on the paper. What a document shows in words of its own (a model's field) is taken to be."""
    shape, _dot, name = SHOWN_AS.get(field, field).rpartition(".")
    if not shape.startswith("reports.") or shape == RULES:
        return True
    return any(getattr(each, name) not in EMPTY for each in held.get(shape, ()))


def short(answer: Answer) -> str:
    """As in data: ``Check.readings``."""
    return ".".join(answer.field.split(".")[-2:])


def _held(document: Document) -> Held:
    """What it holds, by the dotted names of their classes: of a document that bears no signature, none of signatures."""
    seen: dict[type, list[Any]] = {}
    _walk(document, seen)
    held: Held = {}
    for kind, found in seen.items():
        for base in kind.__mro__:
            held.setdefault(f"{base.__module__}.{base.__qualname__}", []).extend(found)
    return held


def _walk(value: Any, seen: dict[type, list[Any]]) -> None:
    if isinstance(value, (tuple, list)):
        for each in value:
            _walk(each, seen)
    elif is_dataclass(value):
        seen.setdefault(type(value), []).append(value)
        for field in fields(value):
            _walk(getattr(value, field.name), seen)
