"""What a trace answers: a graph of lots, batches, movements and partners. Pure, no Django.

Amounts are whole base steps, milligrams or pieces as ``dimension`` of their lot says. Lots, steps and consignments are
plain tuples with names, since there may be a hundred thousand of them.
"""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple
from uuid import UUID


class Direction(StrEnum):
    """Back to the sources, forward to the customers, or both from the lots the trace begins with.

    Whole does not turn round on the way: what else was made of a source is not in it. Ask forward from the source.
    """

    BACK = "back"
    FORWARD = "forward"
    WHOLE = "whole"


class Side(StrEnum):
    """Where a lot stands as seen from the lots the trace began with."""

    START = "start"
    BACK = "back"
    FORWARD = "forward"
    BETWEEN = "between"  # both back and forward of them, or perhaps: of several, or by what it lay mixed with
    MAYBE_BACK = "maybe-back"  # only by a refilled place: some of it may be in them
    MAYBE_FORWARD = "maybe-forward"  # only by a refilled place: some of them may be in it
    MAYBE_BETWEEN = "maybe-between"  # both
    CONTACT = "contact"  # reached only by shared equipment, itself or what went into it


MAYBE = frozenset({Side.MAYBE_BACK, Side.MAYBE_FORWARD, Side.MAYBE_BETWEEN})


class TracedLot(NamedTuple):
    """A lot that was reached, and what became of it.

    ``key``: its key in the database; inside the service only, never shown.
    ``uid``, ``code``: as on the label; ``material``, ``material_name``, ``dimension`` (mass or count).
    ``kind``: of the material, as packaging or finished-product; ``is_rework``.
    ``day``: received or made on, the establishment's date; ``best_before``.
    ``batch``, ``batch_code``: that made it; empty where it was received.
    ``supplier``, ``supplier_name``, ``supplier_code``: of whom it was received, and their code for it.
    ``status``: awaiting, released, held or rejected, as it stands now.
    ``on_hand``: what is here now. ``received``, ``made``, ``used``, ``shipped``, ``returned``, ``sent_back``,
    ``sampled``, ``destroyed``: sums of its standing movements, in the whole house and not only along the trace.
    ``unexplained``: what counts found more or, with a minus, less.
    ``mass``: milligrams of what was received or made; 0 of packaging, None where it is not known.
    ``side``: where it stands as seen from the start.
    ``generation``: the most steps between it and a lot the trace began with; 0 for such a lot, and where only contact or
    a refilled place leads to it.
    ``share``: the part of its mass that came from the lots the trace began with, 1 for those themselves, by the names they
    were taken out under. 0 does not mean untouched: a wrapper has no share. None on the way back, by contact, where it
    only may be, and in or behind a loop.
    ``part``: the part of the mass of the lots the trace began with that came from it, by the names; several count by what
    they weigh, alike where one's mass is not known. None on the way forward, and where there is no share.
    ``share_by_name``, ``part_by_name``: how much of that rests on a name only, since it was taken out of a refilled
    place, in which other lots lay too: so much may be of those. Nobody knows how much is.
    ``exact_share``, ``exact_part``: share and part as fractions where they were asked for.
    ``starts``: how many of the lots the trace began with it is, or may be, connected with, itself counted; 0 by contact.
    ``contact``: the place in ``Trace.contacts`` of how equipment reached it or what went into it; None where it did not.
    """

    key: int
    uid: UUID
    code: str
    material: UUID
    material_name: str
    dimension: str
    kind: str
    is_rework: bool
    day: date
    best_before: date | None
    batch: UUID | None
    batch_code: str
    supplier: UUID | None
    supplier_name: str
    supplier_code: str
    status: str
    on_hand: int
    received: int
    made: int
    used: int
    shipped: int
    returned: int
    sent_back: int
    sampled: int
    destroyed: int
    unexplained: int
    mass: int | None
    side: Side
    generation: int
    share: float | None
    part: float | None
    share_by_name: float | None
    part_by_name: float | None
    exact_share: Fraction | None
    exact_part: Fraction | None
    starts: int
    contact: int | None


class Step(NamedTuple):
    """``source`` went through ``batch`` into ``target``.

    ``quantity``: base steps of the source that are in the target. ``used``: base steps of the source that went into
    the batch, for all it made. ``dimension``: of the source. ``share``: the part of the target's mass that came from the
    source; ``exact_share`` the same as a fraction where it was asked for.
    """

    source: UUID
    target: UUID
    batch: UUID
    dimension: str
    quantity: int
    used: int
    share: float
    exact_share: Fraction | None


class TracedBatch(NamedTuple):
    """A batch on the way: it made a lot that was reached. ``ended_at`` is empty while it runs."""

    uid: UUID
    code: str
    started_at: datetime
    ended_at: datetime | None


class Consignment(NamedTuple):
    """One standing movement between a lot and a partner.

    ``what``: received or sent-back for what lies back, shipped or returned for what lies forward, all four for the
    lots the trace began with. ``document``: type and number of the paper that went with it. ``at``: when it was done, on
    the clock it was read from.
    """

    movement: UUID
    what: str
    lot: UUID
    partner: UUID
    partner_name: str
    document: str
    dimension: str
    quantity: int
    at: datetime


class InProcess(NamedTuple):
    """Base steps of a lot that went into a batch which has made nothing yet: it is in there, and in no lot."""

    lot: UUID
    batch: UUID
    batch_code: str
    dimension: str
    quantity: int


class Contact(NamedTuple):
    """How a batch was reached by shared equipment.

    ``batch`` stood on ``equipment`` from ``at`` on, which ``left_by`` had been on ``since`` and left at ``until``
    (empty: it is there still), and no cleaning that is valid for ``hazards`` lay between.
    """

    equipment: UUID
    equipment_code: str
    equipment_name: str
    left_by: UUID
    left_by_code: str
    since: datetime
    until: datetime | None
    batch: UUID
    batch_code: str
    at: datetime
    hazards: tuple[str, ...]


class MixedLots(NamedTuple):
    """What lay in a place from a time on, until more came in: any of ``lots`` and of the earlier ``mixes``, in shares
    nobody knows.

    ``number``: its own within the answer, by which others name it; the earlier have the lower ones. ``place`` is one that
    is topped up before it is empty, or where some lay that was taken out of such a one; ``lot`` the one that came in then.
    Forward only what may hold some of the traced lots is told.
    """

    number: int
    place: UUID
    place_code: str
    since: datetime
    lot: UUID
    lots: tuple[UUID, ...]
    mixes: tuple[int, ...]


class TakenAs(NamedTuple):
    """What was used in ``batch`` under the name of ``lot`` may be anything in ``mixes``, by number.

    Without a batch: what lies somewhere, or left, under that name.
    """

    lot: UUID
    batch: UUID | None
    batch_code: str
    mixes: tuple[int, ...]


@dataclass(frozen=True)
class Size:
    """The whole of what was reached, however much of it is shown: ``depth`` is the largest generation."""

    lots: int
    steps: int
    depth: int
    mixes: int = 0
    taken_as: int = 0


@dataclass(frozen=True)
class Unfollowed:
    """What a bounded trace left: lots with a share (or part) below ``least``, and everything behind them.

    What leads through refilled places is followed all the same, since nobody knows its shares.
    ``lots``: how many were reached and not followed. ``milligrams``: the suspect mass that went into them at most, None
    where a mass is not known. Never for allergens or microbes: those need no least amount.
    """

    least: float
    lots: int
    milligrams: float | None


@dataclass(frozen=True)
class Trace:
    """The answer. Nothing is left out unless it is said here.

    ``starts``: the lots it began with, by uid. ``lots``: in the order they came to be, or one page of them; ``steps``,
    ``batches``, ``consignments``, ``in_process`` belong to those. A step stands with its lot that lies further from the
    start, so that pages together hold each step once. ``mixes`` and ``taken_as`` tell which lots lay together in refilled
    places; they stand with their ``lot``. ``contacts`` stand on every page, all of them, since lots name them by their
    place.
    ``loop``: the edges lead in a circle, which no deed writes; run ``manage.py verify``. ``in_loop``: how many of the
    lots stand in it or behind it, so that no share is told. ``unfollowed``: None where all was followed.
    ``following``: the key from which the next page goes on; None on the last or only one.
    """

    direction: Direction
    starts: tuple[UUID, ...]
    lots: tuple[TracedLot, ...]
    steps: tuple[Step, ...]
    batches: tuple[TracedBatch, ...]
    consignments: tuple[Consignment, ...]
    in_process: tuple[InProcess, ...]
    contacts: tuple[Contact, ...]
    size: Size
    loop: bool
    in_loop: int
    unfollowed: Unfollowed | None
    following: int | None
    mixes: tuple[MixedLots, ...] = ()
    taken_as: tuple[TakenAs, ...] = ()
