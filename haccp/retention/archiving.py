"""What may leave is written to one ZIP file, and the file is read back and verified, before a record says that it is there.

The file holds every record with its values opened, its proof and its seals, the files that hang on them, the rows that are
parts of them, names for what they name, checksums, and the checker. It is the house's own, and no document for others.
"""

import csv
import hashlib
import io
import json
import zipfile
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from importlib.resources import files as packaged
from itertools import chain, islice, zip_longest
from pathlib import Path
from sqlite3 import Connection
from typing import IO, Any, TypeVar
from uuid import UUID

from django.apps import apps
from django.core import serializers
from django.core.files.storage import default_storage
from django.db.models import Value
from django.utils import timezone

from batches.models import Batch, Lot
from batches.models.places import Reference
from config.api.refusals import RuleBroken, Unusable
from haccp.models import Archive
from haccp.retention import keeping, scratch
from haccp.retention.keeping import Standing
from haccp.retention.scratch import ROWS_AT_ONCE, ByRecord
from ledger import attachments, evidence, merkle, people
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Attachment, Entry, Establishment, Person, Record, Role
from ledger.models.records import reference_column
from ledger.removals import parts_of
from ledger.snapshots import one_snapshot
from ledger.standalone import check_evidence

CHECKER = "check_evidence.py"
LIST = "records.csv"
SUMS = "checksums.sha256"
HEADS = ("id", "kind", "digest", "kept_until", "rule")
T = TypeVar("T")
BYTES_AT_ONCE = 1 << 20
RECORDS_A_FILE = 500
"""Each with a path of its own, so that a stand-alone check names the record that differs."""
READ_ME = """Archive of records whose time of keeping has ended, {name}

{list} names every record in here, how long it was kept and by which rule. evidence-*.json hold the records with their
digests, proofs and seals, confidential values opened: keep this file as you keep your books. To check one, with Python 3:
    python3 {checker} evidence-0001.json
files/ holds photos and scans under their SHA-256. parts/ holds rows that belong to a record. names.csv says what uuids mean.
{sums} holds the SHA-256 of each file here. To check them:
    sha256sum --check {sums}

This says what was written down. It claims no compliance; the authority's word comes first.
"""


class ArchiveDiffers(Unusable):
    """The file is no archive as it was written; the sentence names what differs."""

    code = "archive-differs"
    title = "The archive is not as it was written"


@dataclass(frozen=True)
class Contents:
    """What an archive holds: digests by id, in the order of the ids, and the Merkle root over them. They lie in ``scratch``,
    so that a long period takes no more memory than a short one."""

    scratch: Connection

    @classmethod
    def of(cls, proved: Iterable[tuple[UUID, str]]) -> "Contents":
        contents = cls(scratch.laid_out())
        scratch.put(contents.scratch, "proved", ((pk.bytes, digest) for pk, digest in proved))
        return contents

    @property
    def digests(self) -> Mapping[UUID, str]:
        return ByRecord(self.scratch, "proved", "digest", str)

    def items(self) -> Iterator[tuple[UUID, str]]:
        for pk, digest in self.scratch.execute("SELECT id, digest FROM proved ORDER BY id"):
            yield UUID(bytes=pk), digest

    @property
    def root(self) -> str:
        return merkle.root(bytes.fromhex(digest) for _, digest in self.items()).hex()


def archive(*, act: Act, path: Path) -> Archive:
    """Write all that may leave today to ``path``, verify the finished file, and record it. Raises NotAllowed, RuleBroken
    ``nothing-leaves``, Unusable where the file is there already. What is refused or fails leaves no file."""
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "archives what may leave")
    try:
        path.touch(mode=0o600, exist_ok=False)  # never over a file that is there
    except FileExistsError:
        raise Unusable(f"{path} is there already. Nothing was written.", field="file") from None
    except OSError as error:
        raise Unusable(
            f"{path} cannot be written: {error.strerror}. Nothing was written.", field="file"
        ) from None
    try:
        _write(act, path)
        contents = read(path)
        _compare(act.establishment, contents)
        return _record(act=act, path=path, contents=contents)
    except BaseException:
        path.unlink(missing_ok=True)
        raise


@deed
def _record(*, act: Act, path: Path, contents: Contents) -> Archive:
    told = {"file_name": path.name[-200:], "size": path.stat().st_size, "sha256": digest_of(path)}
    record = Archive.new(act, records=len(contents.digests), root=contents.root, **told)
    record.answer_if_repeated()
    return record.insert()


# -- writing --------------------------------------------------------------------------------------------


def _write(act: Act, path: Path) -> None:
    here, today = act.establishment, _today(act)
    with one_snapshot():
        found = keeping.standing(here, today)
        if not found.leaving:
            raise RuleBroken(
                f"No record may leave on {today.isoformat()}. Nothing was written.", code="nothing-leaves"
            )
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
            _Writer(file).all(found)


def _today(act: Act) -> date:
    return timezone.now().astimezone(act.establishment.zone).date()


@dataclass
class _Writer:
    file: zipfile.ZipFile

    def all(self, found: Standing) -> None:
        sums: list[str] = []
        for name, chunks in self._content(found):
            if name not in self.file.NameToInfo:  # the same photo may hang on many records
                sums.append(f"{self._write(name, chunks)}  {name}\n")
        self.file.writestr(SUMS, "".join(sums))

    def _write(self, name: str, chunks: Iterable[bytes]) -> str:
        """SHA-256 of what was written."""
        told, digest = zipfile.ZipInfo(name, timezone.now().timetuple()[:6]), hashlib.sha256()
        told.compress_type = zipfile.ZIP_DEFLATED
        with self.file.open(told, "w", force_zip64=True) as out:
            for chunk in chunks:
                out.write(chunk)
                digest.update(chunk)
        return digest.hexdigest()

    def _content(self, found: Standing) -> Iterator[tuple[str, Iterable[bytes]]]:
        told = {"name": found.here.name, "list": LIST, "checker": CHECKER, "sums": SUMS}
        yield "READ-ME.txt", [READ_ME.format(**told).encode()]
        yield LIST, _as_csv(HEADS, _listed(found))
        for number, some in enumerate(_by(found.leaving, RECORDS_A_FILE), 1):
            records = list(_records(found, some))
            made = evidence.evidence(records, open_confidential=True)
            yield f"evidence-{number:04d}.json", [json.dumps(made, ensure_ascii=False, indent=1).encode()]
            yield from _hanging(records)
        yield from _parts(found)
        yield "names.csv", _as_csv(("uuid", "what", "code", "name"), _names(found.here))
        yield CHECKER, [(packaged("ledger") / "standalone" / CHECKER).read_bytes()]


def _by(rows: Iterable[T], most: int) -> Iterator[list[T]]:
    waiting = iter(rows)
    while some := list(islice(waiting, most)):
        yield some


def _records(found: Standing, keys: Collection[UUID]) -> Iterator[Record]:
    by_kind: defaultdict[type[Record], list[UUID]] = defaultdict(list)
    for pk in keys:
        by_kind[found.kind(pk)].append(pk)
    for model, of_kind in by_kind.items():
        by_uid = [
            each.name
            for each in model._meta.concrete_fields
            if each.is_relation and reference_column(each) == "uid"
        ]
        yield from model.objects.filter(pk__in=of_kind).select_related(*by_uid).order_by("pk")


def _listed(found: Standing) -> Iterator[Sequence[Any]]:
    for some in _by(found.leaving, RECORDS_A_FILE):
        digests = dict(Entry.objects.filter(pk__in=some).values_list("pk", "digest"))
        for pk in some:
            kept = found.own[pk]
            rule = "the house's own" if kept.rule is None else f"{kept.rule.id}: {kept.rule.named}"
            yield pk, found.kind(pk).kind, digests[pk], kept.lasts.isoformat(), rule


def _as_csv(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[bytes]:
    for some in _by(chain([heads], rows), RECORDS_A_FILE):
        out = io.StringIO(newline="")
        csv.writer(out).writerows(some)
        yield out.getvalue().encode()


def _hanging(records: Collection[Record]) -> Iterator[tuple[str, Iterable[bytes]]]:
    for sha256 in sorted({each.sha256 for each in records if isinstance(each, Attachment)}):
        with default_storage.open(attachments.path_of(sha256)) as file:
            yield f"files/{sha256}", _chunks(file)


def _chunks(file: IO[bytes]) -> Iterator[bytes]:
    return iter(partial(file.read, BYTES_AT_ONCE), b"")


def _parts(found: Standing) -> Iterator[tuple[str, Iterable[bytes]]]:
    for kind in found.web.models:
        for model, named in parts_of(kind):
            for number, some in enumerate(_by(found.leaving_of(kind), RECORDS_A_FILE), 1):
                rows = model._default_manager.filter(**{f"{named}__in": some}).order_by("pk")
                yield (
                    f"parts/{model._meta.label_lower}-{number:04d}.jsonl",
                    [serializers.serialize("jsonl", rows).encode()],
                )


def _names(here: Establishment) -> Iterator[Sequence[Any]]:
    """In the order of what they are, then of the uuids."""
    of_house: dict[str, tuple[Any, tuple[Any, ...]]] = {
        model._meta.label_lower: (model._default_manager.filter(establishment=here), ("pk", "code", "name"))
        for model in apps.get_models()
        if issubclass(model, Reference)
    }
    for identity in (Lot, Batch):
        rows = identity._default_manager.filter(establishment=here)
        of_house[identity._meta.label_lower] = (rows, ("uid", "code", Value("")))
    people_here = Person.objects.filter(memberships__establishment=here).distinct()
    of_house["ledger.person"] = (people_here, ("pk", Value(""), "name"))
    for what, (rows, columns) in sorted(of_house.items()):
        told = rows.order_by(columns[0]).values_list(*columns)
        for uuid, code, name in told.iterator(chunk_size=ROWS_AT_ONCE):
            yield uuid, what, code, name


# -- reading back ---------------------------------------------------------------------------------------


def read(path: Path) -> Contents:
    """Read an archive and test all of it: checksums, every record, proof and seal. Raises ArchiveDiffers."""
    try:
        with zipfile.ZipFile(path) as file:
            _check_sums(file)
            contents = Contents.of(_proved(file))
            _check_list(file, contents)
            _check_files(file)
    except (OSError, zipfile.BadZipFile, KeyError, UnicodeDecodeError) as error:
        raise ArchiveDiffers(f"{path.name} cannot be read as an archive: {error}.") from error
    return contents


def _check_sums(file: zipfile.ZipFile) -> None:
    told = dict(line.split("  ", 1)[::-1] for line in file.read(SUMS).decode().splitlines())
    there = set(file.namelist()) - {SUMS}
    if there != set(told) or len(file.namelist()) != len(there) + 1:
        raise ArchiveDiffers(f"The files in it are not those that {SUMS} names.")
    for name, wanted in told.items():
        if _digest_in(file, name) != wanted:
            raise ArchiveDiffers(f"{name} was changed.")


def _digest_in(file: zipfile.ZipFile, name: str) -> str:
    with file.open(name) as content:
        return hashlib.file_digest(content, "sha256").hexdigest()  # type: ignore[arg-type]


def _proved(file: zipfile.ZipFile) -> Iterator[tuple[UUID, str]]:
    for name in sorted(each for each in file.namelist() if each.startswith("evidence-")):
        made = json.loads(file.read(name))
        findings = check_evidence.check(made)
        if findings.differences:
            raise ArchiveDiffers(f"{name}: {findings.differences[0]}.")
        for record in made["records"]:
            if "proof" not in record or "content" not in record:
                raise ArchiveDiffers(f"{name}: record {record['id']} has no proof or no content.")
            yield UUID(record["id"]), record["digest"]


def _check_list(file: zipfile.ZipFile, contents: Contents) -> None:
    with file.open(LIST) as content:
        rows = csv.DictReader(io.TextIOWrapper(content, "utf-8", newline=""))
        listed = ((UUID(row["id"]), row["digest"]) for row in rows)
        if any(one != other for one, other in zip_longest(listed, contents.items())):
            raise ArchiveDiffers(f"{LIST} does not list the records that the evidence holds, in their order.")


def _check_files(file: zipfile.ZipFile) -> None:
    for name in file.namelist():
        if name.startswith("files/") and _digest_in(file, name) != name[6:]:
            raise ArchiveDiffers(f"{name} is not the file of its name.")


def _compare(here: Establishment, contents: Contents) -> None:
    """What was read back is what this database has written down."""
    entries = Entry.objects.filter(establishment=here)
    for some in _by(contents.items(), RECORDS_A_FILE):
        there = dict(entries.filter(pk__in=[pk for pk, _ in some]).values_list("pk", "digest"))
        for pk, digest in some:
            if there.get(pk) != digest:
                raise ArchiveDiffers(f"Record {pk} in it is not as it was recorded here.")


def digest_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal. Raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
