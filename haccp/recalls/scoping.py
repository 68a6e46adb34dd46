"""What is in a recall: frozen from a trace, sealed, widened by freezing anew; a lot leaves by a signed decision only."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from batches import traces
from batches.locks import lock_material
from batches.mixed_places import MixedPlaces
from batches.models import Lot
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Direction, Trace
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from haccp import holds
from haccp.holds import Touched
from haccp.models import HoldSubject, Recall, RecallExclusion, RecallScope
from haccp.recalls.consignees import UNITS, text, who_got
from haccp.recalls.deciding import refuse_ended, refuse_foreign, sign
from ledger import people, seals, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment, Role, Seal


@deed
def freeze(*, act: Act, recall: Recall, starts: Sequence[UUID]) -> RecallScope:
    """Follow lots forward and freeze what is found as the scope; a seal covers what was read.

    Followed through batches and through places that are topped up, from ``starts`` and from all that is in the scope
    before. A recall's lots are held in the same transaction, and so is what is made of them later. Frozen again it can
    only grow, or take in who got something since. Raises Unknown, Unusable, RuleBroken.
    """
    lock_material(act.establishment)
    scope = RecallScope.new(act, recall=recall, starts=sorted({str(uid) for uid in starts}))
    scope.answer_if_repeated()
    _refuse(act, recall, scope)
    last = latest(recall)
    asked = {each.key for each in FromLots(tuple(starts)).lots(act.establishment)}
    before = [] if last is None else in_scope(last)
    trace = _trace(act.establishment, asked | _keys(act.establishment, before))
    scope.number = 1 if last is None else last.number + 1
    followed = reached(
        act.establishment, asked | _keys(act.establishment, (row for row in before if row["start"]))
    )
    scope.lots = list(_lots(trace, _all_starts(recall, scope), followed))
    got = who_got(act.establishment, [each["lot"] for each in scope.lots])
    scope.consignees = [
        {"partner": str(partner.pk), "name": partner.name, "lots": [each.as_row() for each in all_of_it]}
        for partner, all_of_it in got
    ]
    scope.contacts = {
        str(partner.pk): {"address": partner.address, "contact": partner.contact, "email": partner.email}
        for partner, _ in got
    }
    scope.in_batches = _in_batches(trace)
    _refuse_the_same(last, scope)
    seal = sealed(act)
    scope.seal_number, scope.seal_hash = seal.number, seal.hash
    scope.insert()
    _hold(act, recall, scope)
    return scope


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
    """Codes of the lots that are made of what is in the scope, or may be, and are not in it: made or told since."""
    here = scope.recall.establishment
    found = reached(here, _keys(here, in_scope(scope)))
    known = [each["lot"] for each in scope.lots]
    return sorted(Lot.objects.filter(pk__in=found).exclude(uid__in=known).values_list("code", flat=True))


def _keys(establishment: Establishment, rows: Iterable[dict[str, Any]]) -> set[int]:
    lots = [each["lot"] for each in rows]
    return set(Lot.objects.filter(establishment=establishment, uid__in=lots).values_list("pk", flat=True))


def _trace(establishment: Establishment, keys: Collection[int]) -> Trace:
    found = Lot.objects.filter(pk__in=reached(establishment, keys)).values_list("uid", flat=True)
    return traces.trace(establishment, TraceQuestion(FromLots(tuple(found)), Direction.FORWARD))


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
    raise RuleBroken(
        f"Scope {last.number} of {scope.recall.code} holds these very lots and consignees; "
        f"{last.performed_by.name} froze it. Nothing was written. Name further lots to widen it.",
        code="frozen-already",
        reasons=[Reason("frozen-already", f"Scope {last.number}.", "lots", [str(last.pk)])],
    )


def _said(scope: RecallScope, gone: set[str]) -> tuple[Any, ...]:
    return {each["lot"] for each in scope.lots} - gone, scope.consignees, scope.in_batches


def _lots(trace: Trace, starts: set[str], followed: set[int]) -> Iterable[dict[str, Any]]:
    """``followed``: what the lots that were asked for reach today; the others are carried on."""
    for lot in trace.lots:
        yield {
            "lot": str(lot.uid),
            "code": lot.code,
            "material": lot.material_name,
            "best_before": lot.best_before.isoformat() if lot.best_before else "",
            "start": str(lot.uid) in starts,
            "carried": lot.key not in followed,
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


def _hold(act: Act, recall: Recall, scope: RecallScope) -> None:
    """Hold by the lots it was asked for: what is made of them later is then held as well.

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
