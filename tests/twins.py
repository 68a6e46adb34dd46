"""Rows copied past every domain function, to see which of them the tables refuse.

A twin of a good row is as good as that row: it differs only where no two rows may be alike. So a twin that is
changed in one way and refused is refused for that change.
"""

import itertools
from copy import copy
from dataclasses import dataclass
from typing import Any

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, models, transaction
from django.db.models import Q

from config.api.constraints import broken_constraint
from ledger.ids import uuid7
from tests.scene import OURS

Model = type[models.Model]
_numbers = itertools.count(20_000)  # fit the smallest column, and lie above what the scene has


@dataclass(frozen=True)
class Alone:
    """What no two rows of a model have in common: the fields, and which rows it is about."""

    fields: tuple[str, ...]
    condition: Q


def our_models() -> list[Model]:
    return [model for model in apps.get_models() if model._meta.app_label in OURS and model._meta.managed]


def alone(model: Model) -> dict[str, Alone]:
    """By the name that ``broken_constraint`` gives: unique fields, the key among them, and unique constraints."""
    meta: Any = model._meta
    fields = {
        f"{meta.db_table}_{'pkey' if field.primary_key else f'{field.column}_key'}": Alone((field.name,), Q())
        for field in meta.concrete_fields
        if field.unique
    }
    constraints = {
        each.name: Alone(tuple(each.fields), each.condition or Q())
        for each in meta.constraints
        if isinstance(each, models.UniqueConstraint)
    }
    return fields | constraints


def checks(model: Model) -> dict[str, Q]:
    """Condition by name of each CHECK."""
    constraints: Any = model._meta.constraints
    return {each.name: each.condition for each in constraints if isinstance(each, models.CheckConstraint)}


def implied(model: Model) -> set[str]:
    """Rules that no row can break alone: those of corrections, where a rule says that nothing is corrected."""
    if Q(corrects__isnull=True) not in checks(model).values():
        return set()
    own = own_name(model)
    return {f"{own}_correction_has_a_reason", f"{own}_does_not_correct_itself", f"{own}_corrects_id_key"}


def own_name(model: Model) -> str:
    """How the names of inherited rules begin."""
    return f"{model._meta.app_label}_{model._meta.model_name}"


def row_of(model: Model, which: Q | None = None, **values: Any) -> Any:
    """The first row like this. Fails where the scene has none."""
    found = model._default_manager.filter(which or Q(), **values).order_by("pk").first()
    assert found is not None, f"make such a row first: {model.__name__} {which or ''} {values}"
    return found


def good_row(model: Model, name: str = "") -> Any:
    """Any row, or one for which the unique rule ``name`` holds: of records, one that corrects another."""
    rule = alone(model).get(name, Alone((), Q()))
    if rule.fields == ("corrects",):
        corrected = row_of(model)
        insert(twin(corrected, corrects=corrected.pk, reason="slip of the pen"))
    return row_of(model, rule.condition, **{f"{field}__isnull": False for field in rule.fields})


def twin(row: Any, *, alike: str = "", **changes: Any) -> Any:
    """An unsaved copy of ``row`` with ``changes``, which shares with it what is named ``alike``, if anything."""
    made = copy(row)
    own = alone(type(row))
    kept = own[alike].fields if alike else ()
    for name in (_to_change(type(row), each, kept) for label, each in own.items() if label != alike):
        field = row._meta.get_field(name)
        setattr(made, field.attname, None if field.null else _fresh(field))
    for name, value in changes.items():
        setattr(made, row._meta.get_field(name).attname, value)
    return made


def _to_change(model: Model, each: Alone, kept: tuple[str, ...]) -> str:
    """The field by which a twin differs there: not the establishment, and none with a list of choices."""
    free = [name for name in each.fields if name not in kept]
    others = [name for name in free if name != "establishment" and not model._meta.get_field(name).choices]
    return (others or free)[0]


def _fresh(field: Any) -> Any:
    """A value that no row has. What a reference names need not be there: that is asked at commit."""
    field = getattr(field, "target_field", field)
    if isinstance(field, models.UUIDField):
        return uuid7()
    if isinstance(field, models.IntegerField):
        return next(_numbers)
    return uuid7().hex[-min(field.max_length, 12) :]


def insert(row: Any) -> None:
    """As plain SQL would do it: no deed, no checks of ``save``."""
    row.save_base(raw=True, force_insert=True)


def refused_for(write: Any, *args: Any) -> str:
    """The constraint for which the database refuses ``write``, or else its sentence; nothing of it stays."""
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        write(*args)
    return broken_constraint(caught.value) or str(caught.value).splitlines()[0]


def drop_trigger(name: str, table: str) -> None:
    """For the rest of this transaction, so for one test."""
    on = f" ON {table}" if connection.vendor == "postgresql" else ""
    connection.check_constraints()  # PostgreSQL drops no trigger while a deferred check waits
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TRIGGER {name}{on}")
