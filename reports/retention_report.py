"""What will leave retention by a day, which rule keeps the rest, and on whose word: a list for the lead and the authority."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from haccp.models import Archive, Jurisdiction, KeptLonger, LegalHold, Markets
from haccp.retention import rules
from haccp.retention.keeping import spoken_name
from haccp.retention.rules import Rule
from haccp.retention.summary import KeptBy, KindCount, summary
from ledger.models import Establishment, Record
from reports import tables
from reports.api.retention import RetentionAskedSerializer
from reports.documents import Column, RecordLine
from reports.listing import Listing, Section, spoken
from reports.tables import Table

TITLE = gettext_lazy("retention of records")
FORMS = tables.FORMS
PROVENANCE: dict[str, Any] = {
    "read": gettext_lazy("read"),
    "read in a secondary text": gettext_lazy("read in a secondary text"),
    "from memory": gettext_lazy("from memory"),
    "site setting, no source": gettext_lazy("site setting, no source"),
}
CLOCKS: dict[str, Any] = {
    rules.PREPARED: gettext_lazy("from the day it was written down"),
    rules.END_OF_USE: gettext_lazy("from the end of its use"),
    rules.BEST_BEFORE: gettext_lazy("from the best before of its lots"),
    rules.STAYS: gettext_lazy("stays"),
}


@dataclass(frozen=True)
class KindLine:
    """``kind``: as the data name it. ``leaving`` of ``records``."""

    kind: str
    named: str
    leaving: int
    records: int


@dataclass(frozen=True)
class KeptLine:
    """``until``: the last day of the last of them; empty where no end is known."""

    because: str
    seen: str
    records: int
    until: str


@dataclass(frozen=True)
class RuleLine:
    named: str
    where: str
    long: str
    clock: str
    says: str
    seen: str


@dataclass(frozen=True, kw_only=True)
class WordLine(RecordLine):
    """A word of a lead's that stands, or an archive."""

    what: str
    because: str


KINDS = (
    Column(gettext_lazy("Kind of record"), "named", 6),
    Column(gettext_lazy("As data name it"), "kind", 5),
    Column(gettext_lazy("May leave"), "leaving", 2),
    Column(gettext_lazy("Of all"), "records", 2),
)
KEPT = (
    Column(gettext_lazy("What keeps them"), "because", 8),
    Column(gettext_lazy("How the rule was seen"), "seen", 4),
    Column(gettext_lazy("Records"), "records", 2),
    Column(gettext_lazy("The last until"), "until", 3),
)
RULES = (
    Column(gettext_lazy("Rule"), "named", 5),
    Column(gettext_lazy("Where"), "where", 2),
    Column(gettext_lazy("How long"), "long", 2),
    Column(gettext_lazy("Counted"), "clock", 3),
    Column(gettext_lazy("What it says, in our words"), "says", 8),
    Column(gettext_lazy("How it was seen"), "seen", 3),
)
WORDS = (Column(gettext_lazy("What was said"), "what", 6), Column(gettext_lazy("Why"), "because", 6))


@dataclass(frozen=True, kw_only=True)
class RetentionReport(Listing):
    kind: ClassVar[str] = "retention-report"
    shows_limits: ClassVar[bool] = False
    signed_in_rows: ClassVar[bool] = True

    on: date
    jurisdictions: tuple[str, ...]
    kinds: tuple[KindLine, ...]
    kept: tuple[KeptLine, ...]
    applied: tuple[RuleLine, ...]
    words: tuple[WordLine, ...]
    archives: tuple[WordLine, ...]
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        leaving, records = (
            sum(getattr(each, name) for each in self.kinds) for name in ("leaving", "records")
        )
        return (
            (_("As it is on"), self.on.isoformat()),
            (_("May leave"), _("%(some)d of %(all)d records") % {"some": leaving, "all": records}),
            (_("Rules of"), ", ".join(map(spoken, self.jurisdictions))),
        )

    def remarks(self) -> tuple[str, ...]:
        return (
            _(
                "The longest rule counts. Nothing leaves by itself: it is archived, verified and signed for first."
            ),
            _(
                "Rules are told in our own words. Read the current text and ask your authority before anything leaves."
            ),
        )

    def sections(self) -> tuple[Section, ...]:
        leaving = tuple(each for each in self.kinds if each.leaving)
        return (
            Section(_("What may leave"), leaving, KINDS, _("No record may leave on this day.")),
            Section(_("What keeps the rest"), self.kept, KEPT, _("Nothing is recorded.")),
            Section(
                _("Words of a food-safety lead"),
                self.words,
                WORDS,
                _("None: all rules that are known apply."),
            ),
            Section(_("Archives"), self.archives, WORDS, _("Nothing was archived.")),
            Section(_("Rules that apply"), self.applied, RULES, ""),
        )

    def data_tables(self) -> tuple[Table, ...]:
        counts = frozenset({"leaving", "records"})
        return (
            tables.of_lines("kinds", self.kinds, ("kind", "leaving", "records"), counts),
            tables.of_lines("kept", self.kept, ("because", "seen", "records", "until"), counts),
            tables.of_lines("rules", self.applied, ("named", "where", "long", "clock", "says", "seen")),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise ValidationError for what is no day."""
    _asked(about)


def _asked(about: dict[str, Any]) -> date | None:
    reader = RetentionAskedSerializer(data=about)
    reader.is_valid(raise_exception=True)
    found: date | None = reader.validated_data.get("on")
    return found


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> RetentionReport:
    """Count; call it within one snapshot."""
    found = summary(here, _asked(about) or head["made_at"].date())
    words, archives = tuple(_words(here)), tuple(_archives(here))
    return RetentionReport(
        on=found.on,
        jurisdictions=found.jurisdictions,
        kinds=tuple(map(_kind, found.kinds)),
        kept=tuple(map(_kept, found.kept)),
        applied=tuple(map(_rule, found.rules)),
        words=words,
        archives=archives,
        confirmed_rules=(),
        record_ids=tuple(sorted({key for line in (*words, *archives) for key in line.records})),
        **head,
    )


def _kind(count: KindCount) -> KindLine:
    return KindLine(count.kind.kind, spoken(count.kind._meta.verbose_name), count.leaving, count.records)


def _kept(by: KeptBy) -> KeptLine:
    seen = str(PROVENANCE[by.provenance]) if by.provenance else ""
    return KeptLine(by.because, seen, by.records, by.until.isoformat() if by.until else "")


def _rule(rule: Rule) -> RuleLine:
    return RuleLine(
        named=spoken_name(rule),
        where=spoken(rule.jurisdiction),
        long=_long(rule),
        clock=str(CLOCKS[rule.clock]),
        says=spoken(rule.says),
        seen=str(PROVENANCE[rule.provenance]),
    )


def _long(rule: Rule) -> str:
    if rule.clock == rules.STAYS:
        return ""
    if rule.months is None:
        return _("no number")
    years, months = divmod(rule.months, 12)
    if years and not months:
        return ngettext("%d year", "%d years", years) % years
    return ngettext("%d month", "%d months", rule.months) % rule.months


def _words(here: Establishment) -> Iterator[WordLine]:
    for record in _standing(here, Markets):
        named = ", ".join(spoken(Jurisdiction(each).label) for each in record.jurisdictions)
        yield _word(record, _("Ships to: %(places)s") % {"places": named}, record.because)
    for record in _standing(here, KeptLonger):
        said = _("%(group)s: %(years)d years") % {"group": spoken(record.group), "years": record.years}
        yield _word(record, said, record.because)
    for record in _standing(here, LegalHold):
        said = _("Kept until further notice: %(subject)s") % {"subject": record.subject}
        yield _word(record, said, record.because)


def _archives(here: Establishment) -> Iterator[WordLine]:
    for record in _standing(here, Archive):
        told = {"name": record.file_name, "records": record.records}
        yield _word(record, _("%(name)s: %(records)d records") % told, f"SHA-256 {record.sha256}")


def _word(record: Record, what: str, because: str) -> WordLine:
    return WordLine.of(record, what=what, because=because)


def _standing(here: Establishment, kind: type[Record]) -> Any:
    rows: Any = kind.objects.of(here).standing()
    return rows.select_related(*RecordLine.FROM_RECORD)
