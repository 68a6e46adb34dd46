"""Late facts about allergens: what is in lots is derived anew at once, and every lot whose label no longer holds is held.

A statement that came late, was corrected or withdrawn, and a corrected movement. A lot that bears a label is held against
it. One without, that was released or shipped, is held if it now contains an allergen that it did not before. What became
unknown holds nothing here: the release gate asks for it.
"""

from collections.abc import Collection, Iterable, Iterator
from typing import Any

from django.db.models import Exists, OuterRef, Q

from batches.models import Batch, BatchEnd, BatchStart, Lot, LotStatus, Movement, MovementKind
from haccp import deviations, holds
from haccp.allergens import contact, facts, lists, statements
from haccp.allergens.bits import Bits, Plane
from haccp.holds import Touched
from haccp.labels import comparing
from haccp.models import AllergenStatement, Deviation, HoldSubject, PackingCheck
from ledger.acts import Act, Moment
from ledger.models import Record

CHANGES_CONTENT = frozenset({MovementKind.USED, MovementKind.MADE, MovementKind.RECEIVED})
LOTS_A_STATEMENT = 500
UNDECLARED = frozenset({"allergen-undeclared", "allergen-by-contact-undeclared"})


def follow_statement(sender: Any, statement: AllergenStatement, act: Act, **_: Any) -> None:
    """Hold what no longer bears the right label, now that this is stated."""
    was = _own_before(statement)
    if not was:
        return
    label = "Withdrawn" if statement.withdrawn else "Stated"
    title = f"{label} of {statement.material.name} ({statement.document})"
    _hold(act, statement, title, _no_longer_right(act, was))


def follow_correction(sender: Any, movement: Movement, corrected: Movement, act: Act, **_: Any) -> None:
    """Hold what no longer bears the right label, now that something else went into it."""
    if movement.what not in CHANGES_CONTENT:
        return
    moved = [movement, corrected]
    made = Lot.objects.filter(batch__in={each.batch_id for each in moved} - {None})
    lots = {each.lot_id for each in moved if each.what != MovementKind.USED} | set(
        made.values_list("pk", flat=True)
    )
    title = f"Corrected: lot {movement.lot.code} {MovementKind(movement.what).label}"
    if lots:
        _hold(act, movement, title, _no_longer_right(act, dict.fromkeys(lots)))


def follow_use(*, act: Act, movement: Movement) -> None:
    """Hold what no longer bears the right label, now that more went into a batch than was known when it was released."""
    if movement.corrects_id is not None or movement.what != MovementKind.USED:
        return
    lots = Lot.objects.filter(batch=movement.batch_id).values_list("pk", flat=True)
    if lots:
        title = f"Recorded late: lot {movement.lot.code} {MovementKind.USED.label}"
        _hold(act, movement, title, _no_longer_right(act, dict.fromkeys(lots)))


def follow_run(*, act: Act, batch: Batch, record: Record) -> None:
    """Hold what no longer bears the right label, now that a batch stood elsewhere, or at another time, than was said.

    A first start or end by itself puts a batch nowhere it was not known to be.
    """
    if record.corrects is None and isinstance(record, (BatchStart, BatchEnd)):
        return
    lots = Lot.objects.filter(batch=batch).values_list("pk", flat=True)
    if lots:
        title = f"Told late of batch {batch.code}: where it stood, and when"
        _hold(act, record, title, _no_longer_right(act, dict.fromkeys(lots)))


def _own_before(made: AllergenStatement) -> dict[int, int | None]:
    """The lots of the material that contain or may contain more by a statement, each with what was stated before.

    More of what counts by its amount too, and what lost its amount.
    """
    before, now = statements.before(made), statements.standing([made.material_id])
    lots, corrected = Lot.objects.filter(material=made.material_id), _corrected(made)
    if made.lot_id is not None and (corrected is None or corrected.lot_id == made.lot_id):
        lots = lots.filter(pk=made.lot_id)
    bits = Bits(lists.vocabulary(made.establishment))
    there = bits.on(Plane.CONTAINS, bits.every) | bits.on(Plane.MAY, bits.every)
    found: dict[int, int | None] = {}
    for key, day, supplier in lots.values_list("pk", "day", "state__supplier"):
        spoke, speak = (
            statements.about(known, lot=key, supplier=supplier, day=day) for known in (before, now)
        )
        was, is_now = (
            bits.stated((bits.told(each.says) for each in known), leaf=False) for known in (spoke, speak)
        )
        if is_now & ~was & there or _amount_grew(spoke, speak):
            found[key] = was
    return found


def _amount_grew(before: Collection[AllergenStatement], now: Collection[AllergenStatement]) -> bool:
    """Whether more of something is stated to be contained, or its amount is not known any more."""
    was, is_now = facts.most_stated(before), facts.most_stated(now)
    return any(most > was[code] for code, most in is_now.items() if code in was)


def _corrected(made: AllergenStatement) -> AllergenStatement | None:
    corrected: Any = made.corrects
    return corrected  # type: ignore[no-any-return]


def _no_longer_right(act: Act, was: dict[int, int | None]) -> list[Lot]:
    """Lots that these reach, by what they are made of or by contact, and whose label does not hold."""
    keys = contact.reached_from(act.establishment, was)
    candidates = [lot for lot in _candidates(keys) if comparing.is_sold(lot)]
    today = Moment.now(act.establishment).local.date()
    compared = comparing.compared(act.establishment, candidates, today)
    labelled = {key for key, found in compared.items() if found.seen}
    wrong = {key for key in labelled if any(each.code in UNDECLARED for each in compared[key].refused)}
    wrong |= _gained(act, [lot.pk for lot in candidates if lot.pk not in labelled], was)
    return [lot for lot in candidates if lot.pk in wrong]


def _candidates(keys: Collection[int]) -> Iterator[Lot]:
    """Of the lots those that were released or shipped, or bear a label by now; few statements for many."""
    shipped = Movement.objects.standing().filter(lot=OuterRef("pk"), what=MovementKind.SHIPPED)
    seen = PackingCheck.objects.standing()
    ordered = sorted(keys)
    for start in range(0, len(ordered), LOTS_A_STATEMENT):
        yield from (
            Lot.objects.filter(pk__in=ordered[start : start + LOTS_A_STATEMENT])
            .filter(
                Q(state__status=LotStatus.RELEASED)
                | Exists(shipped)
                | Exists(seen.filter(lot=OuterRef("pk")))
                | Exists(seen.filter(lot__isnull=True, batch=OuterRef("batch")))
            )
            .exclude(state__status=LotStatus.REJECTED)
            .select_related("material", "state")
            .order_by("pk")
        )


def _gained(act: Act, keys: Collection[int], was: dict[int, int | None]) -> set[int]:
    """Lots that contain more than they did before the statements about some of the lots they came from."""
    before = {key: bits for key, bits in was.items() if bits is not None}
    if not keys or not before:
        return set()
    known = facts.load(act.establishment, keys)
    now = dict(known.found)
    for key in before.keys() & known.lots.keys():
        known.own[key] = before[key]
    known.respread()
    contains = known.bits.on(Plane.CONTAINS, known.bits.every)
    listed = {key: known.bits.listed(known.lots[key].day) for key in keys}
    return {key for key in keys if now[key] & ~known.found[key] & contains & listed[key]}


def _hold(act: Act, because: Record, title: str, lots: Iterable[Lot]) -> None:
    """One case that holds them all. A record that corrects another goes on under that one's case while it is open."""
    found = list(lots)
    if not found:
        return
    case = None if because.corrects is None else deviations.case_of(because.corrects, Deviation.What.ALLERGEN)
    if case is None or deviations.is_closed(case):
        case = deviations.open_case(
            act=act.with_new_id(),
            what=Deviation.What.ALLERGEN,
            subject=because.pk,
            slot="late",
            title=_title(title, found),
            because=because,
        )
    held = holds.held_under(case)
    for lot in found:
        if str(lot.uid) not in held:
            touched = Touched(HoldSubject.LOT, lot.uid)
            holds.place(act=act.with_new_id(), deviation=case, touched=touched)


def _title(words: str, lots: list[Lot]) -> str:
    """The first lots by code; all are named in the holds."""
    most = 8
    codes = ", ".join(lot.code for lot in lots[:most])
    more = f" and {len(lots) - most} more" if len(lots) > most else ""
    return f"{words[:140]}: the label no longer holds for {codes}{more}."
