"""Writes what papers say. Each record bears the day it is about, is marked as brought in, and follows from its row.

What nobody here asked at the time is not flagged as if it had been broken: a past batch has no permission and no plan,
its recipe is not known here, and whether a lot was accepted before it was used is known only where the papers say so.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Any

from django.db import transaction
from django.db.models import Min

from batches import edges, judging, lots, quantities, reference, runs, stock
from batches.bringing.columns import Amount, When
from batches.bringing.entries import Entry, id_of
from batches.bringing.papers import Papers, order
from batches.flags import LOT_NOT_READY, SENTENCES, Flag
from batches.models import (
    Batch,
    BroughtIn,
    Dimension,
    Lot,
    LotDecision,
    LotState,
    LotStatus,
    Material,
    Movement,
    MovementKind,
    Recipe,
    RecipeVersion,
    StoragePlace,
    TradingPartner,
)
from batches.movements import begin, write
from batches.recipe_documents import NOT_KNOWN
from config.api.refusals import Reason, Refusal, RuleBroken
from ledger.acts import Act
from ledger.models import Entry as LedgerEntry

KEPT_BY = {"kept_by": "dimension"}
PARTS = {part: f"is_{part}" for part in ("supplier", "customer", "carrier", "laboratory")}
COLUMN_OF = {"dimension": "kept_by", "piece_mass_mg": "piece_mass", "partner": "customer"} | {
    name: column for column, name in PARTS.items()
}
"""The column in which a field's fault is to be mended."""
RECIPE_NOTES = "How this was made before these records began is not known here."


class Lacking(Exception):
    """What a row names was refused in its own row; that one says why."""


@dataclass
class Past:
    """``told``: what is out of order in what is written, and nothing to refuse."""

    act: Act
    papers: Papers
    wrong: list[Reason] = field(default_factory=list)
    told: list[Reason] = field(default_factory=list)
    new: dict[str, int] = field(default_factory=dict)
    stands: dict[str, int] = field(default_factory=dict)
    _found: dict[tuple[Any, str], Any] = field(default_factory=dict)

    def write(self) -> None:
        """Everything that is new, in the order in which it was."""
        lines = self._new_lines()
        self._each("materials", self.papers.new["materials"], self._material)
        self._each("partners", self.papers.new["partners"], self._partner)
        self._each("places", self.papers.new["places"], self._place)
        self._each("lots", self.papers.new["lots"], self._lot)
        heads = self.papers.heads
        fresh = {each.key for each in self.papers.new["batch"]}
        for code in order(self.papers):
            head, of_batch = heads[code], lines.get(code, [])
            if code in fresh:
                self._each("batch", [head], self._batch)
            self._each("batches", [e for e in of_batch if e.values["what"] == "used"], self._used)
            self._each("batches", [e for e in of_batch if e.values["what"] == "made"], self._made)
            if code in fresh:
                self._each("", [head], self._end)
            self._each("", [e for e in of_batch if "released_on" in e.values], self._released)
        self._each("shipments", self.papers.new["shipments"], self._shipped)
        self._each("", [e for e in self.papers.new["lots"] if "on_hand" in e.values], self._counted)

    def _new_lines(self) -> dict[str, list[Entry]]:
        found: dict[str, list[Entry]] = {}
        for each in self.papers.new["batches"]:
            found.setdefault(each.values["batch"], []).append(each)
        return found

    def _each(self, counted_as: str, several: list[Entry], do: Callable[[Entry], bool | None]) -> None:
        """Each by itself, so that all errors are told at once; whoever called undoes everything if there are any."""
        for entry in several:
            try:
                with transaction.atomic():
                    stood = do(entry)
            except Lacking:
                continue
            except Refusal as refusal:
                self.wrong += [
                    entry.wrong(r.code, r.detail, COLUMN_OF.get(r.field, r.field)) for r in refusal.reasons
                ]
                continue
            if counted_as:
                tally = self.stands if stood else self.new
                tally[counted_as] = tally.get(counted_as, 0) + 1

    # -- who did it, when, by which row --------------------------------------------------------------

    def _id(self, entry: Entry, what: str = "") -> Any:
        return id_of(self.act.establishment.pk, entry.table, entry.key, what)

    def _then(self, entry: Entry, what: str, when: When) -> Act:
        """The act that a row tells of: on its day, by whoever brings it in, since the papers name nobody of here."""
        where = f"Brought in from {entry.row.file}, line {entry.row.line}."
        day_only = "The papers give the day, not the time of day." if when.day_only else ""
        note = " ".join(filter(None, (where, day_only, entry.values.get("note"))))
        return self.act.with_new_id(id=self._id(entry, what), performed=when.moment, note=note)

    def _row(self, entry: Entry) -> BroughtIn:
        act = self.act.with_new_id(id=self._id(entry), note=self.act.note)
        said = {"from_table": entry.table, "row_key": entry.key, "cells": entry.cells}
        return BroughtIn.new(act, file=entry.row.file[:200], line=entry.row.line, **said).insert()

    def _here(self, kind: Any, code: str) -> Any:
        if (kind, code) not in self._found:
            row = kind.objects.filter(establishment=self.act.establishment, code=code).first()
            if row is None:
                raise Lacking
            self._found[kind, code] = row
        return self._found[kind, code]

    # -- reference data ------------------------------------------------------------------------------

    def _material(self, entry: Entry) -> bool:
        said = dict(entry.values)
        values: dict[str, Any] = {
            name: said[name] for name in ("code", "name", "kind", "shelf_life_days", "gtin") if name in said
        }
        values["short_name"] = said.get("short_name", said["code"])
        values["dimension"] = said.get("kept_by", Dimension.MASS)
        if "piece_mass" in said:
            values["piece_mass_mg"] = _mass(said["piece_mass"])
        return self._reference(entry, Material, values)

    def _partner(self, entry: Entry) -> bool:
        said = {PARTS.get(name, name): value for name, value in entry.values.items()}
        return self._reference(entry, TradingPartner, said)

    def _place(self, entry: Entry) -> bool:
        return self._reference(entry, StoragePlace, dict(entry.values))

    def _reference(self, entry: Entry, kind: Any, values: dict[str, Any]) -> bool:
        """Whether such a row stands here already; that one stays as it is, and it is told in what the file differs."""
        stands = kind.objects.filter(establishment=self.act.establishment, code=entry.key).first()
        if stands is None:
            row = self._row(entry)
            reference.make(
                act=self.act.with_new_id(id=self._id(entry, "row"), note=row.note), kind=kind, values=values
            )
            return False
        names = [
            COLUMN_OF.get(name, name) for name, value in values.items() if getattr(stands, name) != value
        ]
        if names:
            sentence = f"{entry.key} stands here already and stays as it is; the file says something else in "
            self.told.append(entry.wrong("stands-already", f"{sentence}{', '.join(names)}."))
        return True

    # -- lots ----------------------------------------------------------------------------------------

    def _lot(self, entry: Entry) -> None:
        said, when = entry.values, entry.values["received_on"]
        material, supplier = (
            self._here(Material, said["material"]),
            self._here(TradingPartner, said["supplier"]),
        )
        act = self._then(entry, "receipt", when)
        if "quantity" not in said:
            act = self.act.with_new_id(id=act.id, performed=act.performed, note=f"{act.note} {OF_COUNT}")
        amount = _amount(said, "quantity" if "quantity" in said else "on_hand")
        new_lot = _new_lot(material, said["code"], said, supplier_code=said.get("supplier_code", ""))
        movement = begin(
            act,
            MovementKind.RECEIVED,
            material=material,
            new_lot=new_lot,
            best_before=lots.best_before(material, when.day, said.get("best_before")),
            partner=supplier,
            to_place=self._here(StoragePlace, said["place"]) if "place" in said else None,
            document=said.get("document", ""),
            **amount,
        )
        row = self._row(entry)
        movement.lot = lots.bring(
            act=act, movement=movement, material=material, batch=None, code=said["code"], is_rework=False
        )
        self._write(entry, act, movement, judging.of_partner(supplier.is_supplier))
        self._release(entry, row, movement.lot)

    def _counted(self, entry: Entry) -> None:
        said = entry.values
        lot = self._here(Lot, said["code"])
        when = said.get("counted_on") or When(self.act.performed, self.act.local_day, False)
        act = self._then(entry, "count", when)
        movement = begin(act, MovementKind.COUNTED, lot=lot, **_amount(said, "on_hand"))
        movement.effect = movement.quantity - stock.expected(lot, at=movement.performed_at)
        self._write(entry, act, movement, [])

    def _release(self, entry: Entry, row: BroughtIn, lot: Lot) -> None:
        """The lot counts as released since then because the row says so: a fact of the past, signed by nobody here.

        It is no way round what is decided here: a lot that is held stays so, and since releases are signed here the
        papers give none.
        """
        if "released_on" not in entry.values:
            return
        against = self._against_release(lot, entry.values["released_on"].day)
        if against:
            self.told.append(entry.wrong(*against, "released_on"))
            return
        act = self.act.with_new_id(performed=entry.values["released_on"].moment)
        lots.decide(act=act, lots=[lot], status=LotStatus.RELEASED, because=row)

    def _against_release(self, lot: Lot, day: date) -> tuple[str, str] | None:
        """Code and sentence of why the papers do not release the lot."""
        status = LotState.objects.values_list("status", flat=True).get(lot=lot)
        if status != LotStatus.AWAITING:
            sentence = f"Lot {lot.code} is {status} here, and the release in the papers does not change that."
            return "stays-as-decided", f"{sentence} It is decided on here."
        if self._first_decided is not None and day >= self._first_decided:
            sentence = f"Starts and releases are decided here since {self._first_decided}"
            return (
                "decided-here",
                f"{sentence}: lot {lot.code} was taken down and awaits a decision. Release it here.",
            )
        return None

    @cached_property
    def _first_decided(self) -> date | None:
        """The day on which the first batch ran that was permitted here, or the first lot was released here."""
        here = self.act.establishment
        permitted = Batch.objects.filter(establishment=here).exclude(permission__kind=BroughtIn.kind)
        released = LotDecision.objects.filter(establishment=here, status=LotStatus.RELEASED)
        moments = (
            permitted.aggregate(at=Min("state__started_at"))["at"],
            released.exclude(because__kind=BroughtIn.kind).aggregate(at=Min("performed_at"))["at"],
        )
        days = [at.astimezone(here.zone).date() for at in moments if at is not None]
        return min(days, default=None)

    # -- batches -------------------------------------------------------------------------------------

    def _batch(self, head: Entry) -> None:
        made = next(e for e in self.papers.batches[head.key] if e.values["what"] == "made")
        material = self._here(Material, made.values["material"])
        amount = _amount(head.values, "planned", made.values) if "planned" in head.values else None
        act = self._then(head, "start", head.values["began"])
        record = runs.shape_start(
            act=act,
            recipe_version=self._recipe_version(material),
            **(amount or _amount(made.values, "quantity")),
        )
        row = self._row(head)
        runs.start(
            act=act,
            record=record,
            permission=LedgerEntry.objects.get(pk=row.pk),
            plan_version=None,
            code=head.key,
        )

    def _recipe_version(self, material: Material) -> RecipeVersion:
        """Stands for how a product was made before; nobody approved it here, and nothing may be started by it."""
        version_id = id_of(self.act.establishment.pk, "recipe", str(material.pk), "version")
        known: Any = RecipeVersion.objects.filter(pk=version_id).first()
        if known is not None:
            return known  # type: ignore[no-any-return]
        recipe_id = id_of(self.act.establishment.pk, "recipe", str(material.pk))
        recipe = Recipe.objects.filter(pk=recipe_id).first() or self._recipe(recipe_id, material)
        act = self.act.with_new_id(id=version_id)
        document = {NOT_KNOWN: True, "notes": RECIPE_NOTES}
        return RecipeVersion.new(act, recipe=recipe, material=material, number=1, document=document).insert()

    def _recipe(self, recipe_id: Any, material: Material) -> Recipe:
        taken = set(
            Recipe.objects.filter(establishment=self.act.establishment).values_list("code", flat=True)
        )
        names = (f"BEFORE-{material.code}"[:20], f"BEFORE-{str(material.pk)[-12:]}")
        values = {
            "code": next(code for code in names if code not in taken),
            "name": f"Before these records: {material.name}"[:120],
            "material": material,
            "in_use": False,
        }
        return reference.make(act=self.act.with_new_id(id=recipe_id), kind=Recipe, values=values)

    def _of_batch(self, line: Entry) -> tuple[Batch, When]:
        """The batch of a row, and when it was used or made: as far as the papers say, when the batch began or ended."""
        head = self.papers.heads[line.values["batch"]]
        batch = self._here(Batch, head.key)
        when = head.values["began"]
        return batch, when if line.values["what"] == "used" else head.values.get("ended", when)

    def _used(self, line: Entry) -> None:
        said, (batch, when) = line.values, self._of_batch(line)
        lot = self._here(Lot, said["lot"])
        if "material" in said and lot.material.code != said["material"]:
            raise RuleBroken(
                f"Lot {lot.code} is {lot.material.code}.", code="other-material", field="material"
            )
        act = self._then(line, "movement", when)
        movement = begin(act, MovementKind.USED, lot=lot, batch=batch, **_amount(said))
        if edges.comes_from(lot, batch):
            raise RuleBroken(
                f"Lot {lot.code} came out of batch {batch.code}, or of one made of it.",
                code="comes-from-this-batch",
                field="lot",
            )
        self._row(line)
        self._write(line, act, movement, [*judging.of_taking(movement), *_known_of_lot(movement)])

    def _made(self, line: Entry) -> None:
        said, (batch, when) = line.values, self._of_batch(line)
        material, rework = self._here(Material, said["material"]), said.get("rework", False)
        act = self._then(line, "movement", when)
        movement = begin(
            act,
            MovementKind.MADE,
            material=material,
            batch=batch,
            new_lot=_new_lot(material, said["lot"], said, is_rework=rework),
            best_before=lots.best_before(material, when.day, said.get("best_before")),
            **_amount(said),
        )
        self._row(line)
        movement.lot = lots.bring(
            act=act, movement=movement, material=material, batch=batch, code=said["lot"], is_rework=rework
        )
        self._write(line, act, movement, [])

    def _end(self, head: Entry) -> None:
        batch = self._here(Batch, head.key)
        when = head.values.get("ended", head.values["began"])
        runs.end(act=self._then(head, "end", when), batch=batch)

    def _released(self, line: Entry) -> None:
        row: Any = BroughtIn.objects.get(pk=self._id(line))
        self._release(line, row, self._here(Lot, line.values["lot"]))

    # -- shipments -----------------------------------------------------------------------------------

    def _shipped(self, entry: Entry) -> None:
        said = entry.values
        lot, customer = self._here(Lot, said["lot"]), self._here(TradingPartner, said["customer"])
        carrier = self._here(TradingPartner, said["carrier"]) if "carrier" in said else None
        act = self._then(entry, "movement", said["shipped_on"])
        movement = begin(
            act,
            MovementKind.SHIPPED,
            lot=lot,
            partner=customer,
            carrier=carrier,
            document=said.get("document", ""),
            **_amount(said),
        )
        self._row(entry)
        flags = [
            *judging.of_taking(movement),
            *_known_of_lot(movement),
            *judging.of_partner(customer.is_customer),
        ]
        if LOT_NOT_READY.intersection(flags):
            flags.append(Flag.SHIPPED_NOT_RELEASED)
        elif not _was_decided(movement):
            sentence = f"The papers do not say that lot {lot.code} was released before it was shipped."
            self.told.append(entry.wrong("release-not-known", sentence, "lot"))
        self._write(entry, act, movement, flags)

    # -- small steps ---------------------------------------------------------------------------------

    def _write(self, entry: Entry, act: Act, movement: Movement, flags: list[Flag]) -> None:
        earlier = movement.lot_id and movement.lot.birth_id != movement.pk and _birth(movement.lot)
        if earlier and movement.performed_at < earlier:
            sentence = f"Lot {movement.lot.code} was not there yet on that day, as the papers have it."
            self.told.append(entry.wrong("before-it-was", sentence, "lot"))
        write(act, movement, [Flag.BROUGHT_IN, *flags])
        self.told += [
            entry.wrong(flag, SENTENCES[Flag(flag)]) for flag in movement.flags if flag != Flag.BROUGHT_IN
        ]


OF_COUNT = "How much came is not known; this is what was left when it was counted."


def _birth(lot: Lot) -> Any:
    born: Any = Movement.objects.get(pk=lot.birth_id)
    return born.performed_at


def _known_of_lot(movement: Movement) -> Iterator[Flag]:
    """What is known of the lot then. That nobody here had decided on it yet is no fact about the past."""
    for flag in judging.of_lot(movement):
        if flag != Flag.LOT_AWAITING or _was_decided(movement):
            yield flag


def _was_decided(movement: Movement) -> bool:
    return bool(LotDecision.objects.standing().filter(lot=movement.lot_id).exists())


def _amount(
    said: dict[str, Any], name: str = "quantity", beside: dict[str, Any] | None = None
) -> dict[str, Any]:
    """An amount with its unit: beside it, in its own column, or as the quantity of the row has it."""
    amount: Amount = said[name]
    rows = [said, beside or {}]
    units = [amount.unit, *(each.get("unit") for each in rows)]
    units += [each["quantity"].unit for each in rows if "quantity" in each]
    return {"quantity": amount.text, "unit": next(filter(None, units))}


def _mass(amount: Amount) -> int:
    if not amount.unit:
        raise RuleBroken("Say in which unit, as in 12.5 g.", code="missing", field="piece_mass")
    return quantities.parse(
        amount.text, amount.unit, positive=True, field="piece_mass", unit_field="piece_mass"
    ).base


def _new_lot(material: Material, code: str, said: dict[str, Any], **more: Any) -> dict[str, Any]:
    best_before = said.get("best_before")
    told = {
        "material": str(material.pk),
        "code": code,
        "best_before": best_before.isoformat() if best_before else "",
    }
    return told | more
