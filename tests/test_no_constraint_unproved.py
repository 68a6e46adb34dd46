"""Whoever adds a rule to a table adds the row that it refuses; here is said which are missing."""

import pytest
from django.db import IntegrityError

from config.api import constraints
from ledger import triggers
from tests.bad_rows import BAD_ROWS
from tests.kept_rows import KEEPS, rule_of
from tests.twins import alone, checks, implied, our_models

THERE = {name: model for model in our_models() for name in checks(model).keys() - implied(model)}
PROVED = {bad.name: bad.model for bad in BAD_ROWS}
NAMES = sorted({name for model in our_models() for name in (*checks(model), *alone(model))})


def test_every_check_has_its_bad_row() -> None:
    missing = sorted(f"{name} of {THERE[name].__name__}" for name in THERE.keys() - PROVED.keys())
    assert not missing, f"add a bad row to tests/bad_rows.py for: {', '.join(missing)}"


def test_every_bad_row_has_its_check() -> None:
    left_over = sorted(PROVED.items() - THERE.items(), key=str)
    assert not left_over, f"take out of tests/bad_rows.py, no such CHECK stands there: {left_over}"


def test_whatever_else_is_declared_is_unique_by_fields() -> None:
    """Those are proved without a line; a constraint of another kind would need a proof of its own."""
    declared = {each.name for model in our_models() for each in model._meta.constraints}
    known = {name for model in our_models() for name in (*checks(model), *alone(model))}
    assert not declared - known
    assert all(rule.fields for model in our_models() for rule in alone(model).values())


def test_no_two_rules_have_the_same_name() -> None:
    names = [name for model in our_models() for name in (*checks(model), *alone(model))]
    assert len(names) == len(set(names))


def test_an_implied_rule_is_a_rule() -> None:
    """So that a rule that was renamed does not slip out of the proofs."""
    for model in our_models():
        assert implied(model) <= checks(model).keys() | alone(model).keys()


@pytest.mark.parametrize("vendor", ["postgresql", "sqlite"])
def test_every_kind_of_trigger_is_proved(vendor: str) -> None:
    rules = {rule_of(trigger, table) for trigger, table in triggers.expected(vendor)}
    assert not rules - KEEPS.keys(), "add what it keeps to tests/kept_rows.py"


def test_nothing_of_ours_lies_outside_the_tables_that_are_looked_at() -> None:
    """A many-to-many table made on the side would have rules that nobody proves."""
    assert not [field for model in our_models() for field in model._meta.local_many_to_many]


def test_whoever_breaks_a_rule_is_answered_with_its_name_and_a_sentence() -> None:
    for name in NAMES:
        answer = constraints.refusal_of(IntegrityError(f"CHECK constraint failed: {name}"))
        assert answer is not None, name
        assert (answer.code, answer.status in (400, 409)) == (name.replace("_", "-"), True)
        assert "Nothing was written." in answer.detail, name


def test_no_sentence_is_about_a_rule_that_is_not_there() -> None:
    assert sorted(constraints._sentences.keys() - set(NAMES)) == []
