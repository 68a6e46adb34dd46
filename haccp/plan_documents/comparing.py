"""What changed from one plan document to another, entry by entry."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

# What tells the entries of a list apart: the first of these that all entries have, each once.
_NAMED_BY = ("code", "person", "quantity", "what")
_ABSENT = object()


class Difference(NamedTuple):
    """``path`` in words; ``before`` and ``after`` as they stand in the documents, None = not there."""

    path: str
    before: Any
    after: Any


def differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[Difference]:
    """Every difference; empty only where both documents are the same."""
    return list(_between(old, new, ()))


def _between(old: Any, new: Any, path: tuple[str, ...]) -> Iterator[Difference]:
    if old == new:
        return
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        yield from _entries(old, new, path)
    elif isinstance(old, list) and isinstance(new, list) and (name := _naming(old, new)):
        yield from _named(old, new, name, path)
    else:
        yield Difference(", ".join(path), *(None if side is _ABSENT else side for side in (old, new)))


def _entries(old: Mapping[str, Any], new: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[Difference]:
    for name in {**old, **new}:
        words = (*path, str(name).replace("_", " "))
        yield from _between(old.get(name, _ABSENT), new.get(name, _ABSENT), words)


def _naming(old: list[Any], new: list[Any]) -> str | None:
    for name in _NAMED_BY:
        if _each_once(old, name) and _each_once(new, name):
            return name
    return None


def _each_once(items: list[Any], name: str) -> bool:
    """Whether ``name`` tells every item from the others."""
    names = [item.get(name) for item in items if isinstance(item, Mapping)]
    texts = [text for text in names if isinstance(text, str)]
    return len(texts) == len(items) == len(set(texts))


def _named(old: list[Any], new: list[Any], name: str, path: tuple[str, ...]) -> Iterator[Difference]:
    before, after = ({item[name]: item for item in side} for side in (old, new))
    for key in {**before, **after}:
        yield from _between(before.get(key, _ABSENT), after.get(key, _ABSENT), (*path, key))
    kept_before, kept_after = (
        [key for key in side if key in before and key in after] for side in (before, after)
    )
    if kept_before != kept_after:
        yield Difference(", ".join((*path, "order")), kept_before, kept_after)
