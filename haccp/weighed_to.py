"""How well a sum of weighings is known, by the balances in the register.

A weighing that names its balance is known as well as that shows. Of one that names none, the least certain balance counts
whose range holds it: the true figure is no worse. Weighings are taken as independent: U = sqrt(sum U_i^2), GUM (JCGM
100:2008) 5.1, read in a public copy.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Q

from haccp import instruments
from haccp.models import Instrument
from haccp.readings import Reading
from ledger.models import Establishment


@dataclass(frozen=True)
class Weighed:
    """``amount``: mg. ``by``: the balance it names. ``times``: so many alike."""

    amount: int
    by: UUID | None = None
    times: int = 1


@dataclass(frozen=True)
class WeighedTo:
    """``uncertainty``: expanded (k = 2), mg. ``balances``: the codes that counted. ``unknown``: how many weighings lie
    in the range of no balance, or of one whose uncertainty is not stated; they add nothing, so it may be more."""

    uncertainty: int
    balances: tuple[str, ...]
    unknown: int


def weighed_to(establishment: Establishment, weighings: Iterable[Weighed]) -> WeighedTo:
    """How well a sum of weighings is known. One statement."""
    return each_weighed_to(establishment, {None: list(weighings)})[None]


def each_weighed_to(
    establishment: Establishment, sums: Mapping[Any, Sequence[Weighed]]
) -> dict[Any, WeighedTo]:
    """The same for several sums, by their keys. One statement for all."""
    named = {each.by for weighings in sums.values() for each in weighings if each.by}
    register = Instrument.objects.filter(Q(in_use=True) | Q(pk__in=named), establishment=establishment)
    balances = [each for each in register.order_by("code") if instruments.measures(each, "KGM")]
    by_key = {each.pk: each for each in balances}
    in_use = [each for each in balances if each.in_use]
    return {key: _of(weighings, by_key, in_use) for key, weighings in sums.items()}


def _of(
    weighings: Sequence[Weighed], by_key: Mapping[UUID, Instrument], in_use: Sequence[Instrument]
) -> WeighedTo:
    squares, counted, unknown = 0.0, set(), 0
    for each in weighings:
        worst = _least_certain(_candidates(each, by_key, in_use), each.amount)
        if worst is None:
            unknown += each.times
            continue
        counted.add(worst[1])
        squares += worst[0] ** 2 * each.times
    return WeighedTo(math.ceil(math.sqrt(squares)), tuple(sorted(counted)), unknown)


def _candidates(
    weighed: Weighed, by_key: Mapping[UUID, Instrument], in_use: Sequence[Instrument]
) -> Sequence[Instrument]:
    if weighed.by is None:
        return in_use
    return [by_key[weighed.by]] if weighed.by in by_key else []


def _least_certain(balances: Iterable[Instrument], amount: int) -> tuple[float, str] | None:
    """Expanded uncertainty (mg) and code; None where none can weigh it or one that can has none stated."""
    reading = Reading("mass", entered=str(amount), value=Decimal(amount), unit="MGM")
    able = [each for each in balances if not instruments.outside_range(each, reading)]
    known = [(instruments.uncertainty_in(each, "MGM"), each.code) for each in able]
    stated = [(float(value), code) for value, code in known if value is not None]
    return max(stated) if stated and len(stated) == len(known) else None
