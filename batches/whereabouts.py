"""Where the suspect mass of a trace forward is now. Pure, no Django.

A lot's share of its mass is suspect, so the same share of whatever became of it. What went into a batch and is in nothing
that it made was lost on the way: boiled off, trimmed, left in the pot. Together it is what came in, or the gap is told.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from batches.trace_results import Trace, TracedLot


@dataclass(frozen=True)
class Whereabouts:
    """Milligrams of suspect mass; ``came`` is all of it, ``gap`` what the others leave of that.

    Told by the names under which it was taken out. ``by_name``: how much of what is not lost rests on the name only, since
    it lay with others in a refilled place; it is counted in the others, and so much may be elsewhere, under their names.
    ``shipped`` less what came back; ``unexplained``: what counts found less (with a minus: more); ``in_process``: in
    batches that have made nothing yet; ``lost``: in batches, and in nothing they made.
    """

    came: float
    on_hand: float
    shipped: float
    sent_back: float
    sampled: float
    destroyed: float
    unexplained: float
    in_process: float
    lost: float
    by_name: float = 0.0

    @property
    def gap(self) -> float:
        there = self.on_hand + self.shipped + self.sent_back + self.sampled + self.destroyed
        return self.came - there - self.unexplained - self.in_process - self.lost


def whereabouts(trace: Trace) -> Whereabouts | None:
    """None where it cannot be told: a page or a bounded trace, a loop, or a lot whose mass is not known.

    Lots are looked up by the number a uuid is: looking up uuids takes longer than all the rest.
    """
    lots = {lot.uid.int: lot for lot in trace.lots if lot.share is not None}
    whole = trace.following is None and len(trace.lots) == trace.size.lots
    if not whole or trace.loop or trace.unfollowed or any(lot.mass is None for lot in lots.values()):
        return None
    per_step = {number: _suspect_in_a_step(lot) for number, lot in lots.items()}
    sums = _where_it_is(lots, per_step)
    in_process: defaultdict[int, int] = defaultdict(int)
    for one in trace.in_process:
        in_process[one.lot.int] += one.quantity
    sums["in_process"] = sum(per_step[lot] * amount for lot, amount in in_process.items() if lot in lots)
    sums["by_name"] = 0.0
    if trace.taken_as:
        mixed = {taken.lot.int for taken in trace.taken_as if taken.batch is None}
        for number, lot in lots.items():
            part = 1.0 if number in mixed else _of_share(lot)
            there = lot.on_hand + lot.shipped - lot.returned + lot.sent_back + lot.sampled + lot.destroyed
            sums["by_name"] += part * per_step[number] * (there + in_process[number])
    went_in, carried = _through_batches(trace, lots, per_step)
    masses = {number: lot.mass or 0 for number, lot in lots.items()}
    came_out = sum(share * masses[number] for number, share in carried.items())
    starts = [uid.int for uid in trace.starts]
    came = sum(((lots[each].share or 0.0) - carried.get(each, 0.0)) * masses[each] for each in starts)
    return Whereabouts(came=came, lost=went_in - came_out, **sums)


def _where_it_is(lots: Mapping[int, TracedLot], per_step: Mapping[int, float]) -> dict[str, float]:
    """What was not used: sums in plain names, since this is asked of every lot of a long trace."""
    on_hand = shipped = sent_back = sampled = destroyed = unexplained = 0.0
    for number, lot in lots.items():
        each = per_step[number]
        on_hand += each * lot.on_hand
        shipped += each * (lot.shipped - lot.returned)
        sent_back += each * lot.sent_back
        sampled += each * lot.sampled
        destroyed += each * lot.destroyed
        unexplained -= each * lot.unexplained
    return {
        "on_hand": on_hand,
        "shipped": shipped,
        "sent_back": sent_back,
        "sampled": sampled,
        "destroyed": destroyed,
        "unexplained": unexplained,
    }


def _suspect_in_a_step(lot: TracedLot) -> float:
    brought = lot.received + lot.made
    return (lot.share or 0.0) * (lot.mass or 0) / brought if brought else 0.0


def _of_share(lot: TracedLot) -> float:
    return (lot.share_by_name or 0.0) / lot.share if lot.share else 0.0


def _through_batches(
    trace: Trace, lots: Mapping[int, TracedLot], per_step: Mapping[int, float]
) -> tuple[float, Mapping[int, float]]:
    """What went into batches; by lot the share that came into it, of a start less than its whole."""
    used: dict[tuple[int, int], float] = {}
    carried: dict[int, float] = {}
    shares = {number: lot.share or 0.0 for number, lot in lots.items()}
    for source, target, batch, _, _, amount, share, _ in trace.steps:
        came_from = source.int
        had = shares.get(came_from)
        if had is None:
            continue
        used[came_from, batch.int] = per_step[came_from] * amount
        went_into = target.int
        if went_into in carried:
            carried[went_into] += had * share
        elif went_into in shares:
            carried[went_into] = had * share
    return sum(used.values()), carried
