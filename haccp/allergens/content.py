"""What is in a lot by its actual genealogy, what may be in it, and what nobody stated. Derived, never typed.

Heat clears no allergen: nothing here asks how a lot was made, only of what.
"""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from typing import Generic, NamedTuple, TypeVar
from uuid import UUID

from batches.models import Lot, RecipeVersion
from batches.trace_reading import not_collecting
from haccp.allergens import contact as contact_of
from haccp.allergens import facts as known_facts
from haccp.allergens import planned, unrecorded
from haccp.allergens.bits import Plane
from haccp.allergens.facts import Facts, KnownLot, OpenLine
from haccp.allergens.mixed import Passed
from haccp.allergens.saying import Says, kept
from haccp.allergens.spread import Band
from haccp.allergens.touched import Contacts
from haccp.said import Said, joined
from ledger.models import Establishment

SULPHITES = "sulphites"
EXEMPT_ELSEWHERE = ", stated as exempt by a law that does not bind the list of %(lists)s"
CAUTION = (
    "Heat clears no allergen. What no document states is unknown, never absent. What is shown follows from the records as "
    "they stand; whether a label is right is for qualified people and your authority to say."
)
SAYS = {Plane.CONTAINS: Says.CONTAINS, Plane.MAY: Says.MAY_CONTAIN, Plane.EXEMPT: Says.EXEMPT}
Value = TypeVar("Value")


class MixedIn(NamedTuple):
    """A refilled place where a lot lay with others from a time on; it may have been taken out by the name of another."""

    place: UUID
    place_code: str
    since: datetime
    taken_as: str

    @property
    def in_words(self) -> Said:
        return Said(
            "mixed in %(place)s since %(since)s, taken out as %(code)s",
            place=self.place_code,
            since=f"{self.since:%Y-%m-%d %H:%M}",
            code=self.taken_as,
        )

    def __str__(self) -> str:
        return str.__str__(self.in_words)


class OnTheWay(NamedTuple):
    """A lot on a path, or a material where a recipe is asked. ``mixed_in``: how it went on, if not by its own name."""

    uid: UUID
    code: str
    mixed_in: MixedIn | None = None

    @property
    def in_words(self) -> Said:
        words = (self.code,) if self.mixed_in is None else (self.code, " (", self.mixed_in.in_words, ")")
        return joined("", words)

    def __str__(self) -> str:
        return str.__str__(self.in_words)


@dataclass(frozen=True)
class Path:
    """How something came in: from where it was stated to what was asked about, which stands last.

    ``statements``: the records that state it of the first; empty where it is that nobody does. ``note``: what else is to
    be known of it, in words that go on after the way.
    """

    steps: tuple[OnTheWay, ...]
    statements: tuple[UUID, ...] = ()
    note: str = ""

    @property
    def in_words(self) -> Said:
        return joined(" -> ", (step.in_words for step in self.steps))

    def __str__(self) -> str:
        return str.__str__(self.in_words)


@dataclass(frozen=True)
class Because:
    """Why something may be there: a supplier's word; contact, then ``batch`` left it on ``equipment``; or a ``line`` of the
    recipe of which ``batch`` records no use.

    ``path``: from the lot of which that is said, or that was touched, or the material of the line, to the lot asked about.
    """

    path: Path
    batch: str = ""
    batch_uid: UUID | None = None
    equipment: str = ""
    equipment_id: UUID | None = None
    line: int | None = None

    @property
    def by_contact(self) -> bool:
        return self.equipment_id is not None

    @property
    def in_words(self) -> Said:
        way = self.path.in_words
        if self.by_contact:
            return Said(
                "left on %(equipment)s by batch %(batch)s (%(way)s)",
                equipment=self.equipment,
                batch=self.batch,
                way=way,
            )
        if self.line is not None:
            return Said(
                "by line %(line)d of the recipe, of which batch %(batch)s records no use (%(way)s)",
                line=self.line,
                batch=self.batch,
                way=way,
            )
        return Said("by the supplier's word (%(way)s)", way=way)

    def __str__(self) -> str:
        return str.__str__(self.in_words)


class Lazily(Mapping[str, Value], Generic[Value]):
    """Codes, each with what is found out when it is asked for."""

    def __init__(
        self, codes: Iterator[str] | tuple[str, ...] = (), find: Callable[[str], Value] | None = None
    ):
        self._codes = dict.fromkeys(codes)
        self._find = find
        self._found: dict[str, Value] = {}

    def __getitem__(self, code: str) -> Value:
        if code not in self._codes or self._find is None:
            raise KeyError(code)
        if code not in self._found:
            self._found[code] = self._find(code)
        return self._found[code]

    def __contains__(self, code: object) -> bool:
        return code in self._codes

    def __iter__(self) -> Iterator[str]:
        return iter(self._codes)

    def __len__(self) -> int:
        return len(self._codes)

    def __repr__(self) -> str:
        return f"Lazily({list(self._codes)})"


@dataclass(frozen=True)
class Content:
    """What is in a lot, by what the lists say on its own day.

    ``contains``: with the shortest path. An allergen that counts from an amount on is here if it reaches the amount, or if
    the amount is not known. ``may``: by a supplier's word, by contact, or by a line of a recipe of which no use is recorded.
    ``by_line``: of ``may``, what such a line's material contains: a label has to name it as contained.
    ``unknown``: no statement about it for something that went in, or that such a line names; ``unstated`` says for what.
    ``exempt``: left out by the law that is named for it. ``below``: there, but less than any list in force asks for.
    ``unlisted``: there, and on no list that day. ``amounts``: mg/kg of what is counted by amount and was stated.
    ``unknown_by_contact``: of what was on the same equipment, nobody stated it.
    """

    contains: Mapping[str, Path]
    may: Mapping[str, Because]
    unknown: frozenset[str]
    unstated: Mapping[str, Path]
    exempt: Mapping[str, Path]
    below: Mapping[str, Path]
    unlisted: Mapping[str, Path]
    amounts: Mapping[str, Band]
    unknown_by_contact: Mapping[str, Because]
    by_line: Mapping[str, Because]

    @property
    def sulphites_mg_per_kg(self) -> Band | None:
        """Between which bounds; None where none were stated. A bound of None is not known."""
        return self.amounts.get(SULPHITES)


@not_collecting()
def of_lots(
    establishment: Establishment, lots: Collection[Lot], *, contact: bool = True
) -> dict[int, Content]:
    """By key: what is in each lot, and what may be, by contact too.

    Without ``contact``: by genealogy and statements alone, in one walk and a flat number of statements more, however
    many lots are asked for.
    """
    keys = [lot.pk for lot in lots]
    if not keys:
        return {}
    if not contact:
        facts = known_facts.load(establishment, keys)
        unrecorded.add_to(facts, establishment)
        return _contents(facts, keys)
    contacts = contact_of.load(establishment, keys)
    return _contents(contacts.facts, keys, contacts)


def of_recipe(version: RecipeVersion, on: date) -> Content:
    """What a product is going to contain by an approved recipe, with what is stated on a day; materials are its path.

    Nothing is told of contact: that depends on where and after what it will be made.
    """
    return _contents(planned.facts_of(version, on), [planned.START])[planned.START]


def of_recipes(versions: Sequence[RecipeVersion], on: date) -> list[Content]:
    """The same of many recipes of one house, in their order. Four statements, however many there are."""
    if not versions:
        return []
    keys = [planned.START + at for at in range(len(versions))]
    found = _contents(planned.facts_of_many(versions, on), keys)
    return [found[key] for key in keys]


class Contained(NamedTuple):
    """Codes: what a lot contains by what was recorded, and what only by lines of a recipe without a recorded use."""

    recorded: frozenset[str]
    by_line: frozenset[str]


def contained(facts: Facts, keys: Collection[int]) -> dict[int, Contained]:
    """By key: which listed allergens a lot contains by these facts, and where it counts in enough of it."""
    return {
        key: Contained(frozenset(found.contains), frozenset(found.by_line))
        for key, found in _contents(facts, keys).items()
    }


def _contents(facts: Facts, keys: Collection[int], contacts: Contacts | None = None) -> dict[int, Content]:
    amounts = known_facts.amounts(facts, _counted(facts, keys))
    return {key: _content(facts, facts.lots[key], amounts, contacts) for key in keys}


def _counted(facts: Facts, keys: Collection[int]) -> set[str]:
    """What some lot contains and some list asks for from an amount on."""
    bits, there = facts.bits, 0
    for key in keys:
        there |= bits.of(Plane.CONTAINS, facts.of(key))
    return {code for code in bits.codes_in(there) if bits.vocabulary.counts_by_amount(code)}


def _content(
    facts: Facts, lot: KnownLot, amounts: Mapping[str, Mapping[int, Band]], contacts: Contacts | None
) -> Content:
    bits, found = facts.bits, facts.of(lot.key)
    listed = bits.listed(lot.day)
    there, plain = bits.of(Plane.CONTAINS, found), partial(bits.of, bits=found)
    here = {
        code: by_lot[facts.whole(lot.key)] for code, by_lot in amounts.items() if there & bits.plain([code])
    }
    below = bits.plain(code for code, band in here.items() if _asked_by_none(facts, code, lot, band))
    contains = there & listed & ~below
    unknown = (plain(Plane.UNSTATED) | plain(Plane.OPEN_UNSTATED)) & listed & ~contains
    by_line = plain(Plane.OPEN_CONTAINS) & listed & ~contains
    may = (plain(Plane.MAY) | plain(Plane.TOUCHED) | plain(Plane.OPEN)) & listed & ~contains | by_line
    touched = plain(Plane.TOUCHED_BY_UNSTATED) & listed & ~contains & ~may & ~unknown
    way = partial(_path, facts, lot.key)
    return Content(
        contains=Lazily(bits.codes_in(contains), partial(way, Plane.CONTAINS)),
        may=Lazily(bits.codes_in(may), partial(_because, facts, lot.key, contacts)),
        unknown=frozenset(bits.codes_in(unknown)),
        unstated=Lazily(bits.codes_in(unknown), partial(_unstated, facts, lot.key)),
        exempt=Lazily(bits.codes_in(plain(Plane.EXEMPT) & ~contains), partial(way, Plane.EXEMPT)),
        below=Lazily(bits.codes_in(below), partial(way, Plane.CONTAINS)),
        unlisted=Lazily(bits.codes_in(there & ~listed), partial(way, Plane.CONTAINS)),
        amounts=here,
        unknown_by_contact=Lazily(bits.codes_in(touched), partial(_touched, facts, lot.key, contacts)),
        by_line=Lazily(bits.codes_in(by_line), partial(_by_line, facts, lot.key, Plane.OPEN_CONTAINS)),
    )


def _asked_by_none(facts: Facts, code: str, lot: KnownLot, band: Band) -> bool:
    """No list in force asks for it even at the highest amount it can have."""
    return band.high is not None and not facts.bits.vocabulary.asks(code, lot.day, band.high)


def _path(facts: Facts, key: int, plane: Plane, code: str) -> Path:
    lots = facts.path(key, plane, code)
    steps = tuple(_step(facts, *each) for each in lots)
    if not lots or plane not in SAYS:
        return Path(steps)
    first = lots[0][0]
    said = facts.statements_that_say(first.key, code, SAYS[plane])
    if plane == Plane.CONTAINS and not said:
        return _exempt_elsewhere(facts, first, code, steps)
    return Path(steps, tuple(each.pk for each in said))


def _step(facts: Facts, lot: KnownLot, passed: Passed | None = None) -> OnTheWay:
    if passed is None:
        return OnTheWay(lot.uid, lot.code)
    since, taken_as = passed.since.astimezone(facts.zone), facts.lots[passed.taken_as].code
    return OnTheWay(lot.uid, lot.code, MixedIn(passed.place, passed.place_code, since, taken_as))


def _unstated(facts: Facts, key: int, code: str) -> Path:
    """From the lot, or the material of an open line, of which nobody stated it."""
    if facts.of(key) & facts.bits.bit(Plane.UNSTATED, code):
        return _path(facts, key, Plane.UNSTATED, code)
    return _by_line(facts, key, Plane.OPEN_UNSTATED, code).path


def _exempt_elsewhere(facts: Facts, first: KnownLot, code: str, steps: tuple[OnTheWay, ...]) -> Path:
    """Contained although it is stated as exempt: a list in force knows no such exemption."""
    said = facts.statements_that_say(first.key, code, Says.EXEMPT)
    bases = [each.because for one in said for each in kept(one.says) if each.allergen == code]
    asking = sorted(
        {place for basis in bases for place in facts.bits.vocabulary.asking(code, basis, first.day)}
    )
    note = Said(EXEMPT_ELSEWHERE, lists=joined(" and ", asking)) if asking else ""
    return Path(steps, tuple(each.pk for each in said), note)


def _because(facts: Facts, key: int, contacts: Contacts | None, code: str) -> Because:
    """A line of a recipe that brings it for certain, else a supplier's word, else a line that may, else contact."""
    if facts.of(key) & facts.bits.bit(Plane.OPEN_CONTAINS, code):
        return _by_line(facts, key, Plane.OPEN_CONTAINS, code)
    if facts.of(key) & facts.bits.bit(Plane.MAY, code):
        return Because(_path(facts, key, Plane.MAY, code))
    if contacts is None or facts.of(key) & facts.bits.bit(Plane.OPEN, code):
        return _by_line(facts, key, Plane.OPEN, code)
    return _by_contact(facts, key, contacts, Plane.TOUCHED, code)


def _by_line(facts: Facts, key: int, plane: Plane, code: str) -> Because:
    """The first line that names it, of the recipe of the nearest batch on the way that lacks a use."""
    lots, bit = facts.path(key, plane, code), facts.bits.plain([code])
    first = lots[0][0].batch
    assert first is not None  # only what a batch made has open lines
    batch = facts.open[first]
    line = next(each for each in batch.lines if _of_line(each, plane) & bit)
    steps = (OnTheWay(line.material, line.code), *(_step(facts, *each) for each in lots))
    return Because(Path(steps), batch.code, batch.uid, line=line.position)


def _of_line(line: OpenLine, plane: Plane) -> int:
    of = {Plane.OPEN_CONTAINS: line.contains, Plane.OPEN: line.may, Plane.OPEN_UNSTATED: line.unstated}
    return of[plane]


def _touched(facts: Facts, key: int, contacts: Contacts | None, code: str) -> Because:
    assert contacts is not None  # else nothing is touched
    return _by_contact(facts, key, contacts, Plane.TOUCHED_BY_UNSTATED, code)


def _by_contact(facts: Facts, key: int, contacts: Contacts, plane: Plane, code: str) -> Because:
    """The lot on the way that was touched, by which batch, on what."""
    path = _path(facts, key, plane, code)
    first = facts.path(key, plane, code)[0][0]
    assert first.batch is not None  # only what a batch made is touched
    left = contacts.left_by(first.batch, code, unstated=plane == Plane.TOUCHED_BY_UNSTATED)
    if left is None:
        return Because(path)
    batch, equipment = left
    return Because(path, batch.code, batch.uid, contacts.code_of(equipment), equipment)
