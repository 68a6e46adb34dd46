"""The minutes of cleaning that nobody sent, from the table of changeovers and from what stands on the equipment.

What the table cannot tell stays untold: a pair that no single approved procedure clears is kept apart. A product is
taken by the newest approved recipe. Reads only.
"""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from uuid import UUID

from batches.models import Equipment
from config.api.refusals import Reason, RuleBroken
from haccp import run_order
from haccp.allergens import contact
from haccp.allergens.vocabulary import Vocabulary
from haccp.changeovers import matrix, procedures
from haccp.changeovers.bearing import Bears
from haccp.changeovers.matrix import Cell, Matrix, Product
from haccp.run_order import MOST_TOLD, Cleaning, Planned, Proposal
from haccp.run_order_search import Minutes
from ledger.models import Establishment

SENT = "As it was sent."
Pair = tuple[str | None, str]


@dataclass(frozen=True)
class Filled:
    """``why``: for each pair, in words, where its minutes are from. ``derived``: whether the table was asked."""

    cleaning: Cleaning
    why: Mapping[Pair, str]
    derived: bool


def fill(
    establishment: Establishment,
    products: Mapping[str, UUID],
    sent: Cleaning,
    *,
    equipment: Equipment | None,
    at: datetime,
) -> Filled:
    """``sent`` with every pair that is missing and that the table tells. ``products``: the material of each batch.

    ``equipment``: by procedures for its kind, and from what stands on it ``at`` that time; without it nothing is derived
    for what comes first. What was sent goes before what is derived. A flat number of statements.
    """
    names = list(products)
    missing: set[Pair] = {(a, b) for a in names for b in names if a != b and (a, b) not in sent.between}
    if equipment is not None:
        missing |= {(None, name) for name in names if name not in sent.first}
    why: dict[Pair, str] = dict.fromkeys(sent.between, SENT) | {(None, name): SENT for name in sent.first}
    if not missing:
        return Filled(sent, why, derived=False)
    kind = None if equipment is None else equipment.kind
    on = at.astimezone(establishment.zone).date()
    table = matrix.of_day(establishment, on, equipment_kind=kind, materials=set(products.values()))
    found = dict(_told(_Asked(table, products, equipment, at), missing))
    between = {(a, b): _between(cell) for (a, b), cell in found.items() if a is not None}
    first = {b: _minutes(cell) for (a, b), cell in found.items() if a is None}
    why |= {pair: _why(cell, table.vocabulary) for pair, cell in found.items()}
    cleaning = Cleaning({**first, **sent.first}, {**between, **sent.between}, sent.last)
    return Filled(cleaning, why, derived=True)


@dataclass(frozen=True)
class _Asked:
    table: Matrix
    products: Mapping[str, UUID]
    equipment: Equipment | None
    at: datetime


def _told(asked: _Asked, missing: set[Pair]) -> Iterator[tuple[Pair, Cell]]:
    """The cells of the pairs whose products the table knows."""
    cells = {(cell.before, cell.after): cell for cell in asked.table.cells}
    for after, then in missing:
        if after is not None:
            cell = cells.get((asked.products[after], asked.products[then]))
            if cell is not None:
                yield (after, then), cell
    if asked.equipment is not None and any(after is None for after, _ in missing):
        by_material = dict(_from_now(asked, asked.equipment))
        for after, then in missing:
            if after is None and asked.products[then] in by_material:
                yield (None, then), by_material[asked.products[then]]


def _from_now(asked: _Asked, equipment: Equipment) -> Iterator[tuple[UUID, Cell]]:
    """Each product after what stands on the equipment, as after a product that holds all of it."""
    standing = contact.standing_on([equipment], asked.at)
    known = procedures.means(equipment.establishment)
    means = [each for each in known if each.procedure.is_for(equipment.kind)]
    for product in asked.table.products:
        before = Product(
            product.material,
            product.version,
            holds=frozenset(standing.left[equipment.pk]),
            unknown=frozenset(standing.unstated[equipment.pk]),
            bears=Bears(frozenset(), "what stands there"),
        )
        yield product.material.pk, matrix.cell(before, product, means, asked.table.vocabulary)


def propose(planned: Sequence[Planned], filled: Filled, before: Collection[tuple[str, str]] = ()) -> Proposal:
    """As ``run_order.propose``; where there is no order, each pair that no cleaning makes possible is named."""
    try:
        return run_order.propose(planned, filled.cleaning, before)
    except RuleBroken as refusal:
        if refusal.code != run_order.NO_ORDER:
            raise
        reasons = [*refusal.reasons, *islice(_impossible(filled), MOST_TOLD)]
        raise RuleBroken(refusal.detail, code=refusal.code, reasons=reasons) from refusal


def _impossible(filled: Filled) -> Iterator[Reason]:
    minutes: dict[Pair, Minutes] = {(None, name): each for name, each in filled.cleaning.first.items()}
    between: dict[Pair, Minutes] = {(a, b): each for (a, b), each in filled.cleaning.between.items()}
    for (after, then), each in (minutes | between).items():
        if each is None and after != then:
            way = f"{then} after {after or 'what stands there now'}"
            yield Reason("not-after", f"{way}: {filled.why.get((after, then), SENT)}", "cleaning")


def _between(cell: Cell) -> Minutes:
    """The same product again brings nothing that is not known of it, and nothing unknown that it does not have itself."""
    same = cell.before == cell.after and not cell.clear
    return 0 if same else _minutes(cell)


def _minutes(cell: Cell) -> Minutes:
    """Whole minutes, rounded up; None where no single procedure does it."""
    return None if cell.minutes is None else math.ceil(cell.minutes)


def _why(cell: Cell, words: Vocabulary) -> str:
    clear, unknown = (", ".join(words.name(code) for code in codes) for codes in (cell.clear, cell.unknown))
    if not clear and not unknown:
        return "Nothing to clear, by contents and labels."
    what = "; ".join(filter(None, (clear, unknown and f"not known whether {unknown}")))
    if cell.by:
        return f"{cell.by[0].procedure.code} clears: {what}."
    if cell.none_clears:
        none = ", ".join(words.name(code) for code in cell.none_clears)
        return f"No approved procedure clears: {none}."
    return f"No single approved procedure clears: {what}."
