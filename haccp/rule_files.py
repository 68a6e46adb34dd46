"""Local rules as a file, YAML or CSV: read row by row, so that every error can be told by line and column.

Nothing is guessed: a cell is the text that stands there, and becomes a number, a day, or yes or no only where its
column says so. An empty cell is one that is not filled in. No database is asked.
"""

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from difflib import get_close_matches
from importlib.resources import files
from typing import Any

import yaml
from yaml.events import (
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from batches.quantities import parse_number
from batches.texts import is_one_line
from config.api.characters import UNKEEPABLE
from config.api.refusals import Reason, Unusable
from haccp.models.rules import Effect, MeantFor

MOST_BYTES = 1_000_000
MOST_ROWS = 500
CONFIRMATION = {"confirmed_by", "confirmed_at"}
SAME_END = {"lower": {"lower", "upper"}, "in_force_until": {"in_force_from", "in_force_until"}}
"""What is said of one column follows from the other too, and is not told twice."""
_SETS = files("haccp").joinpath("rule_sets")
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_EMPTY = {"", "~", "null", "Null", "NULL"}


class UnreadableRules(Unusable):
    """The file as a whole cannot be read; ``field`` says which line. Nothing was kept."""

    code = "unreadable-rules"


@dataclass(frozen=True)
class Row:
    """One rule of a file. ``cells``: what is filled in, by column. ``lines``: where each stands, if not in ``line``."""

    line: int
    cells: dict[str, str]
    lines: dict[str, int]

    def at(self, reason: Reason) -> Reason:
        """The reason with its line and column, for people and for programs."""
        line = self.lines.get(reason.field, self.line)
        detail = f"Line {line}, {reason.field}: {reason.detail}"
        return replace(reason, detail=detail, field=f"line {line}.{reason.field}")


def example_sets() -> tuple[str, ...]:
    """The names of the example sets that ship with the service."""
    return tuple(sorted(file.name.removesuffix(".yaml") for file in _SETS.iterdir() if ".yaml" in file.name))


def example_set(name: str) -> list[Row]:
    """An example set. Its rules are to be confirmed with the authority, as any that is brought in."""
    return from_yaml(_SETS.joinpath(f"{name}.yaml").read_bytes())


# -- the file ---------------------------------------------------------------------------------------


def from_csv(text: str | bytes) -> list[Row]:
    """Rows of a table with a header line; columns are parted by commas or semicolons. Raises UnreadableRules."""
    plain = _decoded(text)
    header, _, _ = plain.partition("\n")
    # split by the ends of lines that a table has, not by every character that Unicode calls one
    lines_of_text = io.StringIO(plain, newline="")
    reader = csv.reader(lines_of_text, delimiter=";" if ";" in header else ",", strict=True)
    try:
        lines = list(_records(reader))
    except csv.Error as error:
        raise _unreadable(reader.line_num, str(error)) from None
    _refuse_other_columns(lines[0][1] if lines else [])
    return _some([_csv_row(line, cells, lines[0][1]) for line, cells in lines[1:]])


def _records(reader: Any) -> Iterator[tuple[int, list[str]]]:
    """Each record with the line it begins in; a cell may hold several lines."""
    begins = 1
    for cells in reader:
        if any(cell.strip() for cell in cells):
            yield begins, [cell.strip() for cell in cells]
        begins = reader.line_num + 1


def _refuse_other_columns(header: list[str]) -> None:
    if not header:
        raise UnreadableRules("The file is empty.")
    reasons = [replace(reason, field="line 1") for name in header if (reason := _unknown(name))]
    reasons += [
        Reason("column-twice", f"The column {name} stands twice.", "line 1")
        for name in {name for name in header if header.count(name) > 1}
    ]
    if reasons:
        raise UnreadableRules("The header is not that of local rules. None was written.", reasons=reasons)


def _csv_row(line: int, cells: list[str], header: list[str]) -> Row:
    if len(cells) != len(header):
        raise _unreadable(line, f"{len(cells)} cells under {len(header)} columns")
    return Row(line, {name: cell for name, cell in zip(header, cells, strict=True) if cell}, {})


def from_yaml(text: str | bytes) -> list[Row]:
    """Rows of a list of rules, each with named entries: ``- code: ...``. Raises UnreadableRules."""
    plain = _decoded(text)
    try:
        events = yaml.parse(plain, Loader=_LOADER)
        begun = [next(events, None) for _ in range(2)]  # of the stream, of its first document
        if not isinstance(begun[1], DocumentStartEvent):
            raise UnreadableRules("The file is empty.")
        rows = list(_yaml_rows(events))
        _refuse_second(events)
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        raise _unreadable(line, error.problem or "not YAML") from None
    except yaml.YAMLError:
        raise UnreadableRules("The file holds a character that YAML does not allow.") from None
    return _some(rows)


def _yaml_rows(events: Iterator[Event]) -> Iterator[Row]:
    _expect(next(events), SequenceStartEvent, "a list of rules belongs here, each begun with a dash")
    while not isinstance(event := next(events), SequenceEndEvent):
        _expect(event, MappingStartEvent, "a rule with named entries belongs here")
        yield _yaml_row(_line(event), events)


def _yaml_row(begins: int, events: Iterator[Event]) -> Row:
    cells: dict[str, str] = {}
    lines: dict[str, int] = {}
    while not isinstance(event := next(events), MappingEndEvent):
        name = _expect(event, ScalarEvent, "the name of an entry belongs here").value
        value = _expect(
            next(events), ScalarEvent, f"{name[:40]} is one value, no list and no part of its own"
        )
        if name in lines:
            raise _unreadable(_line(event), f"{name[:40]} stands twice in this rule")
        lines[name] = _line(value)
        empty = value.style in (None, "") and value.value in _EMPTY
        cells |= {} if empty else {name: value.value.strip()}
    return Row(begins, {name: cell for name, cell in cells.items() if cell}, lines)


def _expect(event: Event, kind: type[Event], what: str) -> Any:
    if not isinstance(event, kind) or getattr(event, "anchor", None):
        raise _unreadable(_line(event), what)
    if getattr(event, "tag", None) not in (None, "!"):
        raise _unreadable(_line(event), "a type (!...) stands here; leave it out")
    return event


def _refuse_second(events: Iterator[Event]) -> None:
    for event in events:
        if isinstance(event, DocumentStartEvent):
            raise _unreadable(_line(event), "a second document begins; a file holds one list of rules")


def _line(event: Event) -> int:
    return event.start_mark.line + 1 if event.start_mark else 1


def _unreadable(line: int, what: str) -> UnreadableRules:
    return UnreadableRules(f"Line {line}: {what}. None was written.", field=f"line {line}")


def _decoded(text: str | bytes) -> str:
    if len(text) > MOST_BYTES:
        raise UnreadableRules(f"The file is larger than {MOST_BYTES} bytes. None was written.")
    try:
        plain = text.decode("utf-8-sig") if isinstance(text, bytes) else text.removeprefix("\ufeff")
    except UnicodeError:
        raise UnreadableRules("The file is not UTF-8 text; save it as UTF-8 and send it again.") from None
    if found := UNKEEPABLE.search(plain):
        line = plain.count("\n", 0, found.start()) + 1
        raise _unreadable(line, f"a character that cannot be kept (U+{ord(found[0]):04X})")
    return plain


def _some(rows: list[Row]) -> list[Row]:
    if not rows:
        raise UnreadableRules("The file holds no rule.")
    if len(rows) > MOST_ROWS:
        raise UnreadableRules(f"The file holds {len(rows)} rules; at most {MOST_ROWS} come in at once.")
    return rows


# -- the cells --------------------------------------------------------------------------------------


def values(row: Row) -> tuple[dict[str, Any], list[Reason]]:
    """What the row says, as a rule keeps it (``material`` left out), and what in it cannot be read."""
    read: dict[str, Any] = {}
    wrong: list[Reason] = []
    for name, cell in row.cells.items():
        if unknown := _unknown(name):
            wrong.append(unknown)
        elif name != "material":
            try:
                read[name] = COLUMNS[name](cell, name)
            except Unusable as refusal:
                wrong += refusal.reasons
    wrong += [
        Reason("missing", f"Give its {name}.", name) for name in ("code", "name") if name not in row.cells
    ]
    return read, wrong


def _unknown(name: str) -> Reason | None:
    if name in COLUMNS:
        return None
    if name in CONFIRMATION:
        return Reason("confirmed-by-signature", "A rule is confirmed by signature, one by one.", name)
    guess = get_close_matches(name, COLUMNS, 1)
    hint = f"did you mean {guess[0]}?" if guess else f"known are {', '.join(COLUMNS)}."
    return Reason("unknown-column", f"{name[:40]!a} is no column of local rules; {hint}", name)


def _text(cell: str, name: str) -> str:
    return cell


def _one_line(cell: str, name: str) -> str:
    if not is_one_line(cell, len(cell)):
        raise Unusable("Give one line, without control characters.", code="not-one-line", field=name)
    return cell


def _number(cell: str, name: str) -> Any:
    return parse_number(cell, field=name)


def _yes_or_no(cell: str, name: str) -> bool:
    if cell.lower() not in _YES_OR_NO:
        raise Unusable(f"Write yes or no, not {cell[:20]!a}.", code="not-yes-or-no", field=name)
    return _YES_OR_NO[cell.lower()]


def _day(cell: str, name: str) -> date:
    try:
        if len(cell) != 10 or "W" in cell:  # of the forms of ISO 8601 the one that everybody reads alike
            raise ValueError
        return date.fromisoformat(cell)
    except ValueError:
        sentence = f"Write the day as year-month-day, as in 2026-03-02, not {cell[:20]!a}."
        raise Unusable(sentence, code="not-a-day", field=name) from None


def _one_of(choices: Any) -> Callable[[str, str], str]:
    def read(cell: str, name: str) -> str:
        if cell not in choices.values:
            sentence = f"{cell[:20]!a} is none of {', '.join(choices.values)}."
            raise Unusable(sentence, code="unknown-name", field=name)
        return cell

    return read


_YES_OR_NO = {"yes": True, "true": True, "no": False, "false": False}
COLUMNS: dict[str, Callable[[str, str], Any]] = {
    "code": _one_line,
    "name": _one_line,
    "subject": _text,
    "material": _text,  # by its code here
    "quantity": _text,
    "condition": _text,
    "lower": _number,
    "lower_inclusive": _yes_or_no,
    "upper": _number,
    "upper_inclusive": _yes_or_no,
    "unit": _text,
    "authority": _text,
    "citation": _text,
    "provenance": _text,
    "in_force_from": _day,
    "in_force_until": _day,
    "intended_use": _text,
    "meant_for": _one_of(MeantFor),
    "effect": _one_of(Effect),
}
"""What a rule may say, and how its cell is read."""
