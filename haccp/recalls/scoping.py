"""What is in a recall: frozen from a trace, sealed, widened by freezing anew; a lot leaves by a signed decision only."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

from batches import traces
from batches.locks import lock_material
from batches.models import Lot, TradingPartner
from batches.quantities import plain_text, to_unit
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Consignment, Direction, Trace, TracedLot
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from haccp import holds
from haccp.holds import Touched
from haccp.models import Closing, HoldSubject, Recall, RecallExclusion, RecallScope
from haccp.recalls.deciding import refuse_ended
from ledger import people, seals, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Role, Seal

UNITS = {"mass": ("KGM", 3), "count": ("H87", 0)}


@deed
def freeze(*, act: Act, recall: Recall, starts: Sequence[UUID]) -> RecallScope:
    """Trace forward from lots and freeze what is found as the scope; a seal covers what was read.

    A recall's lots are held in the same transaction, and so is what is made of them later. Frozen again it can only
    grow: what an earlier scope held and no signed decision let go is carried on. Raises Unknown, Unusable, RuleBroken.
    """
    lock_material(act.establishment)
    scope = RecallScope.new(act, recall=recall, starts=sorted({str(uid) for uid in starts}))
    scope.answer_if_repeated()
    _refuse(act, recall, scope)
    last = latest(recall)
    trace = traces.trace(
        act.establishment, TraceQuestion(FromLots(_all_starts(last, starts)), Direction.FORWARD)
    )
    scope.number = 1 if last is None else last.number + 1
    scope.starts = sorted(str(uid) for uid in trace.starts)
    scope.lots = [*_lots(trace), *_carried(last, trace)]
    _refuse_the_same(last, scope)
    scope.consignees, scope.contacts = _consignees(trace, last, scope.lots)
    seal = _sealed(act)
    scope.seal_number, scope.seal_hash = seal.number, seal.hash
    scope.insert()
    _hold(act, recall, trace)
    return scope


def latest(recall: Recall) -> RecallScope | None:
    return RecallScope.objects.filter(recall=recall).order_by("number").last()


def left_out(scope: RecallScope) -> set[str]:
    """The lots (uuids) that a signed decision let go from a scope."""
    return {str(uid) for uid in scope.exclusions.values_list("lot__uid", flat=True)}


def _refuse(act: Act, recall: Recall, scope: RecallScope) -> None:
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD, Role.SUPERVISOR}, "freezes the scope of a recall")
    if recall.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no recall {recall.pk} here.", field="recall")
    refuse_ended(recall)
    if act.corrects is not None:
        raise RuleBroken(
            "A scope is widened, not corrected: freeze it anew.", code="not-corrected", field="corrects"
        )
    if not scope.starts:
        raise Unusable("Name at least one lot to trace from.", code="missing", field="lots")


def _all_starts(last: RecallScope | None, starts: Sequence[UUID]) -> tuple[UUID, ...]:
    """What it was traced from before is traced from again, but for what was let go."""
    before = [] if last is None else [uid for uid in last.starts if uid not in left_out(last)]
    return tuple(dict.fromkeys([*starts, *map(UUID, before)]))


def _refuse_the_same(last: RecallScope | None, scope: RecallScope) -> None:
    """Two people who freeze at once make one scope; the second is told of the first."""
    if last is None or {each["lot"] for each in last.lots} - left_out(last) != {
        each["lot"] for each in scope.lots
    }:
        return
    raise RuleBroken(
        f"Scope {last.number} of {scope.recall.code} holds these very lots; {last.performed_by.name} froze it. "
        "Nothing was written. Name further lots to widen it.",
        code="frozen-already",
        reasons=[Reason("frozen-already", f"Scope {last.number}.", "lots", [str(last.pk)])],
    )


def _lots(trace: Trace) -> Iterable[dict[str, Any]]:
    starts = set(trace.starts)
    for lot in trace.lots:
        yield {
            "lot": str(lot.uid),
            "code": lot.code,
            "material": lot.material_name,
            "best_before": lot.best_before.isoformat() if lot.best_before else "",
            "start": lot.uid in starts,
            "carried": False,
            **{name: _text(getattr(lot, name), lot.dimension) for name in LOT_AMOUNTS},
            "unit": UNITS[lot.dimension][0],
        }


LOT_AMOUNTS = ("received", "made", "on_hand", "used", "shipped", "returned", "destroyed", "sampled")


def _text(base: int, dimension: str) -> str:
    unit, places = UNITS[dimension]
    return plain_text(to_unit(base, unit), places)


def _carried(last: RecallScope | None, trace: Trace) -> list[dict[str, Any]]:
    """Lots of the scope before that this trace does not reach, and that nobody let go."""
    if last is None:
        return []
    found, gone = {str(lot.uid) for lot in trace.lots}, left_out(last)
    return [each | {"carried": True} for each in last.lots if each["lot"] not in found | gone]


def _consignees(
    trace: Trace, last: RecallScope | None, lots: Sequence[dict[str, Any]]
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Who got what of it, by name; those of lots carried on as they were."""
    by_partner: defaultdict[UUID, dict[UUID, list[Consignment]]] = defaultdict(lambda: defaultdict(list))
    for each in trace.consignments:
        if each.what in ("shipped", "returned"):
            by_partner[each.partner][each.lot].append(each)
    dimensions = {lot.uid: lot for lot in trace.lots}
    rows = {
        str(key): [_got(dimensions[lot], moved) for lot, moved in got.items()]
        for key, got in by_partner.items()
    }
    for key, kept in _carried_consignees(last, lots).items():
        rows.setdefault(key, []).extend(kept)
    partners = TradingPartner.objects.filter(pk__in=rows).order_by("name", "code")
    told = [{"partner": str(each.pk), "name": each.name, "lots": rows[str(each.pk)]} for each in partners]
    contacts = {str(each.pk): {"address": each.address, "contact": each.contact} for each in partners}
    return told, contacts


def _carried_consignees(
    last: RecallScope | None, lots: Sequence[dict[str, Any]]
) -> dict[str, list[dict[str, Any]]]:
    carried = {each["lot"] for each in lots if each["carried"]}
    found = {} if last is None else {each["partner"]: each["lots"] for each in last.consignees}
    kept = {key: [got for got in each if got["lot"] in carried] for key, each in found.items()}
    return {key: each for key, each in kept.items() if each}


def _got(lot: TracedLot, moved: Sequence[Consignment]) -> dict[str, Any]:
    sums = {
        what: sum(each.quantity for each in moved if each.what == what) for what in ("shipped", "returned")
    }
    documents = sorted({each.document for each in moved if each.document})
    return {
        "lot": str(lot.uid),
        "code": lot.code,
        "material": lot.material_name,
        **{what: _text(base, lot.dimension) for what, base in sums.items()},
        "unit": UNITS[lot.dimension][0],
        "documents": documents,
        "first": min(each.at for each in moved).isoformat(),
        "last": max(each.at for each in moved).isoformat(),
    }


def _sealed(act: Act) -> Seal:
    """A seal over everything recorded so far: nothing can come between under the material lock."""
    made = seals.seal(establishment=act.establishment)
    return made or Seal.objects.filter(establishment=act.establishment).latest("number")


def _hold(act: Act, recall: Recall, trace: Trace) -> None:
    """Hold by the lots it was traced from: what is made of them later is then held as well."""
    case = recall.deviation
    if case is None or Closing.objects.filter(deviation=case).exists():
        return
    known = set(case.holds.values_list("subject", flat=True))
    for uid in trace.starts:
        if uid not in known:
            holds.place(act=act.with_new_id(), deviation=case, touched=Touched(HoldSubject.LOT, uid))


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
    refuse_ended(recall)
    if str(lot.uid) not in {each["lot"] for each in scope.lots}:
        raise Unknown(f"Lot {lot.code} is not in scope {scope.number} of {recall.code}.", field="lot")
    if not made.because:
        raise Unusable("Say why it may leave.", code="missing", field="because")
    if str(lot.uid) in left_out(scope):
        raise RuleBroken(f"Lot {lot.code} was let go already.", code="left-already", field="lot")
    made.insert()
    signatures.sign(
        act=act.with_new_id(), proof=proof, target=Entry.objects.get(pk=made.pk), meaning="decided"
    )
    return made


def in_scope(scope: RecallScope) -> list[dict[str, Any]]:
    """The lots that are in it now: those frozen, less those let go."""
    gone = left_out(scope)
    return [each for each in scope.lots if each["lot"] not in gone]
