"""Querysets that are asked with every request: their SQL is made once a thread.

For a read by key Django takes several times longer to make the SQL than PostgreSQL to answer it.
"""

import threading
from collections.abc import Callable
from typing import Any

from django.db import connections, models
from django.db.models.expressions import Expression


class Given(Expression):
    """Stands in a queryset for a value that is said when it is asked."""

    def __init__(self, name: str, output_field: "models.Field[Any, Any]"):
        super().__init__(output_field=output_field)
        self.name = name

    def as_sql(self, compiler: Any, connection: Any) -> Any:
        return "%s", [self]


class Prepared:
    """``rows(name=value, ...)`` of the queryset that ``make`` describes with ``Given(name, field)`` in its filters.

    A value may only stand where one value is compared: not None, not a list.
    """

    def __init__(self, make: Callable[[], models.QuerySet[Any]]):
        self.make = make
        self.kept = threading.local()  # a compiler belongs to one connection, a connection to one thread

    def rows(self, **values: Any) -> list[Any]:
        queryset, compiler, sql, said = self._compiled()
        params = tuple(_param(each, values, compiler.connection) for each in said)
        compiler.as_sql = lambda *args, **kwargs: (sql, params)
        return list(queryset._iterable_class(queryset))

    def _compiled(self) -> tuple[Any, Any, str, Any]:
        known = getattr(self.kept, "compiled", None)
        if known is not None and known[1].connection is connections[known[0].db]:
            return known  # type: ignore[no-any-return]
        queryset: Any = self.make()
        compiler = queryset.query.get_compiler(using=queryset.db)
        sql, said = compiler.as_sql()
        converters = compiler.get_converters(expression for expression, *_ in compiler.select)
        compiler.get_converters = lambda expressions: converters
        queryset.query.get_compiler = lambda *args, **kwargs: compiler
        self.kept.compiled = (queryset, compiler, sql, said)
        return self.kept.compiled  # type: ignore[no-any-return]


def _param(said: Any, values: dict[str, Any], connection: Any) -> Any:
    if isinstance(said, Given):
        return said.output_field.get_db_prep_value(values[said.name], connection)
    return said
