"""Which rule of the database was broken, on either engine, and what to say about it."""

import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.apps import apps
from django.db import IntegrityError, models

from config.api.refusals import Refusal, RuleBroken, Unusable

TRIGGER_TEXTS = {"kept as written": "kept-as-written", "own establishment only": "of-another-establishment"}
"""What the triggers of ``ledger.triggers`` say -> the code that is answered."""


@dataclass(frozen=True)
class Sentence:
    field: str
    detail: str


@dataclass(frozen=True)
class Rule:
    """A constraint as the models declare it. ``fields`` only for one that keeps rows apart."""

    unique: bool
    fields: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()  # as SQLite names them


_sentences: dict[str, Sentence] = {}


def say(constraint: str, field: str, detail: str) -> None:
    """Register what to answer when ``constraint`` is broken, and which field of the request it is about.

    Called once, where the constraint is declared or in the app's ``ready()``. A CHECK answers 400, a unique
    constraint 409. Without a sentence the answer names the rule.
    """
    _sentences[constraint] = Sentence(field, detail)


def broken_constraint(error: IntegrityError) -> str:
    """The name of the constraint that ``error`` is about; empty when it names none.

    PostgreSQL gives the name. SQLite gives it for CHECK; for UNIQUE it gives columns, which are looked up.
    A field's own ``unique=True`` has the name PostgreSQL gives it: ``table_column_key``.
    """
    named = getattr(getattr(error.__cause__, "diag", None), "constraint_name", None)
    if named:
        return str(named)
    text = str(error)
    if found := re.match(r"CHECK constraint failed: (\w+)|UNIQUE constraint failed: index '(\w+)'", text):
        return found[1] or found[2]
    if found := re.match(r"UNIQUE constraint failed: (.+)", text):
        columns = tuple(sorted(found[1].split(", ")))
        return next((name for name, rule in _rules().items() if rule.columns == columns), "")
    return ""


@cache
def _rules() -> dict[str, Rule]:
    found: dict[str, Rule] = {}
    for model in apps.get_models():
        for field in model._meta.local_concrete_fields:
            if field.unique:
                own = "pkey" if field.primary_key else f"{field.column}_key"
                found[f"{model._meta.db_table}_{own}"] = _unique(model, (field.name,))
        for constraint in model._meta.constraints:
            if isinstance(constraint, models.UniqueConstraint):
                found[constraint.name] = _unique(model, constraint.fields)
            else:
                found[constraint.name] = Rule(unique=False)
    return found


def _unique(model: type[models.Model], names: tuple[str, ...]) -> Rule:
    fields: list[Any] = [model._meta.get_field(name) for name in names]
    columns = sorted(f"{model._meta.db_table}.{field.column}" for field in fields)
    return Rule(unique=True, fields=tuple(names), columns=tuple(columns))


def refusal_of(error: IntegrityError) -> Refusal | None:
    """The same in words; None when the error names no rule that a client can have broken."""
    if isinstance(error, (models.ProtectedError, models.RestrictedError)):
        return RuleBroken(
            "Other records refer to this, so it stays. Nothing was written.", code="referred-to"
        )
    name = broken_constraint(error)
    rule = _rules().get(name)
    if rule and name in _sentences:
        sentence = _sentences[name]
        kind = RuleBroken if rule.unique else Unusable
        return kind(sentence.detail, code=_code(name), field=sentence.field)
    if rule:
        return _unnamed(name, rule)
    text = str(error).splitlines()[0] if str(error) else ""
    if code := next((code for words, code in TRIGGER_TEXTS.items() if words in text), ""):
        return RuleBroken(f"{text}. Nothing was written.", code=code)
    if "unique" in text.lower():
        return RuleBroken("There is one like this already. Nothing was written.", code="already-there")
    if "foreign key" in text.lower():
        sentence_ = "Something this refers to is not there, or not any more. Nothing was written."
        return RuleBroken(sentence_, code="reference-not-there")
    return None


def _unnamed(name: str, rule: Rule) -> Refusal:
    """For a rule nobody registered a sentence for: say which it is, and the field where only one can be meant."""
    if not rule.unique:
        words = name.replace("_", " ")
        detail = f"A rule of the records stands in the way: {words}. Nothing was written."
        return RuleBroken(detail, code=_code(name))
    own = [field for field in rule.fields if field != "establishment"]
    words = " and ".join(field.replace("_", " ") for field in own)
    detail = f"There is one with the same {words} already. Nothing was written."
    return RuleBroken(detail, code=_code(name), field=own[0] if len(own) == 1 else "")


def _code(name: str) -> str:
    return name.replace("_", "-")
