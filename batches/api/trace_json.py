"""Traces as plain dictionaries written at once, since a trace may reach thousands of lots."""

from typing import Any

from batches.api.amounts import AMOUNT_TEXTS, UNITS, kilograms
from batches.trace_reading import not_collecting
from batches.trace_results import Consignment, Direction, InProcess, Trace, Unfollowed
from batches.whereabouts import whereabouts


@not_collecting()
def as_json(trace: Trace) -> dict[str, Any]:
    """As ``TraceSerializer`` says, without ``next``; uuids, days and times are left to the writer of JSON."""
    return {
        "direction": trace.direction,
        "starts": trace.starts,
        "size": vars(trace.size),
        "loop": trace.loop,
        "in_loop": trace.in_loop,
        "unfollowed": trace.unfollowed and _unfollowed(trace.unfollowed),
        "whereabouts": _whereabouts(trace),
        "lots": [_lot(*lot) for lot in trace.lots],
        "steps": [_step(*step) for step in trace.steps],
        "batches": [_batch(*each) for each in trace.batches],
        "consignments": [_consignment(each) for each in trace.consignments],
        "in_process": [_in_process(each) for each in trace.in_process],
        "contacts": [each._asdict() for each in trace.contacts],
        "mixes": [each._asdict() for each in trace.mixes],
        "taken_as": [each._asdict() for each in trace.taken_as],
    }


def _lot(
    key, uid, code, material, material_name, dimension, kind, is_rework, day, best_before, batch, batch_code,
    supplier, supplier_name, supplier_code, status, on_hand, received, made, used, shipped, returned, sent_back,
    sampled, destroyed, unexplained, mass, side, generation, share, part, share_by_name, part_by_name,
    exact_share, exact_part, starts, contact,
):  # fmt: skip
    """The fields of a ``TracedLot`` one by one: looking them up by name takes longer than all the rest."""
    text = AMOUNT_TEXTS[dimension]
    return {
        "id": uid,
        "code": code,
        "material": material,
        "material_name": material_name,
        "material_kind": kind,
        "is_rework": is_rework,
        "day": day,
        "best_before": best_before,
        "batch": batch,
        "batch_code": batch_code,
        "supplier": supplier,
        "supplier_name": supplier_name,
        "supplier_code": supplier_code,
        "status": status,
        "unit": UNITS[dimension],
        "on_hand": text(on_hand),
        "received": text(received),
        "made": text(made),
        "used": text(used),
        "shipped": text(shipped),
        "returned": text(returned),
        "sent_back": text(sent_back),
        "sampled": text(sampled),
        "destroyed": text(destroyed),
        "unexplained": text(unexplained),
        "mass": None if mass is None else kilograms(mass),
        "side": side,
        "generation": generation,
        "share": share,
        "part": part,
        "share_by_name": share_by_name,
        "part_by_name": part_by_name,
        "exact_share": exact_share if exact_share is None else str(exact_share),
        "exact_part": exact_part if exact_part is None else str(exact_part),
        "starts": starts,
        "contact": contact,
    }


def _step(source, target, batch, dimension, quantity, used, share, exact_share):
    text = AMOUNT_TEXTS[dimension]
    return {
        "source": source,
        "target": target,
        "batch": batch,
        "unit": UNITS[dimension],
        "quantity": text(quantity),
        "used": text(used),
        "share": share,
        "exact_share": exact_share if exact_share is None else str(exact_share),
    }


def _batch(uid, code, started_at, ended_at):
    return {"id": uid, "code": code, "started_at": started_at, "ended_at": ended_at}


def _consignment(each: Consignment) -> dict[str, Any]:
    return {
        "movement": each.movement,
        "what": each.what,
        "lot": each.lot,
        "partner": each.partner,
        "partner_name": each.partner_name,
        "document": each.document,
        "at": each.at,
        "unit": UNITS[each.dimension],
        "quantity": AMOUNT_TEXTS[each.dimension](each.quantity),
    }


def _in_process(each: InProcess) -> dict[str, Any]:
    return {
        "lot": each.lot,
        "batch": each.batch,
        "batch_code": each.batch_code,
        "unit": UNITS[each.dimension],
        "quantity": AMOUNT_TEXTS[each.dimension](each.quantity),
    }


def _whereabouts(trace: Trace) -> dict[str, str] | None:
    found = None if trace.direction == Direction.BACK else whereabouts(trace)
    if found is None:
        return None
    return {name: kilograms(round(amount)) for name, amount in (vars(found) | {"gap": found.gap}).items()}


def _unfollowed(left: Unfollowed) -> dict[str, Any]:
    return {
        "least": left.least,
        "lots": left.lots,
        "kilograms": None if left.milligrams is None else kilograms(round(left.milligrams)),
    }
