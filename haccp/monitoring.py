"""What became of the checks that are due: which were made, which are still in time, which were missed."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any

from batches.models import Batch, Lot
from haccp import dues as due_checks
from haccp.dues import END, SAID, YOURS, Due
from haccp.limits import Result
from haccp.models import Check
from haccp.series_uses import founded

MOST_IN_A_ROW = 8
"""So many cases for one gap in a series; the last stands for the rest of the gap (a site setting, no source)."""


class State(StrEnum):
    MADE = "made"
    WAITING = "waiting"  # not due yet, or still in time
    MISSED = "missed"
    YOURS = "yours"  # the plan asks for it; no record tells when


@dataclass(frozen=True)
class Answered:
    """A due check and what became of it. ``case_slot``: the slot under which its case is opened, if missed."""

    due: Due
    state: State
    check: Check | None = None
    case_slot: str = ""

    @property
    def sentence(self) -> str:
        return YOURS if self.state is State.YOURS else ""


def of_batch(batch: Batch, now: datetime) -> list[Answered]:
    """Every check that the batch's plan version asks for so far, in the order they fall due."""
    dues = due_checks.of_batch(batch, now)
    elsewhere = _on_the_premises(batch, dues)
    return _answers(dues, _answering(batch=batch), now, elsewhere)


def of_receipt(lot: Lot, now: datetime) -> list[Answered]:
    """Every check that the plans in force ask for when this lot's material is received."""
    return _answers(due_checks.of_receipt(lot), _answering(lot=lot), now)


def _answering(**about: Any) -> list[Check]:
    return list(founded(Check.objects.standing().filter(**about)))


def _on_the_premises(batch: Batch, dues: Sequence[Due]) -> Sequence[Check]:
    """Checks on other batches and lots that may answer what is due once a shift or a day."""
    of_house = [due for due in dues if due.house]
    if not of_house:
        return []
    until = [due.missed_after for due in of_house]
    found = Check.objects.standing().filter(
        establishment=batch.establishment_id,
        control_point__code__in={due.spec.code for due in of_house},
        control_point__version__plan__versions=batch.plan_version_id,
        performed_at__gte=min(due.not_before for due in of_house if due.not_before),
    )
    if None not in until:
        found = found.filter(performed_at__lte=max(each for each in until if each))
    return list(founded(found.exclude(batch=batch)).select_related("control_point"))


# -- what became of it ------------------------------------------------------------------------------

Made = defaultdict[tuple[object, object], list[Check]]


def _answers(
    dues: Sequence[Due], checks: Sequence[Check], now: datetime, elsewhere: Sequence[Check] = ()
) -> list[Answered]:
    """``elsewhere``: checks of the premises, which answer only what is due once a shift or a day."""
    house: dict[object, Any] = {
        check.control_point_id: due_checks.house_series(check.control_point.code) for check in elsewhere
    }
    house |= {due.control_point.pk: due.series for due in dues if due.house}
    made: Made = defaultdict(list)
    for check in sorted((*checks, *elsewhere), key=lambda check: (check.performed_at, check.pk)):
        made[house.get(check.control_point_id, (check.control_point_id, check.part_id))].append(check)
    found = [_answered(due, made[due.series], now) for due in dues]
    return list(_with_cases(_better(each, made[each.due.series]) for each in found))


def _answered(due: Due, made: list[Check], now: datetime) -> Answered:
    """Take the first check that fits; each check answers one due check only."""
    if due.yours:
        return Answered(due, State.YOURS)
    for check in made:
        if _fits(check, due):
            made.remove(check)
            return Answered(due, State.MADE, check)
    missed = due.missed_after is not None and now > due.missed_after
    return Answered(due, State.MISSED if missed else State.WAITING)


def _better(answered: Answered, spare: list[Check]) -> Answered:
    """Of a check that was made again in time, the one within limits counts; the other keeps its own case."""
    if answered.check is None or answered.check.result == Result.WITHIN:
        return answered
    again = next((c for c in spare if c.result == Result.WITHIN and _fits(c, answered.due)), None)
    if again is None or again.performed_at < answered.check.performed_at:
        return answered
    spare.remove(again)
    return replace(answered, check=again)


def _with_cases(found: Iterable[Answered]) -> Iterator[Answered]:
    """Each missed check has a case of its own; but in a long gap of a series the last stands for the rest."""
    gaps: dict[tuple[object, object], list[str]] = defaultdict(list)
    for each in found:
        gap = gaps[each.due.series]
        if each.due.number and each.state is not State.MISSED:
            gap.clear()
        if each.state is not State.MISSED:
            yield each
        elif each.due.number and len(gap) >= MOST_IN_A_ROW:
            yield replace(each, case_slot=gap[-1])
        else:
            if each.due.number:
                gap.append(each.due.slot)
            yield replace(each, case_slot=each.due.slot)


def _fits(check: Check, due: Due) -> bool:
    said = check.occasion if check.occasion in SAID else ""
    if said and said != due.asks:
        return False
    if due.not_before is not None and check.performed_at < due.not_before:
        return False
    in_time = due.missed_after is None or check.performed_at <= due.missed_after
    return in_time and (due.asks != END or _is_end_check(check, due))


def _is_end_check(check: Check, due: Due) -> bool:
    """Said to be the end's, or made no earlier than a patience before the end."""
    if check.occasion == END:
        return True
    if due.due_at is None or due.missed_after is None:
        return False
    return check.performed_at >= due.due_at - (due.missed_after - due.due_at)


def missed(found: Iterable[Answered]) -> list[Due]:
    """The missed checks that ask for a case of their own."""
    return [each.due for each in found if each.case_slot and each.case_slot == each.due.slot]
