"""What a mix of stated ingredients comes to: its moisture, and its water activity by every model that may speak. Pure.

Nothing is guessed: one ingredient without a composition, and there is no number. What is cooked off is water. All
that can dissolve is taken as dissolved in all the water; the models say where that cannot last.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from batches.recipe_documents import CookedTo
from config.api.refusals import Unusable
from haccp.composition_documents import Stated
from haccp.said import Said, joined
from haccp.science import moisture, water_activity
from haccp.science.answers import Answer, Computed, NotComputed
from haccp.science.composition import Composition, NotDissolved, composition
from haccp.science.solutes import Solute
from haccp.science.water_activity import Band

MOISTURE_MODEL = Said("Moisture of the mix")
COOKED_MODEL = Said("Moisture after cooking")
WATER_ACTIVITY = Said("Water activity")
STATE_IT = Said("State what 100 g of it consist of, with the source, or measure the mix.")
AS_WEIGHED = Said(
    "Of the mix as weighed in, not cooked: the recipe does not say what it is cooked to. "
    "What is cooked has less water and a lower water activity."
)
AS_COOKED = Said("Of the mix cooked to what the recipe says; what goes off is taken to be water.")
LOOK = Said("Look at the recipe and the compositions, or measure it.")
CARAMELISED = Said(
    "Caramelised sugar loses more than water, so the mass that is left says nothing of the moisture."
)
MEASURE_IT = Said("Measure the moisture and give it in the recipe.")
ONE_END = Said("At one end of that moisture no model may speak; the band is of the rest.")
MG_PER_KG = 1e6


@dataclass(frozen=True)
class Ingredient:
    """One line: ``mass_kg`` of something (None: not known), and what it consists of, if that is stated."""

    name: str
    mass_kg: float | None
    stated: Stated | None


@dataclass(frozen=True)
class Mix:
    """``models``: what each says at the middle of the moisture; ``band``: all of them over the whole of it.

    ``upper_bound``: below this it lies whatever else holds, if anything says so.
    """

    moisture: Answer
    models: tuple[Answer, ...]
    band: Band | NotComputed
    upper_bound: float | None
    notes: tuple[str, ...]


def mixed(ingredients: Sequence[Ingredient], cooked_to: CookedTo | None, *, caramelised: bool = False) -> Mix:
    """What the mix comes to, cooked down if the recipe says how far.

    Range: of what is ``caramelised`` only a moisture says how far, since a mass lost is not all water.
    """
    missing = _missing(ingredients)
    if missing:
        return _nothing(missing, STATE_IT)
    if caramelised and cooked_to is not None and cooked_to.total is not None:
        return _nothing(CARAMELISED, MEASURE_IT)
    dry = _Dry.of(ingredients)
    percent = dry.as_weighed() if cooked_to is None else dry.cooked(cooked_to)
    if isinstance(percent, NotComputed):
        return _nothing(percent.why, percent.advice)
    note = AS_WEIGHED if cooked_to is None else AS_COOKED
    try:
        made = [dry.at(each) for each in (percent.value, percent.low, percent.high)]
    except Unusable as refusal:
        return Mix(percent, (), NotComputed(WATER_ACTIVITY, refusal.detail), None, (note,))
    return _spoken(percent, made, note)


def _nothing(why: str, advice: str) -> Mix:
    return Mix(
        NotComputed(MOISTURE_MODEL, why, advice), (), NotComputed(WATER_ACTIVITY, why, advice), None, ()
    )


def _missing(ingredients: Sequence[Ingredient]) -> str:
    unknown = [each.name for each in ingredients if each.stated is None]
    unweighed = [each.name for each in ingredients if each.mass_kg is None]
    said = [Said("The composition of %(names)s is not stated.", names=", ".join(unknown))] if unknown else []
    said += (
        [Said("The mass of one piece of %(names)s is not stated.", names=", ".join(unweighed))]
        if unweighed
        else []
    )
    if not ingredients:
        return Said("The recipe has nothing to eat in it.")
    return joined(" ", said)


@dataclass(frozen=True)
class _Dry:
    """Everything in the mix but the water of its ingredients; that stands in ``lines``."""

    lines: tuple[moisture.Line, ...]
    kg: float
    dissolved: tuple[tuple[Solute, float], ...]
    undissolved: dict[NotDissolved, float]
    glass: bool

    @classmethod
    def of(cls, ingredients: Sequence[Ingredient]) -> "_Dry":
        known = [(each.name, each.mass_kg or 0.0, each.stated) for each in ingredients]
        stated = [(name, kg, each) for name, kg, each in known if each is not None]
        dissolved = [(solute, kg * grams / 100) for _, kg, each in stated for solute, grams in each.dissolved]
        apart: dict[NotDissolved, float] = {}
        for _, kg, each in stated:
            for kind, grams in each.undissolved.items():
                apart[kind] = apart.get(kind, 0.0) + kg * grams / 100
        dry = math.fsum([*(kg for _, kg in dissolved), *apart.values()])
        lines = tuple(
            moisture.Line(name, kg, moisture.Moisture(each.water, each.water_uncertainty))
            for name, kg, each in stated
        )
        return cls(lines, dry, tuple(dissolved), apart, any(each.glass for _, _, each in stated))

    @property
    def weighed_kg(self) -> float:
        return math.fsum(line.mass_kg for line in self.lines)

    def as_weighed(self) -> Computed:
        return moisture.mixed(self.lines, total_kg=self.weighed_kg, tolerance_kg=0)

    def cooked(self, to: CookedTo) -> Computed | NotComputed:
        """The moisture that is left. Range: no more water than was weighed in, and not less than none."""
        before = self.as_weighed()
        if before.value >= 100:
            return NotComputed(COOKED_MODEL, Said("Without solids nothing says how much is left."))
        left = self._left(to, before)
        if left.low > before.high + 1e-9:
            why = Said(
                "The recipe says it is cooked to %(left).1f %% moisture; as weighed in it has %(before).1f %%.",
                left=left.value,
                before=before.value,
            )
            return NotComputed(COOKED_MODEL, why, LOOK)
        if left.value < 0:
            why = Said("The recipe says it is cooked to less than the solids that went in.")
            return NotComputed(COOKED_MODEL, why, LOOK)
        return left

    def _left(self, to: CookedTo, before: Computed) -> Computed:
        uncertainty = float(to.uncertainty)
        if to.moisture is not None:
            percent = moisture.Moisture(float(to.moisture), uncertainty)
            return _percent(percent.percent, percent.low, percent.high)
        assert to.total is not None
        total, spread = float(to.total) / MG_PER_KG, uncertainty / MG_PER_KG
        solids, most, least = (
            self.weighed_kg * (100 - each) / 100 for each in (before.value, before.low, before.high)
        )
        low = 100 * (1 - most / (total - spread)) if spread < total else 0.0
        return _percent(100 * (1 - solids / total), max(0.0, low), 100 * (1 - least / (total + spread)))

    def at(self, percent: float) -> Composition:
        """What went in, with so much water that it is ``percent`` of it; dry matter as it was, one to another.

        Raises Unusable where there is nothing but water, or two solutes bear one name.
        """
        if percent >= 100:
            raise Unusable("There may be nothing in it but water.", code="out-of-range", field="water")
        kg = self.kg * percent / (100 - percent)
        return composition(
            water_g=kg * 1000,
            dissolved=[(solute, mass * 1000) for solute, mass in self.dissolved],
            undissolved={kind: mass * 1000 for kind, mass in self.undissolved.items()},
            total_g=(kg + self.kg) * 1000,
            tolerance_g=0,
            glass=self.glass,
        )


def _percent(value: float, low: float, high: float) -> Computed:
    return Computed(value, low, high, "P1", COOKED_MODEL, moisture.SOURCE)


def _spoken(percent: Computed, made: Sequence[Composition], note: str) -> Mix:
    answers = [water_activity.spoken(each) for each in made]
    bands = [water_activity.band(each) for each in answers]
    middle = bands[0]
    bounds = [
        answer.value
        for answer in answers[2]
        if isinstance(answer, Computed) and water_activity.UPPER_BOUND in answer.notes
    ]
    highest = min(bounds) if bounds else None
    if isinstance(middle, NotComputed):
        return Mix(percent, answers[0], middle, highest, (note,))
    spoke = [each for each in bands if isinstance(each, Band)]
    whole = Band(
        min(each.low for each in spoke),
        max(each.high for each in spoke),
        middle.models,
        middle.upper_bounds,
    )
    notes = (note,) if len(spoke) == len(bands) else (note, ONE_END)
    return Mix(percent, answers[0], whole, highest, notes)
