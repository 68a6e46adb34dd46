"""What a document states about a material, allergen by allergen: its shape, and everything wrong with it at once. Pure.

[{"allergen": "milk", "says": "contains"},
 {"allergen": "tree-nuts", "says": "may-contain", "because": "same line, not washed between"},
 {"allergen": "sulphites", "says": "contains", "mg_per_kg": "40"},
 {"allergen": "wheat", "says": "exempt", "because": "glucose syrup of wheat; Reg (EU) 1169/2011, Annex II, 1 (a)"},
 {"allergen": "peanut", "says": "free-of", "because": "supplier's assay 3/26, below 1 mg/kg"}]

``because``: of free of the evidence, of exempt the legal basis; both are needed. What is not stated is unknown.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from typing import Any

from batches.quantities import parse_number
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable
from haccp.allergens.vocabulary import Vocabulary

MOST = 200
LONGEST_BECAUSE = 500
MOST_MG_PER_KG = 1_000_000

_ENTRY = {"allergen", "says", "mg_per_kg", "because"}
_OTHER_AMOUNTS = {"amount", "value", "quantity", "concentration"}


class Says(StrEnum):
    CONTAINS = "contains"
    MAY_CONTAIN = "may-contain"
    FREE_OF = "free-of"
    EXEMPT = "exempt"


THERE = frozenset({Says.CONTAINS, Says.MAY_CONTAIN})
NEEDS = {Says.FREE_OF: "the evidence", Says.EXEMPT: "the legal basis"}


@dataclass(frozen=True)
class Said:
    """``mg_per_kg``: how much of it, where that was told; None is not known."""

    allergen: str
    says: Says
    mg_per_kg: Decimal | None
    because: str


def read(said: Any, vocabulary: Vocabulary) -> tuple[Said, ...]:
    """What is stated. Raises Unusable with every reason, each below the field ``says``."""
    reader = _Reader(vocabulary)
    entries = list(reader.entries(said))
    reader.reasons += _twice(entries)
    reader.reasons += _against_its_group(entries, vocabulary)
    if reader.reasons:
        raise Unusable(
            "The statement cannot be kept so. Nothing was written.",
            code="allergen-statement",
            reasons=reader.reasons,
        )
    return tuple(entry for _, entry in entries)


@lru_cache(maxsize=5000)
def from_text(text: str) -> list[dict[str, Any]]:
    """What a record says, as the database keeps it. Not to be changed: whoever has the same text has the same list."""
    found: list[dict[str, Any]] = json.loads(text)
    return found


def kept(said: list[dict[str, Any]]) -> tuple[Said, ...]:
    """What a record states, as it was accepted when it was written."""
    return tuple(
        Said(
            each["allergen"],
            Says(each["says"]),
            Decimal(each["mg_per_kg"]) if "mg_per_kg" in each else None,
            each.get("because", ""),
        )
        for each in said
    )


Entries = list[tuple[str, Said]]


def _twice(entries: Entries) -> Iterator[Reason]:
    first: dict[str, Said] = {}
    for place, entry in entries:
        known = first.setdefault(entry.allergen, entry)
        if known is entry:
            continue
        if (known.says in THERE) != (entry.says in THERE):
            sentence = f"{entry.allergen} cannot be both {known.says} and {entry.says}."
            yield Reason("contradictory", sentence, f"{place}.says")
        else:
            yield Reason("stated-twice", f"{entry.allergen} stands twice.", f"{place}.allergen")


def _against_its_group(entries: Entries, vocabulary: Vocabulary) -> Iterator[Reason]:
    """Nothing is free of a group and contains one of it; that a group is there and one of it is not may well be."""
    gone = {entry.allergen: entry.says for _, entry in entries if entry.says not in THERE}
    for place, entry in entries:
        if entry.says not in THERE:
            continue
        for group in sorted(vocabulary.groups_of(entry.allergen) - {entry.allergen}):
            if group in gone and len(vocabulary.members_of(group)) > 1:
                sentence = (
                    f"{entry.allergen} is one of {group}: {entry.says} the one, {gone[group]} the other."
                )
                yield Reason("contradictory", sentence, f"{place}.says")


class _Reader:
    def __init__(self, vocabulary: Vocabulary) -> None:
        self.vocabulary = vocabulary
        self.reasons: list[Reason] = []

    def refuse(self, code: str, detail: str, field: str) -> None:
        self.reasons.append(Reason(code, detail, field[:200]))

    def entries(self, said: Any) -> Iterator[tuple[str, Said]]:
        if not isinstance(said, list) or not 1 <= len(said) <= MOST:
            self.refuse(
                "shape", f"This is a list of 1 to {MOST} allergens with what is said of each.", "says"
            )
            return
        for index, each in enumerate(said):
            place = f"says.{index}"
            if not isinstance(each, dict):
                self.refuse("shape", "This is one object: allergen and says.", place)
            elif (entry := self.entry(each, place)) is not None:
                yield place, entry

    def entry(self, said: dict[str, Any], field: str) -> Said | None:
        self.names(said, field)
        allergen = said.get("allergen")
        if not isinstance(allergen, str) or not allergen:
            self.refuse("missing", "Name the allergen by its code.", f"{field}.allergen")
            allergen = ""
        elif allergen not in self.vocabulary.codes:
            self.reasons += self.vocabulary.unknown([allergen], f"{field}.allergen")
        says = said.get("says")
        if says not in list(Says):
            self.refuse("unknown-name", f"It is one of: {', '.join(Says)}.", f"{field}.says")
            return None
        word = Says(str(says))
        because = self.because(said, word, field)
        if word is Says.EXEMPT and because and allergen in self.vocabulary.codes:
            self.exemption(allergen, because, field)
        return Said(allergen, word, self.amount(said, word, field), because) if allergen else None

    def names(self, said: dict[str, Any], field: str) -> None:
        for name in sorted(set(said) - _ENTRY, key=str):
            if name in _OTHER_AMOUNTS:
                sentence = "An amount without its unit says nothing: give it as mg_per_kg, in mg/kg."
                self.refuse("unit-missing", sentence, f"{field}.{name}")
            else:
                sentence = f"{str(name)[:40]!a} is not known here; known: {', '.join(sorted(_ENTRY))}."
                self.refuse("unknown-field", sentence, f"{field}.{name}")

    def because(self, said: dict[str, Any], word: Says, field: str) -> str:
        because = said.get("because", "")
        if because == "" and word in NEEDS:
            self.refuse("missing", f"{word} needs {NEEDS[word]}.", f"{field}.because")
        elif because != "" and not is_one_line(because, LONGEST_BECAUSE):
            self.refuse(
                "not-one-line", f"Give one line of at most {LONGEST_BECAUSE} characters.", f"{field}.because"
            )
        return because if isinstance(because, str) else ""

    def exemption(self, allergen: str, because: str, field: str) -> None:
        """The legal basis is one that a list here knows: nothing is exempt because somebody thinks so."""
        if self.vocabulary.is_exemption(allergen, because):
            return
        known = [
            f"{place}: {each.name} ({each.basis})" for place, each in self.vocabulary.exemptions(allergen)
        ]
        told = f"Known: {'; '.join(known)}." if known else "They know none."
        sentence = (
            f"No allergen list here exempts {allergen} so. {told} Name the basis as it stands there, or say that it "
            "contains it; a group is stated kind by kind."
        )
        self.refuse("no-such-exemption", sentence, f"{field}.because")

    def amount(self, said: dict[str, Any], word: Says, field: str) -> Decimal | None:
        if "mg_per_kg" not in said:
            return None
        place = f"{field}.mg_per_kg"
        if word not in THERE:
            self.refuse("amount-of-nothing", f"What is {word} has no amount.", place)
        try:
            value = parse_number(said["mg_per_kg"], field=place, signed=False)
        except Unusable as refusal:
            self.reasons += refusal.reasons
            return None
        if value > MOST_MG_PER_KG:
            self.refuse("out-of-range", "A kilogram holds at most 1000000 mg.", place)
        return value
