"""The data of an inspection file as one ZIP: each document as JSON, the evidence, its checker, and checksums of all."""

import hashlib
import io
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from importlib.resources import files as packaged
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from reports import rendering, tables
from reports.documents import Document
from reports.rendering import DataFile

if TYPE_CHECKING:
    from reports.inspection_file import InspectionFile, Line

CHECKER = "check_evidence.py"


def data_of(front: "InspectionFile", documents: Sequence[Document]) -> list[DataFile]:
    """Each document's own data, and its tables as CSV, named so that files lie in the order of the contents."""
    return [
        file
        for line, document in zip(front.lines, documents, strict=True)
        for file in _data_of(line, document)
    ]


def _data_of(line: "Line", document: Document) -> Iterator[DataFile]:
    name = f"{line.number:03d}-{rendering.file_name(document, 'json')}"
    yield DataFile(name, rendering.to_json(document), line.title)
    for table in document.data_tables():
        of_table = f"{name.removesuffix('.json')}-{table.name}.csv"
        yield DataFile(of_table, b"".join(tables.as_csv(table)), line.title)


def together(front: "InspectionFile", data: Iterable[DataFile]) -> DataFile:
    """The data of all documents as one file, to hang in the PDF."""
    return DataFile("documents.zip", _archive(front, data), "The data of each document")


def zipped(front: "InspectionFile", found: Iterable[DataFile]) -> bytes:
    """The same content gives the same bytes: every file bears the time the file was made."""
    checker = (packaged("ledger") / "standalone" / CHECKER).read_bytes()
    content = [DataFile("READ-ME.txt", _read_me(front).encode()), *found, DataFile(CHECKER, checker)]
    return _archive(front, [*content, DataFile("checksums.sha256", _checksums(content))])


def _archive(front: "InspectionFile", content: Iterable[DataFile]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for each in content:
            archive.writestr(_entry(each.name, front), each.content)
    return out.getvalue()


def _entry(name: str, front: "InspectionFile") -> zipfile.ZipInfo:
    made = zipfile.ZipInfo(name, front.made_at.timetuple()[:6])
    made.compress_type = zipfile.ZIP_DEFLATED
    made.external_attr = 0o644 << 16
    return made


def _checksums(content: Iterable[DataFile]) -> bytes:
    """As ``sha256sum --check`` reads them."""
    lines = (f"{hashlib.sha256(each.content).hexdigest()}  {each.name}\n" for each in content)
    return "".join(lines).encode()


def _read_me(front: "InspectionFile") -> str:
    lines = [
        f"{front.title} {front.number}, {front.establishment}",
        "",
        _(
            "Each document of the printed file lies here as data (JSON); the numbers are those of its contents."
        ),
        _(
            "evidence.json holds every record in it with its digest, its proof and its seals. To check it, with Python 3:"
        ),
        f"    python3 {CHECKER} evidence.json",
        _("checksums.sha256 holds the SHA-256 of each file here. To check them:"),
        "    sha256sum --check checksums.sha256",
        "",
        front.deferral,
        *front.cautions,
        "",
    ]
    return "\n".join(lines)
