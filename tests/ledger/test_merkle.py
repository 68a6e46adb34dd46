"""Merkle trees against the test data of the reference implementation and the definition in RFC 6962."""

import hashlib
import json
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.merkle import inclusion_path, leaf_hash, node_hash, root, root_from_path

PUBLISHED = json.loads((Path(__file__).parent / "vectors" / "rfc6962.json").read_text())
HASHES = PUBLISHED["hashes"]
LEAVES = [bytes.fromhex(leaf) for leaf in PUBLISHED["leaves"]]
ROOTS = [bytes.fromhex(value) for value in PUBLISHED["roots"]]
PROOFS = [(p["index"], p["size"], [bytes.fromhex(part) for part in p["path"]]) for p in PUBLISHED["paths"]]

trees = st.lists(st.binary(max_size=4), min_size=1, max_size=40)


def as_defined(leaves: list[bytes]) -> bytes:
    """MTH of RFC 6962 section 2.1, word for word: split at the largest power of two below the length."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return hashlib.sha256(b"\x00" + leaves[0]).digest()
    split = 1
    while split * 2 < len(leaves):
        split *= 2
    return hashlib.sha256(b"\x01" + as_defined(leaves[:split]) + as_defined(leaves[split:])).digest()


def path_as_defined(index: int, leaves: list[bytes]) -> list[bytes]:
    """PATH of RFC 6962 section 2.1.1, word for word."""
    if len(leaves) == 1:
        return []
    split = 1
    while split * 2 < len(leaves):
        split *= 2
    if index < split:
        return [*path_as_defined(index, leaves[:split]), as_defined(leaves[split:])]
    return [*path_as_defined(index - split, leaves[split:]), as_defined(leaves[:split])]


def test_single_hashes_are_as_published() -> None:
    assert root([]).hex() == HASHES["empty_tree"]
    assert leaf_hash(b"").hex() == HASHES["leaf_of_nothing"]
    assert leaf_hash(b"L123456").hex() == HASHES["leaf_of_L123456"]
    assert node_hash(b"N123", b"N456").hex() == HASHES["node_of_N123_N456"]


@pytest.mark.parametrize("size", range(1, 9))
def test_roots_are_as_published(size: int) -> None:
    assert root(LEAVES[:size]) == ROOTS[size - 1]


@pytest.mark.parametrize(("index", "size", "path"), PROOFS)
def test_inclusion_paths_are_as_published(index: int, size: int, path: list[bytes]) -> None:
    assert inclusion_path(LEAVES[:size], index) == path


@pytest.mark.parametrize(("index", "size", "path"), PROOFS)
def test_published_paths_lead_to_the_published_root(index: int, size: int, path: list[bytes]) -> None:
    assert root_from_path(LEAVES[index], index, size, path) == ROOTS[size - 1]


def corruptions(index: int, size: int, path: list[bytes]) -> dict[str, tuple[int, int, list[bytes]]]:
    """The ways in which the published tests (see the vectors' source) spoil a proof."""
    spoilt = {
        "index - 1": (index - 1, size, path),
        "index + 1": (index + 1, size, path),
        "index ^ 2": (index ^ 2, size, path),
        "size * 2": (index, size * 2, path),
        "size / 2": (index, size // 2, path),
        "trailing garbage": (index, size, [*path, b""]),
        "trailing root": (index, size, [*path, ROOTS[size - 1]]),
        "preceding garbage": (index, size, [b"", *path]),
        "preceding root": (index, size, [ROOTS[size - 1], *path]),
    }
    for place, part in enumerate(path):
        flipped = bytes([part[0] ^ 8]) + part[1:]
        spoilt[f"part {place} changed"] = (index, size, [*path[:place], flipped, *path[place + 1 :]])
    if path:
        spoilt["last part removed"] = (index, size, path[:-1])
    return spoilt


SPOILT = [
    pytest.param(LEAVES[index], size, spoilt, id=f"{index} of {size}: {name}")
    for index, size, path in PROOFS
    for name, spoilt in corruptions(index, size, path).items()
]


@pytest.mark.parametrize(("leaf", "size", "spoilt"), SPOILT)
def test_a_spoilt_proof_never_leads_to_the_root(leaf: bytes, size: int, spoilt: Any) -> None:
    with suppress(ValueError):
        assert root_from_path(leaf, *spoilt) != ROOTS[size - 1]


@pytest.mark.parametrize(
    ("index", "size", "path", "why"),
    [
        (8, 8, [], "no leaf 8"),
        (-1, 8, [], "no leaf -1"),
        (0, 0, [], "no leaf 0"),
        (0, 1, [bytes(32)], "too long"),
        (0, 8, [bytes(32)] * 4, "too long"),
        (0, 8, [bytes(32)] * 2, "too short"),
        (2, 3, [], "too short"),
        (0, 2, [bytes(31)], "31 bytes"),
    ],
)
def test_a_path_that_does_not_fit_the_tree_is_refused(
    index: int, size: int, path: list[bytes], why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        root_from_path(b"", index, size, path)


@pytest.mark.parametrize("index", [-1, 8])
def test_there_is_no_path_for_a_leaf_that_is_not_there(index: int) -> None:
    with pytest.raises(ValueError, match="no leaf"):
        inclusion_path(LEAVES, index)


@given(trees)
def test_any_root_is_as_the_rfc_defines_it(leaves: list[bytes]) -> None:
    assert root(leaves) == as_defined(leaves)


@given(trees, st.data())
def test_any_path_is_as_the_rfc_defines_it_and_leads_to_the_root(leaves: list[bytes], data: Any) -> None:
    index = data.draw(st.integers(0, len(leaves) - 1))
    path = inclusion_path(leaves, index)
    assert path == path_as_defined(index, leaves)
    assert root_from_path(leaves[index], index, len(leaves), path) == root(leaves)


@given(trees, st.data())
def test_a_path_leads_elsewhere_from_another_leaf(leaves: list[bytes], data: Any) -> None:
    index = data.draw(st.integers(0, len(leaves) - 1))
    path = inclusion_path(leaves, index)
    assert root_from_path(leaves[index] + b"!", index, len(leaves), path) != root(leaves)
