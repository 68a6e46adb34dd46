"""Late facts about allergens: what is in lots is derived anew, and what no longer bears the right label is held."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches import recipes, runs, shipping, using
from batches.models import Batch, Equipment, Lot, LotState, LotStatus, Material, Occupation, TradingPartner
from haccp.allergens import lists, statements
from haccp.models import AllergenStatement, Deviation, LabelVersion
from ledger import signatures
from ledger.acts import Act
from ledger.models import Establishment, Person
from tests.conftest import NOON
from tests.haccp.conftest import HOUR, MORNING

pytestmark = pytest.mark.django_db
State = Callable[..., AllergenStatement]


@pytest.fixture
def state(act: Callable[..., Act], lead: Person, establishment: Establishment) -> State:
    """``state(sugar, milk="contains")``: free of everything else, unless only what is told is stated."""

    def do(
        material: Material,
        lot: Lot | None = None,
        said_act: Act | None = None,
        only: bool = False,
        **says: str,
    ) -> AllergenStatement:
        vocabulary = lists.vocabulary(establishment)
        groups = {group for code in says for group in vocabulary.groups_of(code)}
        told = [{"allergen": code, "says": word, "because": "their sheet"} for code, word in says.items()]
        if not only:
            told += [
                {"allergen": code, "says": "free-of", "because": "their assay"}
                for code in sorted(vocabulary.members - says.keys() - groups)
            ]
        return statements.record(
            act=said_act or act(lead),
            material=material,
            lot=lot,
            says=told,
            document="Sheet 7",
            document_day=date(2026, 2, 1),
            in_force_from=date(2026, 2, 1),
        )

    return do


@pytest.fixture
def source(receive: Callable[..., Lot], accept: Callable[..., Lot]) -> Lot:
    return accept(receive())


@pytest.fixture
def lot(batch: Batch, source: Lot, use: Any, make_lot: Callable[..., Lot]) -> Lot:
    """A lot of caramels of sugar alone."""
    use(source, batch, at=MORNING + HOUR / 6)
    return make_lot(batch, at=MORNING + HOUR / 2)


def status(lot: Lot) -> str:
    return LotState.objects.get(lot=lot).status


def make_released(lot: Lot) -> None:
    LotState.objects.filter(lot=lot).update(status=LotStatus.RELEASED)


def cases() -> list[Deviation]:
    return list(Deviation.objects.filter(what=Deviation.What.ALLERGEN).order_by("recorded_at"))


def held_by(case: Deviation) -> set[str]:
    return {uid for hold in case.holds.all() for uid in hold.lots}


def test_a_late_contains_egg_for_one_lot_holds_what_bears_a_label_without_it(
    state: State, sugar: Material, source: Lot, lot: Lot, see: Any, label_version: LabelVersion
):
    state(sugar)
    see(lot.batch, label_version)
    assert status(lot) == LotStatus.AWAITING
    made = state(sugar, lot=source, only=True, egg="contains")
    (case,) = cases()
    assert (case.subject, case.because_id, held_by(case)) == (made.pk, made.pk, {str(lot.uid)})
    assert case.title == f"Stated of Sugar (Sheet 7): egg not declared on {lot.code}."
    assert status(lot) == LotStatus.HELD


def test_what_the_label_declares_is_not_held(
    state: State, sugar: Material, source: Lot, lot: Lot, see: Any, label_version: LabelVersion
):
    state(sugar)
    see(lot.batch, label_version)
    state(sugar, lot=source, only=True, milk="contains", almond="may-contain")
    assert cases() == []


def test_a_late_may_contain_that_the_label_does_not_tell_holds(
    state: State, sugar: Material, source: Lot, lot: Lot, see: Any, label_version: LabelVersion
):
    state(sugar)
    see(lot.batch, label_version)
    state(sugar, lot=source, only=True, sesame="may-contain")
    assert held_by(cases()[0]) == {str(lot.uid)}


def test_a_released_lot_without_a_known_label_is_held_if_it_contains_more_than_before(
    state: State, sugar: Material, source: Lot, lot: Lot
):
    state(sugar, egg="contains")
    make_released(lot)
    state(sugar, lot=source, only=True, egg="contains")
    assert cases() == []
    state(sugar, lot=source, only=True, milk="contains")
    assert (held_by(cases()[0]), status(lot)) == ({str(lot.uid)}, LotStatus.HELD)


def test_a_shipped_lot_is_held_too(
    act: Any, state: State, sugar: Material, source: Lot, lot: Lot, establishment: Establishment
):
    shop = TradingPartner.objects.create(
        establishment=establishment, code="SHOP", name="Shop", is_customer=True
    )
    state(sugar)
    make_released(lot)
    shipping.ship(act=act(), lot=lot, customer=shop, quantity="1", unit="KGM")
    state(sugar, lot=source, only=True, milk="contains")
    assert status(lot) == LotStatus.HELD


def test_a_lot_that_awaits_its_decision_and_bears_no_label_is_left_to_the_gate(
    state: State, sugar: Material, source: Lot, lot: Lot
):
    state(sugar)
    state(sugar, lot=source, only=True, milk="contains")
    assert (cases(), status(lot)) == ([], LotStatus.AWAITING)


def test_a_statement_that_adds_no_allergen_holds_nothing(
    state: State, sugar: Material, source: Lot, lot: Lot
):
    make_released(lot)
    state(sugar)
    assert cases() == []


def test_a_late_word_for_another_lot_holds_nothing(
    state: State, sugar: Material, lot: Lot, receive: Callable[..., Lot]
):
    state(sugar)
    make_released(lot)
    state(sugar, lot=receive(), only=True, milk="contains")
    assert cases() == []


def test_a_late_word_about_every_lot_holds_each(
    state: State,
    sugar: Material,
    receive: Callable[..., Lot],
    begin: Callable[..., Batch],
    use: Any,
    make_lot: Callable[..., Lot],
):
    state(sugar)
    made = []
    for _ in range(3):
        batch = begin()
        use(receive(), batch)
        made.append(make_lot(batch))
        make_released(made[-1])
    state(sugar, milk="contains")
    (case,) = cases()
    assert held_by(case) == {str(each.uid) for each in made}
    assert all(each.code in case.title for each in made)


def test_what_was_touched_by_it_is_held_as_well(
    state: State,
    sugar: Material,
    nuts: Material,
    receive: Callable[..., Lot],
    begin: Callable[..., Batch],
    use: Any,
    make_lot: Callable[..., Lot],
    see: Any,
    label_version: LabelVersion,
    kettle: Equipment,
):
    state(sugar)
    state(nuts)
    first, second, late = begin(), begin(), receive(material=nuts)
    use(late, first)
    use(receive(), second)
    for number, each in enumerate((first, second)):
        since = MORNING + number * HOUR
        Occupation.objects.create(batch=each, equipment=kettle, since=since, until=since + HOUR)
    make_lot(first)
    touched = make_lot(second)
    see(second, label_version)
    state(nuts, lot=late, only=True, hazelnut="contains")
    assert held_by(cases()[0]) == {str(touched.uid)}


def test_a_withdrawn_statement_lets_the_earlier_speak_and_holds(
    act: Any, lead: Person, state: State, sugar: Material, lot: Lot
):
    state(sugar, milk="contains")
    second = statements.record(
        act=act(lead),
        material=sugar,
        says=[{"allergen": "milk", "says": "free-of", "because": "assay"}],
        document="Sheet 8",
        document_day=date(2026, 2, 2),
        in_force_from=date(2026, 2, 2),
    )
    make_released(lot)
    gone = statements.withdraw(act=act(lead, corrects=second.pk, reason="Of another mill."))
    (case,) = cases()
    assert (case.subject, held_by(case)) == (gone.pk, {str(lot.uid)})
    assert case.title.startswith("Withdrawn of Sugar (Sheet 8)")


def test_a_corrected_statement_goes_on_under_the_open_case(
    act: Any, lead: Person, state: State, sugar: Material, source: Lot, lot: Lot
):
    state(sugar)
    make_released(lot)
    first = state(sugar, lot=source, only=True, milk="contains")
    said_act = act(lead, corrects=first.pk, reason="Egg as well.")
    state(sugar, lot=source, only=True, said_act=said_act, milk="contains", egg="contains")
    assert len(cases()) == 1


def test_a_statement_sent_twice_opens_one_case(
    act: Any, lead: Person, state: State, sugar: Material, source: Lot, lot: Lot
):
    state(sugar)
    make_released(lot)
    said_act = act(lead).with_new_id()
    for _ in range(2):
        state(sugar, lot=source, only=True, said_act=said_act, milk="contains")
    assert len(cases()) == 1


def test_a_corrected_use_holds_what_its_label_no_longer_declares(
    act: Any,
    state: State,
    sugar: Material,
    nuts: Material,
    receive: Callable[..., Lot],
    batch: Batch,
    make_lot: Callable[..., Lot],
    see: Any,
    label_version: LabelVersion,
):
    state(sugar)
    state(nuts, hazelnut="contains")
    first = using.use(act=act(at=MORNING + HOUR), lot=receive(), batch=batch, quantity="2", unit="KGM")
    lot = make_lot(batch)
    see(batch, label_version, at=NOON)
    using.use(
        act=act(at=MORNING + HOUR, corrects=first.pk, reason="It was the other bag."),
        lot=receive(material=nuts),
        batch=batch,
        quantity="2",
        unit="KGM",
    )
    (case,) = cases()
    assert held_by(case) == {str(lot.uid)}


def test_a_use_that_is_told_late_holds_what_was_made_of_that_batch_in_another(
    state: State,
    sugar: Material,
    nuts: Material,
    source: Lot,
    receive: Callable[..., Lot],
    batch: Batch,
    begin: Any,
    use: Any,
    make_lot: Callable[..., Lot],
    see: Any,
    label_version: LabelVersion,
):
    state(sugar)
    state(nuts, hazelnut="contains")
    use(source, batch, at=MORNING + HOUR / 6)
    first = make_lot(batch, at=MORNING + HOUR / 3)
    other = begin(at=MORNING + HOUR / 2)
    use(first, other, at=MORNING + HOUR * 2 / 3)
    made = make_lot(other, at=MORNING + HOUR)
    see(other, label_version)
    make_released(made)
    assert not cases()
    use(receive(material=nuts), batch, at=MORNING + HOUR / 6)
    assert str(made.uid) in {uid for case in cases() for uid in held_by(case)}


def test_equipment_told_late_holds_what_was_touched_there(
    act: Any,
    state: State,
    sugar: Material,
    nuts: Material,
    lot: Lot,
    receive: Callable[..., Lot],
    begin: Any,
    use: Any,
    see: Any,
    label_version: LabelVersion,
    establishment: Establishment,
):
    table = Equipment.objects.create(establishment=establishment, code="T-1", name="Table", kind="table")
    state(sugar)
    state(nuts, hazelnut="contains")
    use(receive(material=nuts), begin(at=MORNING, equipment=[table]), at=MORNING + HOUR / 6)
    see(lot.batch, label_version)
    assert not cases()
    runs.note_equipment(act=act(at=MORNING + HOUR / 4), batch=lot.batch, equipment=table, deed="taken")
    assert [held_by(case) for case in cases()] == [{str(lot.uid)}]


def test_more_sulphites_than_were_stated_hold_what_its_label_does_not_declare(
    act: Any,
    lead: Person,
    state: State,
    sugar: Material,
    source: Lot,
    lot: Lot,
    see: Any,
    label_version: LabelVersion,
):
    def sulphites(mg_per_kg: str) -> None:
        statements.record(
            act=act(lead),
            material=sugar,
            lot=source,
            says=[{"allergen": "sulphites", "says": "contains", "mg_per_kg": mg_per_kg}],
            document="Assay 3",
            document_day=date(2026, 2, 1),
            in_force_from=date(2026, 2, 1),
        )

    state(sugar)
    sulphites("0.1")
    see(lot.batch, label_version)
    make_released(lot)
    assert not cases()
    sulphites("900")
    assert {str(lot.uid)} == {uid for case in cases() for uid in held_by(case)}


def test_statements_about_a_material_with_many_lots_cost_the_same(
    state: State,
    sugar: Material,
    receive: Callable[..., Lot],
    django_assert_max_num_queries: Any,
):
    state(sugar)
    for _ in range(12):
        receive()
    with django_assert_max_num_queries(40):
        state(sugar, milk="contains")


# -- lines of the recipe without a recorded use -----------------------------------------------------------


@pytest.fixture
def forgotten(
    act: Any,
    lead: Person,
    products: dict[str, Material],
    nuts: Material,
    begin: Any,
    source: Lot,
    use: Any,
    make_lot: Callable[..., Lot],
) -> Lot:
    """A lot of a recipe of sugar (line 1) and hazelnuts (line 2), of which no use of the hazelnuts is recorded."""
    line = {"quantity": "3", "unit": "KGM", "tolerance_permille": "10"}
    document = {
        "batch_size": {"quantity": "6", "unit": "KGM"},
        "lines": [line | {"material": each} for each in ("SUG", "NUT")],
    }
    recipe = recipes.draft(
        act=act(lead), code="R-NUT", name="Nutty", material=products["SBC"], document=document
    )
    version = recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))
    batch = begin(recipe_version=version)
    use(source, batch, at=MORNING + HOUR / 6)
    return make_lot(batch, at=MORNING + HOUR / 2)


@pytest.fixture
def ship(act: Any, establishment: Establishment) -> Callable[[Lot], None]:
    def do(lot: Lot) -> None:
        shop = TradingPartner.objects.create(
            establishment=establishment, code="SHOP", name="Shop", is_customer=True
        )
        make_released(lot)
        shipping.ship(act=act(), lot=lot, customer=shop, quantity="1", unit="KGM")

    return do


def test_what_a_line_turns_out_to_contain_holds_what_its_label_calls_possible_only(
    state: State, sugar: Material, nuts: Material, forgotten: Lot, see: Any, label_version: LabelVersion
):
    state(sugar)
    state(nuts, almond="may-contain")
    see(forgotten.batch, label_version)  # declares almond as possible
    assert cases() == []
    state(nuts, almond="contains")
    assert (held_by(cases()[0]), status(forgotten)) == ({str(forgotten.uid)}, LotStatus.HELD)


def test_a_released_lot_without_a_known_label_is_held_if_a_line_turns_out_to_contain_more(
    state: State, sugar: Material, nuts: Material, forgotten: Lot
):
    state(sugar)
    state(nuts, egg="contains")
    make_released(forgotten)
    state(nuts, egg="contains")
    assert cases() == []
    state(nuts, milk="contains")
    assert held_by(cases()[0]) == {str(forgotten.uid)}


def test_what_no_longer_stands_in_for_a_line_lets_it_count_again(
    act: Any, state: State, sugar: Material, nuts: Material, forgotten: Lot, source: Lot, ship: Any
):
    state(sugar)
    state(nuts, hazelnut="contains")
    instead = using.use(
        act=act(at=MORNING + HOUR),
        lot=source,
        batch=forgotten.batch,
        quantity="1",
        unit="KGM",
        recipe_line=2,
    )
    ship(forgotten)
    using.use(
        act=act(at=MORNING + HOUR, corrects=instead.pk, reason="It was for the first line."),
        lot=source,
        batch=forgotten.batch,
        quantity="1",
        unit="KGM",
        recipe_line=1,
    )
    assert held_by(cases()[0]) == {str(forgotten.uid)}


def test_a_late_fact_about_another_line_tells_nothing_new_of_it(
    act: Any, state: State, sugar: Material, nuts: Material, forgotten: Lot, source: Lot, ship: Any
):
    state(sugar)
    state(nuts, hazelnut="contains")
    ship(forgotten)
    using.use(
        act=act(at=MORNING + HOUR),
        lot=source,
        batch=forgotten.batch,
        quantity="1",
        unit="KGM",
        recipe_line=1,
    )
    assert cases() == []


def test_a_forgotten_use_that_is_told_holds_a_shipped_lot_without_a_known_label(
    state: State,
    sugar: Material,
    nuts: Material,
    forgotten: Lot,
    receive: Callable[..., Lot],
    use: Any,
    ship: Any,
):
    state(sugar)
    state(nuts, hazelnut="contains")
    ship(forgotten)
    use(receive(material=nuts), forgotten.batch, at=MORNING + HOUR / 6)
    assert held_by(cases()[0]) == {str(forgotten.uid)}
