"""Every route below an establishment, found by walking the URL resolver, and every reference its bodies take."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from types import SimpleNamespace
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver
from rest_framework import serializers

from ledger.api.scope import ScopedReference

HERE = "api/v1/establishments/<uuid:establishment>/"
METHODS = ("get", "post", "put", "patch", "delete")


@dataclass(frozen=True)
class Route:
    pattern: str
    view: Any
    names: tuple[str, ...]  # of the ids in the path
    methods: tuple[str, ...]

    def path(self, **ids: Any) -> str:
        path = self.pattern
        for name in self.names:
            path = path.replace(f"<uuid:{name}>", str(ids[name]))
        assert "<" not in path, f"{self.pattern}: not every part of the path is an id"
        return "/" + path


def _walk(patterns: Any, before: str = "") -> Iterator[tuple[str, URLPattern]]:
    for pattern in patterns:
        here = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from _walk(pattern.url_patterns, here)
        else:
            yield here, pattern


@cache
def routes() -> tuple[Route, ...]:
    found = []
    for path, pattern in _walk(get_resolver().url_patterns):
        if path.startswith(HERE):
            view: Any = pattern.callback.cls  # type: ignore[union-attr]
            names = tuple(pattern.pattern.converters)
            allowed = [m for m in METHODS if m in view.http_method_names and getattr(view, m, None)]
            found.append(Route(path, view, names, tuple(allowed)))
    return tuple(found)


def serializer_of(route: Route) -> Any:
    view = route.view()
    request: Any = SimpleNamespace(method="POST", query_params={}, user=None)
    view.kwargs, view.request, view.swagger_fake_view = {}, request, True
    view.format_kwarg = None
    return view.get_serializer_class()()


def references(
    serializer: Any, at: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], ScopedReference]]:
    """(place, field) of every reference that a body may hold; ``*`` stands for the items of a list."""
    for name, field in serializer.fields.items():
        if not field.read_only:
            yield from _in_field((*at, name), field)


def _in_field(at: tuple[str, ...], field: Any) -> Iterator[tuple[tuple[str, ...], ScopedReference]]:
    if isinstance(field, ScopedReference):
        yield at, field
    elif isinstance(field, (serializers.ListSerializer, serializers.ListField)):
        yield from _in_field((*at, "*"), field.child)
    elif isinstance(field, serializers.ManyRelatedField):
        yield from _in_field((*at, "*"), field.child_relation)
    elif isinstance(field, serializers.BaseSerializer):
        yield from references(field, at)


def body_with(place: tuple[str, ...], value: Any) -> Any:
    """A body that holds only this value at this place."""
    for name in reversed(place):
        value = [value] if name == "*" else {name: value}
    return value
