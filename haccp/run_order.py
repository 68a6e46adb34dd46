"""In which order a day's batches need the least cleaning. Pure: minutes in, an order with its reasons out.

A proposal is for a person to decide on; nothing is stored and nothing is permitted by it. Whole minutes throughout,
counted from the time the first batch may begin.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from config.api.refusals import Reason, RuleBroken, Unusable
from haccp import run_order_search as search
from haccp.run_order_search import Minutes

MOST_EXACT = 12
MOST_BATCHES = 40
"""Of one day on the same equipment (site setting, no source)."""
MOST_MINUTES = 10_000
"""About a week: longer is a slip of the pen (site setting, no source)."""
MOST_TOLD = 20
NO_ORDER = "no-order"
DECIDES = "This is a proposal. The food-safety lead decides on the order, and each batch still starts through its own gate."
PROVED = (
    "Every order was compared (dynamic programming over subsets): none that keeps precedence and as many due times "
    "needs less cleaning."
)
NOT_PROVED = (
    "More than {exact} batches: not every order was compared. Built by cheapest insertion and from the given order, "
    "then improved by moving up to {run} neighbours at a time; {priced} orders were priced; it stops soon after {most}. "
    "It is not proved best; whatever the order, at least {least} minutes of cleaning are needed."
)


@dataclass(frozen=True)
class Planned:
    """A batch of the day: its name among them, how long it takes, and the latest end if it has one."""

    name: str
    minutes: int
    due: int | None = None


@dataclass(frozen=True)
class Cleaning:
    """Minutes of cleaning by the names of batches: ``first`` from the present state of the equipment, ``between``
    after one before another, ``last`` at the end of the day (left out: none). None where no cleaning makes the one
    possible after the other."""

    first: Mapping[str, Minutes]
    between: Mapping[tuple[str, str], Minutes]
    last: Mapping[str, Minutes]


@dataclass(frozen=True)
class Slot:
    """A batch in its place: cleaning before it, when it begins and ends, and by how much it is late."""

    name: str
    cleaning: int
    begins: int
    ends: int
    due: int | None
    late_by: int


@dataclass(frozen=True)
class Run:
    """A day in one order. ``cleaning``: all of it, ``last`` at its end included. ``missed``: due times, by name."""

    slots: tuple[Slot, ...]
    last: int
    cleaning: int
    missed: tuple[str, ...]


@dataclass(frozen=True)
class Given:
    """The order that was sent. ``run`` is None where two ``impossible`` neighbours leave its cleaning unknown.

    ``broken``: pairs (first, then) that stand the wrong way round.
    """

    run: Run | None
    impossible: tuple[tuple[str | None, str], ...]
    broken: tuple[tuple[str, str], ...]

    @property
    def holds(self) -> bool:
        return self.run is not None and not self.broken and not self.run.missed


@dataclass(frozen=True)
class Proposal:
    """``saves``: minutes of cleaning against the given order, below 0 where the proposal needs more; None where
    that of the given order is not known. ``at_least``: no order needs less."""

    run: Run
    given: Given
    saves: int | None
    proved: bool
    at_least: int
    sentences: tuple[str, ...]


def propose(
    planned: Sequence[Planned], cleaning: Cleaning, before: Collection[tuple[str, str]] = ()
) -> Proposal:
    """The order that misses the fewest due times, then needs the least cleaning, then is least late.

    ``planned`` is the given order; where it is as good, it is kept. ``before``: pairs of names, the first is made
    before the second. Exact up to 12 batches, bounded above. Raises Unusable with everything that is wrong,
    RuleBroken ``no-order``.
    """
    if reasons := [*_batch_reasons(planned), *_before_reasons(planned, before)]:
        raise _unusable(reasons)
    if reasons := list(_cleaning_reasons(planned, cleaning)):
        raise _unusable(reasons)
    problem = _problem(planned, cleaning, before)
    order, priced = _searched(problem)
    as_given = tuple(range(problem.size))
    if search.keeps(problem, as_given) and search.price(problem, as_given) <= search.price(problem, order):
        order = as_given
    given, run = _given(planned, problem, before), _run(planned, problem, order)
    saves = None if given.run is None else given.run.cleaning - run.cleaning
    least = _at_least(problem)
    proved = priced is None
    sentences = (*_said(run, given, saves, proved), _how(priced, least), DECIDES)
    return Proposal(
        run, given, saves, proved, run.cleaning if proved and not run.missed else least, sentences
    )


def _unusable(reasons: Sequence[Reason]) -> Unusable:
    more = f" (and {len(reasons) - MOST_TOLD} more)" if len(reasons) > MOST_TOLD else ""
    told = reasons[:MOST_TOLD]
    return Unusable(
        f"No order can be looked for: {len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}{more}. "
        "Nothing was written.",
        code="run-order-unusable",
        reasons=told,
    )


# -- what cannot be used --------------------------------------------------------------------------------


def _batch_reasons(planned: Sequence[Planned]) -> Iterator[Reason]:
    if not 1 <= len(planned) <= MOST_BATCHES:
        yield Reason(
            "too-many", f"An order is of 1 to {MOST_BATCHES} batches; {len(planned)} came.", "batches"
        )
    seen: set[str] = set()
    for place, each in enumerate(planned):
        if each.name in seen:
            yield Reason("doubled", f"Batch {each.name} stands twice.", f"batches.{place}.name")
        seen.add(each.name)
        if not _is_minutes(each.minutes):
            yield _no_minutes(f"Batch {each.name}", f"batches.{place}.minutes")
        if each.due is not None and (isinstance(each.due, bool) or not isinstance(each.due, int)):
            yield Reason("not-a-whole-number", "A due time is in whole minutes.", f"batches.{place}.due")


def _is_minutes(said: Any) -> bool:
    return isinstance(said, int) and not isinstance(said, bool) and 0 <= said <= MOST_MINUTES


def _no_minutes(what: str, field: str) -> Reason:
    return Reason("not-minutes", f"{what}: give whole minutes from 0 to {MOST_MINUTES}.", field)


def _cleaning_reasons(planned: Sequence[Planned], cleaning: Cleaning) -> Iterator[Reason]:
    names = [each.name for each in planned]
    pairs = [(a, b) for a in names for b in names if a != b]
    for name in names:
        if name not in cleaning.first:
            detail = f"Minutes of cleaning from the present state of the equipment before {name} are missing."
            yield Reason("missing", detail, "cleaning")
    for a, b in pairs:
        if (a, b) not in cleaning.between:
            yield Reason("missing", f"Minutes of cleaning after {a} before {b} are missing.", "cleaning")
    stated: list[tuple[str | None, str | None, Minutes]] = [
        *((None, then, minutes) for then, minutes in cleaning.first.items()),
        *((after, then, minutes) for (after, then), minutes in cleaning.between.items()),
        *((after, None, minutes) for after, minutes in cleaning.last.items()),
    ]
    for after, then, minutes in stated:
        what = f"Cleaning after {after or 'the present state'} before {then or 'the end of the day'}"
        if unknown := {after, then} - {None, *names}:
            yield Reason(
                "unknown-batch", f"There is no batch {', '.join(map(str, unknown))} here.", "cleaning"
            )
        elif not _is_minutes(minutes) and not (minutes is None and then is not None):
            yield _no_minutes(what, "cleaning")


def _before_reasons(planned: Sequence[Planned], before: Collection[tuple[str, str]]) -> Iterator[Reason]:
    names = {each.name for each in planned}
    unknown = sorted({name for pair in before for name in pair} - names)
    for name in unknown:
        yield Reason("unknown-batch", f"There is no batch {name} here.", "before")
    if not unknown and (circle := _circle(before)):
        detail = f"This goes round: {' before '.join(circle)}. Take one of it away."
        yield Reason("goes-round", detail, "before", circle[:-1])


def _circle(before: Collection[tuple[str, str]]) -> list[str]:
    """Names that must each be before the next, back to the first; empty where nothing goes round."""
    after: dict[str, list[str]] = {}
    for first, then in before:
        after.setdefault(then, []).append(first)
    waiting = {name: set(firsts) for name, firsts in after.items()}
    while free := [name for name, firsts in waiting.items() if not firsts & waiting.keys()]:
        for name in free:
            del waiting[name]
    if not waiting:
        return []
    path = [min(waiting)]
    while path[-1] not in path[:-1]:
        path.append(min(waiting[path[-1]] & waiting.keys()))
    return list(reversed(path[path.index(path[-1]) :]))


# -- the search -----------------------------------------------------------------------------------------


def _problem(
    planned: Sequence[Planned], cleaning: Cleaning, before: Collection[tuple[str, str]]
) -> search.Problem:
    names = [each.name for each in planned]
    return search.Problem(
        minutes=[each.minutes for each in planned],
        due=[each.due for each in planned],
        first=[cleaning.first[name] for name in names],
        between=[[None if a == b else cleaning.between[a, b] for b in names] for a in names],
        last=[cleaning.last.get(name) or 0 for name in names],
        before=_all_before(names, before),
    )


def _all_before(names: Sequence[str], before: Collection[tuple[str, str]]) -> list[int]:
    """For each, bits of all that must be before it, by way of others too."""
    place = {name: at for at, name in enumerate(names)}
    bits = [0] * len(names)
    for first, then in before:
        bits[place[then]] |= 1 << place[first]
    for by_way_of in range(len(names)):
        for at in range(len(names)):
            if bits[at] >> by_way_of & 1:
                bits[at] |= bits[by_way_of]
    return bits


def _searched(problem: search.Problem) -> tuple[tuple[int, ...], int | None]:
    """The order, and how many were priced where not every one was compared. Raises RuleBroken ``no-order``."""
    if problem.size <= MOST_EXACT:
        order = search.exact(problem)
        if order is None:
            raise _no_order("No order of these batches avoids neighbours that no cleaning makes possible.")
        return order, None
    found = search.bounded(problem)
    if search.price(problem, found.order)[0]:
        detail = (
            "No order was found that avoids neighbours that no cleaning makes possible. "
            f"That does not show that there is none: only up to {MOST_EXACT} batches is every order compared."
        )
        raise _no_order(detail)
    return found.order, found.priced


def _no_order(detail: str) -> RuleBroken:
    advice = "Make one of them on other equipment or another day, or validate a cleaning between them."
    return RuleBroken(f"{detail} {advice} Nothing was written.", code=NO_ORDER, field="cleaning")


def _at_least(problem: search.Problem) -> int:
    """One batch comes first, each other one needs at least its cheapest cleaning after another; then the cheapest end."""
    ways = range(problem.size)
    after = [_least_after(problem, batch) for batch in ways]
    sums = [
        first + sum(minutes for at, minutes in enumerate(after) if at != batch and minutes is not None)
        for batch, first in enumerate(problem.first)
        if first is not None
    ]
    return min(sums, default=0) + min(problem.last)


def _least_after(problem: search.Problem, batch: int) -> Minutes:
    known = [row[batch] for at, row in enumerate(problem.between) if not problem.before[at] >> batch & 1]
    return min((minutes for minutes in known if minutes is not None), default=None)


# -- what is said of it -----------------------------------------------------------------------------------


def _run(planned: Sequence[Planned], problem: search.Problem, order: Sequence[int]) -> Run:
    """Of an order without impossible neighbours."""
    slots, now = [], 0
    for after, batch in zip([None, *order[:-1]], order, strict=True):
        minutes = problem.cleaning(after, batch) or 0
        begins, ends = now + minutes, now + minutes + problem.minutes[batch]
        late = problem.late_by(batch, ends)
        slots.append(Slot(planned[batch].name, minutes, begins, ends, problem.due[batch], late))
        now = ends
    last = problem.last[order[-1]]
    missed = tuple(slot.name for slot in slots if slot.late_by)
    return Run(tuple(slots), last, sum(slot.cleaning for slot in slots) + last, missed)


def _given(planned: Sequence[Planned], problem: search.Problem, before: Collection[tuple[str, str]]) -> Given:
    place = {each.name: at for at, each in enumerate(planned)}
    order = range(problem.size)
    steps: Iterable[tuple[int | None, int]] = zip([None, *order[:-1]], order, strict=True)
    impossible = tuple(
        (None if after is None else planned[after].name, planned[batch].name)
        for after, batch in steps
        if problem.cleaning(after, batch) is None
    )
    broken = tuple((first, then) for first, then in sorted(before) if place[first] > place[then])
    return Given(None if impossible else _run(planned, problem, order), impossible, broken)


def _said(run: Run, given: Given, saves: int | None, proved: bool) -> Iterator[str]:
    yield f"Cleaning in this order: {run.cleaning} minutes."
    if run.missed:
        none = "No order meets every due time; here fewest are missed"
        lead = none if proved else "No order was found that meets every due time; here these are missed"
        late = ", ".join(f"{slot.name} by {slot.late_by} min" for slot in run.slots if slot.late_by)
        yield f"{lead}: {late}."
    yield from _against(given)
    if given.run is None or saves is None:
        return
    if saves > 0:
        yield f"It saves {saves} of the {given.run.cleaning} minutes of cleaning in the given order."
    elif saves < 0:
        yield f"It needs {-saves} minutes more cleaning than the given order's {given.run.cleaning}."
    else:
        same = "is kept" if _same_order(run, given.run) else "does not hold, so it is another"
        yield f"The given order needs as much cleaning, {run.cleaning} minutes; it {same}."


def _same_order(one: Run, other: Run) -> bool:
    return [slot.name for slot in one.slots] == [slot.name for slot in other.slots]


def _against(given: Given) -> Iterator[str]:
    for after, then in given.impossible:
        yield f"The given order has {then} after {after or 'the present state'}; no cleaning makes that possible."
    for first, then in given.broken:
        yield f"The given order has {then} before {first}; {first} must come first."
    if given.run is not None and given.run.missed:
        late = ", ".join(f"{slot.name} by {slot.late_by} min" for slot in given.run.slots if slot.late_by)
        yield f"The given order misses due times: {late}."


def _how(priced: int | None, least: int) -> str:
    if priced is None:
        return PROVED
    return NOT_PROVED.format(
        exact=MOST_EXACT, run=search.LONGEST_RUN, priced=priced, most=search.MOST_PRICED, least=least
    )
