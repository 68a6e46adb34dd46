"""The key that documents are signed with: a file for nobody else's eyes, and a record of its certificate."""

import stat
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID
from django.core.management import CommandError, call_command
from django.utils import timezone

from config.api.refusals import Unusable
from ledger import signing_keys
from ledger.models import Establishment, Person, SigningKey

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def folder(settings: Any, tmp_path: Path) -> Path:
    settings.SIGNING_KEYS = tmp_path / "keys"
    return tmp_path / "keys"


@pytest.fixture
def made(act: Callable[..., Any], lead: Person) -> SigningKey:
    return signing_keys.make(act=act(lead))


def certificate(key: Any, signs: Any = None, days: int = 30) -> x509.Certificate:
    """As some other authority might have made it."""
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Lindenhof Sweets")])
    now = timezone.now()
    built = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    built = built.serial_number(7).not_valid_before(now - timedelta(days=60))
    return built.not_valid_after(now + timedelta(days=days)).sign(signs or key, hashes.SHA256())


def pem(key: Any, cert: x509.Certificate, password: bytes | None = None) -> bytes:
    hidden = serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    form = serialization.PrivateFormat.PKCS8
    written = key.private_bytes(serialization.Encoding.PEM, form, hidden)
    return bytes(written + cert.public_bytes(serialization.Encoding.PEM))


CURVE = ec.generate_private_key(ec.SECP256R1())
OTHER = ec.generate_private_key(ec.SECP256R1())
RSA = rsa.generate_private_key(65537, 2048)


# -- made here --------------------------------------------------------------------------------------


def test_a_key_that_is_made_is_a_file_for_the_service_alone(made: SigningKey, folder: Path) -> None:
    (file,) = folder.rglob("*.pem")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(file.parent.stat().st_mode) == 0o700


def test_its_record_bears_the_certificate_and_nothing_secret(made: SigningKey) -> None:
    assert "BEGIN CERTIFICATE" in made.certificate
    assert "PRIVATE" not in str(vars(made))


def test_its_fingerprint_is_that_of_the_certificate_as_openssl_tells_it(
    made: SigningKey, tmp_path: Path
) -> None:
    """An independent program reads the certificate: who it names, and its SHA-256."""
    import shutil
    import subprocess

    if shutil.which("openssl") is None:
        pytest.skip("openssl is not on this machine")
    asked = ["openssl", "x509", "-noout", "-fingerprint", "-sha256", "-ext", "keyUsage"]
    told = subprocess.run(
        asked, input=made.certificate.encode(), capture_output=True, check=True
    ).stdout.decode()
    assert made.fingerprint in told.replace(":", "").lower()
    assert "Digital Signature, Non Repudiation" in told


def test_the_certificate_names_the_establishment(made: SigningKey, establishment: Establishment) -> None:
    assert f"CN={establishment.name}" in signing_keys.certificate_of(made).subject.rfc4514_string()


def test_a_later_key_names_the_one_it_replaces(
    made: SigningKey, act: Callable[..., Any], lead: Person
) -> None:
    later = signing_keys.make(act=act(lead))
    assert (later.replaces, signing_keys.in_force(later.establishment)) == (made.fingerprint, later)


def test_the_key_in_force_can_sign(made: SigningKey, establishment: Establishment) -> None:
    pair = signing_keys.usable_pair(establishment)
    assert pair is not None
    assert pair.fingerprint == made.fingerprint


@pytest.mark.parametrize("spoil", [lambda file: file.unlink(), lambda file: file.write_bytes(b"spoiled")])
def test_a_key_whose_file_is_lost_or_spoiled_signs_nothing(
    made: SigningKey, establishment: Establishment, spoil: Callable[[Path], object]
) -> None:
    spoil(signing_keys.path_of(made))
    assert signing_keys.usable_pair(establishment) is None


def test_the_file_of_another_key_signs_nothing(made: SigningKey, establishment: Establishment) -> None:
    signing_keys.path_of(made).write_bytes(pem(CURVE, certificate(CURVE)))
    assert signing_keys.usable_pair(establishment) is None


# -- brought ----------------------------------------------------------------------------------------


def packed(password: bytes | None = None) -> bytes:
    hidden = serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    return pkcs12.serialize_key_and_certificates(b"x", RSA, certificate(RSA), None, hidden)


GOOD = {
    "PEM": (pem(CURVE, certificate(CURVE)), ""),
    "PEM with a password": (pem(RSA, certificate(RSA), b"sugar"), "sugar"),
    "PKCS#12": (packed(), ""),
    "PKCS#12 with a password": (packed(b"sugar"), "sugar"),
}


@pytest.mark.parametrize("how", GOOD)
def test_a_key_may_be_brought(how: str, act: Callable[..., Any], lead: Person) -> None:
    content, password = GOOD[how]
    brought = signing_keys.bring(act=act(lead), content=content, password=password)
    assert brought.brought
    assert signing_keys.usable_pair(brought.establishment) is not None


BAD = {
    "no key": (b"hello", "No key and certificate could be read"),
    "nothing": (b"", "No key and certificate could be read"),
    "half a key": (pem(CURVE, certificate(CURVE))[:100], "No key and certificate could be read"),
    "a wrong password": (packed(b"salt"), "the password may be wrong"),
    "a certificate of another key": (pem(CURVE, certificate(OTHER)), "no certificate of this key"),
    "an ended certificate": (pem(CURVE, certificate(CURVE, days=-1)), "not today"),
    "another kind of key": (
        pem(k := ed25519.Ed25519PrivateKey.generate(), certificate(k, OTHER)),
        "an RSA key or one on an elliptic curve",
    ),
    "too large": (b"x" * 100_001, "larger than any key"),
}


@pytest.mark.parametrize("what", BAD)
def test_what_is_no_good_key_is_refused_and_nothing_is_written(
    what: str, act: Callable[..., Any], lead: Person, folder: Path
) -> None:
    content, said = BAD[what]
    with pytest.raises(Unusable, match=said):
        signing_keys.bring(act=act(lead), content=content, password="sugar" if "password" in what else "")
    assert not SigningKey.objects.exists()
    assert not folder.exists()


def test_a_short_rsa_key_is_refused() -> None:
    short = rsa.generate_private_key(65537, 1024)
    with pytest.raises(Unusable, match="at least 2048 bits; this has 1024"):
        signing_keys.read(pem(short, certificate(short)))


def test_the_key_in_force_is_not_brought_again(act: Callable[..., Any], lead: Person) -> None:
    content, _ = GOOD["PEM"]
    signing_keys.bring(act=act(lead), content=content)
    with pytest.raises(Unusable, match="in force here already"):
        signing_keys.bring(act=act(lead), content=content)
    assert SigningKey.objects.count() == 1


# -- commands and route -----------------------------------------------------------------------------


def test_the_command_makes_a_key_and_lists_it(
    lead: Person, establishment: Establishment, capsys: Any
) -> None:
    call_command("signing-key", "make", establishment=establishment.pk, by=lead.sign_in_name)
    record = SigningKey.objects.get()
    call_command("signing-key", "list", establishment=establishment.pk)
    assert capsys.readouterr().out.count(record.fingerprint) == 3  # made, its file, listed


def test_the_command_brings_a_key(
    lead: Person, establishment: Establishment, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "key.p12").write_bytes(packed(b"sugar"))
    monkeypatch.setenv("KEY_PASSWORD", "sugar")
    call_command(
        "signing-key",
        "bring",
        str(tmp_path / "key.p12"),
        establishment=establishment.pk,
        by=lead.sign_in_name,
    )
    assert SigningKey.objects.get().brought


def test_the_command_refuses_who_may_not_plan_there(operator: Person, establishment: Establishment) -> None:
    with pytest.raises(CommandError, match="no food-safety lead or administrator there"):
        call_command("signing-key", "make", establishment=establishment.pk, by=operator.sign_in_name)


def test_an_inspector_reads_the_fingerprint_to_compare(
    made: SigningKey, client_of: Any, inspector: Person, let_in: Any
) -> None:
    let_in()
    (shown,) = client_of(inspector).ask("signing-keys").json()["results"]
    assert (shown["fingerprint"], shown["certificate"]) == (made.fingerprint, made.certificate)
    assert shown["ends_at"] > "2030"
