"""An owner switches the triggers off and changes something: ``manage.py verify`` names it first, and ends with 1."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import connection

from batches.models import BatchState, Edge, LotState
from haccp.models import Check
from ledger import canonical, seals, triggers, verification
from ledger.attachments import path_of
from ledger.models import Attachment, Change, Entry, Leaf, Qualification, Seal, SealHead, Unsealed
from reports.demo.house import HOUSE
from tests.conftest import NOON
from tests.ledger.conftest import House

pytestmark = pytest.mark.django_db
ON_SQLITE = connection.vendor == "sqlite"


def verify(capsys: Any) -> tuple[int, str, str]:
    """Exit code of ``manage.py verify``, the first thing it names, and all it says."""
    capsys.readouterr()
    code = 0
    try:
        call_command("verify")
    except SystemExit as ended:
        code = ended.code
    said = capsys.readouterr().out
    first = re.search(r"^\d+ findings\. The first: (.*)$", said, re.MULTILINE)
    return code, first[1] if first else "", said


@contextmanager
def as_owner(*tables: str) -> Iterator[None]:
    """The triggers of these tables stand aside meanwhile."""
    connection.check_constraints()  # PostgreSQL alters no table while a deferred check waits
    with connection.cursor() as cursor:
        if ON_SQLITE:
            triggers.remove(connection)
        else:
            for table in tables:
                cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
    yield
    connection.check_constraints()
    with connection.cursor() as cursor:
        if ON_SQLITE:
            triggers.install(connection)
        else:
            for table in tables:
                cursor.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")


def in_sql(id: UUID) -> str:
    return id.hex if ON_SQLITE else str(id)


def sql(statement: str) -> None:
    connection.check_constraints()
    with connection.cursor() as cursor:
        cursor.execute(statement)


def test_a_whole_house_verifies(house: House, capsys: Any) -> None:
    code, _, said = verify(capsys)
    assert code == 0
    assert "Everything is as it was written." in said
    assert "4 files" in said


# -- records ------------------------------------------------------------------------------------------------

OTHERWISE = "says something else than when it was written"


def failing_check() -> Check:
    check: Check = Check.objects.get(result="outside")
    return check


@pytest.mark.parametrize(
    "values",
    [
        {"result": "within"},
        {"readings": []},
        {"note": "x"},
        {"performed_offset": 0},
        {"performed_at": NOON},
        {"recorded_at": NOON},
        {"withdrawn": True, "corrects": "itself"},
        {"form": 9},
    ],
    ids=lambda values: "-".join(values),
)
def test_a_changed_field_is_named(house: House, values: dict[str, Any], capsys: Any) -> None:
    check = failing_check()
    if "corrects" in values:
        values = values | {"corrects": Check.objects.exclude(pk=check.pk).earliest("id"), "reason": "x"}
    with as_owner("haccp_check"):
        Check.objects.filter(pk=check.pk).update(**values)
    assert verify(capsys)[:2] == (1, f"haccp.check {check.pk} {OTHERWISE}")


def test_another_person_put_in_the_place_of_who_did_it_is_named(house: House, capsys: Any) -> None:
    check = failing_check()
    assert check.performed_by != house.lead
    with as_owner("haccp_check"):
        Check.objects.filter(pk=check.pk).update(performed_by=house.lead)
    assert verify(capsys)[:2] == (1, f"haccp.check {check.pk} {OTHERWISE}")


@pytest.mark.parametrize("field", ["after", "salts"])
def test_a_changed_hidden_field_or_salt_is_named(house: House, field: str, capsys: Any) -> None:
    change = Change.objects.exclude(after={}).earliest("id")
    other = {"after": {"name": "x"}, "salts": change.salts | {"after": "0" * 32}}
    with as_owner("ledger_change"):
        Change.objects.filter(pk=change.pk).update(**{field: other[field]})
    assert verify(capsys)[:2] == (1, f"ledger.change {change.pk} {OTHERWISE}")


def test_a_record_with_a_changed_digest_is_named(house: House, capsys: Any) -> None:
    check = failing_check()
    with as_owner("haccp_check"):
        Check.objects.filter(pk=check.pk).update(digest="f" * 64)
    assert verify(capsys)[:2] == (1, f"haccp.check {check.pk} has another digest than its entry")


def test_a_record_rewritten_with_its_digest_is_named(house: House, capsys: Any) -> None:
    check = failing_check()
    check.result = "within"
    with as_owner("haccp_check"):
        Check.objects.filter(pk=check.pk).update(result="within", digest=canonical.digest(check.content()))
    assert verify(capsys)[:2] == (1, f"haccp.check {check.pk} has another digest than its entry")


def test_a_record_rewritten_with_its_digest_and_entry_no_longer_fits_its_seal(
    house: House, capsys: Any
) -> None:
    check = failing_check()
    check.result = "within"
    anew = canonical.digest(check.content())
    with as_owner("haccp_check", "ledger_entry"):
        Check.objects.filter(pk=check.pk).update(result="within", digest=anew)
        Entry.objects.filter(pk=check.pk).update(digest=anew)
    seal = Leaf.objects.get(entry=check.pk).seal
    assert verify(capsys)[:2] == (
        1,
        f"seal {seal.number} of establishment {HOUSE}: its root does not fit the records it covers",
    )


def test_a_deleted_record_is_named(house: House, capsys: Any) -> None:
    gone = Qualification.objects.earliest("id")
    with as_owner("ledger_qualification"):
        sql(f"DELETE FROM ledger_qualification WHERE id = '{in_sql(gone.pk)}'")
    assert verify(capsys)[:2] == (
        1,
        f"ledger.qualification {gone.pk} is in the ledger but its record is gone without a removal",
    )


def test_a_record_written_while_the_triggers_were_off_is_named(house: House, capsys: Any) -> None:
    with as_owner("ledger_qualification"):
        written = house.qualify("Written past the ledger")
    assert verify(capsys)[:2] == (
        1,
        f"ledger.qualification {written.pk} has no entry in the ledger: written past the service",
    )


def test_an_entry_taken_out_of_the_queue_is_named(house: House, capsys: Any) -> None:
    waiting = house.qualify("Waits for a seal")
    Unsealed.objects.filter(entry=waiting.pk).delete()
    assert verify(capsys)[:2] == (
        1,
        f"ledger.qualification {waiting.pk} is neither sealed nor waiting for a seal",
    )


# -- seals --------------------------------------------------------------------------------------------------


def test_a_seal_removed_from_the_middle_is_named(house: House, capsys: Any) -> None:
    seal = Seal.objects.get(number=2)
    with as_owner("ledger_leaf", "ledger_seal"):
        sql(f"DELETE FROM ledger_leaf WHERE seal_id = {seal.pk}")
        sql(f"DELETE FROM ledger_seal WHERE id = {seal.pk}")
    code, first, said = verify(capsys)
    assert (code, first) == (1, f"seal 3 of establishment {HOUSE}: seal 2 is missing before it")
    assert f"seal 3 of establishment {HOUSE} does not follow from the seal before it" in said


def test_the_last_seal_removed_is_named(house: House, capsys: Any) -> None:
    seal = Seal.objects.filter(establishment=house.establishment).latest("number")
    with as_owner("ledger_leaf", "ledger_seal"):
        sql(f"DELETE FROM ledger_leaf WHERE seal_id = {seal.pk}")
        sql(f"DELETE FROM ledger_seal WHERE id = {seal.pk}")
    assert verify(capsys)[:2] == (
        1,
        f"the last seal of {house.establishment} is not the one its head names",
    )


@pytest.mark.parametrize("field", ["root", "previous", "sealed_at", "hash"])
def test_a_changed_seal_is_named(house: House, field: str, capsys: Any) -> None:
    with as_owner("ledger_seal"):
        Seal.objects.filter(number=2).update(**{field: NOON if field == "sealed_at" else "f" * 64})
    code, first, said = verify(capsys)
    assert code == 1
    assert first.startswith(f"seal 2 of establishment {HOUSE}")
    assert f"seal 2 of establishment {HOUSE} was changed: its hash does not fit" in said


def test_a_leaf_removed_from_a_seal_is_named(house: House, capsys: Any) -> None:
    leaf = Leaf.objects.filter(seal__number=1).latest("position")
    with as_owner("ledger_leaf"):
        sql(f"DELETE FROM ledger_leaf WHERE id = {leaf.pk}")
    assert verify(capsys)[:2] == (
        1,
        f"seal 1 of establishment {HOUSE}: its root does not fit the records it covers",
    )


@pytest.mark.parametrize("values", [{"number": 3}, {"number": 5}, {"hash": "f" * 64}])
def test_a_changed_head_is_named(house: House, values: dict[str, Any], capsys: Any) -> None:
    SealHead.objects.filter(establishment=HOUSE).update(**values)
    assert verify(capsys)[:2] == (
        1,
        f"the last seal of {house.establishment} is not the one its head names",
    )


def test_everything_rewritten_and_sealed_anew_is_not_seen_but_the_seal_hash_differs(
    house: House, capsys: Any
) -> None:
    """What README.md says that this cannot show. A hash that somebody else holds shows it."""
    held, check = Seal.objects.get(number=4).hash, failing_check()
    check.result = "within"
    anew = canonical.digest(check.content())
    with as_owner("haccp_check", "ledger_entry", "ledger_leaf", "ledger_seal"):
        Check.objects.filter(pk=check.pk).update(result="within", digest=anew)
        Entry.objects.filter(pk=check.pk).update(digest=anew)
        sql("DELETE FROM ledger_leaf")
        sql("DELETE FROM ledger_seal")
        sql(
            "INSERT INTO ledger_unsealed (entry_id, establishment_id) SELECT id, establishment_id FROM ledger_entry"
        )
        SealHead.objects.update(number=0, hash="0" * 64)
    seals.seal(establishment=house.establishment)
    assert verify(capsys)[0] == 0
    assert held not in Seal.objects.values_list("hash", flat=True)


# -- files and projections ----------------------------------------------------------------------------------


@pytest.fixture
def file(house: House) -> Iterator[str]:
    """The path of the attached picture, which is put back afterwards."""
    path = path_of(Attachment.objects.get(file_name="scan.png").sha256)
    with default_storage.open(path) as stored:
        as_it_was = stored.read()
    yield path
    default_storage.delete(path)
    default_storage.save(path, ContentFile(as_it_was))


def test_a_changed_file_is_named(file: str, capsys: Any) -> None:
    default_storage.delete(file)
    default_storage.save(file, ContentFile(b"another picture"))
    assert verify(capsys)[:2] == (
        1,
        f"the file of attachment {Attachment.objects.get(file_name='scan.png').pk} was changed",
    )


def test_a_missing_file_is_named(file: str, capsys: Any) -> None:
    default_storage.delete(file)
    assert verify(capsys)[:2] == (
        1,
        f"the file of attachment {Attachment.objects.get(file_name='scan.png').pk} is missing",
    )


def test_a_lot_released_behind_its_records_is_named(house: House, capsys: Any) -> None:
    lot = LotState.objects.filter(status="held").latest("pk").lot
    LotState.objects.filter(lot=lot).update(status="released")
    assert verify(capsys)[:2] == (
        1,
        f"lot states: lot {lot.uid}: status is released, its records say held",
    )


def test_a_lost_edge_between_lots_is_named(house: House, capsys: Any) -> None:
    Edge.objects.earliest("pk").delete()
    code, first, _ = verify(capsys)
    assert code == 1
    assert first.startswith("edges: ")


def test_a_batch_state_that_does_not_follow_from_its_records_is_named(house: House, capsys: Any) -> None:
    state = BatchState.objects.filter(ended_at__isnull=False).earliest("pk")
    BatchState.objects.filter(pk=state.pk).update(ended_at=None)
    code, first, _ = verify(capsys)
    assert code == 1
    assert first.startswith("batch states: ")


# -- the triggers themselves --------------------------------------------------------------------------------

EVERY_TRIGGER = triggers.expected(connection.vendor)


@pytest.mark.parametrize(("trigger", "table"), EVERY_TRIGGER, ids=lambda name: name)
def test_every_missing_trigger_is_named(db: Any, trigger: str, table: str) -> None:
    sql(f"DROP TRIGGER {trigger}" + ("" if ON_SQLITE else f" ON {table}"))
    assert list(triggers.faults(connection)) == [
        f"trigger {trigger} is missing on {table}: rows there can be changed unseen"
    ]


def test_a_missing_trigger_is_named_before_what_was_done_meanwhile(house: House, capsys: Any) -> None:
    check = failing_check()
    sql("DROP TRIGGER kept_haccp_check_update" + ("" if ON_SQLITE else " ON haccp_check"))
    Check.objects.filter(pk=check.pk).update(note="x")
    code, first, said = verify(capsys)
    named = "trigger kept_haccp_check_update is missing on haccp_check: rows there can be changed unseen"
    assert (code, first) == (1, named)
    assert f"also: haccp.check {check.pk} {OTHERWISE}" in said


ALTERED = {
    "one that asks nothing on SQLite": [
        "DROP TRIGGER kept_haccp_check_update",
        "CREATE TRIGGER kept_haccp_check_update BEFORE UPDATE ON haccp_check BEGIN SELECT 1; END",
    ],
    "one that asks on a condition on SQLite": [
        "DROP TRIGGER kept_haccp_check_update",
        "CREATE TRIGGER kept_haccp_check_update BEFORE UPDATE ON haccp_check WHEN NEW.note <> 'x' "
        "BEGIN SELECT RAISE(ABORT, 'haccp_check rows are kept as written: UPDATE refused'); END",
    ],
    "one that asks on a condition on PostgreSQL": [
        "CREATE OR REPLACE TRIGGER kept_haccp_check_update BEFORE UPDATE ON haccp_check FOR EACH ROW "
        "WHEN (NEW.note <> 'x') EXECUTE FUNCTION ledger_refuse_change()"
    ],
    "one for another deed on PostgreSQL": [
        "CREATE OR REPLACE TRIGGER kept_haccp_check_update BEFORE UPDATE OF form ON haccp_check FOR EACH ROW "
        "EXECUTE FUNCTION ledger_refuse_change()"
    ],
    "one switched off on PostgreSQL": ["ALTER TABLE haccp_check DISABLE TRIGGER kept_haccp_check_update"],
    "one for copies only on PostgreSQL": [
        "ALTER TABLE haccp_check ENABLE REPLICA TRIGGER kept_haccp_check_update"
    ],
    "another function on PostgreSQL": [
        "CREATE OR REPLACE FUNCTION ledger_refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RETURN NEW; END $$"
    ],
}


@pytest.mark.parametrize("how", [how for how in ALTERED if how.endswith("SQLite") == ON_SQLITE])
def test_an_altered_trigger_is_named(house: House, how: str, capsys: Any) -> None:
    connection.check_constraints()
    with connection.cursor() as cursor:
        for statement in ALTERED[how]:
            cursor.execute(statement)
    code, first, _ = verify(capsys)
    named = "trigger kept_haccp_check_update on haccp_check was switched off or changed"
    assert code == 1
    assert first.startswith("trigger kept_")
    found = verification.verify().findings  # more than the command prints, where every trigger is one
    assert any(named in each for each in (found if how == "another function on PostgreSQL" else [first]))
