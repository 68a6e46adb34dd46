"""What a request says is taken whole or refused: a name nobody knows would lose a fact without a word."""

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

MOST_TOLD = 20  # unknown names in one answer
LONGEST_TOLD = 60  # characters of each


class NothingUnknown:
    """For a serializer that reads a body: each name it does not take is refused, with the nearest it takes.

    What only the service sets (``read_only``) is refused as well, so that nobody thinks they have set it.
    """

    def to_internal_value(self: Any, data: Any) -> Any:
        fields = self.fields
        extra = (
            [name for name in data if name not in fields or fields[name].read_only] if _is_named(data) else ()
        )
        if not extra:
            return super().to_internal_value(data)  # type: ignore[misc]
        wrong: dict[str, Any] = {name[:LONGEST_TOLD]: [_told(name, fields)] for name in extra[:MOST_TOLD]}
        try:
            super().to_internal_value(data)  # type: ignore[misc]
        except ValidationError as error:
            wrong = {**error.detail, **wrong} if isinstance(error.detail, dict) else wrong
        raise ValidationError(wrong)


class BodySerializer(NothingUnknown, serializers.Serializer):
    """The base of what stands in a request body, nested parts included."""


def _is_named(data: Any) -> bool:
    return isinstance(data, Mapping)


def _told(name: str, fields: Mapping[str, Any]) -> ErrorDetail:
    if name in fields:
        sentence = "The service sets this itself; leave it out."
        return ErrorDetail(sentence, "set-by-the-service")
    known = [each for each, field in fields.items() if not field.read_only]
    near = get_close_matches(name[:LONGEST_TOLD], known, 1)
    guess = f" Did you mean {near[0]}?" if near else ""
    return ErrorDetail(f"There is no such field here.{guess}", "unknown-field")
