from decimal import Decimal
from typing import Any
from uuid import UUID

from django import template

from batches import quantities
from batches.flags import SENTENCES, Flag
from batches.models import LotStatus
from batches.sheet_lines import BatchSheet, Noted, Struck
from reports import amounts, balances, field_words, kept_sentences
from reports.listing import spoken

register = template.Library()
register.filter(field_words.on_paper)


@register.simple_tag
def amount(base: int, dimension: str) -> str:
    """Base steps in words: ``12.500 kg`` or ``24 pieces``."""
    return amounts.shown(base, "pieces" if dimension == "count" else "mass")


@register.filter
def in_symbols(entered: str) -> str:
    """``2.100 KGM`` as ``2.100 kg``."""
    return amounts.in_symbols(entered)


@register.filter
def unit_symbol(code: str) -> str:
    """``KGM`` as ``kg``; what is no code stays."""
    return amounts.symbol(code)


@register.simple_tag
def weighed_on(each: Any, known: tuple[tuple[UUID, str], ...]) -> str:
    """The balance of a weighing, with a comma before it; nothing of what is counted by pieces."""
    return "" if each.dimension == "count" else f", {balances.said(each.weighed_with, dict(known))}"


@register.filter
def corrected(each: Noted, sheet: BatchSheet) -> list[Struck]:
    """What stood on the sheet in the place of a line before it, the oldest first."""
    replaced = {struck.replaced_by: struck for struck in sheet.struck}
    found, key = [], each.id
    while key in replaced:
        found.append(replaced[key])
        key = found[-1].id
    return found[::-1]


@register.filter
def percent(permille: int) -> str:
    """Ten per mille as ``1``, five as ``0.5``."""
    return quantities.plain_text(Decimal(permille) / 10)


@register.filter
def flag_sentence(code: str) -> str:
    return spoken(SENTENCES[Flag(code)])


@register.filter
def kept(sentence: str) -> str:
    return kept_sentences.kept(sentence)


@register.filter
def noted(text: str) -> str:
    return kept_sentences.noted(text)


@register.filter
def quantity(name: str) -> str:
    return kept_sentences.quantity(name)


@register.filter
def weigh_up_word(result: str) -> str:
    """How a line of the recipe came out."""
    return spoken(result)


@register.filter
def status_word(status: str) -> str:
    return spoken(LotStatus(status).label)
