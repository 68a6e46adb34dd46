"""JSON as RFC 8259 and RFC 7493 (I-JSON) have it, and texts that both databases can keep."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.parsers import DEEPEST, UNKEEPABLE, StrictJSONParser
from tests.config.conftest import Asking


@pytest.mark.parametrize(
    "number",
    [
        "NaN",
        "Infinity",
        "-Infinity",
        "1e309",
        "-1e309",
        "1" * 41,
        pytest.param("1" * 5000, id="5000-digits"),
        pytest.param("0." + "1" * 5000, id="5000-decimals"),
    ],
)
def test_what_is_no_number_is_refused(ask: Asking, number: str) -> None:
    """RFC 8259, section 6: infinity and NaN are not permitted."""
    answer = ask.send("echo", f'{{"quantity": {number}}}')
    assert answer.status_code == 400
    assert "not JSON" in answer.json()["detail"]


@pytest.mark.parametrize("number", ["0.1", "1.50", "1E3", "-0.0", "123456789.123456789"])
def test_a_fraction_keeps_its_digits(ask: Asking, number: str) -> None:
    assert ask.send("echo", f'{{"quantity": {number}}}').json() == {"body": {"quantity": number}}


def test_a_name_that_stands_twice_is_refused_at_any_depth(ask: Asking) -> None:
    """RFC 7493, section 2.3."""
    assert ask.send("echo", '{"a": [{"b": 1, "b": 2}]}').status_code == 400


@pytest.mark.parametrize(
    "body",
    [b'{"a": "\xff"}', b'{"a": "\xed\xa0\x80"}', '{"a": "ä"}'.encode("latin-1"), b'\xef\xbb\xbf{"a": 1}'],
)
def test_what_is_not_utf_8_without_a_mark_is_refused(ask: Asking, body: bytes) -> None:
    """RFC 8259, section 8.1."""
    assert ask.send("echo", body).status_code == 400


@pytest.mark.parametrize(
    "body", ["{", "{'a': 1}", '{"a": 1,}', "", " ", '{"a": "\x01"}', pytest.param("[" * 100_000, id="deep")]
)
def test_what_is_not_json_is_refused(ask: Asking, body: str) -> None:
    answer = ask.send("echo", body)
    # An empty body is no body: the view decides.
    assert answer.status_code == (200 if body == "" else 400)


def nested(levels: int) -> str:
    return "[" * levels + "]" * levels


def test_nesting_ends_somewhere(ask: Asking) -> None:
    assert ask.send("echo", nested(DEEPEST)).status_code == 200
    assert ask.send("echo", nested(DEEPEST + 1)).status_code == 400
    assert ask.send("echo", nested(900)).status_code == 400


def test_many_shallow_lists_are_not_deep(ask: Asking) -> None:
    assert ask.send("echo", json.dumps([[1]] * (DEEPEST * 2))).status_code == 200


@pytest.mark.parametrize(
    "text", [r"\u0000", r"\ud800", r"\udfff", r"\udc00\ud800", r"\u0007", r"\u001d", "\x7f"]
)
def test_a_character_that_cannot_be_kept_is_refused_by_the_path_of_its_field(ask: Asking, text: str) -> None:
    answer = ask.send("echo", f'{{"note": "fine", "lines": [{{"note": "a"}}, {{"note": "b{text}"}}]}}')
    assert answer.status_code == 400
    (error,) = answer.json()["errors"]
    assert (error["field"], error["code"]) == ("lines.1.note", "unkeepable-character")


def test_all_such_fields_are_named_at_once(ask: Asking) -> None:
    errors = ask.send("echo", r'{"a": "\u0000", "b": {"c": "\u0000"}, "d\u0000": "\u0000"}').json()["errors"]
    assert [error["field"] for error in errors] == ["a", "b.c", "body"]


@pytest.mark.parametrize("text", [r"\ud83c\udf6c", "\U0001f36c", r"\t\r\n", "\\\\u0000", "é", r"\u00e9"])
def test_other_texts_pass(ask: Asking, text: str) -> None:
    assert ask.send("echo", f'{{"note": "{text}"}}').status_code == 200


@pytest.mark.parametrize("query", ["a=1&note=%00", "note=%ff", "note=%ED%A0%80", "note=%01"])
def test_a_query_with_such_a_character_is_refused_by_name(ask: Asking, query: str) -> None:
    answer = ask.get(f"/api/v1/echo?{query}")
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "note")


def test_a_query_in_utf_8_passes(ask: Asking) -> None:
    answer = ask.get("/api/v1/echo?note=n%C3%BCsse&empty=")
    assert answer.json() == {"query": {"note": ["nüsse"], "empty": [""]}}


keepable = st.text(st.characters(exclude_categories=["Cs"])).filter(lambda text: not UNKEEPABLE.search(text))
values = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**20), 10**20) | keepable,
    lambda inner: st.lists(inner) | st.dictionaries(keepable, inner),
    max_leaves=20,
)


@given(values)
def test_what_has_no_fraction_comes_out_as_it_went_in(value: Any) -> None:
    from io import BytesIO

    for text in (json.dumps(value), json.dumps(value, ensure_ascii=False)):
        assert StrictJSONParser().parse(BytesIO(text.encode())) == value
