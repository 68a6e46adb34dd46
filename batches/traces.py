"""Tracing: from lots back to what they came from, forward to what they went into and who got it, or both.

Three statements whatever the size of the house: one walks the edges (``batches.trace_following``), one fetches what is
known of the lots that were reached, one the movements between them and partners (``batches.trace_reading``). All grow with
the answer. A house with places that are topped up before they are empty asks some more, where lots lay together
(``batches.trace_mixing``). What is answered is in ``batches.trace_results``, what can be asked in
``batches.trace_questions``.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any

from batches.models import Lot
from batches.trace_following import Followed, exact_share
from batches.trace_questions import FromLots, StartLot, TraceQuestion
from batches.trace_reading import BATCH, DIMENSION, KNOWN, UID, batches, known_of, not_collecting, what_moved
from batches.trace_results import Direction, Step, Trace, TracedLot
from ledger.models import Establishment


def back(lot: Lot) -> Trace:
    """Everything a lot came from, with the suppliers it was received from."""
    return _of_one(lot, Direction.BACK)


def forward(lot: Lot) -> Trace:
    """Everything a lot went into, with the customers it was shipped to."""
    return _of_one(lot, Direction.FORWARD)


def whole(lot: Lot) -> Trace:
    """Everything a lot came from and everything it went into."""
    return _of_one(lot, Direction.WHOLE)


@not_collecting()
def _of_one(lot: Lot, direction: Direction) -> Trace:
    question = TraceQuestion(FromLots((lot.uid,)), direction)
    followed = Followed(question, [StartLot(lot.pk, lot.uid, None)], lot.establishment_id)
    return shown(followed)


@not_collecting()
def trace(
    here: Establishment, question: TraceQuestion, *, after: int | None = None, limit: int | None = None
) -> Trace:
    """Answer a question. ``after``, ``limit``: only so many lots from a key on (``Trace.following``).

    Raises Unknown, Unusable, RuleBroken where the lots to begin with cannot be found.
    """
    return shown(Followed(question, question.start.lots(here), here.pk), after, limit)


def reached(here: Establishment, question: TraceQuestion) -> frozenset[int]:
    """The keys of the lots that a trace reaches."""
    return frozenset(Followed(question, question.start.lots(here), here.pk).keys)


def shown(followed: Followed, after: int | None = None, limit: int | None = None) -> Trace:
    """All of it, or ``limit`` lots with keys above ``after``."""
    keys = followed.keys if after is None else [key for key in followed.keys if key > after]
    page = keys if limit is None else keys[:limit]
    part = None if len(page) == len(followed.keys) else set(page)
    steps, mixing = list(followed.steps(part)), followed.mixing
    wanted: Collection[int] = page
    if part is not None:
        wanted = {*page, *(key for step in steps for key in step[:2]), *mixing.lots_of(part)}
    rows = known_of(wanted)
    lots = tuple(_lots(followed, [rows[key] for key in page]))
    moved, in_process = what_moved(lots, followed.in_batches_without_output(lots))
    mixes, taken_as = mixing.told(set(page), {key: row[UID] for key, row in rows.items()})
    return Trace(
        direction=followed.question.direction,
        starts=tuple(each.uid for each in followed.starts),
        lots=lots,
        steps=_told_steps(followed, steps, rows),
        batches=batches(rows[key] for key in page),
        consignments=moved,
        in_process=in_process,
        contacts=tuple(followed.beyond.contacts),
        mixes=mixes,
        taken_as=taken_as,
        size=followed.size,
        loop=followed.shares.loop or followed.parts.loop,
        in_loop=followed.in_loop,
        unfollowed=followed.unfollowed,
        following=page[-1] if len(page) < len(keys) else None,
    )


def _told_steps(followed: Followed, steps: Sequence[Any], rows: Mapping[int, Any]) -> tuple[Step, ...]:
    exact = exact_share if followed.question.exact else (lambda _: None)
    found = []
    for way in steps:
        source, target, _, quantity, used, share, *_ = way
        at, to = rows[source], rows[target]
        found.append(Step(at[UID], to[UID], to[BATCH], at[DIMENSION], quantity, used, share, exact(way)))
    return tuple(found)


def _lots(followed: Followed, rows: Iterable[tuple[Any, ...]]) -> Iterator[TracedLot]:
    """The usual of many thousand lots is asked for once: a trace without fractions, of one lot, with nothing touched."""
    (shares, parts), (exact_shares, exact_parts) = followed.told, followed.exact
    shares_by_name, parts_by_name = followed.by_name
    ahead, behind = followed.shares.generation, followed.parts.generation
    bits, contacts = followed.bits, followed.beyond.lots
    usual = (None, None, 1, None) if not (exact_shares or exact_parts or bits or contacts) else None
    for row in rows:
        key = row[0]
        share, part = shares.get(key), parts.get(key)
        side = followed.side(key), max(ahead.get(key, 0), behind.get(key, 0)), share, part
        by_name = (
            None if share is None else shares_by_name.get(key, 0.0) if shares_by_name else 0.0,
            None if part is None else parts_by_name.get(key, 0.0) if parts_by_name else 0.0,
        )
        others = usual or (
            exact_shares.get(key),
            exact_parts.get(key),
            bits[key].bit_count() if bits else int(key not in contacts),
            contacts.get(key),
        )
        yield TracedLot._make(row[:KNOWN] + side + by_name + others)
