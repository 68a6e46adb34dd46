"""Places that somebody found empty, so that what comes in next is not mixed with what lay there before."""

from dataclasses import replace
from typing import Any

from batches.locks import lock_material
from batches.models import FoundEmpty, StoragePlace
from batches.signals import places_mixed
from config.api.refusals import RuleBroken, Unknown
from ledger.acts import Act
from ledger.deeds import deed


@deed
def find_empty(*, act: Act, storage_place: StoragePlace, is_clean: bool) -> FoundEmpty:
    """Note that nothing was left in a place; ``is_clean``: nor did anything cling to it. Raises Unknown, RuleBroken.

    It is recorded whatever the stock says: that is a sum, and this was seen.
    """
    lock_material(act.establishment)
    if storage_place.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no storage place {storage_place.pk} here.", field="storage_place")
    found = FoundEmpty.new(act, storage_place=storage_place, is_clean=is_clean)
    found.answer_if_repeated()
    _refuse_another_place(found, storage_place)
    found.insert()
    _tell(act, found)
    return found


@deed
def withdraw(*, act: Act, storage_place: StoragePlace) -> FoundEmpty:
    """Say that a place was not found empty: what lay in it is mixed with what came later. Raises Unknown, RuleBroken."""
    lock_material(act.establishment)
    found = FoundEmpty.withdrawal(replace(act, withdraws=True))
    found.answer_if_repeated()
    _refuse_another_place(found, storage_place)
    found.insert()
    _tell(act, found)
    return found


def _refuse_another_place(found: FoundEmpty, place: StoragePlace) -> None:
    corrected: Any = found.corrects
    if corrected is not None and corrected.storage_place_id != place.pk:
        raise RuleBroken(
            f"Record {corrected.pk} is about {corrected.storage_place}, not {place}: withdraw it there, and record this one "
            "anew.",
            code="corrects-another",
            field="corrects",
        )


def _tell(act: Act, found: FoundEmpty) -> None:
    """By a first record nothing is mixed that was not before; without the one it corrects, more may be."""
    if found.corrects_id is not None and found.storage_place.refilled:
        places_mixed.send(sender=StoragePlace, place=found.storage_place, because=found, act=act)
