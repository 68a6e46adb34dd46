"""A line of a despatch, whatever file it stood in. Pure, no Django."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from config.api.refusals import Reason, Unusable

MOST_TOLD = 100  # errors in one answer (site setting, no source)


@dataclass(frozen=True)
class Line:
    """``known_by``: texts that tell it from every other line of that supplier. ``said``: as it stood there, and under
    ``read`` what was made of it: document, despatched_at, item, gtin, description, lot, quantity, unit, best_before,
    sscc, each as text and only where it is told."""

    spot: str
    known_by: tuple[str, ...]
    said: dict[str, Any]

    @property
    def key(self) -> str:
        return hashlib.sha256(json.dumps(self.known_by).encode()).hexdigest()


@dataclass(frozen=True)
class Despatch:
    """``passed_over``: what stood in the file and is no despatch, each with its place."""

    lines: Sequence[Line]
    passed_over: Sequence[Reason] = ()


def refuse(file: str, wrong: Sequence[Reason]) -> None:
    """Raises Unusable with everything that is wrong."""
    if wrong:
        noun = "1 error" if len(wrong) == 1 else f"{len(wrong)} errors"
        raise Unusable(
            f"{file}: {noun}. Nothing was kept.", code="unusable-despatch", reasons=list(wrong[:MOST_TOLD])
        )


def doubled(lines: Iterable[Line]) -> list[Reason]:
    """Lines that nothing tells apart: they could be one delivery, told twice."""
    first: dict[str, str] = {}
    wrong = []
    for line in lines:
        before = first.setdefault(line.key, line.spot)
        if before != line.spot:
            sentence = f"{line.spot}: the same as {before}. Add them up, or tell the units apart (sscc)."
            wrong.append(Reason("line-twice", sentence, line.spot))
    return wrong
