"""Amounts as documents show them: symbols of units are the same everywhere, pieces and dozens are words."""

from django.utils.translation import gettext as _

from batches import quantities

WORDS = frozenset({"piece", "pieces", "dozen"})


def shown(base: int, dimension: str) -> str:
    """Base steps in the active language: ``12.500 kg`` or ``24 pieces``."""
    return said(quantities.shown(base, dimension))


def in_symbols(entered: str) -> str:
    """``2.100 KGM`` as ``2.100 kg``."""
    return said(quantities.in_symbols(entered))


def said(amount: str) -> str:
    """A number and its unit, with the unit in the active language."""
    number, _space, unit = amount.rpartition(" ")
    return f"{number} {_(unit)}" if number and unit in WORDS else amount


def symbol(unit: str) -> str:
    """``KGM`` as ``kg``; what is no code stays."""
    known = quantities.UNITS[unit].symbol if unit in quantities.UNITS else unit
    return _(known) if known in WORDS else known
