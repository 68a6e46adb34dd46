"""A made-up document of an invented firm, with everything in it that can go wrong on paper."""

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from typing import Any, ClassVar
from uuid import UUID

from haccp.limits import Result
from reports.documents import (
    Column,
    Document,
    PageSize,
    RecordLine,
    Replaced,
    SealLine,
    SignatureLine,
)

HERE = timezone(timedelta(hours=1))
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=HERE)

HOSTILE_NOTES = {
    "markup": '</td></tr></table><h1>Released</h1><script>document.write("x")</script>',
    "file image": '<img src="file:///etc/hostname"><link rel="attachment" href="file:///etc/passwd">',
    "net image": "<img src='http://127.0.0.1:9/spy.png'><style>@import 'http://127.0.0.1:9/a.css';</style>",
    "control": "bell\x07, escape\x1b[2J, form feed\x0c, next line\x85",
    "turned": "lot \u202e1-062-PH\u202c is fine",
    "right to left": "مرحبا، دفعة ٧ · שלום, אצווה 7 · و بعدها Omar",
    "emoji": "too hot \U0001f36c\U0001f525 ☹\ufe0f, 硬糖",
    "template": "{{ document.seal }} {% include 'x' %} &amp; &lt;b&gt;",
}


def record_id(number: int) -> UUID:
    return UUID(f"01950000-0000-7000-8000-{number:012x}")


@dataclass(frozen=True, kw_only=True)
class WeighedLine:
    material: str
    lot: str
    target_g: Decimal
    weighed_g: Decimal


@dataclass(frozen=True, kw_only=True)
class CheckLine(RecordLine):
    point: str
    reading: str
    bounds: str
    result: Result
    instrument: str = ""


@dataclass(frozen=True, kw_only=True)
class ShiftSheet(Document):
    kind: ClassVar[str] = "shift-sheet"
    template: ClassVar[str] = "samples/shift_sheet.html"
    marks_late: ClassVar[bool] = True
    WEIGHED_COLUMNS: ClassVar[tuple[Column, ...]] = (
        Column("Material", "material", 4),
        Column("Lot", "lot", 3, mono=True),
        Column("Target, g", "target_g", 2),
        Column("Weighed, g", "weighed_g", 2),
    )
    CHECK_COLUMNS: ClassVar[tuple[Column, ...]] = (
        Column("Control point", "point", 4),
        Column("Reading", "reading", 2),
        Column("Bounds", "bounds", 4),
        Column("Result", "result", 3),
        Column("Instrument", "instrument", 3),
    )

    product: str
    started_at: datetime
    weighed: tuple[WeighedLine, ...]
    checks: tuple[CheckLine, ...]


def check_line(number: int, **values: Any) -> CheckLine:
    at = NOON + timedelta(minutes=7 * number)
    usual: dict[str, Any] = {
        "record": record_id(number),
        "digest": f"{number:064x}",
        "performed_by": "Omar Stove",
        "performed_at": at,
        "recorded_by": "Omar Stove",
        "recorded_at": at + timedelta(seconds=20),
        "point": "Caramel end temperature",
        "reading": f"{119 + number % 3}.5 °C",
        "bounds": "≥ 118 °C (plan); ≤ 124 °C (local rule 4)",
        "result": Result.WITHIN,
        "instrument": "Probe P2",
    }
    return CheckLine(**(usual | values))


def marked_lines() -> tuple[CheckLine, ...]:
    """One of each mark a record can carry."""
    later = NOON + timedelta(hours=3)
    slip = Replaced(
        withdrawn=False, reason="Read 112 for 121.", by="Omar Stove", at=later, record=record_id(902)
    )
    never = Replaced(
        withdrawn=True, reason="Keyed for the wrong batch.", by="Ines Lead", at=later, record=record_id(903)
    )
    return (
        check_line(901, reading="112.0 °C", result=Result.OUTSIDE, replaced=slip),
        check_line(902, reading="121.0 °C", corrects=record_id(901)),
        check_line(904, replaced=never, note="This note stays legible."),
        check_line(905, late_by=timedelta(hours=3, minutes=20), recorded_by="Ines Lead"),
        check_line(906, clock_ahead_by=timedelta(minutes=12), place="Stove 2"),
        check_line(907, result=Result.UNDECIDED, note="Probe slipped.", recorded_by="Ines Lead"),
    )


def hostile_lines() -> tuple[CheckLine, ...]:
    notes = [check_line(950 + at, note=note) for at, note in enumerate(HOSTILE_NOTES.values())]
    long_word = "Ж" * 10_000
    return (
        *notes,
        check_line(970, point="Zartbitterkuvertürenüberzugsmassentemperaturmessstelle" * 3, note=long_word),
    )


def sheet(**values: Any) -> ShiftSheet:
    """Thirty plain checks, one of each mark, and every hostile note."""
    usual: dict[str, Any] = {
        "number": "HP-26-061-1",
        "title": "Shift sheet",
        "establishment": "Lindenhof Sweets",
        "establishment_lines": ("Mill Lane 4", "Musterstadt", "DE"),
        "asked_by": "Petra Inspect",
        "made_at": NOON + timedelta(days=1),
        "confirmed_rules": (),
        "product": "Layered hazelnut pillows",
        "started_at": NOON,
        "weighed": tuple(
            WeighedLine(
                material=name, lot=f"{name[:2].upper()}-26-0{at}", target_g=Decimal(g), weighed_g=Decimal(g)
            )
            for at, (name, g) in enumerate(
                [
                    ("Sugar", "4000.0"),
                    ("Hazelnuts, roasted", "2500.0"),
                    ("Salted butter", "310.5"),
                    ("Water", "900"),
                ]
            )
        ),
        "checks": (*(check_line(at) for at in range(1, 31)), *marked_lines(), *hostile_lines()),
        "seal": SealLine(number=14, root="5e" * 32, hash="a7" * 32, leaf_count=112, sealed_at=NOON),
        "signatures": (
            SignatureLine(
                name="Ines Lead",
                meaning="released by me",
                signed="release of lot HP-26-061-1",
                signed_at=NOON + timedelta(hours=5),
                record=record_id(990),
                digest="c3" * 32,
            ),
        ),
    }
    return ShiftSheet(**(usual | values))


def short_sheet(**values: Any) -> ShiftSheet:
    return sheet(**({"checks": marked_lines()} | values))


LETTER = PageSize.LETTER
