"""A finished PDF is signed with the establishment's key (PAdES, ETSI EN 319 142-1, baseline level B-B), and read back.

The signature certifies the file and permits no change after it (ISO 32000, DocMDP 1). No time-stamping authority is asked,
so the time in it is the server's own.
"""

import io
from dataclasses import dataclass

from asn1crypto import keys, x509
from cryptography.hazmat.primitives import serialization
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign import signers
from pyhanko.sign.diff_analysis import ModificationLevel
from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
from pyhanko.sign.validation import SignatureCoverageLevel, validate_pdf_signature
from pyhanko_certvalidator import ValidationContext
from pyhanko_certvalidator.registry import SimpleCertificateStore

from ledger import signing_keys
from ledger.models import Establishment
from ledger.signing_keys import Pair

FIELD = "Establishment"


def sign(pdf: bytes, establishment: Establishment) -> bytes:
    """The PDF with a certifying signature behind it. The key has to be at hand (``signing_keys.usable_pair``)."""
    pair = signing_keys.usable_pair(establishment)
    if pair is None:
        raise ValueError("The signing key went away while the document was made.")
    how = signers.PdfSignatureMetadata(
        field_name=FIELD,
        md_algorithm="sha256",
        name=establishment.name,
        subfilter=SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=MDPPerm.NO_CHANGES,
    )
    signed = signers.sign_pdf(IncrementalPdfFileWriter(io.BytesIO(pdf)), how, signer=_signer(pair))
    content: bytes = signed.getvalue()
    return content


def _signer(pair: Pair) -> signers.SimpleSigner:
    encoding, none = serialization.Encoding.DER, serialization.NoEncryption()
    key = pair.key.private_bytes(encoding, serialization.PrivateFormat.PKCS8, none)
    return signers.SimpleSigner(
        signing_cert=x509.Certificate.load(pair.certificate.public_bytes(encoding)),
        signing_key=keys.PrivateKeyInfo.load(key),
        cert_registry=SimpleCertificateStore(),  # type: ignore[no-untyped-call]
    )


@dataclass(frozen=True)
class Signed:
    """What a file's signature shows. ``fingerprint``: of the certificate that it was made with."""

    fingerprint: str
    said_at: str
    faults: tuple[str, ...]


def signature_of(pdf: bytes) -> Signed | None:
    """None for a file that bears none. Whatever is wrong with one is a fault, and never an exception."""
    try:
        found = PdfFileReader(io.BytesIO(pdf)).embedded_signatures
        if not found:
            return None
        if len(found) > 1:
            return Signed("", "", (f"it bears {len(found)} signatures, and should bear one",))
        status = validate_pdf_signature(found[0], ValidationContext(trust_roots=[], allow_fetching=False))
    except Exception as error:  # a hostile file may make the library fail anywhere
        return Signed("", "", (f"its signature cannot be read ({type(error).__name__})",))
    looks = {
        "what was signed is not what stands in the file": status.intact,
        "its signature was not made with the key of its certificate": status.valid,
        "the signature does not cover the whole file": status.coverage is SignatureCoverageLevel.ENTIRE_FILE,
        "the file was changed after it was signed": status.modification_level is ModificationLevel.NONE
        and status.docmdp_ok,
    }
    when = status.signer_reported_dt
    return Signed(
        fingerprint=status.signing_cert.sha256.hex(),
        said_at="" if when is None else when.isoformat(timespec="seconds"),
        faults=tuple(fault for fault, good in looks.items() if not good),
    )
