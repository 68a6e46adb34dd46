"""What the OpenAPI document says of every operation: the problem answers, and the headers of changes."""

from typing import Any

from drf_spectacular.openapi import AutoSchema

from config.api import kinds
from config.api.problems import MEDIA_TYPE, body_of

REASON = {
    "type": "object",
    "required": ["code", "detail"],
    "properties": {
        "code": {"type": "string", "description": "For programs."},
        "detail": {"type": "string", "description": "For people."},
        "field": {"type": "string", "description": "A dotted path, for example lines.0.quantity."},
        "ids": {"type": "array", "items": {"type": "string"}, "description": "What it concerns."},
    },
}
PROBLEM = {
    "type": "object",
    "description": "RFC 9457 problem details: what was wrong, where, what was kept, what to do next.",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference", "description": "Says what it means there."},
        "title": {"type": "string"},
        "status": {"type": "integer", "minimum": 400, "maximum": 599},
        "detail": {"type": "string"},
        "errors": {
            "type": "array",
            "description": "Values that cannot be used, with dotted paths; an empty path is the whole.",
            "items": REASON | {"required": ["field", "code", "detail"]},
        },
        "reasons": {
            "type": "array",
            "description": "Everything that stands in the way, all at once.",
            "items": REASON,
        },
        "reference": {"type": "string", "description": "What to tell the administrator after a 500."},
    },
}
NOT_A_NUMBER = {"field": "lines.0.quantity", "code": "invalid", "detail": "A valid number is required."}
HELD = {
    "code": "lot-held",
    "detail": "Lot SBC-26-061-1 is held.",
    "ids": ["0195557c-1f0e-7a34-8000-5a0e2f4c9b11"],
}
EXAMPLES = {
    400: body_of(400, "1 value cannot be used. Nothing was written.", kind="invalid", errors=[NOT_A_NUMBER]),
    409: body_of(409, "A held lot is not shipped. Nothing was written.", kind="rule-broken", reasons=[HELD]),
}
ALWAYS = (400, 401, 403, 404, 405, 406, 503)
OF_WRITES = (409, 413, 415, 429)
OF_CHANGES = (412, 428)
CHANGES = {"put", "patch", "delete"}
IF_MATCH = {
    "name": "If-Match",
    "in": "header",
    "required": True,
    "schema": {"type": "string"},
    "description": "The ETag last read.",
    "example": '"3"',
}
IF_NONE_MATCH = {
    "name": "If-None-Match",
    "in": "header",
    "schema": {"type": "string"},
    "description": "The ETag last read: 304 where that is what the answer would show.",
}
ETAG = {"description": "The version, for If-Match.", "schema": {"type": "string"}, "example": '"3"'}
NOT_MODIFIED = {"description": "Nothing changed since it was read.", "headers": {"ETag": ETAG}}
RETRY_AFTER = {"description": "Seconds to wait.", "schema": {"type": "integer"}}
AUTHENTICATE = {"description": "How to sign in.", "schema": {"type": "string"}, "example": "Bearer"}
HEADERS = {
    401: {"WWW-Authenticate": AUTHENTICATE},
    429: {"Retry-After": RETRY_AFTER},
    503: {"Retry-After": RETRY_AFTER},
}


class Operations(AutoSchema):
    """A post answers 201 for what is new and 200 for a repeat, unless the view says otherwise.

    ``shown_by`` of a view: how it shows what it read otherwise.
    """

    def get_response_serializers(self) -> Any:
        usual = super().get_response_serializers()
        if self.method == "POST" and usual and not isinstance(usual, dict):
            usual = getattr(self.view, "shown_by", None) or usual
        if self.method == "POST" and not isinstance(usual, dict):
            return {201: usual, 200: usual}
        return usual


def document_problems(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """drf-spectacular post-processing hook."""
    components = result.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    _lift_defaults(schemas)
    _close_bodies(result["paths"], schemas)
    schemas["Problem"] = PROBLEM
    components["responses"] = {_name(code): _problem(code) for code in ALWAYS + OF_WRITES + OF_CHANGES}
    for operations in result["paths"].values():
        changeable = bool(CHANGES & operations.keys())
        for method, operation in operations.items():
            answers = operation["responses"]
            for code in (*_codes(method), *_named(answers)):
                answers.setdefault(str(code), {"$ref": f"#/components/responses/{_name(code)}"})
            if method in CHANGES:
                operation.setdefault("parameters", []).append(IF_MATCH)
            if changeable and method == "get":
                operation.setdefault("parameters", []).append(IF_NONE_MATCH)
                answers["304"] = NOT_MODIFIED
            if changeable and "200" in operation["responses"]:
                operation["responses"]["200"].setdefault("headers", {})["ETag"] = ETAG
    return result


def _lift_defaults(schemas: dict[str, Any]) -> None:
    """An address that may be left blank has the default of the whole, not of the branch that is an address."""
    for schema in schemas.values():
        for field in schema.get("properties", {}).values():
            for branch in field.get("oneOf", ()):
                if "default" in branch:
                    field["default"] = branch.pop("default")


def _close_bodies(paths: dict[str, Any], schemas: dict[str, Any]) -> None:
    """A body takes the names it lists and no other (``config.api.bodies``)."""
    operations = [operation for path in paths.values() for operation in path.values()]
    waiting: list[Any] = [operation.get("requestBody", {}) for operation in operations]
    seen = set()
    while waiting:
        part = waiting.pop()
        if isinstance(part, list):
            waiting += part
        elif isinstance(part, dict):
            name = str(part.get("$ref", "")).rsplit("/", 1)[-1]
            if name and name not in seen:
                seen.add(name)
                waiting.append(schemas[name])
            if part.get("type") == "object" and "properties" in part:
                part.setdefault("additionalProperties", False)
            waiting += part.values()


def _codes(method: str) -> tuple[int, ...]:
    if method == "get":
        return ALWAYS
    return ALWAYS + OF_WRITES + (OF_CHANGES if method in CHANGES else ())


def _named(answers: dict[str, Any]) -> list[int]:
    """Problems that a view names beside the usual ones, as ``{412: None}``; taken out, to be described here."""
    named = [code for code in answers if int(code) >= 400 and "content" not in answers[code]]
    for code in named:
        del answers[code]
    return [int(code) for code in named]


def _name(code: int) -> str:
    return f"Problem{code}"


def _problem(code: int) -> dict[str, Any]:
    kind = kinds.BY_STATUS[code]
    example = EXAMPLES.get(code) or body_of(code, kind.meaning)
    answer: dict[str, Any] = {
        "description": f"{kind.title}. {kind.meaning}",
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}, "example": example}},
    }
    if code in HEADERS:
        answer["headers"] = HEADERS[code]
    return answer
