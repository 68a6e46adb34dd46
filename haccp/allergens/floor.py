"""The floor of a house through time: which batch stood on which equipment, and what was cleaned there when. Pure.

``Floor`` knows what it was given; that this is enough for what is asked is for whoever read it.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from typing import NamedTuple
from uuid import UUID

from batches.near import Stay

NEVER = datetime.max.replace(tzinfo=UTC)


class Clearing(NamedTuple):
    at: datetime
    bits: int


class Floor:
    """Who stood where and what was cleaned, by equipment."""

    def __init__(self, stays: Iterable[Stay], clearings: Mapping[UUID, list[Clearing]], every: int):
        self.by_equipment: defaultdict[UUID, list[Stay]] = defaultdict(list)
        self.by_batch: defaultdict[int, list[Stay]] = defaultdict(list)
        for stay in stays:
            self.by_equipment[stay.equipment].append(stay)
            self.by_batch[stay.batch].append(stay)
        self.clearings, self.every = clearings, every

    def cleared(self, equipment: UUID, after: datetime | None, until: datetime) -> int:
        """What was cleared since a batch left, until a time; nothing while it is there (None)."""
        bits = 0
        for clearing in self.clearings.get(equipment, ()):
            if after is not None and after <= clearing.at <= until:
                bits |= clearing.bits
        return bits

    def nothing_before(self, equipment: UUID, at: datetime) -> datetime | None:
        """What left by then cannot be there any more at a time, since everything was cleared; None: there is no such."""
        bits = 0
        for clearing in reversed(self.clearings.get(equipment, ())):
            if clearing.at <= at:
                bits |= clearing.bits
                if bits & self.every == self.every:
                    return clearing.at
        return None

    def near(self, equipment: UUID, since: datetime, until: datetime | None) -> Iterator[Stay]:
        """Stays that could leave something to whoever is there from a time until another."""
        clean = self.nothing_before(equipment, since)
        for stay in self.by_equipment.get(equipment, ()):
            begins = until is None or stay.since <= until
            if begins and (clean is None or stay.until is None or stay.until > clean):
                yield stay

    def all_gone(self, stay: Stay) -> datetime | None:
        """When, after a stay, everything was cleaned where it was; None: not yet, or it is there still."""
        if stay.until is None:
            return None
        bits = 0
        for clearing in self.clearings.get(stay.equipment, ()):
            after = clearing.at >= stay.until if stay.until > stay.since else clearing.at > stay.until
            if after:
                bits |= clearing.bits
                if bits & self.every == self.every:
                    return clearing.at
        return None

    def onward(self, batches: Collection[int]) -> set[int]:
        """The batches, and all that stood later, or at the same time, where one of them did and not all was cleaned between."""
        earliest: dict[tuple[UUID, datetime | None], datetime] = {}
        seen, waiting = set(batches), list(batches)
        while waiting:
            for stay in self.by_batch.get(waiting.pop(), ()):
                gone = self.all_gone(stay)
                if earliest.get((stay.equipment, gone), NEVER) <= stay.since:
                    continue
                earliest[stay.equipment, gone] = stay.since
                for other in self.by_equipment[stay.equipment]:
                    there = other.until is None or other.until >= stay.since
                    if there and other.batch not in seen and (gone is None or other.since < gone):
                        seen.add(other.batch)
                        waiting.append(other.batch)
        return seen
