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
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from importlib.resources import files as packaged
from pathlib import Path
from typing import Any
from uuid import UUID

from django.apps import apps
from django.core import serializers
from django.core.files.storage import default_storage
from django.utils import timezone

from batches.models import Batch, Lot
from batches.models.places import Reference
from config.api.refusals import RuleBroken, Unusable
from haccp.models import Archive
from haccp.retention import keeping
from haccp.retention.keeping import Standing
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
    """What an archive holds: digests by id, in the order of the ids, and the Merkle root over them."""

    digests: dict[UUID, str]

    @property
    def root(self) -> str:
        return merkle.root([bytes.fromhex(self.digests[pk]) for pk in sorted(self.digests)]).hex()


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
        for name, content in self._content(found):
            self.file.writestr(name, content)
            sums.append(f"{hashlib.sha256(content).hexdigest()}  {name}\n")
        self.file.writestr(SUMS, "".join(sums))

    def _content(self, found: Standing) -> Iterator[tuple[str, bytes]]:
        leaving = sorted(found.leaving)
        told = {"name": found.here.name, "list": LIST, "checker": CHECKER, "sums": SUMS}
        yield "READ-ME.txt", READ_ME.format(**told).encode()
        yield LIST, _listed(found, leaving)
        for number, some in enumerate(_by(leaving, RECORDS_A_FILE), 1):
            records = list(_records(found, some))
            made = evidence.evidence(records, open_confidential=True)
            yield f"evidence-{number:04d}.json", json.dumps(made, ensure_ascii=False, indent=1).encode()
            yield from _hanging(records)
        yield from _parts(found, leaving)
        yield "names.csv", _names(found.here)
        yield CHECKER, (packaged("ledger") / "standalone" / CHECKER).read_bytes()


def _by(keys: Sequence[UUID], most: int) -> Iterator[Sequence[UUID]]:
    return (keys[at : at + most] for at in range(0, len(keys), most))


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


def _listed(found: Standing, leaving: Collection[UUID]) -> bytes:
    digests = dict(Entry.objects.filter(establishment=found.here).values_list("pk", "digest").iterator())
    rows = []
    for pk in leaving:
        kept = found.own[pk]
        rule = "the house's own" if kept.rule is None else f"{kept.rule.id}: {kept.rule.named}"
        rows.append((pk, found.kind(pk).kind, digests[pk], kept.lasts.isoformat(), rule))
    return _as_csv(HEADS, rows)


def _as_csv(heads: Sequence[str], rows: Collection[Sequence[Any]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(heads)
    writer.writerows(rows)
    return out.getvalue().encode()


def _hanging(records: Collection[Record]) -> Iterator[tuple[str, bytes]]:
    for sha256 in sorted({each.sha256 for each in records if isinstance(each, Attachment)}):
        with default_storage.open(attachments.path_of(sha256)) as file:
            yield f"files/{sha256}", file.read()


def _parts(found: Standing, leaving: Collection[UUID]) -> Iterator[tuple[str, bytes]]:
    for kind in {found.kind(pk) for pk in leaving}:
        keys = [pk for pk in leaving if found.kind(pk) is kind]
        for model, named in parts_of(kind):
            for number, some in enumerate(_by(keys, RECORDS_A_FILE), 1):
                rows = model._default_manager.filter(**{f"{named}__in": some}).order_by("pk")
                yield (
                    f"parts/{model._meta.label_lower}-{number:04d}.jsonl",
                    serializers.serialize("jsonl", rows).encode(),
                )


def _names(here: Establishment) -> bytes:
    rows: list[Sequence[Any]] = []
    for model in apps.get_models():
        if issubclass(model, Reference):
            found = model._default_manager.filter(establishment=here)
            rows += [
                (pk, model._meta.label_lower, *told) for pk, *told in found.values_list("pk", "code", "name")
            ]
    for identity in (Lot, Batch):
        of_house = identity._default_manager.filter(establishment=here).values_list("uid", "code")
        rows += [(uid, identity._meta.label_lower, code, "") for uid, code in of_house]
    people_here = Person.objects.filter(memberships__establishment=here).distinct()
    rows += [(pk, "ledger.person", "", name) for pk, name in people_here.values_list("pk", "name")]
    return _as_csv(("uuid", "what", "code", "name"), sorted(rows, key=lambda row: (row[1], str(row[0]))))


# -- reading back ---------------------------------------------------------------------------------------


def read(path: Path) -> Contents:
    """Read an archive and test all of it: checksums, every record, proof and seal. Raises ArchiveDiffers."""
    try:
        with zipfile.ZipFile(path) as file:
            _check_sums(file)
            proved = dict(_proved(file))
            contents = Contents(proved)
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
        if hashlib.sha256(file.read(name)).hexdigest() != wanted:
            raise ArchiveDiffers(f"{name} was changed.")


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
    rows = csv.DictReader(io.StringIO(file.read(LIST).decode(), newline=""))
    if {UUID(row["id"]): row["digest"] for row in rows} != contents.digests:
        raise ArchiveDiffers(f"{LIST} does not list the records that the evidence holds.")


def _check_files(file: zipfile.ZipFile) -> None:
    for name in file.namelist():
        if name.startswith("files/") and hashlib.sha256(file.read(name)).hexdigest() != name[6:]:
            raise ArchiveDiffers(f"{name} is not the file of its name.")


def _compare(here: Establishment, contents: Contents) -> None:
    """What was read back is what this database has written down."""
    entries = Entry.objects.filter(establishment=here)
    for some in _by(sorted(contents.digests), RECORDS_A_FILE):
        there = dict(entries.filter(pk__in=some).values_list("pk", "digest"))
        for pk in some:
            if there.get(pk) != contents.digests[pk]:
                raise ArchiveDiffers(f"Record {pk} in it is not as it was recorded here.")


def digest_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal. Raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
