"""Where a recall stands: the clock, who was told and who answered, what came back, and what is missing. Reads only.

Asked of a time, it tells what had been recorded by then; so a report of last week says today what it said last week.
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
from django.utils.translation import gettext as _

from batches.models import TradingPartner, WebOrder
from haccp.models import Depth, Level, Means, Recall, RecallAnswer, RecallNotice, RecallScope, RecallStrategy
from haccp.recalls.answering import AMOUNTS, SENTENCES, Odd, base
from haccp.recalls.consignees import (
    UNITS,
    Got,
    Received,
    SoldAt,
    SoldThere,
    key_of,
    name_of,
    sold_at,
    who_got,
)
from haccp.recalls.scoping import beyond, in_scope, latest

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
    """One who got some of it, or was told or answered without. Amounts in base steps by unit; ``said``: what they said
    last of each lot in scope. ``silent_of``: lots they got and have not answered for. ``order``: the web order of a buyer,
    who has no partner."""

    partner: UUID | None
    order: UUID | None
    name: str
    got: tuple[Got, ...]
    shipped: Mapping[str, int]
    returned: Mapping[str, int]
    told: datetime | None
    told_by: tuple[str, ...]
    waiting: bool  # an e-mail that is not sent yet
    answered: datetime | None
    silent_of: tuple[str, ...]
    said: Mapping[str, Mapping[str, int]]
    flags: tuple[str, ...]


@dataclass(frozen=True)
class Status:
    """``needed``: how many consignees the level asks for; ``answered``: how many did. ``shipped`` and ``recovered``: base
    steps by unit; recovered is what came back here and what they say they destroyed.

    ``outlets``: where buyers got some whom nobody names. They are no consignees: nobody can ask them, so they count neither
    in ``needed`` nor as not reached; ``published`` says when they were told, by public notice."""

    recall: Recall
    strategy: RecallStrategy
    scope: RecallScope | None
    at: datetime
    clock: Clock
    consignees: tuple[Consignee, ...]
    others: tuple[Consignee, ...]
    outlets: tuple[SoldAt, ...]
    published: datetime | None
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

    @property
    def unnamed(self) -> str:
        """What it means that buyers are not named; empty where there are none."""
        where = [each.outlet.name for each in self.outlets if each.reached_buyers]
        if not where:
            return ""
        return _(
            "Buyers at %(where)s are not named. They are no consignees, count in no effectiveness check, and are told by a "
            "public notice."
        ) % {"where": ", ".join(where)}

    def found(self, unit: str) -> Fraction | None:
        """Which part of what was shipped is recovered; None where nothing was shipped."""
        shipped = self.shipped.get(unit, 0)
        return Fraction(self.recovered.get(unit, 0), shipped) if shipped else None


def status(recall: Recall, at: datetime | None = None) -> Status:
    """As it was known at a time, now if left out. A flat number of statements, however many consignees."""
    now = at is None
    at = at or timezone.now()
    scope = latest(recall, at)
    strategy = recall.strategies.filter(recorded_at__lte=at).order_by("recorded_at", "id").last()
    strategy = strategy or recall.strategies.order_by("recorded_at", "id").first()
    assert strategy is not None  # decided with one
    known = recall.answers.filter(recorded_at__lte=at, withdrawn=False).exclude(
        corrected_by__recorded_at__lte=at
    )
    answers = list(known.select_related("partner", "order__outlet").order_by("performed_at", "id"))
    notices = list(
        recall.notices.filter(recorded_at__lte=at)
        .select_related("mail", "partner", "order__outlet")
        .prefetch_related("publications__corrected_by")
        .order_by("performed_at", "id")
    )
    told = {notice.pk: _told_at(notice, at) for notice in notices}
    lots = [] if scope is None else [each["lot"] for each in in_scope(scope, at)]
    got = who_got(recall.establishment, lots, at) if lots else []
    sold = sold_at(recall.establishment, lots, got, at) if lots else []
    named = [each for each in got if each.is_named]
    people = _consignees(named, set(lots), notices, told, answers)
    in_it, others = [each for each in people if each.got], [each for each in people if not each.got]
    percent = strategy.percent if strategy.percent is not None else SHARES[Level(strategy.level)]
    shipped, recovered = _sums(in_it, sold)
    needed = ceil(Fraction(percent * len(in_it), 100))
    public = [
        each for each in notices if each.means == Means.PUBLIC and (told[each.pk] or recall.is_exercise)
    ]
    gaps = [
        *_scope_gaps(scope, named, sold, now),
        *_gaps(in_it, others, needed),
        *_public_gaps(sold, public, strategy),
    ]
    return Status(
        recall=recall,
        strategy=strategy,
        scope=scope,
        at=at,
        clock=_clock(recall, scope, told.values(), answers, at),
        consignees=tuple(in_it),
        others=tuple(others),
        outlets=tuple(sold),
        published=min((when for each in public if (when := told[each.pk])), default=None),
        percent=percent,
        needed=needed,
        shipped=shipped,
        recovered=recovered,
        gaps=tuple(gaps),
    )


def _clock(
    recall: Recall,
    scope: RecallScope | None,
    told: Iterable[datetime | None],
    answers: Sequence[RecallAnswer],
    at: datetime,
) -> Clock:
    first = recall.scopes.filter(number=1).first() if scope else None
    end = getattr(recall, "end", None)
    return Clock(
        determined=recall.determined_at,
        decided=recall.performed_at,
        scoped=first.recorded_at if first else None,
        first_told=min((when for when in told if when), default=None),
        last_answered=max((each.performed_at for each in answers), default=None),
        ended=end.performed_at if end is not None and end.recorded_at <= at else None,
    )


def _told_at(notice: RecallNotice, at: datetime) -> datetime | None:
    """When somebody was told, by a time. An e-mail tells when it is sent, a public notice when it is published; an e-mail of
    an exercise tells the house itself."""
    if notice.means == Means.PUBLIC:
        return min((each.performed_at for each in _publications(notice, at)), default=None)
    mail = getattr(notice, "mail", None)
    when = notice.performed_at if notice.means != Means.E_MAIL else mail.sent_at if mail else None
    return when if when is not None and when <= at else None


def _publications(notice: RecallNotice, at: datetime) -> Iterable[Any]:
    """Those that stood by then."""
    for each in notice.publications.all():
        later = getattr(each, "corrected_by", None)
        if each.recorded_at <= at and (later is None or later.recorded_at > at):
            yield each


Key = tuple[UUID, UUID | None]
Who = tuple[TradingPartner, WebOrder | None]


def _consignees(
    got: Sequence[Received],
    lots: set[str],
    notices: Sequence[RecallNotice],
    told: Mapping[UUID, datetime | None],
    answers: Sequence[RecallAnswer],
) -> list[Consignee]:
    """Who got some of it, and who was told or answered without; by name."""
    rows = {each.key: each.got for each in got}
    people: dict[Key, Who] = {each.key: (each.partner, each.order) for each in got}
    heard: defaultdict[Key, list[tuple[RecallNotice, datetime | None]]] = defaultdict(list)
    said: defaultdict[Key, list[RecallAnswer]] = defaultdict(list)
    for notice in notices:
        if (who := _who(notice)) is not None:
            people[key_of(*who)] = who
            heard[key_of(*who)].append((notice, told[notice.pk]))
    for answer in answers:
        if (who := _who(answer)) is not None:
            people[key_of(*who)] = who
            said[key_of(*who)].append(answer)
    in_order = sorted(people.items(), key=lambda pair: (name_of(*pair[1]), pair[1][0].code))
    return [
        _consignee(partner, order, rows.get(key, ()), lots, heard[key], said[key])
        for key, (partner, order) in in_order
    ]


def _who(said: RecallNotice | RecallAnswer) -> Who | None:
    """Of a notice or an answer; a public notice names nobody."""
    partner = said.order.outlet if said.order else said.partner
    return None if partner is None else (partner, said.order)


def _consignee(
    partner: TradingPartner,
    order: WebOrder | None,
    got: Sequence[Got],
    lots: set[str],
    notices: Sequence[tuple[RecallNotice, datetime | None]],
    answers: Sequence[RecallAnswer],
) -> Consignee:
    latest_said: defaultdict[str, dict[str, Any]] = defaultdict(
        dict
    )  # what was said last of each amount of each lot
    for answer in answers:
        for each in answer.lots:
            latest_said[each["lot"]] |= each
    of_it = [each for lot, each in latest_said.items() if lot in lots]
    when = [at for _, at in notices if at]
    return Consignee(
        partner=None if order else partner.pk,
        order=order.pk if order else None,
        name=name_of(partner, order),
        got=tuple(got),
        shipped=_by_unit([each.as_row() for each in got], "shipped"),
        returned=_by_unit([each.as_row() for each in got], "returned"),
        told=min(when, default=None),
        told_by=tuple(dict.fromkeys(notice.means for notice, _ in notices)),
        waiting=any(notice.means == Means.E_MAIL and at is None for notice, at in notices),
        answered=max((each.performed_at for each in answers), default=None),
        silent_of=tuple(each.code for each in got if str(each.lot) not in latest_said) if answers else (),
        said={amount: _by_unit(of_it, amount) for amount in AMOUNTS},
        flags=tuple(sorted({flag for each in answers for flag in each.flags})),
    )


def _by_unit(rows: Iterable[Mapping[str, Any]], name: str) -> dict[str, int]:
    found: defaultdict[str, int] = defaultdict(int)
    for row in rows:
        if amount := base(row, name):
            found[row["unit"]] += amount
    return dict(found)


def _sums(
    consignees: Sequence[Consignee], outlets: Sequence[SoldAt]
) -> tuple[dict[str, int], dict[str, int]]:
    """Shipped, and recovered: what came back here by our own records, and what was destroyed there."""
    shipped: defaultdict[str, int] = defaultdict(int)
    recovered: defaultdict[str, int] = defaultdict(int)
    for each in consignees:
        for unit, amount in each.shipped.items():
            shipped[unit] += amount
        for unit, amount in (*each.returned.items(), *each.said["destroyed"].items()):
            recovered[unit] += amount
    for row in (row for outlet in outlets for row in outlet.lots):
        unit = UNITS[row.dimension][0]
        shipped[unit] += row.taken
        recovered[unit] += row.brought_back + row.destroyed
    return dict(shipped), {unit: amount for unit, amount in recovered.items() if amount}


def _public_gaps(
    outlets: Sequence[SoldAt], public: Sequence[RecallNotice], strategy: RecallStrategy
) -> Iterable[str]:
    """What buyers nobody names do not know yet. ``public``: the notices that were published, or written for an exercise."""
    named = {uid for notice in public for uid in notice.lots}
    for each in outlets:
        codes = [row.code for row in each.lots if row.with_buyers and str(row.lot) not in named]
        if codes:
            yield _(
                "Buyers at %(where)s may have some of lot %(lots)s, and no public notice tells them: publish one."
            ) % {"where": each.outlet.name, "lots": ", ".join(codes)}
    if strategy.depth != Depth.CONSUMER and any(each.reached_buyers for each in outlets):
        yield _(
            "Buyers may have some of it, and the strategy does not go to whoever bought it: decide whether it has to."
        )


def _scope_gaps(
    scope: RecallScope | None, got: Sequence[Received], sold: Sequence[SoldAt], now: bool
) -> Iterable[str]:
    """What the scope does not hold that is known by now, and what may still come."""
    if scope is None:
        yield _("No scope is frozen yet.")
        return
    frozen = {(row["partner"], row["order"], each["lot"]) for row in scope.consignees for each in row["lots"]}
    frozen |= {(row["partner"], "", each["lot"]) for row in scope.outlets for each in row["lots"]}
    had: list[tuple[str, str, str, Sequence[Got | SoldThere]]] = [
        (each.name, str(each.partner.pk), str(each.order.pk) if each.order else "", each.got) for each in got
    ]
    had += [(each.outlet.name, str(each.outlet.pk), "", each.lots) for each in sold]
    for name, partner, order, all_of_it in had:
        codes = [each.code for each in all_of_it if (partner, order, str(each.lot)) not in frozen]
        if codes:
            yield _(
                "%(name)s got some of lot %(lots)s by what was recorded after scope %(scope)d was frozen: freeze it anew, "
                "and tell them."
            ) % {"name": name, "lots": ", ".join(codes), "scope": scope.number}
    if now and (more := beyond(scope)):
        yield _(
            "Lot %(lots)s is made of what is in scope %(scope)d, or may be, and is not in it: freeze it anew."
        ) % {"lots": ", ".join(more), "scope": scope.number}
    yield from (went_into(scope, each) for each in scope.in_batches)


def went_into(scope: RecallScope, each: Mapping[str, Any]) -> str:
    """Of a row of its ``in_batches``: how much was in a batch that had made nothing."""
    return _(
        "%(quantity)s %(unit)s went into batch %(batch)s, which had made nothing when scope %(scope)d was frozen."
    ) % {**each, "scope": scope.number}


def _gaps(consignees: Sequence[Consignee], others: Sequence[Consignee], needed: int) -> Iterable[str]:
    for each in consignees:
        if each.waiting:
            yield _("An e-mail to %s is not sent.") % each.name
        if not each.told:
            yield _("%s was not told.") % each.name
        elif not each.answered:
            yield _("%s has not answered.") % each.name
        if each.silent_of:
            yield _("%(name)s has not answered for lot %(lots)s.") % {
                "name": each.name,
                "lots": ", ".join(each.silent_of),
            }
    answered = sum(1 for each in consignees if each.answered)
    if answered < needed:
        yield _(
            "%(answered)d of %(needed)d consignees that the effectiveness level asks for have answered."
        ) % {"answered": answered, "needed": needed}
    for each in (*consignees, *others):
        for flag in each.flags:
            yield f"{each.name}: {_(SENTENCES[Odd(flag)])}"
