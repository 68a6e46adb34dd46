"""Which parts of the work are asked of an establishment as of a day, and on whose word others are not; no claim of any kind."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from haccp.compliance import known, profile
from haccp.compliance.profile import Ground, Profile, Standing
from haccp.models import ComplianceRelief
from ledger.models import Attachment, Establishment
from reports import tables
from reports.api.compliance_profiles import ProfileAskedSerializer
from reports.documents import Column, RecordLine, SignatureLine
from reports.listing import Listing, Section, spoken
from reports.signed import signatures_on
from reports.tables import Table

TITLE = gettext_lazy("which parts are asked of this establishment")
FORMS = tables.FORMS
BY_PROFILE = gettext_lazy("the establishment's profile")


@dataclass(frozen=True)
class PartLine:
    """``is_kept``: no relief may ease it. ``grounds``: on what it is eased; ``until_day``: the first day that none of them holds,
    None where one has no end."""

    code: str
    name: str
    asks: str
    is_kept: bool
    is_eased: bool
    eased: str
    grounds: tuple[str, ...]
    until_day: date | None
    requirements: tuple[str, ...]

    @property
    def state(self) -> str:
        return _("eased") if self.is_eased else _("asked")

    @property
    def why(self) -> tuple[str, ...]:
        if self.is_eased:
            return self.eased, *self.grounds
        return (_("No relief eases it."),) if self.is_kept else ()


PARTS = (
    Column(gettext_lazy("Part"), "name", 4),
    Column(gettext_lazy("What is asked"), "asks", 8),
    Column(gettext_lazy("On that day"), "state", 2),
    Column(gettext_lazy("What is different, and on what grounds"), "why", 7),
)


@dataclass(frozen=True, kw_only=True)
class ReliefLine(RecordLine):
    """``scans``: name and SHA-256 of what hangs on the record."""

    relief: str
    law: str
    source: str
    provenance: str
    basis: str
    evidence: str
    from_day: date
    until_day: date
    scans: tuple[str, ...]

    @property
    def shown_by(self) -> tuple[str, ...]:
        return self.evidence, *self.scans

    @property
    def read_as(self) -> tuple[str, ...]:
        return self.law, f"{self.source} [{self.provenance}]"


RELIEFS = (
    Column(gettext_lazy("Relief"), "read_as", 5),
    Column(gettext_lazy("Basis"), "basis", 5),
    Column(gettext_lazy("Shown by"), "shown_by", 5),
    Column(gettext_lazy("From"), "from_day", 2),
    Column(gettext_lazy("Until, not included"), "until_day", 2),
)


@dataclass(frozen=True)
class OwnLine:
    """What the establishment's profile says, and who noted it. ``record``: of that change."""

    name: str
    basis: str
    by: str
    from_day: date | None
    until_day: date | None
    record: UUID | None


OWN = (
    Column(gettext_lazy("Part"), "name", 4),
    Column(gettext_lazy("Reason"), "basis", 6),
    Column(gettext_lazy("Noted by"), "by", 3),
    Column(gettext_lazy("From"), "from_day", 2),
    Column(gettext_lazy("Until, not included"), "until_day", 2),
)


@dataclass(frozen=True)
class LawLine:
    """A relief that the law of this country knows, as far as it is known here. ``recorded``: whether it holds here that day."""

    code: str
    name: str
    for_whom: str
    spares: str
    instead: str
    eases: tuple[str, ...]
    source: str
    provenance: str
    recorded: bool

    @property
    def read_as(self) -> tuple[str, ...]:
        return self.name, f"{self.source} [{self.provenance}]"


LAW = (
    Column(gettext_lazy("Relief"), "read_as", 5),
    Column(gettext_lazy("For whom"), "for_whom", 5),
    Column(gettext_lazy("What law spares"), "spares", 5),
    Column(gettext_lazy("What is asked in turn"), "instead", 5),
    Column(gettext_lazy("Eases here"), "eases", 4),
    Column(gettext_lazy("Recorded"), "recorded", 2),
)


@dataclass(frozen=True, kw_only=True)
class ComplianceProfile(Listing):
    kind: ClassVar[str] = "compliance-profile"
    shows_limits: ClassVar[bool] = False

    on: date
    country: str
    parts: tuple[PartLine, ...]
    reliefs: tuple[ReliefLine, ...]
    own: tuple[OwnLine, ...]
    law: tuple[LawLine, ...]
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        return (
            (_("As it is on"), self.on.isoformat()),
            (_("Country"), self.country),
            (_("Parts asked"), str(sum(not each.is_eased for each in self.parts))),
            (_("Parts eased"), str(sum(each.is_eased for each in self.parts))),
        )

    def remarks(self) -> tuple[str, ...]:
        return spoken(known.DEFERRAL), spoken(known.KEPT)

    def sections(self) -> tuple[Section, ...]:
        return (
            Section(_("Parts"), self.parts, PARTS, ""),
            Section(
                _("Reliefs as recorded"),
                self.reliefs,
                RELIEFS,
                _("No relief is recorded: everything is asked."),
            ),
            Section(
                _("Eased by the establishment's own profile"),
                self.own,
                OWN,
                _("The establishment's profile eases nothing."),
            ),
            Section(
                _("Reliefs of the law of this country, as far as they are known here"),
                self.law,
                LAW,
                _("No relief of this country is known here; its authority may know some."),
            ),
        )

    def data_tables(self) -> tuple[Table, ...]:
        of_parts = (
            "code",
            "name",
            "asks",
            "is_kept",
            "is_eased",
            "eased",
            "grounds",
            "until_day",
            "requirements",
        )
        of_reliefs = ("relief", "source", "provenance", "basis", "evidence", "scans", "from_day", "until_day")
        of_law = (
            "code",
            "name",
            "for_whom",
            "spares",
            "instead",
            "eases",
            "source",
            "provenance",
            "recorded",
        )
        return (
            tables.of_lines("parts", self.parts, of_parts),
            tables.of_records("reliefs", self.reliefs, of_reliefs),
            tables.of_lines("own", self.own, ("name", "basis", "by", "from_day", "until_day", "record")),
            tables.of_lines("law", self.law, of_law),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise ValidationError where the day is none."""
    _day(about)


def _day(about: dict[str, Any]) -> date | None:
    reader = ProfileAskedSerializer(data=about)
    reader.is_valid(raise_exception=True)
    asked: date | None = reader.validated_data.get("on")
    return asked


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> ComplianceProfile:
    """Read the profile as of a day and every relief that was ever recorded; call it within one snapshot."""
    on = _day(about) or head["made_at"].date()
    told = profile.of(here, on)
    rows = ComplianceRelief.objects.of(here).filter(withdrawn=False).select_related(*RecordLine.FROM_RECORD)
    reliefs = tuple(_reliefs(rows.order_by("from_day", "recorded_at", "id")))
    own = tuple(_own(told))
    shown = {key for line in reliefs for key in line.records} | {each.record for each in own if each.record}
    return ComplianceProfile(
        on=on,
        country=here.country,
        parts=tuple(map(_part, told.parts)),
        reliefs=reliefs,
        own=own,
        law=tuple(_law(told)),
        signatures=tuple(_signed(shown)),
        confirmed_rules=(),
        record_ids=tuple(sorted(shown)),
        **head,
    )


def _part(standing: Standing) -> PartLine:
    part, ends = standing.part, [each.until_day for each in standing.grounds]
    return PartLine(
        code=part.code,
        name=spoken(part.name),
        asks=spoken(part.asks),
        is_kept=part.kept,
        is_eased=standing.is_eased,
        eased=spoken(part.eased) if standing.is_eased else "",
        grounds=tuple(map(_named, standing.grounds)),
        until_day=None if None in ends else max(filter(None, ends), default=None),
        requirements=part.requirements,
    )


def _named(ground: Ground) -> str:
    return str(BY_PROFILE) if ground.law is None else spoken(ground.law.name)


def _reliefs(rows: Iterable[ComplianceRelief]) -> Iterator[ReliefLine]:
    found = list(rows)
    scans: dict[UUID, list[str]] = {}
    for each in Attachment.objects.filter(target__in=[row.pk for row in found]).order_by("recorded_at", "id"):
        scans.setdefault(each.target_id, []).append(f"{each.file_name}, SHA-256 {each.sha256}")
    for row in found:
        law = known.relief(row.relief)
        yield ReliefLine.of(
            row,
            relief=row.relief,
            law=spoken(law.name),
            source=spoken(law.source),
            provenance=spoken(law.provenance),
            basis=row.basis,
            evidence=row.evidence,
            from_day=row.from_day,
            until_day=row.until_day,
            scans=tuple(scans.get(row.pk, ())),
        )


def _own(told: Profile) -> Iterator[OwnLine]:
    for standing in told.parts:
        for each in standing.grounds:
            if each.law is None:
                yield OwnLine(
                    name=spoken(standing.part.name),
                    basis=each.basis,
                    by=each.by,
                    from_day=each.from_day,
                    until_day=each.until_day,
                    record=each.record,
                )


def _law(told: Profile) -> Iterator[LawLine]:
    holding = {each.law.code for each in told.reliefs if each.law}
    for law in known.of(told.country):
        yield LawLine(
            code=law.code,
            name=spoken(law.name),
            for_whom=spoken(law.for_whom),
            spares=spoken(law.spares),
            instead=spoken(law.instead),
            eases=tuple(spoken(known.part(code).name) for code in law.eases) or (_("nothing"),),
            source=spoken(law.source),
            provenance=spoken(law.provenance),
            recorded=law.code in holding,
        )


def _signed(shown: Iterable[UUID]) -> Iterator[SignatureLine]:
    rows = signatures_on(list(shown))
    return (SignatureLine.of(each, _("relief")) for each in rows)
