"""Records are written once: repeats, corrections, digests, seals, and what verify says of tampering."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from config.api.constraints import refusal_of
from config.api.refusals import OtherContent, RuleBroken, Unknown
from ledger import people, removals, seals, signatures, triggers, verification
from ledger.acts import Act, Moment
from ledger.ids import uuid7
from ledger.models import (
    Change,
    Entry,
    Establishment,
    Leaf,
    Person,
    Qualification,
    Removal,
    Seal,
    SealHead,
    Signature,
)

pytestmark = pytest.mark.django_db
COURSE: dict[str, Any] = {
    "title": "Course",
    "covers_plans": True,
    "evidence": "Certificate 9/26",
    "issued_by": "Training house",
    "valid_from": date(2026, 1, 1),
    "valid_until": None,
}


@pytest.fixture
def qualify(act: Callable[..., Act], lead: Person) -> Callable[..., Qualification]:
    def do(said: Act | None = None, **values: Any) -> Qualification:
        return people.qualify(act=said or act(lead), person=lead, **(COURSE | values))

    return do


def test_the_digest_read_back_is_the_digest_that_was_written(qualify: Callable[..., Qualification]) -> None:
    written = qualify(title="Überprüfung 中 🍬")
    read = Qualification.objects.get(pk=written.pk)
    assert (read.content(), read.digest) == (written.content(), written.digest)


def test_the_same_id_with_the_same_content_is_the_same_record(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person
) -> None:
    said = act(lead, id=uuid7())
    assert qualify(said) == qualify(said)
    assert qualify(said).repeated


def test_the_same_id_with_other_content_changes_nothing(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person
) -> None:
    said = act(lead, id=uuid7())
    first = qualify(said)
    with pytest.raises(OtherContent):
        qualify(said, title="Another course")
    assert Qualification.objects.get(pk=first.pk).title == "Course"


def test_standing_leaves_out_what_was_corrected(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person
) -> None:
    first = qualify()
    second = qualify(act(lead, corrects=first.pk, reason="slip of the pen"), title="The course")
    assert second in Qualification.objects.standing()
    assert first not in Qualification.objects.standing()


def test_a_record_is_corrected_once(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person
) -> None:
    first = qualify()
    qualify(act(lead, corrects=first.pk, reason="slip of the pen"), title="The course")
    with pytest.raises(RuleBroken, match="already corrected"):
        qualify(act(lead, corrects=first.pk, reason="again"), title="A course")


def test_what_is_not_there_cannot_be_corrected(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person
) -> None:
    with pytest.raises(Unknown):
        qualify(act(lead, corrects=uuid7(), reason="x"))


CHANGES: dict[str, Callable[[Qualification], Any]] = {
    "update": lambda record: Qualification.objects.filter(pk=record.pk).update(title="x"),
    "delete": lambda record: Qualification.objects.filter(pk=record.pk).delete(),
    "update of an entry": lambda record: Entry.objects.filter(pk=record.pk).update(digest="0" * 64),
    "delete of an entry": lambda record: Entry.objects.filter(pk=record.pk)._raw_delete("default"),
    "save": lambda record: record.save(),
}


@pytest.mark.parametrize("how", CHANGES)
def test_a_row_is_kept_as_written(how: str, qualify: Callable[..., Qualification]) -> None:
    record = qualify()
    with pytest.raises(IntegrityError, match="kept as written"), transaction.atomic():
        CHANGES[how](record)


def test_every_trigger_that_should_stand_stands() -> None:
    assert triggers.installed(connection) == triggers.expected(connection.vendor)


def test_a_trigger_that_differs_by_the_case_of_one_letter_is_named(establishment: Establishment) -> None:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(triggers.FUNCTIONS.replace("the-service", "The-service"))
        else:
            (told,) = (sql for sql in triggers.statements("sqlite", Change) if "_change_people" in sql)
            cursor.execute("DROP TRIGGER kept_ledger_change_people")
            cursor.execute(told.replace("the-service", "The-service"))
    assert any("kept_ledger_change_people on ledger_change" in fault for fault in triggers.faults(connection))


def test_the_database_refuses_people_who_do_not_belong_here(
    qualify: Callable[..., Qualification], act: Callable[..., Act], make_person: Callable[..., Person]
) -> None:
    with pytest.raises(IntegrityError, match="its own establishment only") as caught, transaction.atomic():
        qualify(act(make_person("Stranger")))
    refusal = refusal_of(caught.value)
    assert refusal is not None
    assert refusal.code == "of-another-establishment"


def test_the_id_of_a_record_that_left_is_taken_for_good(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person, establishment: Establishment
) -> None:
    said = act(lead, id=uuid7())
    record = qualify(said)
    seals.seal(establishment=establishment)
    removals.remove(act=act(lead), record=record, rule="ten years, ended 2036-01-01")
    with pytest.raises(OtherContent, match="one that has left"), transaction.atomic():
        qualify(said)


# -- seals ------------------------------------------------------------------------------------------


def test_a_seal_covers_what_waits_and_chains_to_the_one_before(
    establishment: Establishment, qualify: Callable[..., Qualification]
) -> None:
    first = seals.seal(establishment=establishment)
    record = qualify()
    second = seals.seal(establishment=establishment)
    assert first is not None
    assert second is not None
    assert (second.number, second.previous) == (2, first.hash)
    assert Leaf.objects.get(entry=record.pk).seal == second


def test_nothing_waiting_makes_no_seal(establishment: Establishment) -> None:
    seals.seal(establishment=establishment)
    assert seals.seal(establishment=establishment) is None


def test_one_establishment_that_cannot_be_sealed_keeps_no_other_from_it(
    establishment: Establishment, elsewhere: Establishment
) -> None:
    first, second = sorted(
        (establishment, elsewhere), key=lambda here: here.pk
    )  # the order they are sealed in
    SealHead.objects.filter(establishment=first).delete()
    with pytest.raises(SealHead.DoesNotExist):
        seals.seal_everywhere()
    assert Seal.objects.filter(establishment=second).exists()


def _behind_the_triggers(sql: str, params: list[Any]) -> None:
    connection.check_constraints()  # PostgreSQL drops no trigger while a deferred check waits
    triggers.remove(connection)
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
    triggers.install(connection)


def _key(record: Any) -> Any:
    return record.pk.hex if connection.vendor == "sqlite" else record.pk


TAMPERINGS = {
    "a changed row": ("UPDATE ledger_qualification SET title = 'x' WHERE id = %s", "something else"),
    "a changed entry": ("UPDATE ledger_entry SET digest = 'f' WHERE id = %s", "digest"),
    "a removed row": ("DELETE FROM ledger_qualification WHERE id = %s", "gone without a removal"),
    "a leaf out of place": ("UPDATE ledger_leaf SET position = 99 WHERE entry_id = %s", "fewer"),
    "a removed leaf": ("DELETE FROM ledger_leaf WHERE entry_id = %s", "seal"),
}


def test_untouched_records_verify(
    establishment: Establishment, qualify: Callable[..., Qualification]
) -> None:
    qualify()
    seals.seal(establishment=establishment)
    assert verification.verify().findings == []


@pytest.mark.parametrize("what", TAMPERINGS)
def test_verify_names(what: str, establishment: Establishment, qualify: Callable[..., Qualification]) -> None:
    record = qualify()
    seals.seal(establishment=establishment)
    sql, words = TAMPERINGS[what]
    if what == "a changed entry":
        sql = sql.replace("'f'", f"'{'f' * 64}'")
    _behind_the_triggers(sql, [_key(record)])
    findings = " ".join(verification.verify().findings)
    assert words in findings


def test_verify_names_a_signature_for_other_content(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person
) -> None:
    """As somebody would write it who may add rows: each digest fits, but nobody signed this."""
    told = {"meaning": "approved", "signer_name": lead.name, "target_digest": "0" * 64}
    made = Signature.new(act(lead), target=Entry.objects.get(pk=qualify().pk), **told).insert()
    assert f"ledger.signature {made.pk}" in " ".join(verification.verify().findings)


def test_verify_names_a_removal_that_another_establishment_made(
    qualify: Callable[..., Qualification], elsewhere: Establishment
) -> None:
    """It must not excuse that the record is gone."""
    record = qualify()
    founder = elsewhere.memberships.all()[0].person
    act = Act(
        establishment=elsewhere,
        performed_by=founder,
        performed=Moment.now(elsewhere),
        recorded_by=founder,
    )
    told = {"removed_kind": record.kind, "removed_digest": record.digest, "rule": "none"}
    made = Removal.new(act, removed_id=record.pk, **told).insert()
    assert f"ledger.removal {made.pk}" in " ".join(verification.verify().findings)


@pytest.mark.django_db(transaction=True)
def test_verify_reads_one_snapshot_and_keeps_no_writer_waiting(establishment: Establishment) -> None:
    with CaptureQueriesContext(connection) as said:
        assert verification.verify().whole
    wanted = {"sqlite": "BEGIN DEFERRED", "postgresql": "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"}
    first = next(query["sql"] for query in said if query["sql"] != "BEGIN")
    assert first == wanted[connection.vendor]
    with CaptureQueriesContext(connection) as said, transaction.atomic():
        assert Seal.objects.count() == 0
    assert all(query["sql"] != "BEGIN DEFERRED" for query in said)  # writers begin as they always did


def test_verify_names_a_changed_seal(
    establishment: Establishment, qualify: Callable[..., Qualification]
) -> None:
    qualify()
    seals.seal(establishment=establishment)
    _behind_the_triggers("UPDATE ledger_seal SET root = %s", ["0" * 64])
    assert "seal 1" in " ".join(verification.verify().findings)
    assert Seal.objects.count() == 1


# -- signatures -------------------------------------------------------------------------------------


def test_nobody_signs_as_another(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person, operator: Person
) -> None:
    target = Entry.objects.get(pk=qualify().pk)
    with pytest.raises(RuleBroken, match="as another"):
        signatures.sign(act=act(operator), proof=signatures.Proof(lead), target=target, meaning="decided")


def test_who_made_a_record_does_not_review_it(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person
) -> None:
    target = Entry.objects.get(pk=qualify().pk)
    with pytest.raises(RuleBroken, match="does not review"):
        signatures.sign(act=act(lead), proof=signatures.Proof(lead), target=target, meaning="reviewed")


def test_a_signature_is_corrected_by_its_signer_only(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person, operator: Person
) -> None:
    """A corrected signature stands no longer: otherwise anybody could take the lead's off a batch record."""
    target = Entry.objects.get(pk=qualify().pk)
    signed = signatures.sign(act=act(lead), proof=signatures.Proof(lead), target=target, meaning="approved")
    said = {"corrects": signed.pk, "reason": "x"}
    with pytest.raises(RuleBroken, match="Only who signed"):
        signatures.sign(
            act=act(operator, **said), proof=signatures.Proof(operator), target=target, meaning="decided"
        )
    assert signed in Signature.objects.standing()


def test_a_signer_corrects_what_their_signature_means(
    qualify: Callable[..., Qualification], act: Callable[..., Act], lead: Person
) -> None:
    target, proof = Entry.objects.get(pk=qualify().pk), signatures.Proof(lead)
    first = signatures.sign(act=act(lead), proof=proof, target=target, meaning="decided")
    said = act(lead, corrects=first.pk, reason="approved was meant")
    second = signatures.sign(act=said, proof=proof, target=target, meaning="approved")
    assert list(Signature.objects.standing()) == [second]
