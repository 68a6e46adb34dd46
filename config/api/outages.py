"""Whether the database cannot serve just now, so that asking again helps, or a statement failed: then it does not."""

import sqlite3
from typing import Any

from django.db import InterfaceError, OperationalError

POSTGRESQL_STATES = ("08", "40", "53", "55P03", "57P")
"""Connection, lost to another transaction, out of resources (disk, memory, connections), lock not given in time,
shutting down: beginnings of SQLSTATE, from memory of the PostgreSQL manual, appendix A."""
SQLITE_CODES = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_CANTOPEN,
    }
)


def is_outage(error: BaseException) -> bool:
    """Whether ``error``, as Django raised it, says that the database is away, full, or kept somebody waiting too long."""
    if isinstance(error, InterfaceError):  # the connection was closed
        return True
    if not isinstance(error, OperationalError):
        return False
    said: Any = error.__cause__
    if isinstance(said, sqlite3.Error):
        return getattr(said, "sqlite_errorcode", 0) & 0xFF in SQLITE_CODES  # the rest refines it
    state = getattr(said, "sqlstate", None)  # none where the server did not even answer
    return state is None or state.startswith(POSTGRESQL_STATES)
