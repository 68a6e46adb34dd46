"""What the OpenAPI document says of every operation: the problem answers, and the headers of changes."""

from typing import Any

PROBLEM = {
    "type": "object",
    "description": "RFC 9457 problem details: what was wrong, where, what was kept, what to do next.",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "errors": {
            "type": "array",
            "description": "Fields that cannot be used, with dotted paths.",
            "items": {
                "type": "object",
                "required": ["field", "code", "detail"],
                "properties": {
                    "field": {"type": "string"},
                    "code": {"type": "string"},
                    "detail": {"type": "string"},
                },
            },
        },
        "reasons": {
            "type": "array",
            "description": "Everything that stands in the way, all at once.",
            "items": {
                "type": "object",
                "required": ["code", "detail"],
                "properties": {
                    "code": {"type": "string"},
                    "detail": {"type": "string"},
                    "field": {"type": "string"},
                    "ids": {"type": "array", "items": {"type": "string"}},
                },
            },
        },
        "reference": {"type": "string", "description": "What to tell the administrator after a 500."},
    },
    "example": {
        "type": "/api/problems/invalid",
        "title": "Some values cannot be used",
        "status": 400,
        "detail": "1 value cannot be used. Nothing was written.",
        "errors": [{"field": "quantity", "code": "unusable-value", "detail": "Not a number: NaN."}],
    },
}
WORDS = {
    "400": "A value or the request cannot be used.",
    "401": "No key, or one that is not known, has ended or was revoked.",
    "403": "The role does not allow this.",
    "404": "Nothing here for you: unknown, or another establishment's.",
    "405": "The address does not take this method.",
    "406": "No such form of answer.",
    "409": "A rule stands in the way, or the id is taken by other content.",
    "412": "Changed since it was read.",
    "413": "Too large.",
    "415": "Another media type than this takes.",
    "428": "If-Match is missing.",
    "429": "Too many wrong passwords; wait.",
    "503": "A service this needs does not answer; try again later.",
}
ALWAYS = ("400", "401", "403", "404", "405", "406", "503")
OF_WRITES = ("409", "413", "415", "429")
OF_CHANGES = ("412", "428")
IF_MATCH = {
    "name": "If-Match",
    "in": "header",
    "required": True,
    "schema": {"type": "string"},
    "description": "The ETag last read.",
    "example": '"3"',
}


def document_problems(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """drf-spectacular post-processing hook."""
    components = result.setdefault("components", {})
    components.setdefault("schemas", {})["Problem"] = PROBLEM
    for operations in result["paths"].values():
        for method, operation in operations.items():
            codes = ALWAYS
            if method != "get":
                codes += OF_WRITES
            if method in ("patch", "put"):
                codes += OF_CHANGES
                operation.setdefault("parameters", []).append(IF_MATCH)
            for code in codes:
                operation["responses"].setdefault(code, _problem(code))
    return result


def _problem(code: str) -> dict[str, Any]:
    return {
        "description": WORDS[code],
        "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }
