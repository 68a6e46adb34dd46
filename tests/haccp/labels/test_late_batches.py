"""Late facts that reach further: batches without lots, lots without a label, words that are gone, many lots at once."""

# ruff: noqa: F811 - fixtures of another file

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import lots as lot_deeds
from batches import noting, receiving, runs, using
from batches.models import (
    Batch,
    CleaningBreak,
    Equipment,
    Lot,
    LotStatus,
    Material,
    Movement,
    Occupation,
    RecipeVersion,
    TradingPartner,
)
from haccp import deviations, holds, late_allergens, notices
from haccp.allergens import onward as late_reach
from haccp.allergens import statements
from haccp.models import Deviation, Hold, LabelVersion, Notice
from ledger.models import Entry, Establishment, Person
from tests.conftest import NOON
from tests.haccp.conftest import HOUR, MORNING
from tests.haccp.labels.test_late_allergens import (  # noqa: F401
    cases,
    held_by,
    lot,
    make_released,
    source,
    state,
    status,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def table(establishment: Establishment) -> Equipment:
    return Equipment.objects.create(
        establishment=establishment, code="T-1", name="Table", kind="table", shared=True
    )


def all_held() -> set[str]:
    return {uid for case in cases() for uid in held_by(case)}


def stay(batch: Batch, equipment: Equipment, since: datetime, until: datetime | None) -> None:
    Occupation.objects.create(batch=batch, equipment=equipment, since=since, until=until)


@pytest.fixture
def neighbour(
    state: Any,
    sugar: Material,
    nuts: Material,
    lot: Lot,
    table: Equipment,
    see: Any,
    label_version: LabelVersion,
) -> Lot:
    """Released caramels of sugar alone, with a label, that stood on the table from nine on."""
    state(sugar)
    state(nuts, hazelnut="contains")
    assert lot.batch is not None
    stay(lot.batch, table, MORNING + HOUR, MORNING + 2 * HOUR)
    see(lot.batch, label_version)
    make_released(lot)
    return lot


# -- a batch that made nothing yet ---------------------------------------------------------------------------


def test_a_use_in_a_late_batch_without_lots_holds_what_came_after_it_on_the_equipment(
    neighbour: Lot, nuts: Material, table: Equipment, receive: Any, begin: Any, use: Any
):
    late = begin(at=MORNING, equipment=[table])
    assert cases() == []
    use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    assert (all_held(), status(neighbour)) == ({str(neighbour.uid)}, LotStatus.HELD)


def test_a_late_start_holds_by_what_its_recipe_names(
    neighbour: Lot, nuts: Material, products: Any, table: Equipment, act: Any, lead: Person, begin: Any
):
    version = _of(act, lead, products["SBC"], "SUG", "NUT")
    begin(at=MORNING, equipment=[table], recipe_version=version)
    assert all_held() == {str(neighbour.uid)}
    assert cases()[0].title.startswith("Told late of batch")


def test_weighings_of_one_late_batch_go_on_under_one_case(
    neighbour: Lot, nuts: Material, table: Equipment, receive: Any, begin: Any, use: Any
):
    late = begin(at=MORNING, equipment=[table])
    for _ in range(3):
        use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    assert len(cases()) == 1


def test_what_a_later_fact_adds_to_the_case_of_a_batch_names_its_cause_and_is_told_again(
    neighbour: Lot, nuts: Material, table: Equipment, receive: Any, begin: Any, use: Any, make_lot: Any, see: Any,
    label_version: LabelVersion, lead: Person, mailoutbox: Any,
):  # fmt: skip
    lead.email = "lead@sweets.example"
    lead.save()
    late, bag = begin(at=MORNING, equipment=[table]), receive(material=nuts)
    use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    (word,) = Notice.objects.filter(deviation=cases()[0])
    notices.tell(word.pk)
    made = make_lot(late)
    see(late, label_version)
    make_released(made)
    use(bag, late, at=MORNING + HOUR / 2)
    (case,) = cases()
    (added,) = case.holds.exclude(note="")
    assert (added.subject, f"lot {bag.code}" in added.note) == (made.uid, True)
    notices.tell(word.pk)
    assert f"Recorded late: lot {bag.code}" in mailoutbox[1].body


def test_what_adds_nothing_to_the_case_of_a_batch_is_not_told_again(
    neighbour: Lot, nuts: Material, table: Equipment, receive: Any, begin: Any, use: Any, lead: Person
):
    lead.email = "lead@sweets.example"
    lead.save()
    late = begin(at=MORNING, equipment=[table])
    use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    Notice.objects.filter(deviation=cases()[0]).update(sent_at=NOON)
    use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    assert Notice.objects.get(deviation=cases()[0]).sent_at == NOON


@pytest.fixture
def alone(table: Equipment) -> Equipment:
    """The table holds one batch at a time."""
    table.shared = False
    table.save()
    return table


def test_where_a_later_batch_began_a_late_one_is_followed_once_its_end_is_told(
    neighbour: Lot, nuts: Material, alone: Equipment, receive: Any, begin: Any, use: Any, end: Any
):
    late = begin(at=MORNING, equipment=[alone])
    use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    assert cases() == []
    end(late, at=MORNING + HOUR / 2)
    assert all_held() == {str(neighbour.uid)}


def test_a_cleaning_after_the_end_that_is_told_late_holds_nothing(
    act: Any, batch: Batch, neighbour: Lot, nuts: Material, alone: Equipment, receive: Any, begin: Any, use: Any,
    end: Any,
):  # fmt: skip
    record = noting.note_quality(act=act(), batch=batch, what="table", value="clean")
    CleaningBreak.objects.create(
        equipment=alone,
        at=MORNING + HOUR * 3 / 4,
        scope={"allergens": "all", "microbiological": False, "foreign-bodies": False},
        because=Entry.objects.get(pk=record.pk),
    )
    late = begin(at=MORNING, equipment=[alone])
    use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    end(late, at=MORNING + HOUR / 2)
    assert cases() == []


def test_a_batch_that_starts_after_all_others_there_looks_no_further(
    neighbour: Lot, table: Equipment, begin: Any, monkeypatch: Any
):
    monkeypatch.setattr(late_reach, "reached_from", None)  # would fail if it were asked
    begin(at=NOON, equipment=[table])


def test_equipment_told_late_of_a_batch_without_lots_holds_what_came_after_it(
    act: Any, neighbour: Lot, nuts: Material, table: Equipment, receive: Any, begin: Any, use: Any
):
    late = begin(at=MORNING)
    use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    assert cases() == []
    runs.note_equipment(act=act(at=MORNING), batch=late, equipment=table, deed="taken")
    assert all_held() == {str(neighbour.uid)}


def test_it_is_followed_through_a_lot_to_further_equipment(
    neighbour: Lot,
    nuts: Material,
    table: Equipment,
    kettle: Equipment,
    receive: Any,
    begin: Any,
    use: Any,
    make_lot: Any,
    see: Any,
    label_version: LabelVersion,
    source: Lot,
):
    between, last = begin(at=MORNING + HOUR), begin(at=MORNING + HOUR)
    use(neighbour, between, recipe_line=1)
    stay(between, kettle, MORNING + 2 * HOUR, MORNING + 2.5 * HOUR)
    use(source, last)
    stay(last, kettle, MORNING + 2.5 * HOUR, MORNING + 3 * HOUR)
    made = make_lot(last)
    see(last, label_version)
    late = begin(at=MORNING, equipment=[table])
    use(receive(material=nuts), late, at=MORNING + HOUR / 2)
    assert str(made.uid) in all_held()


def test_stays_that_ended_long_before_are_not_read(
    neighbour: Lot, table: Equipment, begin: Any, establishment: Establishment, monkeypatch: Any
):
    old = begin(at=MORNING - 48 * HOUR)
    stay(old, table, MORNING - 48 * HOUR, MORNING - 47 * HOUR)
    read: list[Any] = []
    stays = late_reach._stays
    monkeypatch.setattr(late_reach, "_stays", lambda *told: read.extend(found := list(stays(*told))) or found)
    late_reach.reached_from(establishment, [neighbour.pk])
    assert neighbour.batch_id in {each.batch for each in read}
    assert old.pk not in {each.batch for each in read}


# -- a released lot without a known label ----------------------------------------------------------------------


@pytest.fixture
def onward(lot: Lot, begin: Any, use: Any, make_lot: Any) -> Callable[[], Lot]:
    """A released lot without a label, made of the caramels in another batch."""

    def make() -> Lot:
        other = begin(at=MORNING + HOUR / 2)
        use(lot, other, at=MORNING + HOUR, recipe_line=1, quantity="1")
        made: Lot = make_lot(other, at=MORNING + 2 * HOUR)
        make_released(made)
        return made

    return make


@pytest.fixture
def nutty(state: Any, sugar: Material, receive: Any, accept: Any) -> Lot:
    """Sugar in good order, of which it is known that hazelnuts got into it."""
    bag: Lot = accept(receive())
    state(sugar, lot=bag, only=True, hazelnut="contains")
    return bag


def test_a_use_told_late_holds_a_released_lot_without_a_label(
    state: Any, sugar: Material, lot: Lot, onward: Any, nutty: Lot, use: Any
):
    state(sugar)
    made = onward()
    use(nutty, lot.batch, at=MORNING + HOUR / 6)
    assert (all_held(), status(made)) == ({str(made.uid)}, LotStatus.HELD)


def test_a_use_told_late_of_what_was_there_already_holds_nothing(
    state: Any, sugar: Material, lot: Lot, onward: Any, receive: Any, accept: Any, use: Any
):
    state(sugar, milk="contains")
    onward()
    use(accept(receive()), lot.batch, at=MORNING + HOUR / 6)
    assert cases() == []


def test_a_corrected_use_holds_a_released_lot_without_a_label(
    act: Any, state: Any, sugar: Material, lot: Lot, onward: Any, nutty: Lot, receive: Any, accept: Any
):
    state(sugar, milk="contains")
    made = onward()
    first = Movement.objects.get(batch=lot.batch, what="used")

    def correct(other: Lot, corrected: Movement) -> Movement:
        return using.use(
            act=act(at=MORNING + HOUR / 6, corrects=corrected.pk, reason="The other bag."),
            lot=other,
            batch=lot.batch,
            quantity="2",
            unit="KGM",
        )

    second = correct(accept(receive()), first)
    assert cases() == []
    correct(nutty, second)
    assert all_held() == {str(made.uid)}


def test_another_supplier_of_whom_more_is_stated_holds_it(
    act: Any,
    lead: Person,
    state: Any,
    sugar: Material,
    source: Lot,
    onward: Any,
    establishment: Establishment,
):
    other = TradingPartner.objects.create(
        establishment=establishment, code="S2", name="Mill South", is_supplier=True
    )
    state(sugar)
    made = onward()
    statements.record(
        act=act(lead),
        material=sugar,
        supplier=other,
        says=[{"allergen": "egg", "says": "contains"}],
        document="Sheet 9",
        document_day=date(2026, 2, 1),
        in_force_from=date(2026, 2, 1),
    )
    receiving.receive(
        act=act(at=MORNING - HOUR, corrects=source.birth_id, reason="From the other mill."),
        material=sugar,
        supplier=other,
        quantity="20",
        unit="KGM",
    )
    assert all_held() == {str(made.uid)}


def sulphites(act: Any, lead: Person, material: Material, lot: Lot, mg_per_kg: str) -> None:
    statements.record(
        act=act(lead),
        material=material,
        lot=lot,
        says=[{"allergen": "sulphites", "says": "contains", "mg_per_kg": mg_per_kg}],
        document="Assay 3",
        document_day=date(2026, 2, 1),
        in_force_from=date(2026, 2, 1),
    )


def test_a_larger_amount_that_is_told_late_holds_a_released_lot_without_a_label(
    act: Any, lead: Person, state: Any, sugar: Material, source: Lot, lot: Lot
):
    state(sugar)
    sulphites(act, lead, sugar, source, "0.1")
    make_released(lot)
    sulphites(act, lead, sugar, source, "0.2")
    assert cases() == []
    sulphites(act, lead, sugar, source, "900")
    assert all_held() == {str(lot.uid)}


def test_more_of_it_that_was_weighed_in_holds_it_too(
    act: Any, lead: Person, state: Any, sugar: Material, lot: Lot, onward: Any, receive: Any, accept: Any
):
    """0.05 kg of 100 mg/kg with 2 kg are 2.4 mg/kg (computed); 2 kg of it with 2 kg are 50, and 10 mg/kg count."""
    state(sugar)
    bag = accept(receive())
    sulphites(act, lead, sugar, bag, "100")
    what: dict[str, Any] = {"lot": bag, "batch": lot.batch, "unit": "KGM"}
    using.make(act=act(at=MORNING + HOUR / 2), batch=lot.batch, lot=lot, quantity="1.05", unit="KGM")
    small = using.use(act=act(at=MORNING + HOUR / 6), quantity="0.05", **what)
    made = onward()
    again = act(at=MORNING + HOUR / 6, corrects=small.pk, reason="Misread.")
    small = using.use(act=again, quantity="0.04", **what)
    assert cases() == []
    using.use(act=act(at=MORNING + HOUR / 6, corrects=small.pk, reason="A sack more."), quantity="2", **what)
    assert all_held() == {str(made.uid)}


# -- a word that nobody gives any more ------------------------------------------------------------------------


def test_a_released_lot_is_held_when_the_word_it_leaned_on_is_withdrawn(
    act: Any, lead: Person, state: Any, sugar: Material, lot: Lot, see: Any, label_version: LabelVersion
):
    said = state(sugar)
    see(lot.batch, label_version)
    make_released(lot)
    statements.withdraw(act=act(lead, corrects=said.pk, reason="Of another mill."))
    (case,) = cases()
    assert held_by(case) == {str(lot.uid)}
    assert case.title == (
        f"Withdrawn of Sugar (Sheet 7): nobody states any more what was relied on for {lot.code}."
    )


def test_a_later_sheet_that_says_less_of_its_day_holds_it_too(
    state: Any, sugar: Material, lot: Lot, see: Any, label_version: LabelVersion, act: Any, lead: Person
):
    state(sugar)
    see(lot.batch, label_version)
    make_released(lot)
    statements.record(
        act=act(lead),
        material=sugar,
        says=[{"allergen": "milk", "says": "contains"}],
        document="Sheet 8",
        document_day=date(2026, 2, 2),
        in_force_from=date(2026, 2, 2),
    )
    assert all_held() == {str(lot.uid)}


def test_a_lot_that_awaits_its_decision_is_left_to_the_gate_that_asks(
    act: Any, lead: Person, state: Any, sugar: Material, lot: Lot, see: Any, label_version: LabelVersion
):
    said = state(sugar)
    see(lot.batch, label_version)
    statements.withdraw(act=act(lead, corrects=said.pk, reason="Of another mill."))
    assert cases() == []


def test_in_a_phased_start_a_word_that_is_gone_holds_nothing(
    act: Any,
    lead: Person,
    state: Any,
    sugar: Material,
    lot: Lot,
    see: Any,
    label_version: LabelVersion,
    establishment: Establishment,
):
    said = state(sugar)
    see(lot.batch, label_version)
    make_released(lot)
    Establishment.objects.filter(pk=establishment.pk).update(phased_start_until=date(2999, 1, 1))
    establishment.refresh_from_db()
    statements.withdraw(act=act(lead, corrects=said.pk, reason="Of another mill."))
    assert cases() == []


def test_what_a_label_declares_needs_no_word(
    act: Any,
    lead: Person,
    state: Any,
    sugar: Material,
    lot: Lot,
    see: Any,
    label_version: LabelVersion,
):
    state(sugar, only=True, milk="contains")
    said = state(sugar, lot=None, only=True, milk="free-of", almond="free-of")
    see(lot.batch, label_version)
    make_released(lot)
    statements.withdraw(act=act(lead, corrects=said.pk, reason="Of another mill."))
    assert cases() == []


# -- a line of the recipe that was never weighed in ------------------------------------------------------------


def _of(act: Any, lead: Person, material: Material, *inputs: str) -> RecipeVersion:
    from batches import recipes
    from ledger import signatures

    line = {"quantity": "3", "unit": "KGM", "tolerance_permille": "10"}
    document = {
        "batch_size": {"quantity": "6", "unit": "KGM"},
        "lines": [line | {"material": each} for each in inputs],
    }
    recipe = recipes.draft(act=act(lead), code="R-2", name="R-2", material=material, document=document)
    return recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))


def test_a_late_statement_holds_lots_whose_recipe_names_the_material_without_a_recorded_use(
    act: Any,
    lead: Person,
    state: Any,
    sugar: Material,
    nuts: Material,
    products: Any,
    source: Lot,
    begin: Any,
    use: Any,
    make_lot: Any,
    see: Any,
    label_version: LabelVersion,
):
    state(sugar)
    state(nuts)
    batch = begin(recipe_version=_of(act, lead, products["SBC"], "SUG", "NUT"))
    use(source, batch)
    made = make_lot(batch)
    see(batch, label_version)
    make_released(made)
    assert cases() == []
    state(nuts, hazelnut="contains")
    assert all_held() == {str(made.uid)}


@pytest.fixture
def planned_only(
    act: Any,
    lead: Person,
    state: Any,
    sugar: Material,
    products: Any,
    source: Lot,
    begin: Any,
    use: Any,
    make_lot: Any,
    see: Any,
    label_version: LabelVersion,
) -> Callable[[], Lot]:
    """Released caramels whose recipe names hazelnuts, of which no lot was ever recorded in them."""

    def make() -> Lot:
        state(sugar)
        batch = begin(recipe_version=_of(act, lead, products["SBC"], "SUG", "NUT"))
        use(source, batch)
        made: Lot = make_lot(batch)
        see(batch, label_version)
        make_released(made)
        return made

    return make


def test_a_word_that_is_withdrawn_holds_lots_whose_recipe_names_a_material_that_never_had_a_lot(
    act: Any, lead: Person, state: Any, nuts: Material, planned_only: Any
):
    said = state(nuts)
    made = planned_only()
    assert cases() == []
    statements.withdraw(act=act(lead, corrects=said.pk, reason="Of another mill."))
    assert all_held() == {str(made.uid)}
    assert "nobody states any more what was relied on" in cases()[0].title


def test_a_sheet_of_every_lot_that_is_corrected_to_one_lot_holds_what_relied_on_it(
    act: Any, lead: Person, state: Any, nuts: Material, planned_only: Any, receive: Any
):
    said = state(nuts)
    made, bag = planned_only(), receive(material=nuts)
    state(nuts, lot=bag, said_act=act(lead, corrects=said.pk, reason="It names one lot."))
    assert all_held() == {str(made.uid)}


# -- many at once ---------------------------------------------------------------------------------------------


@pytest.fixture
def many(batch: Batch, make_lot: Callable[..., Lot]) -> list[Lot]:
    return [make_lot(batch) for _ in range(24)]


def _case(act: Any, slot: str) -> Deviation:
    here = act().establishment
    return deviations.open_case(
        act=act(), what=Deviation.What.ALLERGEN, subject=here.pk, slot=slot, title="Many lots."
    )


def test_many_lots_are_held_in_as_few_statements_as_some(act: Any, many: list[Lot]):
    counted = []
    for slot, lots in (("few", many[:4]), ("many", many[4:])):
        case = _case(act, slot)
        with CaptureQueriesContext(connection) as queries:
            holds.place_on_lots(act=act(), deviation=case, lots=lots)
        counted.append(len(queries))
    assert counted[0] == counted[1]
    assert {status(each) for each in many} == {LotStatus.HELD}
    assert Hold.objects.count() == len(many)


def test_lots_held_together_are_each_held_with_what_was_made_of_them(
    act: Any, lot: Lot, many: list[Lot], begin: Any, use: Any, make_lot: Any
):
    other = begin()
    use(lot, other, quantity="0.5", recipe_line=1)
    made = make_lot(other)
    case = _case(act, "two")
    holds.place_on_lots(act=act(), deviation=case, lots=[lot, many[0]])
    by_subject = {hold.subject: set(hold.lots) for hold in case.holds.all()}
    assert by_subject == {lot.uid: {str(lot.uid), str(made.uid)}, many[0].uid: {str(many[0].uid)}}
    assert status(made) == LotStatus.HELD


def test_a_movement_costs_the_same_however_many_lots_are_held_one_by_one(
    act: Any, many: list[Lot], receive: Any, accept: Any, begin: Any, use: Any
):
    counted, batch = [], begin()
    for slot, lots in (("few", many[:4]), ("many", many[4:])):
        holds.place_on_lots(act=act(), deviation=_case(act, slot), lots=lots)
        bag = accept(receive())
        with CaptureQueriesContext(connection) as queries:
            use(bag, batch)
        counted.append(len(queries))
    assert counted[0] == counted[1]


def test_what_is_made_later_of_a_lot_held_among_many_is_held_with_it(
    act: Any, many: list[Lot], begin: Any, use: Any, make_lot: Any
):
    holds.place_on_lots(act=act(), deviation=_case(act, "many"), lots=many)
    other = begin()
    use(many[3], other, quantity="0.5", recipe_line=1)
    made = make_lot(other)
    assert status(made) == LotStatus.HELD
    further = Hold.objects.filter(subject=many[3].uid).order_by("recorded_at").last()
    assert further is not None
    assert further.lots == [str(made.uid)]


def test_a_late_fact_about_many_lots_costs_the_same_as_about_some(
    act: Any, state: Any, sugar: Material, nuts: Material, source: Lot, begin: Any, use: Any, make_lot: Any,
    see: Any, label_version: LabelVersion, receive: Any,
):  # fmt: skip
    state(sugar)
    state(nuts)
    counted = []
    for count in (2, 12):
        batch, bag = begin(), receive(material=nuts)
        use(source, batch)
        use(bag, batch)
        lots = [make_lot(batch) for _ in range(count)]
        see(batch, label_version)
        lot_deeds.decide(act=act(), lots=lots, status=LotStatus.RELEASED, because=label_version)
        with CaptureQueriesContext(connection) as queries:
            state(nuts, lot=bag, only=True, hazelnut="contains")
        counted.append(len(queries))
        assert {status(each) for each in lots} == {LotStatus.HELD}
    assert counted[0] == counted[1]
    assert late_allergens.MOST_NAMED < 12
