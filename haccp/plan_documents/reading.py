"""Plans come and go as one readable YAML file. Comments in the file are not kept.

YAML guesses: ``no`` becomes false, ``0.60`` a binary fraction, ``2026-03-02`` a date. Here nothing is
guessed. Every scalar is read as the text that stands there; only where the shape of a plan asks for yes or no
is it turned into one. A value left empty (or ``null``) is an entry that is not filled in, and is left out.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Any

import yaml
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
    StreamEndEvent,
)

from config.api.refusals import Unusable
from haccp.plan_documents.schema import DEEPEST, SCHEMA, resolved

MOST_BYTES = 1_000_000
_NOT_FILLED_IN = {"", "~", "null", "Null", "NULL"}
_YES = {"yes", "true"}
_NO = {"no", "false"}
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # the same events, faster, where libyaml is there


class Unreadable(Unusable):
    """The file is not YAML that a plan can be read from; ``field`` says which line. Nothing was kept."""

    code = "unreadable-plan"


def from_yaml(text: str | bytes) -> dict[str, Any]:
    """Read one plan document. Raises Unreadable: too large, no YAML, a name given twice, an alias, a tag.

    The shape is not judged here; ask ``errors`` and ``gaps``.
    """
    document = _typed(_value(_only_document(_decoded(text))), SCHEMA)
    if not isinstance(document, dict):
        raise Unreadable("A plan starts with named entries, such as title: and steps:.")
    return document


def _decoded(text: str | bytes) -> str:
    if len(text) > MOST_BYTES:
        raise Unreadable(f"The file is larger than {MOST_BYTES} bytes; a plan is not. Nothing was kept.")
    try:
        plain = text.decode("utf-8-sig") if isinstance(text, bytes) else text.removeprefix("\ufeff")
        plain.encode("utf-8")
    except UnicodeError:
        raise Unreadable("The file is not UTF-8 text; save it as UTF-8 and send it again.") from None
    if "\x00" in plain:
        raise Unreadable("The file holds the character U+0000, which cannot be kept.")
    return plain


def _only_document(text: str) -> Iterator[Event]:
    """The events of the one document in ``text``, from its first value on."""
    started = False
    try:
        for event in yaml.parse(text, Loader=_LOADER):
            if isinstance(event, DocumentStartEvent):
                if started:
                    raise _at(event, "a second plan begins here; a file holds one")
                started = True
            elif started and not isinstance(event, StreamEndEvent):
                yield event
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        raise Unreadable(f"Line {line}: {error.problem or 'not YAML'}.", field=f"line {line}") from None
    except (yaml.YAMLError, UnicodeError):
        raise Unreadable("The file holds a character that YAML does not allow.") from None
    if not started:
        raise Unreadable("The file is empty.")


def _value(events: Iterator[Event]) -> Any:
    value = _next(events, next(events), 0)
    for _ in events:  # a second document, or what is broken after the first, is still looked for
        pass
    return value


def _next(events: Iterator[Event], event: Event, depth: int) -> Any:
    if isinstance(event, AliasEvent):
        raise _at(event, "repeats another place (*name); write it out")
    if getattr(event, "tag", None) not in (None, "!"):
        raise _at(event, "carries a type (!...); leave it out")
    if depth > DEEPEST:
        raise _at(event, f"is more than {DEEPEST} levels deep")
    if isinstance(event, ScalarEvent):
        empty = event.style in (None, "") and event.implicit[0] and event.value in _NOT_FILLED_IN
        return None if empty else event.value
    if isinstance(event, SequenceStartEvent):
        return _list(events, depth)
    assert isinstance(event, MappingStartEvent)
    return _entries(events, depth)


def _list(events: Iterator[Event], depth: int) -> list[Any]:
    items = []
    while not isinstance(event := next(events), SequenceEndEvent):
        items.append(_next(events, event, depth + 1))
    return [item for item in items if item is not None]


def _entries(events: Iterator[Event], depth: int) -> dict[str, Any]:
    entries: dict[str, Any] = {}
    while not isinstance(event := next(events), MappingEndEvent):
        if not isinstance(event, ScalarEvent):
            raise _at(event, "has something other than a name before its colon")
        if event.value in entries:
            raise _at(event, f"gives {event.value[:40]!r} a second time; nothing of it was kept")
        entries[event.value] = _next(events, next(events), depth + 1)
    return {name: value for name, value in entries.items() if value is not None}


def _at(event: Event, what: str) -> Unreadable:
    line = event.start_mark.line + 1 if event.start_mark else 1
    return Unreadable(f"Line {line} {what}.", field=f"line {line}")


def _typed(value: Any, schema: Mapping[str, Any]) -> Any:
    """``value`` with yes and no read where the schema asks for them, and everything else as it was."""
    schema = resolved(schema)
    if isinstance(value, dict):
        named = schema.get("properties", {})
        return {name: _typed(inner, named.get(name, {})) for name, inner in value.items()}
    if isinstance(value, list):
        return [_typed(inner, schema.get("items", {})) for inner in value]
    if schema.get("type") == "boolean" and value.lower() in _YES | _NO:
        return value.lower() in _YES
    return value


def to_yaml(document: Mapping[str, Any]) -> str:
    """The document as readable YAML in the order of the schema; ``from_yaml`` gives the same back."""
    return yaml.dump(
        _ordered(document, SCHEMA),
        Dumper=_Writer,
        sort_keys=False,
        allow_unicode=True,
        default_flow_style=False,
        width=100,
    )


def _ordered(value: Any, schema: Mapping[str, Any]) -> Any:
    schema = resolved(schema)
    if isinstance(value, list):
        return [_ordered(inner, schema.get("items", {})) for inner in value]
    if not isinstance(value, Mapping):
        return value
    named = list(schema.get("properties", {}))
    names = sorted(value, key=lambda name: (named.index(name) if name in named else len(named), name))
    return {name: _ordered(value[name], schema.get("properties", {}).get(name, {})) for name in names}


class _Writer(yaml.SafeDumper):
    """Writes lists indented under their name, lines as lines, and never an alias."""

    def increase_indent(self, flow: bool = False, indentless: bool = False) -> None:
        super().increase_indent(flow, False)

    def ignore_aliases(self, data: Any) -> bool:
        return True


_ODD_BREAKS = re.compile(r"[\r\x85\u2028\u2029\ufeff]")  # YAML takes these for line ends and spaces
_LOOSE_BLANKS = re.compile(r"[ \t](\n|$)|\n[ \t]|^\s")


def _text(writer: _Writer, value: str) -> yaml.ScalarNode:
    """Several lines stand as lines where YAML can keep them so exactly; else in quotes."""
    style = None
    if _ODD_BREAKS.search(value):
        style = '"'
    elif "\n" in value and not _LOOSE_BLANKS.search(value):
        style = "|"
    return writer.represent_scalar("tag:yaml.org,2002:str", value, style=style)


_SHORT = re.compile(r"[A-Za-z0-9][A-Za-z0-9 -]{0,29}")


def _list_of(writer: _Writer, items: list[Any]) -> yaml.SequenceNode:
    """A few codes or words stand on one line."""
    short = all(isinstance(item, str) and _SHORT.fullmatch(item) for item in items)
    return writer.represent_sequence("tag:yaml.org,2002:seq", items, flow_style=short and len(items) < 8)


_Writer.add_representer(str, _text)
_Writer.add_representer(list, _list_of)
