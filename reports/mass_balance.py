"""Whether what came went, on paper: of a lot, of a batch, or of every material over a period.

Amounts are set as text, as they are shown over the API; what is not known says so and is never 0. As it may leave the
house, neither what was used nor what it can be reckoned from is told: what went in of a batch, what is left of a lot.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _

from batches.mass_balance import Balance
from batches.models import Batch, LossKind, Lot, Material, Movement, MovementKind, TrimReturn, WeighedApart
from config.api.refusals import Unknown
from haccp import mass_balance as of_batches
from haccp.cook_losses import CookLoss, How
from haccp.mass_balance import LOST, BatchBalance, LotLine, StockBalance
from haccp.weighed_to import WeighedTo
from ledger.models import Establishment
from reports import left_out, tables
from reports.amounts import shown
from reports.api.mass_balances import BalanceAskedSerializer
from reports.left_out import Included, LeavesOut
from reports.listing import spoken
from reports.tables import Table

FORMS = tables.FORMS


@dataclass(frozen=True)
class Line:
    word: str
    amount: str


@dataclass(frozen=True)
class Group:
    """Lines that belong together. ``sum``: of them, where they add up; empty where they do not."""

    head: str
    lines: tuple[Line, ...]
    sum: str = ""


@dataclass(frozen=True)
class MaterialRow:
    """A material over the period. ``came``, ``went``: by kind of movement. ``counted_at``: None, never counted in it.

    ``opening``, ``closing``: empty where they were left out.
    """

    code: str
    name: str
    opening: str
    came: tuple[Line, ...]
    went: tuple[Line, ...]
    closing: str
    counted_at: datetime | None
    unexplained: str
    shows_to: tuple[Line, ...]
    flagged: bool | None

    def cells(self) -> tuple[str, ...]:
        """In the order of ``MATERIAL_HEADS``."""
        return (
            *(self.code, self.name, self.opening),
            *(_joined(self.came), _joined(self.went)),
            *(self.closing, tables.text(self.counted_at), self.unexplained),
            *(_joined(self.shows_to), tables.text(self.flagged)),
        )


def _joined(lines: Iterable[Line]) -> str:
    return "; ".join(f"{line.word}: {line.amount}" for line in lines)


MATERIAL_HEADS = (
    "code", "name", "opening", "came", "went", "closing", "counted_at", "unexplained", "shows_to", "flagged",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class MassBalancePaper(LeavesOut):
    """``flagged``: whether a gap is over what the house allows, None where that cannot be said. ``gaps``: those that are.

    ``groups``: of a lot or a batch; ``materials``: of a period. ``record_ids``: what moved the lot, or what was weighed in
    the batch; a period shows sums only, so none.
    """

    kind: ClassVar[str] = "mass-balance"
    template: ClassVar[str] = "reports/mass_balance.html"
    shows_limits: ClassVar[bool] = False

    about: str
    since: datetime | None = None
    until: datetime | None = None
    groups: tuple[Group, ...] = ()
    materials: tuple[MaterialRow, ...] = ()
    sentences: tuple[str, ...]
    flagged: bool | None
    gaps: tuple[str, ...]
    allowed: str
    record_ids: tuple[UUID, ...]

    def data_tables(self) -> tuple[Table, ...]:
        """Of a period a row a material, else a row a line."""
        if self.since is not None:
            return (Table("materials", MATERIAL_HEADS, [row.cells() for row in self.materials]),)
        return (Table("balance", ("group", "what", "amount"), list(self._rows())),)

    def _rows(self) -> Iterator[tuple[str, str, str]]:
        for group in self.groups:
            yield from ((group.head, line.word, line.amount) for line in group.lines)
            if group.sum:
                yield group.head, _("Together"), group.sum


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a lot, batch or material that is not of this establishment; a ValidationError for no period."""
    _subject(establishment, _read(about))


def _read(about: dict[str, Any]) -> dict[str, Any]:
    reader = BalanceAskedSerializer(data=left_out.asked(about))
    reader.is_valid(raise_exception=True)
    return dict(reader.validated_data)


def _subject(here: Establishment, asked: dict[str, Any]) -> Lot | Batch | Material | None:
    if "lot" in asked:
        lots = Lot.objects.select_related("material", "establishment")
        return _one(lots.filter(establishment=here, uid=asked["lot"]), "lot", asked["lot"])
    if "batch" in asked:
        batches = Batch.objects.select_related("state", "establishment", "recipe_version__recipe")
        return _one(batches.filter(establishment=here, uid=asked["batch"]), "batch", asked["batch"])
    if "material" in asked:
        materials = Material.objects.filter(establishment=here, pk=asked["material"])
        return _one(materials, "material", asked["material"])
    return None


def _one(found: Any, word: str, key: UUID) -> Any:
    row = found.first()
    if row is None:
        raise Unknown(f"There is no {word} {key} here.", field=f"balance.{word}")
    return row


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> MassBalancePaper:
    """The balance as things stand; call it within one snapshot."""
    asked = _read(about)
    found = _subject(here, asked)
    said = {
        "allowed": _allowed(here),
        "confirmed_rules": (),
        "deferral": _(
            "How much may stay unexplained is the house's own figure. No law that was read names one."
        ),
    } | head
    words = left_out.words(here, _batches(found)) if left_out.for_outside(about) else []
    bare = left_out.for_outside(about) and not words
    told = _told(here, asked, found, bare=bare) | {"included": Included.by(words)}
    told["record_ids"] = (*told["record_ids"], *(each.pk for each in words))
    return MassBalancePaper(**told, **said)


def _batches(of: Lot | Batch | Material | None) -> list[UUID]:
    """Whose recipes a balance may tell; of a period nobody names them one by one, so nothing lets it all go."""
    if isinstance(of, Batch):
        return [of.uid]
    if isinstance(of, Lot):
        used = Movement.objects.standing().filter(lot=of, what=MovementKind.USED)
        return list(used.order_by().values_list("batch__uid", flat=True).distinct())
    return []


def _told(
    here: Establishment, asked: dict[str, Any], of: Lot | Batch | Material | None, *, bare: bool
) -> dict[str, Any]:
    if isinstance(of, Lot):
        return _of_lot(of, bare=bare)
    if isinstance(of, Batch):
        return _of_batch(of, bare=bare)
    return _of_period(here, asked["since"], asked["until"], of, bare=bare)


def _what_was_used() -> tuple[str, ...]:
    return (
        _("How much of a lot or material batches took, and what was there before and is there now of it"),
        _("How well its weighings are known"),
    )


def _allowed(here: Establishment) -> str:
    permille = here.balance_gap_permille
    if permille is None:
        return _("The house has not set how much may stay unexplained.")
    return _("The house allows %s per mille of what was there or came.") % permille


# -- a lot -----------------------------------------------------------------------------------------


def _of_lot(lot: Lot, *, bare: bool) -> dict[str, Any]:
    measured = of_batches.of_lot(lot)
    found = measured.balance
    hides = bare and bool(found.went.get(MovementKind.USED))
    moved = Movement.objects.standing().filter(lot=lot).order_by("performed_at", "id")
    return {
        "about": f"{lot.code}, {lot.material.name}",
        "groups": tuple(_bare_groups(found) if hides else _groups(measured)),
        "left_out": _what_was_used() if hides else (),
        "sentences": tuple(_said(found)),
        "flagged": measured.flagged,
        "gaps": (_gap(lot.code, found.gap, found.dimension),) if measured.flagged else (),
        "record_ids": tuple(moved.values_list("pk", flat=True)),
    }


def _groups(measured: StockBalance) -> Iterator[Group]:
    found = measured.balance

    def amount(base: int) -> str:
        return shown(base, found.dimension)

    went = sum(found.went.values())
    yield Group(_("Came"), _kinds(found.came, found.dimension), amount(found.in_all))
    yield Group(_("Went"), _kinds(found.went, found.dimension), amount(went))
    yield Group(_("There, by the records"), (Line(_("on hand"), amount(found.closing)),))
    counts = Line(_("counts found less (with a minus: more)"), amount(found.missing))
    shows = _shows_to(measured.weighed_to, found.dimension)
    yield Group(_("Unexplained"), (counts, *shows), amount(found.gap))


def _bare_groups(found: Balance) -> Iterator[Group]:
    went = {what: base for what, base in found.went.items() if what != MovementKind.USED}
    yield Group(_("Came"), _kinds(found.came, found.dimension), shown(found.in_all, found.dimension))
    yield Group(_("Went, besides what batches took"), _kinds(went, found.dimension))
    yield Group(_("Unexplained"), (), shown(found.gap, found.dimension))


def _shows_to(weighed: WeighedTo, dimension: str) -> tuple[Line, ...]:
    """How well the weighings are known; nothing of what is counted by pieces."""
    if dimension != "mass":
        return ()
    by = _("the balances show to (k = 2): %s") % (", ".join(weighed.balances) or "–")
    shows = weighed.uncertainty if weighed.balances else None
    unknown = (Line(_("weighings of unknown uncertainty"), str(weighed.unknown)),) if weighed.unknown else ()
    return (Line(by, _mass(shows)), *unknown)


def _kinds(sums: Mapping[str, int], dimension: str) -> tuple[Line, ...]:
    return tuple(
        Line(spoken(MovementKind(what).label), shown(base, dimension)) for what, base in sums.items()
    )


def _said(found: Balance) -> Iterator[str]:
    if found.counted_at is None:
        yield _("What is on hand was never counted: it is what the records say and no more.")
    if found.in_all > 0:
        part = f"{100 * found.accounted / found.in_all:.2f}"
        yield _("%s %% of what was there or came is known to have gone or to be there.") % part
    if found.closing < 0:
        yield _("More went than came: look at weighings and at movements that were not recorded.")


def _gap(name: str, gap: int, dimension: str) -> str:
    return _("%(name)s: %(gap)s unexplained, over what the house allows.") % {
        "name": name,
        "gap": shown(gap, dimension),
    }


# -- a period --------------------------------------------------------------------------------------


def _of_period(
    here: Establishment, since: datetime, until: datetime, of: Material | None, *, bare: bool
) -> dict[str, Any]:
    found = of_batches.of_period(here, since=since, until=until, material=of)
    hidden = _ever_used([material for material, _ in found]) if bare else frozenset[UUID]()
    over = [(material, each.balance) for material, each in found if each.flagged]
    unsaid = here.balance_gap_permille is None
    return {
        "about": of.name if of else _("every material"),
        "since": since.astimezone(here.zone),
        "until": until.astimezone(here.zone),
        "materials": tuple(
            _row(material, each, here, hides=material.pk in hidden) for material, each in found
        ),
        "left_out": _what_was_used() if hidden else (),
        "sentences": () if found else (_("Nothing was there and nothing moved."),),
        "flagged": None if unsaid else bool(over),
        "gaps": tuple(_gap(material.code, each.gap, each.dimension) for material, each in over),
        "record_ids": (),
    }


def _ever_used(materials: Iterable[Material]) -> frozenset[UUID]:
    """Those that batches ever took: the closing of one period and the opening of a later one tell what lies between."""
    used = Movement.objects.standing().filter(lot__material__in=materials, what=MovementKind.USED)
    return frozenset(used.order_by().values_list("lot__material", flat=True).distinct())


def _row(material: Material, measured: StockBalance, here: Establishment, *, hides: bool) -> MaterialRow:
    found = measured.balance
    row = MaterialRow(
        code=material.code,
        name=material.name,
        opening=shown(found.opening, found.dimension),
        came=_kinds(found.came, found.dimension),
        went=_kinds(found.went, found.dimension),
        closing=shown(found.closing, found.dimension),
        counted_at=found.counted_at and found.counted_at.astimezone(here.zone),
        unexplained=shown(found.gap, found.dimension),
        shows_to=_shows_to(measured.weighed_to, found.dimension),
        flagged=measured.flagged,
    )
    if not hides:
        return row
    went = {what: base for what, base in found.went.items() if what != MovementKind.USED}
    return replace(row, opening="", closing="", went=_kinds(went, found.dimension), shows_to=())


# -- a batch ---------------------------------------------------------------------------------------


def _of_batch(batch: Batch, *, bare: bool) -> dict[str, Any]:
    found = of_batches.of_batch(batch)
    return {
        "about": f"{batch.code}, {batch.recipe_version.recipe.name}",
        "groups": tuple(_bare_batch_groups(found) if bare else _batch_groups(found)),
        "sentences": tuple(
            each for each in found.sentences if not (bare and each == found.cooked_off.sentence)
        ),
        "left_out": _what_went_in() if bare else (),
        "flagged": found.flagged,
        "gaps": (_gap(batch.code, found.gap or 0, "mass"),) if found.flagged else (),
        "record_ids": tuple(_weighed(batch)),
    }


def _batch_groups(found: BatchBalance) -> Iterator[Group]:
    yield Group(_("Went in"), _lots(found.used), _mass(found.in_all))
    yield Group(_("Came out"), _lots(found.made), _mass(found.out))
    yield Group(
        _("Weighed apart and lost"),
        tuple(_apart(found.apart, LOST)),
        _mass(sum(found.apart.values())),
    )
    yield Group(_("Went off in cooking"), tuple(_cooked_off(found.cooked_off)))
    yield Group(
        _("Told, in no sum"),
        (
            Line(spoken(LossKind.COATING.label), _mass(found.coating)),
            Line(_("trim folded back within the batch"), _mass(found.trim)),
        ),
    )
    yield Group(
        _("Unexplained (with a minus: more came out)"),
        (
            Line(_("with the most that may have gone off"), _mass(found.gap_low)),
            Line(_("with the least that may have gone off"), _mass(found.gap_high)),
            *_shows_to(found.weighed_to, "mass"),
        ),
        _mass(found.gap),
    )


def _bare_batch_groups(found: BatchBalance) -> Iterator[Group]:
    """What came out, and what of it all is unexplained."""
    yield Group(_("Came out"), _lots(found.made), _mass(found.out))
    yield Group(_("Unexplained (with a minus: more came out)"), (), _mass(found.gap))


def _what_went_in() -> tuple[str, ...]:
    return (
        _("What went in, lot by lot and together, and how well it was weighed"),
        _("What was weighed apart, and what went off in cooking: with these what went in could be reckoned"),
    )


def _cooked_off(off: CookLoss) -> Iterator[Line]:
    if off.how is How.UNKNOWN:
        yield Line(_("how much should have"), _mass(None))
        return
    yield Line(_ways()[off.how], _mass(off.value))
    if off.how is not How.WEIGHED:
        yield Line(_("at least"), _mass(off.low))
        yield Line(_("at most"), _mass(off.high))


def _ways() -> dict[How, str]:
    return {
        How.WEIGHED: _("as weighed"),
        How.SOLIDS: _("by the solids that stay"),
        How.TOTAL: _("by the total of the recipe"),
        How.HISTORY: _("by earlier batches of this recipe"),
    }


def _lots(lines: Iterable[LotLine]) -> tuple[Line, ...]:
    return tuple(
        Line(
            f"{each.code} {each.material_name}" + (f" ({_('rework')})" if each.is_rework else ""),
            _mass(each.mass),
        )
        for each in lines
    )


def _apart(apart: Mapping[str, int], kinds: Iterable[LossKind]) -> Iterator[Line]:
    """A line for each kind, also where nothing was weighed: that is another thing than 0."""
    for kind in kinds:
        yield Line(spoken(kind.label), _mass(apart[kind]) if kind in apart else _("not weighed"))


def _mass(base: int | None) -> str:
    return _("not known") if base is None else shown(base, "mass")


def _weighed(batch: Batch) -> Iterator[UUID]:
    kinds: tuple[Any, ...] = (Movement, WeighedApart, TrimReturn)
    for kind in kinds:
        yield from (
            kind.objects.standing()
            .filter(batch=batch)
            .order_by("performed_at", "id")
            .values_list("pk", flat=True)
        )
