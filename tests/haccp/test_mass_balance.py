"""Whether what went into a batch came out of it, and how much should have gone off in cooking."""

import math
from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from batches import noting, receiving, recipes, runs, storing
from batches.models import Batch, Lot, Material, Movement, RecipeVersion, WeighedApart
from haccp import compositions, mass_balance
from haccp.cook_losses import FEWEST_BATCHES, How
from haccp.models import PlanVersion
from ledger import signatures
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Establishment, Person
from tests.conftest import NOON, Client
from tests.haccp.conftest import HOUR, MORNING

pytestmark = pytest.mark.django_db
KG = 1_000_000
DAY = timedelta(days=1)


@pytest.fixture
def syrup(act: Callable[..., Act], lead: Person, sugar: Material) -> Material:
    """What is weighed in: 15 % solids, all of them sucrose."""
    document = {
        "water": "85",
        "water_uncertainty": "0",
        "tolerance": "0",
        "dissolved": [{"solute": "sucrose", "grams": "15"}],
    }
    values = {"code": "C-SUG", "name": "Thin syrup", "material": sugar, "document": document}
    said = {"method": "label", "source": "An invented sheet", "provenance": "read"}
    compositions.make(act=act(lead), values=values | said | {"in_force_from": date(2026, 1, 1)})
    return sugar


@pytest.fixture
def sweet(receive: Callable[..., Lot], accept: Callable[..., Lot]) -> Lot:
    """More than any batch takes."""
    return accept(receive(at=MORNING - DAY * 40, quantity="90000"))


@pytest.fixture
def approve(
    act: Callable[..., Act], lead: Person, products: dict[str, Material]
) -> Callable[..., RecipeVersion]:
    """A recipe of thin syrup alone, cooked to what is said."""

    def do(**said: Any) -> RecipeVersion:
        line = {"material": "SUG", "quantity": "5400", "unit": "KGM", "tolerance_permille": "10"}
        document = {"batch_size": {"quantity": "2025", "unit": "KGM"}, "lines": [line]} | said
        recipe = recipes.draft(
            act=act(lead), code="R-SYR", name="Syrup", material=products["SBC"], document=document
        )
        at = MORNING - DAY * 30
        return recipes.approve(act=act(lead, at=at), recipe=recipe, proof=signatures.Proof(lead))

    return do


@pytest.fixture
def cook(
    begin: Any, make_lot: Any, use: Any, end: Any, plan_version: PlanVersion, sweet: Lot
) -> Callable[..., Batch]:
    """A batch that took kilograms in, made kilograms, and ended."""

    def do(
        version: RecipeVersion, came: str = "5400", went: str = "2025", at: Any = MORNING, **used: Any
    ) -> Batch:
        batch = begin(at=at, recipe_version=version, quantity="2025")
        use(sweet, batch, at=at + HOUR, quantity=came, **used)
        make_lot(batch, at=at + 2 * HOUR, quantity=went)
        end(batch, at=at + 3 * HOUR)
        return Batch.objects.select_related("state", "establishment", "recipe_version__recipe").get(
            pk=batch.pk
        )

    return do


TO_60 = {"cooked_to": {"moisture": "60", "moisture_uncertainty": "0"}}


def test_the_worked_example_of_a_juice_from_15_to_40_brix_closes(syrup: Material, approve: Any, cook: Any):
    """Z. Berk, Food Process Engineering and Technology, example 21.1: 5400 kg an hour from 15 to 40 Bx, 3375 kg of
    water off (read in a public copy)."""
    found = mass_balance.of_batch(cook(approve(**TO_60)))
    assert (found.cooked_off.how, found.cooked_off.value) == (How.SOLIDS, 3375 * KG)
    assert found.gap == 0


def test_what_the_recipe_leaves_open_is_left_open(syrup: Material, approve: Any, cook: Any):
    """60 to 62 % left: 810 kg of solids in 2025 to 2131.6 kg (computed)."""
    to = {"moisture": "61", "moisture_uncertainty": "1"}
    found = mass_balance.of_batch(cook(approve(cooked_to=to)))
    assert (round(found.gap_low / KG, 1), round(found.gap_high / KG, 1)) == (0, 106.6)


def test_caramelised_sugar_has_no_solids_balance(syrup: Material, approve: Any, cook: Any):
    found = mass_balance.of_batch(cook(approve(caramelised=True, **TO_60)))
    assert found.cooked_off.how is How.UNKNOWN
    assert "loses more than water" in found.cooked_off.sentence


def test_caramel_is_judged_by_the_house_own_batches(
    syrup: Material, approve: Any, cook: Any, establishment: Establishment
):
    """Each of the earlier ones lost 62 to 63 %; this one 70 %."""
    version = approve(caramelised=True)
    for number in range(FEWEST_BATCHES):
        cook(version, "100", str(37 + number % 2), at=MORNING - DAY * (20 - number))
    establishment.balance_gap_permille = 5
    establishment.save(update_fields=["balance_gap_permille"])
    found = mass_balance.of_batch(cook(version, "100", "30"))
    assert found.cooked_off.how is How.HISTORY
    assert found.flagged is True


def test_a_later_batch_is_no_history_of_an_earlier_one(syrup: Material, approve: Any, cook: Any):
    version = approve(caramelised=True)
    first = cook(version, "100", "38", at=MORNING - DAY * 20)
    for number in range(FEWEST_BATCHES):
        cook(version, "100", "37", at=MORNING - DAY * (10 - number))
    assert mass_balance.of_batch(first).cooked_off.how is How.UNKNOWN


def test_what_was_weighed_as_cooked_off_counts_before_any_model(
    act: Any, syrup: Material, approve: Any, cook: Any
):
    batch = cook(approve(**TO_60))
    noting.weigh_apart(act=act(), batch=batch, what="cooked-off", quantity="3370", unit="KGM")
    found = mass_balance.of_batch(batch)
    assert (found.cooked_off.how, found.gap) == (How.WEIGHED, 5 * KG)


def test_residue_and_trim_are_lines_of_their_own_and_explain_themselves(
    act: Any, syrup: Material, approve: Any, cook: Any
):
    batch = cook(approve(**TO_60), went="2000")
    noting.weigh_apart(act=act(), batch=batch, what="pot-residue", quantity="20", unit="KGM")
    noting.weigh_apart(act=act(), batch=batch, what="trim", quantity="5", unit="KGM")
    found = mass_balance.of_batch(batch)
    assert found.apart == {"pot-residue": 20 * KG, "trim": 5 * KG}
    assert found.gap == 0


def test_coating_picked_up_is_told_and_in_no_sum(act: Any, syrup: Material, approve: Any, cook: Any):
    batch = cook(approve(**TO_60))
    noting.weigh_apart(act=act(), batch=batch, what="coating-picked-up", quantity="7", unit="KGM")
    found = mass_balance.of_batch(batch)
    assert (found.coating, found.gap) == (7 * KG, 0)


@pytest.mark.parametrize(
    ("went", "flagged"), [("1998", False), ("1997.9", True), ("2052", False), ("2052.1", True)]
)
def test_a_gap_over_what_the_house_allows_is_flagged_either_way(
    syrup: Material, approve: Any, cook: Any, establishment: Establishment, went: str, flagged: bool
):
    """5 per mille of 5400 kg are 27 kg."""
    establishment.balance_gap_permille = 5
    establishment.save(update_fields=["balance_gap_permille"])
    assert mass_balance.of_batch(cook(approve(**TO_60), went=went)).flagged is flagged


def test_what_the_balances_cannot_show_is_no_gap(
    syrup: Material, approve: Any, cook: Any, establishment: Establishment, make_instrument: Any
):
    """Two weighings known to 3 kg each are known to 4.243 kg together (JCGM 100:2008, 5.1)."""
    usual = {"kind": "balance", "unit": "KGM", "range_lower": Decimal(1), "range_upper": Decimal(6000)}
    make_instrument(code="B-1", expanded_uncertainty=Decimal(3), **usual)
    make_instrument(code="B-2", expanded_uncertainty=Decimal("0.1"), **usual)
    establishment.balance_gap_permille = 0
    establishment.save(update_fields=["balance_gap_permille"])
    found = mass_balance.of_batch(cook(approve(**TO_60), went="2021"))
    assert found.weighed_to.uncertainty == 4_242_641
    assert (found.weighed_to.balances, found.flagged) == (("B-1",), False)


def test_a_balance_of_unknown_uncertainty_is_said_and_adds_nothing(
    syrup: Material, approve: Any, cook: Any, make_instrument: Any
):
    make_instrument(unit="KGM", range_lower=Decimal(1), range_upper=Decimal(6000), expanded_uncertainty=None)
    found = mass_balance.of_batch(cook(approve(**TO_60)))
    assert (found.weighed_to.uncertainty, found.weighed_to.unknown) == (0, 2)
    assert "2 weighings by a balance whose uncertainty is not in the register." in found.sentences


def test_a_weighing_that_names_its_balance_is_known_as_well_as_that_shows(
    syrup: Material, approve: Any, cook: Any, make_instrument: Any
):
    """What went in by the good balance, what came out by the coarse one, as today's rule takes it: 3 kg and 0.1 kg."""
    usual = {"kind": "balance", "unit": "KGM", "range_lower": Decimal(1), "range_upper": Decimal(6000)}
    make_instrument(code="B-1", expanded_uncertainty=Decimal(3), **usual)
    good = make_instrument(code="B-2", expanded_uncertainty=Decimal("0.1"), **usual)
    found = mass_balance.of_batch(cook(approve(**TO_60), weighed_with=good.pk))
    assert found.weighed_to.uncertainty == math.ceil(math.hypot(100_000, 3_000_000))
    assert found.weighed_to.balances == ("B-1", "B-2")


def test_a_named_balance_says_nothing_of_what_it_cannot_weigh(
    syrup: Material, approve: Any, cook: Any, make_instrument: Any
):
    usual = {"kind": "balance", "unit": "KGM", "range_lower": Decimal(0), "expanded_uncertainty": Decimal(1)}
    make_instrument(range_upper=Decimal(6000), **usual)
    small = make_instrument(range_upper=Decimal(10), **usual)
    found = mass_balance.of_batch(cook(approve(**TO_60), weighed_with=small.pk))
    assert (found.weighed_to.uncertainty, found.weighed_to.unknown) == (1_000_000, 1)


def test_only_an_instrument_of_the_house_that_weighs_can_be_named(
    api: Client, sweet: Lot, make_instrument: Any
):
    said = {"performed_at": MORNING.isoformat(), "lot": str(sweet.uid), "quantity": "1", "unit": "KGM"}
    for named, status in ((uuid7(), 404), (make_instrument().pk, 400)):
        answer = api.send("movements/sampled", said | {"weighed_with": str(named)})
        assert (answer.status_code, answer.json()["errors"][0]["field"]) == (status, "weighed_with")
    assert not Movement.objects.filter(what="sampled").exists()
    weighs = make_instrument(unit="GRM")
    answer = api.send("movements/sampled", said | {"weighed_with": str(weighs.pk)})
    assert (answer.status_code, answer.json()["weighed_with"]) == (201, str(weighs.pk))


def test_what_was_weighed_apart_by_a_named_balance_is_known_as_well_as_that_shows(
    api: Client, syrup: Material, approve: Any, cook: Any, make_instrument: Any
):
    """3 kg for each of two weighings that name none, 0.1 kg for the residue (JCGM 100:2008, 5.1)."""
    usual = {"kind": "balance", "unit": "KGM", "range_lower": Decimal(1), "range_upper": Decimal(6000)}
    make_instrument(code="B-1", expanded_uncertainty=Decimal(3), **usual)
    good = make_instrument(code="B-2", expanded_uncertainty=Decimal("0.1"), **usual)
    batch = cook(approve(**TO_60))
    residue = {"what": "pot-residue", "quantity": "2", "unit": "KGM", "performed_at": NOON.isoformat()}
    answer = api.send(f"batches/{batch.uid}/weighed-apart", residue | {"weighed_with": str(good.pk)})
    assert (answer.status_code, answer.json()["weighed_with"]) == (201, str(good.pk))
    found = mass_balance.of_batch(batch)
    assert found.weighed_to.uncertainty == math.ceil(math.hypot(3_000_000, 3_000_000, 100_000))


def test_what_was_weighed_apart_names_a_balance_of_the_house(api: Client, batch: Batch, make_instrument: Any):
    residue = {"what": "pot-residue", "quantity": "2", "unit": "KGM", "performed_at": NOON.isoformat()}
    for named, status in ((uuid7(), 404), (make_instrument().pk, 400)):
        answer = api.send(f"batches/{batch.uid}/weighed-apart", residue | {"weighed_with": str(named)})
        assert (answer.status_code, answer.json()["errors"][0]["field"]) == (status, "weighed_with")
    assert not WeighedApart.objects.exists()


@pytest.fixture
def sack(act: Any, sugar: Material, supplier: Any) -> Lot:
    """25 kg of sugar, received at noon, of which a count found 24 kg a day later."""
    got = receiving.receive(
        act=act(at=NOON), material=sugar, supplier=supplier, supplier_code="N-1", quantity="25", unit="KGM"
    )
    storing.count(act=act(at=NOON + timedelta(days=1)), lot=got.lot, quantity="24", unit="KGM")
    return got.lot


@pytest.mark.parametrize(("permille", "flagged"), [(None, None), (39, True), (40, False), (41, False)])
def test_a_gap_in_stock_is_flagged_over_what_the_house_allows(
    sack: Lot, establishment: Establishment, permille: Any, flagged: Any
):
    """1 kg of 25 kg is 40 per mille."""
    establishment.balance_gap_permille = permille
    establishment.save(update_fields=["balance_gap_permille"])
    assert mass_balance.of_lot(Lot.objects.get(pk=sack.pk)).flagged is flagged


@pytest.mark.parametrize(("each", "flagged"), [("0.70", True), ("0.71", False)])
def test_what_the_balances_cannot_show_of_a_lot_is_no_gap(
    sack: Lot, establishment: Establishment, make_instrument: Any, each: str, flagged: bool
):
    """Two weighings known to 0.71 kg each are known to 1.004 kg together (JCGM 100:2008, 5.1)."""
    usual = {"kind": "balance", "unit": "KGM", "range_lower": Decimal(1), "range_upper": Decimal(60)}
    make_instrument(code="B-1", expanded_uncertainty=Decimal(each), **usual)
    establishment.balance_gap_permille = 0
    establishment.save(update_fields=["balance_gap_permille"])
    found = mass_balance.of_lot(Lot.objects.get(pk=sack.pk))
    assert (found.weighed_to.balances, found.flagged) == (("B-1",), flagged)


def test_the_balance_of_a_period_takes_the_weighings_within_it(
    sack: Lot, establishment: Establishment, make_instrument: Any
):
    usual = {"kind": "balance", "unit": "KGM", "range_lower": Decimal(1), "range_upper": Decimal(60)}
    make_instrument(code="B-1", expanded_uncertainty=Decimal("0.5"), **usual)
    since, until = NOON + timedelta(hours=1), NOON + timedelta(days=2)
    ((_material, found),) = mass_balance.of_period(establishment, since=since, until=until)
    assert (found.balance.gap, found.weighed_to.uncertainty) == (1_000_000, 500_000)


def test_a_period_costs_four_statements(
    sack: Lot, establishment: Establishment, django_assert_num_queries: Any
):
    with django_assert_num_queries(4):
        mass_balance.of_period(establishment, since=NOON, until=NOON + timedelta(days=2))


def test_what_the_balances_of_a_lot_show_to_is_told_over_http(api: Client, sack: Lot, make_instrument: Any):
    usual = {"kind": "balance", "unit": "KGM", "range_lower": Decimal(1), "range_upper": Decimal(60)}
    make_instrument(code="B-1", expanded_uncertainty=Decimal("0.5"), **usual)
    told = api.ask(f"lots/{sack.uid}/mass-balance").json()
    assert (told["balances"], told["weighings_of_unknown_uncertainty"]) == (["B-1"], 0)


def test_a_material_without_a_composition_leaves_the_cook_loss_unknown(
    approve: Any, cook: Any, sugar: Material
):
    found = mass_balance.of_batch(cook(approve(**TO_60)))
    assert "The composition of Sugar is not stated" in found.cooked_off.sentence
    assert found.flagged is None


def test_a_running_batch_has_no_final_balance(
    begin: Any, use: Any, sweet: Lot, syrup: Material, approve: Any, plan_version: PlanVersion
):
    batch = begin(recipe_version=approve(**TO_60), quantity="2025")
    use(sweet, batch, quantity="5400")
    found = mass_balance.of_batch(batch)
    assert found.flagged is None
    assert found.sentences[0].startswith("The batch has not ended")


def test_a_recipe_total_is_taken_in_proportion_to_what_went_in(syrup: Material, approve: Any, cook: Any):
    total = {"quantity": "2025", "unit": "KGM"}
    to = {"total": total, "total_uncertainty": {"quantity": "0", "unit": "KGM"}}
    found = mass_balance.of_batch(cook(approve(cooked_to=to), came="2700", went="1012.5"))
    assert (found.cooked_off.how, found.gap) == (How.TOTAL, 0)


def test_withdrawn_residue_is_in_no_balance(act: Any, syrup: Material, approve: Any, cook: Any):
    batch = cook(approve(**TO_60))
    noted = noting.weigh_apart(act=act(), batch=batch, what="pot-residue", quantity="20", unit="KGM")
    runs.withdraw(
        act=act(corrects=noted.pk, reason="Another pot", withdraws=True), batch=batch, kind=WeighedApart
    )
    assert mass_balance.of_batch(batch).apart == {}


def test_a_balance_costs_the_same_statements_for_any_number_of_weighings(
    syrup: Material, approve: Any, cook: Any, use: Any, sweet: Lot, django_assert_num_queries: Any
):
    batch = cook(approve(**TO_60))
    with django_assert_num_queries(5):
        mass_balance.of_batch(batch)
    for _ in range(10):
        use(sweet, batch, quantity="1")
    with django_assert_num_queries(5):
        mass_balance.of_batch(batch)


def test_nothing_weighed_apart_of_another_kind_is_taken(act: Any, batch: Batch):
    with pytest.raises(Exception, match="one of: cooked-off, pot-residue, trim"):
        noting.weigh_apart(act=act(), batch=batch, what="eaten", quantity="1", unit="KGM")


def test_the_balance_of_a_batch_over_http(api: Client, syrup: Material, approve: Any, cook: Any):
    batch = cook(approve(**TO_60))
    answer = api.ask(f"batches/{batch.uid}/mass-balance").json()
    assert answer["unexplained"] == {"quantity": "0.000", "unit": "KGM"}
