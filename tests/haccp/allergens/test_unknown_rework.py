"""Rework of unknown origin: it counts as containing everything that its equipment could have left."""

# ruff: noqa: F811 - fixtures of another file

from typing import Any

import pytest

from batches import using
from batches.models import Batch, Equipment, Lot
from haccp.allergens import content
from haccp.allergens.content import Content
from tests.haccp.allergens.test_contact import (  # noqa: F401
    all_free,
    clean,
    hour,
    nutty,
    plain,
    stay,
    stood,
    table,
)

pytestmark = pytest.mark.django_db


def of(lot: Lot, **how: Any) -> Content:
    return content.of_lots(lot.establishment, [lot], **how)[lot.pk]


@pytest.fixture
def found_tub(begin: Any, use: Any, make_lot: Any, plain: Lot, table: Equipment) -> Any:
    """Rework of a batch of sugar that stood on the table from ten to eleven; where it comes from is said."""

    def make(rework_from: str = "unknown", feed: bool = True) -> Lot:
        batch = begin()
        if feed:
            use(plain, batch)
        stay(batch, table, 10, 11)
        return make_lot(batch, is_rework=True, rework_from=rework_from)

    return make


def test_it_contains_what_its_equipment_could_have_left(found_tub, stood, nutty, table):
    stood(nutty, [table], 8, 9)
    lot = found_tub()
    found = of(lot)
    assert set(found.contains) == {"hazelnut"}
    assert str(found.contains["hazelnut"]) == lot.code
    assert "hazelnut" not in found.may


def test_of_all_else_nobody_knows(found_tub, stood, nutty, table):
    stood(nutty, [table], 8, 9)
    assert {"milk", "egg"} <= of(found_tub()).unknown


def test_nothing_is_held_to_be_absent_where_only_the_genealogy_is_asked(found_tub):
    assert {"milk", "hazelnut"} <= of(found_tub(), contact=False).unknown


def test_trim_of_a_known_batch_contains_what_went_into_it_only(found_tub, stood, nutty, table):
    stood(nutty, [table], 8, 9)
    found = of(found_tub("trim"))
    assert (set(found.contains), set(found.may), found.unknown) == (set(), {"hazelnut"}, frozenset())


def test_rework_of_a_batch_that_nothing_went_into_is_of_unknown_origin_too(
    found_tub,
    stood,
    nutty,
    table,
):
    stood(nutty, [table], 8, 9)
    assert set(of(found_tub("trim", feed=False)).contains) == {"hazelnut"}


def test_whatever_is_made_with_it_contains_it_and_the_path_begins_at_the_tub(
    found_tub,
    stood,
    nutty,
    table,
    begin,
    act,
    make_lot,
):
    stood(nutty, [table], 8, 9)
    tub, batch = found_tub(), begin()
    using.use(act=act(), lot=tub, batch=batch, quantity="0.5", unit="KGM")
    made = make_lot(batch)
    assert str(of(made).contains["hazelnut"]) == f"{tub.code} -> {made.code}"


def test_a_cleaning_break_between_clears_it(found_tub, stood, nutty, table, clean, batch: Batch):
    stood(nutty, [table], 8, 9)
    clean(table, 9.5, ["hazelnut"])
    assert set(of(found_tub()).contains) == set()


def test_sulphites_that_may_have_been_left_count_whatever_their_amount(
    found_tub,
    stood,
    state,
    receive,
    nuts,
    all_free,
    table,
):
    state(nuts, {"allergen": "sulphites", "says": "contains", "mg_per_kg": "5"},
          *[each for each in all_free if each != "free-of:sulphites"])  # fmt: skip
    stood(receive(material=nuts), [table], 8, 9)
    assert "sulphites" in of(found_tub()).contains
