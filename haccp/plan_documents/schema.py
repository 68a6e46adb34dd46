"""The shape of a plan document, and what is wrong with a document that has another one.

The shape is JSON Schema 2020-12 in ``plan_schema.json``. Almost nothing is required there, because a draft
grows: what a plan lacks is a gap (``completeness``), not an error.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from config.api.refusals import Reason
from haccp.said import Said, joined

SCHEMA: dict[str, Any] = json.loads(files(__package__).joinpath("plan_schema.json").read_text("utf-8"))
DEEPEST = 20  # levels; a plan has seven
MOST_ERRORS = 100  # told at once; a document with more has one cause, not a hundred
_VALIDATOR = Draft202012Validator(SCHEMA)
_KINDS = {"string": "text", "boolean": "yes or no", "array": "a list", "object": "a part with named entries"}

_NOT_KEPT = re.compile(r"[\x00\ud800-\udfff]")

Path = tuple[str | int, ...]


def errors(document: object) -> list[Reason]:
    """What is wrong with the shape, each with the path in ``field``; empty = it can be saved."""
    if _too_deep(document):
        return [Reason("plan-shape", f"The plan is more than {DEEPEST} levels deep; nothing in a plan is.")]
    return list(_found(_AsWritten(repr(document), document)))


@dataclass(frozen=True)
class _AsWritten:
    """A document, the same as another where both are written alike: 1, 1.0, "1" and true stay apart."""

    text: str
    document: object = field(compare=False)


@lru_cache(
    maxsize=16
)  # a draft is looked at when it is saved, when its gaps are asked, and when it is approved
def _found(said: _AsWritten) -> tuple[Reason, ...]:
    document = said.document
    found = [_reason(document, error) for error in _VALIDATOR.iter_errors(document)]
    found += [_not_kept(document, path, why) for path, why in _unkeepable(document, ())]
    return tuple(sorted(found, key=lambda reason: reason.field)[:MOST_ERRORS])


def resolved(schema: Mapping[str, Any]) -> Mapping[str, Any]:
    """The schema itself, or what its ``$ref`` points to."""
    ref = schema.get("$ref")
    return SCHEMA["$defs"][ref.rsplit("/", 1)[1]] if ref else schema


def field_of(path: Sequence[str | int]) -> str:
    """The path for programs: ``hazards.2.likelihood``, counted from 0."""
    return ".".join(str(part) for part in path)


def place(document: object, path: Sequence[str | int]) -> Said:
    """The path in words, by code where an entry has one: ``hazards, H-SHELL, likelihood``."""
    words: list[str] = []
    here = document
    for part in path:
        here = _inside(here, part)
        code = here.get("code") if isinstance(here, dict) else None
        if isinstance(part, str):
            words.append(Said(part.replace("_", " ").replace("ccp", "CCP")))
        else:
            words.append(code if isinstance(code, str) and code else Said("number %(count)d", count=part + 1))
    return joined(", ", words) if words else Said("the plan")


def _inside(here: object, part: str | int) -> object:
    if isinstance(here, dict):
        return here.get(part)
    if isinstance(here, list) and isinstance(part, int) and part < len(here):
        return here[part]
    return None


def _reason(document: object, error: ValidationError) -> Reason:
    path = tuple(error.absolute_path)
    return Reason("plan-shape", f"{_capital(place(document, path))}: {_sentence(error)}", field_of(path))


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _sentence(error: ValidationError) -> str:
    rule, value = str(error.validator), error.validator_value
    match rule:
        case "type":
            return _wrong_kind(error.instance, value)
        case "additionalProperties":
            return _unknown_entries(error)
        case "enum":
            return f"{_shown(error.instance)} is not one of {', '.join(map(str, value))}."
        case "required":
            missing = [name for name in value if name not in error.instance]
            return f"its {' and '.join(missing)} is missing."
        case "maxLength" | "maxItems" | "maxProperties":
            return f"longer than {value}, which is the most that is kept."
        case _:
            return f"{_shown(error.instance)} is not {error.schema.get('description', 'usable here')}."


def _wrong_kind(instance: object, kinds: str | list[str]) -> str:
    wanted = " or ".join(_KINDS[kind] for kind in ([kinds] if isinstance(kinds, str) else kinds))
    if isinstance(instance, int | float) and not isinstance(instance, bool):
        return f"{_shown(instance)} is a bare number; write numbers as text, exactly as they are meant."
    if instance is None:
        return f"nothing stands here; leave the entry out, or give {wanted}."
    return f"{_shown(instance)} stands where {wanted} belongs."


def _unknown_entries(error: ValidationError) -> str:
    known = list(error.schema.get("properties", {}))
    unknown = [str(name) for name in error.instance if name not in known]
    guesses = {name: get_close_matches(name, known, 1) for name in unknown[:10]}
    told = [
        _shown(name) + (f" (did you mean {guess[0]}?)" if guess else "") for name, guess in guesses.items()
    ]
    return f"not an entry known here: {', '.join(told)}."


def _shown(value: object) -> str:
    """The value on one line, cut short, with nothing invisible in it."""
    text = ascii(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _too_deep(document: object) -> bool:
    """Level by level, because what is nested without end would exhaust anything that follows it inward."""
    level = [document]
    for _ in range(DEEPEST):
        level = [inner for value in level for inner in _within(value)]
    return bool(level)


def _within(value: object) -> list[object]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []


def _unkeepable(value: object, path: Path) -> Iterator[tuple[Path, str]]:
    """Where a character stands that database or digest cannot keep."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _unkeepable(name, path)
            yield from _unkeepable(inner, (*path, str(name)))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from _unkeepable(inner, (*path, number))
    elif isinstance(value, str) and _NOT_KEPT.search(value):
        yield path, "holds a character that cannot be kept (U+0000 or half a surrogate pair)."


def _not_kept(document: object, path: Path, why: str) -> Reason:
    return Reason("plan-shape", f"{_capital(place(document, path))}: {why}", field_of(path))
