"""A batch record as rows for spreadsheets and programs: checks first, then what went in, came out, was packed and decided.

What was left out of the record is not here either, since these are made of it.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from batches import quantities
from reports import check_lines, tables
from reports.tables import Table, text

if TYPE_CHECKING:
    from reports.batch_record import BatchRecord

LOTS = ("code", "material", "supplier", "supplier_code", "best_before", "made_by_batch", "status")
WEIGHED = ("at", "by", "keyed_by", "recorded_at", "late", "note", "lot_code", "part", "flags", "id")
MADE = ("lot_code", "material_name", "entered", "weighed_with", "at", "by", "late", "note", "flags", "id")
PACKING = ("moment", "lot", "label", "counts", "result", "findings")


def tables_of(record: "BatchRecord") -> tuple[Table, ...]:
    weighed = Table(
        "weighings",
        ("line", "material", "tolerance", "entered", "weighed_with", *WEIGHED),
        list(_weighed(record)),
    )
    made = (making for each in record.sheet.made for making in each.makings)
    answers = [each for case in record.cases for each in case.answers]
    decided = [each for case in record.cases for each in case.dispositions]
    return (
        check_lines.table(record.checks),
        tables.of_lines("lots used", record.lots_used, LOTS),
        weighed,
        tables.of_lines("made", made, MADE),
        tables.of_records("packing", record.packing, PACKING),
        tables.of_records("answers", answers, ("question", "text")),
        tables.of_records("decisions", decided, ("lot", "decision", "because")),
    )


def _weighed(record: "BatchRecord") -> Iterator[tuple[str, ...]]:
    """Every weighing below its line of the recipe; how much only where the record itself tells it."""
    for bare in record.weighed:
        name = f"{bare.material_code} {bare.material_name}".strip()
        yield from (_weighing(("", name, text(bare.result)), each) for each in bare.weighings)
    for line in record.sheet.lines:
        name = f"{line.material_code} {line.material_name}"
        yield from (
            _weighing((text(line.position), name, text(line.result)), each) for each in line.weighings
        )
    for other in (*record.sheet.outside_recipe, *record.sheet.unclear):
        yield _weighing(("", other.material_name, ""), other)


def _weighing(line: tuple[str, ...], each: Any) -> tuple[str, ...]:
    amount = (quantities.in_symbols(getattr(each, "entered", "")), text(getattr(each, "weighed_with", None)))
    return (*line, *amount, *(text(getattr(each, head)) for head in WEIGHED))
