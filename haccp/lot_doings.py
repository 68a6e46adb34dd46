"""What somebody may do with a lot as it stands, deed by deed, in words; and where it lies, and what holds it.

It tells and decides nothing: gates refuse by their own rules, and what was done already is recorded all the same.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from batches import stock
from batches.models import Lot, LotStatus, StoragePlace
from haccp import deviations
from haccp.models import Deviation, Disposition
from ledger.models import Role


@dataclass(frozen=True)
class Doing:
    """``deed``: use, ship, release, move, count, sample, destroy, report."""

    deed: str
    may: bool
    because: str


@dataclass(frozen=True)
class Lying:
    """``place``: None where nobody said; ``base``: milligrams or pieces."""

    place: StoragePlace | None
    base: int


@dataclass(frozen=True)
class Standing:
    """A lot as it stands for whoever asks."""

    lot: Lot
    expired: bool
    lying: tuple[Lying, ...]
    cases: tuple[Deviation, ...]
    doings: tuple[Doing, ...]


def standing(lots: Sequence[Lot], roles: Collection[str], today: date) -> list[Standing]:
    """Each lot as it stands, in a flat number of statements."""
    lying = stock.by_place(lots)
    keys = {place for found in lying.values() for place in found if place}
    places = {place.pk: place for place in StoragePlace.objects.filter(pk__in=keys)}
    cases = deviations.open_cases_by_lot(lots) if lots else {}
    doomed = _to_be_destroyed(lots)
    made = []
    for lot in lots:
        where = sorted(lying.get(lot.pk, {}).items(), key=lambda pair: str(pair[0] or ""))
        held = tuple(cases.get(lot.pk, ()))
        past = lot.state.best_before is not None and lot.state.best_before < today
        made.append(
            Standing(
                lot=lot,
                expired=past,
                lying=tuple(Lying(places.get(place) if place else None, base) for place, base in where),
                cases=held,
                doings=tuple(
                    doings(
                        lot,
                        roles,
                        expired=past,
                        is_held=bool(held),
                        undecided=any((case.pk, lot.pk) not in doomed for case in held),
                    )
                ),
            )
        )
    return made


def _to_be_destroyed(lots: Sequence[Lot]) -> set[tuple[UUID, int]]:
    """(case, lot) where a lead decided that the lot is destroyed."""
    decided = Disposition.objects.standing().filter(lot__in=lots, decision=Disposition.Decision.DESTROY)
    return set(decided.values_list("deviation_id", "lot_id")) if lots else set()


def doings(
    lot: Lot, roles: Collection[str], *, expired: bool, is_held: bool, undecided: bool
) -> Iterable[Doing]:
    """Every deed, allowed or not, with why. ``undecided``: an open case holds it that does not have it destroyed."""
    if lot.state.withdrawn:
        yield Doing("read", True, "Its record was withdrawn: as far as the records know, this lot never was.")
        yield Doing("report", True, "If it is there all the same, report it, and tell the food-safety lead.")
        return
    away = list(_kept_away(lot, expired))
    recorded = "What was done already is recorded all the same, with a flag."
    yield _gated("use", away, "By its recipe, weighed into a batch.", recorded)
    shipped = away if lot.state.status == LotStatus.RELEASED else [*away, "only released lots leave"]
    yield _gated("ship", shipped, "It is released and on hand.", recorded)
    yield _release(lot, roles, is_held=is_held)
    yield from _handling(lot, is_held=is_held, undecided=undecided)
    yield Doing("report", True, "Whoever sees something wrong with it reports it, and it is held.")


def _kept_away(lot: Lot, expired: bool) -> Iterable[str]:
    status = LotStatus(lot.state.status)
    if status != LotStatus.RELEASED:
        yield f"it is {status.label}"
    if expired:
        yield f"it is past its date, {lot.state.best_before}; ask the food-safety lead"
    if lot.state.on_hand <= 0:
        yield "by the records nothing of it is on hand"


def _gated(deed: str, away: list[str], allowed: str, recorded: str) -> Doing:
    if not away:
        return Doing(deed, True, allowed)
    return Doing(deed, False, f"No: {'; '.join(dict.fromkeys(away))}. {recorded}")


def _release(lot: Lot, roles: Collection[str], *, is_held: bool) -> Doing:
    status = LotStatus(lot.state.status)
    word = "release" if lot.batch_id else "accept"
    deciders = {Role.FOOD_SAFETY_LEAD} | (set() if lot.batch_id else {Role.SUPERVISOR})
    if status in (LotStatus.RELEASED, LotStatus.REJECTED):
        return Doing("release", False, f"No: it is {status.label}.")
    if is_held or status == LotStatus.HELD:
        return Doing("release", False, "No: what holds it is decided and closed first.")
    if not deciders.intersection(roles):
        named = " or ".join(sorted(str(Role(role).label) for role in deciders))
        return Doing("release", False, f"No: a {named} may {word} it, with a signature.")
    return Doing("release", True, f"You may {word} it with a signature; the gate says what still lacks.")


def _handling(lot: Lot, *, is_held: bool, undecided: bool) -> Iterable[Doing]:
    there = lot.state.on_hand > 0
    nothing = "No: by the records nothing of it is on hand. Count it first if it is there."
    held = is_held or lot.state.status in (LotStatus.HELD, LotStatus.REJECTED)
    aside = "To a place kept for what is held." if held else "To another place."
    yield Doing("count", True, "Say how much of it is really there.")
    yield Doing("move", there, aside if there else nothing)
    yield Doing("sample", there, "For a laboratory, or to keep back." if there else nothing)
    yield _destruction(there=there, nothing=nothing, undecided=undecided)


def _destruction(*, there: bool, nothing: str, undecided: bool) -> Doing:
    """Whoever sent a recall may want to see what is held, so nobody throws it away before that was decided."""
    if not there:
        return Doing("destroy", False, nothing)
    if undecided:
        return Doing("destroy", False, "No: the lead decides first, since an open case holds it.")
    return Doing("destroy", True, "So that nobody can eat it.")
