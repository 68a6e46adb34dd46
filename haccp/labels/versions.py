"""Labels: a draft that changes, and approved versions that never do (decision D18)."""

from collections.abc import Collection, Iterator
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from batches import recipes, reference
from batches.models import Material, RecipeVersion
from config.api.refusals import ChangedMeanwhile, Reason, RuleBroken
from haccp.allergens import content, lists
from haccp.labels import declaring, documents, recipe_lists
from haccp.labels.declaring import Declared
from haccp.labels.documents import LabelDocument
from haccp.models import Label, LabelVersion
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Attachment, Entry, Role


@deed
def draft(*, act: Act, code: str, name: str, material: Material, document: dict[str, Any]) -> Label:
    """Begin a label. A draft may be incomplete or wrong; ``gaps`` says what approval would refuse.

    Raises Unusable (a number that is not text, too large), Unknown, RuleBroken where the code is taken.
    """
    values = {"code": code, "name": name, "material": material, "draft": document}
    return reference.make(act=act, kind=Label, values=recipes.with_text_only(values))


@deed
def redraft(*, act: Act, label: Label, values: dict[str, Any], expected_version: int | None = None) -> Label:
    """Change the draft, name, code or use of a label; approved versions stay. Raises Unusable, ChangedMeanwhile."""
    return reference.alter(
        act=act, row=label, values=recipes.with_text_only(values), expected_version=expected_version
    )


@deed
def approve(
    *, act: Act, label: Label, proof: signatures.Proof, expected_version: int | None = None
) -> LabelVersion:
    """Approve the draft as the next version, signed. Raises RuleBroken with every reason at once.

    ``expected_version``: the version of the draft that the signer read (ChangedMeanwhile for another). From now on
    an earlier version on a roll is a superseded label.
    """
    locked = (
        Label.objects.select_for_update(of=("self",), no_key=True).select_related("material").get(pk=label.pk)
    )
    latest = latest_version(locked)
    version = LabelVersion.new(
        act,
        label=locked,
        material=locked.material,
        number=latest.number + 1 if latest else 1,
        document=locked.draft,
    )
    version.answer_if_repeated()
    if expected_version is not None and locked.version != expected_version:
        raise ChangedMeanwhile(
            "The draft was changed since you read it. Nothing was approved; read it again."
        )
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "approves labels")
    _refuse_unapprovable(locked, latest)
    version.insert()
    entry = Entry.objects.get(pk=version.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="approved")
    return version


def _refuse_unapprovable(label: Label, latest: LabelVersion | None) -> None:
    reasons = gaps(label)
    if not label.in_use:
        reasons.append(Reason("not-in-use", f"Label {label.code} is marked as no longer in use.", "label"))
    if latest is not None and latest.document == label.draft:
        sentence = f"The draft is the same as version {latest.number}, which is approved."
        reasons.append(Reason("unchanged", sentence, "draft", [str(latest.pk)]))
    if reasons:
        raise RuleBroken(
            f"The label cannot be approved: {len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}. "
            "Nothing was written.",
            code="label-not-approvable",
            reasons=reasons,
        )


# -- what a reader asks -------------------------------------------------------------------------------


def gaps(label: Label) -> list[Reason]:
    """Everything that stands between this draft and its approval; empty when nothing does."""
    read = documents.read(label.draft)
    if isinstance(read, list):
        found = [*read, *_unknown(label, _named_anyway(label.draft))]
    else:
        found = [
            *_unknown(label, documents.codes(read)),
            *_artwork(label, read),
            *_by_its_recipe(label, read),
        ]
    return [replace(reason, field=f"draft.{reason.field}".rstrip(".")) for reason in found]


def document_of(version: LabelVersion) -> LabelDocument:
    """The approved document as values; it could be read when it was approved."""
    found = documents.read(version.document)
    assert isinstance(found, LabelDocument)
    return found


def latest_version(label: Label) -> LabelVersion | None:
    """The newest approval of a label."""
    return LabelVersion.objects.standing().filter(label=label).order_by("-number").first()


def approved(material: Material, before: datetime | None = None) -> QuerySet[LabelVersion]:
    """The newest approved version of each label in use of a product, those approved before a moment; newest first."""
    return _newest(before).filter(material=material)


def _newest(before: datetime | None) -> QuerySet[LabelVersion]:
    rows = LabelVersion.objects.standing()
    if before is not None:
        rows = rows.filter(performed_at__lt=before)
    newer = rows.filter(label=OuterRef("label"), number__gt=OuterRef("number"))
    return (
        rows.filter(~Exists(newer), label__in_use=True)
        .select_related("label", "establishment")
        .order_by("-performed_at", "-id")
    )


def in_force(material: Material, on: date) -> LabelVersion | None:
    """The version of a product's label in force at the end of a local day; the newest where it has several labels."""
    return approved(material, _end_of(material, on)).first()


def all_in_force(material: Material, on: date) -> list[LabelVersion]:
    """Those of every label of the product in use at the end of a local day: it may be packed in several ways."""
    return list(approved(material, _end_of(material, on)))


def all_in_force_of(materials: Collection[Material], on: date) -> dict[UUID, list[LabelVersion]]:
    """The same for many products of one house, by material. One statement."""
    found: dict[UUID, list[LabelVersion]] = {material.pk: [] for material in materials}
    if materials:
        end = _end_of(next(iter(materials)), on)
        for version in _newest(end).filter(material__in=list(found)):
            found[version.material_id].append(version)
    return found


def sold_loose(materials: Collection[UUID]) -> dict[UUID, list[LabelVersion]]:
    """By product that is only sold unpacked: the newest version of each label of it in use. One statement.

    A product with a label for packs as well is not among them: there a packing check says which it is.
    """
    found: dict[UUID, list[LabelVersion]] = {}
    for row in _newest(None).filter(material__in=materials):
        found.setdefault(row.material_id, []).append(row)
    return {
        material: several
        for material, several in found.items()
        if all(each.document.get("unpacked") is True for each in several)
    }


def _end_of(material: Material, day: date) -> datetime:
    return datetime.combine(day + timedelta(days=1), time.min, material.establishment.zone)


# -- what stands in the way of approval ---------------------------------------------------------------


def _unknown(label: Label, named: Iterator[tuple[str, str]]) -> Iterator[Reason]:
    vocabulary = lists.vocabulary(label.establishment)
    for field, code in named:
        yield from vocabulary.unknown([code], field)


def _named_anyway(draft: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """The codes a draft names although it cannot be read whole, so that every reason is told at once."""
    contains, may = draft.get("contains"), draft.get("may_contain")
    for index, code in enumerate(contains if isinstance(contains, list) else []):
        if isinstance(code, str) and code:
            yield f"contains.{index}", code
    for index, each in enumerate(may if isinstance(may, list) else []):
        code = each.get("allergen") if isinstance(each, dict) else None
        if isinstance(code, str) and code:
            yield f"may_contain.{index}.allergen", code


def _by_its_recipe(label: Label, read: LabelDocument) -> Iterator[Reason]:
    version = recipe_lists.version_of(label.material)
    if version is None:
        return
    today = timezone.now().astimezone(label.establishment.zone).date()
    yield from _undeclared(label, read, version, today)
    if not any(each.kind == documents.HONEY for each in read.warnings):
        yield from _honey(version, today)


def _honey(version: RecipeVersion, today: date) -> Iterator[Reason]:
    """A label in another language, or one that leaves it out, does not hide it."""
    named = next(filter(documents.names_honey, recipe_lists.names_in(version, today)), None)
    if named is not None:
        sentence = f"{named} goes in: add the warning {documents.HONEY}, not for children under 12 months."
        yield Reason("honey-without-warning", sentence, "warnings")


def _undeclared(label: Label, read: LabelDocument, version: RecipeVersion, today: date) -> Iterator[Reason]:
    """What its recipe and the statements of today say is contained; that a lot will be held against again."""
    declared = Declared("the label", frozenset(read.contains), frozenset())
    found = content.of_recipe(version, today)
    for reason in declaring.contained(found, [declared], lists.vocabulary(label.establishment)):
        yield replace(reason, field="contains")


def _artwork(label: Label, read: LabelDocument) -> Iterator[Reason]:
    if not read.artwork:
        return
    hung = Attachment.objects.standing().of(label.establishment).filter(sha256=read.artwork)
    if not hung.exists():
        sentence = (
            "No attached file here has this SHA-256. Attach the artwork to a record of this label first."
        )
        yield Reason("artwork-not-attached", sentence, "artwork.sha256")
