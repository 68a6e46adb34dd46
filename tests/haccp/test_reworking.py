"""Rework against the rules of the recipe: recorded, flagged, a deviation and a hold; corrections included."""

from datetime import timedelta
from typing import Any

import pytest

from batches import lots, movements, recipes, rework, runs, shipping, using
from batches.flags import Flag
from batches.models import Lot, LotState, Movement, RecipeReworkSource, TradingPartner
from config.api.refusals import RuleBroken, Unusable
from haccp.models import Deviation
from ledger.ids import uuid7
from ledger.models import Entry
from ledger.signatures import Proof
from tests.haccp.conftest import HOUR, MINUTE, MORNING

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)
RULES = {"materials": ["SBC"], "most_permille": "200", "most_days": "7", "most_generations": "1"}


@pytest.fixture
def recipe(act: Any, lead: Any, caramel_recipe: Any) -> Any:
    """The caramels once more, with rules for rework: of caramels, a fifth of the batch, seven days, once."""

    def approve(**changes: Any) -> Any:
        drafted = caramel_recipe.recipe
        document = caramel_recipe.document | {"rework": RULES | changes}
        drafted.refresh_from_db()
        drafted = recipes.redraft(act=act(lead), recipe=drafted, values={"draft": document})
        return recipes.approve(act=act(lead, at=MORNING), recipe=drafted, proof=Proof(lead))

    return approve


@pytest.fixture
def released(act: Any) -> Any:
    def do(lot: Lot) -> Lot:
        because = Entry.objects.filter(establishment=lot.establishment).latest("id")
        lots.decide(act=act(at=MORNING - HOUR), lots=[lot], status="released", because=because)
        return lot

    return do


@pytest.fixture
def sweet(receive: Any, accept: Any) -> Lot:
    return accept(receive())


@pytest.fixture
def trim(act: Any, use: Any, sweet: Lot, make_lot: Any, released: Any) -> Any:
    """A released kilogram of rework of a batch with four kilograms of sugar, made at nine."""

    def make(batch: Any, feed: Lot | None = sweet, **values: Any) -> Lot:
        if feed is not None:
            use(feed, batch, at=MORNING + MINUTE, quantity="4")
        usual = {"quantity": "1", "is_rework": True, "rework_from": "trim"}
        return released(make_lot(batch, at=MORNING + HOUR, **(usual | values)))

    return make


@pytest.fixture
def rework_into(act: Any) -> Any:
    def do(lot: Lot, batch: Any, quantity: str = "1", at: Any = MORNING + 2 * HOUR, **more: Any) -> Movement:
        return using.use(act=act(at=at, **more), lot=lot, batch=batch, quantity=quantity, unit="KGM")

    return do


def cases() -> list[str]:
    """The slots of the cases about material, in the order they were opened."""
    return list(Deviation.objects.filter(what="material").order_by("id").values_list("slot", flat=True))


def status(lot: Lot) -> str:
    return LotState.objects.get(lot=lot).status


# -- the rules are approved with the recipe ------------------------------------------------------------------


def test_the_sources_are_kept_as_rows_when_the_recipe_is_approved(recipe, products):
    version = recipe(materials=["SBC", str(products["HZP"].pk)], recipes=["R-SBC"])
    kept = RecipeReworkSource.objects.filter(version=version)
    assert {each.material_id for each in kept} == {products["SBC"].pk, products["HZP"].pk, None}
    assert {each.recipe_id for each in kept} == {version.recipe_id, None}


def test_a_source_that_is_not_here_keeps_the_recipe_from_being_approved(recipe):
    with pytest.raises(RuleBroken) as refusal:
        recipe(materials=["NONE"], recipes=["R-NONE"])
    assert [(reason.code, reason.field) for reason in refusal.value.reasons] == [
        ("unknown-source", "rework.materials.0"),
        ("unknown-source", "rework.recipes.0"),
    ]


# -- one use -----------------------------------------------------------------------------------------------


def test_rework_by_the_rules_is_in_order(recipe, begin, trim, rework_into):
    version = recipe()
    lot = trim(begin(recipe_version=version))
    assert rework_into(lot, begin(recipe_version=version)).flags == []
    assert cases() == []


def test_rework_of_what_the_recipe_makes_is_allowed_by_its_code(recipe, begin, trim, rework_into):
    version = recipe(materials=[], recipes=["R-SBC"])
    lot = trim(begin(recipe_version=version))
    assert rework_into(lot, begin(recipe_version=version)).flags == []


def test_rework_where_the_recipe_allows_none_is_a_case_and_held(begin, trim, rework_into, make_lot):
    lot, batch = trim(begin()), begin()
    made = make_lot(batch)
    assert rework_into(lot, batch).flags == [Flag.NOT_IN_RECIPE, Flag.REWORK_NOT_FORESEEN]
    assert cases() == ["used"]
    assert status(made) == "held"


def test_rework_of_another_source_is_a_case(recipe, begin, trim, rework_into):
    version = recipe(materials=["HZP"])
    lot = trim(begin(recipe_version=version))
    assert rework_into(lot, begin(recipe_version=version)).flags == [Flag.REWORK_SOURCE]
    assert cases() == ["used"]


@pytest.mark.parametrize(("days", "flags"), [(7, []), (8, [Flag.REWORK_TOO_OLD])])
def test_the_greatest_age_is_still_allowed(recipe, begin, trim, rework_into, days, flags):
    version = recipe()
    lot = trim(begin(recipe_version=version))
    later = begin(at=MORNING + days * DAY, recipe_version=version)
    assert rework_into(lot, later, at=MORNING + days * DAY + HOUR).flags == flags


@pytest.mark.parametrize(
    ("where", "flag"),
    [
        ("floor", Flag.REWORK_FROM_FLOOR),
        ("returns", Flag.REWORK_FROM_RETURNS),
        ("unknown", Flag.REWORK_ORIGIN_UNKNOWN),
    ],
)
def test_what_is_never_used_is_a_case_and_held(recipe, begin, trim, rework_into, make_lot, where, flag):
    version = recipe()
    lot, batch = trim(begin(recipe_version=version), rework_from=where), begin(recipe_version=version)
    made = make_lot(batch)
    assert rework_into(lot, batch).flags == [flag]
    assert (cases(), status(made)) == (["used"], "held")


def test_rework_of_a_batch_that_nothing_went_into_is_of_unknown_origin(recipe, begin, trim, rework_into):
    version = recipe()
    lot = trim(begin(recipe_version=version), feed=None)
    movement = rework_into(lot, begin(recipe_version=version))
    assert movement.flags == [Flag.REWORK_ORIGIN_UNKNOWN]
    assert rework.of_unknown_origin([lot]) == {lot.pk}
    assert "everything that its equipment could have left" in Deviation.objects.get(what="material").title


def test_a_held_lot_is_never_rework(recipe, begin, trim, rework_into, act):
    version = recipe()
    lot = trim(begin(recipe_version=version))
    because = Entry.objects.latest("id")
    lots.decide(act=act(at=MORNING + HOUR), lots=[lot], status="held", because=because)
    assert rework_into(lot, begin(recipe_version=version)).flags == [Flag.LOT_HELD]
    assert cases() == ["used"]


def test_what_a_customer_returned_is_never_used_again(recipe, begin, trim, rework_into, act, establishment):
    version = recipe()
    lot = trim(begin(recipe_version=version))
    shop = TradingPartner.objects.create(
        establishment=establishment, code="CUS", name="Corner Shop", is_customer=True
    )
    shipping.ship(act=act(at=MORNING + HOUR), lot=lot, customer=shop, quantity="1", unit="KGM")
    at = act(at=MORNING + HOUR + MINUTE)
    shipping.take_back(act=at, lot=lot, customer=shop, quantity="1", unit="KGM")
    lots.decide(act=act(at=MORNING + HOUR), lots=[lot], status="released", because=Entry.objects.latest("id"))
    assert Flag.RETURNED in rework_into(lot, begin(recipe_version=version)).flags
    assert cases() == ["used"]


def test_rework_made_of_rework_is_a_second_generation(recipe, begin, trim, rework_into, released, make_lot):
    version = recipe()
    first = trim(begin(recipe_version=version))
    second_batch = begin(recipe_version=version)
    rework_into(first, second_batch, quantity="0.5")
    second = released(make_lot(second_batch, is_rework=True, rework_from="trim"))
    assert (rework.generation_of(first), rework.generation_of(second)) == (1, 2)
    assert rework_into(second, begin(recipe_version=version)).flags == [Flag.REWORK_GENERATIONS]


def test_where_rework_comes_from_is_told_of_new_rework_always_and_of_nothing_else(begin, make_lot):
    batch = begin()
    for said in ({"rework_from": "trim"}, {"rework_from": "sea", "is_rework": True}, {"is_rework": True}):
        with pytest.raises(Unusable) as refusal:
            make_lot(batch, **said)
        assert refusal.value.reasons[0].field == "rework_from"


# -- the share of the batch -----------------------------------------------------------------------------------


def test_all_rework_of_a_batch_counts_for_its_share(recipe, begin, trim, rework_into, sweet, make_lot):
    """A fifth of six kilograms is 1.2: the first is allowed, with the second it is 1.4 of 6."""
    version = recipe()
    one, other = trim(begin(recipe_version=version)), trim(begin(recipe_version=version))
    batch = begin(recipe_version=version)
    made = make_lot(batch)
    assert rework_into(one, batch, "0.7").flags == []
    assert cases() == []
    assert rework_into(other, batch, "0.7").flags == [Flag.REWORK_SHARE]
    assert (cases(), status(made)) == (["rework-share 234"], "held")
    assert "234 of 1000 parts of it are rework; the recipe allows 200" in Deviation.objects.get().title


def test_a_share_that_stays_too_large_is_one_case(recipe, begin, trim, rework_into, use, sweet):
    version = recipe()
    lot, batch = trim(begin(recipe_version=version), quantity="2"), begin(recipe_version=version)
    rework_into(lot, batch, "1.5")
    use(sweet, batch, quantity="1")
    use(sweet, batch, quantity="1")
    assert cases() == ["rework-share 250"]


def test_at_the_end_the_share_is_of_what_really_went_in(recipe, begin, trim, rework_into, use, sweet, end):
    """A kilogram in three planned for six: within while it runs, a quarter of four at its end."""
    version = recipe()
    lot, batch = trim(begin(recipe_version=version)), begin(recipe_version=version)
    use(sweet, batch, quantity="3")
    rework_into(lot, batch)
    assert cases() == []
    end(batch)
    assert cases() == ["rework-share 250"]


def test_a_later_correction_of_an_ingredient_makes_a_share_too_large(
    recipe, begin, trim, rework_into, sweet, end, act
):
    version = recipe()
    lot, batch = trim(begin(recipe_version=version)), begin(recipe_version=version)
    weighed = using.use(act=act(at=MORNING + HOUR), lot=sweet, batch=batch, quantity="5", unit="KGM")
    rework_into(lot, batch)
    end(batch)
    assert cases() == []
    mended = act(at=MORNING + HOUR, corrects=weighed.pk, reason="Misread.")
    using.use(act=mended, lot=sweet, batch=batch, quantity="3", unit="KGM")
    assert cases() == ["rework-share 250"]


def test_a_correction_of_the_rework_itself_is_judged_without_what_it_replaces(
    recipe, begin, trim, rework_into
):
    version = recipe()
    lot, batch = trim(begin(recipe_version=version), quantity="3"), begin(recipe_version=version)
    first = rework_into(lot, batch, "1.2")
    second = rework_into(lot, batch, "1", corrects=first.pk, reason="Misread.")
    assert second.flags == []
    third = rework_into(lot, batch, "1.3", corrects=second.pk, reason="It was more.")
    assert third.flags == [Flag.REWORK_SHARE]
    assert cases() == ["rework-share 217"]


def test_withdrawing_a_use_leaves_its_case_and_opens_none(recipe, begin, trim, rework_into, act):
    version = recipe()
    lot, batch = trim(begin(recipe_version=version), quantity="2"), begin(recipe_version=version)
    used = rework_into(lot, batch, "1.5")
    withdrawn = act(corrects=used.pk, withdraws=True, reason="It was another batch.")
    movements.withdraw(act=withdrawn)
    assert cases() == ["rework-share 250"]
    assert rework.share_of(batch).permille == 0


def test_a_share_is_asked_again_after_its_case_was_closed_only_if_it_grew(
    recipe, begin, trim, rework_into, use, sweet, settle
):
    version = recipe()
    lot, batch = trim(begin(recipe_version=version), quantity="3"), begin(recipe_version=version)
    rework_into(lot, batch, "1.5")
    settle(Deviation.objects.get())
    use(sweet, batch, quantity="1")
    assert cases() == ["rework-share 250"]
    rework_into(lot, batch, "0.3")
    assert cases() == ["rework-share 250", "rework-share 300"]


# -- facts that come late ---------------------------------------------------------------------------------------


def test_rework_found_upstream_later_makes_a_use_one_of_too_many_generations(
    recipe, begin, trim, rework_into, released, make_lot, use, sweet
):
    version = recipe()
    first, middle, last = trim(begin(recipe_version=version)), *(begin(recipe_version=version) for _ in "ab")
    use(sweet, middle, quantity="4")
    second = released(make_lot(middle, is_rework=True, rework_from="trim"))
    made = make_lot(last)
    assert rework_into(second, last).flags == []
    rework_into(first, middle, "0.1")
    assert cases() == [Flag.REWORK_GENERATIONS]
    assert status(made) == "held"


def test_a_making_corrected_to_come_from_the_floor_is_a_case_of_each_use(
    recipe, begin, trim, rework_into, act, products
):
    version = recipe()
    source = begin(recipe_version=version)
    lot = trim(source)
    rework_into(lot, begin(recipe_version=version))
    birth = Movement.objects.get(lot=lot, what="made")
    mended = act(at=MORNING + HOUR, corrects=birth.pk, reason="It had fallen down.")
    using.make(act=mended, batch=source, material=products["SBC"], quantity="1", unit="KGM", is_rework=True,
               rework_from="floor")  # fmt: skip
    assert cases() == [Flag.REWORK_FROM_FLOOR]


def test_the_same_late_fact_twice_is_one_case(
    recipe, begin, trim, rework_into, released, make_lot, use, sweet
):
    version = recipe()
    first, middle, last = trim(begin(recipe_version=version)), *(begin(recipe_version=version) for _ in "ab")
    use(sweet, middle, quantity="4")
    rework_into(released(make_lot(middle, is_rework=True, rework_from="trim")), last)
    rework_into(first, middle, "0.1")
    rework_into(first, middle, "0.1")
    assert cases() == [Flag.REWORK_GENERATIONS]


def test_a_repeat_of_a_use_is_one_record_and_one_case(begin, trim, act):
    lot, batch = trim(begin()), begin()
    same = act(at=MORNING + 2 * HOUR, id=uuid7())
    for _ in range(2):
        using.use(act=same, lot=lot, batch=batch, quantity="1", unit="KGM")
    assert cases() == ["used"]


def test_a_corrected_plan_size_is_asked_for_the_share_too(recipe, begin, trim, rework_into, act):
    """A kilogram in six is allowed; the batch was planned for four."""
    version = recipe()
    lot, begun = trim(begin(recipe_version=version)), begin(recipe_version=version)
    rework_into(lot, begun)
    start = begun.starts.get()
    mended = act(at=MORNING, corrects=start.pk, reason="Four were planned.")
    runs.correct_start(act=mended, batch=begun, quantity="4", unit="KGM", equipment=[])
    assert cases() == ["rework-share 250"]


# -- over HTTP ---------------------------------------------------------------------------------------------------


def test_the_rework_of_a_batch_is_told_with_its_rules_and_what_they_break(
    api, recipe, begin, trim, rework_into, sweet
):
    version = recipe()
    lot, batch = trim(begin(recipe_version=version), quantity="2"), begin(recipe_version=version)
    used = rework_into(lot, batch, "1.5")
    told = api.ask(f"batches/{batch.uid}/rework").json()
    assert told["rules"]["most_permille"] == 200
    assert (told["share_permille"], [each["code"] for each in told["broken"]]) == (
        250,
        ["rework-share-too-large"],
    )
    (use,) = told["uses"]
    assert (use["movement"], use["lot_code"], use["days"], use["generation"]) == (
        str(used.pk),
        lot.code,
        0,
        1,
    )
    assert (use["rework_from"], use["origin_known"], use["broken"]) == ("trim", True, [])


def test_a_batch_without_rework_has_none_to_tell_of(api, begin):
    told = api.ask(f"batches/{begin().uid}/rework").json()
    assert told == {"rules": None, "uses": [], "share_permille": 0, "broken": []}


def test_where_rework_comes_from_is_sent_when_it_is_made(api, begin, products):
    body = {"batch": str(begin().uid), "material": str(products["SBC"].pk), "quantity": "1", "unit": "KGM"}
    body |= {"is_rework": True, "rework_from": "floor", "performed_at": (MORNING + HOUR).isoformat()}
    answer = api.send("movements/made", body)
    assert answer.status_code == 201, answer.json()
    lot = Lot.objects.get(uid=answer.json()["lot"])
    assert rework.came_from(lot) == "floor"
