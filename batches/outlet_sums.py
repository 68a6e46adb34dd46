"""What became of one lot at one outlet: pure sums over what went there, was noted there, and came back."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

TAKEN, BROUGHT_BACK = "taken", "brought-back"
SOLD, GIVEN, DESTROYED, COUNTED = "sold", "given", "destroyed", "counted"
SAYS_WHAT_IS_LEFT = frozenset({SOLD, GIVEN, COUNTED})
ORDER = {TAKEN: 0, SOLD: 1, GIVEN: 1, DESTROYED: 1, BROUGHT_BACK: 2, COUNTED: 3}
"""Of what is said of one instant: goods come before they leave, and a count sees what was left by then."""


@dataclass(frozen=True)
class Event:
    """``quantity``: base steps. ``day``: the establishment's date. ``place``: where the stall stood, if that was said."""

    what: str
    quantity: int
    at: datetime
    day: date
    place: str = ""


@dataclass(frozen=True)
class Visit:
    """Days on which the lot was on sale at one place; ``last`` None: it may be so still."""

    place: str
    first: date
    last: date | None


@dataclass(frozen=True)
class OutletSum:
    """Base steps. ``gap``: what counts found more or (negative) less than was noted. ``short``: by how much more had left
    at the worst moment than had come by then. ``counted``: somebody noted what was sold or what is left."""

    taken: int
    brought_back: int
    sold: int
    given: int
    destroyed: int
    gap: int
    short: int
    counted: bool
    visits: tuple[Visit, ...]

    @property
    def there(self) -> int:
        """What must be left there by what was noted; less than 0 where more left than came."""
        return self.taken - self.brought_back - self.sold - self.given - self.destroyed + self.gap

    @property
    def with_buyers(self) -> int:
        """The most that buyers may have: all that is not known to be elsewhere. Where nobody counted, all that did not
        come back counts as sold."""
        left = max(self.there, 0) if self.counted else 0
        return max(self.taken - self.brought_back - self.destroyed - left, 0)


def sum_up(events: Iterable[Event], *, stays: bool) -> OutletSum:
    """Add up what happened to one lot at one outlet. ``stays``: a shop, which has it until it is gone."""
    told = sorted(events, key=lambda each: (each.at, ORDER[each.what]))
    sums = dict.fromkeys(ORDER, 0)
    there = gap = short = 0
    for each in told:
        sums[each.what] += each.quantity
        if each.what == COUNTED:
            gap += each.quantity - there
            there = each.quantity
        else:
            there += each.quantity if each.what == TAKEN else -each.quantity
        short = max(short, -there)
    counted = any(each.what in SAYS_WHAT_IS_LEFT for each in told)
    gone = (counted and there <= 0) or sums[BROUGHT_BACK] + sums[DESTROYED] >= sums[TAKEN]
    return OutletSum(
        taken=sums[TAKEN],
        brought_back=sums[BROUGHT_BACK],
        sold=sums[SOLD],
        given=sums[GIVEN],
        destroyed=sums[DESTROYED],
        gap=gap,
        short=short,
        counted=counted,
        visits=_stay(told, gone) if stays else _visits(told),
    )


def _stay(told: Sequence[Event], gone: bool) -> tuple[Visit, ...]:
    """A shop sells from the day it came until it is gone, and nobody knows on which of them."""
    return (Visit("", told[0].day, told[-1].day if gone else None),) if told else ()


def _visits(told: Sequence[Event]) -> tuple[Visit, ...]:
    """A stall goes out with what it takes, and is out until something is noted of it for the last time."""
    found: list[Visit] = []
    for each in told:
        last = found[-1] if found else None
        new = each.what == TAKEN and (last is None or (last.first, last.place) != (each.day, each.place))
        if last is None or new:
            found.append(Visit(each.place, each.day, each.day))
        else:
            found[-1] = Visit(last.place or each.place, last.first, max(last.last or each.day, each.day))
    return tuple(found)
