"""A record leaves only after its retention ended; a record of that stays, and so do digest and leaf."""

from functools import partial

from django.db import transaction

from config.api.refusals import RuleBroken, Unknown
from ledger import attachments
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Attachment, Leaf, Record, Removal
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


def _remove_parts(record: Record) -> None:
    for model in kept_models():
        named = getattr(model, "part_of", "")
        if named and model._meta.get_field(named).related_model is type(record):
            model._default_manager.filter(**{named: record.pk}).delete()
