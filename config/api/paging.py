"""Pages by key, not by number: depth costs nothing and no count is made."""

from typing import Any

from rest_framework.exceptions import NotFound, ValidationError
from rest_framework.pagination import CursorPagination
from rest_framework.request import Request
from rest_framework.response import Response

LARGEST = 500


class CursorPaging(CursorPagination):
    """``limit`` 1 to 500 (100 if not said) and ``cursor`` from a page's ``next`` or ``previous``.

    The view's ``ordering`` must end in a unique field, so that ties keep their order. A cursor or limit that
    makes no sense is refused (400), never ignored.
    """

    page_size = 100
    page_size_query_param = "limit"
    max_page_size = LARGEST
    ordering = ("-recorded_at", "-id")

    def get_page_size(self, request: Request) -> int:
        text = request.query_params.get("limit")
        if text is None:
            return self.page_size
        if not (text.isascii() and text.isdigit() and 1 <= int(text[:9]) <= LARGEST):
            raise ValidationError({"limit": [f"Say a whole number from 1 to {LARGEST}."]})
        return int(text)

    def get_ordering(self, request: Request, queryset: Any, view: Any) -> tuple[str, ...]:
        return tuple(getattr(view, "ordering", self.ordering))

    def decode_cursor(self, request: Request) -> Any:
        try:
            cursor = super().decode_cursor(request)
        except NotFound as error:
            raise ValidationError(
                {"cursor": ["This cursor is not one of ours; start from the first page."]}
            ) from error
        return cursor

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> Any:
        from django.core.exceptions import ValidationError as ValueMakesNoSense

        try:
            return super().paginate_queryset(queryset, request, view)
        except (ValueMakesNoSense, ValueError) as error:
            raise ValidationError(
                {"cursor": ["This cursor is not one of ours; start from the first page."]}
            ) from error

    def get_paginated_response(self, data: Any) -> Response:
        return Response({"results": data, "next": self.get_next_link(), "previous": self.get_previous_link()})

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        link = {"type": ["string", "null"], "format": "uri"}
        return {
            "type": "object",
            "required": ["results", "next", "previous"],
            "properties": {"results": schema, "next": link, "previous": link},
        }
