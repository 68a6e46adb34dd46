"""Pages of checks straight from the columns: what a check's serializer says of it, in a tenth of the time.

A program that fetches a year of checks waits for its rows, so no model object is made of one, and what the records keep as
JSON goes out as the database writes it. A test holds each row against the serializer.
"""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

import orjson
from django.db.models import QuerySet, TextField
from django.db.models.functions import Cast
from rest_framework.renderers import BaseRenderer
from rest_framework.utils.encoders import JSONEncoder

from haccp import check_sheets, judging, plans, series_uses, sheet_codes
from haccp.check_sheets import Scan
from haccp.models import Check, ControlPoint
from ledger.acts import Moment
from ledger.models import Establishment
from ledger.models.records import CLOCK_TOLERANCE

COLUMNS = (
    "id",
    "place",
    "note",
    "reason",
    "withdrawn",
    "recorded_at",
    "digest",
    "occasion",
    "result",
    "performed_at",
    "performed_offset",
    "performed_by_id",
    "recorded_by_id",
    "corrects_id",
    "control_point_id",
    "batch__uid",
    "part_id",
    "lot__uid",
    "instrument_id",
    "sheet_id",
    "sheet__number",
    "sheet_line",
    "batch__state__started_at",
    "batch__state__ended_at",
)
KEPT_AS_JSON = ("readings", "judgements", "flags")


class RowsRenderer(BaseRenderer):
    """JSON with what the database wrote as JSON put in as it is."""

    media_type = "application/json"
    format = "json"
    charset = None

    def render(self, data: Any, *around: Any, **more: Any) -> bytes:
        if data is None:
            return b""
        return orjson.dumps(data, default=JSONEncoder().default, option=orjson.OPT_UTC_Z)


def columns(found: QuerySet[Check]) -> QuerySet[Any]:
    """The same checks as named tuples of what ``rows`` asks for."""
    as_text = {f"{name}_text": Cast(name, TextField()) for name in KEPT_AS_JSON}
    bare = found.select_related(None).prefetch_related(None)
    return bare.annotate(**as_text).values_list(*COLUMNS, *as_text, named=True)


def rows(here: Establishment, page: Sequence[Any]) -> list[dict[str, Any]]:
    """What ``CheckSerializer`` answers of each, to be written by ``RowsRenderer``."""
    around = _Around(here, page)
    return [around.shown(row) for row in page]


class _Around:
    """What a page of checks needs from elsewhere; a statement each, and none where no check needs it."""

    def __init__(self, here: Establishment, page: Sequence[Any]):
        self.late_after = timedelta(minutes=here.late_after_minutes)
        self.scans = check_sheets.scans_of(page)
        self.gone = series_uses.gone_of(row.id for row in page if '"series"' in row.readings_text)
        after = {row.control_point_id for row in page if _after_its_run(row)}
        points = ControlPoint.objects.in_bulk(after) if after else {}
        self.patience = {key: judging.patience(plans.spec(point)) for key, point in points.items()}

    def shown(self, row: Any) -> dict[str, Any]:
        judgements = orjson.loads(row.judgements_text)
        flags = [] if row.flags_text == "[]" else orjson.loads(row.flags_text)
        gone, taken_after = self.gone.get(row.id, []), row.recorded_at - row.performed_at
        return {
            "id": row.id,
            "performed_at": Moment(row.performed_at, row.performed_offset).told,
            "performed_by": row.performed_by_id,
            "place": row.place,
            "note": row.note,
            "corrects": row.corrects_id,
            "reason": row.reason,
            "withdrawn": row.withdrawn,
            "recorded_by": row.recorded_by_id,
            "recorded_at": row.recorded_at,
            "late": taken_after > self.late_after,
            "clock_ahead_seconds": _ahead(taken_after),
            "digest": row.digest,
            "control_point": row.control_point_id,
            "batch": row.batch__uid,
            "part": row.part_id,
            "lot": row.lot__uid,
            "instrument": row.instrument_id,
            "occasion": row.occasion,
            "sheet": None if row.sheet_id is None else sheet_codes.shown(row.sheet__number),
            "line": row.sheet_line,
            "scans": [] if row.sheet_id is None else list(map(_scan, self.scans.get(row.sheet_id, ()))),
            "readings": orjson.Fragment(row.readings_text),
            "result": row.result,
            "judgements": orjson.Fragment(row.judgements_text),
            "flags": flags,
            "run_flags": self._run_flags(row),
            "series_gone": gone,
            "sentences": judging.told(judgements, flags, bool(gone)),
        }

    def _run_flags(self, row: Any) -> list[str]:
        begun, ended = row.batch__state__started_at, row.batch__state__ended_at
        if begun is None:
            return []
        return judging.flags_of_run(
            row.performed_at, begun, ended, lambda: self.patience[row.control_point_id]
        )


def _ahead(taken_after: timedelta) -> int | None:
    return int(-taken_after.total_seconds()) if taken_after < -CLOCK_TOLERANCE else None


def _after_its_run(row: Any) -> bool:
    ended = row.batch__state__ended_at
    return ended is not None and row.performed_at > ended


def _scan(scan: Scan) -> Mapping[str, Any]:
    return {"attachment": scan.attachment, "file_name": scan.file_name, "sha256": scan.sha256}
