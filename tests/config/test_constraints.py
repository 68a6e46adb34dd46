"""What the database refuses is said in words and by field, the same on both engines."""

from collections.abc import Callable, Iterator
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from config.api import constraints
from config.api.constraints import broken_constraint, refusal_of
from config.api.problems import exception_handler
from config.api.refusals import Refusal, RuleBroken, Unusable
from ledger.models import Establishment, Membership, Person, Token

pytestmark = pytest.mark.django_db
TODAY = date(2026, 3, 2)


def error_of(deed: Callable[[], Any]) -> IntegrityError:
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        deed()
    return caught.value


def refused(error: IntegrityError) -> Refusal:
    refusal = refusal_of(error)
    assert refusal is not None
    return refusal


@pytest.fixture
def twice_a_role(establishment: Establishment, lead: Person) -> IntegrityError:
    role = {"establishment": establishment, "person": lead, "role": "inspector", "from_day": TODAY}
    Membership.objects.create(**role)
    return error_of(lambda: Membership.objects.create(**role))


@pytest.fixture
def unknown_role(establishment: Establishment, lead: Person) -> IntegrityError:
    return error_of(
        lambda: Membership.objects.create(
            establishment=establishment, person=lead, role="jester", from_day=TODAY
        )
    )


@pytest.fixture
def twice_a_name(make_person: Callable[..., Person]) -> IntegrityError:
    first = make_person()
    again = Person(sign_in_name=first.sign_in_name, name="Another", initials="A")
    return error_of(lambda: again.save(force_insert=True))


@pytest.fixture
def registered() -> Iterator[Callable[..., None]]:
    before = dict(constraints._sentences)
    yield constraints.say
    constraints._sentences.clear()
    constraints._sentences.update(before)


def test_a_unique_constraint_is_known_by_its_name(twice_a_role: IntegrityError) -> None:
    assert broken_constraint(twice_a_role) == "membership_once_a_role"


def test_a_check_is_known_by_its_name(unknown_role: IntegrityError) -> None:
    assert broken_constraint(unknown_role) == "membership_role_is_known"


def test_a_unique_field_is_known_by_the_name_postgresql_gives_it(twice_a_name: IntegrityError) -> None:
    assert broken_constraint(twice_a_name) == "ledger_person_sign_in_name_key"


def test_a_primary_key_that_is_taken_is_known(make_person: Callable[..., Person]) -> None:
    taken = make_person().pk
    again = Person(pk=taken, sign_in_name="again", name="Another", initials="A")
    error = error_of(lambda: again.save(force_insert=True))
    assert broken_constraint(error) == "ledger_person_pkey"
    assert refused(error).reasons[0].field == "id"


def test_a_registered_sentence_answers_409_for_what_is_unique(
    twice_a_role: IntegrityError, registered: Callable[..., None]
) -> None:
    registered("membership_once_a_role", "role", "This person has that role here.")
    refusal = refused(twice_a_role)
    assert (type(refusal), refusal.detail) == (RuleBroken, "This person has that role here.")
    assert (refusal.code, refusal.reasons[0].field) == ("membership-once-a-role", "role")


def test_a_registered_sentence_answers_400_for_a_check(
    unknown_role: IntegrityError, registered: Callable[..., None]
) -> None:
    registered("membership_role_is_known", "role", "There is no such role.")
    refusal = refused(unknown_role)
    assert (type(refusal), refusal.reasons[0].field) == (Unusable, "role")


def test_without_a_sentence_the_answer_names_the_rule(unknown_role: IntegrityError) -> None:
    refusal = refused(unknown_role)
    assert refusal.status == 409
    assert "membership role is known" in refusal.detail


def test_without_a_sentence_what_is_unique_names_its_field(
    twice_a_name: IntegrityError, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(constraints, "_sentences", {})
    refusal = refused(twice_a_name)
    assert (refusal.status, refusal.reasons[0].field) == (409, "sign_in_name")
    assert refusal.detail == "There is one with the same sign in name already. Nothing was written."


def test_without_a_sentence_several_fields_are_named_in_words(
    twice_a_role: IntegrityError, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(constraints, "_sentences", {})
    refusal = refused(twice_a_role)
    assert refusal.reasons[0].field == ""
    assert "same person and role" in refusal.detail


def test_a_reference_to_nothing_is_a_409(establishment: Establishment) -> None:
    def refer_to_nothing() -> None:
        now = timezone.now()
        Token.objects.create(
            establishment=establishment,
            person_id="0195557c-1f0e-7a34-8000-5a0e2f4c9b11",
            label="x",
            key_hash="0" * 64,
            made_at=now,
            ends_at=now + timedelta(days=1),
        )
        connection.check_constraints()  # as a commit does

    assert refused(error_of(refer_to_nothing)).code == "reference-not-there"


def test_what_others_refer_to_stays(establishment: Establishment, lead: Person) -> None:
    assert refused(error_of(lead.delete)).code == "referred-to"


def test_a_row_kept_as_written_says_so(establishment: Establishment, lead: Person) -> None:
    qualification = lead.qualifications.first()  # type: ignore[attr-defined]
    with connection.cursor() as cursor:
        statement = "UPDATE ledger_qualification SET title = 'x'"
        refusal = refused(error_of(lambda: cursor.execute(statement)))
    assert qualification is not None
    assert (refusal.status, refusal.code) == (409, "kept-as-written")
    assert "CONTEXT" not in refusal.detail


def test_a_column_left_empty_is_our_fault_and_no_answer_is_made_up(lead: Person) -> None:
    error = error_of(lambda: Person.objects.filter(pk=lead.pk).update(name=None))
    assert refusal_of(error) is None
    assert exception_handler(error, {}) is None
