"""Checks: a reading is judged and kept in one transaction; outside opens a deviation and holds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from uuid import UUID

from batches.locks import lock_material
from batches.models import Batch, Lot, Part
from config.api.refusals import Reason, Refusal, RuleBroken, Unknown, Unusable
from haccp import deviations, instruments, limits, plans, readings, rules
from haccp.deviations import Touched
from haccp.limits import Judgement, Result
from haccp.models import Check, ControlKind, ControlPoint, Deviation, HoldSubject, Instrument
from haccp.plan_documents import ControlPointSpec
from haccp.readings import Reading
from ledger.acts import Act
from ledger.deeds import deed

LATE = "after-its-time"
OUTSIDE_INSTRUMENT = "outside-the-instruments-range"
OTHER_INSTRUMENT = "other-kind-of-instrument"
SENTENCES = {
    LATE: "It was made after the run and after the time the plan allows.",
    OUTSIDE_INSTRUMENT: "The reading lies outside the range of the instrument: measure again with another.",
    OTHER_INSTRUMENT: "The plan asks for another kind of instrument.",
}
"""What was out of order about a check; it is recorded all the same (design 4.10)."""


class OutsideTheRun(RuleBroken):
    """A check before its batch began says nothing of the batch."""

    code = "outside-the-run"


class OtherPlanVersion(RuleBroken):
    """A batch is checked by the plan version it was started under."""

    code = "other-plan-version"


@dataclass(frozen=True)
class Subject:
    """What a check is made on, with what it was taken."""

    control_point: ControlPoint
    batch: Batch | None = None
    part: Part | None = None
    lot: Lot | None = None
    instrument: Instrument | None = None
    occasion: str = ""

    @property
    def materials(self) -> set[UUID]:
        found = set()
        if self.batch is not None:
            found.add(self.batch.recipe_version.material_id)
        if self.lot is not None:
            found.add(self.lot.material_id)
        return found


@deed
def record(*, act: Act, subject: Subject, said: Sequence[Mapping[str, Any]]) -> Check:
    """Judge readings and keep them; open a deviation and hold when one lies outside.

    ``said``: one reading for each limit of the control point, each with its own unit; kept as sent, judged in
    the limit's unit. Whether the batch was running is asked of the time of the work. Raises Unusable, Unknown,
    OutsideTheRun, OtherPlanVersion. Every refusal first asks whether this is a repeat of what is stored.
    """
    check = shape(act, subject, said)
    try:
        judge(check, subject, said, rules.rules_in_force(act.establishment, act.local_day, subject.materials))
    except Refusal:
        check.answer_if_repeated()
        raise
    if check.result == Result.OUTSIDE:
        lock_material(act.establishment)
    check.insert()
    follow(act, check, subject)
    return check


def shape(act: Act, subject: Subject, said: Sequence[Mapping[str, Any]]) -> Check:
    """The check as the client said it, not judged yet. Raises Unusable."""
    if not isinstance(said, list) or not all(isinstance(each, dict) for each in said):
        raise Unusable("Readings are a list of objects.", code="shape", field="readings")
    return Check.new(
        act,
        control_point=subject.control_point,
        batch=subject.batch,
        part=subject.part,
        lot=subject.lot,
        instrument=subject.instrument,
        occasion=subject.occasion,
        readings=[_plain(each) for each in said],
    )


def _plain(said: Mapping[str, Any]) -> dict[str, Any]:
    return {str(name): value for name, value in said.items() if value not in (None, "")}


def judge(
    check: Check, subject: Subject, said: Sequence[Mapping[str, Any]], in_force: Sequence[limits.Rule]
) -> None:
    """Fill in judgements, result and flags. Raises what ``record`` raises."""
    spec = plans.spec(subject.control_point)
    _refuse_wrong_subject(check, subject, spec)
    read = [readings.read(each, field=f"readings.{index}") for index, each in enumerate(said)]
    judgements = list(_judged(spec, read, in_force))
    check.judgements = [judgement.as_json() for judgement in judgements]
    check.result = limits.worst([judgement.result for judgement in judgements]).value
    check.flags = sorted(_flags(check, subject, spec, read))


def _judged(spec: ControlPointSpec, read: Sequence[Reading], in_force: Sequence[limits.Rule]) -> Any:
    by_quantity = {reading.quantity: (index, reading) for index, reading in enumerate(read)}
    wanted = [limits.from_json(each) for each in spec.limits]
    _refuse_other_readings(read, [limit.quantity for limit in wanted])
    guard = spec.document.get("guard", "off")
    for limit in wanted:
        index, reading = by_quantity[limit.quantity]
        try:
            yield limits.judge(reading, limits.in_force(limit, in_force), guard=guard)
        except Unusable as refusal:
            field = f"readings.{index}.{refusal.reasons[0].field}".rstrip(".")
            raise type(refusal)(refusal.detail, code=refusal.code, field=field) from refusal


def _refuse_other_readings(read: Sequence[Reading], wanted: Sequence[str]) -> None:
    given = [reading.quantity for reading in read]
    reasons = [
        Reason("reading-missing", f"A reading of {name!r} is missing.", "readings")
        for name in wanted
        if name not in given
    ]
    for index, name in enumerate(given):
        if name not in wanted or name in given[:index]:
            sentence = f"This check asks for {', '.join(wanted)}, each once; not for {name!r}."
            reasons.append(Reason("reading-not-asked-for", sentence, f"readings.{index}.quantity"))
    if reasons:
        raise Unusable("The readings are not those this check asks for.", code="readings", reasons=reasons)


def _refuse_wrong_subject(check: Check, subject: Subject, spec: ControlPointSpec) -> None:
    point, batch = subject.control_point, subject.batch
    if not spec.limits:
        raise RuleBroken(
            f"{spec.code} has no limit to check.", code="nothing-to-check", field="control_point"
        )
    if batch is None and subject.lot is None:
        raise Unusable("Name the batch or the lot that was checked.", code="missing", field="batch")
    if subject.part is not None and (batch is None or subject.part.batch_id != batch.pk):
        raise Unknown(f"There is no such part of the batch: {subject.part.pk}.", field="part")
    if spec.instrument and subject.instrument is None:
        raise Unusable(f"Name the instrument: {spec.instrument}.", code="missing", field="instrument")
    if batch is None:
        return
    if batch.plan_version_id != point.version_id:
        raise OtherPlanVersion(
            f"{spec.code} is of another plan version than batch {batch.code} was started under.",
            field="control_point",
        )
    if check.performed_at < batch.state.started_at:
        raise OutsideTheRun(
            f"Batch {batch.code} began after that; correct the time, or the start of the batch.",
            field="performed_at",
        )


def _flags(check: Check, subject: Subject, spec: ControlPointSpec, read: Sequence[Reading]) -> set[str]:
    found = set()
    ended = subject.batch.state.ended_at if subject.batch is not None else None
    patience = timedelta(minutes=(spec.schedule.within_minutes or 0) if spec.schedule else 0)
    if ended is not None and check.performed_at > ended + patience:
        found.add(LATE)
    instrument = subject.instrument
    if instrument is not None:
        if spec.instrument and instrument.kind != spec.instrument:
            found.add(OTHER_INSTRUMENT)
        if any(
            instruments.outside_range(instrument, reading) for reading in read if reading.value is not None
        ):
            found.add(OUTSIDE_INSTRUMENT)
    return found


def follow(act: Act, check: Check, subject: Subject) -> None:
    """Outside: a deviation with hold in the same transaction. A prerequisite programme holds nothing."""
    if check.result != Result.OUTSIDE:
        return
    point = subject.control_point
    holds = point.kind in (ControlKind.CCP, ControlKind.OPRP)
    worst = next(each for each in check.judgements if each["result"] == Result.OUTSIDE)
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.LIMIT,
        subject=check.pk,
        slot=point.code,
        title=f"{point.code} {point.name}: {worst['sentence']}",
        because=check,
        hold=_touched(check, subject) if holds else None,
    )


def _touched(check: Check, subject: Subject) -> Touched:
    since = last_good(check)
    at = None if since is None else since.performed_at
    if subject.part is not None:
        return Touched(HoldSubject.PART, subject.part.pk, at)
    if subject.batch is not None:
        return Touched(HoldSubject.BATCH, subject.batch.uid, at)
    assert subject.lot is not None
    return Touched(HoldSubject.LOT, subject.lot.uid)


def last_good(check: Check) -> Check | None:
    """The last check within limits at the same point on the same thing before this one, of those that stand."""
    same = Check.objects.standing().filter(
        control_point=check.control_point_id, batch=check.batch_id, part=check.part_id, lot=check.lot_id
    )
    before = same.filter(result=Result.WITHIN, performed_at__lt=check.performed_at)
    return before.exclude(pk=check.corrects_id).order_by("-performed_at").first()


@dataclass(frozen=True)
class Wanted:
    """One check of a bulk post: who, on what, and what was read."""

    act: Act
    subject: Subject
    said: Sequence[Mapping[str, Any]]


def record_many(wanted: Sequence[Wanted]) -> list[Check | Refusal]:
    """Record many checks; each answers for itself, and one refusal does not block the others (D21).

    Those within limits go in together, in a flat number of statements; one that lies outside is recorded by
    itself with its deviation and hold.
    """
    answers: dict[int, Check | Refusal] = {}
    together: list[tuple[int, Check]] = []
    cache: dict[Any, Sequence[limits.Rule]] = {}
    for index, each in enumerate(wanted):
        try:
            check = shape(each.act, each.subject, each.said)
            judge(check, each.subject, each.said, _rules(cache, each))
        except Refusal:
            answers[index] = _alone(each)
            continue
        if check.result == Result.OUTSIDE or each.act.corrects is not None:
            answers[index] = _alone(each)
        else:
            together.append((index, check))
    stored = Check.insert_many([check for _, check in together]) if together else []
    answers.update((index, answer) for (index, _), answer in zip(together, stored, strict=True))
    return [answers[index] for index in range(len(wanted))]


def _alone(each: Wanted) -> Check | Refusal:
    try:
        return record(act=each.act, subject=each.subject, said=each.said)
    except Refusal as refusal:
        return refusal


def _rules(cache: dict[Any, Sequence[limits.Rule]], each: Wanted) -> Sequence[limits.Rule]:
    key = (each.act.local_day, frozenset(each.subject.materials))
    if key not in cache:
        cache[key] = rules.rules_in_force(each.act.establishment, each.act.local_day, each.subject.materials)
    return cache[key]


def judgement_sentences(check: Check) -> list[str]:
    """What the person at the stove is told: one sentence a limit, and what was out of order."""
    told = [each["sentence"] for each in check.judgements]
    told += [each["warning"] for each in check.judgements if each.get("warning")]
    return told + [SENTENCES[flag] for flag in check.flags]


__all__ = ["Judgement", "OtherPlanVersion", "OutsideTheRun", "Subject", "Wanted", "record", "record_many"]
