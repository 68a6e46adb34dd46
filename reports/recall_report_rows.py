"""The rows of the report of a recall or exercise, and the columns they stand in."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy

from reports import tables
from reports.documents import Column, RecordLine
from reports.tables import Table

if TYPE_CHECKING:
    from reports.recall_report import RecallReport


@dataclass(frozen=True, kw_only=True)
class StrategyLine(RecordLine):
    recall_class: str
    depth: str
    level: str
    because: str


@dataclass(frozen=True, kw_only=True)
class ScopeLine(RecordLine):
    """A scope as it was frozen. The seal covers all that was read for it."""

    number: int
    holds: str
    seal_number: int
    seal_hash: str

    @property
    def seal(self) -> tuple[str, ...]:
        return str(self.seal_number), self.seal_hash


@dataclass(frozen=True)
class ScopeLot:
    """A lot of the scope, as it stood when that was frozen. ``found``: per cent of what came that is accounted for."""

    code: str
    material: str
    best_before: str
    marks: tuple[str, ...]
    came: str
    there: tuple[str, ...]
    found: Decimal | None


@dataclass(frozen=True, kw_only=True)
class LetGoLine(RecordLine):
    lot: str
    scope: int
    because: str


@dataclass(frozen=True)
class ConsigneeLine:
    """Who got some of it. ``said``: what they told last; ``gaps``: what is missing of them."""

    name: str
    got: tuple[str, ...]
    told: tuple[str, ...]
    answered: datetime | None
    said: tuple[str, ...]


@dataclass(frozen=True)
class OutletLine:
    """Where buyers got some whom nobody names. ``with_buyers``: the most that they may have."""

    name: str
    got: tuple[str, ...]
    back: tuple[str, ...]
    with_buyers: tuple[str, ...]
    days: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class NoticeLine(RecordLine):
    to: str
    means: str
    subject: str
    left: str


@dataclass(frozen=True, kw_only=True)
class AnswerLine(RecordLine):
    who: str
    means: str
    said: tuple[str, ...]


@dataclass(frozen=True)
class Recovered:
    """By dimension: what was shipped, and what of it came back here or is said to be destroyed."""

    shipped: str
    recovered: str
    percent: Decimal


STRATEGIES = (
    Column(gettext_lazy("Class"), "recall_class", 4),
    Column(gettext_lazy("Depth"), "depth", 3),
    Column(gettext_lazy("Effectiveness level"), "level", 3),
    Column(gettext_lazy("Because"), "because", 4),
)
SCOPES = (
    Column(gettext_lazy("Scope"), "number", 2),
    Column(gettext_lazy("Holds"), "holds", 3),
    Column(gettext_lazy("Covered by seal"), "seal", 7, mono=True),
)
LOTS = (
    Column(gettext_lazy("Lot"), "code", 3, mono=True),
    Column(gettext_lazy("Product or material"), "material", 4),
    Column(gettext_lazy("Best before"), "best_before", 3),
    Column(gettext_lazy("Came"), "came", 2),
    Column(gettext_lazy("Accounted for"), "there", 4),
    Column(gettext_lazy("% found"), "found", 2),
    Column(gettext_lazy("Marks"), "marks", 3),
)
LET_GO = (
    Column(gettext_lazy("Lot"), "lot", 2, mono=True),
    Column(gettext_lazy("Scope"), "scope", 2),
    Column(gettext_lazy("Because"), "because", 6),
)
OUTLETS = (
    Column(gettext_lazy("Outlet"), "name", 3),
    Column(gettext_lazy("Went there"), "got", 3),
    Column(gettext_lazy("Came back or destroyed"), "back", 3),
    Column(gettext_lazy("With buyers, at most"), "with_buyers", 3),
    Column(gettext_lazy("Where and when"), "days", 4),
)
CONSIGNEES = (
    Column(gettext_lazy("Consignee"), "name", 3),
    Column(gettext_lazy("Got, by our records"), "got", 4),
    Column(gettext_lazy("Told"), "told", 3),
    Column(gettext_lazy("Answered"), "answered", 2),
    Column(gettext_lazy("They say"), "said", 4),
)
NOTICES = (
    Column(gettext_lazy("To"), "to", 3),
    Column(gettext_lazy("How"), "means", 2),
    Column(gettext_lazy("Subject"), "subject", 5),
    Column(gettext_lazy("E-mail left"), "left", 2),
)
ANSWERS = (
    Column(gettext_lazy("Who"), "who", 3),
    Column(gettext_lazy("How"), "means", 2),
    Column(gettext_lazy("What they say"), "said", 6),
)


def tables_of(report: "RecallReport") -> tuple[Table, ...]:
    """For spreadsheets and programs: who got some of it first, then lots, outlets, and what was told and answered."""
    who = ("name", "got", "told", "answered", "said")
    lots = ("code", "material", "best_before", "came", "there", "found", "marks")
    return (
        tables.of_lines("consignees", (*report.consignees, *report.others), who),
        tables.of_lines("lots", report.lots, lots),
        tables.of_lines("outlets", report.outlets, ("name", "got", "back", "with_buyers", "days")),
        tables.of_records("notices", report.notices, ("to", "means", "subject", "left")),
        tables.of_records("answers", report.answers, ("who", "means", "said")),
        tables.of_records("let go", report.let_go, ("lot", "scope", "because")),
        tables.of_records("scopes", report.scopes, ("number", "holds", "seal_number", "seal_hash")),
    )
