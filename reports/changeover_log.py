"""The changeover log: what followed what on which equipment, how it was cleaned, what showed it, who released it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.models import Equipment
from config.templatetags.moments import local_time
from haccp.allergens import lists
from haccp.changeovers import lines as of_changeovers
from haccp.models import Changeover, ChangeoverRelease, ChangeoverVerification
from ledger.models import Establishment, Record
from reports import kept_sentences, periods, tables
from reports.documents import Column, RecordLine, SignatureLine
from reports.listing import Listing, Section, spoken
from reports.periods import Period
from reports.signed import signatures_on
from reports.tables import Table

TITLE = gettext_lazy("changeover log")
FORMS = tables.FORMS
MOST = 500
"""Changeovers in one document (a site setting, no source): what is missing on each is asked anew, one by one."""


@dataclass(frozen=True, kw_only=True)
class ChangeoverLine(RecordLine):
    """``before`` and ``after``: batch and product. ``missing``: what is not in order about it, by now.

    ``released``: by whom and when; ``fallen``: releases that stand no more, so that what they cleared counts again.
    """

    before: str
    after: str
    equipment: tuple[str, ...]
    procedure: str
    ended_at: datetime | None
    steps: tuple[str, ...]
    cleared: tuple[str, ...]
    shown: tuple[str, ...]
    missing: tuple[str, ...]
    released: tuple[str, ...]
    fallen: tuple[str, ...]

    @property
    def way(self) -> tuple[str, ...]:
        return self.before or "–", f"→ {self.after}", *self.equipment

    @property
    def done(self) -> tuple[str, ...]:
        ended = _("until %s") % local_time(self.ended_at) if self.ended_at else _("nobody noted its end")
        return self.procedure, ended, *self.steps, *self.cleared

    @property
    def end(self) -> tuple[str, ...]:
        return (*(self.released or (_("not released"),)), *self.fallen)


COLUMNS = (
    Column(gettext_lazy("From, to, on"), "way", 5),
    Column(gettext_lazy("How, and what was removed"), "done", 6),
    Column(gettext_lazy("What showed it"), "shown", 5),
    Column(gettext_lazy("Missing or out of order"), "missing", 5),
    Column(gettext_lazy("Release"), "end", 5),
)
HEADS = (
    "before",
    "after",
    "equipment",
    "procedure",
    "ended_at",
    "steps",
    "cleared",
    "shown",
    "missing",
    "released",
    "fallen",
)


@dataclass(frozen=True, kw_only=True)
class ChangeoverLog(Listing):
    kind: ClassVar[str] = "changeover-log"
    shows_limits: ClassVar[bool] = False

    changeovers: tuple[ChangeoverLine, ...]
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        standing = [each for each in self.changeovers if each.replaced is None]
        return (
            (_("Changeovers that stand"), str(len(standing))),
            (_("Released"), str(sum(bool(each.released) for each in standing))),
        )

    def remarks(self) -> tuple[str, ...]:
        return (
            _(
                "Heat clears no allergen. A cleaning clears what its procedure names, for as long as its release stands."
            ),
        )

    def sections(self) -> tuple[Section, ...]:
        nothing = _("No changeover was recorded in this period.")
        return (Section(_("Changeovers"), self.changeovers, COLUMNS, nothing),)

    def data_tables(self) -> tuple[Table, ...]:
        return (tables.of_records("changeovers", self.changeovers, HEADS),)


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable for the period, RuleBroken for too many."""
    periods.refuse_too_many(_found(establishment, periods.asked(about)).count(), MOST)


def _found(here: Establishment, period: Period) -> QuerySet[Changeover]:
    return Changeover.objects.of(here).filter(period.within(here), withdrawn=False)


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> ChangeoverLog:
    """Read the changeovers; call it within one snapshot."""
    period = periods.asked(about)
    rows = _found(here, period).select_related(
        *RecordLine.FROM_RECORD,
        "from_batch__recipe_version__material",
        "to_material",
        "to_recipe_version__material",
        "procedure_version__procedure",
    )
    found = list(rows.order_by("performed_at", "id"))
    read = _Read(here, found)
    lines = tuple(map(read.line, found))
    shown: list[Record] = [*read.verifications, *read.releases]
    keys = {key for line in lines for key in line.records} | {each.pk for each in shown}
    signatures = list(signatures_on(keys))
    return ChangeoverLog(
        period=period,
        changeovers=lines,
        signatures=tuple(SignatureLine.of(each, _("release of a changeover")) for each in signatures),
        confirmed_rules=(),
        record_ids=tuple(sorted(keys | {each.pk for each in signatures})),
        **head,
    )


class _Read:
    """What belongs to the changeovers of a period, read together."""

    def __init__(self, here: Establishment, found: Sequence[Changeover]):
        self.zone, self.words = here.zone, lists.vocabulary(here)
        related = (*RecordLine.FROM_RECORD, "equipment")
        self.verifications = list(
            ChangeoverVerification.objects.filter(changeover__in=found, withdrawn=False)
            .select_related(*related)
            .order_by("performed_at", "id")
        )
        self.releases = list(
            ChangeoverRelease.objects.filter(changeover__in=found, withdrawn=False)
            .select_related(*RecordLine.FROM_RECORD)
            .order_by("performed_at", "id")
        )
        named = {key for each in found for key in each.equipment}
        rows = Equipment.objects.filter(pk__in=named)
        self.equipment = {str(row.pk): f"{row.code} {row.name}" for row in rows}

    def line(self, each: Changeover) -> ChangeoverLine:
        version = each.procedure_version
        return ChangeoverLine.of(
            each,
            before=_before(each),
            after=_after(each),
            equipment=tuple(self.equipment.get(key, key) for key in each.equipment),
            procedure=_("%(code)s %(name)s, version %(number)d")
            % {"code": version.procedure.code, "name": version.procedure.name, "number": version.number},
            ended_at=None if each.ended_at is None else each.ended_at.astimezone(self.zone),
            steps=tuple(map(self._step, each.steps)),
            cleared=tuple(_cleared(each.clearance)),
            shown=tuple(self._shown(each)),
            missing=tuple(kept_sentences.kept(reason.detail) for reason in of_changeovers.shortcomings(each)),
            released=tuple(self._released(each, standing=True)),
            fallen=tuple(_("FALLEN: %s") % word for word in self._released(each, standing=False)),
        )

    def _step(self, step: dict[str, Any]) -> str:
        at = step.get("done_at")
        done = local_time(datetime.fromisoformat(at).astimezone(self.zone)) if at else ""
        return f"{step['step']} {done}".strip()

    def _shown(self, each: Changeover) -> Iterator[str]:
        for one in self.verifications:
            if one.changeover_id == each.pk:
                on = "" if one.equipment is None else one.equipment.code
                gone = "" if getattr(one, "corrected_by", None) is None else _("CORRECTED")
                allergen = lists.spoken(self.words, one.allergen) if one.allergen else ""
                head = (spoken(one.get_method_display()), on, allergen, spoken(one.get_result_display()))
                words = ", ".join(filter(None, (*head, gone)))
                yield f"{words}: {kept_sentences.kept(one.finding.get('sentence', ''))}"

    def _released(self, each: Changeover, *, standing: bool) -> Iterator[str]:
        for one in self.releases:
            later: ChangeoverRelease | None = getattr(one, "corrected_by", None)
            if one.changeover_id == each.pk and standing is (later is None):
                at = local_time(one.performed_at.astimezone(self.zone))
                because = "" if later is None else f" ({kept_sentences.noted(later.reason)})"
                yield f"{one.performed_by.name}, {at}: {self._clears(one.allergens)}{because}"

    def _clears(self, allergens: str | list[str] | None) -> str:
        """``all`` that the procedure clears, or those that are named."""
        if isinstance(allergens, str):
            return _("all that the procedure clears")
        return ", ".join(lists.spoken(self.words, each) for each in allergens or ()) or "–"


def _before(each: Changeover) -> str:
    batch = each.from_batch
    return "" if batch is None else f"{batch.code} {batch.recipe_version.material.name}"


def _after(each: Changeover) -> str:
    material = each.to_material
    if material is None and each.to_recipe_version is not None:
        material = each.to_recipe_version.material
    return "" if material is None else f"{material.code} {material.name}"


def _cleared(clearance: dict[str, Any]) -> Iterator[str]:
    words = {
        "product": _("product removed"),
        "packaging": _("packaging removed"),
        "labels": _("labels removed"),
        "none_issued": _("no labels were handed out"),
    }
    yield from (word for name, word in words.items() if clearance.get(name))
    for count in clearance.get("counts", ()):
        yield _(
            "%(what)s: handed out %(issued)s, used %(used)s, spoiled %(spoiled)s, returned %(returned)s"
        ) % {
            "what": count.get("what", ""),
            **{name: count.get(name, "–") for name in ("issued", "used", "spoiled", "returned")},
        }
