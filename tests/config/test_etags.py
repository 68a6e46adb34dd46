"""``If-Match`` and ``If-None-Match`` as RFC 9110 (13.1.1, 13.1.2) and RFC 6585 (section 3: 428) have them."""

from typing import Any

import pytest

from tests.config.conftest import Asking


def change(ask: Asking, tag: str | None) -> Any:
    headers = {} if tag is None else {"if-match": tag}
    return ask.patch("/api/v1/kettle", {}, format="json", headers=headers)


def test_reading_gives_a_strong_etag_of_the_version(ask: Asking) -> None:
    assert ask.get("/api/v1/kettle")["ETag"] == '"7"'


def test_the_tag_that_was_read_lets_the_change_through(ask: Asking) -> None:
    answer = change(ask, ask.get("/api/v1/kettle")["ETag"])
    assert (answer.status_code, answer["ETag"]) == (200, '"7"')


@pytest.mark.parametrize("tags", ['"6", "7"', '"7","8"', '"foreign", "7"', ', "7" ,', 'W/"6", "7"'])
def test_one_of_several_tags_lets_the_change_through(ask: Asking, tags: str) -> None:
    """True if any listed tag matches (RFC 9110, 13.1.1); empty members of a list are ignored (5.6.1)."""
    assert change(ask, tags).status_code == 200


@pytest.mark.parametrize("tag", [None, "", "*"])
def test_no_version_is_428(ask: Asking, tag: str | None) -> None:
    answer = change(ask, tag)
    assert (answer.status_code, answer.json()["type"]) == (428, "/api/problems/version-missing")


@pytest.mark.parametrize(
    "tag",
    [
        '"6"',
        "7",
        'W/"7"',
        '"abc"',
        '"6", "8"',
        'W/"7", "6"',
        '"x7", 7',
        '"\xb2"',
        pytest.param('"' + "9" * 5000 + '"', id="5000-digits"),
        '"-7"',
        '" 7"',
    ],
)
def test_another_version_or_a_foreign_tag_is_412(ask: Asking, tag: str) -> None:
    """Strong comparison: a weak tag never matches (RFC 9110, 13.1.1)."""
    answer = change(ask, tag)
    assert (answer.status_code, answer.json()["type"]) == (412, "/api/problems/changed-meanwhile")


@pytest.mark.parametrize("tag", ['"7"', 'W/"7"', '"6", "7"', "*"])
def test_whoever_has_the_present_version_gets_no_body(ask: Asking, tag: str) -> None:
    """Weak comparison (RFC 9110, 13.1.2); the ETag stands in the 304 as in the 200 (15.4.5)."""
    answer = ask.get("/api/v1/kettle", headers={"if-none-match": tag})
    assert (answer.status_code, answer.content, answer["ETag"]) == (304, b"", '"7"')


@pytest.mark.parametrize("tag", ['"6"', "7", "", "nonsense", '"\xb2"'])
def test_whoever_has_another_version_gets_the_row(ask: Asking, tag: str) -> None:
    answer = ask.get("/api/v1/kettle", headers={"if-none-match": tag})
    assert (answer.status_code, answer.json()) == (200, {"name": "kettle"})
