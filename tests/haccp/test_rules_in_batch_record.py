"""What a batch record says of local rules: those confirmed, those that nobody has confirmed, and what to mind."""

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from batches.models import Batch
from haccp.models import Check
from reports import batch_record, rendering
from tests.conftest import NOON


@pytest.fixture
def build(batch: Batch) -> Callable[..., batch_record.BatchRecord]:
    def do() -> batch_record.BatchRecord:
        return batch_record.build(
            batch.establishment,
            batch.uid,
            {},
            number="1",
            title="Batch record",
            establishment="Sugar House",
            establishment_lines=(),
            asked_by="Mara",
            made_at=NOON,
            seal=None,
        )

    return do


def test_a_rule_that_nobody_confirmed_is_named_where_its_quantity_was_checked(
    measure: Callable[..., Check],
    batch: Batch,
    make_rule: Callable[..., Any],
    build: Callable[..., batch_record.BatchRecord],
):
    rule = make_rule()
    make_rule(quantity="pH", unit="Q30")
    measure(batch)
    record = build()
    assert record.confirmed_rules == ()
    assert [told.split(":")[0] for told in record.unconfirmed_rules] == [rule.code]
    page = " ".join(rendering.to_html(record, for_paper=True).split())
    assert re.search(rf"to be confirmed with your authority[^<]*</p> <ul><li>{rule.code}: ", page)


def test_a_confirmed_rule_is_named_as_one_and_its_caution_stands_beside_the_reading(
    measure: Callable[..., Check],
    batch: Batch,
    confirmed_rule: Callable[..., Any],
    build: Callable[..., batch_record.BatchRecord],
):
    rule = confirmed_rule(meant_for="moist", upper=Decimal("0.62"))
    measure(batch)
    record = build()
    assert (len(record.confirmed_rules), record.unconfirmed_rules) == (1, ())
    assert str(rule.pk) in record.confirmed_rules[0]
    assert any("meant for moist food" in line for line in record.checks[0].read)
