"""A trace as a document: where it began, its picture, its indented table, what moved between here and partners, the gaps."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _

from batches import traces
from batches.models import Dimension, LotStatus
from batches.trace_results import Consignment, Direction, Trace
from batches.whereabouts import whereabouts
from config.api.refusals import Unusable
from haccp.allergens import lists
from haccp.api.traces import question
from ledger.models import Establishment
from reports import amounts, left_out, tables
from reports.api.trace_questions import TraceAskedSerializer
from reports.left_out import Included, LeavesOut
from reports.tables import Table
from reports.trace_picture import drawing, indented, telling
from reports.trace_picture.indented import Row, Way

FORMS = tables.FORMS
LOT_HEADS = (
    "number", "depth", "way", "how", "code", "material", "above", "came", "day", "origin", "best_before", "status", "became",
    "shares", "lot",
)  # fmt: skip
MOVED_HEADS = ("what", "document", "at", "lot", "amount", "record")
MOST = 5000  # lots of one document (site setting, no source)
PRINTED = 500  # rows of its table on paper and page; the data have all (site setting, no source)
DEEPEST = 12  # steps of indentation that are shown as room


@dataclass(frozen=True)
class TraceLine:
    """A row of the table. ``above``: the number of the row that tells this lot in full, then only ``how`` is told here."""

    number: int
    depth: int
    way: Way
    how: str
    lot: UUID
    code: str
    material: str
    above: int | None
    came: str
    day: date
    origin: str
    best_before: date | None
    status: str
    became: tuple[str, ...]
    shares: tuple[str, ...]

    @property
    def room(self) -> int:
        """How far it is indented, in mm."""
        return 3 * min(self.depth, DEEPEST)


@dataclass(frozen=True)
class Moved:
    """One movement between a lot and a partner."""

    what: str
    document: str
    at: datetime
    lot: str
    amount: str
    record: UUID


@dataclass(frozen=True)
class WithPartner:
    """``sums``: of each kind of movement, in words."""

    name: str
    sums: tuple[str, ...]
    moved: tuple[Moved, ...]


@dataclass(frozen=True, kw_only=True)
class TraceDocument(LeavesOut):
    """``marks``: what hinders shares or was not followed. ``suspect``: where the suspect mass is, None where that cannot be told.

    ``asked``: what the trace was widened or bounded by, in words. ``record_ids``: what brought each lot, the starts of the
    batches, and the movements with partners.
    """

    kind: ClassVar[str] = "trace"
    template: ClassVar[str] = "reports/trace.html"
    shows_limits: ClassVar[bool] = False

    about: str
    direction: Direction
    starts: tuple[str, ...]
    asked: tuple[str, ...]
    lots: int
    steps: int
    picture: str
    lines: tuple[TraceLine, ...]
    partners: tuple[WithPartner, ...]
    suspect: tuple[tuple[str, str], ...] | None
    unexplained: tuple[str, ...]
    marks: tuple[str, ...]
    record_ids: tuple[UUID, ...]

    @property
    def printed(self) -> tuple[TraceLine, ...]:
        return self.lines[:PRINTED]

    @property
    def not_printed(self) -> int:
        return len(self.lines) - len(self.printed)

    def data_tables(self) -> tuple[Table, ...]:
        moved = [
            (partner.name, *(tables.text(getattr(each, head)) for head in MOVED_HEADS))
            for partner in self.partners
            for each in partner.moved
        ]
        return (
            tables.of_lines("lots", self.lines, LOT_HEADS),
            Table("movements", ("partner", *MOVED_HEADS), moved),
        )

    @property
    def lies(self) -> bool:
        """Whether the picture is wider than an upright sheet."""
        return float(self.picture.split('width="', 1)[1].split("mm", 1)[0]) > 180


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable, Unknown, RuleBroken where there is no such trace, or one too large to be printed."""
    _traced(establishment, about)


def _traced(here: Establishment, about: dict[str, Any]) -> tuple[Trace, dict[str, Any]]:
    reader = TraceAskedSerializer(data=left_out.asked(about))
    reader.is_valid(raise_exception=True)
    asked: dict[str, Any] = reader.validated_data
    if left_out.for_outside(about) and "least_share" in asked:
        raise Unusable(
            "Which lots have a share of so much tells the recipe: for outside, ask for the whole trace.",
            code="tells-the-recipe",
            field="trace.least_share",
        )
    found = traces.trace(here, question(here, asked), limit=MOST)
    if found.following is not None:
        raise Unusable(
            f"A document tells of up to {MOST} lots, this trace has {found.size.lots}: ask narrower, or read it over the API.",
            code="too-many",
            field="trace",
        )
    return found, asked


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> TraceDocument:
    """Trace as things stand; call it within one snapshot."""
    trace, asked = _traced(here, about)
    outside = left_out.for_outside(about)
    through = {step.batch for step in trace.steps} | {each.batch for each in trace.in_process}
    words = left_out.words(here, through) if outside else []
    bare = outside and any(lot.used for lot in trace.lots) and not words
    shown = tuple(_line(row, bare=bare) for row in indented.rows(trace))
    whole = len(shown) <= PRINTED
    records = {
        *(lot.uid for lot in trace.lots),
        *(each.uid for each in trace.batches),
        *(each.movement for each in trace.consignments),
        *(each.pk for each in words),
    }
    return TraceDocument(
        about=telling.title(trace),
        direction=trace.direction,
        starts=tuple(lot.code for lot in trace.lots if lot.uid in trace.starts),
        asked=tuple(_asked(here, asked)),
        lots=trace.size.lots,
        steps=trace.size.steps,
        picture=telling.svg(
            trace,
            drawing.PAPER,
            elsewhere=_("the table has all") if whole else _("the attached data have all"),
            bare=bare,
        ),
        lines=shown,
        partners=tuple(_partners(trace)),
        suspect=None if bare else _suspect(trace),
        unexplained=tuple(_unexplained(trace)),
        marks=tuple(telling.marks(trace, bare=bare)),
        left_out=tuple(_told()) if bare else (),
        included=Included.by(words),
        record_ids=tuple(sorted(records)),
        confirmed_rules=(),
        **head,
    )


def _told() -> Iterator[str]:
    yield _("How much of one lot went into a batch and into what that made, and their shares")
    yield _(
        "How much is here of lots that batches took from, and the suspect mass, which is reckoned by shares"
    )


def _asked(here: Establishment, said: dict[str, Any]) -> Iterator[str]:
    words = lists.vocabulary(here)
    hazards = [lists.spoken(words, code) for code in said.get("allergen", ())]
    hazards += [_("microbes")] if said["microbiological"] else []
    hazards += [_("foreign bodies")] if said["foreign_bodies"] else []
    if hazards:
        yield _("widened by shared equipment for: %s") % ", ".join(hazards)
    if "least_share" in said:
        yield _("only lots with a share of %s or more were followed") % telling.percent(said["least_share"])


def _line(row: Row, *, bare: bool) -> TraceLine:
    lot = row.lot
    return TraceLine(
        number=row.number,
        depth=row.depth,
        way=row.way,
        how=telling.how(row, bare=bare),
        lot=lot.uid,
        code=lot.code,
        material=lot.material_name,
        above=row.above,
        came=telling.came(lot),
        day=lot.day,
        origin=telling.origin(lot),
        best_before=lot.best_before,
        status=_(str(LotStatus(lot.status).label)),
        became=tuple(telling.became(lot, bare=bare)),
        shares=() if bare else tuple(telling.shares(lot)),
    )


# -- partners --------------------------------------------------------------------------------------


def _partners(trace: Trace) -> Iterator[WithPartner]:
    codes = {lot.uid: lot.code for lot in trace.lots}
    order = sorted(
        trace.consignments,
        key=lambda each: (each.partner_name, each.partner, each.document, each.at, each.movement),
    )
    for (name, _key), group in groupby(order, key=lambda each: (each.partner_name, each.partner)):
        moved = list(group)
        yield WithPartner(
            name=name,
            sums=tuple(_sums(moved)),
            moved=tuple(
                Moved(
                    _whats()[each.what],
                    each.document,
                    each.at,
                    codes[each.lot],
                    _amount(each.quantity, each.dimension),
                    each.movement,
                )
                for each in moved
            ),
        )


def _whats() -> dict[str, str]:
    return {
        "received": _("received from them"),
        "sent-back": _("sent back to them"),
        "shipped": _("shipped to them"),
        "returned": _("came back from them"),
    }


def _sums(moved: list[Consignment]) -> Iterator[str]:
    for what, word in _whats().items():
        for dimension in Dimension.values:
            of_it = [each.quantity for each in moved if (each.what, each.dimension) == (what, dimension)]
            if of_it:
                yield f"{word}: {_amount(sum(of_it), dimension)}"


def _amount(base: int, dimension: str) -> str:
    return amounts.shown(base, "pieces" if dimension == Dimension.COUNT else "mass")


# -- gaps ------------------------------------------------------------------------------------------


def _unexplained(trace: Trace) -> Iterator[str]:
    for lot in trace.lots:
        if lot.unexplained:
            yield _("%(lot)s: counts found %(amount)s %(way)s") % {
                "lot": lot.code,
                "amount": telling.amount(abs(lot.unexplained), lot),
                "way": _("more") if lot.unexplained > 0 else _("less"),
            }


def _suspect(trace: Trace) -> tuple[tuple[str, str], ...] | None:
    """Where the suspect mass is, and what is left over; None where it cannot be told."""
    found = None if trace.direction == Direction.BACK else whereabouts(trace)
    if found is None:
        return None
    words = {
        "came": _("came"), "on_hand": _("here"), "shipped": _("shipped, less what came back"),
        "sent_back": _("sent back"), "sampled": _("sampled"), "destroyed": _("destroyed"),
        "unexplained": _("unexplained"), "in_process": _("in batches that made nothing yet"), "lost": _("lost in batches"),
        "gap": _("gap"),
    }  # fmt: skip
    if found.by_name:
        words["by_name"] = _(
            "of all this but what was lost, by name only: it lay in refilled places with other lots"
        )
    sums = vars(found) | {"gap": found.gap}
    return tuple((word, _amount(round(sums[name]), "mass")) for name, word in words.items())
