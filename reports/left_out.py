"""What a document leaves out where it may leave the house, and the words of those who let it be in.

The records themselves are withheld in the evidence: their digests and proofs go along, so that nothing can be put in
their place later.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.utils.translation import gettext as _

from ledger import disclosures
from ledger.models import Disclosure, Establishment, Part
from ledger.stored import Stored
from reports.documents import Document, RecordLine

SAY_WHAT_WENT_IN = frozenset({"batches.trim-return", "batches.weighed-apart", "batches.brought-in"})
HOLD_FIGURES = frozenset({"haccp.recall-scope", "haccp.notice-arrived", "haccp.notice-reply"})
"""Records that keep how much of each lot was used and is here."""
TELLING = frozenset({"used", "counted"})
"""Movements that tell what went into a batch: those that took it, and counts, which show what is left of what came."""


@dataclass(frozen=True, kw_only=True)
class Included(RecordLine):
    """The word of a food-safety lead that confidential parts may be in here."""

    what: str
    given_to: str
    because: str

    @classmethod
    def by(cls, words: Collection[Disclosure]) -> "tuple[Included, ...]":
        return tuple(
            cls.of(each, what=_(each.get_part_display()), given_to=each.given_to, because=each.because)
            for each in words
        )


@dataclass(frozen=True, kw_only=True)
class LeavesOut(Document):
    """A document with a look for outside. ``left_out``: in words; empty of a whole one. ``included``: by whose word."""

    left_out: tuple[str, ...] = ()
    included: tuple[Included, ...] = ()

    def withholds(self, record: Stored) -> bool:
        return bool(self.left_out) and not self.included and tells_quantities(record)


def tells_quantities(record: Stored) -> bool:
    """Whether a record says how much of something went into a batch, or lets it be reckoned."""
    if record.kind == "batches.movement":
        return record.said.get("what") in TELLING
    return record.kind in SAY_WHAT_WENT_IN or record.kind in HOLD_FIGURES


def for_outside(about: Mapping[str, Any]) -> bool:
    """Whether a document is asked for as it may leave the house."""
    return bool(about.get("outside"))


def asked(about: Mapping[str, Any]) -> dict[str, Any]:
    """What was asked besides, as the reader of its kind knows it."""
    return {name: said for name, said in about.items() if name != "outside"}


def words(here: Establishment, subjects: Collection[UUID], part: Part = Part.RECIPE) -> list[Disclosure]:
    """Those that let this part go for every one of ``subjects``; none where one lacks it."""
    found = disclosures.standing_for(here, subjects, part)
    return list(found.values()) if found.keys() == set(subjects) else []
