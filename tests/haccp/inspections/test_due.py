"""What is due: findings in the order of their days, a word before the day and one after it, none once answered."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.core import mail

from haccp import notices, tasks
from haccp.inspections import due
from haccp.models import Finding, Notice
from ledger.models import Establishment, Person
from tests.haccp.inspections.conftest import DUE

pytestmark = pytest.mark.django_db


@pytest.fixture
def lead(lead: Person) -> Person:
    lead.email = "lead@example.com"
    lead.save(update_fields=["email"])
    return lead


@pytest.fixture(autouse=True)
def sent(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    found: list[int] = []
    monkeypatch.setattr(tasks.tell_of_deviation, "delay", found.append)
    return found


def noon_of(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 11, tzinfo=UTC)


def days(number: int) -> datetime:
    return noon_of(DUE + timedelta(days=number))


def test_findings_come_in_the_order_of_their_days_those_without_a_day_last(
    find: Any, establishment: Establishment
) -> None:
    none, late, soon = find(due_on=None), find(due_on=DUE), find(due_on=DUE - timedelta(days=3))
    assert list(due.findings(establishment)) == [soon, late, none]


def test_a_lead_is_reminded_once_a_week_before_the_day_and_once_after_it(finding: Finding) -> None:
    assert [due.sweep(days(number)) for number in (-8, -7, -6, 0, 1, 2)] == [0, 1, 0, 0, 1, 0]
    assert list(Notice.objects.order_by("pk").values_list("slot", flat=True)) == [
        "2026-03-16 before",
        "2026-03-16 after",
    ]


def test_the_day_passes_on_the_establishments_own_calendar(finding: Finding) -> None:
    """23:30 UTC on the day is 00:30 of the next day at Berlin's winter time (+01:00)."""
    due.sweep(days(-1))
    assert due.sweep(datetime(2026, 3, 16, 22, 30, tzinfo=UTC)) == 0
    assert due.sweep(datetime(2026, 3, 16, 23, 30, tzinfo=UTC)) == 1


def test_nobody_is_reminded_of_what_is_answered(finding: Finding, answer: Any) -> None:
    answer()
    assert due.sweep(days(1)) == 0


def test_a_day_that_was_put_right_is_told_anew(act: Any, find: Any, finding: Finding) -> None:
    due.sweep(days(-1))
    find(act(corrects=finding.pk, reason="Extended."), due_on=DUE + timedelta(days=5))
    assert due.sweep(days(-1)) == 1


def test_the_mail_says_what_was_found_by_when_and_where_to_answer(
    finding: Finding, lead: Person, client: Any
) -> None:
    due.sweep(days(-1))
    notices.tell(Notice.objects.get().pk)
    (message,) = mail.outbox
    assert message.subject == (
        "Finding to answer at Lindenhof Sweets, due on 2026-03-16: The seal of the door is torn."
    )
    assert "Town food office found:" in message.body
    where = message.body.strip().splitlines()[-1].removeprefix("http://127.0.0.1:8000")
    client.force_login(lead, backend="django.contrib.auth.backends.ModelBackend")
    assert "The seal of the door is torn." in client.get(where).content.decode()


def test_the_states_of_many_cost_one_statement(
    find: Any, establishment: Establishment, django_assert_num_queries: Any
) -> None:
    for _ in range(3):
        find()
    found = list(due.findings(establishment))
    with django_assert_num_queries(1):
        due.states(found, DUE)
