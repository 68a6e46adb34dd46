"""What the service's database role may do, on PostgreSQL (decision D25).

Two roles: the owner makes tables (migrations) and carries out retention; the service's own role reads and adds.
Triggers refuse a change of a kept row by mistake; missing privileges refuse it also to whoever takes the service over,
since that role can't drop a trigger. Nor may it make temporary tables: PostgreSQL looks there first, so that a trigger
would write its entry into one. SQLite has no roles: there the triggers stand alone.
"""

from django.db.backends.base.base import BaseDatabaseWrapper
from psycopg import sql

from ledger import triggers

READ_AND_ADD = ("SELECT", "INSERT")
CHANGE_TOO = ("SELECT", "INSERT", "UPDATE", "DELETE")
READ_ONLY = ("SELECT",)


def privileges(connection: BaseDatabaseWrapper) -> dict[str, tuple[str, ...]]:
    """Table -> what the role may do with it. Nobody but the owner may TRUNCATE, or change what is kept."""
    kept = set(triggers.kept_tables())
    found = {
        table: READ_AND_ADD if table in kept else CHANGE_TOO
        for table in connection.introspection.table_names()
    }
    return found | {"django_migrations": READ_ONLY}


def give(connection: BaseDatabaseWrapper, role: str, password: str | None = None) -> None:
    """Make ``role`` where it is missing and give it exactly these privileges; twice changes nothing.

    With ``password`` the role may sign in by it. The connection must be the owner's.
    """
    name = sql.Identifier(role)
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [role])
        if cursor.fetchone() is None:
            cursor.execute(sql.SQL("CREATE ROLE {}").format(name))
        if password:
            cursor.execute(sql.SQL("ALTER ROLE {} LOGIN PASSWORD {}").format(name, sql.Literal(password)))
        cursor.execute(sql.SQL("REVOKE ALL ON ALL TABLES IN SCHEMA public FROM {}, PUBLIC").format(name))
        cursor.execute("REVOKE CREATE ON SCHEMA public FROM PUBLIC")
        database = sql.Identifier(connection.settings_dict["NAME"])
        cursor.execute(sql.SQL("REVOKE TEMPORARY ON DATABASE {} FROM {}, PUBLIC").format(database, name))
        cursor.execute(sql.SQL("GRANT USAGE ON SCHEMA public TO {}").format(name))
        cursor.execute(sql.SQL("GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO {}").format(name))
        for table, allowed in privileges(connection).items():
            words = sql.SQL(", ".join(allowed))
            cursor.execute(
                sql.SQL("GRANT {} ON {} TO {}").format(words, sql.Identifier("public", table), name)
            )
