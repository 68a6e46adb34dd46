"""With which balance something was weighed, in words: of each weighing, also where nobody named one."""

from collections.abc import Iterable
from uuid import UUID

from django.utils.translation import gettext_lazy

from haccp.models import Instrument
from ledger.models import Establishment
from reports.check_lines import named

NOT_NAMED = gettext_lazy("balance not named")


def names(here: Establishment, keys: Iterable[UUID | None]) -> dict[UUID, str]:
    """The balances of these ids; one statement where any is named, else none."""
    asked = {key for key in keys if key is not None}
    rows = Instrument.objects.filter(establishment=here, pk__in=asked) if asked else ()
    return {row.pk: named(row) for row in rows}


def said(key: UUID | None, known: dict[UUID, str]) -> str:
    """What stands beside a weighing."""
    return str(NOT_NAMED) if key is None else known.get(key, str(key))
