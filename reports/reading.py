"""Documents are read in one snapshot, then sealed, then printed with that seal (decision D22)."""

import dataclasses
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar
from uuid import UUID

import orjson
from django.db import connection, transaction

from ledger import seals, stored
from ledger.evidence import evidence
from ledger.models import Entry, Establishment, Seal, record_class
from ledger.stored import Stored
from reports.documents import Document, KeyLine, ProofLine, SealLine
from reports.rendering import DataFile

D = TypeVar("D", bound=Document)
AT_ONCE = 1000  # SQLite bounds the number of parameters in one statement


@contextmanager
def snapshot() -> Iterator[None]:
    """All that is read inside is as of one moment."""
    with transaction.atomic():
        if connection.vendor == "postgresql" and len(connection.savepoint_ids) == 0:
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        yield


@dataclass(frozen=True)
class Proving:
    """What proves every document of one moment: the seal over what was read, and the key it is signed with."""

    seal: SealLine | None
    key: KeyLine | None


def sealed(here: Establishment) -> Proving:
    """Seal what is written: what was read before lies under the latest seal or an earlier one."""
    seals.seal(establishment=here)
    seals_here = Seal.objects.filter(establishment=here).select_related("establishment")
    latest = seals_here.order_by("-number").first()
    return Proving(None if latest is None else SealLine.of(latest), KeyLine.of(here))


def proved(document: D, shown: Iterable[Stored], by: Proving) -> D:
    """The document with what proves it, and the digest of each record it shows."""
    proofs = tuple(ProofLine(record=record.pk, digest=record.digest) for record in shown)
    return dataclasses.replace(document, seal=by.seal, key=by.key, proofs=proofs)


def records(ids: Iterable[UUID]) -> list[Stored]:
    """The records of these ids, kind by kind in the order they were taken."""
    keys, kinds = list(ids), dict[str, list[UUID]]()
    for start in range(0, len(keys), AT_ONCE):
        entries = Entry.objects.filter(pk__in=keys[start : start + AT_ONCE])
        for pk, kind in entries.values_list("pk", "kind"):
            kinds.setdefault(kind, []).append(pk)
    return [one for kind in sorted(kinds) for one in stored.contents(record_class(kind), kinds[kind])]


def evidence_file(here: Establishment, shown: Sequence[Stored], documents: Sequence[Document]) -> DataFile:
    """The records with digests and proofs, and the seal that is printed. What one of the documents withholds is withheld."""
    seal = documents[0].seal
    printed = Seal.objects.filter(establishment=here, number=seal.number if seal else 0)
    made = evidence(
        shown, also=printed, withheld=lambda record: any(each.withholds(record) for each in documents)
    )
    return DataFile(
        "evidence.json", orjson.dumps(made), "Records with digests and proofs, for the stand-alone checker"
    )
