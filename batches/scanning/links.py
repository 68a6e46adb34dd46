"""GS1 Digital Link: web addresses that hold GS1 fields (URI syntax of the standard, by its published examples). Pure."""

from collections.abc import Iterable, Iterator
from urllib.parse import quote, unquote, urlsplit

from batches.scanning import elements
from batches.scanning.elements import Element
from config.api.refusals import Unusable

QUALIFIERS = {"00": (), "01": ("22", "10", "21"), "414": ("254",), "417": ()}
"""Keys that name something here, and what may follow each, in this order."""
GTIN = "01"
CANONICAL = "https://id.gs1.org"


def read(address: str, start: int = 0) -> tuple[Element, ...] | None:
    """The fields of an address, or None where it holds none. Raises Unusable. Places count from ``start`` on."""
    try:
        split = urlsplit(address)
    except ValueError:
        return None
    if split.scheme.lower() not in ("http", "https") or not split.hostname:
        return None
    segments = list(_segments(split.path, start + address.find(split.path, len(split.scheme) + 3)))
    key = _key(segments)
    if key is None:
        return None
    found: dict[str, Element] = {}
    for ai, value, begins in _of_path(segments[key:]):
        full = value.zfill(14) if ai == GTIN else value
        _add(found, ai, full, begins - (len(full) - len(value)))
    query = start + len(address) - len(split.fragment) - (1 if split.fragment else 0) - len(split.query)
    for ai, value, begins in _of_query(split.query, query):
        _add(found, ai, value, begins)
    return tuple(found.values())


def _segments(path: str, begins: int) -> Iterator[tuple[str, int]]:
    for segment in path.split("/"):
        yield segment, begins
        begins += len(segment) + 1


def _key(segments: list[tuple[str, int]]) -> int | None:
    """Where the rightmost key stands: pairs follow to the end, and its own value is digits."""
    for at in range(len(segments) - 2, -1, -1):
        is_key = segments[at][0] in QUALIFIERS and (len(segments) - at) % 2 == 0
        if is_key and segments[at + 1][0].isdigit() and len(segments[at + 1][0]) >= 8:
            return at
    return None


def _of_path(segments: list[tuple[str, int]]) -> Iterator[tuple[str, str, int]]:
    key = segments[0][0]
    expected = list(QUALIFIERS[key])
    for (name, at), (value, begins) in zip(segments[::2], segments[1::2], strict=True):
        if name != key and name not in expected:
            told = ", ".join(expected) or "nothing"
            raise Unusable(
                f"Character {at + 1}: after ({key}) may follow {told}, in this order, not {name[:20]!a}.",
                code="unknown-identifier",
                field="text",
            )
        if name != key:
            expected = expected[expected.index(name) + 1 :]
        yield name, unquote(value), begins


def _of_query(query: str, begins: int) -> Iterator[tuple[str, str, int]]:
    """Names of digits only are identifiers; other names mean nothing to the standard."""
    for pair in query.replace(";", "&").split("&"):
        name, _, value = pair.partition("=")
        if name.isascii() and name.isdigit():
            if elements.known(name) is None:
                raise Unusable(
                    f"Character {begins + 1}: there is no GS1 application identifier {name[:20]}.",
                    code="unknown-identifier",
                    field="text",
                )
            yield name, unquote(value), begins + len(name) + 1
        begins += len(pair) + 1


def _add(found: dict[str, Element], ai: str, value: str, begins: int) -> None:
    identifier = elements.known(ai)
    if identifier is None:
        raise ValueError(f"{ai} is no identifier")
    elements.add(found, elements.element(identifier, value, begins), begins)


def write(fields: Iterable[Element], *, base: str = CANONICAL) -> str:
    """The address below ``base`` that holds the fields: key and what qualifies it as path, the rest asked after it."""
    said = {each.ai: each.value for each in fields}
    key = next(ai for ai in QUALIFIERS if ai in said)
    path = [key, *(ai for ai in QUALIFIERS[key] if ai in said)]
    rest = sorted(ai for ai in said if ai not in path)
    asked = "&".join(f"{ai}={quote(said[ai], safe='')}" for ai in rest)
    return base + "".join(f"/{ai}/{quote(said[ai], safe='')}" for ai in path) + (f"?{asked}" if asked else "")
