"""Seals: a Merkle root over what is new, chained to the seal before (decision D1)."""

import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any, TypeVar
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from ledger import canonical, merkle
from ledger.models import Entry, Establishment, Leaf, Seal, SealHead, Unsealed
from ledger.models.records import utc_text

T = TypeVar("T")
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
    return {key: proof for tree in _trees(entries) for key, proof in tree.proofs()}


@dataclass(frozen=True)
class Shared:
    """That several digests stand under a seal: where each stands, and one path for all (``merkle.shared_path``)."""

    seal: Seal
    places: dict[UUID, int]
    path: tuple[str, ...]


def shared_proofs_of(entries: Sequence[UUID]) -> list[Shared]:
    """The same for many: one path a seal, in the order of the seals."""
    return [tree.shared() for tree in _trees(entries)]


@dataclass(frozen=True)
class _Tree:
    """The leaves of a seal, and where those asked for stand."""

    seal: Seal
    leaves: list[bytes]
    places: dict[UUID, int]

    def proofs(self) -> Iterator[tuple[UUID, Proof]]:
        paths = merkle.inclusion_paths(self.leaves, list(self.places.values()))
        for (key, index), path in zip(self.places.items(), paths, strict=True):
            yield key, Proof(seal=self.seal, index=index, path=tuple(node.hex() for node in path))

    def shared(self) -> Shared:
        path = merkle.shared_path(self.leaves, list(self.places.values()))
        return Shared(self.seal, self.places, tuple(node.hex() for node in path))


def _trees(entries: Sequence[UUID]) -> Iterator[_Tree]:
    """Some hundred seals a statement: a house seals each minute in which it works."""
    places: dict[int, dict[UUID, int]] = {}
    for some in _chunks(entries):
        leaves = Leaf.objects.filter(entry__in=some).order_by()
        for key, seal, position in leaves.values_list("entry_id", "seal_id", "position"):
            places.setdefault(seal, {})[key] = position
    for keys in _chunks(sorted(places)):
        seals = Seal.objects.in_bulk(keys)
        leaves = Leaf.objects.filter(seal__in=keys).order_by("seal_id", "position")
        rows = leaves.values_list("seal_id", "entry__digest").iterator()
        for key, of_seal in groupby(rows, itemgetter(0)):
            yield _Tree(seals[key], [bytes.fromhex(digest) for _, digest in of_seal], places[key])


def _chunks(keys: Sequence[T]) -> Iterator[Sequence[T]]:
    return (keys[start : start + CHUNK] for start in range(0, len(keys), CHUNK))
