"""Word of a deviation: a row in its transaction, mail after commit, sent again when lost, never without end."""

import smtplib
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.core import mail
from django.db import transaction
from django.urls import resolve
from django.utils import timezone

from haccp import deviations, notices, tasks
from haccp.models import Deviation, Notice
from haccp.notices import MOST_TRIES, PATIENCE
from ledger import people
from ledger.models import Person


@pytest.fixture
def lead(lead: Person) -> Person:
    lead.email = "lead@example.com"
    lead.save(update_fields=["email"])
    return lead


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """What was given to the broker."""
    found: list[int] = []
    monkeypatch.setattr(tasks.tell_of_deviation, "delay", found.append)
    return found


@pytest.fixture
def case(act: Any, sent: list[int]) -> Deviation:
    return deviations.report(act=act(), title="A corner of the scraper is missing.")


@pytest.fixture
def notice(case: Deviation) -> Notice:
    return Notice.objects.get()


def test_each_lead_with_an_address_has_a_row(act: Any, lead: Person, make_person: Any, sent: list[int]):
    for name, email, role in (
        ("Second Lead", "second@example.com", "food-safety-lead"),
        ("No Address", "", "food-safety-lead"),
        ("Omar", "omar@example.com", "operator"),
    ):
        person = make_person(name, email=email)
        people.give_role(act=act(lead), person=person, role=role, from_day=date(2020, 1, 1))
    gone = make_person("Left", email="left@example.com")
    people.give_role(
        act=act(lead),
        person=gone,
        role="food-safety-lead",
        from_day=date(2020, 1, 1),
        until_day=date(2021, 1, 1),
    )
    deviations.report(act=act(), title="x")
    told = Notice.objects.values_list("person__email", flat=True)
    assert sorted(told) == ["lead@example.com", "second@example.com"]


def test_a_deviation_that_is_undone_leaves_no_word(
    act: Any, lead: Person, sent: list[int], django_capture_on_commit_callbacks: Any
):
    def undone() -> None:
        with transaction.atomic():
            deviations.report(act=act(), title="x")
            raise ValueError("boom")

    with django_capture_on_commit_callbacks(execute=True), pytest.raises(ValueError, match="boom"):
        undone()
    assert (Notice.objects.count(), sent) == (0, [])


def test_the_message_goes_after_commit(act: Any, sent: list[int], django_capture_on_commit_callbacks: Any):
    with django_capture_on_commit_callbacks(execute=True):
        deviations.report(act=act(), title="x")
        assert sent == []
    assert sent == [Notice.objects.get().pk]


def test_a_broker_that_is_down_loses_no_deviation(
    act: Any, monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks: Any, lead: Person
):
    def down(pk: int) -> None:
        raise ConnectionError("no broker")

    monkeypatch.setattr(tasks.tell_of_deviation, "delay", down)
    with django_capture_on_commit_callbacks(execute=True):
        deviations.report(act=act(), title="x")
    assert Notice.objects.get().sent_at is None


def test_the_mail_says_what_happened_and_where(case: Deviation, notice: Notice):
    notices.tell(notice.pk)
    (message,) = mail.outbox
    assert message.to == ["lead@example.com"]
    assert "scraper" in message.subject
    address = message.body.split()[-1]
    assert resolve(urlsplit(address).path).kwargs["pk"] == case.pk  # there is something at it
    assert "is held" not in message.body  # nothing is


def test_the_mail_says_that_something_is_held(act: Any, sent: Any, receive: Any):
    from haccp.deviations import Touched

    deviations.report(act=act(), title="x", hold=Touched("lot", receive().uid))
    notices.tell(Notice.objects.get().pk)
    assert "is held" in mail.outbox[0].body


def test_a_title_of_several_lines_does_not_break_the_mail(act: Any, sent: list[int]):
    deviations.report(act=act(), title="One\r\nBcc: all@example.com")
    notices.tell(Notice.objects.get().pk)
    assert "\n" not in mail.outbox[0].subject


def test_told_twice_it_is_sent_once(notice: Notice):
    tasks.tell_of_deviation(notice.pk)
    tasks.tell_of_deviation(notice.pk)
    assert len(mail.outbox) == 1


def test_a_mail_server_that_is_down_leaves_the_notice_unsent(notice: Notice, monkeypatch: pytest.MonkeyPatch):
    def down(*_: Any, **__: Any) -> None:
        raise smtplib.SMTPServerDisconnected("gone")

    monkeypatch.setattr(notices, "send_mail", down)
    with pytest.raises(OSError, match="gone"):
        notices.tell(notice.pk)
    notice.refresh_from_db()
    assert notice.sent_at is None


# --- the sweep


def soon() -> Any:
    return timezone.now() + PATIENCE + timedelta(seconds=1)


def test_the_sweep_sends_what_was_lost(notice: Notice, sent: list[int]):
    assert notices.sweep(soon()) == 1
    assert sent == [notice.pk]


def test_the_sweep_leaves_a_message_time_to_arrive(notice: Notice, sent: list[int]):
    assert notices.sweep() == 0


def test_the_sweep_leaves_what_was_sent(notice: Notice):
    notices.tell(notice.pk)
    assert notices.sweep(soon()) == 0


def test_the_waits_double(notice: Notice, sent: list[int]):
    assert notices.sweep(soon()) == 1
    assert notices.sweep(soon()) == 0
    assert notices.sweep(soon() + PATIENCE) == 1


def test_tries_are_bounded(notice: Notice, sent: list[int]):
    for _ in range(3 * MOST_TRIES):
        notices.sweep(timezone.now() + timedelta(days=365))
    assert len(sent) == MOST_TRIES
    notice.refresh_from_db()
    assert notice.tries == MOST_TRIES
