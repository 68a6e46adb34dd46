"""JSON as RFC 8259 has it: no NaN, no doubled keys, no depth without end, no characters that cannot be kept."""

import json
import math
from collections.abc import Iterator, Mapping
from typing import Any, NoReturn

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.core.files.uploadedfile import TemporaryUploadedFile
from django.utils.datastructures import MultiValueDict
from rest_framework.exceptions import ErrorDetail, ParseError, ValidationError
from rest_framework.parsers import BaseParser, DataAndFiles, JSONParser, MultiPartParser

from config.api.characters import UNKEEPABLE

DEEPEST = 40
LONGEST_NUMBER = 40  # characters


class StrictJSONParser(JSONParser):
    """Numbers with a fraction stay text, digit for digit: nothing here is measured in floats.

    Raises ParseError (400) for what is not such JSON, ValidationError (400) naming each text with a character
    that cannot be kept, RequestDataTooBig (413) beyond ``DATA_UPLOAD_MAX_MEMORY_SIZE`` bytes. A subclass that keeps
    nothing may take one of those characters.
    """

    taken = ""

    def parse(
        self,
        stream: Any,
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        too_deep = ParseError(f"The body is nested deeper than {DEEPEST} levels.")
        try:
            text = _read(stream).decode("utf-8")
            data = json.loads(
                text,
                parse_constant=_refuse_constant,
                parse_float=_fraction,
                parse_int=_whole,
                object_pairs_hook=_once,
            )
        except UnicodeDecodeError as error:
            raise ParseError("The body is not UTF-8.") from error
        except RecursionError as error:
            raise too_deep from error
        except ValueError as error:
            raise ParseError(f"The body is not JSON: {error}.") from error
        # Both walks are rarely needed; what would need them shows in the text.
        if text.count("[") + text.count("{") > DEEPEST and _deeper_than(DEEPEST, data):
            raise too_deep
        if "\\u" in text or UNKEEPABLE.search(text):
            _refuse_unkeepable(data, self.taken)
        return data


class StrictMultiPartParser(MultiPartParser):
    """A form whose texts and file names hold what JSON may hold here.

    Raises ValidationError (400) naming each field with a character that cannot be kept, or that is not UTF-8
    (where Django put U+FFFD); RequestDataTooBig (413), before anything is read, for more than one largest file.
    A subclass may take larger ones.
    """

    def largest(self) -> int:
        return settings.LARGEST_FILE

    def parse(
        self,
        stream: Any,
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        _refuse_told_size(parser_context, self.largest() + settings.DATA_UPLOAD_MAX_MEMORY_SIZE)
        found = super().parse(stream, media_type, parser_context)
        texts = [(name, text) for name, values in found.data.lists() for text in values]
        texts += [(name, file.name) for name, files in found.files.lists() for file in files]
        _refuse([name for name, text in texts if is_mangled(name) or is_mangled(text)])
        return found


class FileAsBody(BaseParser):
    """The whole body is one file; what a form would say beside it stands in the query. A subclass names its type.

    It lies in a temporary file meanwhile. Raises RequestDataTooBig (413) for more than ``largest`` bytes.
    """

    def largest(self) -> int:
        return settings.LARGEST_FILE

    def parse(
        self,
        stream: Any,
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        _refuse_told_size(parser_context, self.largest())
        sent = TemporaryUploadedFile("body", self.media_type, 0, None)
        size = 0
        while chunk := stream.read(64 * 1024):
            size += len(chunk)
            if size > self.largest():
                sent.close()
                raise RequestDataTooBig
            sent.write(chunk)
        sent.seek(0)
        sent.size = size
        said = (parser_context or {})["request"].query_params.copy()
        return DataAndFiles(said, MultiValueDict({"file": [sent]}))


def _refuse_told_size(parser_context: Mapping[str, Any] | None, most: int) -> None:
    """Raises RequestDataTooBig by what the request says of itself, before anything is read."""
    told = str((parser_context or {})["request"].META.get("CONTENT_LENGTH", ""))
    if told.isdecimal() and int(told) > most:
        raise RequestDataTooBig


def is_mangled(text: str) -> bool:
    """Whether a text that Django decoded holds what cannot be kept, or was not UTF-8."""
    return "\ufffd" in text or UNKEEPABLE.search(text) is not None


def _read(stream: Any) -> bytes:
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    raw: bytes = stream.read(most + 1)
    if len(raw) > most:
        raise RequestDataTooBig
    return raw


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number in JSON")


def _fraction(text: str) -> str:
    if len(text) > LONGEST_NUMBER or not math.isfinite(float(text)):
        raise ValueError(f"the number {text[:LONGEST_NUMBER]} is too long or too large")
    return text


def _whole(text: str) -> int:
    if len(text) > LONGEST_NUMBER:
        raise ValueError(f"the number {text[:LONGEST_NUMBER]} is too long or too large")
    return int(text)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        raise ValueError("a name stands twice in one object")
    return made


def _inside(data: Any) -> Iterator[tuple[Any, Any]]:
    if isinstance(data, dict):
        yield from data.items()
    elif isinstance(data, list):
        yield from enumerate(data)


def _deeper_than(levels: int, data: Any) -> bool:
    if not isinstance(data, (dict, list)):
        return False
    return levels == 0 or any(_deeper_than(levels - 1, inner) for _, inner in _inside(data))


def _refuse_unkeepable(data: Any, taken: str) -> None:
    _refuse(list(dict.fromkeys(_unkeepable(data, "", taken))))


def _refuse(bad: list[str]) -> None:
    if bad:
        sentence = "Contains a character that cannot be kept: a control character or half a pair."
        raise ValidationError({path: [ErrorDetail(sentence, "unkeepable-character")] for path in bad})


def _unkeepable(data: Any, path: str, taken: str) -> Iterator[str]:
    """Where a text that cannot be kept stands, as dotted paths; a bad name counts to the object it stands in."""
    if isinstance(data, str) and UNKEEPABLE.search(data.replace(taken, "") if taken else data):
        yield path or "body"
    for name, inner in _inside(data):
        if isinstance(name, str) and UNKEEPABLE.search(name):
            yield path or "body"
        else:
            yield from _unkeepable(inner, f"{path}.{name}".lstrip("."), taken)
