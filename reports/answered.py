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
NO_RULES = frozenset({"us-11", "practice"})
"""Sources that ask nothing of a house: part 11 is a model taken by choice (21 CFR 117.305(g), read); common practice."""


def with_rules(document: D) -> D:
    """The document with the rules that its fields are meant to answer, in its language, which is active."""
    return replace(document, rules=rules_of(document)) if document.tells_rules else document


def rules_of(document: Document) -> tuple[RuleLine, ...]:
    """Where the map names a field with the document's kind, or a field of what the document holds."""
    shapes = _names(document)
    named = {
        entry.id: dict.fromkeys(short(each) for each in entry.answers if _speaks(each, document.kind, shapes))
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


def _speaks(answer: Answer, kind: str, shapes: frozenset[str]) -> bool:
    return bool(answer.field) and (answer.document == kind or answer.field.rpartition(".")[0] in shapes)


def short(answer: Answer) -> str:
    """As in data: ``Check.readings``."""
    return ".".join(answer.field.split(".")[-2:])


def _names(document: Document) -> frozenset[str]:
    """The dotted names of the classes of what it holds: of a document that bears no signature, none of signatures."""
    seen: set[type] = set()
    _walk(document, seen)
    return frozenset(f"{base.__module__}.{base.__qualname__}" for each in seen for base in each.__mro__)


def _walk(value: Any, seen: set[type]) -> None:
    """Of many of one class the first is looked into."""
    if isinstance(value, (tuple, list)):
        for each in value:
            if type(each) not in seen:
                _walk(each, seen)
    elif is_dataclass(value) and type(value) not in seen:
        seen.add(type(value))
        for field in fields(value):
            _walk(getattr(value, field.name), seen)
