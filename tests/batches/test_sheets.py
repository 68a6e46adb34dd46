"""The batch sheet: the weigh-up against the recipe, and everything noted, in one frozen value."""

from dataclasses import asdict, replace
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import noting, receiving, recipes, runs, using
from batches.models import ProcessStep
from batches.movements import withdraw
from batches.sheets import batch_sheet
from batches.weighing_up import WeighUp
from ledger.ids import uuid7
from tests.batches.conftest import HOUR, MORNING
from tests.conftest import NOON

MINUTE = timedelta(minutes=1)


@pytest.fixture
def stock(receive, release, supplier):
    """A released lot of a material."""

    def do(material, quantity="50", unit="KGM"):
        lot = receive(material=material, quantity=quantity, unit=unit).lot
        release(lot)
        return lot

    return do


@pytest.fixture
def weigh(act, begun):
    def do(lot, quantity, unit="KGM", at=NOON, said=None, **values):
        said_act = act(at=at, **(said or {}))
        return using.use(act=said_act, lot=lot, batch=begun, quantity=quantity, unit=unit, **values)

    return do


@pytest.fixture
def parts(act, begun):
    return [runs.open_part(act=act(at=MORNING), batch=begun, number=n, name=f"Boil {n}") for n in (1, 2)]


def line_of(batch, position):
    return batch_sheet(batch).lines[position - 1]


# -- weigh-up ---------------------------------------------------------------------------------------


def test_the_sheet_of_a_batch_in_which_nothing_happened_yet_has_a_line_for_each_of_the_recipe(begun):
    sheet = batch_sheet(begun)
    assert [(line.position, line.target, line.result) for line in sheet.lines] == [
        (1, 6_000_000, "not-weighed"),
        (2, 6_400_000, "not-weighed"),
        (3, 1000, "not-weighed"),
    ]
    assert (sheet.result.made, sheet.result.percent, sheet.result.mass_in) == (0, "0.0", 0)


def test_targets_are_scaled_to_what_was_planned(begin):
    sheet = batch_sheet(begin(quantity="333").batch)
    assert [line.target for line in sheet.lines] == [1_998_000, 2_131_200, 333]


@pytest.mark.parametrize(
    ("quantity", "result", "difference"),
    [
        ("5.94", WeighUp.WITHIN, -60_000),  # 10 per mille of 6 kg is 60 g: at the tolerance is within
        ("6.06", WeighUp.WITHIN, 60_000),
        ("5.939999", WeighUp.OUTSIDE, -60_001),
        ("6.060001", WeighUp.OUTSIDE, 60_001),
    ],
)
def test_a_line_is_judged_per_mille_of_its_target(
    begun, stock, hazelnuts, weigh, quantity, result, difference
):
    weigh(stock(hazelnuts), quantity)
    line = line_of(begun, 1)
    assert (line.result, line.difference) == (result, difference)


@pytest.mark.parametrize(
    ("quantity", "result"), [("6.395", "within"), ("6.405", "within"), ("6.405001", "outside")]
)
def test_a_line_is_judged_by_a_fixed_amount(begun, stock, sugar, weigh, quantity, result):
    weigh(stock(sugar), quantity)
    assert line_of(begun, 2).result == result


def test_a_fixed_tolerance_stays_the_same_in_a_small_batch(begin, stock, sugar, act):
    batch = begin(quantity="100").batch  # asks for 640 g
    using.use(act=act(), lot=stock(sugar), batch=batch, quantity="645", unit="GRM")
    line = line_of(batch, 2)
    assert (line.target, line.tolerance_amount, line.result) == (640_000, 5_000, "within")


def test_weighings_of_several_lots_add_up_in_a_line(begun, stock, hazelnuts, weigh):
    lots = [stock(hazelnuts), stock(hazelnuts)]
    weigh(lots[0], "2.5")
    weigh(lots[1], "3.5", at=NOON + MINUTE)
    line = line_of(begun, 1)
    assert (line.weighed, line.result) == (6_000_000, "within")
    assert [(w.lot_code, w.quantity, w.entered) for w in line.weighings] == [
        (lots[0].code, 2_500_000, "2.5 KGM"),
        (lots[1].code, 3_500_000, "3.5 KGM"),
    ]


def test_what_the_recipe_does_not_name_stands_outside_it(begun, stock, make_material, weigh):
    salt = stock(make_material("Salt"))
    weigh(salt, "0.1")
    sheet = batch_sheet(begun)
    assert [(w.lot_code, w.flags) for w in sheet.outside_recipe] == [(salt.code, ("not-in-recipe",))]
    assert all(line.weighed == 0 for line in sheet.lines)


def test_a_weighing_for_a_line_of_another_material_is_not_added_to_it(begun, stock, wrappers, weigh):
    box = stock(wrappers, "1000", "H87")
    weigh(box, "1000", "H87", recipe_line=1)
    sheet = batch_sheet(begun)
    assert [line.weighed for line in sheet.lines] == [0, 0, 0]
    assert [w.flags for w in sheet.outside_recipe] == [("other-than-recipe-line",)]


@pytest.fixture
def twice_sugar(act, lead, approve, pillow_recipe, pillow_draft, sugar):
    """The recipe asks for sugar twice: for the caramel (2) and for the table (4)."""
    line = {"material": sugar.code, "quantity": "100", "unit": "GRM", "tolerance_permille": "0"}
    document = pillow_draft | {"lines": [*pillow_draft["lines"], line]}
    recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"draft": document})
    return approve(pillow_recipe, act(by=lead, at=MORNING - HOUR))


def test_a_weighing_that_names_its_line_is_counted_there(act, begin, twice_sugar, stock, sugar):
    batch, lot = begin(recipe_version=twice_sugar).batch, stock(sugar)
    using.use(act=act(), lot=lot, batch=batch, quantity="100", unit="GRM", recipe_line=4)
    sheet = batch_sheet(batch)
    assert [(line.weighed, line.result) for line in (sheet.lines[1], sheet.lines[3])] == [
        (0, "not-weighed"),
        (100_000, "within"),
    ]


def test_where_several_lines_want_it_and_none_was_named_the_result_is_undecided(
    act, begin, twice_sugar, stock, sugar
):
    batch, lot = begin(recipe_version=twice_sugar).batch, stock(sugar)
    using.use(act=act(), lot=lot, batch=batch, quantity="6.5", unit="KGM")
    sheet = batch_sheet(batch)
    assert [line.result for line in sheet.lines] == ["not-weighed", "undecided", "not-weighed", "undecided"]
    assert [w.quantity for w in sheet.unclear] == [6_500_000]


# -- process ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("said", ["COOK", "cook", "Cook the sugar"])
def test_steps_of_the_recipe_that_nobody_noted_are_named(act, begun, kettle, said):
    noting.note_step(act=act(), batch=begun, step=said, equipment=kettle, ended_at=NOON + 25 * MINUTE)
    sheet = batch_sheet(begun)
    assert [(s.step, s.equipment, s.at, s.ended_at) for s in sheet.steps] == [
        (said, str(kettle), NOON, NOON + 25 * MINUTE)
    ]
    assert [step.code for step in sheet.steps_not_noted] == ["FOLD"]


def test_times_stand_on_the_clock_they_were_read_from(act, begun):
    noting.note_step(act=act(), batch=begun, step="COOK", ended_at=NOON)
    step = batch_sheet(begun).steps[0]
    assert step.at.isoformat() == step.ended_at.isoformat() == "2026-03-02T12:00:00+01:00"


def test_readings_parts_trim_and_equipment_stand_on_it(act, begun, parts, kettle):
    noting.note_quality(act=act(), batch=begun, what="colour", value="amber", part=parts[0])
    noting.return_trim(
        act=act(), batch=begun, from_part=parts[0], to_part=parts[1], quantity="250", unit="GRM"
    )
    sheet = batch_sheet(begun)
    assert [(part.number, part.name) for part in sheet.parts] == [(1, "Boil 1"), (2, "Boil 2")]
    assert [(r.what, r.value, r.part) for r in sheet.readings] == [("colour", "amber", 1)]
    assert [(t.from_part, t.to_part, t.quantity) for t in sheet.trim] == [(1, 2, 250_000)]
    assert [(e.code, e.since, e.until) for e in sheet.equipment] == [(kettle.code, MORNING, None)]


def test_who_keyed_it_in_is_named_where_another_did_the_work(act, begun, lead, operator):
    noting.note_step(act=replace(act(), recorded_by=lead), batch=begun, step="COOK")
    noting.note_step(act=act(), batch=begun, step="FOLD")
    assert [(s.by, s.keyed_by) for s in batch_sheet(begun).steps] == [
        (operator.name, lead.name),
        (operator.name, ""),
    ]


# -- what came out ----------------------------------------------------------------------------------


def test_the_yield_counts_the_product_and_leaves_rework_apart(act, begun, pillows, sugar, weigh, stock):
    weigh(stock(sugar), "12.8")
    made = using.make(act=act(), batch=begun, material=pillows, quantity="940", unit="H87")
    using.make(act=act(), batch=begun, lot=made.lot, quantity="10", unit="H87")
    using.make(act=act(), batch=begun, material=pillows, quantity="50", unit="H87", is_rework=True,
               rework_from="trim")  # fmt: skip
    sheet = batch_sheet(begun)
    assert [(out.quantity, out.is_rework, out.status) for out in sheet.made] == [
        (950, False, "awaiting"),
        (50, True, "awaiting"),
    ]
    assert (sheet.result.planned, sheet.result.made, sheet.result.percent) == (1000, 950, "95.0")
    assert (sheet.result.mass_in, sheet.result.mass_out) == (12_800_000, 12_000_000)  # 1000 pieces of 12 g


def test_a_mass_that_is_not_known_is_not_made_up(act, begun, pillows):
    pillows.piece_mass_mg = None
    pillows.save()
    using.make(act=act(), batch=begun, material=pillows, quantity="950", unit="H87")
    assert batch_sheet(begun).result.mass_out is None


# -- what no longer stands --------------------------------------------------------------------------


def test_a_corrected_weighing_counts_as_corrected_and_the_old_one_stays_legible(
    begun, stock, hazelnuts, weigh
):
    lot = stock(hazelnuts)
    first = weigh(lot, "60")
    second = weigh(lot, "6", said={"corrects": first.pk, "reason": "comma slipped"})
    sheet = batch_sheet(begun)
    assert (sheet.lines[0].weighed, sheet.lines[0].result) == (6_000_000, "within")
    (struck,) = sheet.struck
    assert (struck.id, struck.said) == (first.pk, f"used 60 kg of lot {lot.code}")
    assert (struck.replaced_by, struck.withdrawn, struck.reason) == (second.pk, False, "comma slipped")


def test_a_withdrawn_weighing_never_happened_and_stays_legible(act, begun, stock, hazelnuts, weigh):
    first = weigh(stock(hazelnuts), "6")
    withdraw(act=act(corrects=first.pk, reason="other batch", withdraws=True))
    sheet = batch_sheet(begun)
    assert sheet.lines[0].result == "not-weighed"
    assert [(struck.id, struck.withdrawn) for struck in sheet.struck] == [(first.pk, True)]


def test_every_kind_of_note_can_be_struck(act, begun, parts, kettle):
    step = noting.note_step(act=act(), batch=begun, step="COOK")
    reading = noting.note_quality(act=act(), batch=begun, what="colour", value="amber")
    use = runs.note_equipment(act=act(), batch=begun, equipment=kettle, deed="freed")
    trim = noting.return_trim(
        act=act(), batch=begun, from_part=parts[0], to_part=parts[1], quantity="1", unit="KGM"
    )
    end = runs.end(act=act(), batch=begun)
    for record in (step, reading, use, trim, end):
        said = act(corrects=record.pk, reason="wrong batch", withdraws=True)
        runs.withdraw(act=said, batch=begun, kind=type(record))
    runs.correct_start(
        act=act(at=MORNING, corrects=begun.uid, reason="miscounted"), batch=begun, quantity="900", unit="H87"
    )
    sheet = batch_sheet(begun)
    assert (sheet.steps, sheet.readings, sheet.trim, sheet.ended_at) == ((), (), (), None)
    assert sorted(struck.said for struck in sheet.struck) == [
        "began, planned 1000 pieces",
        "colour: amber",
        "ended",
        f"freed {kettle}",
        "step COOK",
        "trim 1 kg from part 1 to 2",
    ]
    assert (sheet.planned, sheet.planned_entered) == (900, "900 H87")


# -- the value --------------------------------------------------------------------------------------


def test_the_sheet_is_plain_values_through_and_through(act, begun, stock, hazelnuts, weigh, parts, pillows):
    """A document copies it whole, so no row of the database may hide in it."""
    weigh(stock(hazelnuts), "6", part=parts[0])
    noting.note_step(act=act(), batch=begun, step="COOK")
    using.make(act=act(), batch=begun, material=pillows, quantity="950", unit="H87")

    def kinds(value):
        if isinstance(value, dict):
            return {kind for inner in value.values() for kind in kinds(inner)}
        if isinstance(value, (tuple, list)):
            return {kind for inner in value for kind in kinds(inner)}
        return {type(value).__name__}

    plain = {"UUID", "str", "int", "bool", "datetime", "date", "NoneType", "WeighUp"}
    assert kinds(asdict(batch_sheet(begun))) <= plain


def test_the_sheet_costs_the_same_however_long_it_is(
    act, begun, stock, hazelnuts, sugar, weigh, parts, pillows
):
    def cost():
        with CaptureQueriesContext(connection) as queries:
            batch_sheet(begun)
        return len(queries)

    def fill(times):
        for _ in range(times):
            weigh(stock(hazelnuts), "1", part=parts[0])
            noting.note_step(act=act(), batch=begun, step="COOK", part=parts[1])
            noting.note_quality(act=act(), batch=begun, what="colour", value="amber", part=parts[0])
            noting.return_trim(
                act=act(), batch=begun, from_part=parts[0], to_part=parts[1], quantity="1", unit="GRM"
            )
            using.make(act=act(), batch=begun, material=pillows, quantity="1", unit="H87")

    fill(1)
    alone = cost()
    fill(9)
    assert cost() == alone


def test_a_step_that_stands_for_a_corrected_one_takes_its_place(act, begun):
    first = noting.note_step(act=act(), batch=begun, step="COOK")
    noting.note_step(act=act(corrects=first.pk, reason="was folding"), batch=begun, step="FOLD")
    assert [step.step for step in batch_sheet(begun).steps] == ["FOLD"]
    assert ProcessStep.objects.count() == 2


def test_supplies_of_another_batch_do_not_stand_on_it(act, begin, begun, stock, hazelnuts):
    using.use(act=act(), lot=stock(hazelnuts), batch=begin().batch, quantity="6", unit="KGM")
    assert line_of(begun, 1).result == "not-weighed"


def test_receipts_do_not_stand_on_a_sheet(begun, hazelnuts, supplier, act):
    receiving.receive(act=act(id=uuid7()), material=hazelnuts, supplier=supplier, quantity="1", unit="KGM")
    assert batch_sheet(begun).struck == ()
