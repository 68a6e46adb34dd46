"""What stays of a record that left after its retention ended is read where the record was read."""

import hashlib
from collections.abc import Callable
from typing import Any

import pytest

from ledger import removals, seals
from ledger.acts import Act
from ledger.models import Establishment, Person, Qualification, Record
from tests.conftest import Client

pytestmark = pytest.mark.django_db


@pytest.fixture
def removed(act: Callable[..., Act], lead: Person, establishment: Establishment) -> Record:
    """The lead's qualification, sealed and then taken away."""
    record = Qualification.objects.get()
    seals.seal(establishment=establishment)
    removals.remove(act=act(lead), record=record, rule="Six years after it ended.")
    return record


def test_digest_and_rule_stay_to_be_read(lead_api: Client, lead: Person, removed: Record) -> None:
    answer = lead_api.ask(f"records/{removed.pk}")
    assert (answer.status_code, answer.json()["digest"]) == (200, removed.digest)
    assert (answer.json()["content"], answer.json()["kind"]) == (None, removed.kind)
    assert answer.json()["removed"]["rule"] == "Six years after it ended."
    assert answer.json()["removed"]["recorded_by"] == str(lead.pk)


def _root(told: dict[str, Any]) -> str:
    """From the digest along the path to the root: RFC 6962, section 2.1.1 (leaf 0x00, node 0x01)."""
    node = hashlib.sha256(b"\0" + bytes.fromhex(told["digest"])).digest()
    index, last = int(told["proof"]["index"]), int(told["proof"]["size"]) - 1
    for each in map(bytes.fromhex, told["proof"]["path"]):
        while not index % 2 and index == last and last:
            index, last = index // 2, last // 2
        pair = each + node if index % 2 else node + each
        node = hashlib.sha256(b"\1" + pair).digest()
        index, last = index // 2, last // 2
    return node.hex()


def test_its_proof_still_leads_to_its_seal(lead_api: Client, removed: Record) -> None:
    told = lead_api.ask(f"records/{removed.pk}").json()
    assert _root(told) == told["seal"]["root"]


def test_a_record_that_is_there_says_nothing_of_a_removal(
    lead_api: Client, establishment: Establishment
) -> None:
    told = lead_api.ask(f"records/{Qualification.objects.get().pk}").json()
    assert (told["removed"], told["seal"]) == (None, None)
    assert told["content"]["title"]


def test_nothing_of_it_is_found_from_elsewhere(
    client_of: Callable[..., Client], elsewhere: Establishment, removed: Record
) -> None:
    founder = Person.objects.get(memberships__establishment=elsewhere, memberships__role="administrator")
    assert client_of(founder, elsewhere).ask(f"records/{removed.pk}").status_code == 404


def test_a_file_of_evidence_needs_what_the_record_said(lead_api: Client, removed: Record) -> None:
    assert lead_api.ask(f"records/{removed.pk}/evidence").status_code == 404
