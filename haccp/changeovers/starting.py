"""What stands on equipment that the next product does not declare: the start gate's question, and the missing step."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property

from batches.models import Equipment, RecipeVersion
from config.api.refusals import Reason
from haccp.allergens import contact, lists
from haccp.allergens.saying import Says
from haccp.allergens.touched import Left
from haccp.allergens.vocabulary import Vocabulary
from haccp.changeovers import bearing, lines, procedures, releasing, scopes
from haccp.changeovers.bearing import Bears
from haccp.changeovers.procedures import Means
from haccp.models import Changeover

MOST_TOLD = 3  # of what a release waits for, in one sentence
LEFT, UNKNOWN, NOT_NAMED = "allergen-left", "allergen-left-unknown", "equipment-not-named"


@dataclass(frozen=True)
class Asked:
    """``refused``: what the product does not declare. ``told``: what nobody stated of what was there before."""

    refused: list[Reason]
    told: list[Reason]


def ask(
    recipe_version: RecipeVersion,
    equipment: Sequence[Equipment],
    at: datetime,
    on: date,
    *,
    but: int | None = None,
) -> Asked:
    """What stands on equipment when a batch begins at a time, on that local day, and is no part of its product.

    Only a released changeover whose scope names the allergen stands between. What is not known is told, never absent.
    ``but``: the batch itself, where it runs already.
    """
    if not equipment:
        return Asked([], list(_not_named(recipe_version)))
    standing = contact.standing_on(equipment, at, but=but)
    if not any(standing.left.values()) and not any(standing.unstated.values()):
        return Asked([], [])
    asking = _Asking(recipe_version, bearing.borne_by(recipe_version, on), at)
    refused = [
        asking.left(each, left)
        for each in equipment
        for code, left in sorted(standing.left[each.pk].items())
        if not asking.declares(code)
    ]
    told = [reason for each in equipment for reason in asking.unknown(each, standing.unstated[each.pk])]
    return Asked(refused, told)


def _not_named(version: RecipeVersion) -> Iterator[Reason]:
    """Where a house has equipment, a batch that names none stands somewhere nobody knows."""
    if Equipment.objects.filter(establishment=version.establishment_id, in_use=True).exists():
        sentence = (
            "No equipment is named, so what was on it before is not known, and what this batch leaves on it neither. Record "
            "what it is made on as soon as it is taken."
        )
        yield Reason(NOT_NAMED, sentence, "equipment")


def of_batch(code: str) -> str:
    """As a refusal names the batch that left something, so that a case's words can be asked for it."""
    return f"of batch {code},"


@dataclass(frozen=True)
class _Asking:
    version: RecipeVersion
    bears: Bears
    at: datetime

    @cached_property
    def vocabulary(self) -> Vocabulary:
        return lists.vocabulary(self.version.establishment)

    @cached_property
    def known(self) -> list[Means]:
        return procedures.means(self.version.establishment)

    def declares(self, code: str) -> bool:
        return self.bears.names(code, self.vocabulary.groups_of(code))

    def left(self, equipment: Equipment, left: Left) -> Reason:
        name, product = self.vocabulary.name(left.allergen), self.version.material.name
        may = "" if left.says == Says.CONTAINS else " possibly"
        planned = "Only its recipe names it: no use of it is recorded. " if left.by_recipe else ""
        sentence = (
            f"{equipment}{may} bears {name} {of_batch(left.batch)} which {product} does not declare (by {self.bears.by}). "
            f"{planned}{self.missing(equipment, left)}"
        )
        return Reason(LEFT, sentence, "equipment", [str(equipment.pk), str(left.batch_uid)])

    def unknown(self, equipment: Equipment, unstated: dict[str, Left]) -> Iterator[Reason]:
        """One reason for each earlier batch, not one for each allergen."""
        by_batch: dict[str, list[Left]] = {}
        for code, left in sorted(unstated.items()):
            if not self.declares(code) and code not in self.bears.unknown:
                by_batch.setdefault(left.batch, []).append(left)
        for batch, lefts in sorted(by_batch.items()):
            words = ", ".join(self.vocabulary.name(each.allergen) for each in lefts)
            sentence = f"{equipment}: nobody stated of batch {batch}, which was on it before, whether it left: {words}."
            yield Reason(UNKNOWN, sentence, "equipment", [str(equipment.pk), str(lefts[0].batch_uid)])

    # -- which step is missing --------------------------------------------------------------------------

    def missing(self, equipment: Equipment, left: Left) -> str:
        if left.until is None or left.until > self.at:
            return f"Batch {left.batch} is on it still: end that batch or free it, then change over."
        since = lines.on_equipment(
            self.version.establishment, [equipment.pk], since=left.until, until=self.at
        )
        last = since[-1] if since else None
        if last is None or last.performed_at < left.until:
            return f"No changeover is on record since. {self.would_clear(equipment, left.allergen)}"
        return self.lacks(last, equipment, left.allergen)

    def lacks(self, changeover: Changeover, equipment: Equipment, allergen: str) -> str:
        used = Means(changeover.procedure_version, procedures.document_of(changeover.procedure_version))
        named = f"It was changed over by {changeover.procedure_version.procedure.code}"
        if not used.clears([allergen], self.vocabulary):
            return f"{named}, which does not clear it. {self.would_clear(equipment, allergen)}"
        release = lines.standing_release(changeover)
        if release is not None:
            if release.performed_at > self.at:
                return f"{named}, and that was released only after this begins."
            scope = scopes.from_json(release.scope)
            if scope.names(allergen, self.vocabulary.groups_of(allergen)):
                return f"{named}, and that was not ended when this begins."
            return f"{named}, released without it: verify it, take that release back, and release anew."
        waits = releasing.missing(changeover)
        if not waits:
            return f"{named}; a supervisor or food-safety lead has to release it yet."
        told = " ".join(reason.detail for reason in waits[:MOST_TOLD])
        more = f" And {len(waits) - MOST_TOLD} more." if len(waits) > MOST_TOLD else ""
        return f"{named}; its release waits for: {told}{more}"

    def would_clear(self, equipment: Equipment, allergen: str) -> str:
        """The quickest approved procedure for it."""
        known = [each for each in self.known if each.procedure.is_for(equipment.kind)]
        good = procedures.that_clear(known, [allergen], self.vocabulary)
        if not good:
            return f"No approved procedure clears it from a {equipment.kind}: have one approved, or make it elsewhere."
        best = good[0]
        return f"Change over by {best.version.procedure.code} ({best.procedure.minutes:f} min), verify and release it."
