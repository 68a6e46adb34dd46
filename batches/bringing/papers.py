"""All tables together: which rows are here already, whether what they name exists, and in which order things were."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cached_property
from graphlib import CycleError, TopologicalSorter
from typing import Any
from uuid import UUID

from batches.bringing import entries
from batches.bringing.columns import TABLES, House, When
from batches.bringing.entries import Entry
from batches.identifiers import is_plain_code
from batches.models import Batch, BroughtIn, Dimension, Lot, Material, StoragePlace, TradingPartner
from batches.movements import read_amount
from config.api.refusals import Reason, Unusable
from config.api.tables import Row, Table
from ledger.models import Establishment

MOST_GUESSES = 20  # of each kind of code: each is compared with every code there is (site setting, no source)


@dataclass
class Papers:
    """``all``: every row that could be read, by table; ``new``: those that are not here yet; ``known``: ids of the rest."""

    all: dict[str, list[Entry]]
    wrong: list[Reason]
    new: dict[str, list[Entry]] = field(default_factory=dict)
    known: dict[str, int] = field(default_factory=dict)

    @cached_property
    def batches(self) -> dict[str, list[Entry]]:
        """Rows of each batch; asked for only when all are read, and grouped once."""
        found: dict[str, list[Entry]] = {}
        for each in self.all["batches"]:
            found.setdefault(each.values["batch"], []).append(each)
        return found

    @cached_property
    def heads(self) -> dict[str, Entry]:
        """What is said of each batch itself."""
        return {each.key: each for each in self.all["batch"]}


def read(tables: Mapping[str, Table], establishment: Establishment, house: House) -> Papers:
    papers = Papers({name: [] for name in TABLES}, [])
    for name, table in tables.items():
        papers.all[name], wrong = entries.read(name, table, house)
        papers.wrong += wrong
    papers.all["batch"], wrong = entries.heads(papers.all["batches"])
    papers.wrong += wrong
    _sort_out_known(papers, establishment, house)
    papers.wrong += _wrong(papers, establishment, _Said.of(tables))
    return papers


@dataclass(frozen=True)
class _Said:
    """Codes in the files, whether their rows can be read or not: what a row names is asked of all of them."""

    materials: set[str]
    partners: set[str]
    places: set[str]
    lots: set[str]
    made: set[str]  # batches that made something

    @classmethod
    def of(cls, tables: Mapping[str, Table]) -> "_Said":
        def cells(table: str, column: str, **of: str) -> set[str]:
            rows = tables[table].rows if table in tables else []
            chosen = [
                row.cells for row in rows if all(row.cells.get(n, "").lower() == w for n, w in of.items())
            ]
            return {each[column] for each in chosen if column in each}

        return cls(
            cells("materials", "code"),
            cells("partners", "code"),
            cells("places", "code"),
            cells("lots", "code") | cells("batches", "lot", what="made"),
            cells("batches", "batch", what="made"),
        )


def _sort_out_known(papers: Papers, establishment: Establishment, house: House) -> None:
    """What was brought in before is left out, where it says the same; where it does not, that is an error."""
    ids = {each.id_in(establishment.pk) for several in papers.all.values() for each in several}
    stored: dict[UUID, Any] = BroughtIn.objects.in_bulk(list(ids))
    for name, several in papers.all.items():
        papers.new[name], papers.known[name] = [], 0
        for each in several:
            before = stored.get(each.id_in(establishment.pk))
            if before is None:
                papers.new[name].append(each)
                continue
            papers.known[name] += 1
            names = entries.changed(Row(before.file, before.line, before.cells), each, house)
            papers.wrong += [_changed(each, before, name) for name in names]


def _changed(entry: Entry, before: Any, column: str) -> Reason:
    sentence = (
        f"This row was brought in on {before.recorded_at.date()} from {before.file}, line {before.line}, and said "
        "something else here. What is recorded is corrected in the record, not by bringing it in again."
    )
    return entry.wrong("row-changed", sentence, column)


# -- what rows name ----------------------------------------------------------------------------------


def _wrong(papers: Papers, here: Establishment, said: _Said) -> Iterator[Reason]:
    materials = _Known("material", _codes(Material, here) | said.materials)
    partners = _Known("trading partner", _codes(TradingPartner, here) | said.partners)
    places = _Known("storage place", _codes(StoragePlace, here) | said.places)
    lots, measured = _Known("lot", _codes(Lot, here) | said.lots), Measured.by(papers, here)
    for each in papers.new["materials"]:
        yield from _of_material(each)
    for each in papers.new["lots"]:
        yield from _unknown(each, "material", materials)
        yield from _unknown(each, "supplier", partners)
        yield from _unknown(each, "place", places, needed=False)
        yield from _of_lot(each, measured)
    for each in papers.new["batches"]:
        made = each.values["what"] == "made"
        yield from _unknown(each, "material", materials, needed=made)
        yield from _unknown(each, "lot", lots)
        yield from _of_amount(each, "quantity", measured.of_lot(each.values["lot"]))
        yield from _of_release(each, _made_at(papers, each)) if made else _only_of_made(each)
    for each in papers.new["batch"]:
        yield from _of_batch(each, said)
    for each in papers.new["shipments"]:
        yield from _unknown(each, "customer", partners)
        yield from _unknown(each, "carrier", partners, needed=False)
        yield from _unknown(each, "lot", lots)
        yield from _of_amount(each, "quantity", measured.of_lot(each.values["lot"]))
    yield from _taken(papers, here)
    yield from _lots_twice(papers)
    yield from _circles(papers)


@dataclass(frozen=True)
class Measured:
    """By what a material is kept, here or by the files, and of which material a lot is."""

    materials: dict[str, Material]
    lots: dict[str, str]

    @classmethod
    def by(cls, papers: Papers, here: Establishment) -> "Measured":
        materials = {
            each.key: Material(name=each.values["name"], dimension=each.values.get("kept_by", Dimension.MASS))
            for each in papers.all["materials"]
        }
        stand = Material.objects.filter(establishment=here)
        lots = {each.key: each.values["material"] for each in papers.all["lots"]}
        lots |= {each.values["lot"]: each.values.get("material", "") for each in _made(papers)}
        stored = Lot.objects.filter(establishment=here).order_by().values_list("code", "material__code")
        return cls(materials | {each.code: each for each in stand}, lots | dict(stored))

    def of_lot(self, code: str) -> Material | None:
        return self.materials.get(self.lots.get(code, ""))


def _codes(kind: Any, here: Establishment) -> set[str]:
    return set(kind.objects.filter(establishment=here).order_by().values_list("code", flat=True))


def _made(papers: Papers) -> Iterable[Entry]:
    return (each for each in papers.all["batches"] if each.values["what"] == "made")


@dataclass(frozen=True)
class _Known:
    """The codes of one kind, here and in the files, and what each that is none of them may have been meant to be."""

    word: str
    codes: set[str]
    hints: dict[str, str] = field(default_factory=dict)

    def hint(self, said: str) -> str:
        if said not in self.hints:
            guess = get_close_matches(said, self.codes, 1) if len(self.hints) < MOST_GUESSES else []
            self.hints[said] = f" Did you mean {guess[0]}?" if guess else ""
        return self.hints[said]


def _unknown(entry: Entry, column: str, known: _Known, *, needed: bool = True) -> Iterator[Reason]:
    said = entry.values.get(column)
    if said is None:
        if needed and column not in entry.cells:
            yield entry.wrong("missing", f"Give the {column}.", column)
    elif said not in known.codes:
        sentence = f"There is no {known.word} {said[:30]!a}, here or in the files.{known.hint(said)}"
        yield entry.wrong("unknown-code", sentence, column)


def _of_material(entry: Entry) -> Iterator[Reason]:
    if "short_name" not in entry.values and not is_plain_code(entry.key):
        sentence = "Give a short name of 1 to 6 of A-Z and 0-9: the code is none, and it begins lot codes."
        yield entry.wrong("short-name", sentence, "short_name")


def _of_lot(entry: Entry, measured: Measured) -> Iterator[Reason]:
    amounts = [name for name in ("quantity", "on_hand") if name in entry.values]
    if not amounts:
        yield entry.wrong("missing", "Give the quantity that came, or what is on hand.", "quantity")
    for name in amounts:
        yield from _of_amount(entry, name, measured.materials.get(entry.values["material"]))
    came = entry.values["received_on"]
    yield from _of_release(entry, came)
    counted = entry.values.get("counted_on")
    if counted is not None and counted.moment.at < came.moment.at:
        yield entry.wrong("before-it-came", "It was counted before it came.", "counted_on")


def _of_amount(entry: Entry, column: str, material: Material | None) -> Iterator[Reason]:
    """``material``: None where the row names none that is known, which is told by itself."""
    amount, beside = entry.values[column], entry.values.get("quantity")
    unit = amount.unit or entry.values.get("unit") or (beside.unit if beside else "")
    if not unit:
        yield entry.wrong("missing", "Give the unit, beside the amount or in the column unit.", "unit")
    elif not amount.value and (column != "on_hand" or beside is None):
        yield entry.wrong("not-positive", "The amount must be more than 0.", column)
    elif material is not None:
        try:
            read_amount(material, amount.text, unit, positive=bool(amount.value))
        except Unusable as refusal:
            for each in refusal.reasons:
                at = "unit" if each.field == "unit" and "unit" in entry.values else column
                yield entry.wrong(each.code, each.detail, at)


def _of_release(entry: Entry, since: When | None) -> Iterator[Reason]:
    said = [name for name in ("released_on", "released_by") if name in entry.values]
    if len(said) == 1:
        lacking = "released_by" if said == ["released_on"] else "released_on"
        sentence = "A release of the past needs its day and who gave it; leave both out where your papers do not say."
        yield entry.wrong("missing", sentence, lacking)
    elif said and since is not None and _is_before(entry.values["released_on"], since):
        yield entry.wrong("before-it-was", "It was released before it came or was made.", "released_on")


def _only_of_made(entry: Entry) -> Iterator[Reason]:
    for name in ("rework", "best_before", "released_on", "released_by"):
        if name in entry.values:
            yield entry.wrong("only-of-made", "This is said of a lot that the batch made.", name)


def _made_at(papers: Papers, line: Entry) -> Any:
    """When what the batch made came to be: when it ended, or began if no end is told. None if neither is known."""
    head = papers.heads[line.values["batch"]].values
    return head.get("ended", head.get("began"))


def _is_before(one: When, other: When) -> bool:
    """By their days where either has no time of day."""
    if one.day_only or other.day_only:
        return one.day < other.day
    return one.moment.at < other.moment.at


def _of_batch(head: Entry, said: _Said) -> Iterator[Reason]:
    began, ended = head.values.get("began"), head.values.get("ended")
    if began and ended and ended.moment.at < began.moment.at:
        yield head.wrong("ends-before-it-began", "It ended before it began.", "ended")
    if head.key not in said.made:
        sentence = f"Batch {head.key} made nothing: give the lot that it made in a row of its own."
        yield head.wrong("made-nothing", sentence, "what")


def _taken(papers: Papers, here: Establishment) -> Iterator[Reason]:
    """Codes that lots and batches here have already, by other means than these rows."""
    lots, batches = _codes(Lot, here), _codes(Batch, here)
    new = [(each, "code", each.key, lots) for each in papers.new["lots"]]
    made = (each for each in papers.new["batches"] if each.values["what"] == "made")
    new += [(each, "lot", each.values["lot"], lots) for each in made]
    new += [(each, "batch", each.key, batches) for each in papers.new["batch"]]
    for entry, column, code, taken in new:
        if code in taken:
            yield entry.wrong("code-taken", f"{code} stands here already, and not by this row.", column)


def _lots_twice(papers: Papers) -> Iterator[Reason]:
    """A lot comes from one receipt or one batch."""
    first: dict[str, Entry] = {each.values["code"]: each for each in papers.all["lots"]}
    for each in _made(papers):
        code = each.values["lot"]
        before = first.setdefault(code, each)
        if before is not each:
            where = f"{before.row.file}, line {before.row.line}"
            yield each.wrong(
                "lot-twice", f"Lot {code} comes from {where} already; a lot comes from one place.", "lot"
            )


def order(papers: Papers) -> list[str]:
    """Codes of the batches: each after those whose lots it used, then by when it began. Raises CycleError."""
    made = {each.values["lot"]: each.values["batch"] for each in _made(papers)}
    began = {
        each.key: each.values["began"].moment.at for each in papers.all["batch"] if "began" in each.values
    }
    sorter: TopologicalSorter[str] = TopologicalSorter()
    for code in sorted(began, key=lambda code: (began[code], code)):
        used = (each.values["lot"] for each in papers.batches[code] if each.values["what"] == "used")
        sorter.add(code, *sorted({made[lot] for lot in used if lot in made and made[lot] in began}))
    return list(sorter.static_order())


def _circles(papers: Papers) -> Iterator[Reason]:
    try:
        order(papers)
    except CycleError as error:
        circle = list(dict.fromkeys(error.args[1]))
        head = papers.heads[circle[0]]
        sentence = f"These batches went into each other in a circle, which cannot be: {', '.join(circle)}."
        yield head.wrong("circle", sentence, "lot")
