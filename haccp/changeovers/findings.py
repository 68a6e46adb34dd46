"""What a verification after a changeover comes to: within, outside or undecided, with the sentence. Pure, no Django.

``said`` holds what was entered, as text. A look: {"outcome": "clean" | "not-clean"}. ATP and total protein: {"value",
"unit"}. A swab: {"value", "unit", "detection_limit", "wiped_cm2", "contact_cm2", "first_product_kg", "counts",
"validated_for"}; rinse water the same with "tested_ml" and "rinse_ml" in place of the areas. "validated_for": {"food",
"evidence"}, in which food the method was shown to find it and where that is written; absent where it was not. A value
is a mass of protein on what was wiped, or in what was tested; "< 2.5" lies below what the method finds and is taken at
that. Everything on the whole surface, or in all the rinse water, is taken to go into the first product, and never into
the whole batch.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from batches.quantities import Dimension, known_unit, parse_number, plain_text
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable
from haccp import figures, limits, readings
from haccp.bounds import InForce, in_force
from haccp.changeovers.procedure_documents import CLEANLINESS, LONGEST, Asked, Dose, Procedure
from haccp.limit_kinds import ResidueLimit
from haccp.limits import Result
from haccp.readings import Reading
from haccp.science.residues import MG_PER_KG, action_level

CLEAN, NOT_CLEAN = "clean", "not-clean"
COUNTS = ("protein", "food", "other")
"""What a value counts: protein of the allergen; the whole food, which holds less protein than that; or part of it."""
AMOUNTS = {"swab": ("wiped_cm2", "contact_cm2"), "rinse": ("tested_ml", "rinse_ml")}
SHARED = ("value", "unit", "detection_limit", "first_product_kg", "counts", "validated_for")
SAID: Mapping[str, tuple[str, ...]] = {
    "visual": ("outcome",),
    "atp": ("value", "unit"),
    "protein": ("value", "unit"),
    "swab": (*SHARED, *AMOUNTS["swab"]),
    "rinse": (*SHARED, *AMOUNTS["rinse"]),
}
PROCEDURE = "cleaning procedure"
"""Where the level is written: no plan and no rule sets it."""
NOT_VALIDATED = (
    "Nobody said in which food the method was shown to find it, and where that is written: it clears nothing."
)
VALIDATED_FOR = ("food", "evidence")
WORD = re.compile(r"[^\W\d_]{2}")
"""Two letters side by side, in any script: "n/a", "k. A." or a dash name nothing."""
RINSED = "What the water did not take with it is not in this figure."


@dataclass(frozen=True)
class Finding:
    """``level``: the action level it was judged against and where it comes from; empty where there is none."""

    result: Result
    sentence: str
    level: Mapping[str, str] = field(default_factory=dict)
    figures: Mapping[str, str] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        return {"sentence": self.sentence, **self.figures}


def find(
    method: str, allergen: str, said: Mapping[str, Any], procedure: Procedure, batch_kg: Decimal | None = None
) -> Finding:
    """What was found. ``batch_kg``: size of the batch that follows, where it is known.

    Raises Unusable with every reason at once: a unit missing, a negative value, what the method does not have.
    """
    _refuse_others(method, said)
    if method == "visual":
        return _look(said)
    if method in CLEANLINESS:
        return _cleanliness(method, said, procedure)
    return _residue(method, allergen, said, procedure, batch_kg)


def _refuse_others(method: str, said: Mapping[str, Any]) -> None:
    known = SAID[method]
    wrong = [
        Reason("not-of-this-method", f"A {method} verification has no {name}.", name)
        for name in sorted(set(said) - set(known))
    ]
    if wrong:
        raise Unusable("Nothing was written.", reasons=wrong)


def _look(said: Mapping[str, Any]) -> Finding:
    outcome = said.get("outcome")
    if outcome == CLEAN:
        return Finding(Result.WITHIN, "Looked clean.")
    if outcome == NOT_CLEAN:
        return Finding(Result.OUTSIDE, "Did not look clean: clean it again.")
    raise Unusable(f"Say one of: {CLEAN}, {NOT_CLEAN}.", code="unknown-name", field="outcome")


def _cleanliness(method: str, said: Mapping[str, Any], procedure: Procedure) -> Finding:
    """Judged by the house's own bound in the meter's own unit; it clears no allergen."""
    unit, entered = said.get("unit", ""), said.get("value", "")
    if not is_one_line(unit, 20):
        raise Unusable("Give the unit as the meter shows it.", code="missing", field="unit")
    value = _not_negative(entered.lstrip().removeprefix("<"), "value")
    asked = next((each for each in procedure.verify if each.by == method), None)
    read = f"Read {entered.strip()} {unit}"
    if asked is None or asked.upper is None:
        return Finding(Result.UNDECIDED, f"{read}; the procedure sets no bound for it.")
    if asked.unit != unit:
        return Finding(Result.UNDECIDED, f"{read}; the procedure's bound is in {asked.unit}.")
    bound = f"at most {plain_text(asked.upper)} {asked.unit} is asked for"
    if value > asked.upper:
        return Finding(Result.OUTSIDE, f"{read}; {bound}: clean it again.")
    return Finding(Result.WITHIN, f"{read}; {bound}. This shows cleanliness; it clears no allergen.")


def _not_negative(text: str, name: str) -> Decimal:
    value = parse_number(text, field=name)
    if value < 0:
        sentence = "A residue is 0 or more; write < before what the method can find."
        raise Unusable(sentence, code="negative", field=name)
    return value


# -- residue of an allergen -----------------------------------------------------------------------------


def _residue(
    method: str, allergen: str, said: Mapping[str, Any], procedure: Procedure, batch_kg: Decimal | None
) -> Finding:
    reading = _reading(allergen, said)
    _refuse_words(said)
    level = level_of(allergen, procedure)
    limit = _limit(allergen, level, _amounts(method, said, batch_kg))
    figure = figures.figure(limit, reading)
    numbers = {name: plain_text(getattr(figure, name)) for name in ("value", "low", "high")}
    numbers["unit"] = MG_PER_KG
    if not level:
        sentence = (
            f"{figure.read}; the procedure sets no reference dose of {allergen}: nothing can be said of it."
        )
        return Finding(Result.UNDECIDED, sentence, figures=numbers)
    judged = limits.judge(reading, _of_procedure(limit))
    found = Finding(judged.result, f"{judged.sentence} {judged.warning}".strip(), level, numbers)
    return _cautious(found, said["counts"], _is_validated(said), method)


def _is_validated(said: Mapping[str, Any]) -> bool:
    """Whether a food and where it is written are both named. One text for both names at most one of them."""
    stated = said.get("validated_for") or {}
    food, evidence = (stated.get(name, "").strip().casefold() for name in VALIDATED_FOR)
    return food != evidence and all(WORD.search(text) for text in (food, evidence))


def _refuse_words(said: Mapping[str, Any]) -> None:
    if said.get("counts") not in COUNTS:
        sentence = f"Say what the value counts: {', '.join(COUNTS)}."
        raise Unusable(sentence, code="unknown-name", field="counts")
    stated = said.get("validated_for")
    if stated is None:
        return
    if not isinstance(stated, Mapping) or not set(stated) <= set(VALIDATED_FOR):
        sentence = f"Give {' and '.join(VALIDATED_FOR)}; leave it out where the method was not validated."
        raise Unusable(sentence, code="unknown-shape", field="validated_for")
    for name, text in stated.items():
        if not isinstance(text, str) or (text.strip() and not is_one_line(text, LONGEST)):
            sentence = f"Give one line of at most {LONGEST} characters."
            raise Unusable(sentence, code="not-one-line", field=f"validated_for.{name}")


def _limit(
    allergen: str, level: Mapping[str, str], amounts: tuple[Decimal, Decimal, Decimal]
) -> ResidueLimit:
    """Less than the level is allowed: at the level itself somebody may react."""
    taken, whole, first = amounts
    return ResidueLimit(
        quantity=f"residue of {allergen}",
        unit=MG_PER_KG,
        upper=Decimal(level.get("value", "1")),
        allergen=allergen,
        protein_of=allergen,
        swab_square_cm=taken,
        contact_square_cm=whole,
        first_product_kg=first,
        upper_inclusive=False,
    )


def _of_procedure(limit: ResidueLimit) -> InForce:
    bounds = in_force(limit)
    assert bounds.upper is not None
    return replace(bounds, upper=replace(bounds.upper, source=PROCEDURE))


def _reading(allergen: str, said: Mapping[str, Any]) -> Reading:
    """The value as entered; one under the limit of detection is taken at that limit, however it was written."""
    kept = {name: said.get(name, "") for name in ("value", "unit")}
    try:
        reading = readings.read({"quantity": f"residue of {allergen}", **kept}, field="")
    except Unusable as refusal:
        moved = [replace(reason, field=reason.field.lstrip(".")) for reason in refusal.reasons]
        raise Unusable(refusal.detail, code=refusal.code, reasons=moved) from refusal
    value = reading.value
    assert value is not None
    _not_negative(plain_text(value), "value")
    if known_unit(reading.unit).dimension is not Dimension.MASS:
        sentence = "Give the mass on what was wiped, or in the water tested: MC (µg), MGM (mg)."
        raise Unusable(sentence, code="unit-does-not-convert", field="unit")
    least = _detection_limit(said)
    if least is not None and value < least:
        return replace(reading, value=least, below=True)
    if value == 0:
        sentence = "0 cannot be measured: write < and the least that the method finds."
        raise Unusable(sentence, code="detection-limit-missing", field="detection_limit")
    return reading


def _detection_limit(said: Mapping[str, Any]) -> Decimal | None:
    if not said.get("detection_limit"):
        return None
    return _positive(said, "detection_limit")


def _positive(said: Mapping[str, Any], name: str) -> Decimal:
    value = parse_number(said.get(name, ""), field=name)
    if value <= 0:
        raise Unusable(f"This must be above 0, it is {value}.", code="not-positive", field=name)
    return value


def _amounts(
    method: str, said: Mapping[str, Any], batch_kg: Decimal | None
) -> tuple[Decimal, Decimal, Decimal]:
    """What was wiped or tested, the whole of it, and the first product in kg. Raises Unusable with every reason."""
    reasons: list[Reason] = []
    found = []
    for name in (*AMOUNTS[method], "first_product_kg"):
        try:
            found.append(_positive(said, name))
        except Unusable as refusal:
            reasons += refusal.reasons
    if reasons:
        raise Unusable("The measurement is not whole. Nothing was written.", reasons=reasons)
    taken, whole, first = found
    if taken > whole:
        sentence = "More was wiped or tested than there is of it in all."
        raise Unusable(sentence, code="more-than-all", field=AMOUNTS[method][0])
    if batch_kg is not None and first >= batch_kg:
        sentence = "Give the mass of the first product off the line, not of the whole batch."
        raise Unusable(sentence, code="whole-batch", field="first_product_kg")
    return taken, whole, first


def level_of(allergen: str, procedure: Procedure) -> dict[str, str]:
    """The action level with all that it rests on; empty where the procedure sets no dose.

    Reference dose / amount eaten at once (``haccp.science.residues``), to 12 significant digits.
    """
    stated: Dose | None = procedure.doses.get(allergen)
    if stated is None or procedure.eaten_g is None:
        return {}
    computed = action_level(stated.dose, float(procedure.eaten_g))
    value = getattr(computed, "value", None)
    if value is None:
        return {}
    return {
        "value": plain_text(Decimal(f"{value:.12g}")),
        "unit": MG_PER_KG,
        "dose_mg": f"{stated.dose.mg:g}",
        "dose_set": stated.dose.dose_set,
        "dated": stated.dated,
        "source": stated.dose.source,
        "eaten_g": plain_text(procedure.eaten_g),
    }


def _cautious(found: Finding, counts: str, validated: bool, method: str) -> Finding:
    """A value that is not known to count all of it clears nothing; one that is outside stays outside."""
    told = [found.sentence]
    result = found.result
    if method == "rinse":
        told.append(RINSED)
    if counts == "other":
        told.append("It does not count all protein of the allergen: it clears nothing.")
    if not validated:
        told.append(NOT_VALIDATED)
    if result is Result.WITHIN and (counts == "other" or not validated):
        result = Result.UNDECIDED
    return replace(found, result=result, sentence=" ".join(told))


def asked_for(procedure: Procedure, allergens: frozenset[str] | None) -> list[Asked]:
    """What must be shown before a release for these allergens (None: for all that it clears).

    A look at everything and cleanliness are asked for each time.
    """
    return [
        each
        for each in procedure.verify
        if allergens is None or not each.allergens or not each.allergens.isdisjoint(allergens)
    ]
