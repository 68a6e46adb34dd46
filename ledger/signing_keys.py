"""The key that an establishment's documents are signed with: made here, or brought; its certificate is a record.

The private key is a file that only the service's own account can read, below ``SIGNING_KEYS``; it is in no record, no
export and no answer. Where the file is lost, documents are made unsigned and say so, until a new key is made.
"""

import os
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID
from django.conf import settings
from django.utils import timezone

from config.api.refusals import Unusable
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment, SigningKey

VALID_FOR = timedelta(days=3653)
"""Ten years, about as long as records are kept at most; a site setting, no source."""
LEAST_RSA_BITS = 2048
"""NIST SP 800-131A rev. 2 (from memory): at least 112 bits of strength for signatures."""
MOST_BYTES = 100_000
PrivateKey = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


@dataclass(frozen=True)
class Pair:
    key: PrivateKey
    certificate: x509.Certificate

    @property
    def fingerprint(self) -> str:
        return fingerprint(self.certificate)


def fingerprint(certificate: x509.Certificate) -> str:
    """SHA-256 of the certificate in DER, in hex: what people compare."""
    return certificate.fingerprint(hashes.SHA256()).hex()


def in_force(establishment: Establishment) -> SigningKey | None:
    """The key that was recorded last."""
    found: SigningKey | None = SigningKey.objects.of(establishment).standing().first()
    return found


# -- deeds ------------------------------------------------------------------------------------------


@deed
def make(*, act: Act) -> SigningKey:
    """Make a key and a certificate that it signs itself, and sign with it from now on."""
    key = ec.generate_private_key(ec.SECP256R1())
    return _put_in_force(act, Pair(key, _own_certificate(key, act.establishment)), brought=False)


@deed
def bring(*, act: Act, content: bytes, password: str = "") -> SigningKey:
    """Sign from now on with a key and certificate that somebody else made, as PEM or PKCS#12. Raises Unusable."""
    pair = read(content, password)
    known = in_force(act.establishment)
    if known is not None and known.fingerprint == pair.fingerprint:
        raise Unusable("This key is in force here already. Nothing was changed.", field="file")
    return _put_in_force(act, pair, brought=True)


def _put_in_force(act: Act, pair: Pair, *, brought: bool) -> SigningKey:
    before = in_force(act.establishment)
    record = SigningKey.new(
        act,
        certificate=pair.certificate.public_bytes(serialization.Encoding.PEM).decode(),
        fingerprint=pair.fingerprint,
        replaces="" if before is None else before.fingerprint,
        brought=brought,
    )
    record.answer_if_repeated()
    _write(path_of(record), pair.key)
    return record.insert()


def _own_certificate(key: ec.EllipticCurvePrivateKey, here: Establishment) -> x509.Certificate:
    now = timezone.now()
    name = x509.Name(
        [
            x509.NameAttribute(NameOID.COUNTRY_NAME, here.country),
            x509.NameAttribute(
                NameOID.ORGANIZATION_NAME, here.name[:64]
            ),  # RFC 5280, upper bounds (from memory)
            x509.NameAttribute(NameOID.COMMON_NAME, here.name[:64]),
            x509.NameAttribute(NameOID.SERIAL_NUMBER, str(here.pk)),
        ]
    )
    made = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    made = made.serial_number(x509.random_serial_number())
    made = made.not_valid_before(now - timedelta(minutes=5)).not_valid_after(now + VALID_FOR)
    made = made.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
    made = made.add_extension(_signs_only(), critical=True)
    made = made.add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    return made.sign(key, hashes.SHA256())


def _signs_only() -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=True,
        content_commitment=True,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=False,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )


# -- what is brought --------------------------------------------------------------------------------


def read(content: bytes, password: str = "") -> Pair:
    """The key and its certificate. Raises Unusable, which says what is wrong with the file."""
    if len(content) > MOST_BYTES:
        raise Unusable("This is larger than any key with its certificate.", field="file")
    secret = password.encode() or None
    try:
        key, certificates = (
            _from_pem(content, secret) if b"-----BEGIN" in content else _from_pkcs12(content, secret)
        )
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise Unusable(
            f"No key and certificate could be read from this as PEM or PKCS#12; the password may be wrong ({error}).",
            field="file",
        ) from error
    return _fitting(key, certificates)


def _from_pem(content: bytes, secret: bytes | None) -> tuple[object, list[x509.Certificate]]:
    return serialization.load_pem_private_key(content, secret), x509.load_pem_x509_certificates(content)


def _from_pkcs12(content: bytes, secret: bytes | None) -> tuple[object, list[x509.Certificate]]:
    key, certificate, others = pkcs12.load_key_and_certificates(content, secret)
    return key, [*([certificate] if certificate else []), *others]


def _fitting(key: object, certificates: list[x509.Certificate]) -> Pair:
    if not isinstance(key, (rsa.RSAPrivateKey, ec.EllipticCurvePrivateKey)):
        raise Unusable("Documents are signed with an RSA key or one on an elliptic curve.", field="file")
    if isinstance(key, rsa.RSAPrivateKey) and key.key_size < LEAST_RSA_BITS:
        raise Unusable(
            f"An RSA key has at least {LEAST_RSA_BITS} bits; this has {key.key_size}.", field="file"
        )
    ours = [each for each in certificates if each.public_key() == key.public_key()]
    if not ours:
        raise Unusable("There is no certificate of this key in the file.", field="file")
    now = timezone.now()
    if not ours[0].not_valid_before_utc <= now <= ours[0].not_valid_after_utc:
        raise Unusable(
            f"The certificate holds from {ours[0].not_valid_before_utc:%Y-%m-%d} to {ours[0].not_valid_after_utc:%Y-%m-%d}, "
            "not today.",
            field="file",
        )
    return Pair(key, ours[0])


# -- the file ---------------------------------------------------------------------------------------


def path_of(record: SigningKey) -> Path:
    return Path(settings.SIGNING_KEYS) / str(record.establishment_id) / f"{record.fingerprint}.pem"


def _write(path: Path, key: PrivateKey) -> None:
    """Readable by the service's own account only, from its first byte on."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    form = serialization.PrivateFormat.PKCS8
    content = key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption())
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)


def usable_pair(establishment: Establishment) -> Pair | None:
    """The key in force with its certificate; None where there is none, or its file is lost or spoiled, or it ended."""
    record = in_force(establishment)
    if record is None:
        return None
    try:
        pair = read(path_of(record).read_bytes() + record.certificate.encode())
    except (OSError, Unusable):
        return None
    return pair if pair.fingerprint == record.fingerprint else None


def ends_at(record: SigningKey) -> datetime:
    return certificate_of(record).not_valid_after_utc.astimezone(UTC)


def certificate_of(record: SigningKey) -> x509.Certificate:
    return x509.load_pem_x509_certificate(record.certificate.encode())
