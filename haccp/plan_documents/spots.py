"""What a gap is, and small ways to ask a document for what it holds."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from config.api.refusals import Reason
from haccp.plan_documents.schema import field_of, place
from haccp.said import Begun, Said, joined, said

# The twelve steps of CXC 1-1969 (2020, revised 2022), chapter 2, in our own words. Their number was read in a
# notice of a FAO toolbox; their order and content are from memory.
CODEX_STEPS = {
    1: "team and scope",
    2: "description of the product",
    3: "intended use and consumers",
    4: "flow diagram",
    5: "flow confirmed on site",
    6: "hazards, their analysis and control measures",
    7: "critical control points",
    8: "critical limits and action criteria",
    9: "monitoring",
    10: "correction and corrective action",
    11: "validation and verification",
    12: "documents and records",
}


@dataclass(frozen=True)
class Gap(Reason):
    """What a plan still lacks. ``codex_step``: which of the twelve steps; 0 = the shape is wrong. ``eased_by``: the code of
    the house's relief under which it does not stand before approval; empty = it does."""

    codex_step: int = 0
    eased_by: str = ""


@dataclass(frozen=True)
class Spot:
    """A place in a document; makes the gaps found there."""

    document: Mapping[str, Any]
    path: tuple[str | int, ...] = ()

    def gap(self, step: int, code: str, sentence: str, *inside: str | int) -> Gap:
        path = (*self.path, *inside)
        words = place(self.document, path)
        return Gap(
            code,
            Begun("%(place)s: %(sentence)s", place=words, sentence=said(sentence)),
            field_of(path),
            codex_step=step,
        )

    def at(self, *inside: str | int) -> "Spot":
        return Spot(self.document, (*self.path, *inside))

    def entries(self, name: str) -> Iterator[tuple["Spot", Any]]:
        """The entries of a list of the document, each with its spot."""
        for number, entry in enumerate(self.document.get(name, [])):
            yield self.at(name, number), entry


def filled(value: object) -> bool:
    """Whether something is written there; blanks are nothing. A ``False`` is an answer."""
    return bool(value.strip()) if isinstance(value, str) else bool(value) or value is False


def lacking(part: Mapping[str, Any], names: Sequence[str]) -> list[str]:
    """Which of ``names`` are not filled in."""
    return [name for name in names if not filled(part.get(name))]


def fields(names: Sequence[str], between: str = ", ") -> Said:
    """Names of fields in words."""
    return joined(between, [Said(name.replace("_", " ")) for name in names])


def both(names: Sequence[Any]) -> Said:
    """Names with an *and* before the last; one that is ``Said`` is translated."""
    *most, last = names
    if not most:
        return joined("", [last])
    return Said("%(most)s and %(last)s", most=joined(", ", most), last=last)


def codes(document: Mapping[str, Any], name: str) -> set[str]:
    """The codes used in a list of the document."""
    return {entry["code"] for entry in document.get(name, [])}


def later_steps(document: Mapping[str, Any], code: str | None) -> set[str]:
    """The steps the flow leads to from step ``code``; from a material (None) every step."""
    onward = {step["code"]: step.get("to", []) for step in document.get("steps", [])}
    if code is None:
        return set(onward)
    reached: set[str] = set()
    ahead = list(onward.get(code, []))
    while ahead:
        here = ahead.pop()
        if here not in reached:
            reached.add(here)
            ahead += onward.get(here, [])
    return reached
