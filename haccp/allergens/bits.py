"""Allergens as bits of one whole number: what a lot contains, may contain, is exempt from, is not stated, side by side.

Pure. ``n`` codes make a plane; the planes lie one above the other, so that one OR carries all of them.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from enum import IntEnum
from typing import Any, NamedTuple

from haccp.allergens.saying import Says, from_text
from haccp.allergens.vocabulary import Vocabulary

MOST_KEPT = 5000
"""Of what records say, for one vocabulary of a process."""


class Plane(IntEnum):
    CONTAINS = 0
    MAY = 1  # by a supplier's word
    EXEMPT = 2
    UNSTATED = 3
    TOUCHED = 4  # may be there by contact
    TOUCHED_BY_UNSTATED = 5  # by contact with something of which nobody stated it
    OPEN = 6  # may be there by a line of the recipe of which no use is recorded
    OPEN_UNSTATED = 7  # nobody stated it of what such a line names
    OPEN_CONTAINS = 8  # what such a line names contains it


class Told(NamedTuple):
    """What one record states, in bits of the lowest plane. ``covered``: what it speaks of at all.

    ``exempt``: code and legal basis; whether that holds depends on the lists in force on the lot's day.
    """

    there: int
    may: int
    exempt: tuple[tuple[str, str], ...]
    covered: int


class Bits:
    """The codes of a vocabulary in their order, each with a bit in every plane."""

    def __init__(self, vocabulary: Vocabulary):
        self.vocabulary = vocabulary
        self.codes = tuple(sorted(vocabulary.codes))
        self.places = {code: place for place, code in enumerate(self.codes)}
        self.every = (1 << len(self.codes)) - 1
        self.members = self.plain(vocabulary.members)
        self._days: dict[date, int] = {}
        self._told: dict[str, Told] = {}
        self._stated: dict[tuple[tuple[str, ...], bool, date | None], int] = {}
        self._exempted: dict[tuple[str, str, date], bool] = {}
        self._reach = {
            code: (self.plain([code]), self.plain([code, *vocabulary.members_of(code)]))
            for code in self.codes
        }

    def plain(self, codes: Iterable[str]) -> int:
        """The codes as bits of the lowest plane; one that no list knows any more is left out."""
        bits = 0
        for code in codes:
            if code in self.places:
                bits |= 1 << self.places[code]
        return bits

    def on(self, plane: Plane, plain: int) -> int:
        return plain << plane * len(self.codes)

    def of(self, plane: Plane, bits: int) -> int:
        """What stands in one plane, as bits of the lowest."""
        return bits >> plane * len(self.codes) & self.every

    def of_any(self, planes: Iterable[Plane], bits: int) -> int:
        """What stands in one of some planes, as bits of the lowest."""
        width, found = len(self.codes), 0
        for plane in planes:
            found |= bits >> plane * width
        return found & self.every

    def bit(self, plane: Plane, code: str) -> int:
        return self.on(plane, 1 << self.places[code])

    def codes_in(self, plain: int) -> Iterator[str]:
        while plain:
            lowest = plain & -plain
            yield self.codes[lowest.bit_length() - 1]
            plain ^= lowest

    def listed(self, day: date) -> int:
        """What some list in force that day names, as members and as the groups they stand in."""
        if day not in self._days:
            members = self.vocabulary.listed_on(day)
            groups = {group for member in members for group in self.vocabulary.groups_of(member)}
            self._days[day] = self.plain(members | groups)
        return self._days[day]

    def cleared_by(self, codes: Iterable[str]) -> int:
        """What a cleaning clears: the codes told, and with a group everything in it."""
        bits = 0
        for code in codes:
            bits |= self._reach.get(code, (0, 0))[1]
        return bits

    def told(self, says: Iterable[Mapping[str, Any]]) -> Told:
        """What one record states, as it keeps it."""
        plain, covered, exempt = dict.fromkeys(Says, 0), 0, []
        for each in says:
            itself, with_members = self._reach.get(each["allergen"], (0, 0))
            plain[each["says"]] |= itself
            covered |= itself if each["says"] == Says.CONTAINS else with_members
            if each["says"] == Says.EXEMPT:
                exempt.append((each["allergen"], each.get("because", "")))
        return Told(plain[Says.CONTAINS], plain[Says.MAY_CONTAIN], tuple(exempt), covered)

    def told_by(self, text: str) -> Told:
        """The same of a record as text, reckoned once: many records say the same."""
        if text not in self._told:
            if len(self._told) >= MOST_KEPT:
                self._told.clear()
            self._told[text] = self.told(from_text(text))
        return self._told[text]

    def stated_by(self, texts: tuple[str, ...], on: date, *, leaf: bool) -> int:
        """``stated`` of records as texts, reckoned once; the day is asked only where something is exempt."""
        found = self._stated.get((texts, leaf, None))
        if found is None:
            told = [self.told_by(text) for text in texts]
            key = (texts, leaf, on if any(each.exempt for each in told) else None)
            if key not in self._stated:
                if len(self._stated) >= MOST_KEPT:
                    self._stated.clear()
                self._stated[key] = self.stated(told, on, leaf=leaf)
            found = self._stated[key]
        return found

    def stated(self, told: Iterable[Told], on: date, *, leaf: bool) -> int:
        """What the statements about one lot come to together: contains over may contain over exempt and free of.

        What is exempt by one law and listed by another in force ``on`` that day is contained: it is made of it.
        ``leaf``: nothing went into it that is known, so that what nobody stated of it is unknown. That a group is there
        says nothing of its members; that it may be, or is not, says so of each.
        """
        there = may = exempt = covered = 0
        for each in told:
            there |= each.there
            may |= each.may
            covered |= each.covered
            for code, basis in each.exempt:
                if self._is_exempt(code, basis, on):
                    exempt |= self.plain([code])
                else:
                    there |= self.plain([code])
        may &= ~there
        return (
            self.on(Plane.CONTAINS, there)
            | self.on(Plane.MAY, may)
            | self.on(Plane.EXEMPT, exempt & ~there & ~may)
            | self.on(Plane.UNSTATED, self.members & ~covered if leaf else 0)
        )

    def _is_exempt(self, code: str, basis: str, day: date) -> bool:
        key = (code, basis, day)
        if key not in self._exempted:
            self._exempted[key] = not self.vocabulary.asking(code, basis, day)
        return self._exempted[key]
