"""Canonical JSON against the test data of RFC 8785 and an implementation that is not ours."""

import hashlib
import json
from decimal import Decimal
from enum import IntEnum
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from ledger.canonical import LARGEST_INTEGER, NotCanonical, canonical, digest, hidden

PUBLISHED = json.loads((Path(__file__).parent / "vectors" / "rfc8785.json").read_text())
VECTORS = {vector["name"]: vector for vector in PUBLISHED["vectors"]}
WITH_FLOAT = sorted(name for name, vector in VECTORS.items() if "has_float" in vector)
WITHOUT_FLOAT = sorted(set(VECTORS) - set(WITH_FLOAT))

# Letters on both sides of the surrogates, where UTF-16 order and code point order part (RFC 8785, 3.2.3).
letters = st.characters(codec="utf-8") | st.sampled_from('a\x00\x1f\x7f"\\/\u2028\ufb33\uffff\U0001f602')
texts = st.text(letters, max_size=8)
scalars = st.none() | st.booleans() | texts | st.integers(-LARGEST_INTEGER, LARGEST_INTEGER)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=5),
    max_leaves=20,
)


@pytest.mark.parametrize("name", WITHOUT_FLOAT)
def test_published_input_gives_the_published_bytes(name: str) -> None:
    vector = VECTORS[name]
    assert canonical(json.loads(vector["input"])) == vector["output"].encode()


@pytest.mark.parametrize("name", WITH_FLOAT)
def test_published_input_with_a_float_is_refused(name: str) -> None:
    with pytest.raises(NotCanonical, match="float"):
        canonical(json.loads(VECTORS[name]["input"]))


def test_published_structures_fit_once_their_float_is_the_integer_it_is_printed_as() -> None:
    vector = VECTORS["structures"]
    value = json.loads(vector["input"], parse_float=lambda text: int(Decimal(text)))
    assert canonical(value) == vector["output"].encode()


def test_published_values_fit_once_their_floats_are_taken_out() -> None:
    value, expected = (json.loads(VECTORS["values"][side]) for side in ("input", "output"))
    del value["numbers"], expected["numbers"]
    printed = VECTORS["values"]["output"].split(',"numbers"')[0] + "}"
    assert canonical(value) == printed.encode()
    assert value == expected


@given(values)
def test_any_value_reads_as_the_rfc8785_package_writes_it(value: Any) -> None:
    assert canonical(value) == rfc8785.dumps(value)


@given(values)
def test_the_bytes_read_back_as_the_value(value: Any) -> None:
    assert json.loads(canonical(value)) == value


def test_keys_are_sorted_by_utf_16_code_units_at_every_level() -> None:
    inner = {"\ufb33": None, "\U0001f602": None}
    assert canonical([{"a": inner}]) == '[{"a":{"\U0001f602":null,"\ufb33":null}}]'.encode()


@pytest.mark.parametrize(
    "odd",
    [
        1.0,
        float("nan"),
        float("inf"),
        Decimal("1.5"),
        b"x",
        ("a",),
        {"a"},
        2**53,
        -(2**53),
        IntEnum("Grade", "A").A,
    ],
    ids=repr,
)
def test_what_has_no_canonical_form_is_refused_with_its_place(odd: Any) -> None:
    with pytest.raises(NotCanonical, match="/readings/1/value"):
        canonical({"kind": "check", "readings": ["fits", {"value": odd}]})


@pytest.mark.parametrize("whole", [LARGEST_INTEGER, -LARGEST_INTEGER, 0])
def test_the_largest_whole_numbers_pass(whole: int) -> None:
    assert canonical(whole) == str(whole).encode()


@pytest.mark.parametrize(
    "value", [{"note": "\ud800"}, {"a": ["\udc00x"]}, {"\udfff": "x"}, "\ud83d"], ids=ascii
)
def test_half_a_surrogate_pair_is_refused(value: Any) -> None:
    with pytest.raises(NotCanonical, match="surrogate"):
        canonical(value)


@pytest.mark.parametrize("key", [1, None, True, 1.5, b"x", ("a",)], ids=repr)
def test_a_key_that_is_not_text_is_refused(key: Any) -> None:
    with pytest.raises(NotCanonical, match="key"):
        canonical({"a": {key: "x"}})


@pytest.mark.parametrize("value", [{"é": {"ü": "x"}, "1": 1.5}, [{"é": "x"}, 1.5]], ids=ascii)
def test_an_odd_value_after_a_key_outside_ascii_is_still_refused(value: Any) -> None:
    with pytest.raises(NotCanonical, match="/1"):
        canonical(value)


def test_a_value_within_itself_is_refused_and_not_followed() -> None:
    loop: list[Any] = []
    loop.append(loop)
    with pytest.raises(NotCanonical, match="levels"):
        canonical(loop)


def test_the_digest_is_sha_256_of_the_bytes() -> None:
    assert digest({"b": "1", "a": None}) == hashlib.sha256(b'{"a":null,"b":"1"}').hexdigest()


def test_a_hidden_value_is_sha_256_of_salt_and_bytes() -> None:
    salt = bytes(range(16))
    assert hidden(salt, "12.500") == hashlib.sha256(salt + b'"12.500"').hexdigest()


@pytest.mark.parametrize("length", [0, 15, 17, 32])
def test_a_salt_of_another_length_is_refused(length: int) -> None:
    with pytest.raises(ValueError, match="16 bytes"):
        hidden(bytes(length), "12.500")
