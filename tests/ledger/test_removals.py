"""A record leaves after its retention ended: a record of that, its digest, leaf and seal stay, and verify is whole."""

import io
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as site
from django.db import IntegrityError, connection, transaction

from config.api.refusals import RuleBroken, Unknown
from ledger import attachments, people, removals, seals, signatures, triggers, verification
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Leaf, Person, Qualification, Record, Removal, Seal
from tests.conftest import Client
from tests.scene import PNG

pytestmark = pytest.mark.django_db
RULE = "two years after the course ended, on 2 March 2026"  # a made-up rule


@pytest.fixture
def course(establishment: Establishment, act: Callable[..., Act], lead: Person) -> Qualification:
    """A record that is sealed."""
    made = people.qualify(
        act=act(lead),
        person=lead,
        title="Hygiene course",
        covers_plans=False,
        evidence="List of names",
        issued_by="Training house North",
        valid_from=date(2022, 1, 1),
        valid_until=date(2024, 1, 1),
    )
    seals.seal(establishment=establishment)
    return made


@pytest.fixture
def remove(act: Callable[..., Act], lead: Person) -> Callable[..., Removal]:
    def do(record: Record, said: Act | None = None, rule: str = RULE) -> Removal:
        return removals.remove(act=said or act(lead), record=record, rule=rule)

    return do


def test_the_record_leaves(course: Qualification, remove: Callable[..., Removal]) -> None:
    remove(course)
    assert not Qualification.objects.filter(pk=course.pk).exists()


def test_the_removal_says_what_left_by_which_rule_and_who_did_it(
    course: Qualification, remove: Callable[..., Removal], lead: Person
) -> None:
    made = Removal.objects.get(pk=remove(course).pk)
    assert (made.removed_id, made.removed_kind, made.rule) == (course.pk, "ledger.qualification", RULE)
    assert (made.removed_digest, made.performed_by) == (course.digest, lead)


def test_digest_leaf_and_seal_stay(course: Qualification, remove: Callable[..., Removal]) -> None:
    leaf, sealed = Leaf.objects.get(entry=course.pk), Seal.objects.latest("number")
    remove(course)
    assert Entry.objects.get(pk=course.pk).digest == course.digest
    assert (Leaf.objects.get(entry=course.pk), Seal.objects.latest("number").hash) == (leaf, sealed.hash)


def test_verify_still_reports_whole_before_and_after_the_next_seal(
    course: Qualification, remove: Callable[..., Removal], establishment: Establishment
) -> None:
    remove(course)
    assert verification.verify().findings == []
    seals.seal(establishment=establishment)
    assert verification.verify().findings == []


def test_the_proof_of_what_left_still_leads_to_its_seal(
    course: Qualification, remove: Callable[..., Removal]
) -> None:
    remove(course)
    proof = seals.proof_of(Entry.objects.get(pk=course.pk))
    assert proof is not None
    assert proof.seal == Seal.objects.latest("number")


def test_over_http_it_is_said_that_the_record_left(
    course: Qualification, remove: Callable[..., Removal], lead_api: Client
) -> None:
    remove(course)
    answer = lead_api.ask(f"records/{course.pk}/evidence")
    assert answer.status_code == 404
    assert "its digest and seal remain" in answer.json()["detail"]


def test_what_hung_on_it_and_was_signed_stays(
    course: Qualification, remove: Callable[..., Removal], act: Callable[..., Act], lead: Person
) -> None:
    target = Entry.objects.get(pk=course.pk)
    signatures.sign(act=act(lead), proof=signatures.Proof(lead), target=target, meaning="recorded")
    remove(course)
    assert target.signatures.count() == 1
    assert verification.verify().findings == []


def test_asked_again_with_the_same_id_it_is_the_same_removal(
    course: Qualification, remove: Callable[..., Removal], act: Callable[..., Act], lead: Person
) -> None:
    said = act(lead, id=uuid7())
    remove(course, said)
    assert remove(course, said).repeated


# -- what is refused --------------------------------------------------------------------------------


def test_what_is_not_sealed_stays(
    course: Qualification, remove: Callable[..., Removal], act: Callable[..., Act], lead: Person
) -> None:
    unsealed = signatures.sign(
        act=act(lead),
        proof=signatures.Proof(lead),
        target=Entry.objects.get(pk=course.pk),
        meaning="recorded",
    )
    with pytest.raises(RuleBroken, match="not sealed yet"):
        remove(unsealed)
    assert not Removal.objects.exists()


def test_what_was_corrected_stays_until_the_correction_left(
    course: Qualification,
    remove: Callable[..., Removal],
    act: Callable[..., Act],
    lead: Person,
    establishment: Establishment,
) -> None:
    told = {name: getattr(course, name) for name in Qualification.client_fields}
    later = people.qualify(
        act=act(lead, corrects=course.pk, reason="misspelt"), **(told | {"title": "Hygiene"})
    )
    seals.seal(establishment=establishment)
    with pytest.raises(RuleBroken, match="corrects"):
        remove(course)
    remove(later)
    remove(course)
    assert verification.verify().findings == []


def test_another_establishments_record_is_not_there(
    remove: Callable[..., Removal], elsewhere: Establishment, course: Qualification, act: Callable[..., Act]
) -> None:
    founder = Person.objects.get(memberships__establishment=elsewhere, memberships__role="administrator")
    said = Act(establishment=elsewhere, performed_by=founder, performed=act().performed, recorded_by=founder)
    with pytest.raises(Unknown):
        remove(course, said)


def test_a_removal_is_not_removed(
    course: Qualification, remove: Callable[..., Removal], establishment: Establishment
) -> None:
    made = remove(course)
    seals.seal(establishment=establishment)
    with pytest.raises(RuleBroken, match="stays"):
        remove(made)


# -- what the database refuses ----------------------------------------------------------------------


def _delete(record: Record) -> None:
    with transaction.atomic():
        type(record).objects.filter(pk=record.pk)._raw_delete("default")


def _note(act: Act, record: Record, **other: Any) -> Removal:
    told: dict[str, Any] = {
        "removed_id": record.pk,
        "removed_kind": record.kind,
        "removed_digest": record.digest,
        "rule": RULE,
    }
    with transaction.atomic():
        return Removal.new(act, **(told | other)).insert()


def test_without_a_removal_no_row_leaves(course: Qualification) -> None:
    with pytest.raises(IntegrityError, match="kept as written"):
        _delete(course)


def test_a_removal_of_another_row_frees_none(
    course: Qualification, act: Callable[..., Act], lead: Person
) -> None:
    _note(act(lead), course, removed_id=uuid7())
    with pytest.raises(IntegrityError, match="kept as written"):
        _delete(course)


def test_another_establishments_removal_frees_none(
    course: Qualification, elsewhere: Establishment, act: Callable[..., Act]
) -> None:
    founder = Person.objects.get(memberships__establishment=elsewhere, memberships__role="administrator")
    said = Act(establishment=elsewhere, performed_by=founder, performed=act().performed, recorded_by=founder)
    _note(said, course)
    with pytest.raises(IntegrityError, match="kept as written"):
        _delete(course)


def test_a_row_with_its_removal_leaves(course: Qualification, act: Callable[..., Act], lead: Person) -> None:
    _note(act(lead), course)
    _delete(course)
    assert not Qualification.objects.filter(pk=course.pk).exists()


def test_the_row_of_a_removal_stays_even_if_another_names_it(
    course: Qualification, act: Callable[..., Act], lead: Person
) -> None:
    made = _note(act(lead), course)
    _note(act(lead), made)
    with pytest.raises(IntegrityError, match="kept as written"):
        _delete(made)


def test_entry_and_leaf_stay_even_with_a_removal(
    course: Qualification, act: Callable[..., Act], lead: Person
) -> None:
    _note(act(lead), course)
    for row in (Entry.objects.filter(pk=course.pk), Leaf.objects.filter(entry=course.pk)):
        with pytest.raises(IntegrityError, match="kept as written"), transaction.atomic():
            row._raw_delete("default")


def test_a_record_is_removed_once(course: Qualification, act: Callable[..., Act], lead: Person) -> None:
    _note(act(lead), course)
    with pytest.raises(IntegrityError, match="removed_id"):
        _note(act(lead), course)


def test_a_removal_without_a_rule_is_refused(
    course: Qualification, act: Callable[..., Act], lead: Person
) -> None:
    made = _note(act(lead), course)
    made.pk, made.removed_id, made.rule = uuid7(), uuid7(), ""
    with pytest.raises(IntegrityError, match="removal_names_its_rule"), transaction.atomic():
        Removal._insert_rows([made])


def test_a_row_that_left_behind_the_services_back_is_named(
    course: Qualification, act: Callable[..., Act], lead: Person
) -> None:
    # A removal that names another row does not hide it.
    _note(act(lead), course, removed_id=uuid7())
    connection.check_constraints()  # PostgreSQL drops no trigger while a deferred check waits
    triggers.remove(connection)
    _delete(course)
    triggers.install(connection)
    assert "gone without a removal" in " ".join(verification.verify().findings)


# -- files ------------------------------------------------------------------------------------------


def stored() -> int:
    return sum(path.is_file() for path in Path(site.MEDIA_ROOT).rglob("*"))


@pytest.fixture
def two_photos(course: Qualification, act: Callable[..., Act], establishment: Establishment) -> list[Any]:
    """The same photo on a record twice, sealed."""
    target = Entry.objects.get(pk=course.pk)
    made = [
        attachments.attach(
            act=act(), target=target, file=io.BytesIO(PNG), file_name="list.png", media_type="image/png"
        )
        for _ in range(2)
    ]
    seals.seal(establishment=establishment)
    return made


def test_a_file_stays_while_another_record_names_it_and_leaves_with_the_last(
    two_photos: list[Any], remove: Callable[..., Removal], django_capture_on_commit_callbacks: Any
) -> None:
    files = []
    for photo in two_photos:
        with django_capture_on_commit_callbacks(execute=True):
            remove(photo)
        files.append(stored())
        assert verification.verify().findings == []
    assert files == [1, 0]


def test_a_removal_that_is_undone_leaves_the_file(
    two_photos: list[Any], remove: Callable[..., Removal]
) -> None:
    with transaction.atomic():
        for photo in two_photos:
            remove(photo)
        transaction.set_rollback(True)
    assert stored() == 1
    assert verification.verify().findings == []
