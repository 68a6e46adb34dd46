"""What a product bears without a word more: what its labels declare, or its recipe where no label is approved yet."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from batches.models import Material, RecipeVersion
from haccp.allergens import content
from haccp.allergens.content import Content
from haccp.labels import versions


@dataclass(frozen=True)
class Bears:
    """``codes``: contained or precautionary, on every label in use. ``by``: where that is written, in words.

    ``unknown``: what nobody stated of its own ingredients, so that a label may have to name it yet.
    """

    codes: frozenset[str]
    by: str
    unknown: frozenset[str] = frozenset()

    def names(self, allergen: str, groups: Collection[str] = ()) -> bool:
        """Whether it is declared by itself or by a group it stands in."""
        return allergen in self.codes or not self.codes.isdisjoint(groups)


def borne_by(material: Material, recipe_version: RecipeVersion | None, on: date) -> Bears:
    """What a product declares on a local day. Without label and recipe it bears nothing."""
    own = None if recipe_version is None else content.of_recipe(recipe_version, on)
    return of_content(material, own, on)


def of_content(material: Material, own: Content | None, on: date) -> Bears:
    """The same where the content of the recipe is known already."""
    unknown = frozenset() if own is None else own.unknown
    labels = versions.all_in_force(material, on)
    if labels:
        codes = frozenset.intersection(*(each.declared | each.precautionary for each in labels))
        return Bears(codes, "its label", unknown)
    if own is None:
        return Bears(frozenset(), "nothing: it has neither label nor recipe", unknown)
    return Bears(frozenset((*own.contains, *own.may)), "its recipe, as no label is approved", unknown)
