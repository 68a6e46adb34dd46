"""Water activity of a composition at 25 degC, by every model that may speak for it. Pure.

Each model speaks only where it was shown to hold; outside, it says why it cannot. No model speaks above 75 % m/m
dissolved solids, nor for a glass: there the models part by 0.1 and more, mostly to the low and so unsafe side, and
only a meter tells. Accuracy: models compared with each other and with two sucrose references (computed).

A number here never replaces a measurement of the product.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from haccp.said import Said
from haccp.science import aw_equations, sucrose
from haccp.science.answers import Answer, Computed, NotComputed, number
from haccp.science.composition import Composition
from haccp.science.solutes import SUCROSE, Norrish, Solute

UNIT = "C62"
ROOM_CELSIUS = 25.0
UPPER_BOUND = "An upper bound: the real value lies below."

# Sucrose in a saturated solution at 25 degC. 67.5 % m/m from memory; a table of solubilities after Antokolskaya 1964
# gives 211.4 g per 100 g of water, which is 67.9 % m/m (read, ja.scribd.com/document/324549505).
SATURATION = 0.675
SATURATION_HIGH = 0.679
SUPERSATURATED = Said(
    "More sucrose is said to be dissolved than 25 °C allows (67.5 % m/m in all the water): this is not a lasting "
    "solution. When it grains its water activity rises; saturated syrup of sucrose alone stands at about 0.847."
)
SOLUBLE_AT_FREEZING = (
    0.641  # 64.18 % m/m at 0 degC (read twice: the table above and Browne's, inaborefax.blogg.se)
)
STAYS_DISSOLVED = "True while all of it stays dissolved; what crystallises later raises it."
HIGHEST_SOLIDS = 0.75
ROUNDING = 1e-9

REFERENCE_SOURCE = f"{sucrose.SOURCE}; within 0.001 of a second equation (computed)"


def spoken(composition: Composition) -> tuple[Answer, ...]:
    """What every model says of the composition, those that cannot speak with their reason."""
    return tuple(model(composition) for model in MODELS)


@dataclass(frozen=True)
class Band:
    """Lowest ``low`` and highest ``high`` of the ``models`` that spoke. ``upper_bounds`` only say "below this"."""

    low: float
    high: float
    models: tuple[str, ...]
    upper_bounds: tuple[Computed, ...] = ()


def band(answers: Iterable[Answer]) -> Band | NotComputed:
    """The spread of the models that spoke, upper bounds kept apart."""
    computed = [answer for answer in answers if isinstance(answer, Computed)]
    bounds = tuple(answer for answer in computed if UPPER_BOUND in answer.notes)
    spoke = [answer for answer in computed if answer not in bounds]
    if not spoke:
        return NotComputed("Water activity", Said("No model may speak for this composition."))
    return Band(
        min(answer.low for answer in spoke),
        max(answer.high for answer in spoke),
        tuple(answer.model for answer in spoke),
        bounds,
    )


def raoult(composition: Composition) -> Answer:
    """Raoult, aw = moles of water / all moles. Range: any solution up to 75 % m/m solids; always an upper bound.

    It reads high by 0.05 at 67.5 % m/m sucrose and by 0.26 at 90 % (computed).
    """
    model = "Raoult"
    why = _no_solution(composition) or _no_moles(composition)
    if why:
        return NotComputed(model, why)
    value = aw_equations.raoult(_mole_fractions(composition)[0])
    return Computed(
        value, 0.0, value, UNIT, model, "Raoult's law (from memory)", (UPPER_BOUND, STAYS_DISSOLVED)
    )


def norrish(composition: Composition) -> Answer:
    """Norrish 1966, aw = xw exp(-(sum sqrt(K) x)^2). Range: each solute to its own limit in all the water (70 % m/m
    sucrose, about 50 % others), at least 0.5 % and at most 70 % m/m solids together.

    Above about 72 % m/m it reads low, the unsafe side. Accuracy: 0.002 for sucrose, 0.01 for another solute, 0.03 for
    a mixture or a K from the caller.
    """
    model = "Norrish" if len(composition.dissolved) == 1 else "Norrish, mixture"
    why = _no_solution(composition) or _no_moles(composition) or _outside_norrish(composition)
    if why:
        return NotComputed(model, why)
    x_water, x = _mole_fractions(composition)
    constants = _norrish_constants(composition)
    value = aw_equations.norrish(x_water, [(constants[solute].k, x[solute]) for solute in x])
    sources = "; ".join(dict.fromkeys(norrish.source for norrish in constants.values()))
    return _within(value, _norrish_accuracy(composition, constants), model, sources)


def ross(composition: Composition) -> Answer:
    """Ross 1975, the product of each solute's own water activity in all the water (Norrish for each).

    Range: two or more solutes, each within its Norrish range, result at least 0.80. Accuracy 0.03 (models differ by
    0.01 to 0.03 in mixed syrups, computed).
    """
    model = "Ross"
    why = _no_solution(composition) or _no_moles(composition) or _outside_own_norrish(composition)
    if not why and len(composition.dissolved) == 1:
        why = Said("With one solute it says nothing that Norrish does not.")
    if why:
        return NotComputed(model, why)
    constants, moles, water = _norrish_constants(composition), composition.moles(), composition.moles_water
    single = [
        aw_equations.norrish(water / (water + n), [(constants[solute].k, n / (water + n))])
        for solute, n in moles.items()
    ]
    value = aw_equations.ross(single)
    if value < 0.80:
        return NotComputed(model, Said("It holds above a water activity of about 0.80 only."))
    return _within(value, 0.03, model, "Ross 1975 (from memory); each solute by Norrish")


def money_born(composition: Composition) -> Answer:
    """Money and Born, aw = 1/(1 + 0.27 n), n moles of sugar in 100 g water. Range: sugars only, 60 to 70 % m/m.

    Accuracy 0.02 for sucrose there, 0.03 for mixed sugars (computed).
    """
    model = "Money-Born"
    why = _no_solution(composition) or _no_moles(composition)
    if not why and any(solute.kind != "sugar" for solute in composition.dissolved):
        why = Said("It is a rule of thumb for sugars only.")
    if not why and not 0.60 - ROUNDING <= composition.solids_fraction <= 0.70 + ROUNDING:
        why = Said(
            "It holds from 60 to 70 % m/m only; below it reads low, the unsafe side, above it reads high."
        )
    if why:
        return NotComputed(model, why)
    value = aw_equations.money_born(sum(composition.moles().values()) / composition.water_g * 100)
    note = "A rule of thumb: it reads low below 60 % m/m and high towards 70 %."
    accuracy = 0.02 if composition.only(SUCROSE) else 0.03
    return _within(value, accuracy, model, "Money and Born (from memory); accuracy computed", note)


def grover(composition: Composition) -> Answer:
    """Grover 1947, aw = 1.04 - 0.10 E + 0.0045 E^2, E grams of sucrose equivalents per gram of water.

    Range: E from 1 to 4; the turning point of the parabola at 11.1 is never reached. Accuracy 0.02 for sucrose, 0.03
    else (computed).
    """
    model = "Grover"
    why = _no_solution(composition)
    unknown = [solute.name for solute in composition.dissolved if solute.grover is None]
    if not why and unknown:
        why = Said("No factor with its source is given for %(names)s.", names=", ".join(unknown))
    if why:
        return NotComputed(model, why)
    factors = {s: s.grover for s in composition.dissolved if s.grover}
    grams = sum(factor.factor * composition.dissolved[solute] for solute, factor in factors.items())
    equivalents = grams / composition.water_g
    if not 1 - ROUNDING <= equivalents <= 4 + ROUNDING:
        return NotComputed(
            model,
            Said(
                "It holds from 1 to 4 g of sucrose equivalents per g of water; here are %(here)s.",
                here=f"{equivalents:.2f}",
            ),
        )
    sources = "; ".join(dict.fromkeys(factor.source for factor in factors.values()))
    return _within(
        aw_equations.grover(equivalents), 0.02 if composition.only(SUCROSE) else 0.03, model, sources
    )


def sucrose_reference(composition: Composition, *, celsius: float = ROOM_CELSIUS) -> Answer:
    """Starzak and Peacock for sucrose and water alone, the yardstick of the others.

    Range here: 0 to 50 degC (``celsius``) and no more sucrose than is soluble at 25 degC, below 25 degC no more than
    at 0 degC. Accuracy 0.002.
    """
    model = "Sucrose reference"
    temperature = number(celsius, "celsius")
    why = _no_solution(composition)
    if not why and not composition.only(SUCROSE):
        why = Said("It holds for sucrose and water only.")
    if not why and not 0 <= temperature <= 50:
        why = Said("It is used here from 0 to 50 °C only.")
    if not why and temperature < ROOM_CELSIUS and composition.fraction_of(SUCROSE) > SOLUBLE_AT_FREEZING:
        why = Said("Below 25 °C so much sucrose may not stay dissolved.")
    if why:
        return NotComputed(model, why)
    value = sucrose.water_activity(100 * composition.fraction_of(SUCROSE), temperature)
    return _within(value, 0.002, model, REFERENCE_SOURCE)


def saturated_sucrose(composition: Composition) -> Answer:
    """Syrup of sucrose alone that holds crystals, or will: it stands at the water activity of saturation, 25 degC.

    Range: sucrose only, with crystals or above saturation, to 75 % m/m dissolved. Accuracy: the reference at 67.5 and
    67.9 % m/m, between which published solubilities lie, and 0.002 around.
    """
    model = "Saturated sucrose syrup"
    why = _never(composition)
    if not why and not composition.only(SUCROSE):
        why = Said("It holds for sucrose and water only; other sugars shift what saturated syrup is.")
    if not why and not (_grained(composition) or _supersaturated(composition)):
        why = Said("The syrup is not saturated and holds no sucrose crystals.")
    if why:
        return NotComputed(model, why)
    notes = ("Held at saturation by its crystals, whatever the whole piece holds in sugar.",)
    if not _grained(composition):
        notes = ("The value it comes to when it grains; before, it reads lower.",)
    low, high = (sucrose.water_activity(100 * s, ROOM_CELSIUS) for s in (SATURATION_HIGH, SATURATION))
    return Computed(high, low - 0.002, high + 0.002, UNIT, model, REFERENCE_SOURCE, notes)


MODELS: tuple[Callable[[Composition], Answer], ...] = (
    sucrose_reference,
    norrish,
    ross,
    money_born,
    grover,
    saturated_sucrose,
    raoult,
)


def _within(value: float, accuracy: float, model: str, source: str, *notes: str) -> Computed:
    low, high = max(0.0, value - accuracy), min(1.0, value + accuracy)
    return Computed(value, low, high, UNIT, model, source, (*notes, STAYS_DISSOLVED))


# --- reasons not to speak: a sentence, or nothing ---


def _never(composition: Composition) -> str:
    if composition.glass:
        return Said("It is a glass; no solution model holds for one.")
    if not composition.dissolved:
        return Said("Nothing is dissolved.")
    if composition.solids_fraction > HIGHEST_SOLIDS + ROUNDING:
        return Said(
            "%(share)s of the solution are dissolved solids; above 75 %% no model was shown to hold, and most read low, "
            "the unsafe side.",
            share=f"{composition.solids_fraction:.1%}",
        )
    return ""


def _no_solution(composition: Composition) -> str:
    never = _never(composition)
    if never:
        return never
    if _supersaturated(composition):
        return SUPERSATURATED
    if composition.only(SUCROSE) and _grained(composition):
        return Said("Sucrose crystals hold the syrup at saturation.")
    return ""


def _supersaturated(composition: Composition) -> bool:
    return composition.fraction_of(SUCROSE) > SATURATION + ROUNDING


def _grained(composition: Composition) -> bool:
    return composition.undissolved.get("sucrose crystals", 0.0) > 0


def _no_moles(composition: Composition) -> str:
    unknown = composition.without_molar_mass()
    return Said("No molar mass is given for %(names)s.", names=", ".join(unknown)) if unknown else ""


def _outside_norrish(composition: Composition) -> str:
    if composition.solids_fraction > 0.70 + ROUNDING:
        return Said("It holds to 70 % m/m dissolved solids; above about 72 % it reads low, the unsafe side.")
    if composition.solids_fraction < 0.005 - ROUNDING:
        return Said("It was compared from 0.5 % m/m dissolved solids on.")
    return _outside_own_norrish(composition)


def _outside_own_norrish(composition: Composition) -> str:
    for solute in composition.dissolved:
        if solute.norrish is None:
            return Said("No K with its source is given for %(name)s.", name=solute.name)
        if composition.fraction_of(solute) > solute.norrish.highest + ROUNDING:
            return Said(
                "For %(name)s it holds to %(share)s m/m in all the water.",
                name=solute.name,
                share=f"{solute.norrish.highest:.0%}",
            )
    return ""


def _norrish_constants(composition: Composition) -> dict[Solute, Norrish]:
    return {solute: solute.norrish for solute in composition.dissolved if solute.norrish}


def _norrish_accuracy(composition: Composition, constants: dict[Solute, Norrish]) -> float:
    if composition.only(SUCROSE):
        return 0.002
    given = any(constant.given for constant in constants.values())
    return 0.03 if given or len(constants) > 1 else 0.01


def _mole_fractions(composition: Composition) -> tuple[float, dict[Solute, float]]:
    water, moles = composition.moles_water, composition.moles()
    total = water + sum(moles.values())
    return water / total, {solute: n / total for solute, n in moles.items()}
