"""Reliefs of law as a food-safety lead records them: signed, with basis and days, never for days that have passed.

On the first day after one it is strict again, without anybody doing anything; the leads are told before. What it eases is
asked of the day each thing was done on.
"""

import logging
from collections.abc import Iterable, Iterator
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone

from batches.locks import lock_material
from config.api.refusals import NotAllowed, RuleBroken, Unusable
from haccp import notices
from haccp.compliance import known
from haccp.models import ComplianceRelief
from ledger import people, signatures
from ledger.acts import Act, Moment
from ledger.deeds import deed
from ledger.models import Entry, Establishment, Role

log = logging.getLogger(__name__)
TOLD_BEFORE = (60, 14)  # days before the end, the first time and again: a site setting, no source
TOLD_AFTER = 7  # days for which a machine that stood still tells that it ended: a site setting, no source


@deed
def record(
    *,
    act: Act,
    proof: signatures.Proof,
    relief: str,
    basis: str,
    evidence: str,
    from_day: date,
    until_day: date,
) -> ComplianceRelief:
    """A qualified food-safety lead records a relief, signed. ``until_day``: the first day it no longer holds.

    A correction only ends it earlier. Raises Unusable, NotAllowed, RuleBroken; then nothing was written.
    """
    law = known.relief(relief)
    lock_material(act.establishment)
    made = ComplianceRelief.new(
        act,
        relief=relief,
        basis=basis.strip(),
        evidence=evidence.strip(),
        from_day=from_day,
        until_day=until_day,
    )
    made.answer_if_repeated()
    _refuse_unqualified(act, "records a relief")
    known.refuse_foreign(law, act.establishment.country)
    _refuse_unfounded(made)
    _refuse_days(made, law)
    if made.corrects is None:
        _refuse_past(made, act)
        _refuse_overlap(made)
    else:
        _refuse_longer(made)
    made.insert()
    _sign(act, proof, made)
    return made


@deed
def withdraw(*, act: Act, proof: signatures.Proof) -> ComplianceRelief:
    """It never held: what it eased is asked again for all of its days. Raises RuleBroken, NotAllowed."""
    gone = ComplianceRelief.withdrawal(act)
    gone.answer_if_repeated()
    _refuse_unqualified(act, "withdraws a relief")
    gone.insert()
    _sign(act, proof, gone)
    return gone


def _sign(act: Act, proof: signatures.Proof, made: ComplianceRelief) -> None:
    target = Entry.objects.get(pk=made.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=target, meaning="decided")


# -- what stands in the way ----------------------------------------------------------------------------


def _refuse_unqualified(act: Act, does: str) -> None:
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, does)
    if day := people.day_unqualified(act):
        raise NotAllowed(
            f"{act.performed_by.name} has no qualification that covers hazard plans and holds on {day}. "
            "Nothing was written."
        )


def _refuse_unfounded(made: ComplianceRelief) -> None:
    for field, word in (("basis", "on what basis"), ("evidence", "what shows it")):
        if not getattr(made, field):
            raise Unusable(f"Say {word}.", code="missing", field=field)


def _refuse_days(made: ComplianceRelief, law: known.Relief) -> None:
    if made.until_day <= made.from_day:
        raise Unusable("A relief ends after it begins.", field="until_day")
    if made.until_day - made.from_day > timedelta(days=law.longest_days):
        raise Unusable(
            f"{law.name} is recorded for {law.longest_days} days at most, then anew with a fresh look at its basis.",
            code="too-long",
            field="until_day",
        )


def _refuse_past(made: ComplianceRelief, act: Act) -> None:
    """Nobody eases what was asked of days that have passed."""
    first = max(act.local_day, Moment.now(act.establishment).local.date())
    if made.from_day < first:
        raise RuleBroken(
            f"A relief holds from the day it is recorded on at the earliest, which is {first}: what was asked before was asked. "
            "Nothing was written.",
            code="begins-in-the-past",
            field="from_day",
        )


def _refuse_overlap(made: ComplianceRelief) -> None:
    rows = ComplianceRelief.objects.of(made.establishment).standing().filter(relief=made.relief)
    other = rows.filter(from_day__lt=made.until_day, until_day__gt=made.from_day).first()
    if other is not None:
        raise RuleBroken(
            f"The same relief stands from {other.from_day} until {other.until_day}: begin on that day, or end that one earlier "
            "by a correction. Nothing was written.",
            code="overlaps",
            field="from_day",
        )


def _refuse_longer(made: ComplianceRelief) -> None:
    before: Any = made.corrects
    same = (made.relief, made.from_day) == (before.relief, before.from_day)
    if not same or made.until_day >= before.until_day:
        raise RuleBroken(
            "A correction of a relief ends it earlier and changes neither which it is nor when it began. Record another one, or "
            "withdraw this one if it never held. Nothing was written.",
            code="only-ends-earlier",
            field="until_day",
        )


# -- which hold ------------------------------------------------------------------------------------------


def of_house(establishment: Establishment) -> QuerySet[ComplianceRelief]:
    """Those that stand and are of the law of where the house is, whatever their days."""
    codes = [each.code for each in known.of(establishment.country)]
    rows: QuerySet[ComplianceRelief] = ComplianceRelief.objects.of(establishment).standing()
    return rows.filter(relief__in=codes).order_by("from_day", "id")


def holding(establishment: Establishment, on: date) -> QuerySet[ComplianceRelief]:
    return of_house(establishment).filter(from_day__lte=on, until_day__gt=on)


def codes_on(establishment: Establishment, days: Iterable[date]) -> frozenset[str]:
    """Codes of those that hold on every one of these days."""
    each_day = [frozenset(holding(establishment, day).values_list("relief", flat=True)) for day in set(days)]
    return frozenset.intersection(*each_day)


def spans(establishment: Establishment, part: str) -> Iterator[tuple[datetime, datetime]]:
    """From when until when a part is eased, as instants by the establishment's days; the end is not in it."""
    for each in of_house(establishment):
        if part in known.relief(each.relief).eases:
            yield _begin(establishment, each.from_day), _begin(establishment, each.until_day)


def _begin(establishment: Establishment, day: date) -> datetime:
    return datetime.combine(day, time.min, establishment.zone)


# -- told before -----------------------------------------------------------------------------------------


def sweep(now: datetime | None = None) -> int:
    """Leave word of each relief that ends soon or has ended and is not followed by the same; how many words were new."""
    at, told = now or timezone.now(), 0
    for establishment in Establishment.objects.filter(
        pk__in=ComplianceRelief.objects.values("establishment")
    ):
        try:
            told += _tell(establishment, at.astimezone(establishment.zone).date())
        except Exception:  # one establishment must not keep the others from being told
            log.exception("the reliefs of %s could not be looked at", establishment.pk)
    return told


def _tell(establishment: Establishment, today: date) -> int:
    rows = list(of_house(establishment))
    ending = [each for each in rows if -TOLD_AFTER <= days_left(each, today) <= max(TOLD_BEFORE)]
    return sum(
        notices.leave_word_of_relief(each, slot(each, today)) for each in ending if not _goes_on(each, rows)
    )


def days_left(relief: ComplianceRelief, today: date) -> int:
    return (relief.until_day - today).days


def slot(relief: ComplianceRelief, today: date) -> str:
    """One word for each mark of time that was passed."""
    left = days_left(relief, today)
    mark = "over" if left <= 0 else f"{min(each for each in TOLD_BEFORE if left <= each)} d"
    return f"{relief.until_day}, {mark}"


def _goes_on(relief: ComplianceRelief, rows: Iterable[ComplianceRelief]) -> bool:
    return any(
        each.relief == relief.relief and each.from_day <= relief.until_day < each.until_day for each in rows
    )
