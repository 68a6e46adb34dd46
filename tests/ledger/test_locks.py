"""Changing a row of reference data does not keep records waiting that name it."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.db import connection, transaction

from ledger import changes, establishments
from ledger.acts import Act
from ledger.models import Establishment, Person

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
    ),
]


@pytest.fixture
def another_connection() -> Iterator[Any]:
    """A second one, for somebody else who works at the same moment."""
    other = connection.copy()
    yield other
    other.close()


def may_be_named(other: Any, row: Any) -> bool:
    """Whether a new row may point to this one now: PostgreSQL locks what a foreign key names FOR KEY SHARE."""
    with other.cursor() as cursor:
        table = row._meta.db_table
        cursor.execute(f"SELECT 1 FROM {table} WHERE id = %s FOR KEY SHARE SKIP LOCKED", [row.pk])
        return cursor.fetchone() is not None


def test_records_name_an_establishment_whose_profile_is_changing(
    another_connection: Any, act: Callable[..., Act], lead: Person, establishment: Establishment
) -> None:
    with transaction.atomic():
        establishments.change_profile(act=act(lead), values={"address": "Mill Lane 5"})
        assert may_be_named(another_connection, establishment)


def test_nobody_else_changes_it_meanwhile(
    another_connection: Any, act: Callable[..., Act], lead: Person, establishment: Establishment
) -> None:
    with transaction.atomic(), another_connection.cursor() as cursor:
        changes.alter(act=act(lead), row=establishment, values={})
        cursor.execute(
            "SELECT 1 FROM ledger_establishment WHERE id = %s FOR NO KEY UPDATE SKIP LOCKED",
            [establishment.pk],
        )
        assert cursor.fetchone() is None
