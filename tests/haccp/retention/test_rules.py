"""How long records are kept: the published periods, calendar months, and that no record may leave before its longest rule."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haccp.retention import rules
from haccp.retention.rules import Facts, Own
from ledger.models import record_classes

KNOWN = rules.shipped()
DAY = date(2026, 3, 2)
KINDS = sorted(model.kind for model in record_classes())

# The periods beside their text. 117.315(a): read in a secondary text; all others from memory. The guidance on Regulation
# (EC) 178/2002 is of 2010.
PUBLISHED = [
    ("21 CFR 117.315(a)(1)", "us-117-315-a", "prepared", 24),
    ("21 CFR 117.315(b)", "us-117-315-b", "end-of-use", 24),
    ("21 CFR 117.315(a)(2), looks back three years", "us-117-315-a-2", "end-of-use", 36),
    ("21 CFR 1.360(b)", "us-1-360-b", "prepared", 6),
    ("21 CFR 1.360(c)", "us-1-360-c", "prepared", 12),
    ("21 CFR 1.360(d)", "us-1-360-d", "prepared", 24),
    ("21 CFR 1.1455(d)", "us-1-1455-d", "prepared", 24),
    ("21 USC 350f(g)", "us-350f-g", "prepared", 24),
    ("21 CFR 7.59, longer than the shelf life", "us-7-59", "best-before", None),
    ("guidance on 178/2002, usual", "eu-178-usual", "prepared", 60),
    ("guidance on 178/2002, use-by under 3 months", "eu-178-short", "prepared", 6),
    ("guidance on 178/2002, over 5 years", "eu-178-long", "best-before", 6),
    ("Regulation (EU) 931/2011, Article 3(3)", "eu-931-3-3", "best-before", None),
    ("Regulation (EC) 852/2004, Article 5(4)(c)", "eu-852-5-4-c", "prepared", None),
    ("CXC 1, principle 7, longer than the shelf life", "codex-cxc1-rec", "best-before", None),
]


@pytest.mark.parametrize(("text", "id", "clock", "months"), PUBLISHED, ids=lambda value: str(value))
def test_a_period_is_as_published(text: str, id: str, clock: str, months: int | None) -> None:
    rule = next(each for each in KNOWN.rules if each.id == id)
    assert (rule.clock, rule.months) == (clock, months)


def test_no_rule_is_without_its_published_text() -> None:
    assert {each.id for each in KNOWN.rules if each.jurisdiction != "house"} == {
        *(row[1] for row in PUBLISHED),
        "us-11-10-e",
    }


@pytest.mark.parametrize("rule", KNOWN.rules, ids=lambda rule: rule.id)
def test_each_rule_tells_where_it_stands_and_how_that_was_seen(rule: rules.Rule) -> None:
    assert all((rule.source, rule.says, rule.section or rule.jurisdiction == "house"))
    assert rule.clock in rules.CLOCKS
    assert rule.provenance in ("read", "read in a secondary text", "from memory", "site setting, no source")


def test_groups_name_kinds_that_there_are() -> None:
    assert set().union(*KNOWN.groups.values()) <= set(KINDS)


@pytest.mark.parametrize("where", ["US", "EU"])
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_rule_of_law_wherever_the_house_is(kind: str, where: str) -> None:
    assert [rule for rule in KNOWN.of(kind, [where]) if rule.jurisdiction == where]


def until(kind: str, where: str | None = "US", own: tuple[Own, ...] = (), **facts: object) -> date | None:
    told = Facts(kind=kind, prepared=DAY, **facts)  # type: ignore[arg-type]
    of_kind = KNOWN.of(kind, rules.LAWS if where is None else [where])
    return rules.kept(told, of_kind, own, KNOWN).until


# -- which law --------------------------------------------------------------------------------------------


def test_where_nobody_said_where_it_ships_all_laws_apply() -> None:
    assert rules.where("US", None) == {"US", "EU"}


def test_a_house_of_the_union_is_under_its_rules() -> None:
    assert rules.where("DE", ["EU"]) == {"EU"}


def test_what_is_shipped_abroad_is_kept_by_the_rules_there_too() -> None:
    assert rules.where("DE", ["US"]) == {"US", "EU"}


@pytest.mark.parametrize(("country", "stated"), [("CH", ["EU"]), ("US", ["US", "other"])])
def test_where_no_law_is_known_here_the_longest_of_all_rules(country: str, stated: list[str]) -> None:
    assert rules.where(country, stated) == {"US", "EU"}


# -- how long ---------------------------------------------------------------------------------------------


def test_a_check_in_the_states_is_kept_two_years() -> None:
    assert until("haccp.check") == date(2028, 3, 2)


def test_where_the_law_names_no_number_the_longest_known_applies() -> None:
    assert until("haccp.check", "EU") == date(2031, 3, 2)


def test_the_houses_own_period_answers_a_rule_without_a_number() -> None:
    assert until("haccp.check", "EU", (Own("everything", 36),)) == date(2029, 3, 2)


def test_the_houses_own_period_never_shortens() -> None:
    assert until("batches.movement", "EU", (Own("everything", 12),)) == date(2031, 3, 2)


def test_the_houses_own_period_lengthens() -> None:
    assert until("haccp.check", "US", (Own("everything", 120),)) == date(2036, 3, 2)


def test_the_longest_of_all_rules_rules() -> None:
    assert until("batches.movement", None) == date(2031, 3, 2)


def test_a_plan_in_force_has_no_last_day() -> None:
    assert until("haccp.plan-version", in_force=True) is None


def test_a_plan_is_kept_two_years_after_its_use_ended() -> None:
    assert until("haccp.plan-version", used_until=date(2030, 1, 31)) == date(2032, 1, 31)


def test_a_plan_in_the_union_is_kept_by_its_end_of_use_too() -> None:
    assert until("haccp.plan-version", "EU", used_until=date(2030, 1, 31)) == date(2035, 1, 31)


def test_a_lot_that_keeps_for_ten_years_is_kept_six_months_longer() -> None:
    assert until("batches.movement", "EU", best_before=date(2036, 3, 2)) == date(2036, 9, 2)


def test_it_is_kept_past_its_best_before_in_the_states() -> None:
    assert until("batches.movement", best_before=date(2036, 3, 2)) == date(2036, 3, 2)


def test_where_a_lot_has_no_date_the_longest_known_applies() -> None:
    assert until("batches.movement", undated=True) == date(2031, 3, 2)


def test_the_trail_of_changes_stays() -> None:
    assert until("ledger.change") is None


# -- the calendar -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2024, 2, 29), 24, date(2026, 3, 1)),
        (date(2024, 2, 29), 48, date(2028, 2, 29)),
        (date(2025, 8, 31), 6, date(2026, 3, 1)),
        (date(2025, 12, 31), 2, date(2026, 3, 1)),
        (date(2025, 10, 31), 1, date(2025, 12, 1)),
        (date(2025, 12, 15), 12, date(2026, 12, 15)),
        (date(9999, 1, 1), 12, date.max),
    ],
)
def test_a_month_without_that_day_ends_on_the_first_of_the_next(
    day: date, months: int, expected: date
) -> None:
    assert rules.later(day, months) == expected


# Against an independent reckoning: a month has at least 28 days, a period of whole years at least 365 each.
@given(st.dates(max_value=date(9000, 1, 1)), st.integers(0, 1200))
def test_a_period_is_never_shorter_than_its_years(day: date, months: int) -> None:
    found = rules.later(day, months)
    assert found >= day + timedelta(days=months // 12 * 365)
    assert (found.year - day.year) * 12 + found.month - day.month in (months, months + 1)


days = st.dates(date(2000, 1, 1), date(2090, 1, 1))
facts = st.builds(
    Facts,
    kind=st.sampled_from(KINDS),
    prepared=days,
    in_force=st.booleans(),
    used_until=st.none() | days,
    best_before=st.none() | days,
    undated=st.booleans(),
)
owns = st.lists(
    st.builds(Own, st.sampled_from(["everything", *KNOWN.groups]), st.integers(1, 1200)), max_size=3
)


@given(facts, st.sampled_from([{"US"}, {"EU"}, {"US", "EU"}]), owns)
def test_no_record_may_leave_before_the_longest_of_its_rules(
    told: Facts, where: set[str], own: list[Own]
) -> None:
    """Each published number by itself, reckoned here anew from its clock."""
    found = rules.kept(told, KNOWN.of(told.kind, where), own, KNOWN).lasts
    for _, id, clock, months in PUBLISHED:
        rule = next(each for each in KNOWN.rules if each.id == id)
        if rule.jurisdiction not in {*where, "Codex"} or not KNOWN.speaks_of(rule.group, told.kind):
            continue
        begins = {"prepared": told.prepared, "end-of-use": told.used_until or told.prepared}.get(
            clock, told.best_before or told.prepared
        )
        assert found >= begins + timedelta(days=(months or 0) // 12 * 365 + (months or 0) % 12 * 28)
        if clock == "end-of-use" and told.in_force:
            assert found == date.max


@given(facts, owns)
def test_more_places_and_longer_periods_never_shorten(told: Facts, own: list[Own]) -> None:
    alone = rules.kept(told, KNOWN.of(told.kind, ["US"]), [], KNOWN).lasts
    assert rules.kept(told, KNOWN.of(told.kind, ["US", "EU"]), [], KNOWN).lasts >= alone
    numbered = [rule for rule in KNOWN.of(told.kind, ["US"]) if rule.months is not None]
    if numbered:
        assert rules.kept(told, numbered, own, KNOWN).lasts >= rules.kept(told, numbered, [], KNOWN).lasts
