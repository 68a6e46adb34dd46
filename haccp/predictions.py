"""What a recipe version predicts of moisture and water activity, and how far what was measured lies from it.

A gap is a sentence to look into, never a deviation: models are less sure than a meter. Nothing here is stored.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Q

from batches import recipes
from batches.models import Batch, Dimension, Lot, Material, MaterialKind, RecipeVersion
from batches.quantities import convert, convert_difference, in_symbols
from config.api.refusals import Unusable
from haccp import composition_documents, compositions, instruments, mixing
from haccp.bounds import same_quantity
from haccp.models import Check, Composition
from haccp.readings import Reading, kept
from haccp.said import Said, joined, said
from haccp.science.answers import Computed, NotComputed
from haccp.science.water_activity import Band

WATER_ACTIVITY, MOISTURE, PH = "water activity", "moisture", "pH"
UNITS = {WATER_ACTIVITY: "C62", MOISTURE: "P1", PH: "Q30"}
"""What is looked for among the readings of checks, by the name a plan gives it, and in which unit."""

GAP_ADVICE = Said(
    "Look at weighing, cook, sample and meter; the measured value counts, the prediction does not."
)
NOT_MADE_HERE = Said("It was received, not made here: no recipe of this house predicts it.")
MG_PER_KG = 1_000_000


@dataclass(frozen=True)
class Basis:
    """What the prediction leans on: a material, and what was in writing of it (None: nothing is)."""

    material: Material
    composition: Composition | None


@dataclass(frozen=True)
class Prediction:
    """``on``: the local day whose compositions were used."""

    recipe_version: RecipeVersion
    on: date
    mix: mixing.Mix
    basis: tuple[Basis, ...]


def of_recipe(version: RecipeVersion, on: date) -> Prediction:
    """What a recipe version comes to by the compositions of a local day. Three statements."""
    lines = [
        (line.amount, line.material)
        for line in version.lines.select_related("material").order_by("position")
        if line.material.kind != MaterialKind.PACKAGING
    ]
    held = compositions.in_force((material.pk for _, material in lines), on)
    ingredients = [_ingredient(amount, material, held.get(material.pk)) for amount, material in lines]
    said = recipes.document_of(version)
    mix = mixing.mixed(ingredients, said.cooked_to, caramelised=said.caramelised)
    seen = {material.pk: material for _, material in lines}
    return Prediction(version, on, mix, tuple(Basis(each, held.get(key)) for key, each in seen.items()))


def _ingredient(amount: int, material: Material, held: Composition | None) -> mixing.Ingredient:
    mass: int | None = amount
    if material.dimension == Dimension.COUNT:
        mass = None if material.piece_mass_mg is None else amount * material.piece_mass_mg
    return mixing.Ingredient(
        material.name,
        None if mass is None else mass / MG_PER_KG,
        None if held is None else composition_documents.read(held.document),
    )


# -- what was measured ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Measured:
    """One reading of a standing check, in the unit of its quantity.

    ``uncertainty``: expanded (k = 2), of the instrument; None where nobody stated it. ``below``: read as "less than".
    """

    check: UUID
    at: datetime
    quantity: str
    entered: str
    unit: str
    value: float
    uncertainty: float | None
    method: str
    sample_temperature: str
    below: bool


def measured(*, batch: Batch | None = None, lot: Lot | None = None) -> tuple[Measured, ...]:
    """Readings of water activity, moisture and pH by standing checks: of a batch and all its lots, or of one lot and
    of the batch it came out of as a whole. Oldest first, one statement."""
    if lot is not None:
        about = Q(lot=lot) | (Q(batch=lot.batch_id, lot=None) if lot.batch_id else Q())
    else:
        assert batch is not None
        about = Q(batch=batch) | Q(lot__batch=batch)
    checks = Check.objects.standing().filter(about).select_related("instrument")
    return tuple(
        each for check in checks.order_by("performed_at", "id") for each in _readings_of(check) if each
    )


def _readings_of(check: Check) -> Iterable[Measured | None]:
    return (_measured(check, said) for said in check.readings)


def _measured(check: Check, said: dict[str, Any]) -> Measured | None:
    """The reading, if it is of one of the quantities looked for and can be read in its unit."""
    named = str(said.get("quantity", ""))
    quantity = next((name for name in UNITS if same_quantity(name, named)), None)
    if quantity is None or "value" not in said:
        return None
    try:
        reading = kept(said)
        return _in_unit(check, quantity, reading)
    except Unusable:  # of another kind, as a pH in per cent: it says nothing here
        return None


def _in_unit(check: Check, quantity: str, reading: Reading) -> Measured:
    assert reading.value is not None
    unit, instrument = UNITS[quantity], check.instrument
    known = None if instrument is None else instruments.uncertainty_in(instrument, reading.unit)
    temperature = f"{reading.sample_temperature} {reading.sample_temperature_unit}".strip()
    return Measured(
        check=check.pk,
        at=check.performed_at,
        quantity=quantity,
        entered=reading.entered,
        unit=reading.unit,
        value=float(convert(reading.value, reading.unit, unit)),
        uncertainty=None if known is None else float(convert_difference(known, reading.unit, unit)),
        method=reading.method,
        sample_temperature=temperature,
        below=reading.below,
    )


# -- how far it lies from the prediction -----------------------------------------------------------------


@dataclass(frozen=True)
class Gap:
    """``low`` and ``high``: the band predicted, None where nothing is. ``gap``: how far outside it the value lies,
    signed, 0 inside. ``flagged``: it lies outside, so further off than the model's accuracy."""

    measured: Measured
    low: float | None
    high: float | None
    gap: float | None
    flagged: bool
    sentence: str


def gaps(mix: mixing.Mix, found: Sequence[Measured]) -> tuple[Gap, ...]:
    """Each measured moisture and water activity against the prediction."""
    return tuple(_gap(mix, each) for each in found if each.quantity != PH)


def _gap(mix: mixing.Mix, each: Measured) -> Gap:
    answer: Computed | NotComputed | Band = mix.moisture if each.quantity == MOISTURE else mix.band
    if isinstance(answer, NotComputed):
        return _against_bound(mix, each, answer)
    low, high = answer.low, answer.high
    off = min(0.0, each.value - low)
    if not each.below:  # "less than" may lie anywhere below
        off += max(0.0, each.value - high)
    return Gap(each, low, high, off, off != 0, _said(each, low, high, off))


def _against_bound(mix: mixing.Mix, each: Measured, answer: NotComputed) -> Gap:
    """Where no model may give a value there may still be one above which it cannot lie."""
    bound = mix.upper_bound
    if each.quantity != WATER_ACTIVITY or bound is None or each.value <= bound:
        sentence = Said(
            "Measured %(shown)s; there is nothing to compare it with. %(why)s",
            shown=shown(each),
            why=answer.sentence,
        )
        return Gap(each, None, None, None, False, sentence)
    sentence = Said(
        "Measured %(shown)s; by this recipe it should lie below %(bound).3f. %(advice)s %(known)s",
        shown=shown(each),
        bound=bound,
        advice=GAP_ADVICE,
        known=_known(each),
    )
    return Gap(each, None, bound, each.value - bound, True, sentence)


def _said(each: Measured, low: float, high: float, off: float) -> str:
    places = 3 if each.quantity == WATER_ACTIVITY else 2
    band = Said("predicted %(low)s to %(high)s", low=f"{low:.{places}f}", high=f"{high:.{places}f}")
    if not off:
        return Said(
            "Measured %(shown)s, %(band)s: within the model's accuracy. The measured value counts.",
            shown=shown(each),
            band=band,
        )
    return Said(
        "Measured %(shown)s, %(band)s: %(off)s %(side)s it. %(advice)s %(known)s",
        shown=shown(each),
        band=band,
        off=f"{abs(off):.{places}f}",
        side=Said("above") if off > 0 else Said("below"),
        advice=GAP_ADVICE,
        known=_known(each),
    )


def _known(each: Measured) -> Said:
    if each.uncertainty is None:
        return Said("The instrument's own uncertainty is not stated.")
    return Said("The instrument itself is known to ±%(known)s.", known=f"{each.uncertainty:g}")


def shown(each: Measured) -> Said:
    """``water activity 0.71 (sample at 21 °C)``: as entered, with what decides it."""
    how = [Said("by %(method)s", method=each.method)] if each.method else []
    if each.sample_temperature:
        how.append(Said("sample at %(warm)s", warm=in_symbols(each.sample_temperature)))
    told = [said(each.quantity), " ", in_symbols(f"{each.entered} {each.unit}")]
    return joined("", [*told, " (", joined(", ", how), ")"] if how else told)


@dataclass(frozen=True)
class Compared:
    """Of one batch or lot: what its recipe predicts (or why nothing does), and each measured value against it."""

    prediction: Prediction | NotComputed
    gaps: tuple[Gap, ...]


def of_batch(batch: Batch) -> Compared:
    """What was measured of a batch and its lots against what its recipe predicts, by the compositions of its day."""
    return _compared(batch, measured(batch=batch))


def of_lot(lot: Lot) -> Compared:
    """The same for one lot. A lot that was received has no prediction."""
    found = measured(lot=lot)
    if lot.batch is not None:
        return _compared(lot.batch, found)
    nothing = NotComputed("Prediction", NOT_MADE_HERE)
    mix = mixing.Mix(nothing, (), nothing, None, ())
    return Compared(nothing, gaps(mix, found))


def _compared(batch: Batch, found: Sequence[Measured]) -> Compared:
    on = batch.state.started_at.astimezone(batch.establishment.zone).date()
    prediction = of_recipe(batch.recipe_version, on)
    return Compared(prediction, gaps(prediction.mix, found))
