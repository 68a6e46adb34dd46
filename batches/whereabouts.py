"""Where the suspect mass of a trace forward is now. Pure, no Django.

A lot's share of its mass is suspect, so the same share of whatever became of it. What went into a batch and is in nothing
that it made was lost on the way: boiled off, trimmed, left in the pot. Together it is what came in, or the gap is told.
"""

from collections import defaultdict
from dataclasses import dataclass
from uuid import UUID

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
    """None where it cannot be told: a page or a bounded trace, a loop, or a lot whose mass is not known."""
    lots = {lot.uid: lot for lot in trace.lots if lot.share is not None}
    whole = trace.following is None and len(trace.lots) == trace.size.lots
    if not whole or trace.loop or trace.unfollowed or any(lot.mass is None for lot in lots.values()):
        return None
    sums: defaultdict[str, float] = defaultdict(float)
    per_step = {uid: _suspect_in_a_step(lot) for uid, lot in lots.items()}
    in_process: defaultdict[UUID, int] = defaultdict(int)
    for one in trace.in_process:
        in_process[one.lot] += one.quantity
    mixed = {taken.lot for taken in trace.taken_as if taken.batch is None}
    for uid, lot in lots.items():
        each = per_step[uid]
        if trace.taken_as:
            there = lot.on_hand + lot.shipped - lot.returned + lot.sent_back + lot.sampled + lot.destroyed
            named = each if uid in mixed else each * _of_share(lot)
            sums["by_name"] += named * (there + in_process[uid])
        sums["on_hand"] += each * lot.on_hand
        sums["shipped"] += each * (lot.shipped - lot.returned)
        sums["sent_back"] += each * lot.sent_back
        sums["sampled"] += each * lot.sampled
        sums["destroyed"] += each * lot.destroyed
        sums["unexplained"] -= each * lot.unexplained
    sums["in_process"] = sum(per_step[uid] * amount for uid, amount in in_process.items() if uid in lots)
    used = {(step.source, step.batch): step.used for step in trace.steps if step.source in lots}
    went_in = sum(per_step[source] * amount for (source, _), amount in used.items())
    suspect = {uid: (lot.share or 0.0) * (lot.mass or 0) for uid, lot in lots.items()}
    made = {step.target for step in trace.steps if step.target in lots and step.source in lots}
    carried = _carried_in(trace, lots)
    came_out = sum(carried[uid] * (lots[uid].mass or 0) for uid in made)
    came = sum(suspect[uid] - carried.get(uid, 0.0) * (lots[uid].mass or 0) for uid in trace.starts)
    return Whereabouts(came=came, lost=went_in - came_out, **sums)


def _suspect_in_a_step(lot: TracedLot) -> float:
    brought = lot.received + lot.made
    return (lot.share or 0.0) * (lot.mass or 0) / brought if brought else 0.0


def _of_share(lot: TracedLot) -> float:
    return (lot.share_by_name or 0.0) / lot.share if lot.share else 0.0


def _carried_in(trace: Trace, lots: dict) -> defaultdict:  # type: ignore[type-arg]
    """By lot, the share that came into it; of a start that another went into, less than its whole."""
    found: defaultdict = defaultdict(float)
    for step in trace.steps:
        if step.source in lots and step.target in lots:
            found[step.target] += (lots[step.source].share or 0.0) * step.share
    return found
