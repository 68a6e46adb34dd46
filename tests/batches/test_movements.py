"""What happens to lots: recorded, flagged, corrected, withdrawn; refused only where it cannot be."""

from datetime import date

import pytest

from batches import receiving, shipping, storing, using
from batches.flags import SENTENCES, Flag
from batches.models import Edge, Lot, LotState, Movement
from batches.movements import withdraw
from batches.quantities import UnitDoesNotConvert
from batches.signals import lot_made, movement_corrected, movement_recorded, release_reopened
from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from ledger.ids import uuid7
from tests.batches.conftest import HOUR, MORNING
from tests.conftest import NOON


def state(lot: Lot) -> LotState:
    return LotState.objects.get(lot=lot)


@pytest.fixture
def heard():
    """The signals that were sent, by name, with what they carried."""
    calls = []
    signals = {
        "movement_recorded": movement_recorded,
        "movement_corrected": movement_corrected,
        "lot_made": lot_made,
        "release_reopened": release_reopened,
    }
    listeners = []
    for name, signal in signals.items():

        def listen(name=name, **carried):
            calls.append((name, carried))

        signal.connect(listen, weak=False)
        listeners.append((signal, listen))
    yield calls
    for signal, listen in listeners:
        signal.disconnect(listen)


# -- receiving --------------------------------------------------------------------------------------


def test_a_delivery_is_a_new_lot_that_awaits_decision(receive, supplier):
    lot = receive(supplier_code="N-77/b").lot
    assert (state(lot).status, state(lot).on_hand) == ("awaiting", 10_000_000)
    assert (state(lot).supplier, state(lot).supplier_code) == (supplier, "N-77/b")


def test_a_lot_bears_the_id_of_the_movement_that_brought_it(receive):
    movement = receive()
    assert movement.lot.uid == movement.pk == movement.lot.birth_id


def test_a_lot_code_is_short_name_year_day_of_year_and_running_number(receive):
    assert [receive().lot.code, receive().lot.code] == ["HAZ-26061-1", "HAZ-26061-2"]  # 2 March 2026


def test_a_lot_codes_day_is_the_establishments_day(receive, act):
    just_past_midnight_in_berlin = MORNING.replace(hour=0, minute=10)  # still the day before in UTC
    assert receive(act(at=just_past_midnight_in_berlin)).lot.code == "HAZ-26061-1"


def test_a_lot_code_can_be_chosen_and_the_running_number_passes_over_it(receive):
    receive(code="HAZ-26061-1")
    assert receive().lot.code == "HAZ-26061-2"


def test_a_chosen_lot_code_that_is_taken_is_refused(receive):
    receive(code="HAZ-1")
    with pytest.raises(RuleBroken) as refused:
        receive(code="HAZ-1")
    assert (refused.value.code, Movement.objects.count()) == ("code-taken", 1)


@pytest.mark.parametrize("code", ["haz", "HAZ 1", "H" * 21, "HAZ\u00003", "HÄZ"])
def test_a_chosen_lot_code_keeps_to_the_characters_of_a_label(receive, code):
    with pytest.raises(Unusable):
        receive(code=code)
    assert not Lot.objects.exists()


@pytest.mark.parametrize("code", ["x" * 61, "a\nb", "a\u0000b", "a\ud800b"])
def test_a_suppliers_code_is_one_short_line(receive, code):
    with pytest.raises(Unusable) as refused:
        receive(supplier_code=code)
    assert refused.value.reasons[0].field == "supplier_code"


def test_best_before_follows_the_shelf_life_unless_said(receive):
    assert state(receive().lot).best_before == date(2026, 8, 29)  # 180 days after 2 March
    assert state(receive(best_before=date(2026, 5, 1)).lot).best_before == date(2026, 5, 1)


def test_a_receipt_sent_again_answers_the_same_lot(receive, act):
    first = receive(act(id=(key := uuid7())))
    again = receive(act(id=key))
    assert (again.repeated, again.lot, Lot.objects.count()) == (True, first.lot, 1)


@pytest.mark.parametrize(
    "other",
    [{"supplier_code": "N-78"}, {"quantity": "11"}, {"best_before": date(2026, 5, 1)}, {"code": "X-1"}],
)
def test_a_receipt_sent_again_with_other_content_is_refused(receive, act, other):
    receive(act(id=(key := uuid7())))
    with pytest.raises(OtherContent):
        receive(act(id=key), **other)
    assert Lot.objects.count() == 1


def test_a_partner_in_another_part_is_flagged(receive, customer):
    assert receive(supplier=customer).flags == [Flag.PARTNER_IN_OTHER_PART]


def test_a_mass_finer_than_a_milligram_is_rounded_and_flagged(receive):
    movement = receive(quantity="0.0000014")
    assert (movement.quantity, movement.entered, movement.flags) == (1, "0.0000014", [Flag.ROUNDED])


def test_sending_back_takes_from_stock(paste, supplier, act):
    receiving.send_back(act=act(), lot=paste, supplier=supplier, quantity="4", unit="KGM")
    assert state(paste).on_hand == 6_000_000


# -- using ------------------------------------------------------------------------------------------


@pytest.fixture
def use(act, paste, batch):
    def do(said_act=None, **values):
        usual = {"lot": paste, "batch": batch, "quantity": "2", "unit": "KGM"}
        return using.use(act=said_act or act(), **(usual | values))

    return do


def test_ordinary_use_has_no_flag_and_takes_from_stock(use, paste):
    assert (use(recipe_line=1).flags, state(paste).on_hand) == ([], 8_000_000)


def test_more_can_be_used_than_there_was_and_it_is_flagged(use, paste):
    assert use(quantity="10").flags == []
    assert use(quantity="0.001").flags == [Flag.MORE_THAN_ON_HAND]
    assert state(paste).on_hand == -1000


@pytest.mark.parametrize(
    ("status", "flag"),
    [("awaiting", Flag.LOT_AWAITING), ("held", Flag.LOT_HELD), ("rejected", Flag.LOT_REJECTED)],
)
def test_use_of_a_lot_that_is_not_released_is_flagged(use, paste, release, status, flag):
    release(paste, status=status)
    assert use().flags == [flag]


def test_status_is_asked_of_the_time_of_the_work(use, paste, release, act):
    release(paste, status="held", at=NOON)
    assert use(act(at=NOON - HOUR)).flags == []
    assert use(act(at=NOON)).flags == [Flag.LOT_HELD]


def test_a_release_within_five_minutes_after_the_stated_time_counts(use, receive, release, act):
    fresh = receive().lot
    release(fresh, at=NOON)
    assert use(act(at=NOON - HOUR / 12), lot=fresh).flags == []
    assert use(act(at=NOON - HOUR / 11), lot=fresh).flags == [Flag.LOT_AWAITING]


def test_use_on_the_last_day_is_in_order_and_a_day_later_flagged(use, receive, release):
    last_day, day_before = (receive(best_before=day).lot for day in (date(2026, 3, 2), date(2026, 3, 1)))
    release(last_day, day_before)
    assert (use(lot=last_day).flags, use(lot=day_before).flags) == ([], [Flag.PAST_ITS_DATE])


def test_use_of_what_the_recipe_does_not_name_is_flagged(use, receive, release, make_material):
    salt = receive(material=make_material("Salt")).lot
    release(salt)
    assert use(lot=salt).flags == [Flag.NOT_IN_RECIPE]


def test_use_for_a_line_of_another_material_is_flagged(use):
    assert use(recipe_line=2).flags == [Flag.OTHER_THAN_LINE]


def test_a_recipe_line_that_is_not_there_is_refused(use):
    with pytest.raises(Unknown):
        use(recipe_line=9)
    assert not Movement.objects.filter(what="used").exists()


@pytest.mark.parametrize(
    ("at", "flags"),
    [
        (MORNING, []),
        (MORNING - HOUR / 60, [Flag.OUTSIDE_THE_RUN]),
        (NOON, []),
        (NOON + HOUR / 60, [Flag.OUTSIDE_THE_RUN]),
    ],
)
def test_use_outside_the_run_is_judged_by_the_time_of_the_work(
    use, make_batch, release, paste, act, at, flags
):
    release(paste, at=MORNING - HOUR)
    assert use(act(at=at), batch=make_batch(ended_at=NOON)).flags == flags


def test_a_mass_cannot_be_entered_in_pieces(use):
    with pytest.raises(UnitDoesNotConvert) as refused:
        use(unit="H87")
    assert refused.value.reasons[0].field == "unit"


def test_a_part_of_another_batch_is_not_found(use, make_batch, act):
    from batches.models import Part

    part = Part.new(act(), batch=make_batch(), number=1, name="slab").insert()
    with pytest.raises(Unknown):
        use(part=part)


def test_the_same_id_with_another_lot_is_refused(use, receive, act):
    use(act(id=(key := uuid7())))
    with pytest.raises(OtherContent):
        use(act(id=key), lot=receive().lot)


def test_another_establishments_lot_is_not_found(use, make_establishment, act):
    from dataclasses import replace

    elsewhere = make_establishment(name="Harbour Candy")
    with pytest.raises(Unknown):
        use(replace(act(), establishment=elsewhere))


# -- making -----------------------------------------------------------------------------------------


def test_making_brings_a_lot_of_the_batch(make_pillows, batch):
    movement = make_pillows(batch)
    assert (movement.lot.batch, movement.lot.code, movement.mass) == (batch, "PIL-26061-1", 1_200_000)
    assert (state(movement.lot).status, state(movement.lot).on_hand) == ("awaiting", 100)


def test_a_further_quantity_goes_into_the_lot_and_a_released_lot_awaits_decision_again(
    make_pillows, batch, release, heard
):
    lot = make_pillows(batch).lot
    release(lot)
    make_pillows(batch, lot=lot, quantity="20")
    assert (state(lot).on_hand, state(lot).status) == (120, "awaiting")
    assert [carried["lots"] for name, carried in heard if name == "release_reopened"] == [[lot]]


def test_a_held_lot_that_gets_more_stays_held(make_pillows, batch, release):
    lot = make_pillows(batch).lot
    release(lot, status="held")
    make_pillows(batch, lot=lot)
    assert state(lot).status == "held"


def test_a_further_quantity_of_another_batch_is_refused(make_pillows, make_batch, batch):
    lot = make_pillows(batch).lot
    with pytest.raises(RuleBroken) as refused:
        make_pillows(make_batch(), lot=lot)
    assert refused.value.code == "lot-of-another-batch"


def test_making_names_a_material_or_a_lot(act, batch):
    with pytest.raises(Unusable):
        using.make(act=act(), batch=batch, quantity="1", unit="H87")


def test_what_the_recipe_is_not_for_is_flagged_unless_it_is_rework(make_pillows, batch, sugar):
    off_cuts = {"material": sugar, "quantity": "1", "unit": "KGM"}
    assert make_pillows(batch, **off_cuts).flags == [Flag.NOT_THE_PRODUCT]
    assert make_pillows(batch, is_rework=True, **off_cuts).flags == []


def test_a_batch_does_not_use_what_it_made(use, make_pillows, batch, release):
    lot = make_pillows(batch).lot
    with pytest.raises(RuleBroken) as refused:
        use(lot=lot, quantity="1", unit="H87")
    assert refused.value.code == "comes-from-this-batch"
    assert "trim" in refused.value.detail


def test_a_batch_does_not_use_what_a_later_batch_made_of_it(use, make_pillows, make_batch, batch):
    later = make_batch()
    use(lot=make_pillows(batch).lot, batch=later, quantity="1", unit="H87")
    grandchild = make_pillows(later).lot
    with pytest.raises(RuleBroken):
        use(lot=grandchild, quantity="1", unit="H87")
    assert use(lot=grandchild, batch=make_batch(), quantity="1", unit="H87").lot == grandchild


def test_an_ingredient_entered_after_release_reopens_what_the_batch_made(use, make_pillows, batch, release):
    lot = make_pillows(batch).lot
    release(lot)
    use()
    assert state(lot).status == "awaiting"


def test_signals_tell_what_was_recorded_within_the_transaction(use, make_pillows, batch, heard):
    movement = use(quantity="11")
    made = make_pillows(batch)
    assert [(name, carried["movement"]) for name, carried in heard if name == "movement_recorded"][-2:] == [
        ("movement_recorded", movement),
        ("movement_recorded", made),
    ]
    assert [carried["lot"] for name, carried in heard if name == "lot_made"] == [made.lot]


def test_a_listener_that_fails_undoes_the_movement(use):
    def refuse(**carried):
        raise RuntimeError

    movement_recorded.connect(refuse)
    try:
        with pytest.raises(RuntimeError):
            use()
    finally:
        movement_recorded.disconnect(refuse)
    assert not Movement.objects.filter(what="used").exists()


# -- shipping ---------------------------------------------------------------------------------------


@pytest.fixture
def ship(act, customer):
    def do(lot, said_act=None, **values):
        usual = {"customer": customer, "quantity": "30", "unit": "H87"}
        return shipping.ship(act=said_act or act(), lot=lot, **(usual | values))

    return do


def test_a_released_lot_ships(ship, make_pillows, batch, release):
    lot = make_pillows(batch).lot
    release(lot)
    assert (ship(lot).flags, state(lot).on_hand) == ([], 70)


def test_the_gate_names_every_reason_at_once(ship, make_pillows, batch):
    lot = make_pillows(batch).lot
    with pytest.raises(RuleBroken) as refused:
        ship(lot, quantity="101")
    assert [reason.code for reason in refused.value.reasons] == ["not-released", "more-than-on-hand"]
    assert (refused.value.code, refused.value.reasons[0].ids) == ("may-not-ship", [str(lot.uid)])
    assert not Movement.objects.filter(what="shipped").exists()


def test_what_left_already_is_recorded_and_flagged(ship, make_pillows, batch):
    lot = make_pillows(batch).lot
    movement = ship(lot, quantity="101", already_happened=True)
    assert movement.flags == sorted([Flag.LOT_AWAITING, Flag.MORE_THAN_ON_HAND, Flag.SHIPPED_NOT_RELEASED])


def test_a_repeat_is_answered_though_the_gate_has_shut_meanwhile(ship, make_pillows, batch, release, act):
    lot = make_pillows(batch).lot
    release(lot)
    first = ship(lot, act(id=(key := uuid7())))
    release(lot, status="held")
    assert (ship(lot, act(id=key)).repeated, ship(lot, act(id=key)).pk) == (True, first.pk)


def test_a_shipment_of_a_lot_that_was_held_later_can_be_corrected(ship, make_pillows, batch, release, act):
    lot = make_pillows(batch).lot
    release(lot)
    first = ship(lot)
    release(lot, status="held", at=NOON + HOUR)
    corrected = ship(lot, act(corrects=first.pk, reason="misread"), quantity="31")
    assert (corrected.flags, state(lot).on_hand, state(lot).status) == ([], 69, "held")


def test_a_return_puts_a_released_lot_back_to_awaiting(ship, make_pillows, batch, release, act, customer):
    lot = make_pillows(batch).lot
    release(lot)
    ship(lot)
    shipping.take_back(act=act(), lot=lot, customer=customer, quantity="5", unit="H87")
    assert (state(lot).on_hand, state(lot).status) == (75, "awaiting")


def test_a_return_leaves_a_rejected_lot_rejected(make_pillows, batch, release, act, customer):
    lot = make_pillows(batch).lot
    release(lot, status="rejected")
    shipping.take_back(act=act(), lot=lot, customer=customer, quantity="5", unit="H87")
    assert state(lot).status == "rejected"


# -- storing ----------------------------------------------------------------------------------------


def test_a_count_corrects_the_stock_by_the_difference(act, paste):
    movement = storing.count(act=act(), lot=paste, quantity="9.5", unit="KGM")
    assert (movement.effect, state(paste).on_hand) == (-500_000, 9_500_000)


def test_nothing_left_is_a_count_too(act, paste):
    storing.count(act=act(), lot=paste, quantity="0", unit="KGM")
    assert state(paste).on_hand == 0


def test_a_late_count_expects_what_was_there_then(act, paste, use):
    use(act(at=NOON))
    movement = storing.count(act=act(at=NOON - HOUR), lot=paste, quantity="10", unit="KGM")
    assert (movement.effect, state(paste).on_hand) == (0, 8_000_000)


def test_a_late_use_before_a_count_is_flagged_and_counting_again_puts_it_right(act, paste, use):
    counted = storing.count(act=act(at=NOON), lot=paste, quantity="8", unit="KGM")
    assert use(act(at=NOON - HOUR)).flags == [Flag.BEFORE_LAST_COUNT]
    storing.count(
        act=act(at=NOON, corrects=counted.pk, reason="a use came late"), lot=paste, quantity="8", unit="KGM"
    )
    assert state(paste).on_hand == 8_000_000


def test_sampling_and_destroying_take_from_stock(act, paste):
    storing.sample(act=act(), lot=paste, quantity="250", unit="GRM")
    storing.destroy(act=act(), lot=paste, quantity="9", unit="KGM")
    assert state(paste).on_hand == 750_000


def test_moving_to_the_same_place_is_refused(act, paste, make_place):
    shelf = make_place()
    with pytest.raises(Unusable):
        storing.move(act=act(), lot=paste, quantity="1", unit="KGM", from_place=shelf, to_place=shelf)


# -- corrections and withdrawals --------------------------------------------------------------------


def test_a_corrected_use_gives_back_what_it_took(use, paste, act):
    first = use(quantity="2")
    use(act(corrects=first.pk, reason="misread"), quantity="3")
    assert state(paste).on_hand == 7_000_000
    assert Movement.objects.filter(pk=first.pk).exists()


def test_a_correction_of_a_use_to_all_there_was_is_no_over_use(use, act):
    first = use(quantity="6")
    assert use(act(corrects=first.pk, reason="misread"), quantity="10").flags == []


def test_a_use_can_be_corrected_to_another_lot(use, paste, receive, release, act, make_pillows, batch):
    first = use()
    target = make_pillows(batch).lot
    other = receive().lot
    release(other)
    use(act(corrects=first.pk, reason="took the other tub"), lot=other)
    assert (state(paste).on_hand, state(other).on_hand) == (10_000_000, 8_000_000)
    assert list(Edge.objects.values_list("source", "target")) == [(other.pk, target.pk)]


def test_a_correction_can_be_sent_again(use, act):
    first = use()
    said = act(id=uuid7(), corrects=first.pk, reason="misread")
    use(said, quantity="3")
    assert use(said, quantity="3").repeated


def test_a_record_is_corrected_once(use, act):
    first = use()
    use(act(corrects=first.pk, reason="misread"))
    with pytest.raises(RuleBroken) as refused:
        use(act(corrects=first.pk, reason="again"))
    assert refused.value.code == "already-corrected"


def test_a_correction_is_of_the_same_kind(use, act, paste):
    first = use()
    with pytest.raises(RuleBroken) as refused:
        storing.destroy(act=act(corrects=first.pk, reason="no"), lot=paste, quantity="2", unit="KGM")
    assert refused.value.code == "corrects-another-kind"


def test_a_corrected_receipt_keeps_the_lot_and_changes_what_is_known_of_it(receive, act, make_partner):
    first, mill = receive(), make_partner("Nut Mill South", is_supplier=True)
    receive(
        act(at=MORNING, corrects=first.pk, reason="typing slip"),
        supplier_code="N-78",
        supplier=mill,
        quantity="12",
        best_before=date(2026, 4, 1),
    )
    kept = state(first.lot)
    assert (kept.supplier_code, kept.supplier, kept.on_hand) == ("N-78", mill, 12_000_000)
    assert (kept.best_before, Lot.objects.count()) == (date(2026, 4, 1), 1)


def test_a_corrected_receipt_of_a_released_lot_reopens_the_decision(receive, paste, act, heard):
    receive(act(at=MORNING, corrects=paste.birth_id, reason="typing slip"), supplier_code="N-78")
    assert state(paste).status == "awaiting"
    assert [name for name, _ in heard if name != "movement_recorded"] == [
        "release_reopened",
        "movement_corrected",
    ]


def test_the_material_of_a_lot_is_not_corrected(receive, act, sugar):
    first = receive()
    with pytest.raises(RuleBroken) as refused:
        receive(act(corrects=first.pk, reason="it was sugar"), material=sugar)
    assert refused.value.code == "identity-is-kept"


def test_a_corrected_making_keeps_its_lot(make_pillows, batch, act):
    first = make_pillows(batch)
    make_pillows(batch, act(corrects=first.pk, reason="miscounted"), quantity="99")
    assert (state(first.lot).on_hand, Lot.objects.count()) == (99, 1)


@pytest.mark.parametrize("brought_first", [True, False])
def test_a_making_and_a_further_quantity_are_not_corrected_into_each_other(
    make_pillows, batch, act, brought_first
):
    first = make_pillows(batch)
    further = make_pillows(batch, lot=first.lot)
    wrong = first if brought_first else further
    with pytest.raises(RuleBroken):
        make_pillows(
            batch, act(corrects=wrong.pk, reason="no"), **({"lot": first.lot} if brought_first else {})
        )


def test_a_withdrawn_use_never_happened(use, paste, make_pillows, batch, act):
    first = use()
    make_pillows(batch)
    withdraw(act=act(corrects=first.pk, reason="weighed, not used", withdraws=True))
    assert (state(paste).on_hand, Edge.objects.count()) == (10_000_000, 0)


def test_a_withdrawal_can_be_sent_again(use, act):
    said = act(id=uuid7(), corrects=use().pk, reason="no", withdraws=True)
    withdraw(act=said)
    assert withdraw(act=said).repeated


def test_a_withdrawn_receipt_leaves_no_lot_in_stock(receive, act):
    first = receive()
    withdraw(act=act(corrects=first.pk, reason="not ours", withdraws=True))
    assert (state(first.lot).withdrawn, state(first.lot).on_hand) == (True, 0)


def test_a_receipt_is_not_withdrawn_while_others_lean_on_it(use, paste, act):
    used = use()
    with pytest.raises(RuleBroken) as refused:
        withdraw(act=act(corrects=paste.birth_id, reason="not ours", withdraws=True))
    assert (refused.value.code, refused.value.reasons[0].ids) == ("lot-has-movements", [str(used.pk)])
    withdraw(act=act(corrects=used.pk, reason="not used", withdraws=True))
    withdraw(act=act(corrects=paste.birth_id, reason="not ours", withdraws=True))
    assert state(paste).withdrawn


def test_a_withdrawal_is_not_corrected(use, act):
    gone = withdraw(act=act(corrects=use().pk, reason="no", withdraws=True))
    with pytest.raises(RuleBroken):
        use(act(corrects=gone.pk, reason="yes"))


def test_every_flag_has_its_sentence():
    assert set(SENTENCES) == set(Flag)
