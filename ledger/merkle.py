"""Merkle trees as in RFC 6962 section 2.1 (the same tree as RFC 9162 section 2.1), over SHA-256.

Both RFCs split a list at the largest power of two below its length. Joining neighbours level by level, an odd
last one going up as it is, gives the same tree without recursion.
"""

from collections.abc import Iterable, Sequence
from functools import reduce
from hashlib import sha256

HASH_BYTES = 32


def leaf_hash(data: bytes) -> bytes:
    """Hash of one leaf's data; the byte 0x00 keeps leaves and nodes apart."""
    return sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of an inner node; the byte 0x01 keeps leaves and nodes apart."""
    return sha256(b"\x01" + left + right).digest()


def root(leaves: Iterable[bytes]) -> bytes:
    """Root (32 bytes) of the tree over the leaves' data, in order. No leaves: SHA-256 of nothing.

    Whole trees of falling size wait for what follows, as many as the count of leaves has ones, so that any number of
    leaves takes no more memory than a few.
    """
    whole: list[bytes] = []
    count = 0
    for count, data in enumerate(leaves, 1):
        whole.append(leaf_hash(data))
        size = count
        while size % 2 == 0:
            right = whole.pop()
            whole.append(node_hash(whole.pop(), right))
            size //= 2
    if not count:
        return sha256().digest()
    return reduce(lambda right, left: node_hash(left, right), reversed(whole))


def inclusion_path(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """The sibling hashes from leaf ``index`` (from 0) up to the root. Raises ValueError for no such leaf."""
    return inclusion_paths(leaves, [index])[0]


def inclusion_paths(leaves: Sequence[bytes], indices: Sequence[int]) -> list[list[bytes]]:
    """The same for several leaves of one tree, which is built once. Raises ValueError for no such leaf."""
    for index in indices:
        _refuse_index(index, len(leaves))
    level, places = [leaf_hash(data) for data in leaves], list(indices)
    paths: list[list[bytes]] = [[] for _ in places]
    while len(level) > 1:
        for path, place in zip(paths, places, strict=True):
            sibling = place ^ 1
            if sibling < len(level):
                path.append(level[sibling])
        level, places = _above(level), [place >> 1 for place in places]
    return paths


def shared_path(leaves: Sequence[bytes], indices: Sequence[int]) -> list[bytes]:
    """The hashes that several leaves of one tree lack between them to come to its root: level by level, from the left.

    What one of them brings another need not bring again: all leaves lack nothing, and of one leaf it is its inclusion path.
    """
    for index in indices:
        _refuse_index(index, len(leaves))
    level, known = [leaf_hash(data) for data in leaves], set(indices)
    path: list[bytes] = []
    while len(level) > 1:
        siblings = (place ^ 1 for place in sorted(known))
        path += [level[place] for place in siblings if place < len(level) and place not in known]
        level, known = _above(level), {place >> 1 for place in known}
    return path


def root_from_path(leaf_data: bytes, index: int, size: int, path: Sequence[bytes]) -> bytes:
    """The root that an inclusion path leads to: RFC 9162 section 2.1.3.2, steps 1 to 5.

    The caller compares it with the root it trusts. Raises ValueError for an index outside the tree, or a path
    that is too long, too short, or not of 32-byte hashes.
    """
    _refuse_index(index, size)
    node, last, reached = index, size - 1, leaf_hash(leaf_data)
    for sibling in path:
        if len(sibling) != HASH_BYTES:
            raise ValueError(f"A hash in the path has {len(sibling)} bytes instead of {HASH_BYTES}.")
        if last == 0:
            raise ValueError(f"The path is too long for leaf {index} of {size}.")
        if node & 1 or node == last:
            reached = node_hash(sibling, reached)
            while not node & 1 and node:
                node, last = node >> 1, last >> 1
        else:
            reached = node_hash(reached, sibling)
        node, last = node >> 1, last >> 1
    if last:
        raise ValueError(f"The path is too short for leaf {index} of {size}.")
    return reached


def _above(level: list[bytes]) -> list[bytes]:
    pairs = [node_hash(left, right) for left, right in zip(level[::2], level[1::2], strict=False)]
    return pairs + level[-1:] if len(level) % 2 else pairs


def _refuse_index(index: int, size: int) -> None:
    if not 0 <= index < size:
        raise ValueError(f"There is no leaf {index} in a tree of {size}.")
