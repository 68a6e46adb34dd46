"""A house that makes caramels over the years, each day on the machine's clock, and asks what may leave."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from batches import lots, shipping, storing
from batches.models import Lot, TradingPartner
from haccp.models import Archive
from haccp.retention import archiving, keeping, leaving
from haccp.retention.keeping import Standing
from haccp.retention.leaving import Left
from ledger import seals
from ledger.acts import Act, Moment
from ledger.models import Entry, Establishment, Person, Record
from ledger.signatures import Proof

FIRST = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
FIRST_DAY = FIRST.date()
LONG_AFTER = date(2040, 1, 10)


@pytest.fixture(autouse=True)
def _first_day(time_machine: Any) -> None:
    time_machine.move_to(FIRST, tick=True)


@pytest.fixture
def on(time_machine: Any) -> Callable[[date], datetime]:
    """It is eleven on a day."""

    def do(day: date) -> datetime:
        at = datetime(day.year, day.month, day.day, 11, 0, tzinfo=UTC)
        time_machine.move_to(at, tick=True)
        return at

    return do


@pytest.fixture
def customer(establishment: Establishment) -> TradingPartner:
    return TradingPartner.objects.create(
        establishment=establishment, code="CUS", name="Corner Shop South", is_customer=True
    )


@pytest.fixture
def bag(on: Any, receive: Any, accept: Any) -> Callable[..., Lot]:
    """Twenty kilograms of sugar came in and were accepted."""

    def do(day: date = FIRST_DAY, **values: Any) -> Lot:
        at = on(day) - 5 * HOUR
        return accept(receive(at=at, **values), at=at)

    return do


@pytest.fixture
def caramels(
    act: Callable[..., Act], on: Any, begin: Any, use: Any, make_lot: Any, end: Any, customer: TradingPartner
) -> Callable[..., Lot]:
    """A batch used two kilograms of a lot, made one of caramels, and all of that went to a customer."""

    def do(source: Lot, day: date = FIRST_DAY, ship: bool = True, **values: Any) -> Lot:
        at = on(day)
        batch = begin(at=at - 4 * HOUR)
        use(source, batch, at=at - 3 * HOUR)
        made = make_lot(batch, at=at - 2 * HOUR, **values)
        end(batch, at=at - HOUR)
        entry = Entry.objects.get(pk=batch.birth_id)
        lots.decide(act=act(at=at), lots=[made], status="released", because=entry)
        if ship:
            made.state.refresh_from_db()
            shipping.ship(act=act(at=at), lot=made, customer=customer, quantity="1", unit="KGM")
        return made

    return do


@pytest.fixture
def use_up(act: Callable[..., Act], on: Any) -> Callable[..., None]:
    """Throw the rest of a lot away."""

    def do(lot: Lot, day: date) -> None:
        rest = lot.movements.all()
        kilograms = sum(each.effect for each in rest) // 1_000_000
        storing.destroy(act=act(at=on(day)), lot=lot, quantity=str(kilograms), unit="KGM")

    return do


@pytest.fixture
def standing(establishment: Establishment) -> Callable[..., Standing]:
    def do(day: date, **values: Any) -> Standing:
        seals.seal(establishment=establishment)
        return keeping.standing(establishment, day, **values)

    return do


@pytest.fixture
def leads(establishment: Establishment, lead: Person) -> Callable[..., Act]:
    """An act of the lead's, now."""

    def make(**values: Any) -> Act:
        return Act(
            establishment=establishment,
            performed_by=lead,
            performed=Moment.now(establishment),
            recorded_by=lead,
            **values,
        )

    return make


@pytest.fixture
def archive(leads: Callable[..., Act], tmp_path: Path) -> Callable[..., Archive]:
    def do(name: str = "archive.zip") -> Archive:
        seals.seal(establishment=leads().establishment)
        return archiving.archive(act=leads(), path=tmp_path / name)

    return do


@pytest.fixture
def remove(leads: Callable[..., Act], lead: Person, tmp_path: Path) -> Callable[..., Left]:
    def do(name: str = "archive.zip", **values: Any) -> Left:
        usual = {"act": leads(), "proof": Proof(lead), "file": tmp_path / name}
        left = leaving.remove(**(usual | {"today": usual["act"].local_day} | values))
        connection.check_constraints()  # foreign keys are looked at when a transaction ends
        return left

    return do


def there(record: Record) -> bool:
    return type(record).objects.filter(pk=record.pk).exists()
