"""Verifications after a changeover: kept as entered, judged at once."""

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from batches import quantities, recipes
from batches.locks import lock_material
from batches.models import Equipment
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.allergens import lists
from haccp.changeovers import falls, findings, lines, procedures
from haccp.changeovers.procedure_documents import CLEANLINESS
from haccp.models import Changeover, ChangeoverVerification, ShownBy
from ledger.acts import Act
from ledger.deeds import deed


@deed
def record(
    *,
    act: Act,
    changeover: Changeover,
    method: str,
    said: Mapping[str, Any],
    allergen: str = "",
    equipment: Equipment | None = None,
) -> ChangeoverVerification:
    """Keep what was looked at or measured, and judge it (``findings``). ``equipment`` None: all that was changed over.

    Something outside, found after the release, lets that release fall. Raises Unusable, Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    if changeover.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no changeover {changeover.pk} here.", field="changeover")
    made = ChangeoverVerification.new(
        act,
        changeover=changeover,
        equipment=equipment,
        method=method,
        allergen=allergen,
        said={name: value for name, value in said.items() if value not in (None, "")},
    )
    made.answer_if_repeated()
    _refuse_unusable(made)
    procedure = procedures.document_of(changeover.procedure_version)
    found = findings.find(method, allergen, made.said, procedure, batch_kg(changeover))
    made.level, made.result, made.finding = dict(found.level), found.result.value, found.to_json()
    made.insert()
    falls.after_verification(act, made)
    return made


@deed
def withdraw(*, act: Act) -> ChangeoverVerification:
    """Say that the verification ``act.corrects`` never happened; a release that rests on it falls.

    Raises Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    made = ChangeoverVerification.withdrawal(replace(act, withdraws=True))
    made.answer_if_repeated()
    made.insert()
    falls.after_verification(act, made)
    return made


def batch_kg(changeover: Changeover) -> Decimal | None:
    """How much the next batch makes by its recipe; None where the recipe is not named or counts pieces."""
    if changeover.to_recipe_version is None:
        return None
    size = recipes.document_of(changeover.to_recipe_version).batch_size
    return quantities.to_unit(size.base, "KGM") if size.dimension is quantities.Dimension.MASS else None


def _refuse_unusable(made: ChangeoverVerification) -> None:
    if made.method not in ShownBy.values:
        raise Unusable(
            f"A method is one of: {', '.join(ShownBy.values)}.", code="unknown-name", field="method"
        )
    if made.equipment is not None and str(made.equipment.pk) not in made.changeover.equipment:
        raise Unknown(f"{made.equipment} was not changed over then.", field="equipment")
    _refuse_wrong_allergen(made)
    corrected: Any = made.corrects
    if corrected is not None and corrected.changeover_id not in lines.line_of(made.changeover):
        raise RuleBroken(
            f"Record {corrected.pk} is about another changeover; withdraw it and enter this one anew.",
            code="corrects-another",
            field="corrects",
        )


def _refuse_wrong_allergen(made: ChangeoverVerification) -> None:
    if made.method in CLEANLINESS and made.allergen:
        sentence = "ATP and total protein show cleanliness; they clear no allergen, so leave it out."
        raise Unusable(sentence, code="cleanliness-clears-no-allergen", field="allergen")
    if made.method in findings.AMOUNTS and not made.allergen:
        raise Unusable("Name the allergen that was looked for.", code="missing", field="allergen")
    if made.allergen:
        lists.vocabulary(made.establishment).refuse_unknown([made.allergen], field="allergen")
