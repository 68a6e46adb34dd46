"""How well a sum of weighings is known, by the balances in the register.

A weighing does not name its balance. So of those whose range holds it the least certain one counts: the true figure is
no worse. Weighings are taken as independent: U = sqrt(sum U_i^2), GUM (JCGM 100:2008) 5.1, read in a public copy.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from haccp import instruments
from haccp.models import Instrument
from haccp.readings import Reading
from ledger.models import Establishment


@dataclass(frozen=True)
class WeighedTo:
    """``uncertainty``: expanded (k = 2), mg. ``balances``: the codes that counted. ``unknown``: how many weighings lie
    in the range of no balance, or of one whose uncertainty is not stated; they add nothing, so it may be more."""

    uncertainty: int
    balances: tuple[str, ...]
    unknown: int


def weighed_to(establishment: Establishment, amounts: Iterable[int]) -> WeighedTo:
    """How well a sum of weighings (mg) is known. One statement."""
    register = Instrument.objects.filter(establishment=establishment, in_use=True).order_by("code")
    balances = [each for each in register if instruments.measures(each, "KGM")]
    squares, counted, unknown = 0.0, set(), 0
    for amount in amounts:
        worst = _least_certain(balances, amount)
        if worst is None:
            unknown += 1
            continue
        counted.add(worst[1])
        squares += worst[0] ** 2
    return WeighedTo(math.ceil(math.sqrt(squares)), tuple(sorted(counted)), unknown)


def _least_certain(balances: Iterable[Instrument], amount: int) -> tuple[float, str] | None:
    """Expanded uncertainty (mg) and code; None where none can weigh it or one that can has none stated."""
    reading = Reading("mass", entered=str(amount), value=Decimal(amount), unit="MGM")
    able = [each for each in balances if not instruments.outside_range(each, reading)]
    known = [(instruments.uncertainty_in(each, "MGM"), each.code) for each in able]
    stated = [(float(value), code) for value, code in known if value is not None]
    return max(stated) if stated and len(stated) == len(known) else None
