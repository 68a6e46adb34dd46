"""A requirement, what answers it, and whether it is answered. Pure."""

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


def parts_of_provenance(text: str) -> list[str]:
    """``read (a; b); from memory`` in two."""
    return re.split(r"; (?![^(]*\))", text)


class State(StrEnum):
    ANSWERED = "answered"
    IN_PART = "answered in part"
    NOT = "not answered"


@dataclass(frozen=True, kw_only=True)
class Answer:
    """Where it is found (a document by its kind, a field by its path, a route by its name); and a test that shows it."""

    test: str
    document: str = ""
    field: str = ""
    route: str = ""


@dataclass(frozen=True, kw_only=True)
class Requirement:
    """``asks``: what is asked, in our own words. ``provenance``: how well its text is known. ``missing``: what is not there."""

    id: str
    source: str
    section: str
    asks: str
    provenance: str
    answers: tuple[Answer, ...] = ()
    missing: str = ""

    @property
    def provenance_words(self) -> tuple[str, ...]:
        """How well its text is known, without of which part each is said."""
        return tuple(dict.fromkeys(each.partition(" (")[0] for each in parts_of_provenance(self.provenance)))

    @property
    def state(self) -> State:
        if not self.answers:
            return State.NOT
        return State.IN_PART if self.missing else State.ANSWERED


@dataclass(frozen=True)
class Requirements:
    """``provenance``: what each word of it means. ``sources``: each with its name, in the order they are told in."""

    provenance: Mapping[str, str]
    sources: Mapping[str, str]
    entries: tuple[Requirement, ...]

    @property
    def counts(self) -> Counter[State]:
        return Counter(each.state for each in self.entries)
