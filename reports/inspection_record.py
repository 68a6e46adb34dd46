"""An inspection as a document: who came, what was shown or copied, samples and results, findings, their answers, the end.

For outside it names nobody who came, unless a food-safety lead let the names go; their functions stay.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from config.api.refusals import Unknown
from config.templatetags.moments import local_time
from haccp.inspections import visits
from haccp.models import Inspection
from ledger.models import Disclosure, Establishment, Part, Signature
from reports import left_out, tables
from reports.documents import Column, SignatureLine
from reports.inspection_lines import (
    ClosedLine,
    EndLine,
    FindingAnswerLine,
    FindingLine,
    NoteLine,
    Papers,
    Read,
    ResultLine,
    SampleLine,
    VisitLine,
    lines,
    papers_of,
    read,
)
from reports.left_out import Included, LeavesOut
from reports.listing import Listing, Section, spoken
from reports.signed import signatures_on
from reports.tables import Table

TITLE = gettext_lazy("inspection record")
FORMS = tables.FORMS


@dataclass(frozen=True)
class Visitor:
    """``name`` is empty where it was left out."""

    name: str
    function: str

    def __str__(self) -> str:
        return ", ".join(filter(None, (self.name, self.function))) or _("name left out")


FINDINGS = (
    Column(gettext_lazy("Finding"), "words", 6),
    Column(gettext_lazy("Rule and grade, as named"), "held_against", 4),
    Column(gettext_lazy("About"), "about", 2),
    Column(gettext_lazy("To be answered by"), "due_on", 2),
    Column(gettext_lazy("State"), "standing", 3),
)
ANSWERS = (
    Column(gettext_lazy("Answer to"), "to", 4),
    Column(gettext_lazy("What was done"), "text", 6),
    Column(gettext_lazy("Told to them"), "told", 3),
    Column(gettext_lazy("Shown by"), "papers", 4),
)
CLOSINGS = (
    Column(gettext_lazy("Closed"), "to", 4),
    Column(gettext_lazy("By whose word"), "by", 3),
    Column(gettext_lazy("Reference, reason"), "because", 6),
)
SAMPLES = (
    Column(gettext_lazy("Sample of"), "sampled", 4),
    Column(gettext_lazy("Amount"), "amount", 2),
    Column(gettext_lazy("Looked for"), "analysis", 3),
    Column(gettext_lazy("Their mark"), "mark", 3),
    Column(gettext_lazy("Counter-sample"), "counter", 4),
    Column(gettext_lazy("Receipt"), "receipt", 2),
    Column(gettext_lazy("Result by"), "result_by", 2),
)
RESULTS = (
    Column(gettext_lazy("Sample of"), "sampled", 4),
    Column(gettext_lazy("Outcome"), "outcome", 3),
    Column(gettext_lazy("In their words"), "text", 6),
    Column(gettext_lazy("Reference"), "reference", 2),
)
NOTES = (
    Column(gettext_lazy("What happened"), "what", 2),
    Column(gettext_lazy("In words"), "text", 6),
    Column(gettext_lazy("Document"), "document", 4),
    Column(gettext_lazy("Record shown"), "shown", 2, mono=True),
)
VISITS = (
    Column(gettext_lazy("Who"), "body", 4),
    Column(gettext_lazy("Why"), "why", 3),
    Column(gettext_lazy("What they came for"), "about", 5),
)
ENDS = (
    Column(gettext_lazy("What they said of the whole"), "outcome", 5),
    Column(gettext_lazy("Reference"), "reference", 2),
    Column(gettext_lazy("Where the house disagrees"), "objection", 5),
    Column(gettext_lazy("Papers"), "papers", 4),
)


@dataclass(frozen=True, kw_only=True)
class InspectionRecord(LeavesOut, Listing):
    kind: ClassVar[str] = "inspection-record"
    shows_limits: ClassVar[bool] = False

    by_whom: str
    body: str
    why: str
    about: str
    how: str
    methods: str
    reference: str
    announced_on: date | None
    came_at: datetime
    left_at: datetime | None
    visitors: tuple[Visitor, ...]
    accompanied_by: tuple[str, ...]
    visit: tuple[VisitLine, ...]
    findings: tuple[FindingLine, ...]
    answers: tuple[FindingAnswerLine, ...]
    closings: tuple[ClosedLine, ...]
    samples: tuple[SampleLine, ...]
    results: tuple[ResultLine, ...]
    notes: tuple[NoteLine, ...]
    ends: tuple[EndLine, ...]
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        standing = [each for each in self.findings if each.replaced is None]
        open_ones = [each for each in standing if each.done != _("closed")]
        return (
            (_("Who"), f"{self.body} ({self.by_whom})"),
            (_("Why"), self.why),
            (_("What they came for"), self.about),
            (_("How"), "; ".join(filter(None, (self.how, self.methods)))),
            (_("Announced on"), "" if self.announced_on is None else self.announced_on.isoformat()),
            (_("Reference"), self.reference),
            (_("Came"), local_time(self.came_at)),
            (_("Left"), "" if self.left_at is None else local_time(self.left_at)),
            (_("Who came"), "; ".join(map(str, self.visitors))),
            (_("Who went along"), ", ".join(self.accompanied_by)),
            (_("Findings"), str(len(standing))),
            (_("Not closed"), str(len(open_ones))),
        )

    def remarks(self) -> tuple[str, ...]:
        return (_("What they said or wrote is kept in their words; it is no statement of this house."),)

    def sections(self) -> tuple[Section, ...]:
        return (
            Section(_("Findings"), self.findings, FINDINGS, _("No finding was recorded.")),
            Section(_("Answers"), self.answers, ANSWERS, _("No finding was answered.")),
            Section(_("Closed findings"), self.closings, CLOSINGS, _("No finding was closed.")),
            Section(_("Samples"), self.samples, SAMPLES, _("No sample was taken.")),
            Section(_("Results of samples"), self.results, RESULTS, _("No result was told.")),
            Section(_("Shown, copied, said"), self.notes, NOTES, _("Nothing shown or copied was recorded.")),
            Section(_("The visit"), self.visit, VISITS, ""),
            Section(_("The end"), self.ends, ENDS, _("That they left is not recorded.")),
        )

    def data_tables(self) -> tuple[Table, ...]:
        said = ("number", "text", "rule", "grade", "about", "due_on", "done", "late_days", "flags")
        sampled = ("sampled", "amount", "analysis", "mark", "counter", "receipt", "result_by")
        return (
            tables.of_records("findings", self.findings, said, frozenset(["late_days"])),
            tables.of_records("answers", self.answers, ("to", "text", "told", "papers")),
            tables.of_records("closings", self.closings, ("to", "by", "because")),
            tables.of_records("samples", self.samples, sampled),
            tables.of_records("results", self.results, ("sampled", "outcome", "text", "reference")),
            tables.of_records("notes", self.notes, ("what", "text", "document", "shown")),
            tables.of_records("ends", self.ends, ("outcome", "reference", "objection", "papers")),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a visit of another establishment."""
    if not Inspection.objects.filter(establishment=establishment, pk=subject).exists():
        raise Unknown(f"There is no inspection {subject} here.", field="subject")


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> InspectionRecord:
    """Read the visit; call it within one snapshot. ``about["outside"]``: without the names of who came."""
    first = visits.line_of(Inspection.objects.get(establishment=here, pk=subject))
    found, now = read(first), visits.standing(first)
    end = next((each for each in found.ends if not hasattr(each, "corrected_by")), None)
    outside = left_out.for_outside(about)
    words = left_out.words(here, [first], Part.VISITORS) if outside else []
    papers = papers_of(found.records)
    signed = list(signatures_on([each.pk for each in found.closings]))
    record = InspectionRecord(
        by_whom=spoken(now.get_by_whom_display()),
        body=now.body,
        why=spoken(now.get_why_display()),
        about=now.about,
        how=spoken(now.get_how_display()),
        methods=now.methods,
        reference=now.reference,
        announced_on=now.announced_on,
        came_at=now.performed_at.astimezone(here.zone),
        left_at=None if end is None else end.performed_at.astimezone(here.zone),
        visitors=tuple(Visitor(each["name"], each["function"]) for each in now.visitors),
        accompanied_by=tuple(visits.names_of(now.accompanied_by)),
        **lines(here, found, papers, head["made_at"]),
        included=Included.by(words),
        signatures=tuple(SignatureLine.of(each, _("closing of a finding")) for each in signed),
        confirmed_rules=(),
        record_ids=tuple(sorted(_ids(found, papers, signed, words))),
        **head,
    )
    return _for_outside(record) if outside and not words else record


def _for_outside(record: InspectionRecord) -> InspectionRecord:
    named = tuple(Visitor("", each.function) for each in record.visitors)
    told = _("Names of those who came to inspect")
    return replace(record, visitors=named, left_out=(told,) if named else ())


def _ids(
    found: Read, papers: Papers, signed: Sequence[Signature], words: Sequence[Disclosure]
) -> Iterator[UUID]:
    yield from (each.pk for each in (*found.records, *signed))
    yield from (each.pk for hung in papers.values() for each in hung)
    later = (getattr(each, "corrected_by", None) for each in found.records)
    yield from (each.pk for each in later if each is not None and each.withdrawn)
    yield from (each.pk for each in words)
