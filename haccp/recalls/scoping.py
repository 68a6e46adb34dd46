"""What is in a recall: frozen from a trace, sealed, widened by freezing anew; a lot leaves by a signed decision only."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from batches import traces
from batches.carry_over import Hazard
from batches.locks import lock_material
from batches.mixed_places import MixedPlaces
from batches.models import Lot
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Direction, Side, Trace
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from haccp import holds
from haccp.holds import Touched
from haccp.models import HoldSubject, Recall, RecallExclusion, RecallScope
from haccp.recalls.consignees import UNITS, sold_at, text, who_got
from haccp.recalls.deciding import refuse_ended, refuse_foreign, sign
from haccp.trace_starts import hazard_of
from ledger import people, seals, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment, Role, Seal

BY_EQUIPMENT = "Reached over shared equipment."


@deed
def freeze(*, act: Act, recall: Recall, starts: Sequence[UUID], hazard: Hazard | None = None) -> RecallScope:
    """Follow lots forward and freeze what is found as the scope; a seal covers what was read.

    Followed through batches and through places that are topped up, from ``starts`` and from all that is in the scope
    before; with a ``hazard`` also over shared equipment, as far as that may have been carried over. What was named once
    is followed ever after. A recall's lots are held in the same transaction, and so is what is made of them later. Frozen
    again it can only grow, or take in who got something since. Raises Unknown, Unusable, RuleBroken.
    """
    lock_material(act.establishment)
    asked = sorted({str(uid) for uid in starts})
    scope = RecallScope.new(act, recall=recall, starts=asked, hazard=as_row(hazard))
    scope.answer_if_repeated()
    _refuse(act, recall, scope)
    last = latest(recall)
    before = [] if last is None else in_scope(last)
    scope.number = 1 if last is None else last.number + 1
    follow = {*starts, *(UUID(row["lot"]) for row in before if row["start"])}
    followed = _reached(scope, follow)
    trace = _trace(scope, follow | ({UUID(row["lot"]) for row in before} - followed))
    scope.lots = list(_lots(trace, _all_starts(recall, scope), followed))
    scope.touches = list(_touches(trace))
    _set_who_got(scope)
    scope.in_batches = _in_batches(trace)
    _refuse_the_same(last, scope)
    seal = sealed(act)
    scope.seal_number, scope.seal_hash = seal.number, seal.hash
    scope.insert()
    _hold(act, recall, scope, trace)
    return scope


def _set_who_got(scope: RecallScope) -> None:
    """Consignees and outlets. Contacts are those of partners: a buyer's is never kept in a record."""
    uids = [each["lot"] for each in scope.lots]
    got = who_got(scope.establishment, uids)
    named = [each for each in got if each.is_named]
    scope.consignees = [
        {
            "partner": str(each.partner.pk),
            "order": str(each.order.pk) if each.order else "",
            "name": each.name,
            "lots": [row.as_row() for row in each.got],
        }
        for each in named
    ]
    scope.outlets = [
        {
            "partner": str(each.outlet.pk),
            "name": each.outlet.name,
            "lots": [row.as_row() for row in each.lots],
        }
        for each in sold_at(scope.establishment, uids, got)
    ]
    partners = [each.partner for each in named if each.order is None]
    scope.contacts = {
        str(each.pk): {"address": each.address, "contact": each.contact, "email": each.email}
        for each in partners
    }


def latest(recall: Recall, at: datetime | None = None) -> RecallScope | None:
    """The scope in force, now or at a time."""
    rows = RecallScope.objects.filter(recall=recall).prefetch_related("exclusions__lot")
    return (rows if at is None else rows.filter(recorded_at__lte=at)).order_by("number").last()


def left_out(scope: RecallScope, at: datetime | None = None) -> set[str]:
    """The lots (uuids) that a signed decision let go from a scope, by a time."""
    rows = scope.exclusions.all()
    return {str(each.lot.uid) for each in rows if at is None or each.recorded_at <= at}


def in_scope(scope: RecallScope, at: datetime | None = None) -> list[dict[str, Any]]:
    """The lots that are in it: those frozen, less those let go."""
    gone = left_out(scope, at)
    return [each for each in scope.lots if each["lot"] not in gone]


def reached(establishment: Establishment, keys: Collection[int]) -> set[int]:
    """Keys of the lots and of all that they may be in, as a hold reaches them."""
    walk = MixedPlaces(establishment).forward(keys)
    return walk.lots | walk.under.keys()


def beyond(scope: RecallScope) -> list[str]:
    """Codes of the lots that what is in the scope has reached by now, and that are not in it: made or told since."""
    follow = {UUID(row["lot"]) for row in in_scope(scope) if row["start"] or row["carried"]}
    new = _reached(scope, follow) - {UUID(each["lot"]) for each in scope.lots}
    return sorted(Lot.objects.filter(uid__in=new).values_list("code", flat=True))


def _reached(scope: RecallScope, lots: Collection[UUID]) -> set[UUID]:
    if not lots:
        return set()
    keys = traces.reached(scope.recall.establishment, _question(scope, lots))
    return set(Lot.objects.filter(pk__in=keys).values_list("uid", flat=True))


def _trace(scope: RecallScope, lots: Collection[UUID]) -> Trace:
    return traces.trace(scope.recall.establishment, _question(scope, lots))


def _question(scope: RecallScope, lots: Collection[UUID]) -> TraceQuestion:
    return TraceQuestion(FromLots(tuple(sorted(lots))), Direction.FORWARD, hazard=_hazard(scope))


def _hazard(scope: RecallScope) -> Hazard | None:
    """All that this and the scopes before were asked to follow over shared equipment."""
    rows = [*_before(scope).values_list("hazard", flat=True), scope.hazard]
    allergens = dict.fromkeys(code for row in rows for code in row.get("allergens", ()))
    microbes, bodies = (any(row.get(name) for row in rows) for name in ("microbiological", "foreign_bodies"))
    return hazard_of(scope.recall.establishment, tuple(allergens), microbes, bodies)


def _before(scope: RecallScope) -> QuerySet[RecallScope]:
    return RecallScope.objects.filter(recall=scope.recall, number__lt=scope.number)


def as_row(hazard: Hazard | None) -> dict[str, Any]:
    """As a scope keeps it."""
    return {
        "allergens": sorted(hazard.allergens) if hazard else [],
        "microbiological": bool(hazard and hazard.microbiological),
        "foreign_bodies": bool(hazard and hazard.foreign_bodies),
    }


def _refuse(act: Act, recall: Recall, scope: RecallScope) -> None:
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD, Role.SUPERVISOR}, "freezes the scope of a recall")
    refuse_foreign(act, recall)
    refuse_ended(recall)
    if act.corrects is not None:
        raise RuleBroken(
            "A scope is widened, not corrected: freeze it anew.", code="not-corrected", field="corrects"
        )
    if not scope.starts:
        raise Unusable("Name at least one lot to trace from.", code="missing", field="lots")


def _all_starts(recall: Recall, scope: RecallScope) -> set[str]:
    """Every lot that this and the scopes before were asked to follow."""
    asked = recall.scopes.values_list("starts", flat=True)
    return {uid for starts in (*asked, scope.starts) for uid in starts}


def _refuse_the_same(last: RecallScope | None, scope: RecallScope) -> None:
    """Two people who freeze at once make one scope; the second is told of the first."""
    if last is None or _said(last, left_out(last)) != _said(scope, set()):
        return
    if _hazard(last) != _hazard(scope):
        return
    raise RuleBroken(
        f"Scope {last.number} of {scope.recall.code} holds these very lots and consignees; "
        f"{last.performed_by.name} froze it. Nothing was written. Name further lots to widen it.",
        code="frozen-already",
        reasons=[Reason("frozen-already", f"Scope {last.number}.", "lots", [str(last.pk)])],
    )


def _said(scope: RecallScope, gone: set[str]) -> tuple[Any, ...]:
    return {each["lot"] for each in scope.lots} - gone, scope.consignees, scope.outlets, scope.in_batches


def _lots(trace: Trace, starts: set[str], followed: set[UUID]) -> Iterable[dict[str, Any]]:
    """``followed``: what the lots that were asked for reach today; the others are carried on."""
    for lot in trace.lots:
        yield {
            "lot": str(lot.uid),
            "code": lot.code,
            "material": lot.material_name,
            "best_before": lot.best_before.isoformat() if lot.best_before else "",
            "start": str(lot.uid) in starts,
            "carried": lot.uid not in followed,
            "side": str(lot.side),
            "touch": "" if lot.contact is None else str(lot.contact),
            **{name: text(getattr(lot, name), lot.dimension) for name in LOT_AMOUNTS},
            "unit": UNITS[lot.dimension][0],
        }


LOT_AMOUNTS = (
    "received",
    "made",
    "on_hand",
    "used",
    "shipped",
    "returned",
    "sent_back",
    "destroyed",
    "sampled",
    "unexplained",
)


def _touches(trace: Trace) -> Iterable[dict[str, Any]]:
    """How shared equipment led from batch to batch; lots name them by their place."""
    for each in trace.contacts:
        yield {
            "equipment": each.equipment_code,
            "left_by": each.left_by_code,
            "batch": each.batch_code,
            "at": each.at.isoformat(),
            "hazards": list(each.hazards),
        }


def _in_batches(trace: Trace) -> list[dict[str, str]]:
    """What of it went into batches that have made nothing yet."""
    return [
        {
            "lot": str(each.lot),
            "batch": each.batch_code,
            "quantity": text(each.quantity, each.dimension),
            "unit": UNITS[each.dimension][0],
        }
        for each in trace.in_process
    ]


def sealed(act: Act) -> Seal:
    """A seal over everything recorded so far: nothing can come between under the material lock."""
    made = seals.seal(establishment=act.establishment)
    return made or Seal.objects.filter(establishment=act.establishment).latest("number")


def _hold(act: Act, recall: Recall, scope: RecallScope, trace: Trace) -> None:
    """Hold by the lots it was asked for, and by those that equipment led to: what is made of them later is then held too.

    The case cannot close while the recall runs, so whatever is frozen is held.
    """
    if recall.deviation is None:
        return
    known = {str(uid) for uid in recall.deviation.holds.values_list("subject", flat=True)}
    for uid in scope.starts:
        if uid not in known:
            holds.place(
                act=act.with_new_id(), deviation=recall.deviation, touched=Touched(HoldSubject.LOT, UUID(uid))
            )
    touched = {each.batch for each in trace.contacts}
    reached = [each for each in trace.lots if each.side == Side.CONTACT and str(each.uid) not in known]
    keys = [each.key for each in reached if each.contact is None or each.batch in touched]
    if keys:
        holds.place_on_lots(
            act=act,
            deviation=recall.deviation,
            lots=list(Lot.objects.filter(pk__in=keys).select_related("state").order_by("pk")),
            note=BY_EQUIPMENT,
        )


@deed
def leave_out(
    *, act: Act, proof: signatures.Proof, recall: Recall, lot: Lot, because: str
) -> RecallExclusion:
    """A food-safety lead lets a lot leave the latest scope, with a reason; signed. It stays held until its case decides.

    Raises Unknown for a lot that is not in it, Unusable, RuleBroken, NotAllowed.
    """
    lock_material(act.establishment)
    scope = latest(recall)
    if scope is None:
        raise RuleBroken(f"{recall.code} has no scope yet.", code="no-scope")
    made = RecallExclusion.new(act, scope=scope, lot=lot, because=because.strip())
    made.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "lets a lot leave a recall")
    refuse_foreign(act, recall)
    refuse_ended(recall)
    if str(lot.uid) not in {each["lot"] for each in scope.lots}:
        raise Unknown(f"Lot {lot.code} is not in scope {scope.number} of {recall.code}.", field="lot")
    if not made.because:
        raise Unusable("Say why it may leave.", code="missing", field="because")
    if str(lot.uid) in left_out(scope):
        raise RuleBroken(f"Lot {lot.code} was let go already.", code="left-already", field="lot")
    made.insert()
    sign(act, proof, made)
    return made
