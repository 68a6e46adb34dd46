"""Recipes: a draft that changes, and approved versions that never do (decision D18)."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from batches import quantities, recipe_documents
from batches.models import Dimension, Material, Recipe, RecipeLine, RecipeVersion
from batches.recipe_documents import RecipeDocument
from config.api.refusals import ChangedMeanwhile, NotAllowed, Reason, RuleBroken, Unusable
from ledger import changes, people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Establishment, Role

MEASURES = {Dimension.MASS: quantities.Dimension.MASS, Dimension.COUNT: quantities.Dimension.PIECES}


@deed
def draft(*, act: Act, code: str, name: str, material: Material, document: dict[str, Any]) -> Recipe:
    """Begin a recipe. A draft may be incomplete; it must be readable. Raises Unusable with every reason."""
    _refuse_taken_code(act.establishment, code, but=act.id)
    row = Recipe(
        establishment=act.establishment, code=code, name=name, material=material, draft=_text_only(document)
    )
    return changes.make(act=act, row=row)


@deed
def redraft(
    *, act: Act, recipe: Recipe, values: dict[str, Any], expected_version: int | None = None
) -> Recipe:
    """Change the draft; approved versions stay as they are."""
    if "draft" in values:
        values = values | {"draft": _text_only(values["draft"])}
    return changes.alter(act=act, row=recipe, values=values, expected_version=expected_version)


@deed
def approve(
    *, act: Act, recipe: Recipe, proof: signatures.Proof, expected_version: int | None = None
) -> RecipeVersion:
    """Approve the draft as the next version, signed. Raises RuleBroken with every reason at once.

    Lines and their amounts are kept beside the document, so that a batch can be weighed against them.
    """
    locked = Recipe.objects.select_for_update().get(pk=recipe.pk)
    if expected_version is not None and locked.version != expected_version:
        raise ChangedMeanwhile(
            "The draft was changed since you read it. Nothing was approved; read it again."
        )
    latest = latest_version(locked)
    version = RecipeVersion.new(
        act,
        recipe=locked,
        material=locked.material,
        number=latest.number + 1 if latest else 1,
        document=locked.draft,
    )
    version.answer_if_repeated()
    if Role.FOOD_SAFETY_LEAD not in people.roles_of(act.performed_by, act.establishment, act.local_day):
        raise NotAllowed("A food-safety lead approves recipes.")
    lines = _approvable(locked)
    version.insert()
    RecipeLine.objects.bulk_create(
        RecipeLine(version=version, position=line.position, material=material, amount=line.amount.base,
                   tolerance_permille=line.tolerance_permille)
        for line, material in lines
    )  # fmt: skip
    entry = Entry.objects.get(pk=version.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="approved")
    return version


def latest_version(recipe: Recipe) -> RecipeVersion | None:
    """The version in force: the newest approval."""
    return RecipeVersion.objects.standing().filter(recipe=recipe).order_by("-number").first()


def document_of(version: RecipeVersion) -> RecipeDocument:
    """The approved document as values; it could be read when it was approved."""
    found = recipe_documents.read(version.document)
    assert isinstance(found, RecipeDocument)
    return found


@dataclass(frozen=True)
class Target:
    """What one line asks for in a batch of a given size, in base steps."""

    line: RecipeLine
    amount: int


def targets(version: RecipeVersion, planned: int) -> list[Target]:
    """The lines scaled to a batch of ``planned`` base steps of the product, without drift."""
    lines = list(version.lines.select_related("material").order_by("position"))
    size = document_of(version).batch_size.base
    amounts = quantities.scale([line.amount for line in lines], planned, size)
    return [Target(line, amount) for line, amount in zip(lines, amounts, strict=True)]


def _approvable(recipe: Recipe) -> Sequence[tuple[recipe_documents.Line, Material]]:
    document = recipe_documents.read(recipe.draft)
    if isinstance(document, list):
        raise _refusal(document)
    codes = {line.material for line in document.lines}
    found = {m.code: m for m in Material.objects.filter(establishment=recipe.establishment, code__in=codes)}
    reasons = [*_size_reasons(recipe, document), *_line_reasons(document, found)]
    if reasons:
        raise _refusal(reasons)
    return [(line, found[line.material]) for line in document.lines]


def _size_reasons(recipe: Recipe, document: RecipeDocument) -> list[Reason]:
    if document.batch_size.dimension is MEASURES[Dimension(recipe.material.dimension)]:
        return []
    detail = (
        f"The batch size measures something else than {recipe.material.name} ({recipe.material.dimension})."
    )
    return [Reason("other-dimension", detail, "batch_size.unit")]


def _line_reasons(document: RecipeDocument, found: dict[str, Material]) -> list[Reason]:
    reasons = []
    for index, line in enumerate(document.lines):
        material = found.get(line.material)
        if material is None:
            detail = f"There is no material {line.material} here."
            reasons.append(Reason("unknown-material", detail, f"lines.{index}.material"))
        elif line.amount.dimension is not MEASURES[Dimension(material.dimension)]:
            detail = (
                f"{material.name} is kept by {material.dimension}; {line.amount.unit} does not measure that."
            )
            reasons.append(Reason("other-dimension", detail, f"lines.{index}.unit"))
    return reasons


def _refusal(reasons: Sequence[Reason]) -> RuleBroken:
    return RuleBroken(
        f"The recipe cannot be approved: {len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}. "
        "Nothing was written.",
        code="recipe-not-approvable",
        reasons=reasons,
    )


def _refuse_taken_code(establishment: Establishment, code: str, but: Any) -> None:
    if Recipe.objects.filter(establishment=establishment, code=code).exclude(pk=but).exists():
        raise RuleBroken(f"The code {code} is taken by another recipe.", code="code-taken", field="code")


def _text_only(document: Any) -> Any:
    """Numbers in a document are text, so that no digit is lost. Raises Unusable naming the place."""
    _refuse_numbers(document, "document")
    return document


def _refuse_numbers(value: Any, field: str) -> None:
    if isinstance(value, dict):
        for name, inner in value.items():
            _refuse_numbers(inner, f"{field}.{name}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            _refuse_numbers(inner, f"{field}.{index}")
    elif not isinstance(value, (str, bool)) and value is not None:
        raise Unusable("Send numbers as text.", code="not-text", field=field)
