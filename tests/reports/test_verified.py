"""A document as PDF is checked: against itself, its print, and the records here; and by the checker that stands alone."""

import hashlib
import io
import json
import shutil
import subprocess
import sys
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pikepdf
import pytest
import zxingcpp
from asn1crypto import cms
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from django.conf import settings as now
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.test import Client, override_settings
from PIL import Image
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

from haccp.models import Check
from ledger import signing_keys
from ledger.acts import Act, Moment
from ledger.models import Establishment, Person
from ledger.standalone import check_evidence
from ledger.standalone.check_evidence import Unreadable
from reports import jobs, pdf_signing, printed, verified
from reports.demo.house import HOUSE
from reports.models import DocumentJob
from reports.rendering import DataFile, own_data, to_html, to_pdf
from tests.reports.samples import short_sheet
from tests.scene import Scene

pytestmark = [pytest.mark.pdf, pytest.mark.django_db]
SERVICE = "https://records.example.org"


@dataclass(frozen=True)
class Made:
    job: DocumentJob
    pdf: bytes
    files: str
    keys: str


@pytest.fixture(scope="module")
def made(scene: Scene, django_db_blocker: Any) -> Made:
    """The demo's batch record, drawn once."""
    with django_db_blocker.unblock():
        lead, here = Person.objects.get(sign_in_name="mara"), Establishment.objects.get(pk=HOUSE)
        batch = Check.objects.filter(result="outside", batch__isnull=False)[0].batch.uid
        job = jobs.ask(establishment=here, asked_by=lead, kind="batch-record", subject=batch)
        with override_settings(PUBLIC_URL=SERVICE):
            jobs.make(job.pk)
        job.refresh_from_db()
        with default_storage.open(jobs.path_of(job, "pdf")) as file:
            return Made(job, file.read(), now.MEDIA_ROOT, now.SIGNING_KEYS)


@pytest.fixture(autouse=True)
def _kept_files(made: Made, settings: Any) -> None:
    settings.MEDIA_ROOT = made.files
    settings.SIGNING_KEYS = made.keys


def with_files(pdf: bytes, **change: Callable[[dict[str, Any]], object]) -> bytes:
    """The PDF with what is attached changed: ``evidence`` or ``data``."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        for name, file in list(opened.attachments.items()):
            what = "evidence" if name == "evidence.json" else "data"
            if what in change:
                said = json.loads(file.get_file().read_bytes())
                change[what](said)
                stream = opened.Root.Names.EmbeddedFiles.Names
                spec = next(
                    spec for key, spec in zip(stream[::2], stream[1::2], strict=True) if str(key) == name
                )
                spec.EF.F.write(json.dumps(said, ensure_ascii=False).encode())
        return saved(opened)


def saved(pdf: pikepdf.Pdf, **how: Any) -> bytes:
    out = io.BytesIO()
    pdf.save(out, **how)
    return out.getvalue()


def differences(pdf: bytes) -> str:
    return "\n".join(verified.verify(pdf).differences)


def a_check(evidence: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = next(one for one in evidence["records"] if one["kind"] == "haccp.check")
    return found


# -- as made ----------------------------------------------------------------------------------------


def test_a_document_as_made_fits_and_is_known_byte_for_byte(made: Made) -> None:
    verdict = verified.verify(made.pdf)
    assert verdict.differences == []
    assert "The file is byte for byte the one that was made here." in verdict.said


def test_the_command_accepts_the_pdf_itself(made: Made, tmp_path: Path, capsys: Any) -> None:
    file = tmp_path / "record.pdf"
    file.write_bytes(made.pdf)
    call_command("verify", str(file))
    said = capsys.readouterr().out
    assert f"Document '{made.job.number:06d}', 'batch-record'" in said
    assert "The file fits together." in said


def test_a_key_that_the_house_made_itself_is_nothing_to_warn_of(made: Made, caplog: Any) -> None:
    verified.verify(made.pdf)
    assert [each.name for each in caplog.records if each.name.startswith("pyhanko")] == []


def test_the_checker_that_stands_alone_accepts_the_pdf_itself(made: Made, tmp_path: Path) -> None:
    file = tmp_path / "record.pdf"
    file.write_bytes(made.pdf)
    ran = subprocess.run(
        [sys.executable, "-I", "-S", check_evidence.__file__, str(file)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    data = verified.Paper.read(made.pdf).data
    assert f"to compare with the paper: {hashlib.sha256(data).hexdigest()}" in ran.stdout


def test_every_record_of_the_evidence_is_listed_and_printed_with_its_digest(made: Made) -> None:
    paper = verified.Paper.read(made.pdf)
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        text = printed.text_of(pdf)
    ids = {one["id"]: one["digest"] for one in paper.evidence["records"]}
    assert {one["record"]: one["digest"] for one in paper.document["proofs"]} == ids
    assert [pk for pk, digest in ids.items() if f"{pk[-8:]}{digest[:12]}" not in text] == []


def test_the_code_leads_to_the_page_that_checks_it(made: Made, tmp_path: Path) -> None:
    """Read back by zxing-cpp from a picture of the page, and answered there."""
    (tmp_path / "record.pdf").write_bytes(made.pdf)
    asked = ["pdftoppm", "-r", "200", "-png", "record.pdf", "page"]
    subprocess.run(asked, cwd=tmp_path, check=True, capture_output=True)
    pages = [Image.open(path) for path in sorted(tmp_path.glob("page*.png"))]
    (address,) = {found.text for page in pages for found in zxingcpp.read_barcodes(page)}
    assert address == f"{SERVICE}/at/{HOUSE}/check?document={made.job.number:06d}"
    answer = Client().get(address.removeprefix(SERVICE))
    assert (answer.status_code, f'value="{made.job.number:06d}"' in answer.content.decode()) == (200, True)


@pytest.mark.parametrize(("service", "drawn"), [(SERVICE, True), ("http://127.0.0.1:8000", False)])
def test_a_code_is_drawn_only_where_others_can_ask_and_the_address_always_told(
    settings: Any, service: str, drawn: bool
) -> None:
    settings.PUBLIC_URL = service
    page = to_html(short_sheet(check_at=f"{service}/at/x/check?document=1"), for_paper=True)
    assert f'<span class="mono">{service}/at/x/check?document=1</span>' in page
    assert ('<svg xmlns="http://www.w3.org/2000/svg" class="qr"' in page) is drawn


def test_where_the_establishment_is_not_known_nothing_is_compared_and_this_is_said() -> None:
    sheet = short_sheet(seal=None)
    seal = {"establishment": "01950000-0000-7000-8000-00000000aaaa", "number": "1", "previous": "0" * 64}
    seal |= {"root": "1" * 64, "leaves": "1", "sealed_at": "2026-03-02T11:00:00.000000Z"}
    seal["hash"] = check_evidence.digest(seal)
    proof = DataFile(
        "evidence.json", json.dumps({"form": "evidence-1", "records": [], "seals": [seal]}).encode()
    )
    verdict = verified.verify(to_pdf(sheet, attachments=[own_data(sheet), proof]))
    assert verdict.differences == []
    assert "This database does not know the establishment" in verdict.said[-1]


def test_a_record_corrected_since_is_told_and_is_no_difference(made: Made) -> None:
    paper = verified.Paper.read(made.pdf)
    check = a_check(paper.evidence)
    known = Check.objects.get(pk=check["id"])
    act = Act(
        establishment=known.establishment,
        performed_by=known.performed_by,
        performed=Moment.now(known.establishment),
        recorded_by=known.performed_by,
        corrects=known.pk,
        reason="Never made.",
        withdraws=True,
    )
    Check.withdrawal(act).insert()
    verdict = verified.verify(made.pdf)
    assert verdict.differences == []
    assert f"Record {known.pk} was corrected or withdrawn since." in verdict.said


# -- what a reader has to find on it ----------------------------------------------------------------


@pytest.fixture
def told(made: Made) -> tuple[dict[str, Any], str]:
    """The record's data, and what its pages have printed, both without white space where they are compared."""
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        return verified.Paper.read(made.pdf).document, printed.text_of(pdf)


def missing(text: str, *said: str) -> list[str]:
    return [each for each in said if "".join(each.split()) not in text]


def test_every_reading_is_printed_as_entered_with_what_it_must_be_and_who_set_that(told: Any) -> None:
    document, text = told
    readings = [reading for check in document["checks"] for reading in check["readings"]]
    assert readings
    for reading in readings:
        assert "" not in (reading["entered"], reading["must"], reading["source"])
        assert missing(text, reading["entered"], reading["must"], f"({reading['source']}") == []


def test_every_check_is_printed_with_its_point_instrument_and_result(told: Any) -> None:
    document, text = told
    for check in document["checks"]:
        assert missing(text, f"{check['point']} {check['name']}", check["instrument"], check["result"]) == []


def test_every_signature_is_printed_with_name_meaning_and_what_was_signed(told: Any) -> None:
    document, text = told
    assert document["signatures"]
    for each in document["signatures"]:
        assert missing(text, each["name"], each["meaning"], each["signed"], each["digest"]) == []


def test_number_who_asked_and_seal_are_printed(made: Made, told: Any) -> None:
    document, text = told
    seal = document["seal"]
    assert missing(text, f"{made.job.number:06d}", document["asked_by"], seal["hash"], seal["root"]) == []


# -- its signature ----------------------------------------------------------------------------------


def signed_parts(pdf: bytes) -> tuple[bytes, bytes]:
    """What the signature covers, and the signature (CMS in DER), by the file's own byte range (ISO 32000)."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        (field,) = opened.Root.AcroForm.Fields
        first, length, second, rest = (int(part) for part in field.V.ByteRange)
        assert (first, second + rest) == (0, len(pdf))
        return pdf[:length] + pdf[second:], bytes(field.V.Contents)


def test_the_signature_is_read_by_another_library(made: Made) -> None:
    """RFC 5652, section 5.4: the signed attributes hold the content's digest, and the signature is over them."""
    covered, signature = signed_parts(made.pdf)
    signed = cms.ContentInfo.load(signature)["content"]
    (signer,) = signed["signer_infos"]
    attributes = {each["type"].native: each["values"] for each in signer["signed_attrs"]}
    assert attributes["message_digest"][0].native == hashlib.sha256(covered).digest()
    key = signing_keys.in_force(made.job.establishment)
    public: Any = signing_keys.certificate_of(key).public_key()
    public.verify(
        signer["signature"].native, signer["signed_attrs"].untag().dump(), ec.ECDSA(hashes.SHA256())
    )
    assert attributes["signing_certificate_v2"][0]["certs"][0]["cert_hash"].native.hex() == key.fingerprint


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not on this machine")
def test_the_signature_is_read_by_openssl(made: Made, tmp_path: Path) -> None:
    covered, signature = signed_parts(made.pdf)
    (tmp_path / "covered").write_bytes(covered)
    (tmp_path / "cms").write_bytes(cms.ContentInfo.load(signature).dump())
    asked = ["openssl", "cms", "-verify", "-binary", "-noverify", "-inform", "DER", "-in", "cms"]
    asked += ["-content", "covered", "-out", "/dev/null"]
    ran = subprocess.run(asked, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (ran.returncode, "successful" in ran.stderr) == (0, True), ran.stderr


def test_the_signature_certifies_and_permits_no_change(made: Made) -> None:
    """ISO 32000-1, 12.8.2.2: transform parameter P = 1; ETSI EN 319 142-1: the sub-filter (both from memory)."""
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        value = pdf.Root.Perms.DocMDP
        assert (int(value.Reference[0].TransformParams.P), str(value.SubFilter)) == (
            1,
            "/ETSI.CAdES.detached",
        )


def test_the_document_prints_the_key_and_whose_time_it_is(made: Made) -> None:
    key = signing_keys.in_force(made.job.establishment)
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        text = printed.text_of(pdf)
    assert key is not None
    assert key.fingerprint in text
    assert "Thetimeinthesignatureistheserver'sown" in text
    assert f"Signed with the key of the certificate {key.fingerprint}" in "\n".join(
        verified.verify(made.pdf).said
    )


def test_one_byte_changed_anywhere_is_caught(made: Made) -> None:
    """Outside the gap that holds the signature itself."""
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        _, begins, ends, _ = (int(part) for part in pdf.Root.AcroForm.Fields[0].V.ByteRange)
    places = [at for at in range(40, len(made.pdf), len(made.pdf) // 50) if not begins <= at < ends]
    assert len(places) > 35
    for at in places:
        flipped = made.pdf[:at] + bytes([made.pdf[at] ^ 1]) + made.pdf[at + 1 :]
        signed = pdf_signing.signature_of(flipped)
        assert signed is None or signed.faults, at


def test_a_changed_byte_is_told_as_such(made: Made) -> None:
    flipped = made.pdf.replace(b"%PDF-1.7", b"%PDF-1.6", 1)
    assert "what was signed is not what stands in the file" in differences(flipped)


def test_what_is_added_behind_the_signature_is_caught(made: Made) -> None:
    writer = IncrementalPdfFileWriter(io.BytesIO(made.pdf))
    writer.root["/PageMode"] = generic.NameObject("/UseNone")
    writer.update_root()
    out = io.BytesIO()
    writer.write(out)
    assert "the signature does not cover the whole file" in differences(out.getvalue())


def test_a_signature_that_was_taken_away_is_caught(made: Made) -> None:
    """Saved anew without it: what is attached and printed stays as it was."""
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        del pdf.Root.AcroForm, pdf.Root.Perms
        found = differences(saved(pdf))
    assert "the document says that its file is signed, and it bears no signature" in found


def test_a_document_signed_by_somebody_else_is_caught(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    other = signing_keys.Pair(key, signing_keys._own_certificate(key, made.job.establishment))
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        del pdf.Root.AcroForm, pdf.Root.Perms
        bare = saved(pdf)
    monkeypatch.setattr(signing_keys, "usable_pair", lambda here: other)
    found = differences(pdf_signing.sign(bare, made.job.establishment))
    assert "it is signed with another key than the document names" in found
    assert "it is signed with a key that is not this establishment's" in found


def test_without_the_key_a_document_is_made_unsigned_and_says_so(
    made: Made, settings: Any, tmp_path: Path
) -> None:
    settings.SIGNING_KEYS = tmp_path
    document, _shown = jobs.read(made.job)
    assert document.key is None
    page = to_html(document, for_paper=True)
    assert "This file is not signed:" in page
    assert "The time in the signature" not in page


# -- tampered with ----------------------------------------------------------------------------------


def test_a_reading_changed_in_the_evidence_names_the_record(made: Made) -> None:
    changed: list[str] = []

    def lie(evidence: dict[str, Any]) -> None:
        check = a_check(evidence)
        check["content"]["note"] = "all was well"
        changed.append(check["id"])

    found = differences(with_files(made.pdf, evidence=lie))
    assert (
        f"record '{changed[0]}' of kind 'haccp.check' says something else than when it was written" in found
    )
    assert "the file is not the one that was made here under this number" in found


def test_a_record_rewritten_with_its_digest_differs_from_seal_list_and_database(made: Made) -> None:
    def lie(evidence: dict[str, Any]) -> None:
        check = a_check(evidence)
        check["content"]["note"] = "all was well"
        check["digest"] = check_evidence.digest(check["content"])

    found = differences(with_files(made.pdf, evidence=lie))
    assert "its path leads to another root" in found
    assert "the document names another digest than the evidence has" in found
    assert "differs from the record here: it has another digest" in found


def test_data_changed_beside_their_print_are_found(made: Made) -> None:
    def lie(data: dict[str, Any]) -> None:
        data["warnings"] = ["none"]

    found = differences(with_files(made.pdf, data=lie))
    assert "the digest of the data is not printed on its pages as it is attached" in found
    assert "its data differ from what was made here, in: 'warnings'" in found


def test_data_that_name_another_seal_than_the_evidence_are_found(made: Made) -> None:
    def lie(data: dict[str, Any]) -> None:
        data["seal"]["root"] = "0" * 64

    assert "has another root than the evidence" in differences(with_files(made.pdf, data=lie))


def test_a_record_left_out_of_the_evidence_is_found(made: Made) -> None:
    def lie(evidence: dict[str, Any]) -> None:
        evidence["records"].remove(a_check(evidence))

    assert "the document names another digest than the evidence has" in differences(
        with_files(made.pdf, evidence=lie)
    )


def test_a_seal_changed_on_the_page_is_found(made: Made) -> None:
    """The page is drawn anew with another seal; what is attached stays as it was."""
    paper = verified.Paper.read(made.pdf)
    other = short_sheet(number=paper.document["number"])
    proof = DataFile("evidence.json", json.dumps(paper.evidence).encode())
    pdf = to_pdf(other, attachments=[DataFile("data.json", paper.data), proof])
    assert "the seal's hash is not printed on its pages as it is attached" in differences(pdf)


def test_a_number_that_was_never_given_is_found(made: Made) -> None:
    def lie(data: dict[str, Any]) -> None:
        data["number"] = "000999"

    assert "no document of this number and kind was made here" in differences(with_files(made.pdf, data=lie))


def test_the_command_ends_with_1_and_names_the_first_difference(
    made: Made, tmp_path: Path, capsys: Any
) -> None:
    file = tmp_path / "record.pdf"
    file.write_bytes(with_files(made.pdf, data=lambda data: data.update(number="000999")))
    with pytest.raises(SystemExit) as ended:
        call_command("verify", str(file))
    assert ended.value.code == 1
    assert "differences. The first: " in capsys.readouterr().out


# -- not ours, broken, malicious --------------------------------------------------------------------


def encrypted(pdf: bytes) -> bytes:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return saved(opened, encryption=pikepdf.Encryption(owner="owner", user=""))


def locked(pdf: bytes) -> bytes:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return saved(opened, encryption=pikepdf.Encryption(owner="owner", user="user"))


def without_files(pdf: bytes) -> bytes:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        del opened.Root.Names, opened.Root.AF
        return saved(opened)


SPOILED: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "text": (lambda pdf: b"not a PDF", "it is no PDF"),
    "nothing": (lambda pdf: b"", "it is no PDF"),
    "cut short": (lambda pdf: pdf[: len(pdf) // 2], "it is a broken PDF"),
    "a head alone": (lambda pdf: b"%PDF-1.7\n", "it is a broken PDF"),
    "encrypted": (encrypted, "it is encrypted"),
    "locked": (locked, "it is encrypted"),
    "of somebody else": (without_files, "with 0 attached files of evidence"),
}


@pytest.mark.parametrize("how", SPOILED)
def test_what_is_broken_or_not_ours_says_so_and_ends_with_2(
    made: Made, how: str, tmp_path: Path, capsys: Any
) -> None:
    spoil, reason = SPOILED[how]
    file = tmp_path / "spoiled.pdf"
    file.write_bytes(spoil(made.pdf))
    with pytest.raises(SystemExit) as ended:
        call_command("verify", str(file))
    assert ended.value.code == 2
    assert reason in capsys.readouterr().out


def test_a_file_that_is_not_there_ends_with_2(tmp_path: Path, capsys: Any) -> None:
    with pytest.raises(SystemExit) as ended:
        call_command("verify", str(tmp_path / "none.pdf"))
    assert ended.value.code == 2
    assert "it cannot be opened (No such file or directory)" in capsys.readouterr().out


def attached_stream(content: bytes) -> bytes:
    return b"1 0 obj\n<</Type /EmbeddedFile/Filter /FlateDecode>>\nstream\n" + content + b"\nendstream\n"


BOMB = zlib.compress(b'{"form": "evidence-1", "pad": "' + b" " * 30_000_000 + b'"}', 9)
MALICIOUS = {
    "a file that unpacks to a thousand times its size": (
        attached_stream(BOMB),
        "larger than this checker takes",
    ),
    "many such files": (
        attached_stream(zlib.compress(b"x" * 900_000)) * 40,
        "larger than this checker takes",
    ),
    "more files than anybody attaches": (
        attached_stream(zlib.compress(b"x")) * 51,
        "more than 50 attached files",
    ),
    "nested without end": (attached_stream(zlib.compress(b'{"a":' * 100_000)), "nested too deeply"),
    "cut short": (attached_stream(zlib.compress(b"x" * 1000)[:-6]).partition(b"\nend")[0], "cut short"),
    "not packed": (attached_stream(b"hello"), "cannot be unpacked"),
    "no stream": (b"<</Type /EmbeddedFile" + b" " * 10_000, "not packed as the service packs them"),
}


@pytest.mark.parametrize("what", MALICIOUS)
def test_a_malicious_file_is_refused_before_it_hurts(what: str) -> None:
    parts, reason = MALICIOUS[what]
    with pytest.raises(Unreadable, match=reason):
        check_evidence.attached(b"%PDF-1.7\n" + parts, most=20_000_000)


def test_two_files_of_evidence_are_refused(made: Made) -> None:
    evidence = json.dumps(verified.Paper.read(made.pdf).evidence).encode()
    with pytest.raises(Unreadable, match="2 attached files of evidence"):
        check_evidence.attached(made.pdf + attached_stream(zlib.compress(evidence)))
