"""What a check says: its readings against the limits in force, and what was out of order about it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any
from uuid import UUID

from batches.models import Batch, Lot, Part
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from haccp import instruments, limits, plans, readings, series, series_uses, transcribing
from haccp.models import Check, CheckSheet, ControlPoint, Instrument, PlanVersion, Series
from haccp.plan_documents import ControlPointSpec
from haccp.readings import Reading
from ledger.acts import Act

EARLY = "before-the-run"
LATE = "after-its-time"
OUTSIDE_INSTRUMENT = series.OUTSIDE_INSTRUMENT
OTHER_INSTRUMENT = "other-kind-of-instrument"
OTHER_PRODUCT = "not-asked-for-this-product"
SENTENCES = {
    EARLY: "It was made before the batch began, as its start stands now; it answers no due check.",
    LATE: "It was made after the run and after the time the plan allows.",
    OUTSIDE_INSTRUMENT: "The reading lies outside the range of the instrument: measure again with another.",
    OTHER_INSTRUMENT: "The plan asks for another kind of instrument.",
    OTHER_PRODUCT: "The plan does not ask for this check on this product or material.",
    **instruments.SENTENCES,
    **transcribing.SENTENCES,
}
"""What was out of order about a check; it is recorded all the same (design 4.10)."""
GONE = (
    "The series it was judged by was corrected or withdrawn since; it answers no due check. Correct it with readings "
    "that stand."
)


class OutsideTheRun(RuleBroken):
    """A check before its batch began says nothing of the batch."""

    code = "outside-the-run"


class OtherPlanVersion(RuleBroken):
    """A batch is checked by the plan version it was started under, a lot by the one in force then."""

    code = "other-plan-version"


@dataclass(frozen=True)
class Subject:
    """What a check is made on, with what it was taken; of one keyed in later, the sheet and line it was written on."""

    control_point: ControlPoint
    batch: Batch | None = None
    part: Part | None = None
    lot: Lot | None = None
    instrument: Instrument | None = None
    occasion: str = ""
    sheet: CheckSheet | None = None
    line: int | None = None

    @property
    def materials(self) -> set[UUID]:
        found = set()
        if self.batch is not None:
            found.add(self.batch.recipe_version.material_id)
        if self.lot is not None:
            found.add(self.lot.material_id)
        return found


def shape(act: Act, subject: Subject, said: Sequence[Mapping[str, Any]]) -> Check:
    """The check as the client said it, not judged yet. Raises Unusable, Unknown."""
    if not isinstance(said, list) or not all(isinstance(each, dict) for each in said):
        raise Unusable("Readings are a list of objects.", code="shape", field="readings")
    for name in ("control_point", "batch", "part", "lot", "instrument", "sheet"):
        row = getattr(subject, name)
        if row is not None and row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no such {name.replace('_', ' ')} here.", field=name)
    return Check.new(
        act,
        control_point=subject.control_point,
        batch=subject.batch,
        part=subject.part,
        lot=subject.lot,
        instrument=subject.instrument,
        occasion=subject.occasion,
        sheet=subject.sheet,
        sheet_line=subject.line,
        readings=[_plain(each) for each in said],
    )


def _plain(said: Mapping[str, Any]) -> dict[str, Any]:
    return {str(name): value for name, value in said.items() if value not in (None, "")}


def judge(
    check: Check, subject: Subject, said: Sequence[Mapping[str, Any]], in_force: Sequence[limits.Rule]
) -> None:
    """Fill in judgements, result and flags. Raises Unusable, Unknown, OutsideTheRun, OtherPlanVersion."""
    spec = plans.spec(subject.control_point)
    _refuse_wrong_subject(subject, spec)
    transcribing.refuse_other_line(check)
    if subject.batch is not None:
        _refuse_other_run(check, subject.batch, subject.control_point)
    else:
        _refuse_superseded(check, subject.control_point)
    taken = [_taken(check, each, index, subject.instrument) for index, each in enumerate(said)]
    judged = list(_judged(spec, taken, in_force))
    check.judgements = judged
    check.result = limits.worst([limits.Result(each["result"]) for each in judged]).value
    check.flags = sorted(_flags(check, subject, spec, taken))


@dataclass(frozen=True)
class Taken:
    """A reading, and with what it was taken: a series with its own logger where that is known, else the instrument of
    the check."""

    reading: Reading
    instrument: Instrument | None
    series: Series | None = None


def _taken(check: Check, said: Mapping[str, Any], index: int, instrument: Instrument | None) -> Taken:
    comma = check.establishment.decimal_comma
    reading = readings.read(said, decimal_comma=comma, field=f"readings.{index}")
    if not reading.series:
        return Taken(reading, instrument)
    found = series.standing(check.establishment, reading.series, field=f"readings.{index}.series")
    return Taken(series.follow(reading, found), found.instrument or instrument, found)


def _judged(
    spec: ControlPointSpec, taken: Sequence[Taken], in_force: Sequence[limits.Rule]
) -> Iterator[dict[str, Any]]:
    by_quantity = {each.reading.quantity: (index, each) for index, each in enumerate(taken)}
    wanted = [limits.from_json(each) for each in spec.limits]
    asked = [member for limit in wanted for member in limits.members(limit)]
    _refuse_other_readings([each.reading for each in taken], [limit.quantity for limit in asked])
    guard: limits.Guard = spec.document.get("guard", "off")
    for limit in wanted:
        for member in limits.members(limit):
            index, found = by_quantity[member.quantity]
            judgement = _judge_one(member, found, index, in_force, guard)
            yield judgement if member is limit else judgement | {"all_of": limit.quantity}


def _judge_one(
    limit: limits.OneLimit,
    taken: Taken,
    index: int,
    in_force: Sequence[limits.Rule],
    guard: limits.Guard,
) -> dict[str, Any]:
    known, reading, instrument = None, taken.reading, taken.instrument
    unit = reading.unit if reading.course is None else reading.course.unit
    if instrument is not None and guard != "off":
        known = instruments.uncertainty_in(instrument, unit)
    try:
        judgement = limits.judge(reading, limits.in_force(limit, in_force), uncertainty=known, guard=guard)
    except Unusable as refusal:
        field = f"readings.{index}.{refusal.reasons[0].field}".rstrip(".")
        raise type(refusal)(refusal.detail, code=refusal.code, field=field) from refusal
    told = {} if guard == "off" or judgement.margin is None else {"guard": guard}
    return judgement.as_json() | told | ({} if known is None else {"uncertainty": f"{known:f} {unit}"})


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


def _refuse_wrong_subject(subject: Subject, spec: ControlPointSpec) -> None:
    batch, part, lot = subject.batch, subject.part, subject.lot
    if not spec.limits:
        raise RuleBroken(
            f"{spec.code} has no limit to check.", code="nothing-to-check", field="control_point"
        )
    if batch is None and lot is None:
        raise Unusable("Name the batch or the lot that was checked.", code="missing", field="batch")
    if part is not None and (batch is None or part.batch_id != batch.pk):
        raise Unknown(f"There is no such part of the batch: {part.pk}.", field="part")
    if batch is not None and lot is not None and lot.batch_id != batch.pk:
        raise Unknown(f"Lot {lot.code} did not come out of batch {batch.code}.", field="lot")
    if spec.instrument and subject.instrument is None:
        raise Unusable(f"Name the instrument: {spec.instrument}.", code="missing", field="instrument")


def _refuse_other_run(check: Check, batch: Batch, point: ControlPoint) -> None:
    if batch.plan_version_id != point.version_id:
        raise OtherPlanVersion(
            f"{point.code} is of another plan version than batch {batch.code} was started under.",
            field="control_point",
        )
    if check.performed_at < batch.state.started_at:
        raise OutsideTheRun(
            f"Batch {batch.code} began after that; correct the time, or the start of the batch.",
            field="performed_at",
        )


def _refuse_superseded(check: Check, point: ControlPoint) -> None:
    """A lot is checked by the version that was in force at the time of the check."""
    newer = PlanVersion.objects.filter(
        plan__versions=point.version_id,
        number__gt=PlanVersion.objects.filter(pk=point.version_id).values("number"),
        performed_at__lte=check.performed_at,
    )
    if newer.exists():
        raise OtherPlanVersion(
            f"{point.code} is of a plan version that was superseded by then.", field="control_point"
        )


def _flags(check: Check, subject: Subject, spec: ControlPointSpec, taken: Sequence[Taken]) -> set[str]:
    found = {*run_flags(check), *transcribing.flags(check)}
    if not _asked_for(subject, spec):
        found.add(OTHER_PRODUCT)
    used = [each.instrument for each in taken if each.instrument] + [subject.instrument]
    if spec.instrument and any(each is not None and each.kind != spec.instrument for each in used):
        found.add(OTHER_INSTRUMENT)
    if any(each.instrument and instruments.outside_range(each.instrument, each.reading) for each in taken):
        found.add(OUTSIDE_INSTRUMENT)
    if subject.instrument is not None:
        read = [each.reading for each in taken if each.series is None]
        zone = check.establishment.zone
        found.update(instruments.shortcomings(subject.instrument, read, check.performed_at, zone))
    for each in taken:
        if each.series is not None and each.instrument is not None:
            span = each.series.began_at, each.series.ended_at
            found |= instruments.shortcomings_over(each.instrument, each.reading, span)
    return found


def run_flags(check: Check) -> list[str]:
    """Whether a check lies before or after its batch's run, by the times that stand now; [] where it lies in it.

    The check keeps the flags of the day it was recorded on, so this is asked anew by whoever shows it.
    """
    if check.batch is None:
        return []
    run = check.batch.state
    waits = partial(_patience_at, check.control_point)
    return flags_of_run(check.performed_at, run.started_at, run.ended_at, waits)


def _patience_at(point: ControlPoint) -> timedelta:
    return patience(plans.spec(point))


def flags_of_run(
    at: datetime, begun: datetime, ended: datetime | None, waits: Callable[[], timedelta]
) -> list[str]:
    """The same of a time; ``waits``, how long the plan waits after the run, is asked only where it decides."""
    if at < begun:
        return [EARLY]
    if ended is None or at <= ended:
        return []
    return [LATE] if at > ended + waits() else []


def patience(spec: ControlPointSpec) -> timedelta:
    """How long after its time the plan still takes a check."""
    return timedelta(minutes=(spec.schedule.within_minutes or 0) if spec.schedule else 0)


def _asked_for(subject: Subject, spec: ControlPointSpec) -> bool:
    if subject.batch is not None:
        return subject.batch.recipe_version.material.code in spec.products
    assert subject.lot is not None
    return subject.lot.material.code in (*spec.products, *spec.materials)


def sentences(check: Check) -> list[str]:
    """What the person at the stove is told: one sentence a limit, and what was out of order."""
    return told(check.judgements, check.flags, bool(series_uses.gone(check)))


def told(judgements: Sequence[Mapping[str, Any]], flags: Sequence[str], series_gone: bool) -> list[str]:
    """The same of what a check keeps."""
    said: list[str] = [each["sentence"] for each in judgements]
    said += [each["warning"] for each in judgements if each.get("warning")]
    said += [SENTENCES[flag] for flag in flags]
    return said + ([GONE] if series_gone else [])
