"""What verifications of an instrument say of a day and of a reading: each for its range, and until a failure."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haccp import verified
from haccp.verified import Fact, Known, State

BERLIN = ZoneInfo("Europe/Berlin")
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def fact(day: int = 0, **values: Any) -> Fact:
    """A good verification at 100 °C that speaks for 90 to 110, so many days after the first."""
    usual = {"passed": True, "left_good": True, "point": 100, "lower": 90, "upper": 110, "unit": "CEL"}
    said = {"id": f"{day:03}", "at": NOON + day * DAY} | usual | values
    return Fact(**(said | {name: Decimal(said[name]) for name in ("point", "lower", "upper")}))


def bad(day: int, **values: Any) -> Fact:
    """A failure that nobody put right."""
    return fact(day, **({"passed": False, "left_good": False} | values))


def state(*facts: Fact, day: int = 9, every: int | None = None) -> State:
    return verified.known_at(facts).state((NOON + day * DAY).date(), every, BERLIN)


def speaks(*facts: Fact, value: str, unit: str = "CEL", every: int | None = None) -> bool:
    return verified.known_at(facts).speaks_for(Decimal(value), unit, NOON + 9 * DAY, every)


# --- the state of a day


def test_an_instrument_without_a_verification_was_never_verified():
    assert state() is State.NEVER


def test_a_good_verification_without_a_schedule_does_not_age():
    assert state(fact(0), day=5000) is State.VERIFIED


@pytest.mark.parametrize(("day", "expected"), [(7, State.VERIFIED), (8, State.OVERDUE)])
def test_it_is_overdue_on_the_day_after_its_last(day: int, expected: State):
    assert state(fact(0), day=day, every=7) is expected


def test_days_are_those_of_the_establishments_clock():
    late = fact(0, at=datetime(2026, 3, 2, 23, 30, tzinfo=UTC))  # the 3rd in Berlin
    assert verified.known_at([late]).due_day(7, BERLIN) == date(2026, 3, 10)


def test_a_failure_stands_until_a_good_one_covers_its_point():
    assert state(fact(0), bad(1)) is State.FAILED
    assert state(fact(0), bad(1), fact(2, point=0, lower=-5, upper=5)) is State.FAILED
    assert state(fact(0), bad(1), fact(2)) is State.VERIFIED


def test_an_instrument_put_right_at_once_is_verified_as_it_was_left():
    assert state(fact(0), fact(1, passed=False)) is State.VERIFIED


def test_an_instrument_spoilt_while_it_was_put_right_has_failed():
    assert state(fact(0), fact(1, left_good=False)) is State.FAILED


def test_what_came_later_is_not_known_yet():
    assert verified.known_at([fact(0), bad(3)], NOON + DAY).failed == ()


# --- what it speaks for


@pytest.mark.parametrize(
    ("value", "expected"), [("90", True), ("110", True), ("89.9", False), ("170", False)]
)
def test_boiling_water_does_not_speak_for_boiling_sugar(value: str, expected: bool):
    assert speaks(fact(0), value=value) is expected


def test_it_speaks_in_another_unit_too():
    """212 °F = 100 °C: NIST SP 811 appendix B.8 (read in a copy)."""
    assert speaks(fact(0), value="212", unit="FAH")
    assert not speaks(fact(0), value="100", unit="FAH")


def test_two_points_speak_each_for_its_range():
    both = fact(0, id="ice", point=0, lower=-5, upper=5), fact(0, id="steam")
    assert speaks(*both, value="1")
    assert speaks(*both, value="100")
    assert not speaks(*both, value="50")


def test_a_failure_ends_what_every_earlier_one_said():
    ice = fact(0, point=0, lower=-5, upper=5)
    assert not speaks(ice, bad(1), fact(2), value="1")


def test_one_older_than_the_schedule_speaks_no_longer_beside_a_fresh_one():
    old, fresh = fact(0), fact(8, point=0, lower=-5, upper=5)
    assert speaks(old, fresh, value="100")
    assert not speaks(old, fresh, value="100", every=5)


# --- what is in doubt


def doubt(*facts: Fact, failure: Fact) -> tuple[datetime | None, datetime | None]:
    found = verified.doubt([*facts, failure], failure)
    return found.since, found.until


def test_a_failure_doubts_what_was_read_since_the_last_good_one():
    assert doubt(fact(0), fact(3), failure=bad(5)) == (NOON + 3 * DAY, None)


def test_a_good_one_elsewhere_in_the_range_does_not_end_the_doubt():
    assert doubt(fact(0), fact(3, point=0, lower=-5, upper=5), failure=bad(5)) == (NOON, None)


def test_without_a_good_one_everything_before_is_in_doubt():
    assert doubt(failure=bad(5)) == (None, None)


def test_the_next_good_one_ends_the_doubt():
    assert doubt(fact(0), fact(7), failure=bad(5)) == (NOON, NOON + 7 * DAY)


def test_an_instrument_put_right_at_once_ends_the_doubt_itself():
    assert doubt(fact(0), failure=fact(5, passed=False)) == (NOON, NOON + 5 * DAY)


@pytest.mark.parametrize(("day", "expected"), [(-1, False), (0, True), (4, True), (7, True), (8, False)])
def test_both_ends_of_the_doubt_are_in_doubt(day: int, expected: bool):
    assert verified.in_doubt([fact(0), bad(5), fact(7)], NOON + day * DAY) is expected


# --- in general

SPANS = st.tuples(st.integers(0, 9), st.integers(0, 9), st.integers(0, 9)).map(sorted)


@st.composite
def facts(draw: Any) -> list[Fact]:
    made = []
    for day in range(draw(st.integers(0, 7))):
        lower, point, upper = draw(SPANS)
        told = {"passed": draw(st.booleans()), "left_good": draw(st.booleans())}
        made.append(fact(day, lower=lower, point=point, upper=upper, **told))
    return made


def has_failed(history: list[Fact]) -> bool:
    """As the rule says it, without leaving anything out."""
    for at, each in enumerate(history):
        if not each.left_good:
            later = history[at + 1 :]
            if not any(other.left_good and other.covers(each.point, each.unit) for other in later):
                return True
    return False


def may_speak(history: list[Fact], value: Decimal) -> bool:
    for at, each in enumerate(history):
        later = history[at + 1 :]
        if each.left_good and each.covers(value, "CEL") and all(o.passed and o.left_good for o in later):
            return True
    return False


@given(history=facts(), value=st.integers(0, 9).map(Decimal))
def test_what_is_left_out_changes_nothing(history: list[Fact], value: Decimal):
    known = verified.known_at(history)
    assert (known.state(date(2026, 3, 2), None, BERLIN) is State.FAILED) is has_failed(history)
    assert known.speaks_for(value, "CEL", NOON, None) is may_speak(history, value)


@given(history=facts())
def test_what_is_kept_reads_back(history: list[Fact]):
    known = verified.known_at(history)
    assert verified.known_from_json(known.as_json()) == known


@given(history=facts())
def test_the_order_of_entry_does_not_matter(history: list[Fact]):
    assert verified.known_at(reversed(history)) == verified.known_at(history)


def test_nothing_is_known_in_the_beginning():
    assert verified.known_from_json(Known().as_json()) == Known()
