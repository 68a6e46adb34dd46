"""A small maker's years as rows, the same rows every time, for the benchmarks of traces and of allergens.

Sixty bought materials, six product families, five sets a working day. A set is one syrup, two fillings of it, one
coating, and three finished batches of two lots, each lot shipped whole; 95 movements or so. What a regime says of
rework decides how far a lot reaches. What is written is what the deeds would have left: records with their entries,
lots, batches, edges, states, stays on equipment and cleaning breaks. Not written: digests that hold, seals, evidence.
"""

import random
from collections import deque
from collections.abc import Collection, Iterator
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any, NamedTuple

from django.db import connection

from batches import edges, genealogy, lots
from batches.genealogy import Amount, Link
from batches.models import (
    Batch,
    BatchEnd,
    BatchStart,
    BatchState,
    CleaningBreak,
    Edge,
    Equipment,
    Lot,
    LotDecision,
    LotState,
    Material,
    MaterialKind,
    Movement,
    Occupation,
    Recipe,
    RecipeVersion,
    TradingPartner,
)
from batches.models.batches import hours_within
from benchmarks.rows import Table, settle, unguarded
from ledger import establishments
from ledger.acts import Act, Moment
from ledger.models import Entry, Establishment, Person

BEGIN = datetime(2016, 1, 4, tzinfo=UTC)
BOUGHT, PACKAGING, FAMILIES, SETS_A_DAY = 60, 12, 6, 5
FINISHED_A_SET, PACKS = 3, 400
REWORK_KEPT, USES_OF_REWORK = 200, 3  # portions that wait, of fillings of any family
CUSTOMERS = 100
MOVEMENTS_A_WRITE = 20_000
KG = 1_000_000  # mg
KINDS = ("received", "used", "made", "shipped")  # what happens to lots here


class Regime(NamedTuple):
    """``rework``: how many of the fillings take some, of up to ``tubs`` lots; ``heel``: how many coatings are made on what is
    left of the last."""

    rework: float
    tubs: int
    heel: float


REGIMES = {
    "occasional": Regime(0.15, 1, 0.0),
    "heavy": Regime(0.6, 2, 0.5),
    "never-emptied": Regime(1.0, 2, 1.0),
}


class Part(NamedTuple):
    """Some of a lot: base steps, and milligrams of food (0 for packaging)."""

    lot: int
    quantity: int
    mass: int


class House:
    """The maker. ``grow`` goes on from where it stopped, so that one house can be measured at several sizes."""

    def __init__(self, regime: str = "occasional", *, cleaned_every: int = 1) -> None:
        """``cleaned_every``: after so many days each piece of equipment is cleaned of everything; 0: never."""
        self.regime, self.cleaned_every = REGIMES[regime], cleaned_every
        self.random = random.Random(7)
        founder = Person.objects.create_user("bench", password=None, name="Bench", initials="B")
        self.here: Establishment = establishments.open_establishment(
            founder=founder, name="Bench", address="-", country="DE", time_zone="Europe/Berlin"
        )
        self.act = Act(self.here, founder, Moment.of(BEGIN), founder)
        self._furnish()
        self.movements = self.sets = self._records = self._batches = self._lots = 0
        self._makers: dict[int, int] = {}  # by lot: the batch that made it
        self._deliveries: dict[int, list[int]] = {}  # by material: lot, uses left, amount of one use
        self._rework = deque[Part](maxlen=REWORK_KEPT)
        self._heel: Part | None = None

    # -- reference data ---------------------------------------------------------------------------------

    def _furnish(self) -> None:
        self.bought = [
            self._material(
                f"M{n}", MaterialKind.PACKAGING if n >= BOUGHT - PACKAGING else MaterialKind.INGREDIENT
            )
            for n in range(BOUGHT)
        ]
        self.syrup = self._material("SYR", MaterialKind.INTERMEDIATE)
        self.coating = self._material("COA", MaterialKind.INTERMEDIATE)
        self.fillings = [self._material(f"F{n}", MaterialKind.INTERMEDIATE) for n in range(2 * FAMILIES)]
        self.finished = [self._material(f"P{n}", MaterialKind.FINISHED) for n in range(FAMILIES)]
        made = [self.syrup, self.coating, *self.fillings, *self.finished]
        self.versions = {each.pk: self._version(each) for each in made}
        food = range(BOUGHT - PACKAGING)
        self._of_syrup, self._of_coating = self.random.sample(food, 10), self.random.sample(food, 10)
        self._of_filling = [
            self.random.sample(food, self.random.randint(12, 23)) for _ in range(2 * FAMILIES)
        ]
        self._of_pack = [self.random.sample(range(BOUGHT - PACKAGING, BOUGHT), 4) for _ in range(FAMILIES)]
        self.supplier = self._partner("S", is_supplier=True)
        self.customers = [self._partner(f"C{n}", is_customer=True) for n in range(CUSTOMERS)]
        codes = ["K0", "K1", "F0", "F1", "F2", "F3", "C0", "C1", *(f"P{n}" for n in range(FINISHED_A_SET))]
        self.equipment = {
            code: Equipment.objects.create(establishment=self.here, code=code, name=code, kind=code[0])
            for code in codes
        }

    def _material(self, code: str, kind: str) -> Material:
        counted = kind == MaterialKind.PACKAGING
        return Material.objects.create(
            establishment=self.here,
            code=code,
            name=code,
            short_name=code,
            kind=kind,
            dimension="count" if counted else "mass",
        )

    def _version(self, material: Material) -> RecipeVersion:
        recipe = Recipe.objects.create(
            establishment=self.here, code=material.code, name=material.name, material=material
        )
        version = RecipeVersion.new(
            self.act.with_new_id(), recipe=recipe, material=material, number=1, document={"lines": []}
        )
        return version.insert()

    def _partner(self, code: str, **part: bool) -> TradingPartner:
        return TradingPartner.objects.create(establishment=self.here, code=code, name=code, **part)

    # -- growing ----------------------------------------------------------------------------------------

    def grow(self, movements: int) -> None:
        """Work days until there are at least so many movements."""
        tables = self._tables
        written = (Entry, Lot, Batch, Movement, Edge, Occupation, CleaningBreak, LotDecision)
        with unguarded(*written, BatchStart, BatchEnd, BatchState):
            waiting = self.movements
            while self.movements < movements:
                self._set()
                if self.movements - waiting > MOVEMENTS_A_WRITE:
                    waiting = self.movements
                    self._write()
            self._write()
        with unguarded(LotState):
            self._state_lots()
        assert not any(each.rows for each in tables.values())
        settle()

    def _write(self) -> None:
        for each in self._tables.values():
            if each.rows:
                each.write()

    def _state_lots(self) -> None:
        """What ``batches.lots.rebuild`` would write, in one statement."""
        lot, state, moved, decided = (m._meta.db_table for m in (Lot, LotState, Movement, LotDecision))
        told = {
            "lot_id": "lot.id",
            "establishment_id": "lot.establishment_id",
            "status": "COALESCE(decided.status, 'awaiting')",
            "supplier_id": "done.supplier",
            "supplier_code": "''",
            "withdrawn": "FALSE",
            "on_hand": "done.on_hand",
            "mass": "done.mass",
        }
        told |= {kind: f"done.{kind}" for kind in KINDS}
        told |= dict.fromkeys(["returned", "sent_back", "sampled", "destroyed", "unexplained"], "0")
        sums = [f"SUM(CASE WHEN what = '{kind}' THEN quantity ELSE 0 END) AS {kind}" for kind in KINDS]
        sums.append("SUM(CASE WHEN what IN ('received', 'made') THEN mass ELSE 0 END) AS mass")
        sums.append(f"SUM(effect) AS on_hand, {_supplier()} AS supplier")
        with connection.cursor() as cursor:
            cursor.execute(f"DELETE FROM {state}")
            cursor.execute(
                f"INSERT INTO {state} ({', '.join(told)}) SELECT {', '.join(told.values())} FROM {lot} lot "
                f"JOIN (SELECT lot_id, {', '.join(sums)} FROM {moved} GROUP BY lot_id) done ON done.lot_id = lot.id "
                f"LEFT JOIN {decided} decided ON decided.lot_id = lot.id"
            )

    # -- one set ----------------------------------------------------------------------------------------

    def _set(self) -> None:
        day, turn = divmod(self.sets, SETS_A_DAY)
        begins = BEGIN + timedelta(days=day // 5 * 7 + day % 5, hours=6, minutes=100 * turn)
        family, line = self.random.randrange(FAMILIES), self.sets % 2
        syrup = self._run(begins, 30, self.syrup, [f"K{line}"], self._weighed(self._of_syrup, begins), [80])[
            0
        ]
        halves = _split(syrup, 2)
        tubs = [
            self._filling(begins + timedelta(minutes=30), 2 * family + n, f"F{2 * line + n}", halves[n])
            for n in range(2)
        ]
        coat = self._coating(begins + timedelta(minutes=30), f"C{line}")
        thirds = list(zip(*(_split(each, FINISHED_A_SET) for each in (*tubs, coat)), strict=True))
        for n, parts in enumerate(thirds):
            at = begins + timedelta(minutes=70 + 10 * n)
            used = [*parts, *self._weighed(self._of_pack[family], at)]
            for lot in self._run(at, 10, self.finished[family], [f"P{n}", f"C{line}"], used, [50, 50]):
                self._ship(lot, at + timedelta(days=1), at + timedelta(days=2))
        self.sets += 1
        if turn + 1 == SETS_A_DAY and self.cleaned_every and (day + 1) % self.cleaned_every == 0:
            self._clean(begins + timedelta(hours=4))

    def _filling(self, begins: datetime, number: int, where: str, syrup: Part) -> Part:
        used, pool = [syrup, *self._weighed(self._of_filling[number], begins)], self._rework
        if self.random.random() < self.regime.rework:
            used += self._taken(pool)
        tub, left_over = self._run(begins, 40, self.fillings[number], [where], used, [90, 10], rework=True)
        pool.extend(_split(left_over, USES_OF_REWORK))
        return tub

    def _taken(self, pool: deque[Part]) -> list[Part]:
        """Portions of different lots, since a batch has one amount of each."""
        tubs = min(self.random.randint(1, self.regime.tubs), len(pool))
        chosen = self.random.sample(range(len(pool)), tubs)
        taken = {pool[place].lot: pool[place] for place in chosen}
        for each in taken.values():
            pool.remove(each)
        return list(taken.values())

    def _coating(self, begins: datetime, where: str) -> Part:
        used = self._weighed(self._of_coating, begins)
        if self._heel and self.random.random() < self.regime.heel:
            used.append(self._heel)
        made = self._run(begins, 30, self.coating, [where], used, [100])[0]
        self._heel = Part(made.lot, made.quantity // 20, made.quantity // 20)
        return Part(made.lot, made.quantity - self._heel.quantity, made.mass - self._heel.mass)

    def _weighed(self, materials: Collection[int], at: datetime) -> list[Part]:
        return [self._bought(each, at) for each in materials]

    def _bought(self, number: int, at: datetime) -> Part:
        """Some of the delivery that is open, or of a new one."""
        counted = number >= BOUGHT - PACKAGING
        if not self._deliveries.get(number, [0, 0])[1]:
            uses = self.random.randint(30, 180) if counted else self.random.randint(10, 120)
            amount = PACKS if counted else KG * self.random.randint(1, 5)
            lot = self._lot("bought", self.bought[number], at)
            self._deliveries[number] = [lot, uses, amount]
            food = 0 if counted else uses * amount
            self._move("received", lot, at, Part(lot, uses * amount, food), self.supplier.pk.hex)
        delivery = self._deliveries[number]
        delivery[1] -= 1
        return Part(delivery[0], delivery[2], 0 if counted else delivery[2])

    def _run(
        self,
        begins: datetime,
        minutes: int,
        material: Material,
        where: Collection[str],
        used: list[Part],
        percent: list[int],
        rework: bool = False,
    ) -> list[Part]:
        """A batch that makes lots of ``percent`` of what went in; with ``rework`` the last of them is set aside."""
        ends, into = begins + timedelta(minutes=minutes), self._tables
        self._batches += 1
        batch, version = self._batches, self.versions[material.pk].pk.hex
        permission, start, end = (self._entry(kind, begins) for kind in ("permission", "start", "end"))
        at, until = _sent(begins), _sent(ends)
        mass = sum(each.mass for each in used)
        into["batch"].rows.append((batch, start, f"B{batch}", version, permission, start))
        on = ", ".join(f'"{self.equipment[code].pk}"' for code in where)
        into["starts"].rows.append((start, at, at, batch, f"B{batch}", version, permission, mass, f"[{on}]"))
        into["ends"].rows.append((end, until, until, batch))
        into["batch states"].rows.append((batch, at, until))
        hours = hours_within(begins, ends)
        into["stays"].rows += [(batch, self.equipment[code].pk.hex, at, until, hours) for code in where]
        for each in used:
            self._move("used", each.lot, begins, each, batch)
        made = []
        for number, part in enumerate(percent):
            kind = "rework" if rework and number + 1 == len(percent) else "made"
            lot = self._lot(kind, material, ends, batch)
            made.append(Part(lot, mass * part // 100, mass * part // 100))
            self._move("made", lot, ends, made[-1], batch)
        found = genealogy.links(
            [Amount(*each, self._makers.get(each.lot)) for each in used], [Amount(*each) for each in made]
        )
        for *told, maker in found:
            if maker is None:
                into["edges of bought"].rows.append((*told, batch))
            else:
                into["edges of made"].rows.append((*told, batch, maker))
        self._last_end = end
        return made

    def _lot(self, how: str, material: Material, at: datetime, batch: int | None = None) -> int:
        """Its birth bears the next number, so write that next."""
        self._lots += 1
        birth = _uid(at, self._records + 1)
        made = () if batch is None else (batch,)
        if batch is not None:
            self._makers[self._lots] = batch
        row = (self._lots, birth, f"L{self._lots}", material.pk.hex, f"{at:%Y-%m-%d}", birth, *made)
        self._tables[f"lots {how}"].rows.append(row)
        said = ', "rework_from": "trim"' if how == "rework" else ""
        self._newborn = (self._lots, f'{{"material": "{material.pk}"{said}}}')
        return self._lots

    def _move(self, what: str, lot: int, at: datetime, part: Part, other: Any) -> None:
        """``other``: the batch, or the partner."""
        born, told = getattr(self, "_newborn", (0, "{}"))
        told = told if born == lot else "{}"
        self._newborn = (0, "{}")
        self.movements += 1
        uid, sent = self._entry("movement", at), _sent(at)
        sign = 1 if what in ("received", "made") else -1
        self._tables[what].rows.append(
            (uid, sent, sent, lot, part.quantity, sign * part.quantity, part.mass, other, told)
        )

    def _ship(self, part: Part, decided: datetime, at: datetime) -> None:
        decision, sent = self._entry("decision", decided), _sent(decided)
        self._tables["decisions"].rows.append((decision, sent, sent, part.lot, decision))
        self._move("shipped", part.lot, at, part, self.random.choice(self.customers).pk.hex)

    def _clean(self, at: datetime) -> None:
        """Everything is cleaned of everything; stands while the record of the last batch's end stands."""
        self._tables["breaks"].rows += [
            (each.pk.hex, _sent(at), self._last_end) for each in self.equipment.values()
        ]

    def _entry(self, kind: str, at: datetime) -> str:
        self._records += 1
        uid = _uid(at, self._records)
        self._tables[f"{kind} entries"].rows.append((uid,))
        return uid

    # -- where it is written ------------------------------------------------------------------------------

    @cached_property
    def _tables(self) -> dict[str, Table]:
        return dict(self._describe())

    def _describe(self) -> Iterator[tuple[str, Table]]:
        here = {"establishment_id": self.here.pk}
        kinds = {"movement": Movement, "start": BatchStart, "end": BatchEnd, "decision": LotDecision}
        for kind in (*kinds, "permission"):
            told = kinds[kind].kind if kind in kinds else "haccp.start-permission"
            yield f"{kind} entries", Table(Entry, here | {"kind": told, "digest": "0" * 64}, ["id"])
        of_lot = ["id", "uid", "code", "material_id", "day", "birth_id"]
        yield "lots bought", Table(Lot, here | {"is_rework": False, "batch_id": None}, of_lot)
        for how in ("made", "rework"):
            yield f"lots {how}", Table(Lot, here | {"is_rework": how == "rework"}, [*of_lot, "batch_id"])
        of_batch = ["id", "uid", "code", "recipe_version_id", "permission_id", "birth_id"]
        yield "batch", Table(Batch, here | {"plan_version_id": None}, of_batch)
        yield "batch states", Table(BatchState, here, ["batch_id", "started_at", "ended_at"])
        of_edge = ["source_id", "target_id", *Link._fields[2:-1], "batch_id"]
        yield "edges of bought", Table(Edge, here | {"maker_id": None}, of_edge)
        yield "edges of made", Table(Edge, here, [*of_edge, "maker_id"])
        yield "stays", Table(Occupation, {}, ["batch_id", "equipment_id", "since", "until", "within_hours"])
        scope = {"allergens": "all", "microbiological": True, "foreign-bodies": True}
        yield "breaks", Table(CleaningBreak, {"scope": scope}, ["equipment_id", "at", "because_id"])
        of_start = ["batch_id", "code", "recipe_version_id", "permission_id", "planned", "equipment"]
        yield "starts", self._records_of(BatchStart, {"plan_version_id": None, "entered": "1 KGM"}, of_start)
        yield "ends", self._records_of(BatchEnd, {}, ["batch_id"])
        yield "decisions", self._records_of(LotDecision, {"status": "released"}, ["lot_id", "because_id"])
        for what in KINDS:
            yield from self._movements_of(what)

    def _movements_of(self, what: str) -> Iterator[tuple[str, Table]]:
        other = "batch_id" if what in ("used", "made") else "partner_id"
        nothing = [
            "batch_id",
            "partner_id",
            "part_id",
            "recipe_line",
            "from_place_id",
            "to_place_id",
            "carrier_id",
            "order_id",
            "weighed_with",
        ]
        same: dict[str, Any] = dict.fromkeys([*nothing, "best_before"])
        same |= {"what": what, "entered": "1", "unit": "MGM", "document": "", "flags": []}
        del same[other]
        varies = ["lot_id", "quantity", "effect", "mass", other, "new_lot"]
        yield what, self._records_of(Movement, same, varies)

    def _records_of(self, kind: Any, same: dict[str, Any], varies: list[str]) -> Table:
        person = self.act.performed_by.pk
        nothing = dict.fromkeys(["sent_at", "corrects_id"])
        text = dict.fromkeys(["place", "note", "reason"], "")
        digests = {"request_digest": "0" * 64, "digest": "0" * 64, "form": 1, "salts": {}}
        people = {"establishment_id": self.here.pk, "performed_by_id": person, "recorded_by_id": person}
        whole = people | nothing | text | digests | {"performed_offset": 0, "withdrawn": False} | same
        return Table(kind, whole, ["id", "performed_at", "recorded_at", *varies])


def faults() -> list[str]:
    """Where the edges and states written here are not what the service would compute from the movements."""
    return [*edges.differences(), *lots.differences()]


def _split(part: Part, into: int) -> list[Part]:
    one = part.quantity // into
    sizes = [one] * (into - 1) + [part.quantity - one * (into - 1)]
    return [Part(part.lot, size, size) for size in sizes]


def _uid(at: datetime, number: int) -> str:
    """A uuid of version 7 that nothing but the time and the number decide."""
    return f"{int(at.timestamp() * 1000):012x}7{number & 0xFFF:03x}8{number:015x}"


def _sent(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S}"


def _supplier() -> str:
    """PostgreSQL finds no greatest of uuids."""
    if connection.vendor == "postgresql":
        return "(ARRAY_AGG(partner_id) FILTER (WHERE what = 'received'))[1]"
    return "MAX(CASE WHEN what = 'received' THEN partner_id END)"
