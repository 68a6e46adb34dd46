"""Archives are written, read back and recorded; only what lies in one leaves, in pieces, and all that stays is as it was."""

import io
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from batches.edges import reached
from batches.models import Edge, LotState, Movement
from config.api.refusals import NotAllowed, RuleBroken, Unusable
from haccp.models import Archive
from haccp.retention import archiving, leaving, saying
from ledger import attachments, evidence, merkle, removals, seals, verification
from ledger.models import Entry, Leaf, Membership, Removal, Signature
from ledger.signatures import Proof
from tests.haccp.retention.conftest import LONG_AFTER, there
from tests.scene import PNG

pytestmark = pytest.mark.django_db
OLD, NEW = date(2026, 3, 2), date(2038, 3, 2)


@pytest.fixture
def old(bag: Any, caramels: Any, use_up: Any) -> Any:
    """A bag of sugar and the caramels of it: nothing of either is left."""
    sugar = bag(OLD, best_before=date(2027, 3, 2))
    made = caramels(sugar, OLD, best_before=date(2026, 9, 2))
    use_up(sugar, OLD)
    return sugar, made


@pytest.fixture
def new(old: Any, bag: Any, caramels: Any) -> Any:
    """And again after years; some of that sugar is there still. Today is long after."""
    sugar = bag(NEW)
    return sugar, caramels(sugar, NEW)


@pytest.fixture
def today(new: Any, on: Any) -> date:
    on(LONG_AFTER)
    return LONG_AFTER


# -- the archive ------------------------------------------------------------------------------------------


def test_an_archive_is_recorded_with_what_is_in_its_file(today: date, archive: Any, tmp_path: Path) -> None:
    made, contents = archive(), archiving.read(tmp_path / "archive.zip")
    assert made.records == len(contents.digests) > 0
    assert (made.root, made.sha256) == (contents.root, archiving.digest_of(tmp_path / "archive.zip"))


def test_the_root_is_of_the_digests_in_the_order_of_their_ids(
    today: date, archive: Any, tmp_path: Path
) -> None:
    """RFC 6962, section 2.1, over the digests that the ledger has."""
    made = archive()
    keys = sorted(archiving.read(tmp_path / "archive.zip").digests)
    digests = [bytes.fromhex(Entry.objects.get(pk=pk).digest) for pk in keys]
    assert merkle.root(digests).hex() == made.root


def test_the_checker_in_it_finds_every_record_good(today: date, archive: Any, tmp_path: Path) -> None:
    archive()
    with zipfile.ZipFile(tmp_path / "archive.zip") as file:
        file.extractall(tmp_path / "out")
    for name in sorted((tmp_path / "out").glob("evidence-*.json")):
        told = subprocess.run(
            [sys.executable, "-I", tmp_path / "out" / "check_evidence.py", name],
            capture_output=True,
            text=True,
        )
        assert told.returncode == 0, told.stdout


def test_nothing_leaves_by_archiving(today: date, archive: Any) -> None:
    before = Movement.objects.count()
    archive()
    assert Movement.objects.count() == before


def test_where_nothing_may_leave_no_file_is_left(old: Any, archive: Any, tmp_path: Path) -> None:
    with pytest.raises(RuleBroken, match="No record may leave on 2026-03-02"):
        archive()
    assert not (tmp_path / "archive.zip").exists()


def test_a_file_that_is_there_is_not_written_over(today: date, archive: Any, tmp_path: Path) -> None:
    (tmp_path / "archive.zip").write_text("mine")
    with pytest.raises(Unusable, match="is there already"):
        archive()
    assert (tmp_path / "archive.zip").read_text() == "mine"


def test_a_file_that_was_not_written_as_recorded_is_no_archive(
    today: date, archive: Any, tmp_path: Path, monkeypatch: Any
) -> None:
    """A disk that loses a byte: what is read back differs, so no record says that it is there."""
    usual = evidence.evidence

    def spoiled(records: Any, **values: Any) -> Any:
        made = usual(records, **values)
        made["records"][0]["content"]["note"] = "changed"
        return made

    monkeypatch.setattr(archiving.evidence, "evidence", spoiled)
    with pytest.raises(archiving.ArchiveDiffers, match="record"):
        archive()
    assert not Archive.objects.exists()
    assert not (tmp_path / "archive.zip").exists()


def test_only_a_food_safety_lead_archives(today: date, act: Callable[..., Any], tmp_path: Path) -> None:
    with pytest.raises(NotAllowed, match="food-safety lead archives"):
        archiving.archive(act=act(), path=tmp_path / "archive.zip")


# -- what leaves ------------------------------------------------------------------------------------------


def test_what_was_archived_leaves_and_verify_is_whole(
    today: date, old: Any, archive: Any, remove: Any
) -> None:
    made = archive()
    left = remove()
    assert left.records == made.records
    assert not Movement.objects.filter(lot__in=old).exists()
    assert verification.verify().findings == []
    seals.seal(establishment=made.establishment)
    assert verification.verify().findings == []


def test_digest_leaf_and_a_record_of_each_removal_stay(
    today: date, archive: Any, remove: Any, tmp_path: Path
) -> None:
    archive()
    remove()
    for pk, digest in archiving.read(tmp_path / "archive.zip").digests.items():
        assert Removal.objects.get(removed_id=pk).removed_digest == Entry.objects.get(pk=pk).digest == digest
        assert Leaf.objects.filter(entry=pk).exists()


def test_a_removal_names_its_rule_its_day_and_the_archive(
    today: date, old: Any, archive: Any, remove: Any
) -> None:
    pk = old[1].uid
    made = archive()
    remove()
    told = Removal.objects.get(removed_id=pk).rule
    assert (
        told
        == f"Guidance on Regulation (EC) 178/2002 (2010), Article 18, until 2031-03-02; in archive {made.pk}"
    )


def test_a_lead_signs_for_it(today: date, lead: Any, archive: Any, remove: Any) -> None:
    made = archive()
    remove()
    signed = Signature.objects.get(target=made.pk)
    assert (signed.meaning, signed.performed_by) == ("decided", lead)


def test_lots_and_batches_stay_as_identities_without_states(
    today: date, old: Any, archive: Any, remove: Any
) -> None:
    archive()
    remove()
    for lot in old:
        lot.refresh_from_db()
        assert (lot.state.on_hand, lot.state.received, lot.state.status) == (0, 0, "awaiting")
    assert not Edge.objects.filter(source=old[0]).exists()


def test_what_stays_answers_as_it_did(today: date, new: Any, archive: Any, remove: Any) -> None:
    sugar, made = new
    before = list(LotState.objects.filter(lot__in=new).values()), asked(made), asked(sugar)
    archive()
    remove()
    assert (list(LotState.objects.filter(lot__in=new).values()), asked(made), asked(sugar)) == before


def asked(lot: Any) -> Any:
    """The chain of a lot, as the edges tell it."""
    return sorted(reached([lot.pk], back=True)), sorted(reached([lot.pk], back=False))


def test_a_photo_leaves_with_its_record_and_lies_in_the_archive(
    old: Any,
    act: Any,
    new: Any,
    on: Any,
    archive: Any,
    remove: Any,
    tmp_path: Path,
    django_capture_on_commit_callbacks: Any,
) -> None:
    on(NEW - timedelta(days=3650))
    target = Entry.objects.get(pk=old[1].uid)
    photo = attachments.attach(
        act=act(), target=target, file=io.BytesIO(PNG), file_name="lot.png", media_type="image/png"
    )
    on(LONG_AFTER)
    archive()
    with zipfile.ZipFile(tmp_path / "archive.zip") as file:
        assert file.read(f"files/{photo.sha256}") == PNG
    with django_capture_on_commit_callbacks(execute=True):
        remove()
    assert not there(photo)
    assert not attachments.default_storage.exists(attachments.path_of(photo.sha256))
    assert verification.verify().findings == []


def test_a_photo_on_two_records_lies_in_the_archive_once(
    old: Any, act: Any, new: Any, on: Any, archive: Any, tmp_path: Path, monkeypatch: Any
) -> None:
    """Also where the two stand in different files of evidence."""
    monkeypatch.setattr(archiving, "RECORDS_A_FILE", 1)
    on(NEW - timedelta(days=3650))
    for movement in Movement.objects.filter(lot=old[1])[:2]:
        attachments.attach(
            act=act(),
            target=Entry.objects.get(pk=movement.pk),
            file=io.BytesIO(PNG),
            file_name="lot.png",
            media_type="image/png",
        )
    on(LONG_AFTER)
    archive()
    with zipfile.ZipFile(tmp_path / "archive.zip") as file:
        assert sum(name.startswith("files/") for name in file.namelist()) == 1


# -- pieces -----------------------------------------------------------------------------------------------


@pytest.fixture
def small_pieces(monkeypatch: Any) -> None:
    monkeypatch.setattr(leaving, "MOST_A_PIECE", 1)


def test_each_piece_leaves_a_house_that_is_whole(
    small_pieces: None, today: date, archive: Any, remove: Any, monkeypatch: Any
) -> None:
    archive()
    usual, findings = removals.remove_together, []

    def watched(**values: Any) -> None:
        usual(**values)
        connection.check_constraints()
        findings.append(verification.verify().findings)

    monkeypatch.setattr(leaving.removals, "remove_together", watched)
    left = remove()
    assert left.pieces == len(findings) > 3
    assert [each for each in findings if each] == []


def test_after_a_crash_it_goes_on_where_it_was(
    small_pieces: None, today: date, archive: Any, remove: Any, monkeypatch: Any
) -> None:
    made, usual, calls = archive(), removals.remove_together, []

    def dying(**values: Any) -> None:
        usual(**values)
        calls.append(len(values["records"]))
        if len(calls) == 3:
            raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(leaving.removals, "remove_together", dying)
        with pytest.raises(KeyboardInterrupt):
            remove()
    assert Removal.objects.count() == sum(calls[:2])  # the third was undone whole
    assert verification.verify().findings == []
    left = remove()
    assert (left.before, left.before + left.records) == (sum(calls[:2]), made.records)


def test_twice_is_once(today: date, archive: Any, remove: Any) -> None:
    made = archive()
    remove()
    again = remove()
    assert (again.records, again.before) == (0, made.records)


def test_what_was_recorded_meanwhile_is_asked_again(
    small_pieces: None,
    today: date,
    old: Any,
    archive: Any,
    remove: Any,
    leads: Any,
    lead: Any,
    monkeypatch: Any,
) -> None:
    """A hold that comes between two pieces stops the rest."""
    archive()
    usual, held = removals.remove_together, []

    def then_held(**values: Any) -> None:
        usual(**values)
        if not held:
            held.append(
                saying.hold(act=leads(), proof=Proof(lead), subject=leads().establishment.pk, because="Stop.")
            )

    monkeypatch.setattr(leaving.removals, "remove_together", then_held)
    with pytest.raises(RuleBroken, match="may not leave today"):
        remove()
    assert verification.verify().findings == []


# -- what is refused --------------------------------------------------------------------------------------


def test_a_changed_file_is_named_and_nothing_leaves(
    today: date, archive: Any, remove: Any, tmp_path: Path
) -> None:
    archive()
    path = tmp_path / "archive.zip"
    path.write_bytes(path.read_bytes() + b"x")
    with pytest.raises(
        RuleBroken, match=r"archive.zip is none of this house's.*the file was changed"
    ) as refusal:
        remove()
    assert refusal.value.code == "not-archived"
    assert not Removal.objects.exists()


def test_a_file_that_is_not_there_is_told(today: date, archive: Any, remove: Any) -> None:
    archive()
    with pytest.raises(Unusable, match="cannot be read"):
        remove("other.zip")


def test_what_came_under_a_hold_since_does_not_leave(
    today: date, old: Any, archive: Any, remove: Any, leads: Any, lead: Any
) -> None:
    archive()
    saying.hold(act=leads(), proof=Proof(lead), subject=old[0].uid, because="A court asks.")
    with pytest.raises(RuleBroken, match="Archive anew") as refusal:
        remove()
    assert any("kept until further notice" in each.detail for each in refusal.value.reasons)
    assert not Removal.objects.exists()


def test_what_is_kept_longer_since_is_refused_with_rule_and_day(
    today: date, archive: Any, remove: Any, leads: Any, lead: Any
) -> None:
    archive()
    saying.keep_longer(
        act=leads(), proof=Proof(lead), group="everything", years=30, because="We like to know."
    )
    with pytest.raises(RuleBroken) as refusal:
        remove()
    assert "the house's own period, until 2056-03-02" in refusal.value.reasons[0].detail


def test_an_archive_does_not_come_true_before_its_day(
    today: date, archive: Any, remove: Any, on: Any
) -> None:
    """The machine's clock had been ahead when it was made."""
    archive()
    on(date(2030, 1, 1))
    with pytest.raises(RuleBroken) as refusal:
        remove()
    assert "178/2002" in refusal.value.reasons[0].detail
    assert "until 2031-03-02" in refusal.value.reasons[0].detail


def test_a_clock_that_is_wrong_is_told(today: date, archive: Any, remove: Any) -> None:
    archive()
    with pytest.raises(Unusable, match="clock says 2040-01-10, and you say 2030-01-10"):
        remove(today=date(2030, 1, 10))


def test_nobody_else_removes(today: date, archive: Any, remove: Any, act: Callable[..., Any]) -> None:
    archive()
    with pytest.raises(NotAllowed, match="food-safety lead removes"):
        remove(act=act(at=act().performed.local.replace(year=2040)), today=LONG_AFTER)


def test_another_house_cannot_remove_with_it(
    today: date, archive: Any, remove: Any, elsewhere: Any, leads: Any, lead: Any
) -> None:
    archive()
    Membership.objects.create(
        establishment=elsewhere, person=lead, role="food-safety-lead", from_day=date(2020, 1, 1)
    )
    with pytest.raises(RuleBroken, match="none of this house's"):
        remove(act=replace(leads(), establishment=elsewhere), today=LONG_AFTER)


def test_a_period_shorter_than_the_rule_is_refused_with_its_name(leads: Any, lead: Any, on: Any) -> None:
    with pytest.raises(RuleBroken, match=r"Article 18 asks for at least 60 months.*never shorter") as refusal:
        saying.keep_longer(act=leads(), proof=Proof(lead), group="traceability", years=4, because="Too many.")
    assert refusal.value.code == "shorter-than-the-rule"


def test_a_group_that_is_not_there_is_refused(leads: Any, lead: Any) -> None:
    with pytest.raises(Unusable, match="There is no group cheques"):
        saying.keep_longer(act=leads(), proof=Proof(lead), group="cheques", years=9, because="x")


def test_only_a_lead_says_how_long(act: Callable[..., Any], operator: Any) -> None:
    with pytest.raises(NotAllowed):
        saying.keep_longer(act=act(), proof=Proof(operator), group="everything", years=9, because="x")
