"""Seals: a Merkle root over what is new, chained to the seal before (decision D1)."""

import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from ledger import canonical, merkle
from ledger.models import Entry, Establishment, Leaf, Seal, SealHead, Unsealed
from ledger.models.records import utc_text

log = logging.getLogger(__name__)
CHUNK = 500  # SQLite bounds the number of parameters in one statement


@transaction.atomic
def seal(*, establishment: Establishment) -> Seal | None:
    """Seal every entry that waits; None when nothing does.

    The head row keeps two sealers apart. Exactly the queue rows that were read are deleted, so an entry that
    commits while this runs waits for the next seal.
    """
    head = SealHead.objects.select_for_update().get(establishment=establishment)
    waiting = list(
        Unsealed.objects.filter(establishment=establishment)
        .order_by("entry_id")
        .values_list("entry_id", "entry__digest")
    )
    if not waiting:
        return None
    made = _next_seal(establishment, head, [digest for _, digest in waiting])
    Leaf.objects.bulk_create(
        (Leaf(seal=made, position=position, entry_id=entry) for position, (entry, _) in enumerate(waiting)),
        batch_size=CHUNK,
    )
    _empty_queue([entry for entry, _ in waiting])
    head.number, head.hash = made.number, made.hash
    head.save(update_fields=["number", "hash"])
    return made


def seal_everywhere() -> int:
    """Seal each establishment that has something waiting; the number of seals made.

    One that cannot be sealed keeps no other from it; its error is raised in the end.
    """
    made, failure = 0, None
    for establishment in Establishment.objects.filter(id__in=Unsealed.objects.values("establishment")):
        try:
            made += seal(establishment=establishment) is not None
        except Exception as error:  # whatever is wrong with one, the others are sealed
            log.exception("establishment %s could not be sealed", establishment.pk)
            failure = error
    if failure is not None:
        raise failure
    return made


def _next_seal(establishment: Establishment, head: SealHead, digests: list[str]) -> Seal:
    made = Seal(
        establishment=establishment,
        number=head.number + 1,
        previous=head.hash,
        root=merkle.root([bytes.fromhex(digest) for digest in digests]).hex(),
        leaf_count=len(digests),
        sealed_at=timezone.now(),
    )
    made.hash = seal_hash(made)
    made.save(force_insert=True)
    return made


def _empty_queue(entries: list[UUID]) -> None:
    for start in range(0, len(entries), CHUNK):
        Unsealed.objects.filter(entry_id__in=entries[start : start + CHUNK]).delete()


def seal_content(made: Seal) -> dict[str, str]:
    """What a seal's hash covers."""
    return {
        "establishment": str(made.establishment_id),
        "number": str(made.number),
        "previous": made.previous,
        "root": made.root,
        "leaves": str(made.leaf_count),
        "sealed_at": utc_text(made.sealed_at),
    }


def seal_hash(made: Seal) -> str:
    return canonical.digest(seal_content(made))


@dataclass(frozen=True)
class Proof:
    """That an entry's digest stands under a seal: index, size and path as in RFC 6962."""

    seal: Seal
    index: int
    path: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "seal": str(self.seal.number),
            "index": str(self.index),
            "size": str(self.seal.leaf_count),
            "path": list(self.path),
        }


def proof_of(entry: Entry) -> Proof | None:
    """The inclusion proof of an entry; None while no seal covers it."""
    return proofs_of([entry.pk]).get(entry.pk)


def proofs_of(entries: Sequence[UUID]) -> dict[UUID, Proof]:
    """The inclusion proofs of those that a seal covers; each seal's tree is read and built once."""
    of_seal: dict[Seal, list[tuple[int, UUID]]] = {}
    for start in range(0, len(entries), CHUNK):
        leaves = Leaf.objects.select_related("seal").filter(entry__in=entries[start : start + CHUNK])
        for leaf in leaves:
            of_seal.setdefault(leaf.seal, []).append((leaf.position, leaf.entry_id))
    return {key: proof for seal, wanted in of_seal.items() for key, proof in _proofs_in(seal, wanted)}


def _proofs_in(seal: Seal, wanted: list[tuple[int, UUID]]) -> Iterator[tuple[UUID, Proof]]:
    digests = Leaf.objects.filter(seal=seal).order_by("position").values_list("entry__digest", flat=True)
    paths = merkle.inclusion_paths(
        [bytes.fromhex(digest) for digest in digests], [index for index, _ in wanted]
    )
    for (index, key), path in zip(wanted, paths, strict=True):
        yield key, Proof(seal=seal, index=index, path=tuple(node.hex() for node in path))
