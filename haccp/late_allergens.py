"""Late facts about allergens: what is in lots is derived anew at once, and every lot whose label no longer holds is held.

A statement that came late, was corrected or withdrawn; a movement recorded late or corrected; what was mixed in a refilled
place; a batch that stood elsewhere or at another time than was known; a cleaning that shows nothing any more. A lot that
bears a label is held against it. One without, that was released or shipped, is held if it now contains an allergen that it
did not before; what a place is said to have mixed holds only what bears a label. What nobody states any more holds what was
released or shipped on that word; lots that await their decision the gate asks.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial, reduce
from operator import or_
from typing import Any, NamedTuple

from django.db.models import Exists, OuterRef, Q

from batches import edges
from batches.models import (
    Batch,
    BatchEnd,
    BatchStart,
    Lot,
    LotStatus,
    Movement,
    MovementKind,
    Occupation,
    StoragePlace,
)
from haccp import deviations, holds, notices
from haccp.allergens import before, content, facts, lists, onward, planned, statements, unrecorded
from haccp.allergens.bits import Bits, Plane
from haccp.allergens.content import Contained
from haccp.allergens.facts import Facts
from haccp.allergens.statements import Stated
from haccp.allergens.unrecorded import Instead
from haccp.labels import comparing
from haccp.models import AllergenStatement, Deviation, PackingCheck
from ledger.acts import Act, Moment
from ledger.models import Establishment, Record

LOTS_A_STATEMENT = 500
MOST_NAMED = 8
UNDECLARED = frozenset({"allergen-undeclared", "allergen-by-contact-undeclared"})


@dataclass(frozen=True)
class Late:
    """What a late fact is about: lots that may contain, and batches that may leave, something else than was known.

    ``undo``: takes it back from facts, for which the lots in ``also`` are needed; None where content cannot have grown.
    ``silent``: what nobody states any more, by code. ``instead``: what was known of lines without a recorded use.
    """

    lots: Collection[int] = ()
    batches: Collection[int] = ()
    undo: Callable[[Facts], None] | None = None
    also: Collection[int] = ()
    silent: frozenset[str] = field(default_factory=frozenset)
    instead: Instead = unrecorded.AS_IT_STANDS


class NoLongerRight(NamedTuple):
    """``wrong``: lots whose label does not declare what is in them. ``silent``: lots that left on a word nobody gives now.

    ``undeclared``: the allergens, in words.
    """

    wrong: list[Lot]
    silent: list[Lot]
    undeclared: tuple[str, ...] = ()


# -- which facts --------------------------------------------------------------------------------------


def follow_statement(sender: Any, statement: AllergenStatement, act: Act, **_: Any) -> None:
    """Hold what no longer bears the right label, or was released on a word that is gone, now that this is stated."""
    late = _stated(statement)
    if late.lots or late.batches:
        label = "Withdrawn" if statement.withdrawn else "Stated"
        title = f"{label} of {statement.material.name} ({statement.document})"
        _hold(act, statement, title, no_longer_right(act.establishment, late))


def follow_movement(*, act: Act, movement: Movement, mixes: bool) -> None:
    """Hold what no longer bears the right label, now that something else, or more, went into it than was known.

    ``mixes``: it tells too that its lot lies with others in a refilled place. Both are looked at as one.
    """
    corrected = movement.replaces
    late = _moved(movement, corrected)
    if late is not None and not (late.lots or _to_follow(late.batches)):
        late = None
    word = "Recorded late" if corrected is None else "Corrected"
    title = f"{word}: lot {movement.lot.code} {MovementKind(movement.what).label}"
    if mixes and not movement.withdrawn:
        if late is None:
            title = f"Mixed in {movement.to_place or movement.from_place}: lot {movement.lot.code}"
        late = replace(late or Late(), lots={*(late.lots if late else ()), movement.lot_id})
    if late is not None:
        _hold(act, movement, title, no_longer_right(act.establishment, late))


def follow_place(*, act: Act, place: StoragePlace, because: Record) -> None:
    """Hold what no longer bears the right label, now that more of what lay in a place was mixed than was known."""
    told = Movement.objects.standing().filter(Q(to_place=place) | Q(from_place=place)).order_by()
    late = Late(set(told.values_list("lot_id", flat=True)))
    _hold(act, because, f"Mixed in {place}", no_longer_right(act.establishment, late))


def follow_run(*, act: Act, batch: Batch, record: Record) -> None:
    """Hold what no longer bears the right label, now that a batch stood elsewhere, or at another time, than was known.

    A first start or end tells nothing new of the batch's own lots, but does where others stood there since.
    """
    first = record.corrects is None and isinstance(record, (BatchStart, BatchEnd))
    lots = set() if first else set(Lot.objects.filter(batch=batch).values_list("pk", flat=True))
    if lots or _to_follow([batch.pk]):
        title = f"Told late of batch {batch.code}: where it stood, and when"
        late = Late(lots, [batch.pk])
        _hold(act, record, title, no_longer_right(act.establishment, late))


def _to_follow(batches: Collection[int]) -> bool:
    """Whether another batch stood where one of these did, later or at the same time, and nothing is to be told before.

    Where a later one began on equipment that holds one batch, this one had left: its end is told yet, and only then is it
    known which cleaning came after it. Meanwhile that equipment counts as occupied, so that the end is not forgotten.
    """
    own = Occupation.objects.filter(batch__in=batches)
    others = Occupation.objects.filter(equipment=OuterRef("equipment")).exclude(batch=OuterRef("batch"))
    later = others.filter(Q(until__isnull=True) | Q(until__gte=OuterRef("since")))
    if not own.filter(Exists(later)).exists():
        return False
    began = others.filter(since__gt=OuterRef("since"))
    return not own.filter(Exists(began), until__isnull=True, equipment__shared=False).exists()


def _moved(movement: Movement, corrected: Movement | None) -> Late | None:
    """What a movement says anew; None where it says nothing of what is in anything."""
    told = [movement] if corrected is None else [movement, corrected]
    if movement.what == MovementKind.RECEIVED and corrected is not None:
        return _received(movement, corrected)
    if movement.what == MovementKind.USED or (movement.what == MovementKind.MADE and corrected is not None):
        batches = {each.batch_id for each in told if each.batch_id is not None}
        lots = set(Lot.objects.filter(batch__in=batches).values_list("pk", flat=True))
        undo = partial(before.without_movement, movement=movement)
        instead = Instead(answered=edges.lines_used_before(movement))
        return Late(lots, batches, undo, {each.lot_id for each in told}, instead=instead)
    return None if corrected is None or not _was_mixed(corrected) else Late([movement.lot_id])


def _was_mixed(moved: Movement) -> bool:
    """Whether its lot was ever in a refilled place, so that where else it lay says with what it was mixed."""
    in_one = Q(to_place__refilled=True) | Q(from_place__refilled=True)
    return Movement.objects.filter(in_one, lot=moved.lot_id).exists()


def _received(movement: Movement, corrected: Movement) -> Late | None:
    """Another supplier, of whom other statements speak."""
    if movement.partner_id == corrected.partner_id:
        return Late([movement.lot_id]) if _was_mixed(corrected) else None
    lot = movement.lot
    known = statements.standing([lot.material_id])
    spoke = statements.about(known, lot=lot.pk, supplier=corrected.partner_id, day=lot.day)
    speak = statements.about(known, lot=lot.pk, supplier=movement.partner_id, day=lot.day)
    bits = lists.bits(movement.establishment)
    _, lost = _told(bits, spoke, speak, lot.day)
    silent = frozenset(bits.codes_in(lost))
    return Late([lot.pk], (), partial(before.without_statement, spoke={lot.pk: spoke}), (), silent)


def _stated(made: AllergenStatement) -> Late:
    """The lots of the material of which more is stated now, or less is; more of what counts by its amount too.

    And the batches whose recipe names it, where no use is recorded.
    """
    then, now = statements.before(made), statements.standing([made.material_id])
    bits = lists.bits(made.establishment)
    spoke, silent = {}, 0
    for key, day, supplier in _about(made).values_list("pk", "day", "state__supplier"):
        each, speak = (statements.about(known, lot=key, supplier=supplier, day=day) for known in (then, now))
        grew, lost = _told(bits, each, speak, day)
        silent |= lost
        if grew or lost:
            spoke[key] = each
    batches = unrecorded.open_to(made.material) if _is_of_every_lot(made) else {}
    silent |= _silent_of_any(
        bits, then, now, {each.astimezone(made.establishment.zone).date() for each in batches.values()}
    )
    undo = partial(before.without_statement, spoke=spoke)
    instead = Instead({made.material_id: then})
    return Late(spoke.keys(), batches, undo, (), frozenset(bits.codes_in(silent)), instead)


def _is_of_every_lot(made: AllergenStatement) -> bool:
    """Whether it speaks of every lot, or what it corrects did."""
    corrected: Any = made.corrects
    return made.lot_id is None or (corrected is not None and corrected.lot_id is None)


def _silent_of_any(
    bits: Bits,
    then: Sequence[Stated],
    now: Sequence[Stated],
    days: Collection[date],
) -> int:
    """What is not stated any more, on some of the days, of whichever lot may have gone in."""
    lost = 0
    for on in days:
        was, is_now = (planned.of_any_lot(bits, known, on, leaf=True) for known in (then, now))
        lost |= bits.of(Plane.UNSTATED, is_now & ~was)
    return lost


def _about(made: AllergenStatement) -> Any:
    lots = Lot.objects.filter(material=made.material_id)
    corrected: Any = made.corrects
    if made.lot_id is not None and (corrected is None or corrected.lot_id == made.lot_id):
        return lots.filter(pk=made.lot_id)
    return lots


def _told(bits: Bits, then: Collection[Stated], now: Collection[Stated], day: date) -> tuple[bool, int]:
    """Whether more is stated to be there now than then, or more of it; and what is not stated any more."""
    was, is_now = (
        bits.stated((bits.told_by(each.text) for each in known), day, leaf=True) for known in (then, now)
    )
    there = bits.on(Plane.CONTAINS, bits.every) | bits.on(Plane.MAY, bits.every)
    grew = bool(is_now & ~was & there) or _amount_grew(then, now)
    return grew, bits.of(Plane.UNSTATED, is_now & ~was)


def _amount_grew(then: Collection[Stated], now: Collection[Stated]) -> bool:
    """Whether more of something is stated to be contained, or its amount is not known any more."""
    was, is_now = facts.most_stated(then), facts.most_stated(now)
    return any(most > was[code] for code, most in is_now.items() if code in was)


# -- what no longer holds ---------------------------------------------------------------------------------


def no_longer_right(establishment: Establishment, late: Late) -> NoLongerRight:
    """Lots that a late fact reaches, by what they are made of or by contact, and that would not be released as they are."""
    keys = onward.reached_from(establishment, late.lots, late.batches)
    candidates = [lot for lot in _candidates(keys) if comparing.is_sold(lot)]
    if not candidates:
        return NoLongerRight([], [])
    compared = comparing.compared(establishment, candidates, Moment.now(establishment).local.date())
    labelled = {key for key, found in compared.items() if found.seen or found.versions}
    wrong = {key for key in labelled if any(each.code in UNDECLARED for each in compared[key].refused)}
    gained = _gained(establishment, [lot.pk for lot in candidates if lot.pk not in labelled], late)
    new = wrong | gained.keys()
    silent = {lot.pk for lot in candidates if _left(lot) and compared[lot.pk].unstated & late.silent} - new
    codes = [*gained.values(), *(compared[key].undeclared for key in wrong)]
    words = lists.vocabulary(establishment)
    return NoLongerRight(
        [lot for lot in candidates if lot.pk in new],
        [lot for lot in candidates if lot.pk in silent],
        tuple(sorted({words.name(code) for each in codes for code in each})),
    )


def _left(lot: Any) -> bool:
    """Whether it was let out: released, or shipped."""
    return lot.state.status == LotStatus.RELEASED or lot.was_shipped


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
            .annotate(was_shipped=Exists(shipped))
            .select_related("material", "state")
            .order_by("pk")
        )


def _gained(establishment: Establishment, keys: Collection[int], late: Late) -> dict[int, Collection[str]]:
    """Lots that contain allergens now, in enough of them to count, and did not before the late fact; which, by lot.

    What the material of a line without a recorded use contains is contained. That a use was told is new all the same.
    """
    if not keys or late.undo is None:
        return {}
    known = facts.load(establishment, {*keys, *late.also})
    unrecorded.add_to(known, establishment)
    now = content.contained(known, keys)
    unrecorded.take_from(known)
    late.undo(known)
    unrecorded.add_to(known, establishment, instead=late.instead)
    then = content.contained(known, keys)
    return {key: new for key in keys if (new := _new(now[key], then[key]))}


def _new(now: Contained, then: Contained) -> frozenset[str]:
    return (now.recorded | (now.by_line - then.by_line)) - then.recorded


def _hold(act: Act, because: Record, title: str, found: NoLongerRight) -> None:
    """One case that holds them all. It goes on while it is open: of what a record corrects, or of its batch.

    What is held then besides tells why in its note, and the leads hear of it again.
    """
    lots = [*found.wrong, *found.silent]
    if not lots:
        return
    case = _open_case(because)
    if case is None:
        case = deviations.open_case(
            act=act.with_new_id(),
            what=Deviation.What.ALLERGEN,
            subject=because.pk,
            slot="late",
            title=_title(title, found),
            because=because,
        )
        hold_under(act, case, lots)
    elif hold_under(act, case, lots, note=_title(title, found)):
        notices.leave_word_again(case)


def _open_case(because: Record) -> Deviation | None:
    """The case of the record that this one corrects; else the first about a late record of the same batch."""
    case = None if because.corrects is None else deviations.case_of(because.corrects, Deviation.What.ALLERGEN)
    if case is not None and not deviations.is_closed(case):
        return case
    batch = getattr(because, "batch", None)
    if batch is None:
        return None
    told = (batch.starts, batch.ends, batch.equipment_uses, batch.movements)
    about = reduce(or_, (Q(subject__in=each.values("pk")) for each in told))
    open_cases = Deviation.objects.filter(about, what=Deviation.What.ALLERGEN, closing__isnull=True)
    return open_cases.order_by("recorded_at", "id").first()


def hold_under(act: Act, case: Deviation, lots: Iterable[Lot], note: str = "") -> bool:
    """Hold what the case does not hold yet, lot by lot, so that each is decided on; whether there was any."""
    held = holds.held_under(case)
    new = [lot for lot in lots if str(lot.uid) not in held]
    if new:
        holds.place_on_lots(act=act, deviation=case, lots=new, note=note)
    return bool(new)


def _title(words: str, found: NoLongerRight) -> str:
    """The first allergens, then the first lots by code; all lots are named in the holds."""
    told = []
    if found.wrong:
        told.append(f"{_some(found.undeclared)} not declared on {_named(found.wrong)}")
    if found.silent:
        told.append(f"nobody states any more what was relied on for {_named(found.silent)}")
    return f"{words[:140]}: {'; '.join(told)}."


def _named(lots: list[Lot]) -> str:
    return _some([lot.code for lot in lots])


def _some(names: Sequence[str]) -> str:
    said = ", ".join(names[:MOST_NAMED])
    return f"{said} and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else said
