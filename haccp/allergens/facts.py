"""What is known of lots and everything they came from, read in a few statements whatever their number."""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, tzinfo
from decimal import Decimal
from functools import reduce
from operator import or_
from typing import Any, NamedTuple
from uuid import UUID

from django.db.models import Count, Q, Sum

from batches import rework
from batches.edges import among, among_few, as_day, as_key, as_one, as_uuid, read
from batches.mixed_places import Link, LinkReader, MixedPlaces
from batches.models import Lot, LotState, Material, MaterialKind, Movement, MovementKind
from batches.near import Edged, Fed, fed_by
from haccp.allergens import lists, statements
from haccp.allergens.bits import Bits, Plane
from haccp.allergens.mixed import Knots, Passed
from haccp.allergens.saying import Said, Says, kept
from haccp.allergens.spread import AnyOf, Band, Mixed, Web, bands, shortest, spread
from haccp.allergens.statements import Stated
from ledger.models import Establishment


class KnownLot(NamedTuple):
    """A lot on the way. ``batch``: the key of the batch that made it, if one did. ``born``: of rework, what its birth says."""

    key: int
    uid: UUID
    code: str
    day: date
    material: UUID
    kind: str
    batch: int | None
    supplier: UUID | None
    is_rework: bool = False
    born: str | None = None


class OpenLine(NamedTuple):
    """A line of a recipe of which no use is recorded, in plain bits: what its material contains, may contain besides, and
    what nobody stated of it.
    """

    position: int
    material: UUID
    code: str
    contains: int
    may: int
    unstated: int


class OpenBatch(NamedTuple):
    """A batch with such lines (``haccp.allergens.unrecorded``)."""

    uid: UUID
    code: str
    lines: tuple[OpenLine, ...]

    @property
    def contains(self) -> int:
        return reduce(or_, (line.contains for line in self.lines), 0)

    @property
    def may(self) -> int:
        return reduce(or_, (line.may for line in self.lines), 0)

    @property
    def unstated(self) -> int:
        return reduce(or_, (line.unstated for line in self.lines), 0)


@dataclass
class Facts:
    """Lots by key, the web of what they came from, and the bits that each has of its own and all in all.

    ``odd``: rework of unknown origin. It counts as containing what its equipment could have left; of all else nobody
    knows whether it does. ``open``: batches whose recipe names more than was recorded as used. ``knots``: what was mixed in
    refilled places.
    """

    bits: Bits
    lots: dict[int, KnownLot]
    web: Web
    fed: list[Fed]
    spoken: dict[int, list[Stated]]
    mixing: Callable[["Facts"], Mapping[int, Mixed | AnyOf]]
    odd: frozenset[int] = frozenset()
    open: dict[int, OpenBatch] = field(default_factory=dict)
    knots: Knots = field(default_factory=Knots)
    zone: tzinfo = UTC
    own: dict[int, int] = field(default_factory=dict)
    keep: dict[int, int] = field(default_factory=dict)
    found: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.names = {key: lot.code for key, lot in self.lots.items()}

    def of(self, key: int) -> int:
        """The bits of a lot, wherever it lies: those of its place-mates too, where it was mixed."""
        return self.found[self.whole(key)]

    def whole(self, key: int) -> int:
        return self.knots.whole.get(key, key)

    def path(self, key: int, plane: Plane, code: str) -> tuple[tuple[KnownLot, Passed | None], ...]:
        """The shortest way by which a bit came into a lot, the lot itself last; each with how it went on by being mixed."""
        way = shortest(
            self.whole(key),
            self.bits.bit(plane, code),
            web=self.web,
            own=self.own,
            found=self.found,
            names=self.names,
            keep=self.keep,
        )
        return tuple((self.lots[each], mixed) for each, mixed in self.knots.steps(way))

    def respread(self) -> None:
        self.found = spread(self.web, self.own, self.keep)

    def statements_that_say(self, key: int, code: str, word: Says) -> list[Stated]:
        """Which statements about one lot say this of an allergen."""
        return [
            each
            for each in self.spoken.get(key, ())
            if any(entry["allergen"] == code and entry["says"] == word for entry in each.says)
        ]


def load(
    establishment: Establishment,
    starts: Collection[int],
    *,
    mixed: MixedPlaces | None = None,
    whole: Collection[int] | None = None,
    used_in: Collection[int] = (),
    fed: list[Fed] | None = None,
) -> Facts:
    """Everything that lots (by key) came from, with what was stated of each. Three statements, one more where there is
    rework that nothing went into, or what was stated was not read before, and a few where places are refilled.

    ``mixed``: of the establishment, where it was read already. ``whole``: lots of which is asked what may be under their
    name wherever they lie; all, unless some are told. ``used_in``: batches of which is asked what may
    have gone in, whatever they made. ``fed``: every edge back from the lots, where those were read already; then only one
    statement is asked for besides.
    """
    mixed = mixed if mixed is not None else MixedPlaces(establishment)
    if fed is not None and not mixed:
        on_the_way, knots = {*starts, *_lots_in(fed)}, Knots()
    else:
        links = None if fed is None else _edges(fed)
        reader = None if links is None else _reader(links)
        whole = starts if whole is None else whole
        walk = mixed.back(starts, whole=whole, used_in=used_in, read=reader, links=links)
        on_the_way, knots = walk.lots, Knots.of(mixed, walk)
        fed = fed_by((*link[:3], link[-1]) for link in walk.links.values())
    lots, stated, bits = _known(establishment, on_the_way)
    web = web_of(fed, knots)
    odd = _of_unknown_origin(lots, web)
    facts = Facts(bits, lots, web, fed, _spoken(lots.values(), stated), mixed_of, frozenset(odd))
    facts.knots, facts.zone = knots, establishment.zone
    for lot in lots.values():
        leaf, spoken = lot.key in odd or _is_leaf(facts, lot), facts.spoken[lot.key]
        facts.own[lot.key] = (
            bits.stated_by(tuple(each.text for each in spoken), lot.day, leaf=leaf) if leaf or spoken else 0
        )
        if lot.kind == MaterialKind.PACKAGING:
            facts.keep[lot.key] = ~bits.on(Plane.UNSTATED, bits.every)
    facts.respread()
    return facts


def _of_unknown_origin(lots: Mapping[int, KnownLot], web: Web) -> set[int]:
    reworks = [lot for lot in lots.values() if lot.is_rework]
    known = [lot for lot in reworks if any(_is_food(lots, each) for each in web.sources.get(lot.key, ()))]
    return rework.unknown_among(
        {lot.key: lot.batch for lot in reworks},
        {lot.batch for lot in known if lot.batch is not None},
        {lot.key: lot.born for lot in reworks},
    )


def _is_food(lots: Mapping[int, KnownLot], key: int) -> bool:
    return key >= 0 and lots[key].kind != MaterialKind.PACKAGING


def web_of(fed: Iterable[Fed], knots: Knots) -> Web:
    sources: dict[int, Sequence[int]] = {}
    for each in fed:
        known = sources.get(each.target)
        sources[each.target] = each.sources if known is None else list({*known, *each.sources})
    for source, target in sorted(knots.links):
        sources[target] = [*sources.get(target, ()), source]
    return Web.of(sources)


def _lots_in(fed: Iterable[Fed]) -> set[int]:
    keys = set[int]()
    for each in fed:
        keys.add(each.target)
        keys.update(each.sources)
    return keys


def _edges(fed: Iterable[Fed]) -> list[Edged]:
    return [
        (source, each.target, each.batch, share)
        for each in fed
        for source, share in zip(each.sources, each.shares, strict=True)
    ]


def _is_leaf(facts: Facts, lot: KnownLot) -> bool:
    """Whether nothing that is food is known to have gone into it."""
    if lot.key not in facts.web.sources:
        return True
    return not any(_is_food(facts.lots, each) for each in facts.web.sources[lot.key])


def _says(spoken: Iterable[Stated]) -> list[Said]:
    return [said for each in spoken for said in kept(each.says)]


def _reader(links: Iterable[Link]) -> LinkReader:
    """Edges by what they lead into, read once; then asked for lots, as a walk back from them would find them."""
    into: defaultdict[int, list[Link]] = defaultdict(list)
    for link in links:
        into[link[1]].append(link)

    def read(lots: Collection[int]) -> list[Link]:
        waiting, seen, found = list(lots), set(lots), []
        while waiting:
            for link in into.get(waiting.pop(), ()):
                found.append(link)
                if link[0] not in seen:
                    seen.add(link[0])
                    waiting.append(link[0])
        return found

    return read


def _known(
    establishment: Establishment, keys: Collection[int]
) -> tuple[dict[int, KnownLot], list[Stated], Bits]:
    """Lots by key, every standing statement about their materials, and the lists of the house. One statement."""
    lot, state, material = (model._meta.db_table for model in (Lot, LotState, Material))
    code, place, begins, until, document, confirmed = lists.COLUMNS
    sql = (
        f"WITH known AS (SELECT lot.id, lot.uid, lot.code, lot.day, lot.material_id, material.kind, lot.batch_id, "
        f"state.supplier_id, lot.is_rework, CASE WHEN lot.is_rework THEN {rework.birth('lot.id')} END "
        f"FROM {lot} lot JOIN {material} material ON material.id = lot.material_id "
        f"LEFT JOIN {state} state ON state.lot_id = lot.id WHERE lot.id {among_few()}) SELECT *, NULL, NULL FROM known "
        f"UNION ALL SELECT NULL, id, digest, in_force_from, material_id, NULL, lot_id, supplier_id, NULL, NULL, "
        f"recorded_at, NULL FROM {statements.STANDING} AND material_id IN (SELECT material_id FROM known) "
        f"UNION ALL SELECT NULL, NULL, {code}, {begins}, NULL, {place}, NULL, NULL, {confirmed}, {document}, NULL, {until} "
        f"{lists.OF_A_HOUSE}"
    )
    lots, stated, listed = dict[int, KnownLot](), [], []
    for row in read(sql, [as_one(keys), as_key(establishment.pk)]):
        key, pk, word, day, of, place, other, supplier, confirmed, document, at, until = row
        if key is not None:
            lots[key] = _lot(row[:10])
        elif pk is not None:
            stated.append((pk, of, other, supplier, day, at, word))
        else:
            listed.append((word, place, day, until, document, confirmed))
    return lots, statements.in_order(stated), lists.bits_of(listed)


def _lot(row: tuple[Any, ...]) -> KnownLot:
    """SQLite answers keys and days as text."""
    if isinstance(row[1], UUID):
        return KnownLot._make(row)
    key, uid, code, day, material, kind, batch, supplier, is_rework, born = row
    supplier = None if supplier is None else as_uuid(supplier)
    uid, material, day = as_uuid(uid), as_uuid(material), as_day(day)
    return KnownLot(key, uid, code, day, material, kind, batch, supplier, bool(is_rework), born)


def _spoken(lots: Collection[KnownLot], stated: Iterable[Stated]) -> dict[int, list[Stated]]:
    """By lot, the statements that speak for it."""
    known: defaultdict[UUID, list[Stated]] = defaultdict(list)
    for each in stated:
        known[each.material_id].append(each)
    return {
        lot.key: statements.about(
            known.get(lot.material, ()), lot=lot.key, supplier=lot.supplier, day=lot.day
        )
        for lot in lots
    }


# -- amounts ----------------------------------------------------------------------------------------


def amounts(facts: Facts, codes: Collection[str]) -> dict[str, dict[int, Band]]:
    """By code and lot: how much of it is in the lot, in mg/kg. One statement, none where there are no codes."""
    if not codes:
        return {}
    mixed = facts.mixing(facts)
    return {code: bands(facts.web, _stated(facts, code), mixed) for code in codes}


def _stated(facts: Facts, code: str) -> dict[int, Band]:
    """Where a lot is said to contain it: the highest amount that was told; no upper bound where one tells none.

    None is told of what is exempt by another law than one that asks for it.
    """
    bit = facts.bits.bit(Plane.CONTAINS, code)
    found = {key: Band(Decimal(0), None) for key in facts.spoken if facts.own[key] & bit}
    for key, spoken in facts.spoken.items():
        said = [each for each in _says(spoken) if each.allergen == code and each.says == Says.CONTAINS]
        if said:
            told = [each.mg_per_kg for each in said if each.mg_per_kg is not None]
            most = max(told, default=Decimal(0))
            found[key] = Band(most, most if len(told) == len(said) else None)
    return found | {key: Band(Decimal(0), None) for key in facts.odd if facts.found[key] & bit}


def most_stated(spoken: Iterable[Stated]) -> dict[str, Decimal]:
    """By code: the highest amount (mg/kg) told of what is said to be contained; infinity where one tells none."""
    found: dict[str, Decimal] = {}
    for each in _says(spoken):
        if each.says == Says.CONTAINS:
            told = Decimal("Infinity") if each.mg_per_kg is None else each.mg_per_kg
            found[each.allergen] = max(told, found.get(each.allergen, Decimal(0)))
    return found


Mass = tuple[Decimal | None, bool]
"""By how much what came out of a batch may be thicker than what went in, and whether all that went in is weighed."""


def mixed_of(facts: Facts, instead: Mapping[int, Mass] | None = None) -> dict[int, Mixed | AnyOf]:
    """What lots were mixed of. ``instead``: of some batches something else than is recorded. One statement."""
    masses = _masses({each.batch for each in facts.fed}) | dict(instead or {})
    parts: defaultdict[int, list[tuple[int, Decimal]]] = defaultdict(list)
    batches, used = {}, facts.knots.used
    for source, target, batch, share in _edges(facts.fed):
        parts[target].append((used.get((batch, source), source), Decimal(str(share))))
        batches[target] = batch
    found: dict[int, Mixed | AnyOf] = {knot: AnyOf(each) for knot, each in facts.knots.sources.items()}
    return found | {
        key: Mixed(shares, *masses.get(batches[key], (None, False))) for key, shares in parts.items()
    }


def _masses(batches: Collection[int]) -> dict[int, Mass]:
    rows = (
        Movement.objects.standing()
        .filter(what__in=[MovementKind.USED, MovementKind.MADE])
        .extra(where=[f"{Movement._meta.db_table}.batch_id {among()}"], params=[as_one(batches)])
        .order_by()
        .values("batch_id", "what")
        .annotate(total=Sum("mass"), unknown=Count("pk", filter=Q(mass=None)))
    )
    found: defaultdict[int, dict[str, tuple[int, bool]]] = defaultdict(dict)
    for row in rows:
        found[row["batch_id"]][row["what"]] = (int(row["total"] or 0), not row["unknown"])
    return {batch: _thicker(by_kind) for batch, by_kind in found.items()}


def _thicker(by_kind: Mapping[str, tuple[int, bool]]) -> Mass:
    used, all_used = by_kind.get(MovementKind.USED, (0, False))
    made, all_made = by_kind.get(MovementKind.MADE, (0, False))
    return thicker(used, made, all_used=all_used, all_made=all_made)


def thicker(used: int, made: int, *, all_used: bool, all_made: bool) -> Mass:
    """Of milligrams used and made, and whether each mass of either is known."""
    if not (all_used and all_made and made):
        return None, all_used
    return max(Decimal(1), Decimal(used) / Decimal(made)), True
