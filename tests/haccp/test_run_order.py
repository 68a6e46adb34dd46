"""The order of a day's batches with the least cleaning: against every permutation, and against a general solver.

Published instances (all read): five batches of paint in one blender (Guéret, Prins, Sevaux, Applications of
Optimization with Xpress-MP, as on tomsym.com, Paint Production); the ten cities that come with Algorithm 750 of the
Collected Algorithms of the ACM (Carpaneto, Dell'Amico, Toth 1995, netlib); ESC07 of TSPLIB's sequential ordering
problems (optimum 2125, read in a list of best known values) and br17 of its asymmetric ones (optimum 39, read so too).
The solver is HiGHS.
"""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from config.api.refusals import RuleBroken, Unusable
from haccp import run_order, run_order_search
from haccp.run_order import Cleaning, Planned, propose

PAINT = [[0, 11, 7, 13, 11], [5, 0, 13, 15, 15], [13, 15, 0, 23, 11], [9, 13, 5, 0, 3], [3, 7, 7, 7, 0]]
ACM_750 = [
    [0, 964, 786, 990, 345, 63, 386, 999, 361, 126],
    [943, 0, 961, 706, 800, 488, 482, 198, 743, 190],
    [224, 472, 0, 326, 695, 362, 420, 193, 203, 0],
    [853, 605, 499, 0, 963, 781, 179, 370, 531, 289],
    [99, 386, 770, 634, 0, 420, 295, 487, 355, 736],
    [919, 864, 123, 455, 482, 0, 156, 585, 350, 812],
    [618, 711, 810, 20, 160, 180, 0, 129, 897, 245],
    [438, 488, 750, 21, 620, 631, 251, 0, 233, 156],
    [60, 524, 203, 944, 281, 167, 22, 880, 0, 734],
    [417, 750, 470, 474, 98, 314, 866, 714, 841, 0],
]
ESC07 = [  # -1: the other must come first; 1000000: not at once from the beginning to the end
    [0, 0, 0, 0, 0, 0, 0, 0, 1000000],
    [-1, 0, 100, 200, 75, 0, 300, 100, 0],
    [-1, 400, 0, 500, 325, 400, 600, 0, 0],
    [-1, 700, 800, 0, 550, 700, 900, 800, 0],
    [-1, -1, 250, 225, 0, 275, 525, 250, 0],
    [-1, -1, 100, 200, -1, 0, -1, -1, 0],
    [-1, -1, 1100, 1200, 1075, 1000, 0, 1100, 0],
    [-1, -1, 0, 500, 325, 400, 600, 0, 0],
    [-1, -1, -1, -1, -1, -1, -1, -1, 0],
]
BR17 = [
    [0, 3, 5, 48, 48, 8, 8, 5, 5, 3, 3, 0, 3, 5, 8, 8, 5],
    [3, 0, 3, 48, 48, 8, 8, 5, 5, 0, 0, 3, 0, 3, 8, 8, 5],
    [5, 3, 0, 72, 72, 48, 48, 24, 24, 3, 3, 5, 3, 0, 48, 48, 24],
    [48, 48, 74, 0, 0, 6, 6, 12, 12, 48, 48, 48, 48, 74, 6, 6, 12],
    [48, 48, 74, 0, 0, 6, 6, 12, 12, 48, 48, 48, 48, 74, 6, 6, 12],
    [8, 8, 50, 6, 6, 0, 0, 8, 8, 8, 8, 8, 8, 50, 0, 0, 8],
    [8, 8, 50, 6, 6, 0, 0, 8, 8, 8, 8, 8, 8, 50, 0, 0, 8],
    [5, 5, 26, 12, 12, 8, 8, 0, 0, 5, 5, 5, 5, 26, 8, 8, 0],
    [5, 5, 26, 12, 12, 8, 8, 0, 0, 5, 5, 5, 5, 26, 8, 8, 0],
    [3, 0, 3, 48, 48, 8, 8, 5, 5, 0, 0, 3, 0, 3, 8, 8, 5],
    [3, 0, 3, 48, 48, 8, 8, 5, 5, 0, 0, 3, 0, 3, 8, 8, 5],
    [0, 3, 5, 48, 48, 8, 8, 5, 5, 3, 3, 0, 3, 5, 8, 8, 5],
    [3, 0, 3, 48, 48, 8, 8, 5, 5, 0, 0, 3, 0, 3, 8, 8, 5],
    [5, 3, 0, 72, 72, 48, 48, 24, 24, 3, 3, 5, 3, 0, 48, 48, 24],
    [8, 8, 50, 6, 6, 0, 0, 8, 8, 8, 8, 8, 8, 50, 0, 0, 8],
    [8, 8, 50, 6, 6, 0, 0, 8, 8, 8, 8, 8, 8, 50, 0, 0, 8],
    [5, 5, 26, 12, 12, 8, 8, 0, 0, 5, 5, 5, 5, 26, 8, 8, 0],
]


def round_trip(costs):
    """A tour as a day: it begins as the first city leaves the equipment, and is cleaned for that one at its end."""
    names = [str(city) for city in range(1, len(costs))]
    cleaning = Cleaning(
        {a: costs[0][int(a)] for a in names},
        {(a, b): costs[int(a)][int(b)] for a in names for b in names if a != b},
        {a: costs[int(a)][0] for a in names},
    )
    return [Planned(name, 10) for name in names], cleaning


def sequential(costs):
    """A sequential ordering problem as a day: the first node is the present state, the last one its end."""
    end = len(costs) - 1
    names = [str(node) for node in range(1, end)]
    pairs = [(a, b) for a in names for b in names if a != b]
    before = [(b, a) for a, b in pairs if costs[int(a)][int(b)] == -1]
    between = {(a, b): None if (b, a) in before else costs[int(a)][int(b)] for a, b in pairs}
    cleaning = Cleaning({a: costs[0][int(a)] for a in names}, between, {a: costs[int(a)][end] for a in names})
    return [Planned(name, 10) for name in names], cleaning, before


def solved(costs, before=()):
    """The cheapest tour by HiGHS, whole numbers: each city entered and left once, places by Miller-Tucker-Zemlin."""
    n = len(costs)
    arcs = [(a, b) for a in range(n) for b in range(n) if a != b and costs[a][b] >= 0]
    size = len(arcs) + n
    rows, low, high = [], [], []

    def row(entries, least, most):
        line = np.zeros(size)
        for at, value in entries:
            line[at] += value
        rows.append(line)
        low.append(least)
        high.append(most)

    for city in range(n):
        row([(at, 1) for at, (a, _) in enumerate(arcs) if a == city], 1, 1)
        row([(at, 1) for at, (_, b) in enumerate(arcs) if b == city], 1, 1)
    for at, (a, b) in enumerate(arcs):
        if b != 0:
            row([(len(arcs) + a, 1), (len(arcs) + b, -1), (at, n)], -np.inf, n - 1)
    for first, then in before:
        row([(len(arcs) + first, 1), (len(arcs) + then, -1)], -np.inf, -1)
    found = milp(
        [costs[a][b] for a, b in arcs] + [0] * n,
        constraints=LinearConstraint(np.array(rows), low, high),
        integrality=[1] * len(arcs) + [0] * n,
        bounds=Bounds([0] * size, [1] * len(arcs) + [0] + [n - 1] * (n - 1)),
    )
    assert found.status == 0
    return round(found.fun)


@pytest.mark.parametrize("costs", [PAINT, ACM_750], ids=["paint", "acm-750"])
def test_published_tours_are_as_short_as_a_general_solver_makes_them(costs):
    found = propose(*round_trip(costs))
    assert found.proved
    assert found.run.cleaning == solved(costs)


def test_the_paint_batches_need_the_textbooks_243_minutes():
    """202 minutes of blending and 41 of cleaning (from memory; the solver agrees)."""
    assert propose(*round_trip(PAINT)).run.cleaning == 243 - (40 + 35 + 45 + 32 + 50)


def test_the_published_sequential_ordering_problem_is_solved_with_its_precedence():
    days, cleaning, before = sequential(ESC07)
    found = propose(days, cleaning, before)
    places = {slot.name: at for at, slot in enumerate(found.run.slots)}
    assert all(places[first] < places[then] for first, then in before)
    closed = [row[:] for row in ESC07]
    closed[-1][0] = 0
    given = [(int(first), int(then)) for first, then in before]
    assert found.run.cleaning == solved(closed, given) == 2125


def test_seventeen_cities_are_searched_not_proved_and_the_optimum_is_found():
    found = propose(*round_trip(BR17))
    assert not found.proved
    assert found.at_least <= 39
    assert found.run.cleaning == 39


# -- against every permutation ------------------------------------------------------------------------------

MINUTES = st.integers(0, 60)


@st.composite
def days(draw, most=6, least=1):
    """A day: batches with durations and due times, cleaning between them, now and then impossible, and precedence."""
    names = [chr(65 + at) for at in range(draw(st.integers(least, most)))]
    due = st.one_of(st.none(), st.integers(0, 200))
    planned = [Planned(name, draw(MINUTES), draw(due)) for name in names]
    often = st.one_of(*[MINUTES] * 9, st.none())
    cleaning = Cleaning(
        {name: draw(often) for name in names},
        {(a, b): draw(often) for a in names for b in names if a != b},
        {name: draw(MINUTES) for name in names},
    )
    ranks = draw(st.permutations(names))
    pairs = [(a, b) for at, a in enumerate(ranks) for b in ranks[at + 1 :]]
    before = draw(st.lists(st.sampled_from(pairs), max_size=3)) if pairs else []
    return planned, cleaning, before


def worth(planned, cleaning, order):
    """(due times missed, cleaning, late in all) in the plainest way; None where it cannot be made so."""
    by_name, now, total, last = {each.name: each for each in planned}, 0, 0, None
    late = []
    for name in order:
        minutes = cleaning.first[name] if last is None else cleaning.between[last, name]
        if minutes is None:
            return None
        total, now, last = total + minutes, now + minutes + by_name[name].minutes, name
        due = by_name[name].due
        late += [now - due] if due is not None and now > due else []
    return len(late), total + cleaning.last.get(last, 0), sum(late)


def best(planned, cleaning, before):
    names = [each.name for each in planned]
    kept = (order for order in permutations(names) if all(order.index(a) < order.index(b) for a, b in before))
    return min((price for order in kept if (price := worth(planned, cleaning, order))), default=None)


@given(days())
def test_the_order_is_as_good_as_the_best_of_every_permutation(day):
    planned, cleaning, _ = day
    wanted = best(*day)
    if wanted is None:
        with pytest.raises(RuleBroken) as refusal:
            propose(*day)
        assert refusal.value.code == "no-order"
        return
    found = propose(*day)
    order = [slot.name for slot in found.run.slots]
    assert sorted(order) == sorted(each.name for each in planned)
    assert worth(planned, cleaning, order) == wanted
    assert wanted[:2] == (len(found.run.missed), found.run.cleaning)


def test_seven_batches_are_as_good_as_the_best_of_5040_permutations():
    planned, cleaning = round_trip([row[:8] for row in ACM_750[:8]])
    planned[3] = Planned("4", 10, 500)
    found = propose(planned, cleaning, [("5", "2"), ("2", "7")])
    wanted = best(planned, cleaning, [("5", "2"), ("2", "7")])
    assert worth(planned, cleaning, [slot.name for slot in found.run.slots]) == wanted


@given(days(most=6))
def test_a_bounded_search_keeps_precedence_and_is_never_worse_than_a_given_order_that_holds(day):
    planned, cleaning, before = day
    problem = run_order._problem(planned, cleaning, before)
    found = run_order_search.bounded(problem)
    given_order = tuple(range(len(planned)))
    assert run_order_search.keeps(problem, found.order)
    if run_order_search.keeps(problem, given_order):
        price = run_order_search.price
        assert price(problem, found.order) <= price(problem, given_order)


@given(days(most=20, least=13), st.integers(1, 400))
def test_a_bounded_search_stops_after_so_many_orders(day, most):
    planned, cleaning, before = day
    found = run_order_search.bounded(run_order._problem(planned, cleaning, before), most)
    assert sorted(found.order) == list(range(len(planned)))
    assert found.priced <= most + len(planned) ** 2  # the step under way is finished


@given(days())
def test_no_order_needs_less_than_what_is_said_to_be_needed_at_least(day):
    planned, cleaning, before = day
    problem = run_order._problem(planned, cleaning, before)
    for order in permutations(range(len(planned))):
        impossible, _, cleaned, _ = run_order_search.price(problem, order)
        if not impossible and run_order_search.keeps(problem, order):
            assert run_order._at_least(problem) <= cleaned


# -- what is said --------------------------------------------------------------------------------------------


def day(*, minutes=30, between=None, first=0, names="ABC", due=None):
    """Every cleaning takes ``minutes`` unless ``between`` says otherwise."""
    pairs = {(a, b): minutes for a in names for b in names if a != b} | (between or {})
    planned = [Planned(name, 60, (due or {}).get(name)) for name in names]
    return planned, Cleaning(dict.fromkeys(names, first), pairs, {})


def said(proposal):
    return " ".join(proposal.sentences)


def test_a_proposal_says_what_it_saves_and_who_decides():
    found = propose(*day(between={("A", "C"): 5, ("C", "B"): 5}))
    assert [slot.name for slot in found.run.slots] == ["A", "C", "B"]
    assert (found.saves, found.run.cleaning, found.given.run.cleaning) == (50, 10, 60)
    assert "It saves 50 of the 60 minutes" in said(found)
    assert "The food-safety lead decides" in said(found)


def test_an_order_that_is_as_good_as_any_is_kept():
    found = propose(*day())
    assert [slot.name for slot in found.run.slots] == ["A", "B", "C"]
    assert found.saves == 0
    assert "it is kept" in said(found)


def test_where_no_order_meets_every_due_time_the_missed_ones_are_named():
    found = propose(*day(due={"B": 50, "C": 200}))
    assert found.run.missed == ("B",)
    assert "No order meets every due time; here fewest are missed: B by 10 min" in said(found)


def test_a_due_time_is_met_though_it_takes_more_cleaning():
    """After A before C is cheap, but C is due before A can be done."""
    found = propose(*day(names="AC", between={("A", "C"): 0}, due={"C": 70}))
    assert [slot.name for slot in found.run.slots] == ["C", "A"]
    assert found.saves == -30
    assert "It needs 30 minutes more cleaning" in said(found)
    assert "The given order misses due times: C by 50 min." in said(found)


def test_the_present_state_of_the_equipment_counts():
    planned, cleaning = day(names="AB")
    found = propose(planned, Cleaning({"A": 60, "B": 0}, cleaning.between, {}))
    assert [slot.name for slot in found.run.slots] == ["B", "A"]


def test_what_the_last_batch_leaves_to_clean_counts():
    planned, cleaning = day(names="AB")
    found = propose(planned, Cleaning(cleaning.first, cleaning.between, {"B": 45}))
    assert [slot.name for slot in found.run.slots] == ["B", "A"]


def test_a_given_order_with_impossible_neighbours_has_no_minutes_to_save():
    found = propose(*day(between={("A", "B"): None}))
    assert found.given.run is None
    assert found.saves is None
    assert "The given order has B after A; no cleaning makes that possible." in said(found)


def test_a_given_order_against_precedence_is_said_to_be():
    found = propose(*day(), [("C", "A")])
    assert found.given.broken == (("C", "A"),)
    assert "C must come first" in said(found)


def test_more_than_twelve_batches_are_said_not_to_be_proved():
    found = propose(*day(names="ABCDEFGHIJKLM"))
    assert not found.proved
    assert "It is not proved best" in said(found)
    assert found.at_least == found.run.cleaning == 12 * 30


def test_what_an_order_that_is_not_proved_misses_is_not_said_to_be_the_fewest():
    found = propose(*day(names="ABCDEFGHIJKLM", due={"B": 1}))
    assert "No order was found that meets every due time; here these are missed: B by" in said(found)
    assert "fewest" not in said(found)


# -- what is refused -------------------------------------------------------------------------------------------


def refused(*asked):
    with pytest.raises(Unusable) as refusal:
        propose(*asked)
    return refusal.value.reasons


def test_precedence_that_goes_round_is_refused_with_the_circle():
    (reason,) = refused(*day(names="ABCD"), [("A", "B"), ("B", "C"), ("C", "A"), ("C", "D")])
    assert (reason.code, reason.field) == ("goes-round", "before")
    assert sorted(reason.ids) == ["A", "B", "C"]


def test_a_batch_before_itself_is_refused():
    assert [reason.code for reason in refused(*day(), [("B", "B")])] == ["goes-round"]


def test_precedence_of_an_unknown_batch_is_refused():
    assert [reason.code for reason in refused(*day(), [("B", "X")])] == ["unknown-batch"]


@pytest.mark.parametrize("minutes", [-1, 10_001, 1.5, True])
def test_minutes_that_are_none_are_refused(minutes):
    assert {reason.code for reason in refused(*day(between={("A", "B"): minutes}))} == {"not-minutes"}


def test_a_batch_that_takes_negative_minutes_is_refused():
    planned, cleaning = day()
    assert [reason.field for reason in refused([Planned("A", -5), *planned[1:]], cleaning)] == [
        "batches.0.minutes"
    ]


def test_every_missing_cleaning_is_named():
    planned, cleaning = day()
    del cleaning.between["A", "B"], cleaning.first["C"]
    details = [reason.detail for reason in refused(planned, cleaning)]
    assert details == [
        "Minutes of cleaning from the present state of the equipment before C are missing.",
        "Minutes of cleaning after A before B are missing.",
    ]


def test_a_batch_that_stands_twice_is_refused():
    planned, cleaning = day()
    assert [reason.code for reason in refused([*planned, planned[0]], cleaning)] == ["doubled"]


@pytest.mark.parametrize("count", [0, 41])
def test_none_or_too_many_batches_are_refused(count):
    planned = [Planned(str(at), 5) for at in range(count)]
    assert [reason.code for reason in refused(planned, Cleaning({}, {}, {}))] == ["too-many"]


def test_cleaning_of_a_batch_that_is_not_there_is_refused():
    assert {reason.code for reason in refused(*day(between={("A", "X"): 5}))} == {"unknown-batch"}
