"""Hazard plans: a draft that changes, and approved versions that never do (decision D18)."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from typing import Any

from django.db.models import Exists, OuterRef

from batches import reference
from batches.models import Material
from config.api.refusals import ChangedMeanwhile, Reason, RuleBroken, Unknown, Unusable
from haccp import limits, plan_documents, rules
from haccp.compliance import easing, reliefs
from haccp.models import ControlPoint, Plan, PlanProduct, PlanVersion
from haccp.plan_documents import ControlPointSpec, Difference, Gap
from ledger import canonical, people, signatures
from ledger.acts import Act, Moment
from ledger.deeds import deed
from ledger.models import Entry, Establishment, Role


@deed
def draft(*, act: Act, code: str, name: str, document: dict[str, Any]) -> Plan:
    """Begin a plan. A draft may have gaps (``gaps`` tells them); its shape must be right.

    Raises Unusable with every error of shape at once, RuleBroken where the code is taken.
    """
    values = {"code": code, "name": name, "draft": document}
    return reference.make(act=act, kind=Plan, values=_well_shaped(values))


@deed
def redraft(*, act: Act, plan: Plan, values: dict[str, Any], expected_version: int | None = None) -> Plan:
    """Change draft, name, code or use of a plan; approved versions stay as they are.

    Raises Unusable with every error of shape at once, ChangedMeanwhile, RuleBroken.
    """
    return reference.alter(act=act, row=plan, values=_well_shaped(values), expected_version=expected_version)


@deed
def approve(
    *, act: Act, plan: Plan, proof: signatures.Proof, expected_version: int | None = None
) -> PlanVersion:
    """Approve the draft as the next version, signed. Raises RuleBroken with every reason at once.

    ``expected_version``: the version of the draft that the signer read (ChangedMeanwhile for another). Control
    points and products are kept as rows of their own, so that checks and batches point to them.
    """
    locked = Plan.objects.select_for_update(no_key=True).get(pk=plan.pk)
    latest = latest_version(locked)
    version = PlanVersion.new(
        act, plan=locked, number=latest.number + 1 if latest else 1, document=locked.draft
    )
    version.answer_if_repeated()
    _refuse_other_draft(locked, expected_version)
    products = _materials(act.establishment, locked.draft.get("products", []))
    reasons = list(_reasons(act, locked, latest, products))
    if reasons:
        raise RuleBroken(
            f"The plan cannot be approved: {len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}. "
            "Nothing was written.",
            code="plan-not-approvable",
            reasons=reasons,
        )
    version.insert()
    _write_rows(version, products)
    entry = Entry.objects.get(pk=version.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="approved")
    return version


def _write_rows(version: PlanVersion, products: dict[str, Material]) -> None:
    ControlPoint.objects.bulk_create(
        ControlPoint(
            establishment=version.establishment,
            version=version,
            code=point.code,
            name=point.name,
            kind=point.kind,
            document=point.document,
        )
        for point in plan_documents.control_points(version.document)
    )
    PlanProduct.objects.bulk_create(
        PlanProduct(version=version, material=material) for material in products.values()
    )


# -- what a reader asks -------------------------------------------------------------------------------


def gaps(plan: Plan, days: Iterable[date] = ()) -> list[Gap]:
    """Everything the draft lacks against the twelve Codex steps; each says by which relief it is eased on all these days,
    today if none is named."""
    named = list(days) or [Moment.now(plan.establishment).local.date()]
    found = plan_documents.gaps(plan.draft)
    return (
        easing.with_easing(found, plan.draft, reliefs.codes_on(plan.establishment, named)) if found else found
    )


def differences(plan: Plan, *, before: int | None = None, after: int | None = None) -> list[Difference]:
    """What changed between two version numbers: from the newest, to the draft, if not said. Raises Unknown."""
    latest = latest_version(plan)
    if before is None and latest is None:
        raise Unknown(f"Plan {plan.code} has no approved version to compare with.", field="before")
    old = latest if before is None else numbered(plan, before, field="before")
    new = plan.draft if after is None else numbered(plan, after, field="after").document
    assert old is not None
    return plan_documents.differences(old.document, new)


def numbered(plan: Plan, number: int, *, field: str = "number") -> PlanVersion:
    """One approved version by its number. Raises Unknown."""
    found = PlanVersion.objects.standing().filter(plan=plan, number=number).first()
    if found is None:
        raise Unknown(f"Plan {plan.code} has no version {number}.", field=field)
    return found


def latest_version(plan: Plan) -> PlanVersion | None:
    """The newest approval of a plan."""
    return PlanVersion.objects.standing().filter(plan=plan).order_by("-number").first()


def version_in_force(establishment: Establishment, material: Material) -> PlanVersion | None:
    """The newest approved version that covers a product, of a plan in use; superseded versions do not count."""
    newer = PlanVersion.objects.filter(plan=OuterRef("plan"), number__gt=OuterRef("number"))
    covering = PlanVersion.objects.standing().of(establishment).filter(products__material=material)
    return (
        covering.filter(~Exists(newer), plan__in_use=True)
        .select_related("plan")
        .order_by("-recorded_at", "-id")
        .first()
    )


def control_points_of(version: PlanVersion) -> list[ControlPoint]:
    """The control points of an approved version, by code."""
    return list(ControlPoint.objects.filter(version=version).order_by("code"))


def spec(control_point: ControlPoint) -> ControlPointSpec:
    """What a control point asks for."""
    return plan_documents.control_point(control_point.document)


# -- what stands in the way of approval ---------------------------------------------------------------


def _reasons(
    act: Act, plan: Plan, latest: PlanVersion | None, products: dict[str, Material]
) -> Iterator[Reason]:
    if not plan.in_use:
        yield Reason("not-in-use", f"Plan {plan.code} is marked as no longer in use.", "in_use")
    if latest is not None and latest.document == plan.draft:
        sentence = f"The draft is the same as version {latest.number}, which is approved."
        yield Reason("unchanged", sentence, "draft", [str(latest.pk)])
    yield from _approver(act)
    days = [
        act.local_day,
        Moment.now(act.establishment).local.date(),
    ]  # as decisions ask (people.refuse_unless)
    yield from (replace(gap, field=_in_draft(gap.field)) for gap in gaps(plan, days) if not gap.eased_by)
    yield from _products(plan.draft, products)
    yield from _looser(act.establishment, act.local_day, plan.draft)


def _approver(act: Act) -> Iterator[Reason]:
    person = act.performed_by
    if day := people.day_without_role(act, {Role.FOOD_SAFETY_LEAD}):
        sentence = f"{person.name} is no food-safety lead here on {day}; a food-safety lead approves plans."
        yield Reason("not-food-safety-lead", sentence, "performed_by", [str(person.pk)])
    if day := people.day_unqualified(act):
        sentence = f"{person.name} has no qualification that covers hazard plans and holds on {day}."
        yield Reason("not-qualified", sentence, "performed_by", [str(person.pk)])


def _products(document: dict[str, Any], found: dict[str, Material]) -> Iterator[Reason]:
    for index, code in enumerate(document.get("products", [])):
        material = found.get(code)
        if material is None:
            sentence = f"There is no material {code} here."
            yield Reason("unknown-product", sentence, f"draft.products.{index}")
        elif not material.in_use:
            sentence = f"{material.name} is marked as no longer in use."
            yield Reason("product-not-in-use", sentence, f"draft.products.{index}", [str(material.pk)])


def _looser(establishment: Establishment, on: date, document: dict[str, Any]) -> Iterator[Reason]:
    """Where a limit allows what a confirmed rule for its products or materials does not."""
    points = plan_documents.control_points(document)
    here = _materials(
        establishment, [code for point in points for code in (*point.products, *point.materials)]
    )
    for index, point in enumerate(points):
        about = {here[code].pk for code in (*point.products, *point.materials) if code in here}
        in_force = rules.rules_in_force(establishment, on, about)
        for number, said in enumerate(point.limits):
            for reason in _looser_limit(said, in_force):
                field = f"draft.control_points.{index}.limits.{number}.{reason.field}".rstrip(".")
                yield Reason(reason.code, f"{point.code}: {reason.detail}", field, reason.ids)


def _looser_limit(said: dict[str, Any], in_force: list[limits.Rule]) -> list[Reason]:
    try:
        return limits.looser_than(limits.from_json(said), in_force)
    except Unusable:
        return []  # a limit that cannot be read is a gap, told there


def _materials(establishment: Establishment, codes: list[str]) -> dict[str, Material]:
    found = Material.objects.filter(establishment=establishment, code__in=set(codes))
    return {material.code: material for material in found}


def _refuse_other_draft(plan: Plan, expected_version: int | None) -> None:
    if expected_version is not None and plan.version != expected_version:
        raise ChangedMeanwhile(
            "The draft was changed since you read it. Nothing was approved; read it again."
        )


def _well_shaped(values: dict[str, Any]) -> dict[str, Any]:
    """The values as they came, if a draft among them has the shape of a plan. Raises Unusable."""
    if "draft" not in values:
        return values
    wrong = plan_documents.errors(values["draft"])
    if wrong:
        raise Unusable(
            f"The plan cannot be kept: {len(wrong)} {'error' if len(wrong) == 1 else 'errors'} of shape. "
            "Nothing was written.",
            code="plan-shape",
            reasons=[replace(reason, field=_in_draft(reason.field)) for reason in wrong],
        )
    size = len(canonical.canonical(values["draft"]))
    if size > plan_documents.MOST_BYTES:
        raise Unusable(
            f"A plan is at most {plan_documents.MOST_BYTES} bytes; this has {size}.",
            code="too-large",
            field="draft",
        )
    return values


def _in_draft(field: str) -> str:
    return f"draft.{field}".rstrip(".")
