"""Which rule of the database was broken, on either engine, and what to say about it."""

import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.apps import apps
from django.db import IntegrityError, models

from config.api.refusals import Refusal, RuleBroken, Unusable


@dataclass(frozen=True)
class Sentence:
    field: str
    detail: str


_sentences: dict[str, Sentence] = {}


def say(constraint: str, field: str, detail: str) -> None:
    """Register what to answer when ``constraint`` is broken, and which field it is about."""
    _sentences[constraint] = Sentence(field, detail)


def broken_constraint(error: IntegrityError) -> str:
    """The name of the constraint that ``error`` is about; empty when it names none.

    PostgreSQL gives the name. SQLite gives it for CHECK; for UNIQUE it gives columns, which are looked up.
    """
    named = getattr(getattr(error.__cause__, "diag", None), "constraint_name", None)
    if named:
        return str(named)
    text = str(error)
    if found := re.match(r"CHECK constraint failed: (\w+)", text):
        return found[1]
    if found := re.match(r"UNIQUE constraint failed: (.+)", text):
        return _unique_names().get(tuple(sorted(found[1].split(", "))), "")
    return ""


@cache
def _unique_names() -> dict[tuple[str, ...], str]:
    """Columns as SQLite names them -> the name of the unique constraint over them."""
    names = {}
    for model in apps.get_models():
        table = model._meta.db_table
        for constraint in model._meta.constraints:
            if isinstance(constraint, models.UniqueConstraint) and constraint.fields:
                columns = (_column(model, name) for name in constraint.fields)
                names[tuple(sorted(f"{table}.{column}" for column in columns))] = constraint.name
    return names


def _column(model: type[models.Model], name: str) -> str:
    field: Any = model._meta.get_field(name)
    return str(field.column)


def refusal_of(error: IntegrityError) -> Refusal | None:
    """The same in words; None when the error names no rule that a client can have broken."""
    name = broken_constraint(error)
    if name in _sentences:
        sentence = _sentences[name]
        kind = RuleBroken if _is_unique(name) else Unusable
        return kind(sentence.detail, code=_code(name), field=sentence.field)
    if name and _known(name):
        words = name.replace("_", " ")
        return RuleBroken(
            f"A rule of the records stands in the way: {words}. Nothing was written.", code=_code(name)
        )
    if "kept as written" in str(error) or "own establishment only" in str(error):
        return RuleBroken(str(error).splitlines()[0] + ". Nothing was written.", code="kept-as-written")
    if "unique" in str(error).lower():
        return RuleBroken("There is one like this already. Nothing was written.", code="already-there")
    return None


def _known(name: str) -> bool:
    return any(
        name == constraint.name for model in apps.get_models() for constraint in model._meta.constraints
    )


def _is_unique(name: str) -> bool:
    return any(
        name == constraint.name and isinstance(constraint, models.UniqueConstraint)
        for model in apps.get_models()
        for constraint in model._meta.constraints
    )


def _code(name: str) -> str:
    return name.replace("_", "-")
