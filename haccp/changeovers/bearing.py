"""What a product bears without a word more: what its labels declare, or its recipe where no label is approved yet."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Protocol

from batches.models import RecipeVersion
from haccp.allergens import content
from haccp.allergens.content import Content
from haccp.labels import versions


class Label(Protocol):
    """An approved version of a label."""

    @property
    def declared(self) -> frozenset[str]: ...

    @property
    def precautionary(self) -> frozenset[str]: ...


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


def borne_by(version: RecipeVersion, on: date) -> Bears:
    """What the product of a recipe declares on a local day."""
    return of(content.of_recipe(version, on), versions.all_in_force(version.material, on))


def of(own: Content, labels: Sequence[Label]) -> Bears:
    """The same of a recipe's content and the labels in use; what not every one of them declares is not declared."""
    if labels:
        codes = frozenset.intersection(*(each.declared | each.precautionary for each in labels))
        return Bears(codes, "its label", own.unknown)
    codes = frozenset((*own.contains, *own.may))
    return Bears(codes, "its recipe, as no label is approved", own.unknown)
