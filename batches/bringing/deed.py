"""The deed: every table at once, all of it or nothing, and the same again changes nothing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.db import transaction

from batches.bringing import papers
from batches.bringing.columns import House
from batches.bringing.past import Past
from batches.locks import lock_material
from config.api.refusals import Reason, Unusable
from config.api.tables import Table
from ledger import people
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Role

MAY_BRING_IN = {Role.FOOD_SAFETY_LEAD, Role.ADMINISTRATOR}


@dataclass(frozen=True)
class Outcome:
    """By table: ``new`` rows, ``known`` ones brought in before, those that ``stand`` here by other means.

    ``told``: what is out of order in what the papers say; it is recorded with its flag all the same.
    """

    new: Mapping[str, int]
    known: Mapping[str, int]
    stands: Mapping[str, int]
    told: Sequence[Reason]
    written: bool


@deed
def bring_in(*, act: Act, tables: Mapping[str, Table], write: bool) -> Outcome:
    """Record what the house's own tables say of the past. Raises Unusable with every row's error, NotAllowed.

    Without ``write`` all is done and undone again, so that what is told is what would be.
    """
    people.refuse_unless(act, MAY_BRING_IN, "brings in what was written before")
    lock_material(act.establishment)
    house = House(act.establishment.zone, act.establishment.decimal_comma, act.performed.at)
    read = papers.read(tables, act.establishment, house)
    _refuse(read.wrong)
    past = Past(act, read)
    past.write()
    _refuse(past.wrong)
    if not write:
        transaction.set_rollback(True)
    return Outcome(past.new, read.known, past.stands, past.told, write)


def _refuse(wrong: Sequence[Reason]) -> None:
    if wrong:
        noun = "1 error" if len(wrong) == 1 else f"{len(wrong)} errors"
        raise Unusable(
            f"{noun}. Nothing was written; mend the files and bring them in again.",
            code="unusable-tables",
            reasons=list(wrong),
        )
