"""The hazard plan as a document: an approved version as it was signed, or a draft, which says so behind every page."""

import re
from calendar import monthrange
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.models import BatchStart, Material
from config.api.refusals import Unknown
from haccp import limits, plan_documents, plans, rules
from haccp.models import Plan, PlanVersion
from ledger.acts import Moment
from ledger.models import Establishment, Qualification, Signature
from reports import limit_words, plan_controls, plan_reading, plan_tables, plan_words, tables
from reports.documents import Column, Document, RecordLine, SignatureLine, written_late
from reports.flow_picture import FlowWords
from reports.listing import spoken
from reports.plan_controls import ControlLine, Local
from reports.plan_reading import Member, NotCritical, Place, Said, Source, Step, Verification

TITLE = gettext_lazy("hazard plan")
FORMS = tables.FORMS
MOST_DIFFERENCES = (
    200  # rows on paper; the rest is counted, and asked for over the API (site setting, no source)
)


@dataclass(frozen=True, kw_only=True)
class VersionLine(RecordLine):
    """An approval. ``changes``: how many places differ from the version before; None for the first."""

    number: int
    changes: int | None


@dataclass(frozen=True)
class Changed:
    """``before`` and ``after``: "–" where it was not there."""

    where: str
    before: str
    after: str


@dataclass(frozen=True)
class Held:
    """A qualification that covered hazard plans on the day of the approval, with its evidence."""

    person: str
    title: str
    issued_by: str
    evidence: str
    valid_from: date
    valid_until: date | None


@dataclass(frozen=True)
class Confirmation:
    by: str
    on: str
    how: str


@dataclass(frozen=True)
class Reanalysis:
    """``due``: the day by the plan's own term from the approval; None where its words name no number of days or years."""

    at_least_every: str
    source: Source | None
    triggers: tuple[str, ...]
    due: date | None


@dataclass(frozen=True)
class Kept:
    """Which records the plan keeps, for how long, and within how many working days they are reviewed."""

    kept: tuple[str, ...]
    retention: str
    review_days: str
    working_days: tuple[str, ...]
    source: Source | None


@dataclass(frozen=True)
class Lacking:
    """What a draft lacks, by the step of the Codex; as the check of plans says it, in English."""

    codex_step: int
    detail: str


@dataclass(frozen=True, kw_only=True)
class HazardPlan(Document):
    """``version``: None for a draft. ``superseded_by``: the number of the newest version where this is an older one.

    ``compared_with``: the version that ``differences`` are from; None where there is none before.
    """

    kind: ClassVar[str] = "hazard-plan"
    template: ClassVar[str] = "reports/hazard_plan.html"
    marks_late: ClassVar[bool] = True
    version_columns: ClassVar[tuple[Column, ...]] = (
        Column(gettext_lazy("Version"), "number", 2),
        Column(gettext_lazy("Places changed"), "changes", 3),
    )

    code: str
    plan_title: str
    scope: str
    version: int | None
    approved_at: datetime | None
    approved_late: datetime | None = None  # when that was written down, if late
    superseded_by: int | None
    in_use: bool
    products: tuple[tuple[str, str], ...]
    team: tuple[Member, ...]
    product_description: Said
    intended_use: Said
    picture: str
    steps: tuple[Step, ...]
    confirmation: Confirmation | None
    scales: tuple[tuple[str, Said], ...]
    places: tuple[Place, ...]
    controls: tuple[ControlLine, ...]
    no_ccp_because: str
    not_critical: tuple[NotCritical, ...]
    recall: Said
    verification: tuple[Verification, ...]
    reanalysis: Reanalysis
    kept: Kept
    plan_cautions: tuple[str, ...]
    notes: tuple[str, ...]
    lacking: tuple[Lacking, ...]
    versions: tuple[VersionLine, ...]
    compared_with: int | None
    differences: tuple[Changed, ...]
    differences_left: int
    qualifications: tuple[Held, ...]
    record_ids: tuple[UUID, ...]

    def data_tables(self) -> tuple[tables.Table, ...]:
        return plan_tables.tables_of(self)

    @property
    def watermark(self) -> str:
        return _("DRAFT") if self.version is None else ""

    @property
    def to_validate(self) -> int:
        """How many limits rest on a number that is to be validated on site."""
        sources = [limit.source for each in self.controls for limit in each.limits]
        return sum(1 for source in sources if source is not None and source.on_site)


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a plan or a version of another establishment."""
    _found(establishment, subject)


def _found(here: Establishment, subject: UUID) -> tuple[Plan, PlanVersion | None]:
    """The plan, and the version that is asked for; None for its draft."""
    version = PlanVersion.objects.standing().of(here).filter(pk=subject).select_related("plan").first()
    if version is not None:
        return version.plan, version
    plan = Plan.objects.filter(establishment=here, pk=subject).first()
    if plan is None:
        raise Unknown(f"There is no plan and no version of one {subject} here.", field="subject")
    return plan, None


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> HazardPlan:
    """Read a version, or a draft, with the local rules of the day it is printed; call it within one snapshot."""
    plan, version = _found(here, subject)
    document = plan.draft if version is None else version.document
    versions = list(
        PlanVersion.objects.standing()
        .filter(plan=plan)
        .select_related(*RecordLine.FROM_RECORD)
        .order_by("number")
    )
    signatures = _signatures(versions)
    held = _qualifications(here, [each for each in signatures if version and each.target_id == version.pk])
    earlier = [each for each in versions if version is None or each.number < version.number]
    changed = plan_documents.differences(earlier[-1].document, document) if earlier else []
    return HazardPlan(
        code=plan.code,
        plan_title=document.get("title", plan.name),
        scope=document.get("scope", ""),
        version=None if version is None else version.number,
        approved_at=None if version is None else _at(version),
        approved_late=None if version is None else written_late(version),
        superseded_by=_superseded_by(version, versions),
        in_use=plan.in_use,
        **_plain_parts(document),
        **_parts_of_the_house(here, document, _first_batch(plan), head["made_at"].date()),
        reanalysis=_reanalysis(document.get("reanalysis", {}), version),
        lacking=()
        if version
        else tuple(Lacking(gap.codex_step, spoken(gap.detail)) for gap in plans.gaps(plan)),
        versions=tuple(_version_lines(versions)),
        compared_with=earlier[-1].number if earlier else None,
        differences=tuple(map(_changed, changed[:MOST_DIFFERENCES])),
        differences_left=max(0, len(changed) - MOST_DIFFERENCES),
        qualifications=tuple(_held(each) for each in held),
        signatures=tuple(
            SignatureLine.of(each, _("hazard plan, version %d") % number)
            for each, number in _of_versions(signatures, versions)
        ),
        record_ids=tuple(sorted(each.pk for each in (*versions, *signatures, *held))),
        **head,
    )


def _at(version: PlanVersion) -> datetime:
    return Moment(version.performed_at, version.performed_offset).local


def _superseded_by(version: PlanVersion | None, versions: Sequence[PlanVersion]) -> int | None:
    newest = versions[-1].number if versions else None
    return newest if version is not None and newest != version.number else None


def _plain_parts(document: Mapping[str, Any]) -> dict[str, Any]:
    """What the plan says by itself, whoever's it is."""
    scales = document.get("scales", {})
    words = (("likelihood", _("Likelihood")), ("severity", _("Severity")))
    return {
        "team": plan_reading.team(document),
        "product_description": plan_words.said(plan_words.PRODUCT, document.get("product_description", {})),
        "intended_use": plan_words.said(plan_words.USE, document.get("intended_use", {})),
        "picture": plan_reading.picture(document, _flow_words(document)),
        "steps": plan_reading.steps(document),
        "confirmation": _confirmation(document.get("flow_confirmation", {})),
        "scales": tuple((word, tuple(scales[name].items())) for name, word in words if scales.get(name)),
        "places": plan_reading.places(document),
        "no_ccp_because": document.get("no_ccp_because", ""),
        "not_critical": plan_reading.not_critical(document),
        "recall": plan_words.said(plan_words.RECALL, document.get("recall_plan", {})),
        "verification": plan_reading.verifications(document.get("verification", ())),
        "kept": _kept(document.get("records", {})),
        "plan_cautions": tuple(document.get("cautions", ())),
        "notes": tuple(document.get("notes", ())),
    }


def _parts_of_the_house(
    here: Establishment, document: Mapping[str, Any], first_batch: date | None, today: date
) -> dict[str, Any]:
    """What depends on the house: its materials and local rules, of the day it is printed."""
    specs = plan_documents.control_points(document)
    codes = {code for spec in specs for code in (*spec.products, *spec.materials)}
    codes |= set(document.get("products", ()))
    rows = Material.objects.filter(establishment=here, code__in=codes)
    local = Local(rules.confirmed_on(here, today), {each.code: each for each in rows})
    about = {pk for spec in specs for pk in local.about(spec)}
    spoken_of = plan_controls.quantities(document)
    names = {code: each.name for code, each in local.materials.items()}
    return {
        "products": tuple((code, names.get(code, "")) for code in document.get("products", ())),
        "controls": plan_controls.controls(document, local, first_batch),
        "confirmed_rules": tuple(
            limit_words.of_rule(rule)
            for rule in local.confirmed
            if (rule.material_id is None or rule.material_id in about)
            and any(limits.same_quantity(rule.quantity, each) for each in spoken_of)
        ),
        "unconfirmed_rules": tuple(
            map(limit_words.of_rule, rules.awaiting(here, today, spoken_of, list(about)))
        ),
    }


def _flow_words(document: Mapping[str, Any]) -> FlowWords:
    """The flow in words, step by step, as it is told to who cannot see the picture."""
    told = [
        _("%(code)s, %(name)s: goes on to %(to)s")
        % {"code": each["code"], "name": each.get("name", ""), "to": ", ".join(each["to"])}
        if each.get("to")
        else _("%(code)s, %(name)s: the end") % {"code": each["code"], "name": each.get("name", "")}
        for each in document.get("steps", ())
    ]
    materials = document.get("materials", ())
    return FlowWords(
        told=_("Flow diagram") + ". " + "; ".join(told) + ".",
        comes_in=_("Comes in") if materials else "",
        material_codes=", ".join(each["code"] for each in materials),
        returns=_("returns, or is done again"),
        critical=_("step with a critical control point"),
    )


def _confirmation(said: Mapping[str, Any]) -> Confirmation | None:
    if not said:
        return None
    return Confirmation(said.get("confirmed_by", ""), said.get("confirmed_on", ""), said.get("how", ""))


def _kept(said: Mapping[str, Any]) -> Kept:
    review = said.get("review", {})
    days = review.get("working_days", ()) if review else ()
    return Kept(
        kept=tuple(said.get("kept", ())),
        retention=said.get("retention", ""),
        review_days=review.get("within_working_days", ""),
        working_days=tuple(str(plan_words.WEEK[day]) for day in days),
        source=plan_reading.source(review.get("source", {})),
    )


# -- when it is due again --------------------------------------------------------------------------------

TERM = re.compile(r"(\d{1,3}) (day|week|month|year)s?")
LATEST = 8000  # a year from which every such term still ends on a day that a calendar has


def _reanalysis(said: Mapping[str, Any], version: PlanVersion | None) -> Reanalysis:
    every = said.get("at_least_every", "")
    begun = None if version is None else _at(version).date()
    return Reanalysis(
        at_least_every=every,
        source=plan_reading.source(said.get("source", {})),
        triggers=tuple(said.get("triggers", ())),
        due=None if begun is None else due_after(begun, every),
    )


def due_after(begun: date, term: str) -> date | None:
    """The day a term in words ends ("3 years", "90 days"); None where it names no such term.

    A month or a year that lacks the day ends on the last day it has: 29 February 2024 and a year is 28 February 2025.
    """
    found = TERM.fullmatch(term.strip().casefold())
    if found is None or begun.year > LATEST:
        return None
    number, unit = int(found[1]), found[2]
    if unit in ("day", "week"):
        return begun + timedelta(days=number * (7 if unit == "week" else 1))
    months = begun.year * 12 + begun.month - 1 + number * (12 if unit == "year" else 1)
    year, month = months // 12, months % 12 + 1
    return date(year, month, min(begun.day, monthrange(year, month)[1]))


def _first_batch(plan: Plan) -> date | None:
    """The local day on which the first batch began under any version of this plan; None where none did."""
    versions = PlanVersion.objects.filter(plan=plan)
    starts = BatchStart.objects.standing().filter(batch__plan_version_id__in=versions.values("pk"))
    first = starts.order_by("performed_at").select_related("establishment").first()
    return None if first is None else first.performed_at.astimezone(first.establishment.zone).date()


# -- versions and who approved ---------------------------------------------------------------------------


def _version_lines(versions: Sequence[PlanVersion]) -> Any:
    before: Mapping[str, Any] | None = None
    for each in versions:
        changes = None if before is None else len(plan_documents.differences(before, each.document))
        yield VersionLine.of(each, number=each.number, changes=changes)
        before = each.document


def _changed(found: plan_documents.Difference) -> Changed:
    return Changed(
        plan_words.path(found.path), *(plan_words.told(each) for each in (found.before, found.after))
    )


def _signatures(versions: Sequence[PlanVersion]) -> list[Signature]:
    rows = Signature.objects.standing().filter(target__in=[each.pk for each in versions])
    return list(rows.select_related("establishment").order_by("performed_at", "id"))


def _of_versions(
    signatures: Sequence[Signature], versions: Sequence[PlanVersion]
) -> list[tuple[Signature, int]]:
    numbers = {each.pk: each.number for each in versions}
    return [(each, numbers[each.target_id]) for each in signatures]


def _qualifications(here: Establishment, signatures: Sequence[Signature]) -> list[Qualification]:
    """Those that covered hazard plans, of each signer, on the day they signed."""
    asked = Q(pk__in=())
    for each in signatures:
        day = each.performed_at.astimezone(here.zone).date()
        still = Q(valid_until__isnull=True) | Q(valid_until__gt=day)
        asked |= Q(person=each.performed_by_id, valid_from__lte=day) & still
    rows = Qualification.objects.standing().of(here).filter(asked, covers_plans=True)
    return list(rows.select_related("person").order_by("person__name", "valid_from", "id"))


def _held(each: Qualification) -> Held:
    return Held(
        each.person.name, each.title, each.issued_by, each.evidence, each.valid_from, each.valid_until
    )
