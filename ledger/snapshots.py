"""Reading many rows as they stood at one moment."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.db import connection, transaction


@contextmanager
def one_snapshot() -> Iterator[None]:
    """All is read as it stood at one moment, and no writer waits. In a transaction of the caller's, that one rules."""
    if connection.in_atomic_block:
        yield
        return
    with _no_write_lock(), transaction.atomic():
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        yield


@contextmanager
def _no_write_lock() -> Iterator[None]:
    """On SQLite a transaction otherwise begins IMMEDIATE, as the only one that may write."""
    if connection.vendor != "sqlite":
        yield
        return
    connection.ensure_connection()  # a new one would set the usual way again
    wrapper: Any = connection
    usual, wrapper.transaction_mode = wrapper.transaction_mode, "DEFERRED"
    try:
        yield
    finally:
        wrapper.transaction_mode = usual
