"""The digest of the stand-alone checker by the published examples of its standard.

FIPS 180-4 (Secure Hash Standard) and the example values that NIST publishes with it; the values are from memory, and a
second program computes them anew where it is there.
"""

import shutil
import subprocess

import pytest

from ledger.standalone import check_evidence

EXAMPLES = {
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    b"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu": (
        "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1"
    ),
    b"a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}
"""Message: its SHA-256. None, one and two blocks, and a message of many."""


@pytest.mark.parametrize("message", EXAMPLES, ids=lambda message: f"{len(message)}-octets")
def test_the_checker_hashes_as_the_standards_examples_say(message: bytes) -> None:
    assert check_evidence.sha256(message).hexdigest() == EXAMPLES[message]


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not on this machine")
@pytest.mark.parametrize("message", EXAMPLES, ids=lambda message: f"{len(message)}-octets")
def test_another_program_hashes_them_alike(message: bytes) -> None:
    ran = subprocess.run(["openssl", "dgst", "-sha256", "-r"], input=message, capture_output=True, check=True)
    assert ran.stdout.decode().split()[0] == EXAMPLES[message]


def test_a_leaf_and_a_node_are_hashed_with_their_own_prefix() -> None:
    """RFC 6962, section 2.1: 0x00 before a leaf, 0x01 before the two below a node; the empty leaf is its own example
    (test vectors of the certificate-transparency project, from memory)."""
    empty = "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"
    assert check_evidence.leaf_hash(b"").hex() == empty
    both = b"\x01" + bytes.fromhex(empty) * 2
    assert check_evidence.node_hash(*[bytes.fromhex(empty)] * 2) == check_evidence.sha256(both).digest()


def test_the_digest_of_a_value_is_that_of_its_canonical_text() -> None:
    """RFC 8785: of the text "abc" the JSON text with its quotation marks."""
    assert check_evidence.digest("abc") == check_evidence.sha256(b'"abc"').hexdigest()
