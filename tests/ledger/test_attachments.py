"""Photos and scans on a record: what is taken, what is refused, what is left in the storage, who gets it back."""

import hashlib
import io
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as site
from django.core.files.storage import default_storage
from django.db import IntegrityError, connection, transaction

from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from ledger import attachments, verification
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Attachment, Entry, Establishment, Membership, Person
from tests.conftest import NOON, Client
from tests.scene import PNG, rows_kept

pytestmark = pytest.mark.django_db
SHA256 = hashlib.sha256(PNG).hexdigest()
PDF = b"%PDF-1.7 a scan"
Attach = Callable[..., Attachment]


@pytest.fixture
def target(establishment: Establishment) -> Entry:
    """Some record of this establishment."""
    return Entry.objects.filter(establishment=establishment)[0]


@pytest.fixture
def attach(act: Callable[..., Act], target: Entry) -> Attach:
    def do(content: bytes = PNG, said: Act | None = None, **other: Any) -> Attachment:
        told: dict[str, Any] = {"target": target, "file_name": "photo.png", "media_type": "image/png"}
        return attachments.attach(act=said or act(), file=io.BytesIO(content), **(told | other))

    return do


def stored() -> list[str]:
    """Every file in the storage, by its name."""
    return sorted(path.name for path in Path(site.MEDIA_ROOT).rglob("*") if path.is_file())


# -- what is taken ----------------------------------------------------------------------------------


def test_the_record_keeps_hash_and_size_of_the_file(attach: Attach) -> None:
    made = attach()
    assert (made.sha256, made.size) == (SHA256, len(PNG))


def test_the_hash_stands_in_what_the_digest_covers(attach: Attach) -> None:
    assert attach().content()["sha256"] == SHA256


def test_the_file_lies_under_its_hash_as_it_was(attach: Attach) -> None:
    attach()
    with default_storage.open(attachments.path_of(SHA256)) as file:
        assert file.read() == PNG


def test_the_same_file_on_two_records_is_stored_once(attach: Attach) -> None:
    assert attach().pk != attach(file_name="again.png").pk
    assert stored() == [SHA256]


def test_sent_again_with_the_same_id_it_is_the_same_record(attach: Attach, act: Callable[..., Act]) -> None:
    said = act(id=uuid7())
    attach(said=said)
    assert attach(said=said).repeated
    assert Attachment.objects.count() == 1


def test_a_file_that_was_cut_short_is_written_again_when_it_is_sent_again(
    attach: Attach, act: Callable[..., Act]
) -> None:
    said = act(id=uuid7())
    attach(said=said)
    Path(default_storage.path(attachments.path_of(SHA256))).write_bytes(PNG[:9])
    attach(said=said)
    assert verification.verify().findings == []


def test_verify_names_a_file_that_was_changed(attach: Attach) -> None:
    made = attach()
    Path(default_storage.path(attachments.path_of(SHA256))).write_bytes(PNG[:-1] + b"x")
    assert verification.verify().findings == [f"the file of attachment {made.pk} was changed"]


def test_verify_names_a_file_that_is_gone(attach: Attach) -> None:
    made = attach()
    default_storage.delete(attachments.path_of(SHA256))
    assert verification.verify().findings == [f"the file of attachment {made.pk} is missing"]


def test_of_a_long_name_the_end_is_kept(attach: Attach) -> None:
    assert attach(file_name="x" * 300 + ".png").file_name == "x" * 196 + ".png"


# -- what is refused leaves no file -------------------------------------------------------------------


def test_another_kind_of_file_is_refused(attach: Attach) -> None:
    with pytest.raises(Unusable, match="Attach one of"):
        attach(b"<html>", media_type="text/html")
    assert stored() == []


def test_a_file_that_does_not_begin_as_its_kind_does_is_refused(attach: Attach) -> None:
    with pytest.raises(Unusable, match="does not look like image/png"):
        attach(PDF)
    assert stored() == []


def test_an_empty_file_is_refused(attach: Attach) -> None:
    with pytest.raises(Unusable, match="empty"):
        attach(b"")
    assert stored() == []


def test_a_file_of_the_largest_size_is_taken_and_one_byte_more_refused(attach: Attach, settings: Any) -> None:
    settings.LARGEST_FILE = len(PNG)
    attach()
    with pytest.raises(Unusable, match="larger than"):
        attach(PNG + b"x")
    assert stored() == [SHA256]


def test_another_establishments_record_is_not_there(
    attach: Attach, elsewhere: Establishment, act: Callable[..., Act]
) -> None:
    foreign = Entry.objects.filter(establishment=elsewhere)[0]
    with pytest.raises(Unknown):
        attach(target=foreign)
    assert stored() == []


def test_what_the_database_refuses_leaves_no_file(
    attach: Attach, act: Callable[..., Act], make_person: Callable[..., Person]
) -> None:
    with pytest.raises(IntegrityError, match="its own establishment only"):
        attach(said=act(make_person("Stranger")))
    assert stored() == []


def test_a_rule_that_refuses_leaves_no_file(attach: Attach, act: Callable[..., Act]) -> None:
    first = attach(PDF, media_type="application/pdf")
    attach(PDF, media_type="application/pdf", said=act(corrects=first.pk, reason="blurred"))
    with pytest.raises(RuleBroken, match="already corrected"):
        attach(said=act(corrects=first.pk, reason="blurred"))
    assert stored() == [hashlib.sha256(PDF).hexdigest()]


def test_other_content_under_a_taken_id_leaves_no_file(attach: Attach, act: Callable[..., Act]) -> None:
    said = act(id=uuid7())
    attach(said=said)
    with pytest.raises(OtherContent):
        attach(PDF, said=said, media_type="application/pdf")
    assert stored() == [SHA256]


def test_a_refusal_leaves_the_file_that_another_record_names(
    attach: Attach, act: Callable[..., Act], make_person: Callable[..., Person]
) -> None:
    attach()
    with pytest.raises(IntegrityError):
        attach(said=act(make_person("Stranger")))
    assert stored() == [SHA256]


def test_a_disk_that_is_full_leaves_neither_record_nor_half_a_file(
    attach: Attach, monkeypatch: pytest.MonkeyPatch
) -> None:
    def half(name: str, content: Any) -> str:
        path = Path(default_storage.path(name))
        path.parent.mkdir(parents=True)
        path.write_bytes(content.read(9))
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(default_storage, "save", half)
    with pytest.raises(OSError, match="No space"):
        attach()
    assert stored() == []
    assert not Attachment.objects.exists()


def test_what_is_refused_after_the_file_was_written_leaves_no_file(
    attach: Attach, monkeypatch: pytest.MonkeyPatch
) -> None:
    insert, store = Attachment.insert, attachments._store

    def onto_nothing(self: Attachment) -> Attachment:
        self.target_id = uuid7()
        return insert(self)

    def and_commit(file: Any, attachment: Attachment) -> None:
        store(file, attachment)
        assert stored() == [SHA256]
        connection.check_constraints(["ledger_attachment"])  # foreign keys are asked when it is committed

    monkeypatch.setattr(Attachment, "insert", onto_nothing)
    monkeypatch.setattr(attachments, "_store", and_commit)
    with pytest.raises(IntegrityError):
        attach()
    assert stored() == []
    assert not Attachment.objects.exists()


def test_the_database_refuses_an_attachment_of_no_size(attach: Attach) -> None:
    made = attach()
    made.pk, made.size = uuid7(), 0
    with pytest.raises(IntegrityError, match="attachment_is_not_empty"), transaction.atomic():
        Attachment._insert_rows([made])


# -- over HTTP --------------------------------------------------------------------------------------


def send(client: Client, target: Any, content: bytes = PNG, name: str = "photo.png", **more: Any) -> Any:
    file = io.BytesIO(content)
    file.name = name
    body = {"performed_at": NOON.isoformat(), "target": str(target), "file": file} | more
    return client.post(client.base + "attachments", body, format="multipart")


def send_raw(client: Client, target: Entry, head: str, content: bytes = PNG) -> Any:
    """A form with the header of the file's part exactly as given, as no well-behaved client writes it."""
    fields = {"performed_at": NOON.isoformat(), "target": str(target.pk)}
    parts = "".join(
        f'--x\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in fields.items()
    )
    body = f"{parts}--x\r\n{head}\r\n\r\n".encode() + content + b"\r\n--x--\r\n"
    return client.generic(
        "POST", client.base + "attachments", body, content_type="multipart/form-data; boundary=x"
    )


def named(name: str, kind: str = "image/png") -> str:
    return f'Content-Disposition: form-data; name="file"; filename="{name}"\r\nContent-Type: {kind}'


def test_an_attachment_is_answered_with_its_hash(api: Client, target: Entry) -> None:
    answer = send(api, target.pk)
    assert answer.status_code == 201, answer.json()
    assert (answer.json()["sha256"], answer.json()["size"]) == (SHA256, len(PNG))


def test_it_shows_on_the_record_it_hangs_on(api: Client, target: Entry) -> None:
    made = send(api, target.pk).json()
    assert [each["id"] for each in api.ask(f"records/{target.pk}").json()["attachments"]] == [made["id"]]


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("../../etc/passwd.png", "passwd.png"),
        ("C:\\scans\\page.png", "page.png"),
        ("two\x07bells\x1b.png", "twobells.png"),
        ("Füllung 中.png", "Füllung 中.png"),
        ("evil\u202egnp.exe", "evilgnp.exe"),  # U+202E turns the letters after it round on the screen
    ],
)
def test_of_a_name_only_what_can_be_printed_after_the_last_slash_is_kept(
    sent: str, kept: str, api: Client, target: Entry
) -> None:
    answer = send_raw(api, target, named(sent))
    assert answer.status_code == 201, answer.json()
    assert answer.json()["file_name"] == kept
    assert stored() == [SHA256]


@pytest.mark.parametrize("name", ["..", "", "\x01\x02", "/"])
def test_a_file_without_a_name_is_no_file(name: str, api: Client, target: Entry) -> None:
    answer = send_raw(api, target, named(name))
    assert answer.status_code == 400
    assert [error["field"] for error in answer.json()["errors"]] == ["file"]
    assert stored() == []


def test_a_name_that_is_not_utf_8_is_refused(api: Client, target: Entry) -> None:
    answer = send_raw(api, target, named("a&#0;b.png"))
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["code"] == "unkeepable-character"


REFUSED: dict[str, Any] = {
    "empty": {"content": b""},
    "no such kind": {"name": "page.html", "content": b"<script>"},
    "another kind than it says": {"content": PDF},
}


@pytest.mark.parametrize("what", REFUSED)
def test_a_file_that_cannot_be_used_names_the_field_and_writes_nothing(
    what: str, api: Client, target: Entry
) -> None:
    before = rows_kept()
    answer = send(api, target.pk, **REFUSED[what])
    assert answer.status_code == 400
    assert [error["field"] for error in answer.json()["errors"]] == ["file"]
    assert (rows_kept(), stored()) == (before, [])


def test_a_text_in_place_of_the_file_is_refused(api: Client, target: Entry) -> None:
    body = {"performed_at": NOON.isoformat(), "target": str(target.pk), "file": "photo.png"}
    answer = api.post(api.base + "attachments", body, format="multipart")
    assert answer.status_code == 400


def test_a_body_larger_than_any_file_is_refused_before_it_is_read(
    api: Client, target: Entry, settings: Any
) -> None:
    settings.LARGEST_FILE, settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 100, 100
    answer = send(api, target.pk, PNG + b"x" * 300)
    assert answer.status_code == 413
    assert answer.json()["type"] == "/api/problems/too-large"
    assert stored() == []


def test_another_establishments_record_is_not_found(
    api: Client, elsewhere: Establishment, target: Entry
) -> None:
    before = rows_kept()
    answer = send(api, Entry.objects.filter(establishment=elsewhere)[0].pk)
    assert answer.status_code == 404
    assert (rows_kept(), stored()) == (before, [])


# -- who gets it back -------------------------------------------------------------------------------


@pytest.fixture
def address(api: Client, target: Entry) -> str:
    return f"attachments/{send(api, target.pk).json()['id']}/file"


def test_whoever_works_here_downloads_the_file_as_it_was(address: str, lead_api: Client) -> None:
    answer = lead_api.ask(address)
    assert answer.status_code == 200
    assert b"".join(answer.streaming_content) == PNG


def test_no_browser_shows_a_file_as_a_page_of_ours(address: str, api: Client) -> None:
    answer = api.ask(address)
    assert answer["Content-Type"] == "image/png"
    assert answer["Content-Disposition"] == 'attachment; filename="photo.png"'
    assert answer["X-Content-Type-Options"] == "nosniff"


def test_a_name_with_quotes_stays_inside_its_header(api: Client, attach: Attach) -> None:
    made = attach(file_name='a"; filename="b.exe')
    answer = api.ask(f"attachments/{made.pk}/file")
    assert answer["Content-Disposition"] == r'attachment; filename="a\"; filename=\"b.exe"'


def test_whoever_has_left_downloads_nothing(address: str, client_of: Any, operator: Person) -> None:
    client = client_of(operator)
    Membership.objects.filter(person=operator).update(until_day=date(2026, 1, 1))
    assert client.ask(address).status_code == 404


def test_a_stranger_downloads_nothing(
    address: str, client_of: Any, elsewhere: Establishment, establishment: Establishment
) -> None:
    founder = Person.objects.get(memberships__establishment=elsewhere, memberships__role="administrator")
    client = client_of(founder, elsewhere)
    assert client.ask(address).status_code == 404
    client.base = f"/api/v1/establishments/{establishment.pk}/"
    assert client.ask(address).status_code == 404


def test_without_a_key_nothing_is_downloaded(address: str, api: Client) -> None:
    api.credentials()
    api.defaults.pop("HTTP_AUTHORIZATION")
    assert api.ask(address).status_code == 401


def test_a_file_that_is_gone_says_so_and_its_hash_remains(address: str, api: Client) -> None:
    default_storage.delete(attachments.path_of(SHA256))
    answer = api.ask(address)
    assert answer.status_code == 404
    assert "not in the storage any more" in answer.json()["detail"]


# -- two at once ------------------------------------------------------------------------------------


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer")
def test_one_file_is_written_and_cleared_by_one_at_a_time(attach: Attach) -> None:
    attach()
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND pid = pg_backend_pid()")
        assert cursor.fetchone()[0] == 1
