"""The two ways an order of batches is looked for: every order, or a bounded search for a good one. Pure.

Batches are numbers from 0. An order is priced as (impossible neighbours, due times missed, minutes of cleaning, minutes
late in all), and the lowest price wins: each weighs only among those that are alike in what stands before it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

MOST_PRICED = 50_000
"""Orders the bounded search prices at most: about half a second for 40 batches (site setting, no source)."""
LONGEST_RUN = 3
"""Neighbours that are moved together, as or-opt does (I. Or 1976, from memory)."""

Price = tuple[int, int, int, int]
Minutes = int | None  # None: no cleaning makes the second possible after the first


@dataclass(frozen=True)
class Problem:
    """``minutes`` each takes, ``due``: latest end after the start of the day, ``first``: cleaning from the present
    state, ``between[a][b]``: after a before b, ``last``: at the end of the day, ``before[b]``: bits of all that must
    have been made before b, those by way of others too."""

    minutes: Sequence[int]
    due: Sequence[int | None]
    first: Sequence[Minutes]
    between: Sequence[Sequence[Minutes]]
    last: Sequence[int]
    before: Sequence[int]

    @property
    def size(self) -> int:
        return len(self.minutes)

    def cleaning(self, after: int | None, batch: int) -> Minutes:
        return self.first[batch] if after is None else self.between[after][batch]

    def late_by(self, batch: int, end: int) -> int:
        due = self.due[batch]
        return 0 if due is None else max(0, end - due)


def price(problem: Problem, order: Sequence[int]) -> Price:
    """What an order costs; of precedence it says nothing."""
    impossible = missed = cleaned = late = now = 0
    after: int | None = None
    for batch in order:
        minutes = problem.cleaning(after, batch)
        impossible += minutes is None
        cleaned += minutes or 0
        now += (minutes or 0) + problem.minutes[batch]
        late_by = problem.late_by(batch, now)
        missed, late = missed + (late_by > 0), late + late_by
        after = batch
    return impossible, missed, cleaned + (0 if after is None else problem.last[after]), late


def keeps(problem: Problem, order: Sequence[int]) -> bool:
    """Whether each batch comes after all that must be before it; of those that are in the order."""
    here, done = _bits(order), 0
    for batch in order:
        if problem.before[batch] & here & ~done:
            return False
        done |= 1 << batch
    return True


def _bits(batches: Sequence[int]) -> int:
    return sum(1 << batch for batch in batches)


# -- every order --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Step:
    missed: int
    cleaned: int
    late: int
    batch: int
    after: "_Step | None"

    def goes_before(self, other: "_Step") -> bool:
        """Of the same batches with the same end: whatever follows, the other one comes to nothing better."""
        mine, theirs = (self.cleaned, self.missed, self.late), (other.cleaned, other.missed, other.late)
        return self.missed <= other.missed and mine <= theirs


def exact(problem: Problem) -> tuple[int, ...] | None:
    """The order with the lowest price, of all without impossible neighbours; None if there is none.

    Dynamic programming over subsets (Bellman 1962, Held and Karp 1962, from memory): of all ways to have made the same
    batches and to have ended with the same one, only those are carried on that no other is as good as. Less cleaning is
    also an earlier end, so nothing else can matter. Work: n² 2ⁿ steps, for each count of misses at most.
    """
    fronts: list[dict[int, list[_Step]]] = [{} for _ in range(1 << problem.size)]
    taken = _minutes_taken(problem)
    for batch in range(problem.size):
        _extend(problem, fronts, taken, 0, None, batch)
    for made in range(1, 1 << problem.size):
        waiting = [batch for batch in range(problem.size) if not made >> batch & 1]
        for step in (each for front in fronts[made].values() for each in front):
            for batch in waiting:
                _extend(problem, fronts, taken, made, step, batch)
    ends = [step for front in fronts[-1].values() for step in front]
    best = min(
        ends, key=lambda step: (step.missed, step.cleaned + problem.last[step.batch], step.late), default=None
    )
    return None if best is None else _unwound(best)


def _minutes_taken(problem: Problem) -> list[int]:
    """Of every subset, without its cleaning."""
    taken = [0]
    for minutes in problem.minutes:
        taken += [each + minutes for each in taken]
    return taken


def _extend(
    problem: Problem,
    fronts: list[dict[int, list[_Step]]],
    taken: list[int],
    made: int,
    step: _Step | None,
    batch: int,
) -> None:
    minutes = problem.cleaning(None if step is None else step.batch, batch)
    if minutes is None or problem.before[batch] & ~made:
        return
    missed, cleaned, late = (0, 0, 0) if step is None else (step.missed, step.cleaned, step.late)
    now = made | 1 << batch
    late_by = problem.late_by(batch, taken[now] + cleaned + minutes)
    new = _Step(missed + (late_by > 0), cleaned + minutes, late + late_by, batch, step)
    front = fronts[now].setdefault(batch, [])
    if not any(each.goes_before(new) for each in front):
        front[:] = [each for each in front if not new.goes_before(each)]
        front.append(new)


def _unwound(step: _Step) -> tuple[int, ...]:
    order: list[int] = []
    here: _Step | None = step
    while here is not None:
        order.append(here.batch)
        here = here.after
    return tuple(reversed(order))


# -- a bounded search -----------------------------------------------------------------------------------


class _Budget:
    """Counts the orders priced; at its end every search stops with what it has."""

    def __init__(self, most: int):
        self.left = most

    def price(self, problem: Problem, order: Sequence[int]) -> Price:
        self.left -= 1
        return price(problem, order)


@dataclass(frozen=True)
class Found:
    """``priced``: how many orders were looked at."""

    order: tuple[int, ...]
    priced: int


def bounded(problem: Problem, most: int = MOST_PRICED) -> Found:
    """A good order that keeps what must be before what; never priced above the given one (0, 1, 2, ...), if that does.

    From the given order, and from one built by cheapest insertion, runs of one to three neighbours are moved elsewhere
    as long as that lowers the price. The search stops after ``most`` orders.
    """
    budget = _Budget(most)
    starts = [_in_turn(problem), _inserted(problem, budget)]
    found = [_improved(problem, start, budget) for start in starts]
    return Found(min(found, key=lambda order: price(problem, order)), most - budget.left)


def _in_turn(problem: Problem) -> tuple[int, ...]:
    """The given order, where a batch waits until all that must be before it were made."""
    order: list[int] = []
    waiting = list(range(problem.size))
    while waiting:
        done = _bits(order)
        batch = next(each for each in waiting if not problem.before[each] & ~done)
        waiting.remove(batch)
        order.append(batch)
    return tuple(order)


def _inserted(problem: Problem, budget: _Budget) -> tuple[int, ...]:
    """Each time the batch and the place that add least; ties go to the first given. If the budget ends, in turn."""
    order: tuple[int, ...] = ()
    for _ in range(problem.size):
        tried = [(budget.price(problem, each), each) for each in _one_more(problem, order)]
        if budget.left <= 0:
            return _in_turn(problem)
        order = min(tried, key=lambda one: one[0])[1]
    return order


def _one_more(problem: Problem, order: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
    for batch in range(problem.size):
        if batch not in order:
            longer = ((*order[:place], batch, *order[place:]) for place in range(len(order) + 1))
            yield from (each for each in longer if keeps(problem, each))


def _improved(problem: Problem, order: tuple[int, ...], budget: _Budget) -> tuple[int, ...]:
    best, at = budget.price(problem, order), order
    better = True
    while better and budget.left > 0:
        better = False
        for moved in _moves(problem, at):
            found = budget.price(problem, moved)
            if found < best:
                best, at, better = found, moved, True
                break
            if budget.left <= 0:
                break
    return at


def _moves(problem: Problem, order: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
    for length in range(1, LONGEST_RUN + 1):
        for begin in range(len(order) - length + 1):
            run, rest = order[begin : begin + length], order[:begin] + order[begin + length :]
            for place in range(len(rest) + 1):
                moved = rest[:place] + run + rest[place:]
                if place != begin and keeps(problem, moved):
                    yield moved
