"""A trace in words: the boxes and lines of its picture, and the rows of its table, in the active language.

``bare``: without what tells a recipe, as it may leave the house: amounts and shares of steps, and how much is here of a
lot that batches took from, since what is gone from it is what went in.
"""

from collections.abc import Iterator
from functools import lru_cache
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from batches import quantities
from batches.models import Dimension, LotStatus
from batches.trace_results import MAYBE, Direction, Side, Step, Trace, TracedLot
from reports import amounts
from reports.trace_picture import drawing
from reports.trace_picture.drawing import Bounds, Box, Chosen, Look, Picture
from reports.trace_picture.indented import Row, Way, goes_forward, lay_together, rows
from reports.trace_picture.layers import Line

FEW = 3  # codes in a title
LOOKS = {
    Side.START: Look.START,
    Side.FORWARD: Look.SUSPECT,
    Side.BETWEEN: Look.SUSPECT,
    Side.BACK: Look.SOURCE,
    Side.CONTACT: Look.CONTACT,
    **dict.fromkeys(MAYBE, Look.MIXED),
}
INDENT, DEEPEST = "    ", 20
"""Deeper rows say how deep they are: a long chain would be indented out of every window, and megabytes long."""
MOST_ROWS = 20_000
"""Of the table as text: a second of work and some 4 MB (site setting, no source)."""


def svg(trace: Trace, bounds: Bounds = drawing.SCREEN, *, elsewhere: str = "", bare: bool = False) -> str:
    """The picture of a whole trace. ``elsewhere``: where all of it is told, if some is not drawn."""
    picture = picture_of(trace, bare=bare)
    drawn = drawing.chosen(picture, bounds)
    words = tuple(left_out(picture, drawn, elsewhere or _elsewhere(trace)))
    return drawing.svg(picture, drawn, told=" ".join((told(trace), *words)), words=words)


def _elsewhere(trace: Trace) -> str:
    if trace.size.lots + trace.size.steps > MOST_ROWS:
        return _("the same trace asked for as data has all, page by page")
    return _("the table has all")


def picture_of(trace: Trace, *, bare: bool = False) -> Picture:
    lots = {lot.uid: lot for lot in trace.lots}
    place = {uid: number for number, uid in enumerate(lots)}
    return Picture(
        title=title(trace),
        looks=tuple(LOOKS[lot.side] for lot in trace.lots),
        box=lambda number: _box(trace.lots[number], bare=bare),
        lines=tuple(_lines(trace, lots, place)),
        key=_key(trace),
        more=_("lines not drawn: %d"),
    )


def title(trace: Trace) -> str:
    codes = [lot.code for lot in trace.lots if lot.side == Side.START]
    more = "" if len(codes) <= FEW else " " + _("and %d more") % (len(codes) - FEW)
    ways = {
        Direction.BACK: _("Trace back from %s"),
        Direction.FORWARD: _("Trace forward from %s"),
        Direction.WHOLE: _("Whole trace of %s"),
    }
    return ways[trace.direction] % (", ".join(codes[:FEW]) + more)


def told(trace: Trace) -> str:
    """What the picture shows, for readers of text."""
    said = _("%(lots)d lots and %(steps)d steps between them.") % vars(trace.size)
    return f"{title(trace)}: {said} {_('The table tells each lot and step in words.')}"


def left_out(picture: Picture, drawn: Chosen, elsewhere: str) -> Iterator[str]:
    lots = len(picture.looks) - len(drawn.boxes)
    lines = len(picture.lines) - len(drawn.lines)
    if lots or lines:
        said = [
            ngettext("%d lot", "%d lots", lots) % lots,
            ngettext("%d line", "%d lines", lines) % lines,
        ]
        yield _("Not drawn: %(what)s; %(where)s.") % {"what": ", ".join(said), "where": elsewhere}


def _key(trace: Trace) -> tuple[tuple[Look, str], ...]:
    traced = (
        _("Thickest border: the trace begins here; its sources lead to it.")
        if trace.direction == Direction.BACK
        else _("Thickest border: the trace begins here.")
    )
    return (
        (Look.START, traced),
        (Look.SUSPECT, _("Thick line: has some of the traced lots in it (suspect path).")),
        (Look.MIXED, _("Dashes and dots: may have some of them in it (refilled place).")),
        (
            Look.TOGETHER,
            _("Long dashes: lay together in a refilled place; each may be taken out as the other."),
        ),
        (Look.CONTACT, _("Dots: reached by shared equipment that nothing cleaned validly in between.")),
        (Look.SOURCE, _("Thin line: went into the traced lots.")),
    )


# -- boxes and lines -------------------------------------------------------------------------------


def _box(lot: TracedLot, *, bare: bool) -> Box:
    return Box(_rows(lot, bare=bare), lot_words(lot, bare=bare), LOOKS[lot.side])


def _rows(lot: TracedLot, *, bare: bool) -> tuple[str, ...]:
    status = "" if lot.status == LotStatus.RELEASED else f" · {_(str(LotStatus(lot.status).label))}"
    told = [(_("shipped"), lot.shipped)]
    told += [] if bare and lot.used else [(_("here"), lot.on_hand)]
    there = (f"{word} {amount(base, lot)}" for word, base in told if base or word == _("here"))
    return lot.code + status, lot.material_name, came(lot), *there


def came(lot: TracedLot) -> str:
    """How much was made or received of it."""
    if lot.batch is not None:
        return _("made %s") % amount(lot.made, lot)
    return _("received %s") % amount(lot.received, lot)


def amount(base: int, of: TracedLot | Step) -> str:
    return amounts.said(_amount(base, of.dimension))


@lru_cache(maxsize=50_000)  # a trace tells the same few amounts thousands of times
def _amount(base: int, dimension: str) -> str:
    return quantities.shown(base, "pieces" if dimension == Dimension.COUNT else "mass")


def _lines(trace: Trace, lots: dict[UUID, TracedLot], place: dict[UUID, int]) -> Iterator[Line]:
    for step in trace.steps:
        yield Line(place[step.source], place[step.target], look_of(step, lots, trace.direction))
    for lay in lay_together(trace):
        yield Line(place[lay.earlier.uid], place[lay.later.uid], Look.TOGETHER)
    of_batch: dict[UUID | None, list[TracedLot]] = {}
    for lot in trace.lots:
        of_batch.setdefault(lot.batch, []).append(lot)
    for lot in trace.lots:
        contact = None if lot.contact is None else trace.contacts[lot.contact]
        if contact is not None and contact.batch == lot.batch:
            for left in of_batch.get(contact.left_by, ()):
                yield Line(place[left.uid], place[lot.uid], Look.CONTACT)


def look_of(step: Step, lots: dict[UUID, TracedLot], direction: Direction) -> Look:
    """How a step is drawn. What only may have gone that way, by a refilled place, bears a look of its own: ``MIXED``."""
    if lots[step.source].side == Side.CONTACT:
        return Look.CONTACT
    if lots[step.source].side in MAYBE or lots[step.target].side in MAYBE:
        return Look.MIXED
    return Look.SUSPECT if goes_forward(step, lots, direction) else Look.SOURCE


# -- in words --------------------------------------------------------------------------------------


def percent(part: float) -> str:
    """A share for people; never 0 for what is not, never 100 for what is not whole."""
    if part in (0, 1):
        return f"{part * 100:.0f} %"
    shown = f"{part * 100:.2f}"
    if shown == "0.00":
        return _("under 0.01 %")
    return _("over 99.99 %") if shown == "100.00" else f"{shown} %"


def lot_words(lot: TracedLot, *, bare: bool = False) -> str:
    """A lot in full."""
    return "; ".join(_said_of(lot, bare=bare))


def _said_of(lot: TracedLot, *, bare: bool) -> Iterator[str]:
    yield f"{lot.code} {lot.material_name}" + (f" ({_('rework')})" if lot.is_rework else "")
    yield " ".join(filter(None, (came(lot), _("on %s") % lot.day.isoformat(), origin(lot))))
    if lot.best_before is not None:
        yield _("best before %s") % lot.best_before.isoformat()
    yield _(str(LotStatus(lot.status).label))
    yield from became(lot, bare=bare)
    yield from () if bare else shares(lot)


def origin(lot: TracedLot) -> str:
    if lot.batch is not None:
        return _("in batch %s") % lot.batch_code
    if not lot.supplier_name:
        return ""
    code = _("their code %s") % lot.supplier_code if lot.supplier_code else _("without a code of theirs")
    return _("from %(supplier)s, %(code)s") % {"supplier": lot.supplier_name, "code": code}


def became(lot: TracedLot, *, bare: bool = False) -> Iterator[str]:
    """Where it is now: here and shipped always, the rest where there is any."""
    if not (bare and lot.used):
        yield f"{_('here')} {amount(lot.on_hand, lot)}"
    yield f"{_('shipped')} {amount(lot.shipped, lot)}"
    words = {
        _("came back"): lot.returned,
        _("sent back"): lot.sent_back,
        _("sampled"): lot.sampled,
        _("destroyed"): lot.destroyed,
        _("unexplained"): lot.unexplained,
    }
    yield from (f"{word} {amount(base, lot)}" for word, base in words.items() if base)


def shares(lot: TracedLot) -> Iterator[str]:
    if lot.share is not None and lot.side != Side.START:
        yield _("%s of it came from the traced lots") % percent(lot.share)
    if lot.part is not None and lot.side != Side.START:
        yield _("%s of the traced lots came from it") % percent(lot.part)


def row_words(row: Row) -> str:
    """What stands in a row of the table, behind its number."""
    lot = row.lot
    who = lot_words(lot) if row.above is None else f"{lot.code}: {_('see row %d above') % row.above}"
    return f"{how(row)} {who}".strip()


def how(row: Row, *, bare: bool = False) -> str:
    """How a row hangs on the one it stands below."""
    if row.step is not None and bare:
        return _("made with some of") if row.way == Way.MADE_OF else _("went into")
    if row.step is not None and not row.step.share:  # packaging, which has no part in the mass
        told = amount(row.step.quantity, row.step)
        return (_("made with %s of") if row.way == Way.MADE_OF else _("went with %s into")) % told
    if row.step is not None:
        said = {"amount": amount(row.step.quantity, row.step), "share": percent(row.step.share)}
        if row.way == Way.MADE_OF:
            return _("made with %(amount)s (%(share)s of its mass) of") % said
        return _("went with %(amount)s (%(share)s of its mass) into") % said
    if row.contact is not None:
        return _("touched on %(equipment)s after batch %(batch)s:") % {
            "equipment": f"{row.contact.equipment_code} {row.contact.equipment_name}",
            "batch": row.contact.left_by_code,
        }
    if row.lay is not None:
        said = {"place": row.lay.place, "lot": row.lay.other(row.lot.uid).code}
        return _("lay in the refilled place %(place)s together with %(lot)s:") % said
    return _("traced:") if row.way == Way.START else ""


def text(trace: Trace) -> Iterator[str]:
    """The table as lines of plain text: at most ``MOST_ROWS``, and how many are left is said."""
    yield f"{title(trace)}: {_('%(lots)d lots and %(steps)d steps between them.') % vars(trace.size)}"
    yield from marks(trace)
    yield ""
    found = rows(trace)
    for row in found[:MOST_ROWS]:
        deep = f"[{row.depth}] " if row.depth > DEEPEST else ""
        yield f"{row.number:>5}  {INDENT * min(row.depth, DEEPEST)}{deep}{one_line(row_words(row))}"
    if len(found) > MOST_ROWS:
        yield ""
        yield _(
            "%(rows)d further rows are not told here. The same trace asked for as data has all, page by page; its movements "
            "come whole as CSV."
        ) % {"rows": len(found) - MOST_ROWS}


def marks(trace: Trace, *, bare: bool = False) -> Iterator[str]:
    """What may be missing, or hinders shares."""
    if trace.loop:
        yield _("The genealogy leads in a circle, which must not be: have the records verified.")
    if trace.unfollowed is not None:
        yield _("%(lots)d lots with a share under %(least)s were not followed.") % {
            "lots": trace.unfollowed.lots, "least": percent(trace.unfollowed.least),
        }  # fmt: skip
    yield from _mixed(trace)
    codes = {lot.uid: lot.code for lot in trace.lots} if trace.in_process else {}
    for each in trace.in_process:
        if bare:
            yield _("Some of %(lot)s is in batch %(batch)s, which has made nothing yet.") % {
                "lot": codes[each.lot], "batch": each.batch_code,
            }  # fmt: skip
            continue
        base = amounts.shown(each.quantity, "pieces" if each.dimension == Dimension.COUNT else "mass")
        yield _("%(amount)s of %(lot)s are in batch %(batch)s, which has made nothing yet.") % {
            "amount": base, "lot": codes[each.lot], "batch": each.batch_code,
        }  # fmt: skip


def _mixed(trace: Trace) -> Iterator[str]:
    """Which lots lay together, by place; nobody knows in which shares."""
    codes = {lot.uid: lot.code for lot in trace.lots}
    lay: dict[str, dict[str, None]] = {}
    for mix in trace.mixes:
        here = lay.setdefault(mix.place_code, {})
        here |= dict.fromkeys(codes[uid] for uid in mix.lots if uid in codes)
    for place, together in lay.items():
        if together:
            yield _(
                "%(lots)s lay in %(place)s, which is topped up before it is empty: what was taken out may be any of "
                "them, in shares that nobody knows."
            ) % {"lots": ", ".join(together), "place": place}


def one_line(words: str) -> str:
    """Without breaks and control characters, so that no name makes a row of its own."""
    return words if words.isprintable() else "".join(each if each.isprintable() else " " for each in words)
