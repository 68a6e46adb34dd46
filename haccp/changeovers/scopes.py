"""What a cleaning clears: named allergens or all, microbes or not, foreign bodies or not. Pure, no Django."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

ALL = "all"


@dataclass(frozen=True)
class Scope:
    """``allergens``: codes, or None for all of them."""

    allergens: frozenset[str] | None = frozenset()
    microbiological: bool = False
    foreign_bodies: bool = False

    def names(self, allergen: str, groups: Collection[str] = ()) -> bool:
        """Whether it clears an allergen: named itself, or by a group it stands in.

        A member named does not clear its group: what is stated as "tree nuts" may be any of them.
        """
        return self.allergens is None or allergen in self.allergens or not self.allergens.isdisjoint(groups)

    def narrowed(self, allergens: Collection[str] | None) -> "Scope":
        """The same for these allergens only; None leaves it as it is."""
        if allergens is None:
            return self
        wanted = frozenset(allergens)
        kept = wanted if self.allergens is None else wanted & self.allergens
        return Scope(kept, self.microbiological, self.foreign_bodies)

    def to_json(self) -> dict[str, Any]:
        """As a cleaning break keeps it."""
        return {
            "allergens": ALL if self.allergens is None else sorted(self.allergens),
            "microbiological": self.microbiological,
            "foreign-bodies": self.foreign_bodies,
        }

    def words(self) -> str:
        named = "all allergens" if self.allergens is None else ", ".join(sorted(self.allergens))
        parts = [named or "no allergen"]
        parts += ["microbes"] if self.microbiological else []
        parts += ["foreign bodies"] if self.foreign_bodies else []
        return "; ".join(parts)


def from_json(said: Mapping[str, Any]) -> Scope:
    """A scope as a break keeps it; what it does not name it does not clear."""
    allergens = said.get("allergens", [])
    return Scope(
        None if allergens == ALL else frozenset(allergens),
        said.get("microbiological") is True,
        said.get("foreign-bodies") is True,
    )
