"""Bad input over the whole API: a clear 4xx in the form of RFC 9457, nothing written, never a 500.

Routes, bodies and filters are walked from the URL resolver and the OpenAPI document, so that a new route is
covered on the day it is added.
"""

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.asked import Asked, each, routes
from tests.scene import Scene, short

pytestmark = [pytest.mark.django_db, pytest.mark.fuzz]

# Refused as usual bodies are, by a rule of the work: the story has not got so far, or the draft is approved.
NOT_YET = {
    "deviations/{id}/closing": 409,
    "plans/{id}/versions": 409,
    "recalls/{id}/published": 409,  # an exercise publishes nothing
    "recipes/{id}/versions": 409,
}


# -- the ground this stands on ------------------------------------------------------------------------


def test_every_route_that_takes_a_body_is_documented_and_so_is_tried_here(scene: Scene) -> None:
    takes = {
        (method, _plain(address))
        for address, view in routes()
        if address.startswith("/api/v1/")
        for method in ("post", "patch", "put", "delete")
        if method in getattr(view.view_class, "http_method_names", ()) and hasattr(view.view_class, method)
    }
    tried = {(method, _plain(path)) for method, path in scene.operations("post", "patch", "put", "delete")}
    assert takes == tried
    assert len(takes) > 50


def _plain(address: str) -> str:
    return "/".join("{}" if part[:1] in "<{" and part else part for part in address.split("/"))


def taking_json(scene: Scene) -> list[tuple[str, str]]:
    found = []
    for method, path in scene.operations("post", "patch"):
        told = scene.body_schema(method, path)
        if told and told[0] == "application/json":
            found.append((method, path))
    return found


def test_every_body_is_taken_before_it_is_spoiled(scene: Scene, asked: Asked) -> None:
    """Otherwise what follows would prove that nothing is taken at all."""

    def look(method: str, path: str) -> None:
        answer = asked.ask(method, path, scene.body(method, path))
        expected = NOT_YET.get(short(path)) if method == "post" else None
        good = answer.status_code == expected if expected else answer.status_code in (200, 201, 202, 204)
        assert good, (answer.status_code, answer.content)

    each(taking_json(scene), look)


# -- bodies that are no use ---------------------------------------------------------------------------

DEEP = b"[" * 5000 + b"]" * 5000
NO_OBJECTS: list[tuple[str, bytes]] = [
    ("nothing", b""),
    ("a blank", b" "),
    ("null", b"null"),
    ("a list", b"[]"),
    ("a list of objects", b"[{}]"),
    ("text", b'"text"'),
    ("a number", b"7"),
    ("true", b"true"),
    ("cut off", b'{"note": '),
    ("NaN", b'{"note": NaN}'),
    ("infinity", b'{"note": -Infinity}'),
    ("1e309", b'{"note": 1e309}'),
    ("a number of 5000 digits", b'{"note": ' + b"9" * 5000 + b"}"),
    ("deep", DEEP),
    ("deep inside", b'{"note": ' + DEEP + b"}"),
    ("a name twice", b'{"note": "a", "note": "b"}'),
    ("U+0000", b'{"note": "\\u0000"}'),
    ("half a pair", b'{"note": "\\ud800"}'),
    ("U+0000 in a name", b'{"\\u0000": "a"}'),
    ("not UTF-8", b'{"note": "\xff"}'),
    ("Latin-1", '{"note": "nüsse"}'.encode("latin-1")),
    ("UTF-16", '{"note": "a"}'.encode("utf-16")),
    ("a form", b"note=a"),
    ("markup", b"<note/>"),
]


@pytest.mark.parametrize("content", [pytest.param(body, id=name) for name, body in NO_OBJECTS])
def test_a_body_that_is_no_json_object_is_refused_everywhere(
    scene: Scene, asked: Asked, content: bytes
) -> None:
    def look(method: str, path: str) -> None:
        answer = asked.ask(method, path, content)
        nothing = content == b"" and method == "patch"  # a change of nothing
        assert nothing or answer.status_code == 400, (answer.status_code, answer.content)

    each(taking_json(scene), look)
    assert asked.got_past_the_checks() == []


MEDIA_TYPES = ["text/plain", "application/xml", "application/x-www-form-urlencoded", "nonsense", "a/b/c", "é"]


@pytest.mark.parametrize("media_type", MEDIA_TYPES)
def test_another_media_type_is_refused_everywhere(scene: Scene, asked: Asked, media_type: str) -> None:
    def look(method: str, path: str) -> None:
        answer = asked.ask(method, path, scene.body(method, path), content_type=media_type)
        assert answer.status_code == 415, (answer.status_code, answer.content)

    each(taking_json(scene), look)


@pytest.mark.parametrize(
    "media_type",
    ["multipart/form-data", "multipart/form-data; boundary=é", "multipart/form-data; boundary=a"],
)
def test_a_form_that_is_none_is_refused_everywhere(scene: Scene, asked: Asked, media_type: str) -> None:
    def look(method: str, path: str) -> None:
        answer = asked.ask(method, path, b"--a\r\n", content_type=media_type)
        assert answer.status_code in (400, 415), (answer.status_code, answer.content)

    each(taking_json(scene), look)


@pytest.mark.parametrize("charset", ["utf-16", "latin-1", "nonsense", "é", '"'])
def test_a_charset_does_not_change_how_json_is_read(scene: Scene, asked: Asked, charset: str) -> None:
    """RFC 8259, section 8.1: JSON is UTF-8, and its media type has no charset."""
    said = f"application/json; charset={charset}"

    def look(method: str, path: str) -> None:
        asked.ask(method, path, scene.body(method, path), content_type=said)
        answer = asked.ask(method, path, '{"note": "ä"}'.encode("utf-16"), content_type=said)
        assert answer.status_code in (400, 415), (answer.status_code, answer.content)

    each(taking_json(scene), look)


def objects(body: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where an object with named fields stands; what is inside a draft or a limit is read by its own rules."""
    if isinstance(body, dict):
        yield path
    inside = body.items() if isinstance(body, dict) else enumerate(body) if isinstance(body, list) else ()
    for name, inner in inside:
        if name not in ("draft", "limit"):
            yield from objects(inner, (*path, name))


def test_a_name_that_is_not_known_is_refused_everywhere(scene: Scene, asked: Asked) -> None:
    """Also inside parts and in the items of a bulk post, which answer for themselves."""

    def look(method: str, path: str, place: tuple[Any, ...]) -> None:
        body = spoiled(scene.body(method, path), (*place, "instrumnt"), "a fact")
        answer = asked.ask(method, path, body)
        told = answer.json()
        if answer.status_code == 200:  # a bulk post
            (told,) = [each["problem"] for each in told["answers"]]
        fields = {error["field"]: error["code"] for error in told.get("errors", [])}
        assert "unknown-field" in fields.values(), (answer.status_code, answer.content[:300])
        assert any(name.endswith("instrumnt") for name in fields)

    bodies = ((method, path, scene.body(method, path)) for method, path in taking_json(scene))
    each(((method, path, place) for method, path, body in bodies for place in objects(body)), look)


def test_the_document_says_so_of_every_body(scene: Scene) -> None:
    for method, path in taking_json(scene):
        told = scene.body_schema(method, path)
        assert told is not None
        assert told[1]["additionalProperties"] is False, path


# -- values that are no use ---------------------------------------------------------------------------

SHAPES: list[Any] = [
    None,
    True,
    -1,
    10**30,
    [],
    [[None]],
    {},
    "",
    "a\nb",
    "x" * 5001,
    "\U0001f36c" * 41,
    "1e309",
    "9" * 40,
    "\u202e' OR 1=1; -- <script>{0}%s",
]
NUMBERS: list[Any] = [
    0,
    "NaN",
    "Infinity",
    "-1",
    "-0.0000000000000001",
    "0.1234567890123456789",
    "9" * 15,
    "9" * 16,
    "١٢",  # digits, but not ASCII ones
    "1,5",
    "0x10",
    "1_000",
]
TIMES: list[Any] = [
    "0000-00-00",
    "2026-02-30",
    "0001-01-01",
    "9999-12-31",
    "10000-01-01",
    "2026-W09-1",
    "0000-00-00T00:00:00Z",
    "0001-01-01T00:00:00+14:00",
    "0001-01-01T00:00:00Z",
    "0001-01-01T00:00:00-14:00",
    "9999-12-31T23:59:59-14:00",
    "9999-12-31T23:59:59.999999Z",
    "9999-12-31T00:00:00+14:00",
    "9998-12-31T23:59:59Z",
    "0002-01-01T00:00:00+14:00",
    "2026-03-02T09:30:00+23:59",
    "2026-03-02T09:30:00+01:00:30",
    "2026-03-02T09:30:00",
    "2026-03-02T23:59:60Z",
    "2026-03-02T09:30:00.1234567Z",
]
IDS: list[Any] = [
    7,
    "7",
    "00000000-0000-0000-0000-000000000000",
    "ffffffff-ffff-ffff-ffff-ffffffffffff",
    "{01980a3e-7c1b-7d44-9a55-0f2f3c7d1e10}",
]
SHARED = {"id", "performed_at", "performed_by", "place", "note", "sent_at", "corrects", "reason"}
PARTS = 20  # rows undone stay in the way of what follows in the same transaction, so that one long test grew to a quarter hour
ONE_OF = 8  # what all records share is read by one serializer: tried on every eighth route


def places(body: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where a value stands, at any depth."""
    inside = body.items() if isinstance(body, dict) else enumerate(body) if isinstance(body, list) else ()
    for name, inner in inside:
        yield (*path, name)
        yield from places(inner, (*path, name))


def spoiled(body: Any, place: tuple[Any, ...], value: Any) -> Any:
    copied = json.loads(json.dumps(body))
    inner = copied
    for name in place[:-1]:
        inner = inner[name]
    inner[place[-1]] = value
    return copied


def nasty_for(place: tuple[Any, ...], usual: Any) -> list[Any]:
    """Wrong shapes for all; and what is nearly right, by what usually stands there."""
    name = str(place[-1])
    if name.endswith(("_at", "_day", "_from", "_until", "since", "best_before")):
        return SHAPES + TIMES
    if (isinstance(usual, str) and usual.count("-") == 4) or name in ("id", "corrects"):
        return SHAPES + IDS
    if (isinstance(usual, str) and usual[:1].isdigit()) or isinstance(usual, int):
        return SHAPES + NUMBERS
    return SHAPES


def spoiled_bodies(scene: Scene, part: int) -> Iterator[tuple[str, str, tuple[Any, ...], Any]]:
    for number, (method, path) in enumerate(taking_json(scene)):
        if number % PARTS != part:
            continue
        body, told = scene.body(method, path), scene.body_schema(method, path)
        left_out = [(name,) for name in (told[1] if told else {}).get("properties", {}) if name not in body]
        for place in [*places(body), *left_out]:
            if place[0] in SHARED and number % ONE_OF:
                continue
            usual: Any = body
            for name in place:
                usual = usual[name] if place not in left_out else None
            for value in nasty_for(place, usual):
                yield method, path, place, spoiled(body, place, value)


@pytest.mark.parametrize("part", range(PARTS))
def test_no_value_in_any_field_of_any_body_brings_down_the_service(
    scene: Scene, asked: Asked, part: int
) -> None:
    """Some ten thousand requests. What is no use is refused by name before the database has to."""

    def look(method: str, path: str, place: tuple[Any, ...], body: Any) -> None:
        answer = asked.ask(method, path, body)
        assert not asked.got_past_the_checks()
        documented = scene.document["paths"][path][method]["responses"]
        assert str(answer.status_code) in documented, (answer.status_code, answer.content)

    each(spoiled_bodies(scene, part), look)
