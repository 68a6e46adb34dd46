"""The list of ingredients of an approved recipe version on a day, and a label held against it."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from uuid import UUID

from django.db.models import Exists, OuterRef

from batches import recipes
from batches.models import Dimension, Material, MaterialKind, RecipeLine, RecipeVersion
from haccp.allergens import lists, saying, statements
from haccp.allergens.saying import Says
from haccp.allergens.statements import Stated
from haccp.allergens.vocabulary import Vocabulary
from haccp.labels import ingredient_list, made_of, stated_parts
from haccp.labels.documents import LabelDocument
from haccp.labels.ingredient_list import Difference, IngredientList, Line
from haccp.models import StatedParts

DEEPEST = 20  # levels of recipes within recipes that are looked into: a site setting, no source
NOT_EATEN = frozenset({MaterialKind.PACKAGING, MaterialKind.PROCESSING_AID})


@dataclass(frozen=True)
class OfRecipe:
    """``left_out``: names of packaging, and of processing aids of which no allergen is known."""

    version: RecipeVersion
    on: date
    found: IngredientList
    left_out: tuple[str, ...]

    @property
    def words(self) -> str:
        """One line, each ingredient that the product's name tells of with its percentage."""
        return ingredient_list.in_words(self.found.listed, self.named)

    @property
    def named(self) -> frozenset[str]:
        return ingredient_list.told_by_name(self.found.listed, self.version.material.name)


def of(version: RecipeVersion, on: date) -> OfRecipe:
    """The list by an approved version, as its materials are made or stated on a local day.

    A flat number of statements for each level of recipes within recipes.
    """
    known = _Known.about(version, on)
    itself = frozenset({version.material_id})
    lines = [known.line(line, itself) for line in known.lines[version.pk]]
    eaten = [each for each in lines if each is not None]
    left = (each.material.name for each in known.lines[version.pk] if known.line(each) is None)
    found = ingredient_list.computed(eaten, _left(version))
    return OfRecipe(version, on, found, tuple(sorted(left)))


def names_in(version: RecipeVersion, on: date) -> Iterator[str]:
    """Every name of what goes in, parts included, also where no list can be computed."""
    known = _Known.about(version, on)
    for line in known.lines[version.pk]:
        eaten = known.line(line, frozenset({version.material_id}))
        if eaten is not None:
            yield from _names(eaten)


def _names(line: Line) -> Iterator[str]:
    yield line.name
    for part in line.parts:
        yield from _names(part)


def differences(computed: OfRecipe, label: LabelDocument) -> list[Difference]:
    """What a label prints otherwise than its recipe gives; nothing where the list cannot be computed."""
    if not computed.found.listed:
        return []
    found = computed.found
    return ingredient_list.differences(found.listed, label.ingredients, computed.named, found.thicker)


def version_of(material: Material) -> RecipeVersion | None:
    """The newest approved version of a recipe in use that makes a material."""
    return versions_of([material.pk]).get(material.pk)


def versions_of(materials: Iterable[UUID]) -> dict[UUID, RecipeVersion]:
    """The same of many, by material; one statement."""
    newer = RecipeVersion.objects.filter(recipe=OuterRef("recipe"), number__gt=OuterRef("number"))
    rows = RecipeVersion.objects.standing().filter(
        ~Exists(newer), material__in=set(materials), recipe__in_use=True
    )
    return {row.material_id: row for row in rows.select_related("material").order_by("performed_at", "id")}


@dataclass(frozen=True)
class _Known:
    """Everything the list is made of: lines by version, versions, stated parts and allergens by material."""

    lines: Mapping[UUID, list[RecipeLine]]
    made: Mapping[UUID, RecipeVersion]
    stated: Mapping[UUID, StatedParts]
    allergens: Mapping[UUID, frozenset[str]]
    vocabulary: Vocabulary

    @classmethod
    def about(cls, version: RecipeVersion, on: date) -> "_Known":
        lines: dict[UUID, list[RecipeLine]] = {}
        made: dict[UUID, RecipeVersion] = {}
        level = [version]
        for _ in range(DEEPEST):
            new = _lines_of(each for each in level if each.pk not in lines)
            if not new:
                break
            lines |= new
            materials = {line.material_id for several in new.values() for line in several}
            found = versions_of(materials - made.keys())
            made |= found
            level = list(found.values())
        materials = {line.material_id for several in lines.values() for line in several}
        vocabulary = lists.vocabulary(version.establishment)
        return cls(
            lines,
            made,
            made_of.in_force(materials - made.keys(), on),
            stated_allergens(materials, on, vocabulary),
            vocabulary,
        )

    def line(self, line: RecipeLine, within: frozenset[UUID] = frozenset()) -> Line | None:
        """An input as the list reads it; None for what is not eaten."""
        material = line.material
        allergens = self.words(self.allergens.get(material.pk, frozenset()))
        if material.kind == MaterialKind.PACKAGING or (material.kind in NOT_EATEN and not allergens):
            return None
        parts = self.parts(material, within | {material.pk}) if material.pk not in within else ()
        return Line(material.code, material.name, _mass(line), allergens, parts)

    def parts(self, material: Material, within: frozenset[UUID]) -> tuple[Line, ...]:
        """What it is made of here; else what its supplier states; else nothing is known."""
        version = self.made.get(material.pk)
        if version is not None:
            found = [self.line(line, within) for line in self.lines.get(version.pk, ())]
            return tuple(each for each in found if each is not None)
        stated = self.stated.get(material.pk)
        return (
            () if stated is None else tuple(self.named(each) for each in stated_parts.read(stated.document))
        )

    def named(self, part: Line) -> Line:
        """A stated part with the words of its allergens."""
        return replace(
            part,
            allergens=self.words(part.allergens or {}),
            parts=tuple(self.named(each) for each in part.parts),
        )

    def words(self, codes: Iterable[str]) -> dict[str, str]:
        return {code: self.vocabulary.name(code) for code in sorted(codes)}


def _lines_of(versions: Iterable[RecipeVersion]) -> dict[UUID, list[RecipeLine]]:
    found: dict[UUID, list[RecipeLine]] = {version.pk: [] for version in versions}
    if not found:
        return found
    rows = RecipeLine.objects.filter(version__in=list(found)).select_related("material")
    for line in rows.order_by("version", "position"):
        found[line.version_id].append(line)
    return found


def _left(version: RecipeVersion) -> int | None:
    """What is left of one batch when it is cooked, in mg, where the recipe says a total."""
    cooked_to = recipes.document_of(version).cooked_to
    return None if cooked_to is None or cooked_to.total is None else int(cooked_to.total)


def _mass(line: RecipeLine) -> int | None:
    """In mg; None for pieces whose mass is not known."""
    if line.material.dimension == Dimension.MASS:
        return line.amount
    each = line.material.piece_mass_mg
    return None if each is None else line.amount * each


def stated_allergens(
    materials: Iterable[UUID], on: date, vocabulary: Vocabulary
) -> dict[UUID, frozenset[str]]:
    """What statements in force that day say each material contains, by whichever supplier. One statement of SQL."""
    known: dict[UUID, list[Stated]] = {}
    for each in statements.standing(list(materials)):
        known.setdefault(each.material_id, []).append(each)
    return {material: frozenset(_contained(said, on, vocabulary)) for material, said in known.items()}


def _contained(said: Sequence[Stated], on: date, vocabulary: Vocabulary) -> Iterator[str]:
    """What is exempt by one law and listed by another is told as well."""
    for supplier in {each.supplier_id for each in said}:
        for each in statements.about(said, lot=None, supplier=supplier, day=on):
            for one in saying.kept(each.says):
                exempt = one.says == Says.EXEMPT and vocabulary.asking(one.allergen, one.because, on)
                if one.says == Says.CONTAINS or exempt:
                    yield one.allergen
