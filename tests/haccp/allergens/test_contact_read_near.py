"""What is read for one lot or one table answers as the whole house read does, on random days."""

from collections.abc import Sequence
from datetime import datetime
from random import Random
from typing import Any
from uuid import UUID

import pytest

from batches import runs
from batches.cleaning_breaks import standing_breaks
from batches.models import Batch, Edge, Equipment, Lot, Occupation, QualityReading, RecipeLine
from batches.models.batches import hours_within
from batches.near import Cleaned, Lines, NamedBatch, Near, Stay, fed_by, near
from haccp.allergens import contact, content
from ledger.models import Establishment
from tests.haccp.allergens.test_contact import (
    all_free,
    batch_of,
    clean,
    hour,
    nutty,
    plain,
    stood,
    table,
)

pytestmark = pytest.mark.django_db
__all__ = ["all_free", "clean", "nutty", "plain", "stood", "table"]
DAY, MONTH = 24, 720


@pytest.fixture
def lived_in(
    establishment: Establishment,
    plain: Lot,
    nutty: Lot,
    table: Equipment,
    kettle: Equipment,
    stood: Any,
    clean: Any,
    use: Any,
    make_lot: Any,
    begin: Any,
) -> list[Lot]:
    """Days in no order at all: stays of every length, open ones, lots used again, cleanings whole and in part."""
    chance, made = Random(11), list[Lot]()
    for _ in range(11):
        places = [each for each in (table, kettle) if chance.random() < 0.6]
        since = chance.choice([0, 5, 30, 60, 400, 900]) + chance.randrange(4)
        lasts = chance.choice([0, 1, 1, 3, 30, 800, None])
        source = chance.choice([plain, plain, plain, nutty, nutty, *made[-2:]])
        until = None if lasts is None else since + lasts
        made.append(stood(source, places, since, until))
    for _ in range(7):
        at = chance.choice([2, 7, 33, 62, 403, 903]) + chance.randrange(3)
        clean(chance.choice([table, kettle]), at, chance.choice(["all", "all", ["hazelnut"], []]))
    for row in Occupation.objects.all():
        Occupation.objects.filter(pk=row.pk).update(within_hours=hours_within(row.since, row.until))
    return made


def told(found: content.Content) -> Any:
    return [dict(each) for each in (found.contains, found.may, found.unstated, found.unknown_by_contact)]


def test_one_lot_and_one_table_answer_as_all_of_the_house(
    lived_in: list[Lot], table: Equipment, kettle: Equipment, monkeypatch: Any
):
    here = lived_in[0].establishment
    times = [hour(each) for each in (3, 8, 34, 63, 404, 904, 2000)]
    places = [(each.pk, at) for each in (table, kettle) for at in times]
    alone = {lot.pk: told(content.of_lots(here, [lot])[lot.pk]) for lot in lived_in}
    left = standing(here, places)
    together = content.of_lots(here, lived_in)
    monkeypatch.setattr(contact, "near", lambda *_: all_of(here))
    whole = content.of_lots(here, lived_in)
    assert {key: told(found) for key, found in together.items()} == alone
    assert alone == {lot.pk: told(whole[lot.pk]) for lot in lived_in}
    assert left == standing(here, places)
    assert {bool(may) for _, may, *_ in alone.values()} == {bool(each) for each in left} == {True, False}


def all_of(here: Establishment) -> Near:
    """Every batch, stay, break and edge of a house, read plainly."""
    stays = Occupation.objects.values_list("batch_id", "equipment_id", "since", "until")
    breaks = standing_breaks(list(Equipment.objects.filter(establishment=here)))
    named = Batch.objects.values_list("pk", "uid", "code", "recipe_version")
    lines = Lines(list)
    for version, position, material in RecipeLine.objects.values_list("version", "position", "material"):
        lines[version].append((position, material))
    return Near(
        {key: NamedBatch(*each) for key, *each in named},
        [Stay(*each) for each in stays],
        [
            Cleaned(each.equipment_id, each.at, each.scope, each.because_id, each.because.kind)
            for each in breaks
        ],
        fed_by(Edge.objects.values_list("source_id", "target_id", "batch_id", "share")),
        lines,
    )


def standing(here: Establishment, places: Sequence[tuple[UUID, datetime]]) -> list[Any]:
    contacts = contact.load(here, [], places)
    return [
        contacts.on(place, at, at.date(), unstated=unstated)
        for place, at in places
        for unstated in (False, True)
    ]


def batches_near(lot: Lot) -> set[int]:
    return set(near(lot.establishment_id, [lot.pk]).batches)


def test_what_stood_there_before_all_was_cleaned_is_not_read(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any, clean: Any
):
    old = stood(nutty, [table], 8, 9)
    clean(table, 9.5)
    since = stood(plain, [table], 10, 11)
    lot, later = stood(plain, [table], 12, 13), stood(nutty, [table], 14, 15)
    read = batches_near(lot)
    assert read == {batch_of(lot).pk, batch_of(since).pk}
    assert not read & {batch_of(old).pk, batch_of(later).pk}


def test_an_old_lot_that_went_in_brings_no_days_between(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any, clean: Any
):
    old = stood(plain, [table], 0, 1)
    clean(table, 2)
    between = stood(nutty, [table], 3, 4)
    clean(table, 5)
    lot = stood(old, [table], 6, 7)
    assert batch_of(between).pk not in batches_near(lot)
    assert batch_of(old).pk in batches_near(lot)


def test_a_cleaning_that_counts_no_more_ends_nothing_whether_its_kind_of_record_was_met_before_or_not(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any, clean: Any, act: Any, batch: Batch, monkeypatch: Any
):
    old = batch_of(stood(nutty, [table], 8, 9)).pk
    record, lot = clean(table, 9.5), stood(plain, [table], 10, 11)
    monkeypatch.setattr("batches.near._kinds_met", set())
    assert [old in batches_near(lot) for _ in range(2)] == [False, False]
    gone = act(corrects=record.pk, reason="Another table.", withdraws=True)
    runs.withdraw(act=gone, batch=batch, kind=QualityReading)
    assert old in batches_near(lot)
    monkeypatch.setattr("batches.near._kinds_met", set())
    assert [old in batches_near(lot) for _ in range(2)] == [True, True]


@pytest.mark.parametrize("lasted", [DAY, DAY + 1, MONTH, MONTH + 1])
def test_however_long_a_batch_stood_there_it_is_found(
    plain: Lot, nutty: Lot, table: Equipment, stood: Any, clean: Any, lasted: int
):
    """It came just so long before, and stood there while all was cleaned."""
    long = stood(nutty, [table], 10 - lasted, 10)
    row = Occupation.objects.get(batch=long.batch)
    Occupation.objects.filter(pk=row.pk).update(within_hours=hours_within(row.since, row.until))
    clean(table, 9)
    lot = stood(plain, [table], 11, 12)
    assert batch_of(long).pk in batches_near(lot)


def test_the_length_of_a_stay_is_told_by_the_least_it_fits_in():
    ends = [
        hours_within(hour(0), None if lasted is None else hour(lasted))
        for lasted in (0, 24, 25, 720, 721, None)
    ]
    assert ends == [24, 24, 720, 720, 0, 0]
