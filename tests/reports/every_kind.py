"""One document of each kind as the demo's firm would ask for it."""

from collections.abc import Callable
from typing import Any

from django.utils import timezone

from batches.models import Batch, Lot
from haccp.models import (
    Check,
    CheckSheet,
    ControlPoint,
    Deviation,
    LabelVersion,
    PlanVersion,
)
from ledger.models import Establishment, Person
from reports import jobs
from reports.demo.house import HOUSE, rows_id
from reports.models import DocumentJob

YEARS = {"first": "2025-01-01", "last": "2027-12-31"}


def _of(kind: Any, **by: Any) -> Any:
    return kind.objects.filter(establishment=HOUSE, **by).order_by("pk").first()


def _tried() -> dict[str, str]:
    today = timezone.now().date().isoformat()
    limit = {"kind": "range", "quantity": "water activity", "unit": "C62", "upper": "0.30"}
    return {"quantity": "water activity", "limit": limit, "first_day": "2025-01-01", "last_day": today}  # type: ignore[dict-item]


def _lot() -> str:
    return str(_of(Lot, batch__isnull=False).uid)


ELSEWHERE = {
    "inspection-record",
    "inspection-file",
    "recall-letter",
    "recall-report",
    "recall-plan",
    "public-notice",
    "notice-reply",
}
"""Kinds that the demo has nothing for, or that are made otherwise: see their own tests."""
ASKED: dict[str, Callable[[], dict[str, Any]]] = {
    "batch-record": lambda: {"subject": _of(Check, result="outside", batch__isnull=False).batch.uid},
    "hazard-plan": lambda: {"subject": _of(PlanVersion).pk},
    "check-sheet": lambda: {"subject": _of(CheckSheet).pk},
    "trial": lambda: {"about": _tried()},
    "sale-sign": lambda: {"subject": _of(LabelVersion).material_id},
    "tag-sheet": lambda: {"about": {"tags": [{"kind": "tub", "lot": _lot()}]}},
    "changeover-table": dict,
    "trace": lambda: {"about": {"lot": [_lot()], "direction": "whole"}},
    "mass-balance": lambda: {"about": {"batch": str(_of(Batch).uid)}},
    "monitoring-log": lambda: {"subject": _of(ControlPoint, code="CP-AW-1").pk, "about": YEARS},
    "deviation": lambda: {"subject": _of(Deviation, what="limit").pk},
    "deviation-list": lambda: {"about": YEARS},
    "receiving-log": lambda: {"about": YEARS},
    "changeover-log": lambda: {"about": YEARS},
    "verification-log": lambda: {"about": YEARS},
    "people-list": dict,
    "compliance-profile": dict,
    "retention-report": dict,
    "allergen-sheet": lambda: {"subject": rows_id("materials", "FIL")},
}


def ask(kind: str, **said: Any) -> DocumentJob:
    here, lead = Establishment.objects.get(pk=HOUSE), Person.objects.get(sign_in_name="mara")
    return jobs.ask(establishment=here, asked_by=lead, kind=kind, **ASKED[kind](), **said)
