"""The trial on past checks as a document: what was proposed, and what it would have flagged or let pass."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.quantities import UNITS
from config.api.refusals import Unusable
from haccp import doubts, limits, rules, trials
from haccp.models import Check
from haccp.trial_questions import question
from haccp.trials import Changed, PointTrial
from ledger.models import Establishment
from reports import compact, kept_sentences, limit_words, tables
from reports.check_lines import CheckLine
from reports.documents import Column, Document, RecordLine
from reports.listing import spoken
from reports.tables import Table

FORMS = tables.FORMS


@dataclass(frozen=True)
class ChangedLine:
    """One check whose result would have been another: what was read, with what, and what it was held against then.

    ``performed_at`` carries its offset.
    """

    performed_at: Any
    on: str
    read: tuple[str, ...]
    asked: tuple[str, ...]
    was: limits.Result
    would_be: limits.Result
    record: UUID


@dataclass(frozen=True)
class TriedPoint:
    code: str
    name: str
    checks: int
    would_flag: int
    would_pass: int
    counts: tuple[tuple[str, str, int], ...]
    not_judged: tuple[tuple[str, int], ...]
    cautions: tuple[str, ...]
    flagged: tuple[ChangedLine, ...]
    passed: tuple[ChangedLine, ...]

    @property
    def not_listed(self) -> int:
        """How many changed checks are counted above but not named."""
        return self.would_flag + self.would_pass - len(self.flagged) - len(self.passed)


COLUMNS = (
    Column(gettext_lazy("When"), "performed_at", 3),
    Column(gettext_lazy("Batch or lot"), "on", 3),
    Column(gettext_lazy("Read, as entered"), "read", 4),
    Column(gettext_lazy("Must be (set by)"), "asked", 4),
    Column(gettext_lazy("Result then"), "was", 3),
    Column(gettext_lazy("By the proposal"), "would_be", 3),
    Column(gettext_lazy("Record"), "record", 2, mono=True),
)


@dataclass(frozen=True, kw_only=True)
class TrialReport(Document):
    """``proposal``: what was tried, in words. ``record_ids``: every check named, for the evidence that goes along."""

    kind: ClassVar[str] = "trial"
    template: ClassVar[str] = "reports/trial.html"
    marks_late: ClassVar[bool] = True
    columns: ClassVar[tuple[Column, ...]] = COLUMNS

    quantity: str
    proposal: tuple[str, ...]
    first_day: date
    last_day: date
    points: tuple[TriedPoint, ...]
    note: str
    record_ids: tuple[UUID, ...]

    def data_tables(self) -> tuple[Table, ...]:
        heads = ("performed_at", "on", "read", "asked", "was", "would_be", "record")
        changed = [
            (point.code, *(tables.text(getattr(line, head)) for head in heads))
            for point in self.points
            for line in (*point.flagged, *point.passed)
        ]
        counts = [
            (point.code, was, now, str(count)) for point in self.points for was, now, count in point.counts
        ]
        return (
            Table("changed", ("point", *heads), changed),
            Table("counts", ("point", "was", "would_be", "checks"), counts, frozenset(["checks"])),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable, Unknown where such a trial cannot be made: all that can be seen before a worker begins."""
    if not about:
        raise Unusable("Say what to try.", code="missing", field="trial")
    question(establishment, about)


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> TrialReport:
    """Run the trial and write it down; call it within one snapshot."""
    trial = question(here, about).answer(here)
    lines = _lines_of(trial.points)
    points = tuple(_point(each, lines) for each in trial.points)
    named = {line.record for point in points for line in (*point.flagged, *point.passed)}
    return TrialReport(
        quantity=trial.proposal.quantity,
        proposal=tuple(_words(trial.proposal)),
        first_day=trial.first_day,
        last_day=trial.last_day,
        points=points,
        note=spoken(trials.NOTE),
        record_ids=tuple(sorted(named)),
        confirmed_rules=tuple(
            map(
                limit_words.of_rule,
                rules.confirmed(here, trial.proposal.quantity, trial.first_day, trial.last_day),
            )
        ),
        **head,
    )


def _words(proposal: trials.Proposal) -> Iterable[str]:
    if proposal.limit is not None:
        yield _("Limit of %(quantity)s: %(must)s") % {
            "quantity": kept_sentences.quantity(proposal.limit.quantity),
            "must": limit_words.must(limits.in_force(proposal.limit)),
        }
    if proposal.rule is not None:
        bounds = (
            f"{spoken(name)} {value}"
            for name in ("lower", "upper")
            if (value := getattr(proposal.rule, name)) is not None
        )
        yield _("Local rule: %(bounds)s %(unit)s (%(citation)s)") % {
            "bounds": ", ".join(bounds), "unit": UNITS[proposal.rule.unit].symbol, "citation": proposal.rule.citation,
        }  # fmt: skip
    if proposal.guard is not None:
        yield _("Guard band: %s") % spoken(proposal.guard)
    if proposal.points:
        yield _("Control points: %s") % ", ".join(proposal.points)


def _lines_of(points: Iterable[PointTrial]) -> dict[UUID, CheckLine]:
    """What was read of each check that is named."""
    keys = [changed.check for point in points for changed in (*point.flagged, *point.passed)]
    rows = Check.objects.filter(pk__in=keys).select_related(
        *RecordLine.FROM_RECORD, "control_point", "part", "instrument", "batch__state", "sheet"
    )
    rows = rows.prefetch_related("series_uses__series__corrected_by", "series_uses__series__instrument")
    found = list(rows)
    in_doubt = doubts.doubted(found)
    return {each.pk: CheckLine.of_check(each, each.pk in in_doubt) for each in found}


def _point(point: PointTrial, lines: dict[UUID, CheckLine]) -> TriedPoint:
    return TriedPoint(
        code=point.code,
        name=point.name,
        checks=point.checks,
        would_flag=point.would_flag,
        would_pass=point.would_pass,
        counts=tuple((was.value, now.value, count) for (was, now), count in sorted(point.counts.items())),
        not_judged=tuple(sorted((spoken(why), count) for why, count in point.not_judged.items())),
        cautions=tuple(map(spoken, point.cautions)),
        flagged=tuple(_line(each, lines[each.check]) for each in point.flagged),
        passed=tuple(_line(each, lines[each.check]) for each in point.passed),
    )


def _line(changed: Changed, line: CheckLine) -> ChangedLine:
    return ChangedLine(
        changed.performed_at,
        changed.on,
        (*line.read, *compact.marks(line)),
        line.asked,
        changed.was,
        changed.would_be,
        changed.check,
    )
