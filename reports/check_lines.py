"""A check as a line of a document: what was read as entered and as judged, by which bounds, with what, and its marks."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Any, Self

from django.utils.translation import get_language, gettext_lazy
from django.utils.translation import gettext as _

from batches.trace_reading import not_collecting
from config.templatetags.moments import local_time
from haccp.bounds import in_force_from_json
from haccp.check_sheets import Scan
from haccp.judging import GONE, SENTENCES, run_flags
from haccp.limits import Result
from haccp.models import Check, Instrument, Series
from haccp.series_uses import gone, named_in
from ledger.acts import Moment
from reports import amounts, kept_sentences, limit_words, occasions
from reports.documents import Column, RecordLine, Transcribed
from reports.tables import RECORD_HEADS, Table, record_cells, text

NONE_NAMED = gettext_lazy("no instrument named")
"""Of a value that was measured; what was seen or counted needs none."""
IN_DOUBT = gettext_lazy("In doubt: the instrument failed a verification. See its deviation.")


_EXTREME = re.compile(r"(?P<which>Highest|Lowest) of (?P<count>\d+) readings: (?P<figure>.+)")
_BOUNDS = re.compile(r"; (?=[^;]+ must be )")
_CONVERTED = re.compile(r"Read (?P<figure>.+) \(entered .+\)")


@dataclass(frozen=True)
class JudgedReading:
    """One reading as entered and as judged, with the bounds and who set them. ``came_to``: the figure that was judged,
    where it is not the one that was entered: of readings over time, or in another unit."""

    quantity: str
    entered: str
    must: str
    source: str
    result: str
    margin: str
    sentence: str
    warning: str = ""
    came_to: str = ""


@dataclass(frozen=True, kw_only=True)
class CheckLine(RecordLine):
    """A check with its readings; corrected ones stay, struck. ``instrument``: with what it was measured, or that none was
    named; empty only where nothing was measured."""

    point: str
    name: str
    kind: str
    part: int | None
    occasion: str
    instrument: str
    readings: tuple[JudgedReading, ...]
    result: Result
    flags: tuple[str, ...]

    @property
    def control(self) -> tuple[str, ...]:
        """Which point, on which part and occasion, as it stands in the table."""
        part = _("part %d") % self.part if self.part else ""
        return f"{self.point} {self.name}", ", ".join(
            filter(None, (_(self.kind), part, occasions.occasion(self.occasion)))
        )

    @property
    def read(self) -> tuple[str, ...]:
        said = (f"{kept_sentences.quantity(each.quantity)}: {each.entered}" for each in self.readings)
        came_to = (each.came_to for each in self.readings)
        warnings = dict.fromkeys(each.warning for each in self.readings)
        return tuple(filter(None, (*said, *came_to, self.instrument, *warnings, *self.flags)))

    @property
    def asked(self) -> tuple[str, ...]:
        """What had to hold, who set it, and how far off or inside the reading lies."""
        return tuple(
            _("%(must)s (%(source)s), margin %(margin)s") % vars(each)
            if each.margin
            else f"{each.must} ({each.source})"
            for each in self.readings
        )

    @classmethod
    def of_check(cls, check: Check, in_doubt: bool, scans: Iterable[Scan] = (), **columns: Any) -> Self:
        """The line of a check; ``in_doubt``: its instrument failed a verification that speaks of that time. ``scans``: of the
        sheet it was written on, where it was keyed in from one."""
        point = check.control_point
        return cls.of(
            check,
            point=point.code,
            name=point.name,
            kind=point.kind.upper(),
            part=check.part.number if check.part else None,
            occasion=check.occasion,
            instrument=", ".join(map(named, instruments_of(check))) or _unnamed(check),
            readings=tuple(_readings(check)),
            result=Result(check.result),
            flags=tuple(_flags(check, in_doubt)),
            transcribed=Transcribed.of(check, scans),
            **columns,
        )


CHECK_COLUMNS = (
    Column(gettext_lazy("Control point"), "control", 4),
    Column(gettext_lazy("Read, as entered"), "read", 5),
    Column(gettext_lazy("Must be (set by)"), "asked", 4),
    Column(gettext_lazy("Result"), "result", 3),
)


HEADS = ("point", "part", "occasion", "instrument", "result", "flags")
READING_HEADS = ("quantity", "entered", "must", "source", "result", "margin", "sentence", "warning")


@not_collecting()
def table(lines: Sequence[CheckLine], heads: Sequence[str] = HEADS) -> Table:
    """One row a reading; what is of the check stands in each."""
    all_heads = (*heads, *(f"reading_{head}" for head in READING_HEADS), *RECORD_HEADS)
    own, of_reading = attrgetter(*heads), attrgetter(*READING_HEADS)
    rows: list[tuple[str, ...]] = []
    for line, last in zip(lines, record_cells(lines), strict=True):
        first = tuple(map(text, own(line)))
        rows += [(*first, *of_reading(each), *last) for each in line.readings]
    return Table("checks", all_heads, rows)


def instruments_of(check: Check) -> list[Instrument]:
    """The one that was named, or those of the loggers whose series it was judged by."""
    if check.instrument is not None:
        return [check.instrument]
    found = (each.instrument for each in _series(check).values())
    return list({each.pk: each for each in found if each is not None}.values())


def named(instrument: Instrument) -> str:
    """Code, name and serial number."""
    return " ".join(filter(None, (str(instrument), instrument.serial)))


def _unnamed(check: Check) -> str:
    measured = any({"value", "points", "series"} & each.keys() for each in check.readings)
    return str(NONE_NAMED) if measured else ""


def _series(check: Check) -> dict[str, Series]:
    """By their ids as readings name them; asks nothing where it names none."""
    uses: Any = check.series_uses.all() if named_in(check) else ()
    return {str(use.series_id): use.series for use in uses}


def _flags(check: Check, in_doubt: bool) -> Iterable[str]:
    """What is out of order about a check, as it is known now."""
    for flag in sorted({*check.flags, *run_flags(check)}):
        yield _(SENTENCES[flag]) if flag in SENTENCES else flag
    if in_doubt:
        yield str(IN_DOUBT)
    if gone(check):
        yield _(GONE)


def _readings(check: Check) -> Iterable[JudgedReading]:
    entered = {each["quantity"]: each for each in check.readings}
    series = _series(check)
    for judged in check.judgements:
        said = entered.get(judged["limit"]["quantity"], {})
        ends = [judged, *judged.get("windows", [])]
        sources = {each[end]["source"] for each in ends for end in ("lower", "upper") if end in each}
        yield JudgedReading(
            quantity=" / ".join(filter(None, (judged.get("all_of"), judged["limit"]["quantity"]))),
            entered=_entered(said, series.get(said.get("series", ""))),
            must=_must(judged),
            source="; ".join(map(kept_sentences.source, sorted(sources) or ["plan"])),
            result=judged["result"],
            margin=judged.get("margin", ""),
            sentence=kept_sentences.kept(judged["sentence"]),
            warning=kept_sentences.kept(judged.get("warning", "")),
            came_to=_came_to(said, judged),
        )


def _came_to(said: dict[str, Any], judged: dict[str, Any]) -> str:
    """Read from the sentence that was kept with the judgement: nothing is computed anew for a document."""
    over_time = bool({"points", "series"} & said.keys())
    if not over_time and said.get("unit", "") in ("", judged["limit"].get("unit", "")):
        return ""
    read = _BOUNDS.split(str(judged["sentence"]), maxsplit=1)[0]
    if found := _EXTREME.fullmatch(read):
        highest = found["which"] == "Highest"
        words = _("highest of %(count)s: %(figure)s") if highest else _("lowest of %(count)s: %(figure)s")
        return words % (found.groupdict() | {"figure": kept_sentences.figure(found["figure"])})
    if found := _CONVERTED.fullmatch(read):
        return _("judged as %(figure)s") % {"figure": kept_sentences.figure(found["figure"])}
    return kept_sentences.figure(read)


def _must(judged: dict[str, Any]) -> str:
    """What had to hold, as it was recorded; in another language said anew of the bounds that were kept."""
    if get_language() in (None, "en"):
        return str(judged["must"])
    return limit_words.must(in_force_from_json(judged))


def _entered(said: dict[str, Any], series: Series | None) -> str:
    words = [said.get("outcome") or f"{said.get('value', '')} {_symbol(said.get('unit', ''))}".strip()]
    if "counted_out" in said:
        words = [_("out %(out)s, in %(back)s") % {"out": said["counted_out"], "back": said["counted_in"]}]
    if said.get("points"):
        first, last = said["points"][0], said["points"][-1]
        words = [
            _("%(count)d readings from %(began)s to %(ended)s, first %(first)s, last %(last)s %(unit)s")
            % {
                "count": len(said["points"]),
                "began": first["at"],
                "ended": last["at"],
                "first": first["value"],
                "last": last["value"],
                "unit": _symbol(said["unit"]),
            }
        ]
    if said.get("series"):
        words = [_of_series(said["series"], series)]
    if said.get("method"):
        words.append(_("by %s") % said["method"])
    if said.get("sample_temperature"):
        unit = _symbol(said.get("sample_temperature_unit", ""))
        words.append(_("sample at %(value)s %(unit)s") % {"value": said["sample_temperature"], "unit": unit})
    return ", ".join(words)


def _of_series(key: str, series: Series | None) -> str:
    """How many readings of when and in which unit a logger's series holds; they are kept with it."""
    if series is None:
        return _("series %s") % key
    ends = (Moment(at, series.performed_offset).local for at in (series.began_at, series.ended_at))
    began, ended = (local_time(at) for at in ends)
    return _("series %(key)s: %(count)d readings in %(unit)s from %(began)s to %(ended)s") % {
        "key": key,
        "count": series.count,
        "unit": _symbol(series.unit),
        "began": began,
        "ended": ended,
    }


def _symbol(unit: str) -> str:
    return amounts.symbol(unit)
