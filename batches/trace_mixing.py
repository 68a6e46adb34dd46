"""What a trace reaches through places that are topped up before they are empty, beside the edges.

Whatever was taken out of such a place may be any lot that lay in it (``batches.mixed_places``), so what is reached there
may be concerned and has no share. Nothing is left out: a mix is told once, however many lots were taken out of it.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any
from uuid import UUID

from batches.edges import WAY, walked
from batches.genealogy import grown
from batches.mixed_places import Link, MixedPlaces, Walk
from batches.models import Batch, StoragePlace
from batches.trace_results import Direction, MixedLots, TakenAs

SHARE = WAY.split(", ").index("share")


class Mixing:
    """Nothing without places. ``ahead``, ``behind``: the walks forward and back, where the trace goes that way."""

    def __init__(
        self, places: MixedPlaces | None = None, ahead: Walk | None = None, behind: Walk | None = None
    ):
        self.places, self.ahead, self.behind = places, ahead, behind

    @classmethod
    def along(
        cls,
        places: MixedPlaces,
        direction: Direction,
        starts: Collection[int],
        inward: Sequence[Link],
        onward: Sequence[Link],
    ) -> "Mixing":
        """Further than the edges ``inward`` and ``onward``, which were walked from the starts."""
        ahead = behind = None
        if direction != Direction.BACK:
            ahead = places.forward(starts, read=_onward, links=onward)
        if direction != Direction.FORWARD:
            behind = places.back(starts, whole=starts, read=_inward, links=inward)
        return cls(places, ahead, behind)

    def hold_more(self, mixes: Collection[int]) -> None:
        """Mixes that were reached forward over shared equipment."""
        if self.places is not None and self.ahead is not None and mixes:
            self.places.hold_more(self.ahead, mixes)

    # -- by keys ---------------------------------------------------------------------------------------

    @cached_property
    def lots_ahead(self) -> frozenset[int]:
        """The lots that may be concerned forward, also only by their name."""
        return self._lots(self.ahead)

    @cached_property
    def lots_behind(self) -> frozenset[int]:
        return self._lots(self.behind)

    def _lots(self, walk: Walk | None) -> frozenset[int]:
        if walk is None or self.places is None:
            return frozenset()
        named = {self.places.mixes.named[mix].lot for mix in self._shown_of(walk)}
        return frozenset(walk.lots | walk.under.keys() | named | {lot for _, lot in walk.drawn})

    def links(self, walk: Walk | None, known: Collection[Link]) -> list[Link]:
        """The edges of a walk that were not walked before."""
        if walk is None:
            return []
        before = {link[:3] for link in known}
        return [link for key, link in walk.links.items() if key not in before]

    def by_name(self, walk: Walk | None, links: Iterable[Link]) -> Iterator[Link]:
        """Edges without the share of what was taken out of a mix: what is left of a share does not rest on a name."""
        drawn: Mapping[Any, Any] = {} if walk is None else walk.drawn
        for link in links:
            yield (*link[:SHARE], 0.0) if (link[2], link[0]) in drawn else link

    @cached_property
    def shown(self) -> list[int]:
        """The mixes that are told, the earlier first."""
        found = {mix for walk in (self.ahead, self.behind) if walk for mix in self._shown_of(walk)}
        return sorted(found, reverse=True)

    def _shown_of(self, walk: Walk) -> set[int]:
        """Of a way forward those that hold some of it; always only those out of which something was taken or lies."""
        assert self.places is not None
        taken = (mix for behind in (*walk.drawn.values(), *walk.under.values()) for mix in behind)
        within = self.places.mixes.within(taken)[0]
        return within & walk.held if walk is self.ahead else within

    @cached_property
    def taken(self) -> dict[tuple[int | None, int], set[int]]:
        """By batch and lot the mixes that may be in what was used under its name; without a batch in all of that name."""
        found: dict[tuple[int | None, int], set[int]] = {}
        for walk in (self.ahead, self.behind):
            if walk is not None:
                under = {(None, lot): mixes for lot, mixes in walk.under.items()}
                for use, mixes in (*walk.drawn.items(), *under.items()):
                    found[use] = found.get(use, set()) | mixes
        return found

    def connected(
        self, starts: Sequence[int], inward: Iterable[Link], onward: Iterable[Link]
    ) -> dict[int, int]:
        """By lot, which of the starts it is or may be connected with: one bit for each.

        What may be under the name of a lot is apart from it: what was made of the lot itself is not made of that.
        """
        bits = {lot: 1 << place for place, lot in enumerate(starts)}
        ahead = grown(bits, [*((link[0], link[1]) for link in onward), *self._mixed_ahead()])
        under = {("as", lot): bit for lot, bit in bits.items()}
        behind = grown(bits | under, [*((link[1], link[0]) for link in inward), *self._mixed_behind(inward)])
        found: dict[int, int] = {}
        for key, bit in (*ahead.items(), *behind.items()):
            lot = key[1] if isinstance(key, tuple) else key
            found[lot] = found.get(lot, 0) | bit
        return found

    def _mixed_ahead(self) -> Iterator[tuple[Any, Any]]:
        walk = self.ahead
        if walk is None or self.places is None:
            return
        for mix in walk.held:
            yield from ((part, mix) for part in self.places.mixes.sources[mix])
        for (batch, _), behind in walk.drawn.items():
            yield from ((mix, made) for mix in behind for made in walk.made.get(batch, ()))
        for lot, behind in walk.under.items():
            yield from ((mix, ("as", lot)) for mix in behind)

    def _mixed_behind(self, inward: Iterable[Link]) -> Iterator[tuple[Any, Any]]:
        walk = self.behind
        if walk is None or self.places is None:
            return
        for link in inward:
            yield from ((link[1], mix) for mix in walk.drawn.get((link[2], link[0]), ()))
        for lot, behind in walk.under.items():
            yield from ((("as", lot), mix) for mix in behind)
        for mix in self._shown_of(walk):
            yield from ((mix, part) for part in self.places.mixes.sources[mix])

    # -- told ------------------------------------------------------------------------------------------

    def lots_of(self, page: Collection[int]) -> set[int]:
        """The lots that the mixes on a page name."""
        return {part for mix in self._on(page) for part in self._parts(mix) if part > 0}

    def _on(self, page: Collection[int]) -> list[int]:
        if self.places is None:
            return []
        return [mix for mix in self.shown if self.places.mixes.named[mix].lot in page]

    def _parts(self, mix: int) -> tuple[int, ...]:
        assert self.places is not None
        return self.places.mixes.sources[mix]

    def told(
        self, page: Collection[int], uids: Mapping[int, UUID]
    ) -> tuple[tuple[MixedLots, ...], tuple[TakenAs, ...]]:
        """The mixes, and what was taken out of them, that stand with the lots of a page."""
        if self.places is None or not self.shown:
            return (), ()
        number = {mix: place for place, mix in enumerate(self.shown)}
        taken = {use: mixes for use, mixes in sorted(self.taken.items(), key=_by_lot) if use[1] in page}
        batches = Batch.objects.in_bulk({batch for batch, _ in taken if batch is not None})
        return tuple(self._mixes(page, uids, number)), tuple(
            TakenAs(
                uids[lot],
                None if batch is None else batches[batch].uid,
                "" if batch is None else batches[batch].code,
                tuple(sorted(number[mix] for mix in mixes if mix in number)),
            )
            for (batch, lot), mixes in taken.items()
        )

    def _mixes(
        self, page: Collection[int], uids: Mapping[int, UUID], number: Mapping[int, int]
    ) -> Iterator[MixedLots]:
        assert self.places is not None
        named = {mix: self.places.mixes.named[mix] for mix in self._on(page)}
        codes = dict(
            StoragePlace.objects.filter(pk__in={each.place for each in named.values()}).values_list(
                "pk", "code"
            )
        )
        for mix, each in named.items():
            parts = self._parts(mix)
            lots = tuple(uids[part] for part in parts if part > 0)
            earlier = tuple(sorted(number[part] for part in parts if part in number))
            yield MixedLots(
                number[mix], each.place, codes[each.place], each.since, uids[each.lot], lots, earlier
            )


def _by_lot(item: tuple[tuple[int | None, int], Any]) -> tuple[int, int]:
    (batch, lot), _ = item
    return lot, batch or 0


def _onward(lots: Collection[int]) -> list[Link]:
    return walked(lots, back=False, forward=True)[1]


def _inward(lots: Collection[int]) -> list[Link]:
    return walked(lots, back=True, forward=False)[0]
