"""Water activity: each equation against published values, each model within its own range and silent outside.

Sources and provenance stand in the tables beside this file.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science import aw_equations, sucrose, water_activity
from haccp.science.answers import Computed, NotComputed
from haccp.science.composition import composition
from haccp.science.solutes import (
    FRUCTOSE,
    GLUCOSE,
    GLYCEROL,
    MANNITOL,
    SALT,
    SOLUTES,
    SORBITOL,
    SUCROSE,
    Grover,
    Norrish,
    Solute,
)
from tests.haccp.science.tables import rows

CHECKS = rows("water-activity-checks")
SUGAR_ROWS = [row for row in CHECKS if row["solute"] != "sodium chloride"]
MALTOSE = Solute("maltose", "sugar", 342.30)  # no K: none could be confirmed


def syrup(*dissolved, water=None, glass=False, **undissolved):
    """A composition in grams; ``water`` fills up to 100 g unless said."""
    solids = sum(grams for _, grams in dissolved)
    water = 100 - solids if water is None else water
    apart = {kind.replace("_", " "): grams for kind, grams in undissolved.items()}
    return composition(
        water_g=water,
        dissolved=dissolved,
        undissolved=apart,
        total_g=water + solids + sum(apart.values()),
        tolerance_g=0,
        glass=glass,
    )


def mole_fractions(*dissolved, water):
    moles = [grams / solute.molar_mass for solute, grams in dissolved]
    total = water / sucrose.WATER_G_PER_MOL + sum(moles)
    return water / sucrose.WATER_G_PER_MOL / total, [n / total for n in moles]


def by_equation(row):
    solute, percent = SOLUTES[row["solute"]], float(row["mass_pct_solute"])
    x_water, [x] = mole_fractions((solute, percent), water=100 - percent)
    return solute, percent, x_water, x


def name(row):
    return f"{row['solute']} {row['mass_pct_solute']} %"


# --- the bare equations against water-activity-checks.csv ---


@pytest.mark.parametrize("row", SUGAR_ROWS, ids=name)
def test_each_equation_gives_the_tabled_value(row):
    solute, percent, x_water, x = by_equation(row)
    per_100_g = percent / solute.molar_mass / (100 - percent) * 100
    assert aw_equations.raoult(x_water) == pytest.approx(float(row["aw_raoult"]), abs=1e-4)
    assert aw_equations.norrish(x_water, [(solute.norrish.k, x)]) == pytest.approx(
        float(row["aw_norrish"]), abs=1e-4
    )
    assert aw_equations.money_born(per_100_g) == pytest.approx(float(row["aw_money_born"]), abs=1e-4)
    if row["aw_grover"]:
        assert aw_equations.grover(percent / (100 - percent)) == pytest.approx(
            float(row["aw_grover"]), abs=1e-4
        )


@pytest.mark.parametrize(
    "row",
    [row for row in SUGAR_ROWS if not row["tolerance_norrish_vs_reference"].startswith("out")],
    ids=name,
)
def test_norrish_meets_the_reference_within_its_tolerance(row):
    solute, _, x_water, x = by_equation(row)
    value = aw_equations.norrish(x_water, [(solute.norrish.k, x)])
    assert value == pytest.approx(
        float(row["aw_reference"]), abs=float(row["tolerance_norrish_vs_reference"])
    )


@pytest.mark.parametrize(
    "row", [row for row in CHECKS if "Starzak" in row["source"] or "Robinson" in row["source"]], ids=name
)
def test_the_sucrose_reference_gives_the_tabled_value(row):
    value = sucrose.water_activity(float(row["mass_pct_solute"]), float(row["temp_C"]))
    # The second family is another equation, its constants from memory.
    assert value == pytest.approx(
        float(row["aw_reference"]), abs=1e-4 if "Starzak" in row["source"] else 1e-3
    )


def test_brine_of_six_mol_per_kg_is_the_tabled_osmotic_value():
    # aw = exp(-v phi m Mw), printed answer in an instrument manual (read).
    [row] = [row for row in CHECKS if row["solute"] == "sodium chloride"]
    value = math.exp(-2 * 1.271 * 6 * 0.018)
    assert value == pytest.approx(
        float(row["aw_reference"]), abs=float(row["tolerance_norrish_vs_reference"])
    )
    # Raoult counts salt as whole molecules, so it stays an upper bound.
    brine = syrup((SALT, 6 * 58.44), water=1000)
    assert water_activity.raoult(brine).high > value


FREEZING = [row for row in rows("handbook-solutions") if row["freezing_point_depression_C"]]


@pytest.mark.parametrize("row", FREEZING, ids=lambda row: f"{row['solute']} {row['mass_pct']} %")
def test_norrish_meets_handbook_freezing_points(row):
    """The freezing point tells aw: -log10 aw = 0.004207 t + 2.1e-6 t^2 (Robinson and Stokes, from memory).

    Down to -5 degC only; lower, the temperature itself shifts aw.
    """
    t = float(row["freezing_point_depression_C"])
    published = 10 ** -(0.004207 * t + 2.1e-6 * t * t)
    answer = water_activity.norrish(syrup((SOLUTES[row["solute"]], float(row["mass_pct"]))))
    assert answer.value == pytest.approx(published, abs=0.003 if row["solute"] == "glycerol" else 0.002)
    assert answer.low - 0.0005 <= published <= answer.high + 0.0005


def test_the_freezing_point_of_12_percent_sucrose_is_confirmed_by_a_second_text():
    # -0.77 degC, "The science of ice cream", figure 2.8, fliphtml5.com/rtvxf/bmfv (read).
    [row] = [row for row in FREEZING if row["solute"] == "sucrose" and row["mass_pct"] == "12"]
    assert float(row["freezing_point_depression_C"]) == 0.77


@pytest.mark.parametrize(
    ("solute", "k"), [("glycerol", 1.16), ("erythritol", 1.34), ("xylitol", 1.66), ("mannitol", 0.906)]
)
def test_the_alditol_constants_are_those_of_the_review(solute, k):
    # Table 3, www.hindawi.com/journals/ijd/2010/981072/tab3/ (read).
    assert SOLUTES[solute].norrish.k == k


@pytest.mark.parametrize("row", rows("norrish"), ids=lambda row: row["solute"])
def test_solutes_carry_the_tabled_constants_and_ranges(row):
    solute = SOLUTES[row["solute"].split(" (")[0]]
    assert (solute.molar_mass, solute.norrish.k) == (
        float(row["molar_mass_g_mol"]),
        float(row["K_natural_log"]),
    )
    highest = row["usable_range"].removeprefix("0.5-").removesuffix(" % m/m")
    assert solute.norrish.highest == pytest.approx(float(highest) / 100)
    assert row["provenance"] in solute.norrish.source
    assert solute.norrish.k / math.log(10) == pytest.approx(float(row["K_base10_equivalent"]), abs=6e-4)


# --- mixtures: water-activity-mixtures.csv ---


@pytest.mark.parametrize("row", rows("water-activity-mixtures")[:2], ids=lambda row: row["composition"])
def test_mixtures_give_the_computed_values(row):
    a, b, water = (float(part.split()[0]) for part in row["composition"].split(" + "))
    x_water, [x, y] = mole_fractions((SUCROSE, a), (GLUCOSE, b), water=water)
    mixture = aw_equations.norrish(x_water, [(6.47, x), (2.25, y)])
    alone = []
    for solute, grams in ((SUCROSE, a), (GLUCOSE, b)):
        x_alone, [x_solute] = mole_fractions((solute, grams), water=water)
        alone.append(aw_equations.norrish(x_alone, [(solute.norrish.k, x_solute)]))
    per_100_g = (a / 342.30 + b / 180.16) / water * 100
    equivalents = (a + 1.3 * b) / water
    assert aw_equations.raoult(x_water) == pytest.approx(float(row["aw_raoult"]), abs=1e-4)
    assert mixture == pytest.approx(float(row["aw_norrish_mixture"]), abs=1e-4)
    assert aw_equations.ross(alone) == pytest.approx(float(row["aw_ross"]), abs=1e-4)
    assert aw_equations.money_born(per_100_g) == pytest.approx(float(row["aw_money_born"]), abs=1e-4)
    assert equivalents == pytest.approx(float(row["grover_E"]), abs=1e-3)
    assert aw_equations.grover(equivalents) == pytest.approx(float(row["aw_grover"]), abs=1e-4)


def test_one_sugar_split_in_two_is_the_same_to_norrish():
    x_water, [x] = mole_fractions((SUCROSE, 30), water=70)
    split = aw_equations.norrish(x_water, [(6.47, x / 2), (6.47, x / 2)])
    assert split == pytest.approx(aw_equations.norrish(x_water, [(6.47, x)]))
    assert split == pytest.approx(0.9749, abs=1e-4)


def test_a_mixed_syrup_of_70_percent_is_spoken_for_by_four_models_and_bounded_by_raoult():
    answers = water_activity.spoken(syrup((SUCROSE, 40), (GLUCOSE, 30)))
    spoke = {answer.model: answer.value for answer in answers if isinstance(answer, Computed)}
    assert spoke == pytest.approx(
        {
            "Norrish, mixture": 0.7898,
            "Ross": 0.8110,
            "Money-Born": 0.7968,
            "Grover": 0.8079,
            "Raoult": 0.8546,
        },
        abs=1e-4,
    )


def test_a_mixed_syrup_of_75_percent_is_left_to_grover():
    answers = water_activity.spoken(syrup((SUCROSE, 50), (GLUCOSE, 25)))
    assert [answer.model for answer in answers if isinstance(answer, Computed)] == ["Grover", "Raoult"]


# --- Grover: grover.csv and its cross-checks ---


def test_the_grover_factors_are_the_tabled_ones():
    factors = {row["ingredient"]: float(row["Ei"]) for row in rows("grover")}
    assert factors == {
        "sucrose": SUCROSE.grover.factor,
        "invert sugar": GLUCOSE.grover.factor,
        "glycerol": GLYCEROL.grover.factor,
        "sodium chloride": SALT.grover.factor,
    }
    assert FRUCTOSE.grover.factor == GLUCOSE.grover.factor


@pytest.mark.parametrize(
    ("parts", "grover", "other"),
    [
        ([(SUCROSE, 67.5)], 0.852, 0.847),  # the sucrose reference (computed)
        ([(GLUCOSE, 30), (FRUCTOSE, 30)], 0.862, 0.837),  # mixture Norrish (computed)
        ([(GLYCEROL, 25)], 0.915, 0.935),  # Norrish (computed)
        ([(SALT, 26.45)], 0.763, 0.753),  # saturated brine, salt standard (from memory)
    ],
)
def test_grover_is_within_its_accuracy_of_a_second_route(parts, grover, other):
    answer = water_activity.grover(syrup(*parts))
    assert answer.value == pytest.approx(grover, abs=1e-3)
    assert answer.low - 1e-3 <= other <= answer.high + 1e-3


@pytest.mark.parametrize("percent", [49.9, 80.1])
def test_grover_is_silent_outside_one_to_four_equivalents(percent):
    equivalents = percent / (100 - percent)
    grams = Solute(
        "wholly made up", "other", 342.30, grover=Grover(equivalents * 4, "invented for this test")
    )
    assert isinstance(water_activity.grover(syrup((grams, 20))), NotComputed)


def test_the_grover_parabola_turns_beyond_the_range():
    assert aw_equations.grover(11.2) > aw_equations.grover(11.11)
    assert aw_equations.grover(0.4) > 1


# --- ranges ---


@pytest.mark.parametrize("percent", [67.6, 70, 75])
def test_above_saturation_no_solution_model_speaks_and_says_so(percent):
    for answer in water_activity.spoken(syrup((SUCROSE, percent))):
        if answer.model != "Saturated sucrose syrup":
            assert isinstance(answer, NotComputed)
            assert "not a lasting solution" in answer.why or "one solute" in answer.why


def test_at_saturation_the_models_still_speak():
    assert isinstance(water_activity.norrish(syrup((SUCROSE, 67.5))), Computed)


def test_supersaturated_syrup_comes_to_saturation_when_it_grains():
    answer = water_activity.saturated_sucrose(syrup((SUCROSE, 72)))
    assert answer.value == pytest.approx(0.8472, abs=1e-4)
    assert "before, it reads lower" in answer.notes[0]


def test_crystals_hold_a_fondant_at_saturation_however_much_sugar_it_holds():
    fondant = syrup((SUCROSE, 20), water=10, sucrose_crystals=70)
    answers = {answer.model: answer for answer in water_activity.spoken(fondant)}
    assert answers.pop("Saturated sucrose syrup").value == pytest.approx(0.8472, abs=1e-4)
    assert all(isinstance(answer, NotComputed) for answer in answers.values())


def test_an_unsaturated_syrup_without_crystals_is_not_called_saturated():
    assert isinstance(water_activity.saturated_sucrose(syrup((SUCROSE, 60))), NotComputed)


def test_the_saturation_band_holds_both_published_solubilities():
    read = {row["celsius"]: float(row["g_per_100_g_water"]) for row in rows("sucrose-solubility")[:4]}
    share = read["25"] / (100 + read["25"])
    assert share == pytest.approx(water_activity.SATURATION_HIGH, abs=2e-4)
    assert read["0"] / (100 + read["0"]) >= water_activity.SOLUBLE_AT_FREEZING
    answer = water_activity.saturated_sucrose(syrup((SUCROSE, 72)))
    assert answer.low < sucrose.water_activity(100 * share, 25) < answer.high


def test_two_read_solubilities_lie_on_either_side_of_two_thirds():
    at_20 = [float(row["g_per_100_g_water"]) for row in rows("sucrose-solubility") if row["celsius"] == "20"]
    assert [grams / (100 + grams) for grams in at_20] == pytest.approx([0.671, 0.667], abs=1e-3)


@pytest.mark.parametrize("hard", [syrup((SUCROSE, 60), (GLUCOSE, 37)), syrup((SUCROSE, 50), glass=True)])
def test_no_model_speaks_for_hard_candy(hard):
    answers = water_activity.spoken(hard)
    assert all(isinstance(answer, NotComputed) for answer in answers)
    assert isinstance(water_activity.band(answers), NotComputed)
    assert all("Measure it." in answer.sentence for answer in answers)


def test_norrish_is_silent_above_70_percent_where_it_reads_low():
    answer = water_activity.norrish(syrup((SUCROSE, 45), (GLUCOSE, 26)))
    assert "low, the unsafe side" in answer.why


@pytest.mark.parametrize(("solute", "percent"), [(GLYCEROL, 50.1), (SORBITOL, 50.1), (MANNITOL, 15.1)])
def test_norrish_keeps_to_the_range_of_each_solute(solute, percent):
    assert isinstance(water_activity.norrish(syrup((solute, percent))), NotComputed)
    assert isinstance(water_activity.norrish(syrup((solute, percent - 0.2))), Computed)


def test_norrish_is_silent_below_half_a_percent():
    assert isinstance(water_activity.norrish(syrup((SUCROSE, 0.4))), NotComputed)


def test_ross_is_silent_below_080():
    strong = syrup((SUCROSE, 45), (GLYCEROL, 25), water=30)
    answer = water_activity.ross(strong)
    assert isinstance(answer, NotComputed)
    assert "0.80" in answer.why


@pytest.mark.parametrize("percent", [59.9, 67.6])
def test_money_born_is_silent_outside_its_range(percent):
    assert isinstance(water_activity.money_born(syrup((SUCROSE, percent))), NotComputed)


def test_money_born_speaks_of_sugars_only():
    assert "sugars only" in water_activity.money_born(syrup((SUCROSE, 40), (SORBITOL, 25))).why


def test_raoult_is_given_only_as_an_upper_bound():
    answer = water_activity.raoult(syrup((SUCROSE, 60)))
    assert water_activity.UPPER_BOUND in answer.notes
    assert answer.high == answer.value == pytest.approx(0.9268, abs=1e-4)


@pytest.mark.parametrize("celsius", [-1, 51])
def test_the_reference_is_silent_outside_its_temperatures(celsius):
    assert isinstance(water_activity.sucrose_reference(syrup((SUCROSE, 40)), celsius=celsius), NotComputed)


def test_the_reference_is_silent_where_cold_syrup_may_grain():
    assert isinstance(water_activity.sucrose_reference(syrup((SUCROSE, 66)), celsius=5), NotComputed)
    assert isinstance(water_activity.sucrose_reference(syrup((SUCROSE, 64)), celsius=5), Computed)


# --- constants that could not be confirmed come from the caller, with their source ---


def test_without_a_confirmed_constant_the_models_name_what_is_missing():
    answers = {answer.model: answer for answer in water_activity.spoken(syrup((SUCROSE, 30), (MALTOSE, 20)))}
    assert "No K with its source is given for maltose." in answers["Norrish, mixture"].why
    assert "maltose" in answers["Ross"].why
    assert "No factor with its source is given for maltose." in answers["Grover"].why


def test_a_constant_from_the_caller_is_used_with_its_source_and_the_wide_band():
    k = Norrish(4.5, 0.5, "invented for this test")
    answer = water_activity.norrish(syrup((Solute("maltose", "sugar", 342.30, k), 40)))
    assert answer.high - answer.low == pytest.approx(0.06)
    assert answer.source == "invented for this test"


def test_a_constant_without_a_source_is_refused():
    with pytest.raises(Unusable):
        Norrish(4.5, 0.5, " ")
    with pytest.raises(Unusable):
        Grover(1.0, "")


def test_without_a_molar_mass_no_mole_fraction_is_made_up():
    solids = Solute("glucose syrup solids", "sugar")
    answer = water_activity.raoult(syrup((solids, 40)))
    assert answer.why == "No molar mass is given for glucose syrup solids."


# --- compositions ---


def test_what_is_not_dissolved_is_not_counted():
    plain = syrup((SUCROSE, 30), (GLUCOSE, 20), water=30)
    rich = syrup((SUCROSE, 30), (GLUCOSE, 20), water=30, fat=30, protein=5, starch=5)
    assert water_activity.spoken(plain) == water_activity.spoken(rich)


@pytest.mark.parametrize(
    "change",
    [
        {"total_g": 101.0},
        {"total_g": math.nan},
        {"water_g": -1.0},
        {"water_g": math.inf},
        {"dissolved": [(SUCROSE, -60.0)]},
        {"undissolved": {"gravel": 0.0}},
        {"tolerance_g": -0.1},
    ],
)
def test_senseless_compositions_are_refused(change):
    usual = {"water_g": 40.0, "dissolved": [(SUCROSE, 60.0)], "total_g": 100.0, "tolerance_g": 0.5}
    with pytest.raises(Unusable):
        composition(**(usual | change))


def test_two_sets_of_constants_for_one_solute_are_refused():
    other = Solute("sucrose", "sugar", 340.0)
    with pytest.raises(Unusable, match="two sets of constants"):
        syrup((SUCROSE, 20), (other, 20))


def test_a_solute_listed_twice_is_added():
    assert syrup((SUCROSE, 20), (SUCROSE, 10)) == syrup((SUCROSE, 30))


# --- the band ---


def test_the_band_spans_the_models_and_keeps_upper_bounds_apart():
    answers = water_activity.spoken(syrup((SUCROSE, 60)))
    band = water_activity.band(answers)
    assert band.models == ("Sucrose reference", "Norrish", "Money-Born", "Grover")
    assert (band.low, band.high) == pytest.approx((0.8742, 0.9201), abs=1e-4)
    assert [bound.model for bound in band.upper_bounds] == ["Raoult"]


def test_an_upper_bound_alone_makes_no_band():
    answers = water_activity.spoken(syrup((Solute("honey solids", "sugar", 180.16), 20)))
    assert isinstance(water_activity.band(answers), NotComputed)


# --- properties ---

GRAMS = st.floats(0, 100)
MIXES = st.lists(st.tuples(st.sampled_from(list(SOLUTES.values())), GRAMS), min_size=1, max_size=3)


@given(MIXES, st.floats(1, 100))
def test_every_answer_lies_in_its_band_between_0_and_1(mix, water):
    for answer in water_activity.spoken(syrup(*mix, water=water)):
        if isinstance(answer, Computed):
            assert 0 <= answer.low <= answer.value <= answer.high <= 1


@given(MIXES, st.floats(1, 100))
def test_nothing_is_computed_outside_the_common_range(mix, water):
    made = syrup(*mix, water=water)
    solids = sum(grams for _, grams in mix) / (water + sum(grams for _, grams in mix))
    cane = sum(grams for solute, grams in mix if solute is SUCROSE)
    models = [a.model for a in water_activity.spoken(made) if isinstance(a, Computed)]
    if solids > 0.7501 or not any(grams for _, grams in mix):
        assert models == []
    if cane / (cane + water) > 0.6751:
        assert models in ([], ["Saturated sucrose syrup"])
    if solids > 0.7001:
        assert not {"Norrish", "Norrish, mixture", "Money-Born"} & set(models)


@given(MIXES, st.floats(1, 100))
def test_the_band_holds_every_model_that_spoke_and_raoult_lies_above_norrish(mix, water):
    answers = water_activity.spoken(syrup(*mix, water=water))
    band = water_activity.band(answers)
    values = {answer.model: answer.value for answer in answers if isinstance(answer, Computed)}
    if isinstance(band, NotComputed):
        assert set(values) <= {"Raoult"}
        return
    assert all(band.low <= values[model] <= band.high for model in band.models)
    for model in ("Norrish", "Norrish, mixture"):
        assert values.get(model, 0) <= values.get("Raoult", 1)


@given(MIXES, st.floats(1, 100), st.integers(0, 2), st.floats(0.1, 50))
def test_more_solute_never_raises_what_a_model_says(mix, water, which, more):
    grown = [*mix]
    solute, grams = grown[which % len(mix)]
    grown[which % len(mix)] = (solute, grams + more)
    before = {a.model: a for a in water_activity.spoken(syrup(*mix, water=water))}
    after = {a.model: a for a in water_activity.spoken(syrup(*grown, water=water))}
    for model in before.keys() & after.keys() - {"Saturated sucrose syrup"}:
        if isinstance(before[model], Computed) and isinstance(after[model], Computed):
            assert after[model].value < before[model].value
