"""JSON as RFC 8259 has it: no NaN, no doubled keys, no depth without end, no characters that cannot be kept."""

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any, NoReturn

from rest_framework.exceptions import ParseError, ValidationError
from rest_framework.parsers import JSONParser

DEEPEST = 40
UNKEEPABLE = re.compile("[\x00\ud800-\udfff]")


class StrictJSONParser(JSONParser):
    def parse(
        self,
        stream: Any,
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        try:
            text = stream.read().decode("utf-8")
            data = json.loads(
                text, parse_constant=_refuse_constant, parse_float=_finite, object_pairs_hook=_once
            )
        except UnicodeDecodeError as error:
            raise ParseError("The body is not UTF-8.") from error
        except RecursionError as error:
            raise ParseError(f"The body is nested deeper than {DEEPEST} levels.") from error
        except ValueError as error:
            raise ParseError(f"The body is not JSON: {error}.") from error
        for path in _unkeepable(data, "", 0):
            raise ValidationError(
                {path: ["Contains a character that cannot be kept (U+0000 or half a pair)."]}
            )
        return data


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number in JSON")


def _finite(text: str) -> str:
    """A number with a fraction stays text, digit for digit: nothing here is measured in floats."""
    if float(text) in (float("inf"), float("-inf")):
        raise ValueError(f"{text[:40]} is too large")
    return text


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        raise ValueError("a name stands twice in one object")
    return made


def _unkeepable(data: Any, path: str, depth: int) -> Iterator[str]:
    if depth > DEEPEST:
        raise ParseError(f"The body is nested deeper than {DEEPEST} levels.")
    if isinstance(data, str):
        if UNKEEPABLE.search(data):
            yield path or "body"
    elif isinstance(data, dict):
        for name, inner in data.items():
            if UNKEEPABLE.search(name):
                yield path or "body"
            yield from _unkeepable(inner, f"{path}.{name}".lstrip("."), depth + 1)
    elif isinstance(data, list):
        for index, inner in enumerate(data):
            yield from _unkeepable(inner, f"{path}.{index}".lstrip("."), depth + 1)
