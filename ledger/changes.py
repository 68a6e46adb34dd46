"""Reference data changes here and nowhere else: the row and the record of its change in one transaction."""

from typing import Any, TypeVar

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction

from config.api.refusals import ChangedMeanwhile, OtherContent, Unusable
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Change, Versioned
from ledger.models.records import plain, reference_column

Row = TypeVar("Row", bound=Versioned)
NOT_SHOWN = frozenset({"version", "password", "last_login", "key_hash"})


@deed
def make(*, act: Act, row: Row) -> Row:
    """Write a new row of reference data and the record that it was made. Raises Unusable.

    ``act.id`` becomes the row's id, so that a client that asks twice gets the same row, marked ``repeated``; other
    content under the same id is OtherContent.
    """
    if act.id is not None:
        row.pk = act.id
    change = _change(act, row, before={}, after=shown(row))
    if act.id is not None and (known := Change.objects.filter(pk=act.id).first()):
        return _made_before(known, change, row)
    _clean(row)
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError:
        # The same may have been asked at the same time; its transaction has ended by now.
        if act.id is not None and (known := Change.objects.filter(pk=act.id).first()):
            return _made_before(known, change, row)
        raise
    change.insert()
    return row


def _made_before(known: Change, change: Change, row: Row) -> Row:
    """The row that was made under this id. When it was made is the server's to say, so the time is not compared."""
    names = ("establishment_id", "subject_kind", "before", "after")
    if any(getattr(known, name) != getattr(change, name) for name in names):
        raise OtherContent(
            f"Id {known.pk} is taken by a row with other content. Nothing was changed.", field="id"
        )
    made: Any = type(row)._default_manager.get(pk=known.pk)
    made.repeated = True
    return made  # type: ignore[no-any-return]


@deed
def alter(*, act: Act, row: Row, values: dict[str, Any], expected_version: int | None = None) -> Row:
    """Change fields of a row of reference data. Raises Unusable, ChangedMeanwhile.

    ``expected_version``: the version the client saw (If-Match), compared under the row's lock. The lock lets records
    that name the row be written meanwhile: its key stays as it is.
    """
    locked: Any = type(row)._default_manager.select_for_update(of=("self",), no_key=True).get(pk=row.pk)
    if expected_version is not None and locked.version != expected_version:
        raise ChangedMeanwhile(
            "This was changed since you read it. Nothing was written; read it again first."
        )
    before = shown(locked)
    for name, value in values.items():
        setattr(locked, name, value)
    after = shown(locked)
    if after == before:
        return locked
    _clean(locked)
    locked.version += 1
    locked.save()
    _change(
        act,
        locked,
        before={name: value for name, value in before.items() if after[name] != value},
        after={name: value for name, value in after.items() if before[name] != value},
    ).insert()
    return locked


def shown(row: models.Model) -> dict[str, Any]:
    """The row's fields as text, secrets left out; references by their uuid."""
    return {
        field.name: plain(field, _outside(row, field))
        for field in row._meta.concrete_fields
        if field.name not in NOT_SHOWN
    }


def _outside(row: models.Model, field: Any) -> Any:
    if not field.is_relation:
        return getattr(row, field.attname)
    if reference_column(field) == "pk":
        return getattr(row, field.attname)
    target = getattr(row, field.name)
    return None if target is None else target.uid


def _change(act: Act, row: models.Model, *, before: dict[str, Any], after: dict[str, Any]) -> Change:
    subject = getattr(row, "uid", row.pk)
    return Change.new(act, subject_kind=row._meta.label_lower, subject_id=subject, before=before, after=after)


def _clean(row: models.Model) -> None:
    """The row's own fields; what spans rows the database keeps."""
    relations = [field.name for field in row._meta.concrete_fields if field.is_relation]
    try:
        row.clean_fields(exclude=relations)
    except ValidationError as error:
        name, messages = next(iter(error.message_dict.items()))
        raise Unusable(" ".join(messages), field=name) from error
