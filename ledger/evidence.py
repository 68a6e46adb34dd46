"""Evidence: records with their digests, proofs and seals in one file that a stand-alone checker can test."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from django.utils import timezone

from ledger.models import Record, Seal
from ledger.models.records import utc_text
from ledger.seals import Proof, proofs_of, seal_content

FORM = "evidence-1"


def evidence(
    records: Sequence[Record],
    *,
    open_confidential: bool = False,
    also: Iterable[Seal] = (),
    withheld: Callable[[Record], bool] = lambda record: False,
) -> dict[str, Any]:
    """What ``check_evidence.py`` reads: content as digested, digest, proof; and every seal that covers one.

    ``also``: seals beside those, as the one that is printed with the records. ``withheld``: whose content stays in the
    house; digest and proof go with it, so that nothing can be put in its place later.
    Confidential values stay hidden (their salted hash stands in the content) unless they are opened.
    """
    proofs = proofs_of([record.pk for record in records])
    return {
        "form": FORM,
        "made_at": utc_text(timezone.now()),
        "records": [
            _withheld(record, proofs.get(record.pk))
            if withheld(record)
            else _one(record, proofs.get(record.pk), open_confidential)
            for record in records
        ],
        "seals": _seals([*(proof.seal for proof in proofs.values()), *also]),
    }


def _one(record: Record, proof: Proof | None, open_confidential: bool) -> dict[str, Any]:
    line: dict[str, Any] = {
        "id": str(record.pk),
        "kind": record.kind,
        "content": record.content(),
        "digest": record.digest,
    }
    if open_confidential and record.confidential:
        line["open"] = record.open_values()
    if proof is not None:
        line["proof"] = proof.as_json()
    return line


def _withheld(record: Record, proof: Proof | None) -> dict[str, Any]:
    line: dict[str, Any] = {
        "id": str(record.pk),
        "kind": record.kind,
        "establishment": str(record.establishment_id),
        "withheld": True,
        "digest": record.digest,
    }
    return line if proof is None else line | {"proof": proof.as_json()}


def _seals(covering: Iterable[Seal]) -> list[dict[str, str]]:
    seals: dict[int, Seal] = {seal.pk: seal for seal in covering}
    ordered = sorted(seals.values(), key=lambda seal: (str(seal.establishment_id), seal.number))
    return [seal_content(seal) | {"hash": seal.hash} for seal in ordered]
