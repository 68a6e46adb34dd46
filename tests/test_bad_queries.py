"""Bad addresses, queries, headers, methods and forms over the whole API: a clear 4xx, never a 500."""

import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest

from tests.asked import Asked, each, routes
from tests.scene import BASE, NOW, PNG, Scene

pytestmark = [pytest.mark.django_db, pytest.mark.fuzz]

NASTY = [
    "",
    " ",
    "x",
    "x" * 5000,
    "0",
    "-1",
    "1.5",
    "1e309",
    "NaN",
    str(2**31),
    str(2**63),
    str(10**30),
    "9" * 5000,
    "١",
    "true",
    "TRUE",
    "null",
    "None",
    "[]",
    "{}",
    "0000-00-00",
    "0001-01-01",
    "9999-12-31",
    "2026-02-30",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59.999999-14:00",
    "2026-03-02T09:30:00",
    "00000000-0000-0000-0000-000000000000",
    "{01980a3e-7c1b-7d44-9a55-0f2f3c7d1e10}",
    "' OR 1=1; --",
    "\u202e",
]


def filters(scene: Scene) -> Iterator[tuple[str, dict[str, Any]]]:
    for _, path in scene.operations("get"):
        for parameter in scene.document["paths"][path]["get"].get("parameters", ()):
            if parameter["in"] == "query":
                yield path, parameter


def with_query(scene: Scene, path: str, name: str, value: str) -> str:
    return f"{scene.address(path)}?{name}={quote(value)}"


def get(asked: Asked, address: str, **more: Any) -> Any:
    answer = asked.client.get(address, **more)
    if answer.status_code != 200:
        asked.must_be_a_problem("get", answer)
    assert not asked.got_past_the_checks()
    return answer


def test_no_value_of_any_filter_brings_down_the_service(scene: Scene, asked: Asked) -> None:
    def look(path: str, parameter: dict[str, Any], value: str) -> None:
        answer = get(asked, with_query(scene, path, parameter["name"], value))
        # 409: a lot that is not held has no such tag, whatever is asked
        assert answer.status_code in (200, 400, 404, 409), answer.status_code

    each(((path, told, value) for path, told in filters(scene) for value in NASTY), look)


@pytest.mark.parametrize("value", ["x", "x" * 5000, "9999-12-31", "1.5", "[]"])
def test_a_filter_that_wants_an_id_a_day_a_truth_or_a_number_says_so(
    scene: Scene, asked: Asked, value: str
) -> None:
    """A filter that cannot be read is refused by name: ignored, it would show too much."""

    def look(path: str, parameter: dict[str, Any]) -> None:
        answer = get(asked, with_query(scene, path, parameter["name"], value))
        assert answer.status_code == 400, answer.status_code
        assert parameter["name"] in {error["field"] for error in answer.json()["errors"]}

    strict = [
        (path, told)
        for path, told in filters(scene)
        if told["name"] in ("limit", "cursor")
        or told["schema"].get("format") == "uuid"
        or told["schema"].get("type") in ("boolean", "integer", ["boolean", "null"])
        or ("enum" in told["schema"] and told["name"] != "format")
    ]
    each(strict, look)


def test_a_filter_that_is_asked_twice_or_is_not_known_brings_nothing_down(scene: Scene, asked: Asked) -> None:
    def look(path: str, parameter: dict[str, Any]) -> None:
        name = parameter["name"]
        get(asked, f"{scene.address(path)}?{name}=x&{name}=y&{name}[]=z&nonsense=1&=&&%5B%5D")

    each(filters(scene), look)


def test_a_cursor_of_another_list_or_of_nobody_is_refused(scene: Scene, asked: Asked) -> None:
    lists = [path for path, told in filters(scene) if told["name"] == "cursor"]
    first = get(asked, f"{scene.address(BASE + 'movements')}?limit=1").json()["next"].split("cursor=")[1]
    forged = ["x", "W10:x", first[:-1], first + "x", first.replace("%3A", "%3A%3A"), "%3A".join("abc")]

    def look(path: str, cursor: str) -> None:
        answer = get(asked, f"{scene.address(path)}?cursor={cursor}")
        assert answer.status_code == 400, answer.status_code

    each(((path, cursor) for path in lists for cursor in forged), look)
    each(((path, first) for path in lists if path != BASE + "movements"), look)


WRONG_IDS = [
    "x",
    "0",
    "..",
    "%2e%2e",
    "null",
    "00000000-0000-0000-0000-000000000000",
    "FFFFFFFF-FFFF-FFFF-FFFF-FFFFFFFFFFFF",
    "01980a3e7c1b7d449a550f2f3c7d1e10",
    "%00",
    "%ff",
    "x" * 5000,
]


@pytest.mark.parametrize("wrong", WRONG_IDS)
def test_an_address_with_a_wrong_id_is_not_there(scene: Scene, asked: Asked, wrong: str) -> None:
    def look(method: str, path: str, place: int) -> None:
        parts = path.split("{")
        ahead, behind = "{".join(parts[:place]), "{".join(parts[place:]).split("}", 1)[1]
        answer = asked.ask(method, ahead + wrong + behind, {})
        # A body is read before the row is looked for, so an empty one may be what is refused.
        assert answer.status_code == 404 or (method == "post" and answer.status_code == 400)

    each(
        (
            (method, path, place)
            for method, path in scene.operations("get", "post", "patch")
            for place in range(1, path.count("{") + 1)
        ),
        look,
    )


METHODS = ["options", "head", "put", "delete", "trace", "copy", "get", "post", "patch"]


@pytest.mark.parametrize("method", METHODS)
def test_no_method_on_any_route_brings_down_the_service(scene: Scene, asked: Asked, method: str) -> None:
    """Every address of the resolver, documented or not, with an empty body."""

    documented = {(way, _plain(path)) for way, path in scene.operations("put", "delete")}

    def look(path: str) -> None:
        answer = asked.ask(method, path, {} if method in ("put", "post", "patch") else None)
        if method in ("put", "delete", "trace", "copy") and (method, _plain(path)) not in documented:
            assert answer.status_code == 405, answer.status_code

    each(((path,) for path in addresses()), look)


def _plain(path: str) -> str:
    return re.sub(r"{\w+}", "{}", path)


def addresses() -> Iterator[str]:
    """As the document writes them; a part that is no id is left as a word."""
    for address, _ in routes():
        if address.startswith("/api/"):
            parts = address.split("/")
            named = [
                "{" + part.split(":")[1].rstrip(">") + "}" if part.startswith("<uuid:") else part
                for part in parts
            ]
            yield "/".join("word" if part.startswith("<") else part for part in named)


TAGS = [
    "",
    "*",
    "1",
    '""',
    '"x"',
    'W/"1"',
    '"-1"',
    '"0"',
    f'"{10**30}"',
    '"9999999999"',
    "é",
    '"١"',
    '"' * 5000,
]


@pytest.mark.parametrize("tag", TAGS)
def test_a_change_with_a_tag_that_is_none_writes_nothing(scene: Scene, asked: Asked, tag: str) -> None:
    def look(method: str, path: str) -> None:
        answer = asked.ask(method, path, scene.body(method, path), HTTP_IF_MATCH=tag)
        assert answer.status_code in (412, 428), answer.status_code

    each(scene.operations("patch"), look)


@pytest.mark.parametrize(
    "accept", ["text/html", "application/yaml", "nonsense", "*/*;q=x", "é", ";", "a/b" * 2000]
)
def test_what_is_accepted_brings_nothing_down(scene: Scene, asked: Asked, accept: str) -> None:
    def look(_: str, path: str) -> None:
        answer = get(asked, scene.address(path), HTTP_ACCEPT=accept)
        assert answer.status_code in (200, 400, 404, 406, 409), answer.status_code

    each(scene.operations("get"), look)


@pytest.mark.parametrize(
    "key", ["", "Bearer", "Bearer a b", "Bearer é", "Basic eA==", "Bearer " + "x" * 5000, "Bearer \x01"]
)
def test_a_key_that_is_none_is_answered_401_everywhere(scene: Scene, asked: Asked, key: str) -> None:
    asked.client.credentials(HTTP_AUTHORIZATION=key)

    def look(method: str, path: str) -> None:
        answer = asked.ask(method, path, {})
        assert (answer.status_code, answer["WWW-Authenticate"]) == (401, "Bearer"), answer.status_code

    each(((m, p) for m, p in scene.operations("get", "post", "patch") if p != "/api/v1/keys"), look)


# -- the one form ---------------------------------------------------------------------------------------

HEAD = "--b\r\nContent-Disposition: form-data; "
PARTS = {
    "performed_at": f'name="performed_at"\r\n\r\n{NOW}\r\n'.encode(),
    "target": b'name="target"\r\n\r\n{target}\r\n',
    "file": b'name="file"; filename="a.png"\r\nContent-Type: image/png\r\n\r\n' + PNG + b"\r\n",
}
FORMS: dict[str, dict[str, bytes]] = {
    "no file": {"file": b""},
    "no target": {"target": b""},
    "a file that is text": {"file": b'name="file"\r\n\r\ntext\r\n'},
    "an empty file": {"file": b'name="file"; filename="a.png"\r\nContent-Type: image/png\r\n\r\n\r\n'},
    "a file without a name": {
        "file": b'name="file"; filename=""\r\nContent-Type: image/png\r\n\r\n' + PNG + b"\r\n"
    },
    "a file of another kind": {
        "file": b'name="file"; filename="a.png"\r\nContent-Type: image/png\r\n\r\nGIF89a\r\n'
    },
    "a media type of another": {
        "file": b'name="file"; filename="a.html"\r\nContent-Type: text/html\r\n\r\n' + PNG + b"\r\n"
    },
    "a target that is a file": {
        "target": b'name="target"; filename="a.png"\r\nContent-Type: image/png\r\n\r\n' + PNG + b"\r\n"
    },
    "a time that is none": {"performed_at": b'name="performed_at"\r\n\r\n0000-00-00\r\n'},
    "a time that is a file": {"performed_at": b'name="performed_at"; filename="a"\r\n\r\n1\r\n'},
    "U+0000 in a text": {"note": b'name="note"\r\n\r\na\x00b\r\n'},
    "half a pair in a text": {"note": b'name="note"\r\n\r\n\xed\xa0\x80\r\n'},
    "a control character in a text": {"place": b'name="place"\r\n\r\na\x01b\r\n'},
    "a text too long": {"note": b'name="note"\r\n\r\n' + b"x" * 4001 + b"\r\n"},
}


def form(scene: Scene, changed: dict[str, bytes]) -> bytes:
    parts = {**PARTS, **changed}
    whole = b"".join(HEAD.encode() + part for part in parts.values() if part) + b"--b--\r\n"
    return whole.replace(b"{target}", scene.ids["target"].encode())


def send(asked: Asked, content: bytes) -> Any:
    return asked.ask("post", BASE + "attachments", content, content_type="multipart/form-data; boundary=b")


def test_the_form_is_taken_before_it_is_spoiled(scene: Scene, asked: Asked) -> None:
    assert send(asked, form(scene, {})).status_code == 201


@pytest.mark.parametrize("changed", [pytest.param(change, id=name) for name, change in FORMS.items()])
def test_a_form_that_cannot_be_used_is_refused(scene: Scene, asked: Asked, changed: dict[str, bytes]) -> None:
    answer = send(asked, form(scene, changed))
    assert answer.status_code == 400, (answer.status_code, answer.content)
    assert not asked.got_past_the_checks()


NAMES = [
    "../../a.png",
    "a\\..\\b.png",
    "x" * 300 + ".png",
    "\u202egnp.a",
    "a\r\nb.png",
    '"; x="',
    "é.png",
    "a\x00b.png",
]


@pytest.mark.parametrize("name", NAMES)
def test_the_name_of_a_file_does_no_harm(scene: Scene, asked: Asked, name: str) -> None:
    """It is kept for people only; the storage names a file by its hash."""
    part = (
        b'name="file"; filename="' + name.encode() + b'"\r\nContent-Type: image/png\r\n\r\n' + PNG + b"\r\n"
    )
    answer = send(asked, form(scene, {"file": part}))
    assert answer.status_code in (201, 400), (answer.status_code, answer.content)
    if answer.status_code == 201:
        kept = answer.json()["file_name"]
        assert not set(kept) & set("/\\\r\n\0")


@pytest.mark.parametrize("cut", [0, 1, 10, 60, -1, -4, -12, -60])
def test_a_form_that_is_cut_off_is_refused_or_whole(scene: Scene, asked: Asked, cut: int) -> None:
    answer = send(asked, form(scene, {})[:cut])
    assert answer.status_code in (201, 400), (answer.status_code, answer.content)
    if answer.status_code == 201:
        assert answer.json()["size"] == str(len(PNG)) or answer.json()["size"] == len(PNG)
