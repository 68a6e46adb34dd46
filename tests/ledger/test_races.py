"""Who works at the same moment: no entry is lost or sealed twice, and one id is one record.

PostgreSQL only: SQLite lets one writer in at a time, so two deeds never overlap there.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any
from unittest.mock import patch
from uuid import UUID

import pytest
from django.db import connection, transaction

from config.api.refusals import OtherContent
from ledger import people, seals, verification
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Leaf, Person, Qualification, Seal, SealHead, Unsealed
from tests.conftest import Client

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
    ),
]
WRITERS, SEALERS, EACH = 6, 2, 12
PATIENCE = 20  # seconds


class Worker(threading.Thread):
    """Does one thing on a database connection of its own; keeps what it answered or raised."""

    def __init__(self, work: Callable[[], Any]):
        super().__init__(daemon=True)
        self.work, self.answer = work, None
        self.start()

    def run(self) -> None:
        try:
            self.answer = self.work()
        except Exception as error:  # the test looks at it
            self.answer = error
        finally:
            connection.close()

    def result(self) -> Any:
        self.join(PATIENCE)
        assert not self.is_alive(), "it still waits"
        return self.answer


Qualify = Callable[..., Qualification]


@pytest.fixture
def qualify(act: Callable[..., Act], lead: Person) -> Qualify:
    def do(id: UUID | None = None, title: str = "Course") -> Qualification:
        return people.qualify(
            act=act(lead, id=id),
            person=lead,
            title=title,
            covers_plans=False,
            evidence="Certificate 9/26",
            issued_by="Training house",
            valid_from=date(2026, 1, 1),
            valid_until=None,
        )

    return do


# -- writers and sealers ----------------------------------------------------------------------------------


def work_at_once(establishment: Establishment, qualify: Qualify) -> list[Any]:
    """Six write and two seal until the writers are done; what any of them raised."""
    writers = [Worker(lambda: [qualify() for _ in range(EACH)]) for _ in range(WRITERS)]

    def seal_meanwhile() -> None:
        while any(writer.is_alive() for writer in writers):
            seals.seal(establishment=establishment)

    workers = [*writers, *(Worker(seal_meanwhile) for _ in range(SEALERS))]
    answers = [worker.result() for worker in workers]
    seals.seal(establishment=establishment)
    return [answer for answer in answers if isinstance(answer, Exception)]


def lost() -> int:
    """Entries that neither a seal covers nor the queue names."""
    return Entry.objects.filter(leaf__isnull=True, unsealed__isnull=True).count()


@contextmanager
def slow_seals() -> Iterator[None]:
    """Between reading the queue and emptying it passes a while, as with many entries."""
    next_seal = seals._next_seal

    def slowly(*given: Any) -> Seal:
        time.sleep(0.05)
        return next_seal(*given)

    with patch.object(seals, "_next_seal", slowly):
        yield


def test_six_writers_and_two_sealers_lose_no_entry_and_seal_none_twice(
    establishment: Establishment, qualify: Qualify
) -> None:
    with slow_seals():
        assert work_at_once(establishment, qualify) == []
    assert Qualification.objects.filter(title="Course").count() == WRITERS * EACH
    assert (lost(), Unsealed.objects.count()) == (0, 0)
    assert Leaf.objects.count() == Leaf.objects.values("entry").distinct().count() == Entry.objects.count()
    numbers = list(Seal.objects.order_by("number").values_list("number", flat=True))
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) > 1, "nothing was sealed while the writers wrote"
    assert verification.verify().findings == []


def test_without_the_lock_on_the_head_two_sealers_would_seal_the_same(
    establishment: Establishment, qualify: Qualify
) -> None:
    """Shows that the test above can fail; here the database refuses the second seal of one number."""
    unlocked = patch.object(SealHead.objects, "select_for_update", SealHead.objects.all)
    with slow_seals(), unlocked:
        errors = work_at_once(establishment, qualify)
    assert "seal_numbers_run_in_one_chain" in str(errors[0])


def test_a_queue_that_is_emptied_as_a_whole_would_lose_entries(
    establishment: Establishment, qualify: Qualify
) -> None:
    """Shows that the test above can fail: entries that came in since the queue was read."""

    def empty(entries: list[UUID]) -> None:
        Unsealed.objects.filter(establishment=establishment).delete()

    with slow_seals(), patch.object(seals, "_empty_queue", empty):
        work_at_once(establishment, qualify)
    assert lost() > 0
    assert "is neither sealed nor waiting for a seal" in verification.verify().findings[0]


def test_an_entry_that_commits_after_a_later_one_was_sealed_waits_for_the_next_seal(
    establishment: Establishment, qualify: Qualify
) -> None:
    """A watermark over ids or times would pass it over."""
    written, may_finish = threading.Event(), threading.Event()

    def write_slowly() -> Qualification:
        with transaction.atomic():
            record = qualify()
            written.set()
            may_finish.wait(PATIENCE)
        return record

    slow = Worker(write_slowly)
    assert written.wait(PATIENCE)
    later = qualify()
    first = seals.seal(establishment=establishment)
    may_finish.set()
    early = slow.result()
    second = seals.seal(establishment=establishment)
    assert early.pk < later.pk
    assert Leaf.objects.get(entry=later.pk).seal == first
    assert Leaf.objects.get(entry=early.pk).seal == second


# -- two who post one id ------------------------------------------------------------------------------------


def somebody_waits() -> bool:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT EXISTS (SELECT 1 FROM pg_stat_activity "
            "WHERE datname = current_database() AND wait_event_type = 'Lock')"
        )
        return bool(cursor.fetchone()[0])


def while_the_first_is_not_committed(first: Callable[[], Any], second: Callable[[], Any]) -> tuple[Any, Any]:
    """What both answer: the second begins once the first has written, and commits after it.

    The first may raise within its transaction: then it comes to nothing while the second waits.
    """
    written, may_finish = threading.Event(), threading.Event()

    def write_and_wait() -> Any:
        with transaction.atomic():
            try:
                return first()
            finally:
                written.set()
                may_finish.wait(PATIENCE)

    one = Worker(write_and_wait)
    assert written.wait(PATIENCE)
    other = Worker(second)
    until = time.monotonic() + PATIENCE
    while not somebody_waits() and time.monotonic() < until:
        time.sleep(0.01)
    assert somebody_waits(), "the second did not wait for the first"
    may_finish.set()
    return one.result(), other.result()


@contextmanager
def no_on_conflict() -> Iterator[None]:
    """Every INSERT of this connection as it would be without its ON CONFLICT."""

    def without(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        return execute(sql.replace("ON CONFLICT (id) DO NOTHING", ""), params, many, context)

    with connection.execute_wrapper(without):
        yield


def test_two_who_write_one_id_at_once_get_one_record(qualify: Qualify) -> None:
    id = uuid7()
    first, second = while_the_first_is_not_committed(lambda: qualify(id), lambda: qualify(id))
    assert (first.pk, first.digest, first.repeated) == (id, second.digest, False)
    assert second.repeated
    assert (Qualification.objects.filter(pk=id).count(), Entry.objects.filter(pk=id).count()) == (1, 1)


def test_without_on_conflict_the_second_would_get_an_error(qualify: Qualify) -> None:
    """Shows that the test above can fail."""
    id = uuid7()

    def bare() -> Qualification:
        with no_on_conflict():
            return qualify(id)

    _, second = while_the_first_is_not_committed(lambda: qualify(id), bare)
    assert "ledger_qualification_pkey" in str(second)


def test_of_two_who_write_other_content_under_one_id_the_later_is_refused(qualify: Qualify) -> None:
    id = uuid7()
    first, second = while_the_first_is_not_committed(
        lambda: qualify(id), lambda: qualify(id, title="Another course")
    )
    assert isinstance(second, OtherContent)
    assert Qualification.objects.get(pk=id).title == first.title == "Course"


def test_when_the_first_comes_to_nothing_the_second_is_stored(qualify: Qualify) -> None:
    id = uuid7()

    def fail() -> None:
        qualify(id)
        raise ValueError("a power cut")

    first, second = while_the_first_is_not_committed(fail, lambda: qualify(id, title="Another course"))
    assert isinstance(first, ValueError)
    assert not second.repeated
    assert Qualification.objects.get(pk=id).title == "Another course"


def body(id: UUID, person: Person, title: str) -> dict[str, Any]:
    return {
        "id": str(id),
        "performed_at": "2026-03-02T12:00:00+01:00",
        "person": str(person.pk),
        "title": title,
        "covers_plans": False,
        "evidence": "Certificate 9/26",
        "issued_by": "Training house",
        "valid_from": "2026-01-01",
        "valid_until": None,
    }


def post_at_once(api: Client, bodies: list[dict[str, Any]]) -> list[Any]:
    """Answers of as many who post at the same moment."""
    together = threading.Barrier(len(bodies))

    def post(said: dict[str, Any]) -> Any:
        together.wait(PATIENCE)
        return api.send("qualifications", said)

    workers = [Worker(lambda said=said: post(said)) for said in bodies]  # type: ignore[misc]
    return [worker.result() for worker in workers]


def test_eight_who_post_one_id_at_once_get_the_same_answer_and_one_row(
    lead_api: Client, lead: Person
) -> None:
    id = uuid7()
    answers = post_at_once(lead_api, [body(id, lead, "Course")] * 8)
    assert sorted(answer.status_code for answer in answers) == [200] * 7 + [201]
    assert all(answer.json() == answers[0].json() for answer in answers)
    assert Qualification.objects.filter(pk=id).count() == 1


def test_of_those_who_post_other_content_under_one_id_at_once_one_content_is_kept(
    lead_api: Client, lead: Person
) -> None:
    id = uuid7()
    answers = post_at_once(lead_api, [body(id, lead, title) for title in ("Course", "Other course") * 3])
    kept = Qualification.objects.get(pk=id).title
    for title, answer in zip(("Course", "Other course") * 3, answers, strict=True):
        if title == kept:
            assert answer.status_code in (200, 201)
        else:
            assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/same-id-other-content")
