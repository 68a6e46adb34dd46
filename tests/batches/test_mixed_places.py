"""Places that are topped up before they are empty: what is recorded of them, read back, and walked."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import emptying, movements, reference, storing, using
from batches.mixed_places import MixedPlaces, Walk, in_place
from batches.models import Batch, FoundEmpty, Lot, Movement, StoragePlace
from config.api.refusals import RuleBroken, Unknown
from ledger.models import Establishment, Person
from tests.batches.conftest import HOUR, MORNING
from tests.conftest import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def bulk_bin(make_place: Callable[..., StoragePlace]) -> StoragePlace:
    place = make_place("Bulk bin")
    place.refilled = True
    place.save()
    return place


@pytest.fixture
def put(act: Any, receive: Callable[..., Movement], bulk_bin: StoragePlace) -> Callable[[float], Lot]:
    """A lot is received into the bin, some hours after the morning."""

    def do(hours: float, **values: Any) -> Lot:
        return receive(act(at=MORNING + hours * HOUR), **({"to_place": bulk_bin} | values)).lot

    return do


@pytest.fixture
def use(act: Any, bulk_bin: StoragePlace) -> Callable[..., Movement]:
    def do(lot: Lot, batch: Batch, hours: float, **values: Any) -> Movement:
        usual = {"quantity": "1", "unit": "KGM", "from_place": bulk_bin}
        return using.use(act=act(at=MORNING + hours * HOUR), lot=lot, batch=batch, **(usual | values))

    return do


@pytest.fixture
def empty(act: Any, bulk_bin: StoragePlace) -> Callable[..., FoundEmpty]:
    def do(hours: float, is_clean: bool = True, **values: Any) -> FoundEmpty:
        said = act(at=MORNING + hours * HOUR, **values)
        return emptying.find_empty(act=said, storage_place=bulk_bin, is_clean=is_clean)

    return do


def back(here: Establishment, batch: Batch) -> set[str]:
    """The codes of the lots that may have gone into a batch."""
    walk = MixedPlaces(here).back([], used_in=[batch.pk])
    return _codes(walk.lots)


def _codes(keys: Any) -> set[str]:
    return set(Lot.objects.filter(pk__in=keys).values_list("code", flat=True))


def codes(*lots: Lot) -> set[str]:
    return {lot.code for lot in lots}


def test_what_is_used_from_it_may_be_any_lot_that_came_in_before(
    establishment: Establishment, put: Any, use: Any, batch: Batch, bulk_bin: StoragePlace
):
    first, second = put(0), put(1)
    use(second, batch, 2)
    third = put(3)
    assert back(establishment, batch) == codes(first, second)
    assert {lot for lot, _ in in_place(bulk_bin, NOON).lots} == {first, second, third}


def test_a_stock_of_zero_empties_nothing(
    act: Any, establishment: Establishment, put: Any, use: Any, batch: Batch, bulk_bin: StoragePlace
):
    first = put(0)
    storing.count(act=act(at=MORNING + HOUR), lot=first, quantity="0", unit="KGM", in_place=bulk_bin)
    second = put(2)
    use(second, batch, 3)
    assert back(establishment, batch) == codes(first, second)


def test_from_where_it_was_found_empty_and_clean_nothing_earlier_is_in_it(
    establishment: Establishment, put: Any, use: Any, empty: Any, batch: Batch, bulk_bin: StoragePlace
):
    put(0)
    found, second = empty(1), put(2)
    third = put(2.5)
    use(second, batch, 3)
    assert back(establishment, batch) == codes(second, third)
    assert in_place(bulk_bin, NOON).emptied == found.performed_at


def test_found_empty_but_not_clean_it_goes_on_being_mixed(
    establishment: Establishment, put: Any, use: Any, empty: Any, batch: Batch
):
    first = put(0)
    empty(1, is_clean=False)
    second = put(2)
    use(second, batch, 3)
    assert back(establishment, batch) == codes(first, second)


def test_withdrawn_it_was_never_found_empty(
    act: Any,
    establishment: Establishment,
    put: Any,
    use: Any,
    empty: Any,
    batch: Batch,
    bulk_bin: StoragePlace,
):
    first, found, second = put(0), empty(1), put(2)
    use(second, batch, 3)
    emptying.withdraw(act=act(corrects=found.pk, reason="The other bin."), storage_place=bulk_bin)
    assert back(establishment, batch) == codes(first, second)


def test_it_is_corrected_at_its_own_place_only(act: Any, empty: Any, make_place: Any):
    found, other = empty(1), make_place("Other bin")
    said = act(corrects=found.pk, reason="The other bin.")
    with pytest.raises(RuleBroken, match="withdraw it there"):
        emptying.find_empty(act=said, storage_place=other, is_clean=True)
    with pytest.raises(RuleBroken, match="withdraw it there"):
        emptying.withdraw(act=said, storage_place=other)


def test_the_place_of_another_establishment_is_unknown(act: Any, elsewhere: Establishment):
    place = StoragePlace.objects.create(establishment=elsewhere, code="BIN", name="Bin")
    with pytest.raises(Unknown):
        emptying.find_empty(act=act(), storage_place=place, is_clean=True)


def test_a_withdrawn_delivery_was_never_in_it(
    act: Any, establishment: Establishment, put: Any, use: Any, batch: Batch
):
    first, second = put(0), put(1)
    movements.withdraw(act=act(corrects=first.birth_id, reason="Sent back at the door.", withdraws=True))
    use(second, batch, 3)
    assert back(establishment, batch) == set()  # alone, it is nothing but itself


def test_a_delivery_told_late_was_in_it_all_the_same(
    establishment: Establishment, put: Any, use: Any, batch: Batch
):
    second = put(1)
    use(second, batch, 2)
    late = put(1.5)
    assert back(establishment, batch) == codes(second, late)


def test_what_was_taken_out_though_nobody_put_it_in_lay_in_it_since_it_came(
    act: Any, establishment: Establishment, receive: Any, put: Any, use: Any, make_batch: Any
):
    before, between, batch = put(0), receive(act(at=MORNING + HOUR)).lot, make_batch()
    use(before, batch, 2)
    use(between, make_batch(), 3)
    assert back(establishment, batch) == codes(before, between)


def test_what_lay_on_a_shelf_is_mixed_with_nothing(
    establishment: Establishment, put: Any, use: Any, batch: Batch, make_place: Any
):
    shelf = make_place("Shelf")
    put(0)
    lot = put(1, to_place=shelf)
    use(lot, batch, 2, from_place=shelf)
    assert back(establishment, batch) == set()


def test_what_was_carried_from_it_to_a_shelf_stays_mixed(
    act: Any, establishment: Establishment, put: Any, use: Any, batch: Batch, bulk_bin: Any, make_place: Any
):
    shelf, first, second = make_place("Shelf"), put(0), put(1)
    said = act(at=MORNING + 2 * HOUR)
    storing.move(act=said, lot=second, quantity="2", unit="KGM", from_place=bulk_bin, to_place=shelf)
    put(2.5)
    use(second, batch, 3, from_place=shelf)
    assert back(establishment, batch) == codes(first, second)


# -- walking ----------------------------------------------------------------------------------------------


def walk(here: Establishment, lot: Lot) -> Walk:
    return MixedPlaces(here).forward([lot.pk])


def test_forward_a_lot_reaches_what_was_made_of_its_place_mates_and_their_rest(
    establishment: Establishment, put: Any, use: Any, batch: Batch, make_batch: Any, make_pillows: Any
):
    first, early = put(0), make_batch()
    use(first, early, 0.5)
    made_early = make_pillows(early).lot
    second = put(1)
    use(first, batch, 2)
    made = make_pillows(batch).lot
    found = walk(establishment, second)
    assert _codes(found.lots) == codes(second, made)
    assert _codes(found.under) == codes(first, second)
    assert _codes(walk(establishment, first).lots) == codes(first, made_early, made)


def test_back_of_what_was_made_leads_to_the_place_mates_and_what_they_came_from(
    act: Any,
    establishment: Establishment,
    paste: Lot,
    use: Any,
    make_batch: Any,
    make_pillows: Any,
    bulk_bin: StoragePlace,
):
    made = []
    for batch in (make_batch(), make_batch()):
        use(paste, batch, 1, from_place=None)
        made.append(make_pillows(batch, act(at=MORNING + 2 * HOUR), to_place=bulk_bin).lot)
    last = make_batch()
    use(made[1], last, 3, quantity="2", unit="H87")
    end = make_pillows(last).lot
    found = MixedPlaces(establishment).back([end.pk])
    assert _codes(found.lots) == codes(paste, *made, end)
    assert set(found.drawn) == {(last.pk, made[1].pk)}


def test_a_house_without_such_places_is_asked_once(establishment: Establishment, put: Any, bulk_bin: Any):
    put(0)
    StoragePlace.objects.update(refilled=False)
    with CaptureQueriesContext(connection) as queries:
        assert not MixedPlaces(establishment)
    assert len(queries) == 1


def test_more_lots_and_places_are_read_in_the_same_statements(
    establishment: Establishment, put: Any, make_place: Any, use: Any, make_batch: Any
):
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            MixedPlaces(establishment).back([], used_in=[batch.pk for batch in batches])
        return len(queries)

    batches = [make_batch()]
    first = put(0)
    put(1)
    use(first, batches[0], 2)
    few = asked()
    other = make_place("Hopper")
    StoragePlace.objects.update(refilled=True)
    for hours in range(3, 9):
        batches.append(make_batch())
        use(put(hours, to_place=other), batches[-1], hours, from_place=other)
    assert asked() == few


# -- the mark ---------------------------------------------------------------------------------------------


def test_the_mark_is_not_taken_back_without_a_word_once_lots_lay_there(
    act: Any, lead: Person, put: Any, bulk_bin: StoragePlace
):
    put(0)
    with pytest.raises(RuleBroken, match="found empty and clean") as refused:
        reference.alter(act=act(by=lead), row=bulk_bin, values={"refilled": False})
    assert refused.value.code == "was-refilled"
    said = act(by=lead, note="It is a shelf; the wrong line was ticked.")
    assert not reference.alter(act=said, row=bulk_bin, values={"refilled": False}).refilled


def test_the_mark_of_a_place_nothing_lay_in_is_taken_back(act: Any, lead: Person, bulk_bin: StoragePlace):
    assert not reference.alter(act=act(by=lead), row=bulk_bin, values={"refilled": False}).refilled


# -- over HTTP --------------------------------------------------------------------------------------------


def test_a_place_is_marked_and_tells_what_is_mixed_in_it(api: Any, lead_api: Any, put: Any, make_place: Any):
    hopper = make_place("Hopper")
    first, second = put(0, to_place=hopper), put(1, to_place=hopper)
    told = api.ask(f"storage-places/{hopper.pk}/mixed").json()
    assert (told["refilled"], told["lots"]) == (False, [])
    lead_api.change(f"storage-places/{hopper.pk}", {"refilled": True}, version=1)
    told = api.ask(f"storage-places/{hopper.pk}/mixed").json()
    assert (told["refilled"], told["mixed"], told["emptied"]) == (True, True, None)
    assert [(each["code"], datetime.fromisoformat(each["since"])) for each in told["lots"]] == [
        (first.code, MORNING),
        (second.code, MORNING + HOUR),
    ]
    earlier = api.ask(f"storage-places/{hopper.pk}/mixed", at=(MORNING + HOUR / 2).isoformat()).json()
    assert ([each["code"] for each in earlier["lots"]], earlier["mixed"]) == ([first.code], False)


def test_found_empty_is_sent_listed_repeated_and_withdrawn(api: Any, put: Any, bulk_bin: StoragePlace):
    put(0)
    address = f"storage-places/{bulk_bin.pk}/found-empty"
    body = {
        "id": "01a21200-0000-7000-8000-0000000000aa",
        "performed_at": (MORNING + HOUR).isoformat(),
        "is_clean": True,
    }
    made = api.send(address, body)
    assert (made.status_code, made.json()["storage_place"]) == (201, str(bulk_bin.pk))
    assert api.send(address, body).status_code == 200
    assert api.send(address, body | {"is_clean": False}).status_code == 409
    assert [each["id"] for each in api.ask(address).json()["results"]] == [body["id"]]
    assert api.ask(f"storage-places/{bulk_bin.pk}/mixed").json()["lots"] == []
    gone = {"performed_at": NOON.isoformat(), "corrects": body["id"], "reason": "The other bin."}
    assert api.send(f"{address}/withdrawn", gone).status_code == 201
    assert len(api.ask(f"storage-places/{bulk_bin.pk}/mixed").json()["lots"]) == 1


def test_whether_it_was_clean_must_be_said(api: Any, bulk_bin: StoragePlace):
    answer = api.send(f"storage-places/{bulk_bin.pk}/found-empty", {"performed_at": NOON.isoformat()})
    assert answer.status_code == 400
