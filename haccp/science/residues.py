"""Allergen residues: the action level from a reference dose, what a swab means in the first product, carry-over.

Action level (mg protein per kg food) = reference dose (mg protein) / amount eaten on one occasion (g) x 1000.
The amount is what one person eats at once: a whole bag, not one piece. Doses of different committees are never mixed;
the set stays with the result. A result below what the method can find is kept as such and taken at that limit.
Heat and dilution clear no allergen. A dose is not a promise for every person: it is set so that few react.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from config.api.refusals import Unusable
from haccp.science.answers import Answer, Computed, NotComputed, exact, number, share

MG_PER_KG = "59"  # UN/ECE Rec 20: parts per million of the mass, as limits have it
LEVEL_MODEL = "Action level"
SWAB_MODEL = "Swab in the first product"
LEVEL_SOURCE = (
    "dose / amount eaten (definition; pairs read in notice 24-2017 of a Belgian scientific committee)"
)
FIRST_PRODUCT = (
    "Everything on the surface is taken to go into the first product off the line; later product holds less, "
    "the whole batch must not be used."
)
NO_MIXING = "A paste or pieces do not spread evenly: the first product holds most."

PART_2 = (
    "FAO/WHO expert consultation on food allergens, part 2 (2022 report), quoted alike by two pages (read)"
)
PART_5 = "FAO/WHO expert consultation on food allergens, part 5 (2023 report), one summary page (read) and from memory"


@dataclass(frozen=True)
class ReferenceDose:
    """``mg`` total protein of an allergen (None: the set gives none), of a named set, with its source."""

    allergen: str
    mg: float | None
    dose_set: str
    source: str

    def __post_init__(self) -> None:
        if self.mg is not None:
            number(self.mg, "reference dose", above=0)
        for field in ("allergen", "dose_set", "source"):
            if not getattr(self, field).strip():
                raise Unusable(f"A reference dose needs its {field}.", code="origin-missing", field=field)


def _fao_who(source: str, doses: dict[str, float | None]) -> dict[str, ReferenceDose]:
    return {name: ReferenceDose(name, mg, "FAO/WHO", source) for name, mg in doses.items()}


FAO_WHO = _fao_who(
    PART_2,
    {
        "walnut and pecan": 1.0,
        "cashew and pistachio": 1.0,
        "almond (provisional)": 1.0,
        "peanut": 2.0,
        "egg": 2.0,
        "milk": 2.0,
        "sesame": 2.0,
        "hazelnut": 3.0,
        "wheat": 5.0,
        "fish": 5.0,
        "crustacea (shrimp)": 200.0,
    },
) | _fao_who(
    PART_5,
    {
        "Brazil nut": 1.0,
        "macadamia": 1.0,
        "pine nut": 1.0,
        "celery": 1.0,
        "mustard": 1.0,
        "soy": 10.0,
        "lupin": 10.0,
        "buckwheat": 10.0,
        "oats": None,
    },
)


def action_level(dose: ReferenceDose, eaten_g: float) -> Answer:
    """mg protein per kg food at which ``eaten_g`` grams, eaten on one occasion, hold the reference dose."""
    grams = number(eaten_g, "amount eaten on one occasion", above=0)
    if dose.mg is None:
        why = f"{dose.dose_set} sets no dose for {dose.allergen}."
        return NotComputed(LEVEL_MODEL, why, "Ask the authority which figure it takes.")
    notes = (f"Dose set: {dose.dose_set}. {dose.source}.", f"For {grams:g} g eaten on one occasion.")
    return exact(dose.mg / grams * 1000.0, MG_PER_KG, LEVEL_MODEL, LEVEL_SOURCE, notes)


def action_levels(doses: Iterable[ReferenceDose], eaten_g: float) -> dict[str, Answer]:
    """Action levels by allergen. Raises Unusable where the doses come from more than one set."""
    listed = tuple(doses)
    sets = sorted({dose.dose_set for dose in listed})
    if len(sets) > 1:
        raise Unusable(
            f"Doses of different sets are never mixed: {', '.join(sets)}.",
            code="dose-sets-mixed",
            field="doses",
        )
    return {dose.allergen: action_level(dose, eaten_g) for dose in listed}


@dataclass(frozen=True)
class Found:
    """A laboratory's figure; with ``below`` it is the limit of detection and the true value lies under it."""

    value: float
    below: bool = False

    def __post_init__(self) -> None:
        number(self.value, "result", least=0)
        if self.below:
            number(self.value, "limit of detection", above=0)

    @property
    def text(self) -> str:
        return f"< {self.value:g}" if self.below else f"{self.value:g}"


def in_first_product(
    milligrams: Decimal, *, wiped_cm2: Decimal, contact_cm2: Decimal, first_kg: Decimal
) -> Decimal:
    """mg/kg in the first food off the line: ``milligrams`` wiped off ``wiped_cm2``, as much on all that the food touches,
    all of it taken up by what leaves first. All areas and the mass above 0."""
    return milligrams * contact_cm2 / wiped_cm2 / first_kg


def swab_in_product(swab: Found, contact_cm2: float, first_product_g: float, batch_g: float) -> Computed:
    """mg/kg in the first product, from a swab in ug protein per 100 cm2: swab x area / 100 / mass (ug/g = mg/kg).

    ``contact_cm2``: the whole surface the product touches; ``first_product_g``: what leaves first and takes it all up.
    Raises Unusable unless that is less than the batch. A swab below detection counts at the detection limit.
    """
    area = number(contact_cm2, "contact area", above=0)
    first, batch = number(first_product_g, "first product", above=0), number(batch_g, "batch", above=0)
    if first >= batch:
        raise Unusable(
            "Give the mass of the first product off the line, not of the whole batch.",
            code="whole-batch",
            field="first_product_g",
        )
    notes = (FIRST_PRODUCT, *_below_note(swab, "ug/100 cm2"))
    milligrams, grams = _decimal(swab.value) / 1000, _decimal(first)
    value = float(
        in_first_product(
            milligrams, wiped_cm2=Decimal(100), contact_cm2=_decimal(area), first_kg=grams / 1000
        )
    )
    low = 0.0 if swab.below else value
    return Computed(value, low, value, MG_PER_KG, SWAB_MODEL, "mass balance (definition)", notes)


def _decimal(value: float) -> Decimal:
    return Decimal(repr(float(value)))


def _below_note(found: Found, unit: str) -> tuple[str, ...]:
    if not found.below:
        return ()
    return (f"Below the limit of detection ({found.text} {unit}); taken at that limit.",)


def detection_suffices(detection_limit: float, level: Answer) -> bool:
    """Whether a method that finds ``detection_limit`` (in the level's unit) can show that the level is kept."""
    least = number(detection_limit, "limit of detection", above=0)
    return isinstance(level, Computed) and least < level.value


def carried_over(residue_g: float, protein_share: float, next_kg: float) -> Computed:
    """mg protein per kg when ``residue_g`` grams with ``protein_share`` (0 to 1) protein go evenly into ``next_kg``."""
    residue, protein = number(residue_g, "residue", least=0), share(protein_share, "protein share")
    mass = number(next_kg, "next batch", above=0)
    return exact(
        residue * protein * 1000.0 / mass, MG_PER_KG, "Carry-over", "mass balance (definition)", (NO_MIXING,)
    )


def largest_residue(level: Answer, protein_share: float, next_kg: float) -> Answer:
    """Grams of residue that reach ``level`` (mg/kg) when spread evenly through ``next_kg``; the carry-over turned round."""
    if isinstance(level, NotComputed):
        return level
    protein, mass = (
        share(number(protein_share, "protein share", above=0), "protein share"),
        number(next_kg, "next batch", above=0),
    )
    return exact(
        level.value * mass / (protein * 1000.0),
        "GRM",
        "Largest residue",
        "mass balance (definition)",
        (NO_MIXING, *level.notes),
    )
