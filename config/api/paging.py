"""Pages by key, not by number: depth costs nothing, no count is made, and rows that arrive move nothing."""

from datetime import date
from functools import reduce
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from django.core.signing import BadSignature, Signer
from django.db.models import Q
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response

USUAL, LARGEST = 100, 500


class CursorPaging(BasePagination):
    """``limit`` 1 to 500 (100 if not said) and ``cursor`` from a page's ``next`` or ``previous``.

    A view may say another ``largest``. Its ``ordering`` names fields that are never null and ends in a unique one, so that
    ties keep their order: ``("-recorded_at", "-id")`` if it says none. A cursor is signed for its list; one that we did not
    write, like a limit that makes no sense, is refused (400), never ignored.
    """

    ordering: tuple[str, ...] = ("-recorded_at", "-id")

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any]:
        self.request, limit = request, _limit(request, _largest(view))
        self.ordering = tuple(getattr(view, "ordering", self.ordering))
        self.signer = Signer(salt=f"{request.path} {self.ordering}")
        backward, key = self._cursor()
        ordering = _reversed(self.ordering) if backward else self.ordering
        if key:
            queryset = queryset.filter(_beyond(ordering, key))
        found = list(queryset.order_by(*ordering)[: limit + 1])
        more, page = len(found) > limit, found[:limit]
        self.page = page[::-1] if backward else page
        self.has_next, self.has_previous = (True, more) if backward else (more, bool(key))
        return self.page

    def _cursor(self) -> tuple[bool, list[Any]]:
        text = self.request.query_params.get("cursor")
        if text is None:
            return False, []
        try:
            backward, key = self.signer.unsign_object(text)
        except BadSignature as error:
            sentence = "This is not a cursor of this list; start from its first page."
            raise ValidationError({"cursor": [ErrorDetail(sentence, "bad-cursor")]}) from error
        return backward, key

    def _link(self, row: Any, *, backward: bool) -> str:
        key = [_plain(_value(row, name.lstrip("-"))) for name in self.ordering]
        address = urlsplit(self.request.build_absolute_uri())
        query = [pair for pair in parse_qsl(address.query, keep_blank_values=True) if pair[0] != "cursor"]
        query.append(("cursor", self.signer.sign_object([backward, key])))
        return address._replace(query=urlencode(query)).geturl()

    def get_paginated_response(self, data: Any) -> Response:
        following = self._link(self.page[-1], backward=False) if self.page and self.has_next else None
        previous = self._link(self.page[0], backward=True) if self.page and self.has_previous else None
        return Response({"results": data, "next": following, "previous": previous})

    def get_schema_operation_parameters(self, view: Any) -> list[dict[str, Any]]:
        whole = {"type": "integer", "minimum": 1, "maximum": _largest(view), "default": USUAL}
        return [
            {
                "name": "limit",
                "in": "query",
                "schema": whole,
                "description": "How many at most on a page.",
            },
            {
                "name": "cursor",
                "in": "query",
                "schema": {"type": "string"},
                "description": "From `next` or `previous` of another page of this list.",
            },
        ]

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        link = {"type": ["string", "null"], "format": "uri"}
        return {
            "type": "object",
            "required": ["results", "next", "previous"],
            "properties": {"results": schema, "next": link, "previous": link},
        }


def _largest(view: Any) -> int:
    largest: int = getattr(view, "largest", LARGEST)
    return largest


def _limit(request: Request, largest: int) -> int:
    text = request.query_params.get("limit")
    if text is None:
        return USUAL
    if not (text.isascii() and text.isdigit() and len(text) <= 4 and 1 <= int(text) <= largest):
        sentence = f"Say a whole number from 1 to {largest}."
        raise ValidationError({"limit": [ErrorDetail(sentence, "bad-limit")]})
    return int(text)


def _reversed(ordering: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(name[1:] if name.startswith("-") else f"-{name}" for name in ordering)


def _beyond(ordering: tuple[str, ...], key: list[Any]) -> Q:
    """Rows after ``key``: later in the first field, or level there and later in the next, and so on."""
    condition = Q()
    for name, value in reversed(list(zip(ordering, key, strict=True))):
        field, way = name.lstrip("-"), "lt" if name.startswith("-") else "gt"
        tied = Q(**{field: value}) & condition if condition else Q()
        condition = Q(**{f"{field}__{way}": value}) | tied
    # Says nothing new, but lets an index on the first field begin at the right place.
    return Q(**{f"{field}__{way}e": value}) & condition


def _value(row: Any, name: str) -> Any:
    return reduce(getattr, name.split("__"), row)


def _plain(value: Any) -> Any:
    """As JSON holds it without loss; the field reads it back."""
    if isinstance(value, (int, str)):
        return value
    return value.isoformat() if isinstance(value, date) else str(value)
