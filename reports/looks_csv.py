"""The list of looks for a spreadsheet: everything an inspector was answered, for who wants to keep or print it."""

from collections.abc import Iterator
from typing import Any

from django.db.models import QuerySet
from django.http import StreamingHttpResponse
from django.utils import translation

from ledger.models import Establishment, Look
from reports.exchange import separated
from reports.look_words import sentence

HEADS = (
    "at",
    "name",
    "authority",
    "in_words",
    "what",
    "document",
    "document_kind",
    "subject",
    "answered",
    "address",
    "entrance",
    "id",
)
TYPED = (HEADS.index("name"), HEADS.index("authority"))
ROWS_AT_ONCE = 2000


def answer(here: Establishment, looks: QuerySet[Look], language: str) -> StreamingHttpResponse:
    """CSV (RFC 4180), sent as it is read. ``language``: of the column ``in_words``."""
    sent = separated.as_csv(_rows(here, looks, language), HEADS, TYPED)
    return StreamingHttpResponse(
        sent, content_type=separated.CSV, headers={"Content-Disposition": 'attachment; filename="looks.csv"'}
    )


def _rows(here: Establishment, looks: QuerySet[Look], language: str) -> Iterator[list[tuple[str, ...]]]:
    rows: list[tuple[str, ...]] = []
    for look in looks.iterator(ROWS_AT_ONCE):
        rows.append(_cells(here, look, language))
        if len(rows) == ROWS_AT_ONCE:
            yield rows
            rows = []
    yield rows


def _cells(here: Establishment, look: Look, language: str) -> tuple[str, ...]:
    told = {
        "at": look.at.astimezone(here.zone).isoformat(timespec="seconds"),
        "name": look.entrance.person.name,
        "authority": look.entrance.authority,
    }
    with translation.override(language):
        told["in_words"] = sentence(look)
    return tuple(str(told.get(name) or _cell(look, name)) for name in HEADS)


def _cell(look: Look, name: str) -> Any:
    value = getattr(look, f"{name}_id" if name == "entrance" else name)
    return "" if value is None else value
