"""Checks: a reading is judged and kept in one transaction; outside opens a deviation and holds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Q

from batches import lots as lot_deeds
from batches.locks import lock_material
from batches.models import Batch, Lot, Part
from config.api.constraints import refusal_of
from config.api.refusals import Refusal
from haccp import deviations, holds, instruments, judging, limits, moist_food, plans, rules, series_uses
from haccp.holds import Touched
from haccp.judging import SENTENCES, OtherPlanVersion, OutsideTheRun, Subject
from haccp.limits import Result
from haccp.models import Check, ControlKind, ControlPoint, Deviation, HoldSubject
from haccp.series import OutsideTheInstrument
from ledger.acts import Act
from ledger.deeds import deed

ASKED_BACK = (
    "A reading lies outside the range of {}. Look at the unit: was it read in another? Nothing was stored. If it is "
    "right, send it again with as_entered as true."
)


@deed
def record(
    *, act: Act, subject: Subject, said: Sequence[Mapping[str, Any]], as_entered: bool = True
) -> Check:
    """Judge readings and keep them; open a deviation and hold when one lies outside.

    ``said``: one reading for each limit of the control point, each with its own unit; kept as sent, judged in
    the limit's unit. Whether the batch was running is asked of the time of the work. A reading that its instrument
    cannot show is asked back unless it is said to be ``as_entered``; then it is stored and flagged. Raises Unusable,
    Unknown, OutsideTheRun, OtherPlanVersion, OutsideTheInstrument. Every refusal first asks whether this is a repeat
    of what is stored.
    """
    check = judging.shape(act, subject, said)
    try:
        judging.judge(check, subject, said, _in_force(act, subject))
        if _to_ask_back(check, as_entered):
            raise OutsideTheInstrument(ASKED_BACK.format(subject.instrument), field="readings")
    except Refusal:
        check.answer_if_repeated()
        raise
    if not _stands_alone(check):
        lock_material(act.establishment)
    check.insert()
    series_uses.keep([check])
    _follow(act, check)
    return check


@deed
def withdraw(*, act: Act) -> Check:
    """Say that the check ``act.corrects`` never happened: what it answered is due again. Raises RuleBroken.

    Its deviation and hold stay; released lots it spoke for await a decision again.
    """
    lock_material(act.establishment)
    check = Check.withdrawal(replace(act, withdraws=True))
    check.answer_if_repeated()
    check.insert()
    series_uses.keep([check])
    _reopen(act, check)
    return check


def _to_ask_back(check: Check, as_entered: bool) -> bool:
    """A reading in another unit looks like this; once it is said to be right it is a fact like any other."""
    return not as_entered and judging.OUTSIDE_INSTRUMENT in check.flags


def _stands_alone(check: Check) -> bool:
    """Within limits, correcting nothing, with no failed instrument: no lot's status follows from it, so no lock is
    needed (D15). One that was keyed in from a sheet waits its turn, so that a line keyed twice at once is seen."""
    plain = check.corrects_id is None and check.sheet_id is None
    return check.result == Result.WITHIN and plain and not _doubted(check)


def _doubted(check: Check) -> bool:
    return instruments.FAILED in check.flags


def _follow(act: Act, check: Check) -> None:
    if check.result == Result.UNDECIDED or check.corrects_id is not None:
        _reopen(act, check)
    if check.result == Result.OUTSIDE:
        _open(act, check)
    if _doubted(check):
        holds.reach(act=act)  # the open case of the failed verification reaches its lots too


def _reopen(act: Act, check: Check) -> None:
    """Released lots the check or the one it corrects speaks of await a decision again (decision D7)."""
    corrected: Any = check.corrects
    about = [check] if corrected is None else [check, corrected]
    batches = [each.batch_id for each in about if each.batch_id]
    named = [each.lot_id for each in about if each.lot_id]
    lots = Lot.objects.filter(Q(batch__in=batches) | Q(pk__in=named))
    lot_deeds.reopen(act=act, lots=lots, because=check)


def _open(act: Act, check: Check) -> None:
    """A deviation with hold in the same transaction. A prerequisite programme holds nothing.

    A failing check that corrects a failing one goes on under that one's case while it is open: what the new
    one touched is held there too.
    """
    point = check.control_point
    hold = _touched(check) if point.kind in (ControlKind.CCP, ControlKind.OPRP) else None
    before: Any = check.corrects
    case = deviations.case_of(before) if before and before.result == Result.OUTSIDE else None
    if case is not None and not deviations.is_closed(case):
        if hold is not None:
            holds.place(act=act.with_new_id(), deviation=case, touched=hold)
        return
    worst = next(each for each in check.judgements if each["result"] == Result.OUTSIDE)
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.LIMIT,
        subject=check.pk,
        slot=point.code,
        title=f"{point.code} {point.name}: {worst['sentence']}",
        because=check,
        hold=hold,
    )


def _touched(check: Check) -> Touched:
    if check.batch is None:
        assert check.lot is not None
        return Touched(HoldSubject.LOT, check.lot.uid)
    since = last_good(check.performed_at, check.control_point, check.batch, check.part)
    if check.part_id is not None:
        return Touched(HoldSubject.PART, check.part_id, since)
    return Touched(HoldSubject.BATCH, check.batch.uid, since)


def last_good(before: datetime, point: ControlPoint, batch: Batch, part: Part | None) -> datetime | None:
    """When the last standing check within limits of a series was made; None where there is none.

    Only in a series (several times a run) does a good check speak for what was made before it. A check made
    once speaks of the whole batch, so a failing one is not outweighed by an earlier good one.
    """
    schedule = plans.spec(point).schedule
    if schedule is None or not (schedule.every_minutes or len(schedule.at) > 1):
        return None
    good = Check.objects.standing().filter(
        control_point=point, batch=batch, part=part, result=Result.WITHIN, performed_at__lt=before
    )
    founded = series_uses.founded(good)
    return founded.order_by("-performed_at").values_list("performed_at", flat=True).first()


@dataclass(frozen=True)
class Wanted:
    """One check of a bulk post: who, on what, and what was read."""

    act: Act
    subject: Subject
    said: Sequence[Mapping[str, Any]]
    as_entered: bool = True


def record_many(wanted: Sequence[Wanted]) -> list[Check | Refusal]:
    """Record many checks; each answers for itself, and one refusal does not block the others (D21).

    Those within limits go in together, in a flat number of statements; one from which more follows is recorded
    by itself with its deviation and hold.
    """
    answers: dict[int, Check | Refusal] = {}
    together: dict[int, Check] = {}
    cache: dict[Any, Sequence[limits.Rule]] = {}
    for index, each in enumerate(wanted):
        try:
            check = judging.shape(each.act, each.subject, each.said)
            judging.judge(check, each.subject, each.said, _rules(cache, each))
        except Refusal:
            answers[index] = _alone(each)
            continue
        if _stands_alone(check) and not _to_ask_back(check, each.as_entered):
            together[index] = check
        else:
            answers[index] = _alone(each)
    try:
        with transaction.atomic():
            stored = Check.insert_many(list(together.values())) if together else []
            series_uses.keep(each for each in stored if isinstance(each, Check) and not each.repeated)
    except (
        Refusal,
        IntegrityError,
    ):  # the database refuses one, and with it this statement: so each by itself
        stored = [_alone(wanted[index]) for index in together]
    answers.update(zip(together, stored, strict=True))
    return [answers[index] for index in range(len(wanted))]


def _alone(each: Wanted) -> Check | Refusal:
    try:
        return record(act=each.act, subject=each.subject, said=each.said, as_entered=each.as_entered)
    except Refusal as refusal:
        return refusal
    except IntegrityError as error:
        if (known := refusal_of(error)) is None:
            raise
        return known


def _rules(cache: dict[Any, Sequence[limits.Rule]], each: Wanted) -> Sequence[limits.Rule]:
    version = each.subject.control_point.version_id
    key = (each.act.local_day, version, frozenset(each.subject.materials))
    if key not in cache:
        cache[key] = _in_force(each.act, each.subject)
    return cache[key]


def _in_force(act: Act, subject: Subject) -> Sequence[limits.Rule]:
    """The rules of the day of the work, each with its caution where it was written for other food."""
    found = rules.rules_in_force(act.establishment, act.local_day, subject.materials)
    return moist_food.cautioned(found, subject.control_point.version_id, subject.materials)


__all__ = [
    "SENTENCES",
    "OtherPlanVersion",
    "OutsideTheRun",
    "Subject",
    "Wanted",
    "last_good",
    "record",
    "record_many",
    "withdraw",
]
