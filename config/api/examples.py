"""An example for a body, as the OpenAPI document shows it."""

from collections.abc import Callable
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer

WHEN = "2026-03-02T09:30:00+01:00"
ID = "01980a3e-7c1b-7d44-9a55-0f2f3c7d1e10"
PASSWORD = "a-sentence-only-you-know"


def example(**body: Any) -> Callable[[Any], Any]:
    """Show ``body`` with the serializer it decorates."""
    return extend_schema_serializer(examples=[OpenApiExample("usual", value=body, request_only=True)])


def example_form(**parts: Any) -> Callable[[Any], Any]:
    """The same for a body that brings a file."""
    shown = OpenApiExample("usual", value=parts, request_only=True, media_type="multipart/form-data")
    return extend_schema_serializer(examples=[shown])
