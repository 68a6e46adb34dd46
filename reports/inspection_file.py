"""The inspection file: one request, one PDF of many documents with contents and running numbers, and the same as data.

What lies in it is chosen by ``inspection.contents``. All documents are read as of one moment and bear one seal; they
are drawn side by side and then laid one after the other.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar
from uuid import UUID

from django.utils import translation
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from ledger.models import Establishment
from ledger.stored import Stored
from reports import answered, merging, reading, rendering
from reports.documents import Document, RuleLine
from reports.inspection import bundle, contents
from reports.inspection.asked import Asked
from reports.inspection.contents import Part
from reports.left_out import LeavesOut
from reports.models import DocumentJob
from reports.rendering import DataFile, Made

FORMS = ("pdf", "json", "html", "zip")
TITLE = gettext_lazy("inspection file")
ONCE = True
"""Asked for again while nothing was recorded since, it is the same file."""
OUTSIDE = {"outside": True}
"""Each document in it is as it may leave the house, whoever asks: an inspection file is made to be given away."""
Build = Callable[..., Any]


@dataclass(frozen=True)
class Shown:
    """A record in the file, so that two files can be compared."""

    record: UUID
    kind: str
    digest: str
    corrects: UUID | None


@dataclass(frozen=True)
class Line:
    """A document in the list of contents. ``page``: where it begins in the whole, from 1."""

    number: int
    kind: str
    title: str
    of: str
    document: str
    pages: int = 0
    page: int = 0


@dataclass(frozen=True, kw_only=True)
class InspectionFile(LeavesOut):
    """The front of the file. ``asked``: what was asked for, in words; ``records``: every record that lies in it.

    ``left_out``: of all its documents, each with the kind that leaves it out.
    """

    kind: ClassVar[str] = "inspection-file"
    template: ClassVar[str] = "reports/inspection_file.html"
    shows_limits: ClassVar[bool] = False
    signed_in_rows: ClassVar[bool] = True  # who signed stands in each document of it

    asked: tuple[str, ...]
    lines: tuple[Line, ...]
    records: tuple[Shown, ...]

    def withholds(self, record: Stored) -> bool:
        """Its documents say so, each of what it shows."""
        return False

    @property
    def sections(self) -> list[tuple[str, list[Line]]]:
        """The lines kind by kind."""
        found: dict[str, list[Line]] = {}
        for line in self.lines:
            found.setdefault(line.title, []).append(line)
        return list(found.items())

    @property
    def pages(self) -> int:
        last = self.lines[-1]
        return last.page + last.pages - 1


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> list[Part]:
    """Raise ValidationError, Unknown, Unusable where no such file can be made; the documents in it, to be asked themselves."""
    return contents.parts(Asked.read(establishment, about))


def takes_long(here: Establishment, subject: UUID, about: dict[str, Any]) -> bool:
    """Always: it is many documents."""
    return True


def make(job: DocumentJob, build: Build, told: Callable[[int, int], None]) -> Made:
    """The file's forms. ``build`` makes one document; ``told`` hears how many of all are drawn."""
    front, documents, shown = _read(job, build)
    pages = _drawn(documents, told)
    proof = reading.evidence_file(job.establishment, shown, [front, *documents])
    data = bundle.data_of(front, documents)
    first, front = _front(front, pages, [proof, bundle.together(front, data)])
    words = translated(job.language, lambda: merging.words(front.number))
    files = [rendering.own_data(front), *data, proof]
    forms = {
        "pdf": merging.merged(first, pages, words),
        "json": rendering.to_json(front),
        "html": rendering.to_html(front, for_paper=False).encode(),
        "zip": translated(job.language, lambda: bundle.zipped(front, files)),
    }
    return Made(front, forms)


def translated(language: str, said: Callable[[], Any]) -> Any:
    with translation.override(language):
        return said()


def _read(job: DocumentJob, build: Build) -> tuple[InspectionFile, list[Document], list[Stored]]:
    """All of it as of one moment, under one seal."""
    with reading.snapshot():
        asked = Asked.read(job.establishment, job.about)
        parts = contents.parts(asked)
        documents = [_built(job, build, part, _number(job, at)) for at, part in enumerate(parts, 1)]
        shown = reading.records({pk for each in documents for pk in each.record_ids})
        front = build(job, job.kind, job.establishment_id, job.about)
    by = reading.sealed(job.establishment)
    by_id = {record.pk: record for record in shown}
    under_seal = [
        reading.proved(replace(each, rules=()), [by_id[pk] for pk in each.record_ids if pk in by_id], by)
        for each in documents
    ]
    front = replace(
        front,
        lines=tuple(_lines(parts, documents)),
        records=tuple(map(_shown, shown)),
        left_out=tuple(dict.fromkeys(_left_out(documents))),
        included=tuple(dict.fromkeys(word for each in documents for word in getattr(each, "included", ()))),
    )
    parts_tell = [line for each in documents for line in each.rules]
    front = replace(front, rules=translated(job.language, lambda: _rules(front, parts_tell)))
    return reading.proved(front, shown, by), under_seal, shown


def _rules(front: InspectionFile, parts_tell: Sequence[RuleLine]) -> tuple[RuleLine, ...]:
    """Those of all its documents once; its own only now, since a field answers nothing while it is empty."""
    return answered.together([*answered.rules_of(front), *parts_tell])


def _built(job: DocumentJob, build: Build, part: Part, number: str) -> Any:
    with contents.named(part):
        head = {"number": number, "part_of": f"{job.number:06d}"}
        return build(job, part.kind, part.subject or job.establishment_id, OUTSIDE | part.about, **head)


def _number(job: DocumentJob, at: int) -> str:
    return f"{job.number:06d}-{at:02d}"


def _lines(parts: Sequence[Part], documents: Sequence[Document]) -> Iterator[Line]:
    for at, (part, document) in enumerate(zip(parts, documents, strict=True), 1):
        yield Line(at, document.kind, document.title, part.of, document.number)


def _left_out(documents: Iterable[Document]) -> Iterator[str]:
    for each in documents:
        yield from (f"{each.title}: {what}" for what in getattr(each, "left_out", ()))


def _shown(record: Stored) -> Shown:
    return Shown(record.pk, record.kind, record.digest, record.corrects_id)


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> InspectionFile:
    """The front without its contents, which are known once all lies in it."""
    return InspectionFile(
        asked=tuple(_asked(Asked.read(here, about))), lines=(), records=(), confirmed_rules=(), **head
    )


def _asked(asked: Asked) -> Iterator[str]:
    named = (
        (_("Lots"), [each.code for each in asked.lots]),
        (_("Batches"), [each.code for each in asked.batches]),
        (_("Products"), [each.name for each in asked.products]),
        (_("Control points"), list(asked.control_points)),
        (_("Suppliers"), [each.name for each in asked.suppliers]),
        (_("Customers"), [each.name for each in asked.customers]),
    )
    yield from (f"{what}: {', '.join(names)}" for what, names in named if names)
    if asked.since or asked.until:
        ends = (each.isoformat() if each else "…" for each in (asked.since, asked.until))
        yield _("Period: %(first)s to %(last)s") % dict(zip(("first", "last"), ends, strict=True))


def _drawn(documents: Sequence[Document], told: Callable[[int, int], None]) -> list[bytes]:
    found: dict[int, bytes] = {}
    told(0, len(documents))
    for place, pdf in rendering.draw_all(documents):
        found[place] = pdf
        told(len(found), len(documents))
    return [found[place] for place in range(len(documents))]


def _front(
    front: InspectionFile, parts: Sequence[bytes], files: Sequence[DataFile]
) -> tuple[bytes, InspectionFile]:
    """The front drawn with the page that each document begins on, which its own length decides."""
    counts, own = merging.page_counts(parts), 1
    while True:
        placed = replace(front, lines=tuple(_placed(front.lines, counts, own)))
        data = rendering.own_data(placed)
        drawn = rendering.to_pdf(placed, attachments=[data, *files])
        if (length := merging.page_counts([drawn])[0]) <= own:
            return drawn, placed
        own = length


def _placed(lines: Sequence[Line], counts: Sequence[int], front: int) -> Iterator[Line]:
    page = front + 1
    for line, pages in zip(lines, counts, strict=True):
        yield replace(line, pages=pages, page=page)
        page += pages
