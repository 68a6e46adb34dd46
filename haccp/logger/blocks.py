"""Readings packed into blocks: four columns of whole numbers, each as its first value and small steps, compressed.

A block is zlib over: a form byte; for each column (at, offsets, digits, places) its first value (int64) and the width
of its steps (0 where all are alike, else 1, 2, 4 or 8 bytes); then the steps, all little-endian. Exact both ways.
"""

import hashlib
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from haccp.logger.readings import COLUMNS, Readings, Whole

A_BLOCK = 4096  # readings: somewhat more than an hour at one a second
FORM = 1
QUICK = 1  # zlib's level: the steps are small, more work gains little
HEAD = struct.Struct("<BI" + "qB" * len(COLUMNS))
MOST_BYTES = HEAD.size + A_BLOCK * 8 * len(COLUMNS)


class Damaged(ValueError):
    """These bytes are no block, or not one that was written here."""


@dataclass(frozen=True)
class Block:
    """``data``: as it is kept; ``sha256``: of the same before it was compressed, so that how hard a machine
    compresses makes no difference."""

    data: bytes
    sha256: str


def pack(readings: Readings) -> Iterator[Block]:
    """The blocks of a series, in order."""
    for start in range(0, len(readings), A_BLOCK):
        plain = _plain(readings.part(start, start + A_BLOCK))
        yield Block(zlib.compress(plain, QUICK), hashlib.sha256(plain).hexdigest())


def unpack(data: Iterable[bytes]) -> Readings:
    """The readings of blocks in their order. Raises Damaged."""
    packed = [_packed(inflate(each)) for each in data]
    if not packed:
        raise Damaged("no block")
    return Readings(*(_column(packed, at) for at in range(len(COLUMNS))))


def together(hashes: Iterable[str]) -> str:
    """One digest over the digests of blocks in their order."""
    return hashlib.sha256("".join(hashes).encode()).hexdigest()


def sha256_of(data: bytes) -> str:
    """What ``Block.sha256`` should be, from the bytes as they are kept. Raises Damaged."""
    return hashlib.sha256(inflate(data)).hexdigest()


def inflate(data: bytes) -> bytes:
    """Raises Damaged also for what is longer than any block."""
    inflating = zlib.decompressobj()
    try:
        plain = inflating.decompress(data, MOST_BYTES + 1)
    except zlib.error as error:
        raise Damaged(str(error)) from error
    if not inflating.eof or inflating.unused_data or len(plain) > MOST_BYTES:
        raise Damaged("cut short, or too long")
    return plain


def _plain(readings: Readings) -> bytes:
    firsts, steps = [], []
    for name in COLUMNS:
        column = getattr(readings, name)
        first, width, raw = _steps(column)
        firsts += [first, width]
        steps.append(raw)
    return HEAD.pack(FORM, len(readings), *firsts) + b"".join(steps)


def _steps(column: Whole) -> tuple[int, int, bytes]:
    """(first value, bytes a step, the steps)."""
    steps = np.diff(column)
    if not steps.any():
        return int(column[0]), 0, b""
    widest = max(-int(steps.min()) - 1, int(steps.max()))
    width = next(each for each in (1, 2, 4, 8) if widest < 1 << (8 * each - 1))
    return int(column[0]), width, steps.astype(f"<i{width}").tobytes()


@dataclass(frozen=True)
class _Packed:
    """A block before its columns are made: first value and steps of each; no steps where all are alike."""

    count: int
    firsts: Sequence[int]
    steps: Sequence[NDArray[np.signedinteger] | None]


def _packed(plain: bytes) -> _Packed:
    try:
        form, count, *firsts = HEAD.unpack_from(plain)
        if form != FORM or not 1 <= count <= A_BLOCK:
            raise Damaged(f"form {form}, {count} readings")
        steps: list[NDArray[np.signedinteger] | None] = []
        at = HEAD.size
        for width in firsts[1::2]:
            found = np.frombuffer(plain, f"<i{width}", count - 1, at) if width else None
            steps.append(found)
            at += width * (count - 1)
    except (struct.error, ValueError, TypeError) as error:
        raise Damaged(str(error)) from error
    return _Packed(count, firsts[::2], steps)


def _column(packed: Sequence[_Packed], which: int) -> Whole:
    """One column over all blocks. One that never changes takes no memory: it is a single value seen many times."""
    total, first = sum(block.count for block in packed), packed[0].firsts[which]
    if all(block.steps[which] is None and block.firsts[which] == first for block in packed):
        return np.broadcast_to(np.int64(first), total)
    column, begin = np.empty(total, dtype=np.int64), 0
    for block in packed:
        part, steps = column[begin : begin + block.count], block.steps[which]
        part[0] = block.firsts[which]
        if steps is None:
            part[1:] = part[0]
        else:
            part[1:] = steps
            np.cumsum(part, out=part)
        begin += block.count
    return column
