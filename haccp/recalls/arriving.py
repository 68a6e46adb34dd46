"""A recall notice of a supplier or an authority arrives: kept word for word, searched for, and what it means is held.

All in one transaction. What is received afterwards and is meant by it is held as it comes in. What cannot be decided is
held as well, as a candidate: a person decides on each lot in the case, by what the pack says.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.utils import timezone

from batches.carry_over import Hazard
from batches.locks import lock_material
from batches.models import Lot, Material, Movement, MovementKind, TradingPartner
from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from haccp import deviations, holds, notices
from haccp.models import Deviation, Hold, HoldSubject, NoticeArrived, Recall
from haccp.recalls import accounting, deciding, scoping
from haccp.recalls.deciding import Strategy
from haccp.recalls.matching import Days, Fit, Found, Meant, Received, fit
from ledger import signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment
from ledger.models.records import CLOCK_TOLERANCE

MOST_OUTSIDE = 1000  # named one by one; the count tells the rest (site setting, no source)
NEVER: Days = (None, None)


@dataclass(frozen=True)
class Goods:
    """What the notice says is recalled. ``everything``: it names no code and no day, and means all of it."""

    supplier: TradingPartner | None = None
    materials: Sequence[Material] = ()
    codes: Sequence[str] = ()
    first: str = ""
    last: str = ""
    received: Days = NEVER
    best_before: Days = NEVER
    everything: bool = False

    def as_kept(self) -> dict[str, Any]:
        return {
            "materials": sorted(str(each.pk) for each in self.materials),
            "codes": list(dict.fromkeys(self.codes)),
            "from": self.first,
            "to": self.last,
            "received": [_text(day) for day in self.received],
            "best_before": [_text(day) for day in self.best_before],
            "all": self.everything,
        }


def _text(day: date | None) -> str:
    return day.isoformat() if day else ""


@deed
def take_in(
    *,
    act: Act,
    said: str,
    came_by: str,
    came_at: datetime,
    goods: Goods,
    partner: TradingPartner | None = None,
    sender: str = "",
    reference: str = "",
) -> NoticeArrived:
    """Keep a notice, find every lot it means, and hold those and what came of them. Raises Unusable, Unknown.

    ``partner`` or ``sender`` (an authority, by name) says so. That nothing was found is kept too, with what was searched.
    A correction is searched for anew and goes on under the case of what it corrects.
    """
    lock_material(act.establishment)
    notice = NoticeArrived.new(
        act,
        partner=partner,
        sender=sender.strip(),
        supplier=goods.supplier,
        came_by=came_by,
        came_at=came_at,
        reference=reference.strip(),
        said=said,
        meant=goods.as_kept(),
    )
    _refuse_foreign(act, partner, goods)
    notice.answer_if_repeated()
    _refuse_unusable(act, notice, goods)
    hits = _search(notice)
    _account(notice, hits)
    seal = scoping.sealed(act)
    notice.seal_number, notice.seal_hash = seal.number, seal.hash
    notice.insert()
    _hold(act, notice, hits)
    return notice


def _refuse_foreign(act: Act, partner: TradingPartner | None, goods: Goods) -> None:
    named = (
        ("partner", partner),
        ("supplier", goods.supplier),
        *(("materials", each) for each in goods.materials),
    )
    for field, row in named:
        if row is not None and row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no such row here: {row.pk}.", field=field)


def _refuse_unusable(act: Act, notice: NoticeArrived, goods: Goods) -> None:
    if bool(notice.sender) == (notice.partner is not None):
        raise Unusable(
            "Say who sent it: a partner, or the name of an authority.", code="sender", field="sender"
        )
    if notice.came_at > min(act.performed.at, timezone.now() + CLOCK_TOLERANCE):
        raise Unusable("It came before it was taken in.", code="ends-before", field="came_at")
    if not notice.said.strip():
        raise Unusable("Keep what was said, word for word.", code="missing", field="said")
    _refuse_unclear(goods)


def _refuse_unclear(goods: Goods) -> None:
    """Nothing named is not everything: whoever means that says so."""
    if bool(goods.first) != bool(goods.last):
        raise Unusable("A range has two ends.", code="range", field="code_to")
    for field, (since, until) in (("received_to", goods.received), ("best_before_to", goods.best_before)):
        if since and until and since > until:
            raise Unusable("It ends before it begins.", code="ends-before", field=field)
    names = bool(goods.codes or goods.first or any(goods.received) or any(goods.best_before))
    if names == goods.everything:
        raise Unusable(
            "Give codes, a range or dates; or say that everything is meant.",
            code="unclear",
            field="everything",
        )
    if goods.supplier is None and not goods.materials and not (goods.codes and not goods.first):
        raise Unusable(
            "Say whose goods or which materials are meant; listed codes alone can do without.",
            code="missing",
            field="supplier",
        )


# -- finding -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Hit:
    lot: Received
    found: Found


def meant_by(notice: NoticeArrived) -> Meant:
    kept: Mapping[str, Any] = notice.meant
    return Meant(
        supplier=notice.supplier_id,
        materials=frozenset(UUID(each) for each in kept["materials"]),
        codes=tuple(kept["codes"]),
        first=kept["from"],
        last=kept["to"],
        received=_days(kept["received"]),
        best_before=_days(kept["best_before"]),
    )


def _days(kept: Sequence[str]) -> Days:
    since, until = (date.fromisoformat(day) if day else None for day in kept)
    return since, until


def _received(here: Establishment, **which: Any) -> list[Received]:
    """Lots that came from somebody, oldest first; one statement."""
    lots = Lot.objects.filter(establishment=here, batch__isnull=True, state__withdrawn=False, **which)
    rows = lots.order_by("pk").values_list(
        "pk",
        "uid",
        "code",
        "material_id",
        "day",
        "state__supplier_id",
        "state__supplier_code",
        "state__best_before",
    )
    return [Received(*row) for row in rows]


def _search(notice: NoticeArrived) -> list[Hit]:
    """The lots that are meant or may be; ``searched`` tells how many were looked at and which lie outside.

    Where the notice says neither whose goods nor which material it means, and its code is on several, each may be it.
    """
    meant, lots = meant_by(notice), _received(notice.establishment)
    judged = [Hit(lot, fit(meant, lot)) for lot in lots]
    hits = [each for each in judged if each.found.fit != Fit.NO]
    outside = [each for each in judged if each.found.fit == Fit.NO and _in_question(meant, each.lot)]
    notice.searched = {
        "lots": str(len(lots)),
        "outside": [_named(each) for each in outside[:MOST_OUTSIDE]],
        "outside_count": str(len(outside)),
        "without_code": str(sum(1 for each in lots if not each.supplier_code.strip())),
    }
    kinds = {(each.lot.supplier, each.lot.material) for each in hits}
    if not meant.names_goods and len(kinds) > 1:
        why = "the code is on what came from several suppliers, or on several materials"
        return [Hit(each.lot, Found(Fit.UNDECIDED, (*each.found.why, why))) for each in hits]
    return hits


def _in_question(meant: Meant, lot: Received) -> bool:
    """Of the supplier and a material that are meant, so that somebody looks for it among those."""
    supplier = meant.supplier is None or lot.supplier == meant.supplier
    return meant.names_goods and supplier and (not meant.materials or lot.material in meant.materials)


def _named(hit: Hit) -> dict[str, Any]:
    lot = hit.lot
    return {
        "lot": str(lot.uid),
        "code": lot.code,
        "supplier_code": lot.supplier_code,
        "why": list(hit.found.why),
    }


def _account(notice: NoticeArrived, hits: Iterable[Hit]) -> None:
    """What was received, used, in what, and where it is now, as far as is recorded."""
    here, now = notice.establishment, timezone.now()
    by_uid = {str(each.lot.uid): each for each in hits}
    keys = {each.lot.key for each in by_uid.values()}
    rows = accounting.account(here, scoping.reached(here, keys), keys, now) if keys else []
    told = [(row, by_uid.get(row["lot"])) for row in rows]
    notice.found = [
        row | {"certain": hit.found.fit == Fit.YES, "why": list(hit.found.why)} for row, hit in told if hit
    ]
    notice.became = [row for row, hit in told if hit is None]
    notice.consignees = accounting.consignees(here, [row["lot"] for row in rows], now) if rows else []


# -- holding -------------------------------------------------------------------------------------------


def case_of(notice: NoticeArrived) -> Deviation | None:
    """The newest case that holds by it, or by what it corrects; None while nothing was found."""
    return deviations.case_of(notice, Deviation.What.NOTICE)


def _hold(act: Act, notice: NoticeArrived, hits: Collection[Hit], note: str = "") -> None:
    """Each lot by itself: many cost as many statements as one, and further deliveries are found by the notice."""
    if not hits:
        return
    case = case_of(notice)
    if case is None or deviations.is_closed(case):
        case = _open(act, notice)
    held = holds.held_under(case)
    new = [each.lot.key for each in hits if str(each.lot.uid) not in held]
    if new:
        lots = list(Lot.objects.filter(pk__in=new).order_by("pk"))
        holds.place_on_lots(act=act, deviation=case, lots=lots, note=note)


def _open(act: Act, notice: NoticeArrived) -> Deviation:
    before = Deviation.objects.filter(what=Deviation.What.NOTICE, subject=notice.pk).count()
    return deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.NOTICE,
        subject=notice.pk,
        slot=str(before + 1),
        title=f"Recall notice of {notice.from_whom}: {' '.join(notice.said.split())}",
        because=notice,
    )


def follow_receipt(*, act: Act, movement: Movement) -> None:
    """What comes in and is meant by a notice is held at once, also where a correction now says so.

    Once its case is closed a notice goes on for what it certainly means by code or day; what was to be decided of
    everything, and of codes that cannot be compared, was decided.
    """
    if movement.what != MovementKind.RECEIVED or movement.withdrawn:
        return
    known = NoticeArrived.objects.standing().of(act.establishment).select_related("partner")
    lots = _received(act.establishment, pk=movement.lot_id)
    for notice in known.order_by("recorded_at", "id"):
        for lot in lots:
            hit = Hit(lot, fit(meant_by(notice), lot))
            if hit.found.fit != Fit.NO and _goes_on(notice, hit):
                _hold_late(act, notice, hit)


def _goes_on(notice: NoticeArrived, hit: Hit) -> bool:
    case = case_of(notice)
    if case is None or not deviations.is_closed(case):
        return True
    return hit.found.fit == Fit.YES and not notice.meant["all"]


def _hold_late(act: Act, notice: NoticeArrived, hit: Hit) -> None:
    case = case_of(notice)
    words = f"{hit.lot.code} came in after the notice: {', '.join(hit.found.why) or 'everything is meant'}."
    _hold(act, notice, [hit], note=words)
    if case is not None and not deviations.is_closed(case):
        notices.leave_word_again(case)


# -- what follows --------------------------------------------------------------------------------------


@deed
def recall(
    *,
    act: Act,
    proof: signatures.Proof,
    notice: NoticeArrived,
    hazard: str,
    because: str,
    determined_at: datetime,
    strategy: Strategy,
    spread: Hazard | None = None,
) -> Recall:
    """A food-safety lead recalls because of it: under its case, the scope begun with the lots that it holds; signed.

    ``spread``: what may have been carried over shared equipment; then the scope holds that too. Raises RuleBroken where
    it holds nothing, OtherContent, and whatever deciding and freezing raise.
    """
    lock_material(act.establishment)
    if notice.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no notice {notice.pk} here.", field="notice")
    case = case_of(notice)
    if case is None:
        raise RuleBroken("No lot was found, so there is nothing to recall.", code="nothing-found")
    made = deciding.decide(
        act=act,
        proof=proof,
        hazard=hazard,
        because=because,
        determined_at=determined_at,
        strategy=strategy,
        deviation=case,
    )
    if not made.repeated:
        scoping.freeze(act=act.with_new_id(), recall=made, starts=starts_of(notice), hazard=spread)
    elif made.scopes.filter(number=1).exclude(hazard=scoping.as_row(spread)).exists():
        raise OtherContent(
            f"Id {made.pk} is taken by a recall that follows something else over equipment. Nothing was changed.",
            field="id",
        )
    return made


def starts_of(notice: NoticeArrived, at: datetime | None = None) -> list[UUID]:
    """The lots it means (uuids): those found at once, and those held since and meant by it, by a time."""
    known = {UUID(row["lot"]) for row in notice.found}
    meant = meant_by(notice)
    for lot in _received(notice.establishment, uid__in=_held_since(notice, at) - known):
        if fit(meant, lot).fit != Fit.NO:
            known.add(lot.uid)
    return sorted(known)


def _held_since(notice: NoticeArrived, at: datetime | None) -> set[UUID]:
    """Lots that its cases hold by themselves, those of what it corrects too."""
    line: list[UUID] = []
    now: Any = notice
    while now is not None:
        line.append(now.pk)
        now = now.corrects
    cases = Deviation.objects.filter(what=Deviation.What.NOTICE, subject__in=line)
    placed = Hold.objects.filter(deviation__in=cases, subject_kind=HoldSubject.LOT)
    return set(
        (placed if at is None else placed.filter(recorded_at__lte=at)).values_list("subject", flat=True)
    )
