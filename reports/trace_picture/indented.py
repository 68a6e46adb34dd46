"""A trace as rows: each lot once in full, then "see above"; each step once, below the lot it hangs on. Pure."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from uuid import UUID

from batches.trace_results import Contact, Direction, Side, Step, Trace, TracedLot


class Way(StrEnum):
    """How a row hangs on the one above it that stands less deep."""

    START = "start"
    MADE_OF = "made-of"
    WENT_INTO = "went-into"
    CONTACT = "contact"
    TOGETHER = "together"
    APART = "apart"  # on none: what it hangs on is told elsewhere


@dataclass(frozen=True)
class Row:
    """``above``: the number of the row that tells this lot in full, None where this one does.

    ``step``: that leads to the row it hangs on; ``contact``: the equipment that did; ``lay``: the refilled place it lay in
    with a lot that is told further up.
    """

    number: int
    depth: int
    way: Way
    lot: TracedLot
    step: Step | None = None
    contact: Contact | None = None
    lay: "Together | None" = None
    above: int | None = None


@dataclass(frozen=True)
class Together:
    """Two lots lay in one refilled place, the ``later`` one put to the other: either may be taken out under both names."""

    place: str
    earlier: TracedLot
    later: TracedLot

    def other(self, uid: UUID) -> TracedLot:
        return self.later if uid == self.earlier.uid else self.earlier


def lay_together(trace: Trace) -> Iterator[Together]:
    """Each two lots of the trace that a mix brought together, once: a place with many deliveries makes a chain."""
    lots = {lot.uid: lot for lot in trace.lots}
    came = {mix.number: mix.lot for mix in trace.mixes}
    seen: set[tuple[str, UUID, UUID]] = set()
    for mix in trace.mixes:
        for uid in (*mix.lots, *(came[number] for number in mix.mixes if number in came)):
            pair = (mix.place_code, uid, mix.lot)
            if uid != mix.lot and uid in lots and mix.lot in lots and pair not in seen:
                seen.add(pair)
                yield Together(mix.place_code, lots[uid], lots[mix.lot])


def goes_forward(step: Step, lots: dict[UUID, TracedLot], direction: Direction) -> bool:
    """Whether a step carries on what is traced, or what equipment carried over; the others lead to the start."""
    source = lots[step.source]
    if direction == Direction.FORWARD:
        return True
    if source.side == Side.CONTACT:
        return source.part is None
    return direction == Direction.WHOLE and source.side not in (Side.BACK, Side.MAYBE_BACK)


class Walk:
    """Rows of a trace whose lots are all there, in an order that hangs on the order of its lots alone."""

    def __init__(self, trace: Trace):
        self.trace = trace
        self.lots = {lot.uid: lot for lot in trace.lots}
        self.place = {lot.uid: number for number, lot in enumerate(trace.lots)}
        self.told: dict[UUID, int] = {}
        self.count = 0
        self.onward, self.inward = (
            defaultdict[UUID, list[Step]](list),
            defaultdict[UUID, list[Step]](list),
        )
        for step in trace.steps:
            if goes_forward(step, self.lots, trace.direction):
                self.onward[step.source].append(step)
            else:
                self.inward[step.target].append(step)
        for steps, end in ((self.onward, "target"), (self.inward, "source")):
            for own in steps.values():
                own.sort(key=lambda step: self.place[getattr(step, end)])

    def rows(self) -> Iterator[Row]:
        for uid in sorted(self.trace.starts, key=self.place.__getitem__):
            yield self._row(0, Way.START, uid)
            yield from self._below(uid, Way.MADE_OF, self.inward)
            yield from self._below(uid, Way.WENT_INTO, self.onward)
        for uid in self.place:
            contact = self._contact(self.lots[uid])
            if contact is not None and uid not in self.told:
                yield self._row(0, Way.CONTACT, uid, contact=contact)
                yield from self._below(uid, Way.WENT_INTO, self.onward)
        yield from self._mates()
        for uid in self.place:
            if uid not in self.told or self.onward[uid] or self.inward[uid]:
                yield self._row(0, Way.APART, uid)
                yield from self._below(uid, Way.MADE_OF, self.inward)
                yield from self._below(uid, Way.WENT_INTO, self.onward)

    def _mates(self) -> Iterator[Row]:
        """Lots that lay in a refilled place with one that is told, and what hangs on them."""
        mates = defaultdict[UUID, list[Together]](list)
        for lay in lay_together(self.trace):
            mates[lay.earlier.uid].append(lay)
            mates[lay.later.uid].append(lay)
        reached = list(self.told) if mates else []
        for uid in reached:  # grows on the way
            for lay in mates[uid]:
                other, before = lay.other(uid).uid, len(self.told)
                if other not in self.told:
                    yield self._row(0, Way.TOGETHER, other, lay=lay)
                    yield from self._below(other, Way.MADE_OF, self.inward)
                    yield from self._below(other, Way.WENT_INTO, self.onward)
                    reached += list(self.told)[before:]

    def _contact(self, lot: TracedLot) -> Contact | None:
        """How the batch that made it was touched; of what was only made of such a lot the step tells more."""
        found = None if lot.contact is None else self.trace.contacts[lot.contact]
        return found if found is not None and found.batch == lot.batch else None

    def _row(self, depth: int, way: Way, uid: UUID, **more: Step | Contact | Together | None) -> Row:
        self.count += 1
        above = self.told.setdefault(uid, self.count)
        return Row(
            self.count,
            depth,
            way,
            self.lots[uid],
            above=None if above == self.count else above,
            **more,  # type: ignore[arg-type]
        )

    def _below(self, root: UUID, way: Way, steps: dict[UUID, list[Step]]) -> Iterator[Row]:
        """Depth first; the steps of a lot are told where it first stands, each once."""
        open_steps: list[Iterator[Step]] = [iter(steps.pop(root, []))]
        while open_steps:
            step = next(open_steps[-1], None)
            if step is None:
                open_steps.pop()
                continue
            uid = step.source if way == Way.MADE_OF else step.target
            yield self._row(len(open_steps), way, uid, step=step)
            open_steps.append(iter(steps.pop(uid, [])))


def rows(trace: Trace) -> Sequence[Row]:
    """All of them. The trace must be whole, with the lots at both ends of every step."""
    return tuple(Walk(trace).rows())
