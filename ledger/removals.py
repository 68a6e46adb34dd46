"""A record leaves only after its retention ended; a record of that stays, and so do digest and leaf."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import partial
from typing import Any
from uuid import UUID

from django.db import transaction

from config.api.refusals import RuleBroken, Unknown
from ledger import attachments
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Attachment, Entry, Kept, Leaf, Record, Removal
from ledger.triggers import kept_models


@deed
def remove(*, act: Act, record: Record, rule: str) -> Removal:
    """Take a sealed record away under a retention rule. Raises RuleBroken while it is unsealed or corrected, and for
    kinds that something is computed from (``Record.counted_in``): without one of them stock and states would be false.

    Whoever calls this has made sure that the longest retention rule that applies has ended. A removal stays for ever:
    without it the record it names would be missing. The file of an attachment leaves with the last record of it, the
    parts of a record (``Kept.part_of``) with the record.
    """
    if record.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no record {record.pk} here.", field="removed_id")
    removal = Removal.new(
        act, removed_id=record.pk, removed_kind=record.kind, removed_digest=record.digest, rule=rule
    )
    removal.answer_if_repeated()
    if isinstance(record, Removal):
        raise RuleBroken("The record of a removal stays.", code="removal-stays")
    if record.counted_in:
        raise RuleBroken(
            f"Record {record.pk} is counted in {record.counted_in}; without it they would be false. It leaves only "
            "together with all that belongs to it. Nothing was written.",
            code="counted-in",
        )
    if not Leaf.objects.filter(entry_id=record.pk).exists():
        raise RuleBroken(f"Record {record.pk} is not sealed yet; seal it first.", code="not-sealed")
    if type(record).objects.filter(corrects=record).exists():
        raise RuleBroken(f"A later record corrects {record.pk}; remove that one first.", code="is-corrected")
    removal.insert()
    _remove_parts(record)
    type(record).objects.filter(pk=record.pk).delete()
    if isinstance(record, Attachment):
        transaction.on_commit(partial(attachments.clear, record.sha256))
    return removal


def remove_together(*, act: Act, records: Mapping[UUID, type[Record]], rules: Mapping[UUID, str]) -> None:
    """Take records away that belong together, each by its rule. Call it in a transaction, which no half of them outlives.

    Whoever calls this has made sure that the longest rule of each has ended and that nothing that stays needs it, and
    computes anew what was computed from them. The database refuses what something still refers to.
    """
    _note(act, records, rules)
    by_kind: defaultdict[type[Record], list[UUID]] = defaultdict(list)
    for pk, model in records.items():
        by_kind[model].append(pk)
    for model, keys in by_kind.items():
        for some in _by_hundreds(keys):
            _take_away(model, some)


ROWS_A_STATEMENT = 500  # SQLite bounds the number of parameters in one statement


def _by_hundreds(keys: Sequence[UUID]) -> Iterator[Sequence[UUID]]:
    return (keys[at : at + ROWS_A_STATEMENT] for at in range(0, len(keys), ROWS_A_STATEMENT))


def _note(act: Act, records: Mapping[UUID, type[Record]], rules: Mapping[UUID, str]) -> None:
    digests: dict[UUID, str] = {}
    for some in _by_hundreds(list(records)):
        digests |= dict(Entry.objects.filter(pk__in=some).values_list("pk", "digest"))
    made = [
        Removal.new(
            act.with_new_id(),
            removed_id=pk,
            removed_kind=model.kind,
            removed_digest=digests[pk],
            rule=rules[pk],
        )
        for pk, model in records.items()
    ]
    for answer in Removal.insert_many(made):
        if not isinstance(answer, Removal):
            raise answer


def _take_away(model: type[Record], keys: Collection[UUID]) -> None:
    """Rows of one kind with what is only there because of them; past Django, which would ask what refers to each."""
    files = set(Attachment.objects.filter(pk__in=keys).values_list("sha256", flat=True))
    related: Any = model._meta.related_objects
    for relation in related:
        if not issubclass(relation.related_model, Kept):  # a projection, or a message about it
            relation.related_model._default_manager.filter(**{f"{relation.field.name}__in": keys}).delete()
    for part, named in parts_of(model):
        of_them = part._default_manager.filter(**{f"{named}__in": keys})
        of_them._raw_delete(using=of_them.db)
    rows: Any = model.objects.filter(pk__in=keys)
    rows._raw_delete(using=rows.db)
    for sha256 in files:
        transaction.on_commit(partial(attachments.clear, sha256))


def _remove_parts(record: Record) -> None:
    for model, named in parts_of(type(record)):
        model._default_manager.filter(**{named: record.pk}).delete()


def parts_of(whole: type[Record]) -> Iterator[tuple[type[Any], str]]:
    """What leaves with a record of a kind, and by which reference."""
    for model in kept_models():
        named = getattr(model, "part_of", "")
        if named and model._meta.get_field(named).related_model is whole:
            yield model, named
