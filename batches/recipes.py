"""Recipes: a draft that changes, and approved versions that never do (decision D18)."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar
from uuid import UUID

from batches import quantities, recipe_documents, reference
from batches.models import Dimension, Material, Recipe, RecipeLine, RecipeReworkSource, RecipeVersion
from batches.recipe_documents import RecipeDocument
from batches.rework_rules import Rules
from config.api.refusals import ChangedMeanwhile, Reason, RuleBroken, Unusable
from ledger import canonical, people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Role

MOST_BYTES = 200_000  # of a draft in its canonical form
MEASURES = {Dimension.MASS: quantities.Dimension.MASS, Dimension.COUNT: quantities.Dimension.PIECES}


@deed
def draft(*, act: Act, code: str, name: str, material: Material, document: dict[str, Any]) -> Recipe:
    """Begin a recipe. A draft may be incomplete or wrong; ``gaps`` says what approval would refuse.

    Raises Unusable (a number that is not text, too large), Unknown, RuleBroken where the code is taken.
    """
    values = {"code": code, "name": name, "material": material, "draft": document}
    return reference.make(act=act, kind=Recipe, values=with_text_only(values))


@deed
def redraft(
    *, act: Act, recipe: Recipe, values: dict[str, Any], expected_version: int | None = None
) -> Recipe:
    """Change the draft, name, code or use of a recipe; approved versions stay as they are.

    Raises Unusable, ChangedMeanwhile, RuleBroken.
    """
    return reference.alter(
        act=act, row=recipe, values=with_text_only(values), expected_version=expected_version
    )


@deed
def approve(
    *, act: Act, recipe: Recipe, proof: signatures.Proof, expected_version: int | None = None
) -> RecipeVersion:
    """Approve the draft as the next version, signed. Raises RuleBroken with every reason at once.

    ``expected_version``: the version of the draft that the signer read. Lines and their amounts are kept
    beside the document, so that a batch can be weighed against them. Approving again supersedes.
    """
    locked = (
        Recipe.objects.select_for_update(of=("self",), no_key=True)
        .select_related("material")
        .get(pk=recipe.pk)
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
    _refuse_other_draft(locked, expected_version)
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "approves recipes")
    lines = _approvable(locked, latest)
    version.insert()
    RecipeLine.objects.bulk_create(_row(version, line, material) for line, material in lines)
    RecipeReworkSource.objects.bulk_create(_sources(version))
    entry = Entry.objects.get(pk=version.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="approved")
    return version


def _refuse_other_draft(recipe: Recipe, expected_version: int | None) -> None:
    if expected_version is not None and recipe.version != expected_version:
        raise ChangedMeanwhile(
            "The draft was changed since you read it. Nothing was approved; read it again."
        )


def _row(version: RecipeVersion, line: recipe_documents.Line, material: Material) -> RecipeLine:
    fixed = line.tolerance.amount
    return RecipeLine(
        version=version,
        position=line.position,
        material=material,
        amount=line.amount.base,
        tolerance_permille=line.tolerance.permille,
        tolerance_amount=None if fixed is None else fixed.base,
    )


def _sources(version: RecipeVersion) -> list[RecipeReworkSource]:
    """Whose rework is allowed, as rows: a code may be given to something else later."""
    rules = document_of(version).rework
    if rules is None:
        return []
    materials, made_by = _named_sources(version.recipe, rules)
    return [
        *(
            RecipeReworkSource(version=version, material=each)
            for each in {materials[n] for n in rules.materials}
        ),
        *(RecipeReworkSource(version=version, recipe=each) for each in {made_by[n] for n in rules.recipes}),
    ]


def _named_sources(recipe: Recipe, rules: Rules) -> tuple[dict[str, Material], dict[str, Recipe]]:
    return _named(Material, recipe, set(rules.materials)), _named(Recipe, recipe, set(rules.recipes))


def latest_version(recipe: Recipe) -> RecipeVersion | None:
    """The version in force: the newest approval."""
    return RecipeVersion.objects.standing().filter(recipe=recipe).order_by("-number").first()


def document_of(version: RecipeVersion) -> RecipeDocument:
    """The approved document as values; it could be read when it was approved."""
    if recipe_documents.NOT_KNOWN in version.document:
        return recipe_documents.nothing_known(version.document)
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
    amounts = scaled([(line.material.dimension, line.amount) for line in lines], planned, size)
    return [Target(line, amount) for line, amount in zip(lines, amounts, strict=True)]


def scaled(lines: Sequence[tuple[str, int]], planned: int, size: int) -> list[int]:
    """(dimension, base steps) of each line for ``planned`` instead of ``size``, in whole base steps.

    What is weighed and what is counted are scaled apart: a milligram left over is no wrapper.
    """
    amounts = [0] * len(lines)
    for dimension in {dimension for dimension, _ in lines}:
        places = [place for place, line in enumerate(lines) if line[0] == dimension]
        parts = quantities.scale([lines[place][1] for place in places], planned, size)
        for place, part in zip(places, parts, strict=True):
            amounts[place] = part
    return amounts


def gaps(recipe: Recipe) -> list[Reason]:
    """Everything that stands between this draft and its approval; empty when nothing does."""
    document = recipe_documents.read(recipe.draft)
    if isinstance(document, list):
        return document
    found = _materials(recipe, document)
    return [*_size_gaps(recipe, document), *_line_gaps(document, found), *_rework_gaps(recipe, document)]


def _approvable(
    recipe: Recipe, latest: RecipeVersion | None
) -> Sequence[tuple[recipe_documents.Line, Material]]:
    reasons = gaps(recipe)
    if not recipe.in_use:
        reasons.append(Reason("not-in-use", f"Recipe {recipe.code} is marked as no longer in use.", "recipe"))
    if latest is not None and latest.document == recipe.draft:
        sentence = f"The draft is the same as version {latest.number}, which is approved."
        reasons.append(Reason("unchanged", sentence, "draft", [str(latest.pk)]))
    if reasons:
        raise RuleBroken(
            f"The recipe cannot be approved: {len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}. "
            "Nothing was written.",
            code="recipe-not-approvable",
            reasons=reasons,
        )
    document = recipe_documents.read(recipe.draft)
    assert isinstance(document, RecipeDocument)
    found = _materials(recipe, document)
    return [(line, found[line.material]) for line in document.lines]


def _materials(recipe: Recipe, document: RecipeDocument) -> dict[str, Material]:
    """The materials of the lines as the lines name them."""
    return _named(Material, recipe, {line.material for line in document.lines})


Named = TypeVar("Named", Material, Recipe)


def _named(kind: type[Named], recipe: Recipe, names: set[str]) -> dict[str, Named]:
    """Rows of the recipe's establishment by how they are named: by code, or by id."""
    here = kind._default_manager.filter(establishment=recipe.establishment_id)
    by_code = {row.code: row for row in here.filter(code__in=names)}
    by_id = {str(row.pk): row for row in here.filter(pk__in=filter(_is_id, names))}
    return by_id | by_code


def _is_id(name: str) -> bool:
    try:
        return str(UUID(name)) == name
    except ValueError:
        return False


def _size_gaps(recipe: Recipe, document: RecipeDocument) -> list[Reason]:
    if document.batch_size.dimension is MEASURES[Dimension(recipe.material.dimension)]:
        return []
    detail = (
        f"The batch size measures something else than {recipe.material.name} ({recipe.material.dimension})."
    )
    return [Reason("other-dimension", detail, "batch_size.unit")]


def _line_gaps(document: RecipeDocument, found: dict[str, Material]) -> list[Reason]:
    reasons = []
    for index, line in enumerate(document.lines):
        material, field = found.get(line.material), f"lines.{index}"
        if material is None:
            detail = f"There is no material {line.material} here."
            reasons.append(Reason("unknown-material", detail, f"{field}.material"))
            continue
        if not material.in_use:
            detail = f"{material.name} is marked as no longer in use."
            reasons.append(Reason("material-not-in-use", detail, f"{field}.material", [str(material.pk)]))
        if line.amount.dimension is not MEASURES[Dimension(material.dimension)]:
            detail = (
                f"{material.name} is kept by {material.dimension}; {line.amount.unit} does not measure that."
            )
            reasons.append(Reason("other-dimension", detail, f"{field}.unit"))
    return reasons


def _rework_gaps(recipe: Recipe, document: RecipeDocument) -> list[Reason]:
    rules = document.rework
    if rules is None:
        return []
    materials, made_by = _named_sources(recipe, rules)
    named = (("material", rules.materials, set(materials)), ("recipe", rules.recipes, set(made_by)))
    return [
        Reason("unknown-source", f"There is no {kind} {name} here.", f"rework.{kind}s.{index}")
        for kind, names, found in named
        for index, name in enumerate(names)
        if name not in found
    ]


def with_text_only(values: dict[str, Any]) -> dict[str, Any]:
    """Numbers in a draft are text, so that no digit is lost. Raises Unusable naming the place."""
    if "draft" not in values:
        return values
    document = values["draft"]
    _refuse_numbers(document, "draft")
    try:
        size = len(canonical.canonical(document))
    except canonical.NotCanonical as error:
        raise Unusable(f"The draft cannot be kept: {error}", field="draft") from error
    if size > MOST_BYTES:
        raise Unusable(
            f"A draft is at most {MOST_BYTES} bytes; this has {size}.", code="too-large", field="draft"
        )
    return values


def _refuse_numbers(value: Any, field: str) -> None:
    if isinstance(value, dict):
        for name, inner in value.items():
            _refuse_numbers(inner, f"{field}.{name}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            _refuse_numbers(inner, f"{field}.{index}")
    elif not isinstance(value, (str, bool)) and value is not None:
        raise Unusable("Send numbers as text.", code="not-text", field=field)
