"""Where a recall stands: the clock, who was told and who answered, what came back, and what is missing. Reads only.

Asked of a time, it tells what was known then; so a report of last week says today what it said last week, but for
records that came late.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from math import ceil
from typing import Any
from uuid import UUID

from django.utils import timezone

from haccp.models import Level, Recall, RecallAnswer, RecallNotice, RecallScope, RecallStrategy
from haccp.recalls.answering import AMOUNTS, SENTENCES, Odd, base
from haccp.recalls.scoping import in_scope

SHARES = {Level.A: 100, Level.C: 10, Level.D: 2, Level.E: 0}
"""Per cent of consignees that are asked whether they acted: 21 CFR 7.42(b)(3) (from memory). B is set case by case."""


@dataclass(frozen=True)
class Clock:
    """When each thing first or last happened; None: not yet."""

    determined: datetime
    decided: datetime
    scoped: datetime | None
    first_told: datetime | None
    last_answered: datetime | None
    ended: datetime | None

    def since_decision(self, at: datetime | None) -> timedelta | None:
        return None if at is None else at - self.decided


@dataclass(frozen=True)
class Consignee:
    """One who got some of it. Amounts in base steps by unit; ``answered`` sums their latest answer of each lot."""

    partner: UUID
    name: str
    shipped: Mapping[str, int]
    returned: Mapping[str, int]
    told: datetime | None
    told_by: tuple[str, ...]
    waiting: bool  # an e-mail that is not sent yet
    answered: datetime | None
    said: Mapping[str, Mapping[str, int]]
    flags: tuple[str, ...]


@dataclass(frozen=True)
class Status:
    """``needed``: how many consignees the level asks for; ``answered``: how many did. ``shipped`` and ``recovered``: base
    steps by unit; recovered is what came back here and what they say they destroyed."""

    recall: Recall
    strategy: RecallStrategy
    scope: RecallScope | None
    at: datetime
    clock: Clock
    consignees: tuple[Consignee, ...]
    others: tuple[Consignee, ...]
    percent: int
    needed: int
    shipped: Mapping[str, int]
    recovered: Mapping[str, int]
    gaps: tuple[str, ...]

    @property
    def answered(self) -> int:
        return sum(1 for each in self.consignees if each.answered)

    @property
    def told(self) -> int:
        return sum(1 for each in self.consignees if each.told)

    def found(self, unit: str) -> Fraction | None:
        """Which part of what was shipped is recovered; None where nothing was shipped."""
        shipped = self.shipped.get(unit, 0)
        return Fraction(self.recovered.get(unit, 0), shipped) if shipped else None


def status(recall: Recall, at: datetime | None = None) -> Status:
    """As of a time, now if left out. Eight statements, however many consignees."""
    at = at or timezone.now()
    scope = recall.scopes.filter(recorded_at__lte=at).order_by("number").last()
    strategy = recall.strategies.filter(recorded_at__lte=at).order_by("recorded_at", "id").last()
    strategy = strategy or recall.strategies.order_by("recorded_at", "id").first()
    assert strategy is not None  # decided with one
    notices = list(
        recall.notices.filter(recorded_at__lte=at).select_related("mail").order_by("performed_at", "id")
    )
    answers = list(
        recall.answers.standing()
        .filter(recorded_at__lte=at)
        .select_related("partner")
        .order_by("performed_at", "id")
    )
    people = _consignees(scope, notices, answers)
    in_it = tuple(each for each in people if each.shipped or each.returned)
    others = tuple(each for each in people if not each.shipped and not each.returned)
    percent = strategy.percent if strategy.percent is not None else SHARES[Level(strategy.level)]
    shipped, recovered = _sums(in_it)
    clock = _clock(recall, scope, notices, answers, at)
    needed = ceil(Fraction(percent * len(in_it), 100))
    return Status(
        recall=recall,
        strategy=strategy,
        scope=scope,
        at=at,
        clock=clock,
        consignees=in_it,
        others=others,
        percent=percent,
        needed=needed,
        shipped=shipped,
        recovered=recovered,
        gaps=tuple(_gaps(scope, in_it, others, needed)),
    )


def _clock(
    recall: Recall,
    scope: RecallScope | None,
    notices: Sequence[RecallNotice],
    answers: Sequence[RecallAnswer],
    at: datetime,
) -> Clock:
    first = recall.scopes.filter(number=1).first() if scope else None
    told = [when for when in map(_told_at, notices) if when]
    end = getattr(recall, "end", None)
    return Clock(
        determined=recall.determined_at,
        decided=recall.performed_at,
        scoped=first.recorded_at if first else None,
        first_told=min(told, default=None),
        last_answered=max((each.performed_at for each in answers), default=None),
        ended=end.performed_at if end is not None and end.recorded_at <= at else None,
    )


def _told_at(notice: RecallNotice) -> datetime | None:
    """An e-mail tells when it is sent; that of an exercise without a mailbox tells nobody."""
    if notice.means != "e-mail":
        return notice.performed_at
    mail = getattr(notice, "mail", None)
    return mail.sent_at if mail else None


def _consignees(
    scope: RecallScope | None, notices: Sequence[RecallNotice], answers: Sequence[RecallAnswer]
) -> list[Consignee]:
    here = set() if scope is None else {each["lot"] for each in in_scope(scope)}
    rows = [] if scope is None else scope.consignees
    names = {row["partner"]: row["name"] for row in rows}
    names |= {
        str(each.partner_id): each.partner.name for each in answers if str(each.partner_id) not in names
    }
    lots = {row["partner"]: [got for got in row["lots"] if got["lot"] in here] for row in rows}
    told, said = defaultdict(list), defaultdict(list)
    for notice in notices:
        told[str(notice.partner_id)].append(notice)
    for answer in answers:
        said[str(answer.partner_id)].append(answer)
    return [
        _consignee(key, names[key], lots.get(key, []), told[key], said[key])
        for key in sorted(names, key=lambda key: (names[key], key))
    ]


def _consignee(
    key: str,
    name: str,
    lots: Sequence[Mapping[str, Any]],
    told: Sequence[RecallNotice],
    said: Sequence[RecallAnswer],
) -> Consignee:
    latest = {each["lot"]: each for answer in said for each in answer.lots}
    when = [at for at in map(_told_at, told) if at]
    return Consignee(
        partner=UUID(key),
        name=name,
        shipped=_by_unit(lots, "shipped"),
        returned=_by_unit(lots, "returned"),
        told=min(when, default=None),
        told_by=tuple(dict.fromkeys(each.means for each in told)),
        waiting=len(when) < len(told),
        answered=max((each.performed_at for each in said), default=None),
        said={amount: _by_unit(latest.values(), amount) for amount in AMOUNTS},
        flags=tuple(sorted({flag for each in said for flag in each.flags})),
    )


def _by_unit(rows: Iterable[Mapping[str, Any]], name: str) -> dict[str, int]:
    found: defaultdict[str, int] = defaultdict(int)
    for row in rows:
        if amount := base(row, name):
            found[row["unit"]] += amount
    return dict(found)


def _sums(consignees: Sequence[Consignee]) -> tuple[dict[str, int], dict[str, int]]:
    """Shipped, and recovered: what came back here by our own records, and what they destroyed."""
    shipped: defaultdict[str, int] = defaultdict(int)
    recovered: defaultdict[str, int] = defaultdict(int)
    for each in consignees:
        for unit, amount in each.shipped.items():
            shipped[unit] += amount
        for unit, amount in (*each.returned.items(), *each.said["destroyed"].items()):
            recovered[unit] += amount
    return dict(shipped), dict(recovered)


def _gaps(
    scope: RecallScope | None, consignees: Sequence[Consignee], others: Sequence[Consignee], needed: int
) -> Iterable[str]:
    if scope is None:
        yield "No scope is frozen yet."
        return
    for each in consignees:
        if each.waiting:
            yield f"An e-mail to {each.name} is not sent."
        if not each.told:
            yield f"{each.name} was not told."
        elif not each.answered:
            yield f"{each.name} has not answered."
    answered = sum(1 for each in consignees if each.answered)
    if answered < needed:
        yield f"{answered} of {needed} consignees that the effectiveness level asks for have answered."
    for each in (*consignees, *others):
        for flag in each.flags:
            yield f"{each.name}: {SENTENCES[Odd(flag)]}"
