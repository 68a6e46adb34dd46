"""Where a recall or trace exercise stood at a time, or how it ended, as a document. An exercise says so on every page.

Asked of a time, it holds what had been recorded by then. Contacts of partners stay in the house.
"""

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any, ClassVar
from uuid import UUID

from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from batches import quantities
from batches.outlet_sums import Visit
from config.api.refusals import Unknown
from haccp.models import Level, Recall, RecallAnswer, RecallExclusion, RecallScope, RecallStrategy
from haccp.recalls.answering import AMOUNTS, SENTENCES, Odd, base
from haccp.recalls.consignees import SoldAt, SoldThere
from haccp.recalls.scoping import left_out as let_go_of
from haccp.recalls.status import Consignee, Status, status, went_into
from ledger.models import Establishment, Record, Signature
from reports import amounts, left_out, recall_report_rows, tables
from reports.api.recall_reports import RecallReportSerializer
from reports.documents import Column, RecordLine, SignatureLine
from reports.left_out import Included, LeavesOut
from reports.listing import spoken
from reports.recall_report_rows import (
    ANSWERS,
    CONSIGNEES,
    LET_GO,
    LOTS,
    NOTICES,
    OUTLETS,
    SCOPES,
    STRATEGIES,
    AnswerLine,
    ConsigneeLine,
    LetGoLine,
    NoticeLine,
    OutletLine,
    Recovered,
    ScopeLine,
    ScopeLot,
    StrategyLine,
)
from reports.signed import signatures_on

FORMS = tables.FORMS
CAME = ("received", "made", "returned")
WENT = ("on_hand", "used", "shipped", "sent_back", "destroyed", "sampled")
"""Accounted for is what is told of by these, of what came: common practice in trace exercises (read in secondary texts)."""


@dataclass(frozen=True, kw_only=True)
class RecallReport(LeavesOut):
    """``what``: which report it is, in words. ``at``: what had been recorded by then is in it. ``found``: of all lots, by
    dimension. ``accounted`` and ``recovered`` are per cent rounded down: never more than was found."""

    kind: ClassVar[str] = "recall-report"
    template: ClassVar[str] = "reports/recall_report.html"
    marks_late: ClassVar[bool] = True
    shows_limits: ClassVar[bool] = False
    strategy_columns: ClassVar[tuple[Column, ...]] = STRATEGIES
    scope_columns: ClassVar[tuple[Column, ...]] = SCOPES
    lot_columns: ClassVar[tuple[Column, ...]] = LOTS
    let_go_columns: ClassVar[tuple[Column, ...]] = LET_GO
    consignee_columns: ClassVar[tuple[Column, ...]] = CONSIGNEES
    outlet_columns: ClassVar[tuple[Column, ...]] = OUTLETS
    notice_columns: ClassVar[tuple[Column, ...]] = NOTICES
    answer_columns: ClassVar[tuple[Column, ...]] = ANSWERS

    code: str
    what: str
    is_exercise: bool
    hazard: str
    because: str
    decided_by: str
    at: datetime
    clock: tuple[tuple[str, datetime | None, timedelta | None], ...]
    strategies: tuple[StrategyLine, ...]
    scopes: tuple[ScopeLine, ...]
    lots: tuple[ScopeLot, ...]
    accounted: tuple[tuple[str, Decimal], ...]
    let_go: tuple[LetGoLine, ...]
    consignees: tuple[ConsigneeLine, ...]
    others: tuple[ConsigneeLine, ...]
    outlets: tuple[OutletLine, ...]
    unnamed: str
    level: str
    percent: int
    consignee_count: int
    needed: int
    told: int
    answered: int
    recovered: tuple[Recovered, ...]
    notices: tuple[NoticeLine, ...]
    answers: tuple[AnswerLine, ...]
    ended: str
    gaps: tuple[str, ...]
    record_ids: tuple[UUID, ...]

    def data_tables(self) -> tuple[tables.Table, ...]:
        return recall_report_rows.tables_of(self)

    @property
    def watermark(self) -> str:
        return _("EXERCISE") if self.is_exercise else ""


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a recall of another establishment, or one that was not decided on by the time asked for."""
    at, recall = _at(about), _recall(establishment, subject)
    if at is not None and at < recall.recorded_at:
        raise Unknown(f"{recall.code} had not been decided on by then.", field="report.at")


def _recall(here: Establishment, subject: UUID) -> Recall:
    rows = Recall.objects.select_related(*RecordLine.FROM_RECORD[:3])
    found = rows.filter(establishment=here, pk=subject).first()
    if found is None:
        raise Unknown(f"There is no recall {subject} here.", field="subject")
    return found


def _at(about: dict[str, Any]) -> datetime | None:
    reader = RecallReportSerializer(data=left_out.asked(about))
    reader.is_valid(raise_exception=True)
    at: datetime | None = reader.validated_data.get("at")
    return None if at is None else min(at, timezone.now())


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> RecallReport:
    """Read the recall as it was known at a time, now if none was said; call it within one snapshot."""
    recall = _recall(here, subject)
    found = status(recall, _at(about))
    read = _Read(recall, found)
    signatures = read.signatures()
    outside = left_out.for_outside(about)
    words = left_out.words(here, [recall.pk]) if outside else []
    bare = outside and not words
    return RecallReport(
        code=recall.code,
        what=_what(found),
        is_exercise=recall.is_exercise,
        hazard=spoken(recall.get_hazard_display()),
        because=recall.because,
        decided_by=recall.performed_by.name,
        at=found.at.astimezone(here.zone),
        clock=tuple(_clock(found, here)),
        strategies=tuple(map(_strategy, read.strategies)),
        scopes=tuple(map(_scope, read.scopes)),
        lots=tuple(_lots(found, bare=bare)),
        accounted=tuple(_accounted(found)),
        let_go=tuple(
            LetGoLine.of(each, lot=each.lot.code, scope=each.scope.number, because=each.because)
            for each in read.let_go
        ),
        consignees=tuple(_consignee(each, here) for each in found.consignees),
        others=tuple(_consignee(each, here) for each in found.others),
        outlets=tuple(map(_outlet, found.outlets)),
        unnamed=found.unnamed,
        level=spoken(Level(found.strategy.level).label),
        percent=found.percent,
        consignee_count=len(found.consignees),
        needed=found.needed,
        told=found.told,
        answered=found.answered,
        recovered=tuple(_recovered(found)),
        notices=tuple(_notice(each, found.at) for each in read.notices),
        answers=tuple(_answer(each, found.at) for each in read.answers),
        ended=read.end.because if read.end else "",
        gaps=_bare_gaps(found) if bare else found.gaps,
        left_out=tuple(_told()) if bare else (),
        included=Included.by(words),
        record_ids=tuple(
            sorted({record.pk for record in (*read.all(), *words, *(each for each, _what in signatures))})
        ),
        signatures=tuple(SignatureLine.of(each, what) for each, what in signatures),
        confirmed_rules=(),
        deferral=_(
            "The competent authority decides on class, depth and what the public is told; its word comes first. "
            "Classes and effectiveness levels are those of 21 CFR 7; elsewhere others hold."
        ),
        **(head | {"title": _what(found).capitalize()}),
    )


def _what(found: Status) -> str:
    if found.clock.ended is None:
        return _("status of a trace exercise") if found.recall.is_exercise else _("status of a recall")
    return _("report of a trace exercise") if found.recall.is_exercise else _("report of a recall")


class _Read:
    """The records of a recall that were there at a time."""

    def __init__(self, recall: Recall, found: Status):
        def rows(manager: Any, *more: str) -> list[Any]:
            known = manager.filter(recorded_at__lte=found.at).select_related(*RecordLine.FROM_RECORD, *more)
            return list(known.order_by("performed_at", "recorded_at", "id"))

        self.recall = recall
        self.strategies: list[RecallStrategy] = rows(recall.strategies)
        self.scopes: list[RecallScope] = rows(recall.scopes)
        self.let_go: list[RecallExclusion] = rows(
            RecallExclusion.objects.filter(scope__recall=recall), "lot", "scope"
        )
        self.notices = rows(recall.notices, "partner", "mail")
        self.answers: list[RecallAnswer] = rows(recall.answers, "partner")
        end = getattr(recall, "end", None)
        self.end = end if end is not None and end.recorded_at <= found.at else None

    def all(self) -> Iterator[Record]:
        yield self.recall
        for records in (self.strategies, self.scopes, self.let_go, self.notices, self.answers):
            yield from records
        yield from (self.end,) if self.end else ()

    def signatures(self) -> list[tuple[Signature, str]]:
        """Those on the decision, on lots let go and on the end."""
        what: dict[UUID, str] = {self.recall.pk: _("decision on %s") % self.recall.code}
        what |= {each.pk: _("lot %s leaves the scope") % each.lot.code for each in self.let_go}
        what |= {self.end.pk: _("end of %s") % self.recall.code} if self.end else {}
        rows = signatures_on(what)
        return [(each, what[each.target_id]) for each in rows]


# -- lines -----------------------------------------------------------------------------------------


def _clock(found: Status, here: Establishment) -> Iterator[tuple[str, datetime | None, timedelta | None]]:
    """Each time with how long after the decision it was; what happened before has none."""
    clock = found.clock
    times = (
        (_("determined"), clock.determined, False),
        (_("decided"), clock.decided, False),
        (_("scope frozen by the service (time to trace)"), clock.scoped, True),
        (_("first consignee told"), clock.first_told, True),
        (_("last answer"), clock.last_answered, True),
        (_("ended"), clock.ended, True),
    )
    for word, at, counts in times:
        local = None if at is None else at.astimezone(here.zone)
        yield word, local, clock.since_decision(at) if counts else None


def _strategy(each: RecallStrategy) -> StrategyLine:
    share = f" ({each.percent} %)" if each.percent is not None else ""
    by = f" ({each.classified_by})" if each.classified_by else ""
    return StrategyLine.of(
        each,
        recall_class=f"{spoken(each.get_recall_class_display())}{by}",
        depth=spoken(each.get_depth_display()),
        level=f"{spoken(each.get_level_display())}{share}",
        because=each.because,
    )


def _scope(each: RecallScope) -> ScopeLine:
    lots = ngettext("%d lot", "%d lots", len(each.lots)) % len(each.lots)
    got = ngettext("%d consignee", "%d consignees", len(each.consignees)) % len(each.consignees)
    return ScopeLine.of(
        each,
        number=each.number,
        holds=f"{lots}, {got}",
        seal_number=each.seal_number,
        seal_hash=each.seal_hash,
    )


def _bare_gaps(found: Status) -> tuple[str, ...]:
    """Without the amounts that went into batches."""
    if found.scope is None:
        return found.gaps
    bare = {
        went_into(found.scope, each): _("Some of it went into batch %(batch)s, which had made nothing then.")
        % {"batch": each["batch"]}
        for each in found.scope.in_batches
    }
    return tuple(bare.get(gap, gap) for gap in found.gaps)


def _told() -> Iterator[str]:
    yield _("How much batches took of each lot, and how much is here of lots they took from")
    yield _("What the scopes keep of this, in the attached evidence: their digests and proofs are there")


def _lots(found: Status, *, bare: bool) -> Iterator[ScopeLot]:
    """``bare``: without what was used, nor what is left of a lot that something was used of."""
    if found.scope is None:
        return
    gone = let_go_of(found.scope, found.at)
    words = {
        "on_hand": _("here"), "used": _("used"), "shipped": _("shipped"), "sent_back": _("sent back"),
        "destroyed": _("destroyed"), "sampled": _("sampled"),
    }  # fmt: skip
    for row in found.scope.lots:
        came, there = _sum(row, CAME), _sum(row, WENT)
        shows = [name for name in WENT if not (bare and base(row, "used") and name in ("used", "on_hand"))]
        marks = (
            _("traced from it") if row["start"] else "",
            _("carried on: today's trace reaches it no more") if row["carried"] else "",
            _("let go by signature") if row["lot"] in gone else "",
        )
        yield ScopeLot(
            code=row["code"],
            material=row["material"],
            best_before=row["best_before"],
            marks=tuple(filter(None, marks)),
            came=_shown(came, row["unit"]),
            there=tuple(
                f"{words[name]} {_shown(base(row, name), row['unit'])}" for name in shows if base(row, name)
            ),
            found=_percent(there, came),
        )


def _accounted(found: Status) -> Iterator[tuple[str, Decimal]]:
    """Of all lots in the scope together, by dimension."""
    rows: Sequence[Mapping[str, Any]] = found.scope.lots if found.scope else []
    for unit, word in (("KGM", _("by mass")), ("H87", _("by pieces"))):
        of_it = [row for row in rows if row["unit"] == unit]
        part = _percent(sum(_sum(row, WENT) for row in of_it), sum(_sum(row, CAME) for row in of_it))
        if part is not None:
            yield word, part


def _sum(row: Mapping[str, Any], names: Sequence[str]) -> int:
    return sum(base(row, name) for name in names)


def _percent(part: int, whole: int) -> Decimal | None:
    """Rounded down to tenths, so that 100 is said of nothing less."""
    return Decimal(part * 1000 // whole) / 10 if whole else None


def _shown(amount: int, unit: str) -> str:
    return amounts.shown(amount, quantities.UNITS[unit].dimension)


def _amounts(by_unit: Mapping[str, int]) -> str:
    return ", ".join(_shown(amount, unit) for unit, amount in by_unit.items()) or _("nothing")


def _consignee(each: Consignee, here: Establishment) -> ConsigneeLine:
    told = () if each.told is None else (each.told.astimezone(here.zone).strftime("%Y-%m-%d %H:%M"),)
    got = (
        f"{lot.code}: {amounts.shown(lot.shipped, 'pieces' if lot.dimension == 'count' else 'mass')}"
        + (f" ({', '.join(lot.documents)})" if lot.documents else "")
        for lot in each.got
    )
    back = (f"{_('came back')}: {_amounts(each.returned)}",) if each.returned else ()
    return ConsigneeLine(
        name=each.name,
        got=(*got, *back),
        told=(*told, *map(spoken, each.told_by)) if told else (_("not told"),),
        answered=None if each.answered is None else each.answered.astimezone(here.zone),
        said=tuple(f"{_words()[name]}: {_amounts(each.said[name])}" for name in AMOUNTS if each.said[name]),
    )


def _buyer(order: Any) -> str:
    return _("buyer of web order %(number)s") % {"number": order.number}


def _outlet(each: SoldAt) -> OutletLine:
    """An outlet, and the most that its buyers may have."""
    return OutletLine(
        name=each.outlet.name,
        got=tuple(f"{lot.code}: {_of(lot.taken, lot)}" for lot in each.lots),
        back=tuple(f"{lot.code}: {_of(lot.brought_back + lot.destroyed, lot)}" for lot in each.lots),
        with_buyers=tuple(f"{lot.code}: {_of(lot.with_buyers, lot)}" for lot in each.lots),
        days=tuple(dict.fromkeys(_visit(visit) for lot in each.lots for visit in lot.visits)),
    )


def _of(amount: int, lot: SoldThere) -> str:
    return amounts.shown(amount, "pieces" if lot.dimension == "count" else "mass")


def _visit(visit: Visit) -> str:
    last = visit.last.isoformat() if visit.last else _("until now")
    days = visit.first.isoformat() if visit.last == visit.first else f"{visit.first.isoformat()} – {last}"
    return f"{visit.place}: {days}" if visit.place else days


def _words() -> dict[str, str]:
    return {
        "received": _("received"), "on_hand": _("on hand"), "sold": _("sold"), "returned": _("sent back"),
        "destroyed": _("destroyed"),
    }  # fmt: skip


def _recovered(found: Status) -> Iterator[Recovered]:
    for unit, shipped in found.shipped.items():
        part = found.found(unit) or Fraction(0)
        yield Recovered(
            shipped=_shown(shipped, unit),
            recovered=_shown(found.recovered.get(unit, 0), unit),
            percent=Decimal(part.numerator * 1000 // part.denominator) / 10,
        )


def _notice(each: Any, at: datetime) -> NoticeLine:
    mail = getattr(each, "mail", None)
    sent = mail is not None and mail.sent_at is not None and mail.sent_at <= at
    return NoticeLine.of(
        each,
        to=each.partner.name if each.partner else _buyer(each.order) if each.order else _("the public"),
        means=spoken(each.get_means_display()),
        subject=each.subject,
        left="" if each.means != "e-mail" else _("yes") if sent else _("no"),
    )


def _answer(each: RecallAnswer, at: datetime) -> AnswerLine:
    said = (
        f"{row['code']}: "
        + ", ".join(
            f"{_words()[name]} {_shown(base(row, name), row['unit'])}" for name in AMOUNTS if name in row
        )
        for row in each.lots
    )
    passed = {True: _("told those they sold to"), False: _("did not tell those they sold to"), None: ""}
    line = AnswerLine.of(
        each,
        who=each.partner.name if each.partner else _buyer(each.order),
        means=spoken(each.get_means_display()),
        said=tuple(
            filter(
                None, (*said, passed[each.passed_on], *(spoken(SENTENCES[Odd(flag)]) for flag in each.flags))
            )
        ),
    )
    later = line.replaced is not None and line.replaced.at > at
    return dataclasses.replace(line, replaced=None) if later else line
