"""What is said of a changeover: ticked steps, what was cleared away, and what of it is missing. Pure, no Django."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from batches.quantities import parse_number, plain_text
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable
from haccp.changeovers.procedure_documents import LONGEST, TAKES_AWAY, Procedure

CLEARED = ("product", "packaging", "labels")
REMAINS = {
    "product": "Remains of the old product",
    "packaging": "Old packaging materials",
    "labels": "Old labels",
}
NONE_ISSUED = "none_issued"
"""Said instead of counts: neither packaging nor labels were handed out where this equipment stands."""
COUNTED = ("issued", "used", "spoiled", "returned")
WETS = ("wash", "rinse", "disinfect")
MOST_COUNTS = 50


def read_steps(said: Sequence[Mapping[str, str]], procedure: Procedure) -> list[dict[str, str]]:
    """Ticked steps, each with its time in UTC and its person. Raises Unusable with every reason at once.

    ``said``: [{"step": a code of the procedure, "done_at": a time, "person": an id}]; a step may be ticked again.
    """
    known = {step.code for step in procedure.steps}
    reasons = [
        Reason("unknown-name", f"The procedure has no step {each['step'][:40]!a}.", f"steps.{at}.step")
        for at, each in enumerate(said)
        if each["step"] not in known
    ]
    if reasons:
        raise Unusable("The steps cannot be kept so. Nothing was written.", reasons=reasons)
    return [dict(each) for each in said]


def read_clearance(said: Mapping[str, Any]) -> dict[str, Any]:
    """What was removed, and the counts as entered. Raises Unusable with every reason at once."""
    reasons: list[Reason] = []
    counts = said.get("counts", [])
    for at, each in enumerate(counts):
        if not is_one_line(each.get("what"), LONGEST):
            reasons.append(
                Reason("missing", "Say what was counted, in one line.", f"clearance.counts.{at}.what")
            )
        reasons += _miscounted(each, at)
    if counts and said.get(NONE_ISSUED):
        sentence = "Counts are given, so something was handed out; leave none_issued out."
        reasons.append(Reason("contradictory", sentence, f"clearance.{NONE_ISSUED}"))
    if reasons:
        raise Unusable("The counts cannot be kept so. Nothing was written.", reasons=reasons)
    kept: dict[str, Any] = {
        name: said[name] for name in (*CLEARED, NONE_ISSUED) if said.get(name) is not None
    }
    return kept | ({"counts": [dict(each) for each in counts]} if counts else {})


def _miscounted(count: Mapping[str, str], at: int) -> Iterator[Reason]:
    for name in COUNTED:
        field = f"clearance.counts.{at}.{name}"
        try:
            value = parse_number(count.get(name, "0"), field=field)
        except Unusable as refusal:
            yield from refusal.reasons
            continue
        if value < 0 or value != value.to_integral_value():
            yield Reason("not-a-count", "Count whole things, 0 or more.", field)


def not_reconciled(count: Mapping[str, str]) -> Decimal:
    """Issued less used, spoiled and returned: 0 where the count comes out even."""
    numbers = {name: Decimal(count.get(name) or 0) for name in COUNTED}
    return numbers["issued"] - numbers["used"] - numbers["spoiled"] - numbers["returned"]


def shortcomings(
    procedure: Procedure,
    begun: datetime,
    ended: datetime | None,
    steps: Sequence[Mapping[str, str]],
    dry: bool | None,
    clearance: Mapping[str, Any],
) -> list[Reason]:
    """What is missing on the sheet of a changeover, all at once; none of it was refused."""
    found: list[Reason] = []
    if ended is None:
        found.append(Reason("not-ended", "Nobody said when it ended.", "ended_at"))
    ticked = {each["step"] for each in steps}
    for step in procedure.steps:
        if step.code not in ticked:
            found.append(Reason("step-missing", f"Not ticked: {step.code}, {step.what}.", "steps"))
    for at, each in enumerate(steps):
        done = datetime.fromisoformat(each["done_at"])
        if done < begun or (ended is not None and done > ended):
            sentence = f"{each['step']} was ticked outside the time of the changeover."
            found.append(Reason("step-outside", sentence, f"steps.{at}.done_at"))
    found += _dry(procedure, dry)
    found += _not_cleared(clearance)
    return found


def _dry(procedure: Procedure, dry: bool | None) -> Iterator[Reason]:
    wets = procedure.method == "wet" or any(step.by in WETS for step in procedure.steps)
    if dry is False:
        yield Reason(
            "not-dry", "It was not dry before the start: water lets microbes grow.", "dry_before_start"
        )
    elif dry is None and wets:
        yield Reason("dry-not-said", "Nobody said that it was dry before the start.", "dry_before_start")


def _not_cleared(clearance: Mapping[str, Any]) -> Iterator[Reason]:
    for name in CLEARED:
        if clearance.get(name) is not True:
            told = "were left" if clearance.get(name) is False else "are not said to be removed"
            yield Reason("line-not-cleared", f"{REMAINS[name]} {told}.", f"clearance.{name}")
    if not clearance.get("counts") and clearance.get(NONE_ISSUED) is not True:
        sentence = (
            "Nobody counted the packaging and labels handed out for the old product; if none were, say so "
            "(none_issued)."
        )
        yield Reason("not-counted", sentence, "clearance.counts")
    for at, count in enumerate(clearance.get("counts", [])):
        off = not_reconciled(count)
        if off:
            sentence = f"{count['what']}: {plain_text(abs(off))} {'missing' if off > 0 else 'too many'} by the count."
            yield Reason("not-reconciled", sentence, f"clearance.counts.{at}")


def last_taking_away(procedure: Procedure, begun: datetime, steps: Collection[Mapping[str, str]]) -> datetime:
    """When the last step that takes food away was ticked: what was looked at before shows nothing."""
    codes = {step.code for step in procedure.steps if step.by in TAKES_AWAY}
    times = [datetime.fromisoformat(each["done_at"]) for each in steps if each["step"] in codes]
    return max([begun, *times])
