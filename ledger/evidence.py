"""Evidence: records with their digests, proofs and seals in one file that a stand-alone checker can test."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any
from uuid import UUID

from django.utils import timezone

from ledger.models import Record, Seal
from ledger.models.records import utc_text
from ledger.seals import proofs_of, seal_content, shared_proofs_of
from ledger.stored import Stored

FORM = "evidence-1"
SHARED_FROM = 500
"""So many records share a path a seal: one each would weigh more than what it proves (a site setting, no source)."""


def evidence(
    records: Sequence[Record | Stored],
    *,
    open_confidential: bool = False,
    also: Iterable[Seal] = (),
    withheld: Callable[[Any], bool] = lambda record: False,
) -> dict[str, Any]:
    """What ``check_evidence.py`` reads: content as digested, digest, proof; and every seal that covers one.

    ``also``: seals beside those, as the one that is printed with the records. ``withheld``: whose content stays in the
    house; digest and proof go with it, so that nothing can be put in its place later.
    Confidential values stay hidden (their salted hash stands in the content) unless they are opened.
    """
    keys = [record.pk for record in records]
    proofs, seals = _shared(keys) if len(keys) > SHARED_FROM else _single(keys)
    for seal in also:
        seals.setdefault(seal.pk, _seal(seal))
    return {
        "form": FORM,
        "made_at": utc_text(timezone.now()),
        "records": [
            (_withheld(record) if withheld(record) else _one(record, open_confidential))
            | proofs.get(record.pk, {})
            for record in records
        ],
        "seals": sorted(seals.values(), key=lambda seal: (seal["establishment"], int(seal["number"]))),
    }


def _one(record: Any, open_confidential: bool) -> dict[str, Any]:
    line: dict[str, Any] = {
        "id": str(record.pk),
        "kind": record.kind,
        "content": record.content(),
        "digest": record.digest,
    }
    if open_confidential and record.confidential:
        line["open"] = record.open_values()
    return line


def _withheld(record: Record | Stored) -> dict[str, Any]:
    return {
        "id": str(record.pk),
        "kind": record.kind,
        "establishment": str(record.establishment_id),
        "withheld": True,
        "digest": record.digest,
    }


Proofs = tuple[dict[UUID, dict[str, Any]], dict[int, dict[str, Any]]]
"""By record what its line says of its proof; by seal its line."""


def _single(keys: Sequence[UUID]) -> Proofs:
    """Each record with a path of its own."""
    proofs = proofs_of(keys)
    seals = {proof.seal.pk: proof.seal for proof in proofs.values()}
    lines = {key: {"proof": proof.as_json()} for key, proof in proofs.items()}
    return lines, {pk: _seal(seal) for pk, seal in seals.items()}


def _shared(keys: Sequence[UUID]) -> Proofs:
    """One path a seal, which stands with the seal."""
    shared = shared_proofs_of(keys)
    lines = {
        key: {"proof": {"seal": str(each.seal.number), "index": str(index)}}
        for each in shared
        for key, index in each.places.items()
    }
    return lines, {each.seal.pk: _seal(each.seal) | {"path": list(each.path)} for each in shared}


def _seal(seal: Seal) -> dict[str, Any]:
    return seal_content(seal) | {"hash": seal.hash}
