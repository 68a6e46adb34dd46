"""Lots that lay together in places that are topped up before they are empty: read, and walked back and forward.

A house without such places is asked once whether there are any. With them, what came to lie where is read in three
statements more, whatever is asked. How much of each lot is in what was taken out nobody can say, so there are no shares.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any
from uuid import UUID

from django.db.models import Min, Q, QuerySet, UUIDField

from batches.edges import among, as_one, reached
from batches.mixes import Emptied, Mixes, Put, everything
from batches.models import FoundEmpty, Lot, Movement, MovementKind, StoragePlace
from ledger.models import Establishment
from ledger.prepared import Given, Prepared


def _refilled() -> QuerySet[StoragePlace, Any]:
    places = StoragePlace.objects.filter(establishment_id=Given("here", UUIDField()), refilled=True)
    return places.order_by("code").values_list("pk", "code")


_REFILLED = Prepared(_refilled)
BROUGHT = frozenset({MovementKind.RECEIVED, MovementKind.MADE})
Link = tuple[Any, ...]
"""An edge: source, target, batch, and what else whoever reads it wants to know."""
LinkReader = Callable[[Collection[int]], list[Link]]
Drawn = dict[tuple[int, int], set[int]]
"""By batch and lot that was used in it: the mixes that may be in what was weighed in under its name."""


@dataclass
class Walk:
    """What was reached from some lots through batches and through places in which lots lay together.

    ``lots``: all of them, the first too. ``links``: edges by (source, target, batch). ``drawn``: uses by which something
    else than the lot named may have gone in. ``under``: by lot, the mixes that may lie, or have left, under its name; back
    of the lots asked for, forward of all under whose name may be what was reached. ``made``: forward, the lots of batches
    that drew from a mix. ``held``: forward, the mixes that some of it is in.
    """

    lots: set[int]
    starts: frozenset[int]
    mixes: Mixes
    links: dict[tuple[int, int, int], Link] = field(default_factory=dict)
    drawn: Drawn = field(default_factory=dict)
    under: dict[int, set[int]] = field(default_factory=dict)
    made: dict[int, set[int]] = field(default_factory=dict)
    held: set[int] = field(default_factory=set)

    def batches(self) -> set[int]:
        return {batch for *_, batch in self.links} | {batch for batch, _ in self.drawn}

    def take(self, links: Collection[Link]) -> set[int]:
        """Keep edges; the lots that are new by them."""
        self.links |= {link[:3]: link for link in links}
        new = {key for link in links for key in link[:2]} - self.lots
        self.lots |= new
        return new

    def by_start(self) -> dict[int, set[int]]:
        """Of a walk forward: what each of the first lots alone reaches."""
        onward: defaultdict[int, set[int]] = defaultdict(set)
        for source, target, _ in self.links:
            onward[source].add(target)
        for (batch, _), behind in self.drawn.items():
            for mix in behind:
                onward[mix] |= self.made.get(batch, set())
        found = {}
        for start in self.starts:
            reached = set(everything([start], lambda key: {*onward.get(key, ()), *self.mixes.into(key)}))
            under = {lot for lot, behind in self.under.items() if behind & reached}
            found[start] = {key for key in reached if key > 0} | under
        return found


class MixedPlaces:
    """The refilled places of a house, and what lay in them. False where it has none."""

    def __init__(self, establishment: Establishment | UUID, *, any_there: bool = True):
        """``any_there``: False where it is known already that the house has none."""
        here = establishment.pk if isinstance(establishment, Establishment) else establishment
        refilled = dict(_REFILLED.rows(here=here)) if any_there else {}
        emptied = list(_emptied(refilled)) if refilled else []
        self.mixes = Mixes(_puts(refilled, emptied) if refilled else [], emptied, refilled)

    def __bool__(self) -> bool:
        return bool(self.mixes.refilled)

    @cached_property
    def drawn(self) -> Drawn:
        """Of all batches; one statement."""
        return self._drawn("lot_id", self.mixes.lots())

    def drawn_in(self, batches: Collection[int]) -> Drawn:
        return self._drawn("batch_id", batches)

    def _drawn(self, column: str, keys: Collection[int]) -> Drawn:
        found: defaultdict[tuple[int, int], set[int]] = defaultdict(set)
        rows: Any = Movement.objects.standing().filter(what=MovementKind.USED)
        rows = rows.extra(where=[f"{Movement._meta.db_table}.{column} {among()}"], params=[as_one(keys)])
        uses = rows.order_by().values_list("batch_id", "lot_id", "from_place_id", "performed_at")
        for batch, lot, place, at in uses.iterator(chunk_size=5000):
            found[batch, lot] |= self.mixes.behind(lot, place, at)
        return {use: behind for use, behind in found.items() if self.mixes.are_others(use[1], behind)}

    def back(
        self,
        lots: Collection[int],
        *,
        whole: Collection[int] = (),
        used_in: Collection[int] = (),
        read: LinkReader | None = None,
        links: Collection[Link] | None = None,
    ) -> Walk:
        """Everything that may be in lots by what they were made of, and in what was weighed into batches.

        ``whole``: lots of which is asked too what may be under their name wherever they lie. ``read``: how edges are read.
        ``links``: those of the lots, where they are known already.
        """
        walk, done = Walk(set(lots), frozenset(lots), self.mixes), set[int]()
        read = read or _back
        walk.take(read(lots) if links is None else links)
        walk.under = self._under(whole)
        fresh = self._lots_in(walk.under.values()) - walk.lots
        while self:
            walk.lots |= fresh
            walk.take(read(fresh) if fresh else [])
            new = {*used_in, *(batch for *_, batch in walk.links)} - done
            if not new:
                break
            done |= new
            more = self.drawn_in(new)
            walk.drawn |= more
            fresh = self._lots_in(more.values()) - walk.lots
        return walk

    def forward(
        self,
        lots: Collection[int],
        *,
        read: LinkReader | None = None,
        links: Collection[Link] | None = None,
    ) -> Walk:
        """Everything that lots may be in. ``read``, ``links``: as for the way back."""
        walk, fresh = Walk(set(lots), frozenset(lots), self.mixes), set(lots)
        read = read or _forward
        ways = read(fresh) if links is None else links
        while fresh:
            onward = fresh | walk.take(ways)
            if not self:
                break
            walk.held |= self.mixes.holding(onward)
            walk.drawn = self._drawn_from(walk.held)
            walk.made |= _made_by({batch for batch, _ in walk.drawn} - walk.made.keys())
            fresh = {lot for made in walk.made.values() for lot in made} - walk.lots
            walk.lots |= fresh
            ways = read(fresh) if fresh else []
        walk.under = self._under_names_of(walk.held)
        return walk

    def hold_more(self, walk: Walk, mixes: Collection[int]) -> None:
        """Something of a walk forward turned out to be in further mixes."""
        walk.held |= set(mixes)
        walk.drawn, walk.under = self._drawn_from(walk.held), self._under_names_of(walk.held)

    def _drawn_from(self, held: set[int]) -> Drawn:
        return {use: behind & held for use, behind in self.drawn.items() if behind & held}

    def _under_names_of(self, held: set[int]) -> dict[int, set[int]]:
        under = self._under(self.mixes.lots())
        return {lot: mixes & held for lot, mixes in under.items() if mixes & held}

    def _under(self, lots: Collection[int]) -> dict[int, set[int]]:
        found = {lot: self.mixes.everywhere(lot) for lot in lots}
        return {lot: mixes for lot, mixes in found.items() if self.mixes.are_others(lot, mixes)}

    def _lots_in(self, mixes: Iterable[set[int]]) -> set[int]:
        return self.mixes.within(mix for each in mixes for mix in each)[1]


def _back(lots: Collection[int]) -> list[Link]:
    return list(reached(lots, back=True))


def _forward(lots: Collection[int]) -> list[Link]:
    return list(reached(lots, back=False))


def _made_by(batches: Collection[int]) -> dict[int, set[int]]:
    found: dict[int, set[int]] = {batch: set() for batch in batches}
    if batches:
        rows = Lot.objects.extra(where=[f"{Lot._meta.db_table}.batch_id {among()}"], params=[as_one(batches)])
        for lot, batch in rows.order_by().values_list("pk", "batch_id"):
            found[batch].add(lot)  # type: ignore[index]
    return found


# -- what is told of one place --------------------------------------------------------------------------


@dataclass(frozen=True)
class InPlace:
    """What may be in a refilled place at a time, by lot code, each since when; None: under the name of another lot.

    ``emptied``: when it was last found empty and clean.
    """

    emptied: datetime | None
    lots: tuple[tuple[Lot, datetime | None], ...]


def in_place(place: StoragePlace, at: datetime) -> InPlace:
    """What may be in a place at a time; nothing is mixed in one that is not refilled."""
    if not place.refilled:
        return InPlace(None, ())
    since = MixedPlaces(place.establishment).mixes.lying_in(place.pk, at)
    lots = Lot.objects.filter(pk__in=since).select_related("material", "state").order_by("code")
    found = FoundEmpty.objects.standing().filter(storage_place=place, is_clean=True, performed_at__lte=at)
    last = found.order_by("-performed_at").values_list("performed_at", flat=True).first()
    return InPlace(last, tuple((lot, since[lot.pk]) for lot in lots))


def puts_more_in(movement: Movement) -> bool:
    """Whether a movement tells that a lot lies in a refilled place: it came in, or was taken out though nobody put it in."""
    if movement.to_place is not None and movement.to_place.refilled:
        return True
    if movement.from_place is None or not movement.from_place.refilled:
        return False
    put = Movement.objects.standing().filter(lot=movement.lot_id, to_place=movement.from_place_id)
    return not put.exists()


# -- reading --------------------------------------------------------------------------------------------


def _emptied(places: Collection[UUID]) -> Iterator[Emptied]:
    rows = FoundEmpty.objects.standing().filter(storage_place__in=places, is_clean=True)
    for at, place in rows.order_by("performed_at", "pk").values_list("performed_at", "storage_place_id"):
        yield Emptied(at, place)


def _puts(places: Collection[UUID], emptied: Collection[Emptied]) -> list[Put]:
    """Where the lots that were ever in the places came to lie, in these and elsewhere."""
    touched = Movement.objects.standing().filter(Q(to_place__in=places) | Q(from_place__in=places)).order_by()
    taken = {
        (lot, place): first
        for lot, place, first in touched.values_list("lot_id", "from_place_id").annotate(Min("performed_at"))
    }
    rows = list(_of_lots({lot for lot, _ in taken}))
    puts = [_put(*row) for row in rows if row[3] is not None and (row[1] != MovementKind.COUNTED or row[5])]
    born = {lot: at for at, what, lot, *_ in reversed(rows) if what in BROUGHT}
    first_put: dict[tuple[int, UUID], datetime] = {}
    for put in puts:
        first_put.setdefault((put.lot, put.place), put.at)
    for (lot, place), first in taken.items():
        if place in places and ((lot, place) not in first_put or first_put[lot, place] > first):
            puts.append(Put(_from_when(lot, place, first, born, emptied), lot, place, fresh=False))
    return puts


def _of_lots(lots: Collection[int]) -> Iterator[tuple[Any, ...]]:
    """(when, what, lot, to, from, quantity) of all that brought lots, or brought them somewhere."""
    rows: Any = Movement.objects.standing().filter(Q(to_place__isnull=False) | Q(what__in=BROUGHT))
    rows = rows.extra(where=[f"{Movement._meta.db_table}.lot_id {among()}"], params=[as_one(lots)])
    columns = ("performed_at", "what", "lot_id", "to_place_id", "from_place_id", "quantity")
    yield from (
        rows.order_by("performed_at", "recorded_at", "id").values_list(*columns).iterator(chunk_size=5000)
    )


def _put(at: datetime, what: str, lot: int, place: UUID, out_of: UUID | None, quantity: int) -> Put:
    return Put(at, lot, place, out_of, what in BROUGHT)


def _from_when(
    lot: int, place: UUID, first: datetime, born: dict[int, datetime], emptied: Collection[Emptied]
) -> datetime:
    """A lot was taken out of a place that nobody put it in: then it may have been in since it was there to be put in."""
    cleared = [each.at for each in emptied if each.place == place and each.at < first]
    return min(first, max([born.get(lot, first), *cleared]))
