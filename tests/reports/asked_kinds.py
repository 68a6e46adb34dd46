"""What to ask of the demo's house to get a document of each kind."""

from collections.abc import Callable
from typing import Any

from batches.models import Batch, Lot, Material
from haccp.api.trials import TRIED
from haccp.models import (
    CheckSheet,
    ControlPoint,
    Deviation,
    Inspection,
    LabelVersion,
    PlanVersion,
    Recall,
    RecallNotice,
)
from ledger.models import Establishment
from tests.scene import Scene

DAYS = {"first": "2026-01-01", "last": "2026-12-31"}
PERIOD = {"since": "2026-01-01T00:00:00+01:00", "until": "2027-01-01T00:00:00+01:00"}


def _newest(model: Any, **where: Any) -> Callable[[Scene, Establishment], dict[str, Any]]:
    return lambda scene, here: {
        "subject": model.objects.filter(establishment=here, **where).latest("recorded_at").pk
    }


def _of_days(scene: Scene, here: Establishment) -> dict[str, Any]:
    return {"about": DAYS}


def _log(scene: Scene, here: Establishment) -> dict[str, Any]:
    return {"subject": ControlPoint.objects.get(pk=scene.ids["control_point"]).pk, "about": DAYS}


def _product(scene: Scene, here: Establishment) -> dict[str, Any]:
    labelled = LabelVersion.objects.filter(establishment=here).values("material")
    return {"subject": Material.objects.filter(pk__in=labelled).earliest("code").pk}


def _tags(scene: Scene, here: Establishment) -> dict[str, Any]:
    held = Lot.objects.filter(establishment=here, state__status="held").first()
    kinds = {"tub": scene.ids["lot"], "hold": str(held.uid) if held else scene.ids["held_lot"]}
    return {"about": {"tags": [{"kind": kind, "lot": lot, "copies": 1} for kind, lot in kinds.items()]}}


def _batch(scene: Scene, here: Establishment) -> dict[str, Any]:
    return {
        "subject": Batch.objects.filter(establishment=here, recipe_version__isnull=False).latest("id").uid
    }


QUESTIONS: dict[str, Callable[[Scene, Establishment], dict[str, Any]]] = {
    "batch-record": _batch,
    "hazard-plan": _newest(PlanVersion),
    "check-sheet": _newest(CheckSheet),
    "trial": lambda scene, here: {"about": TRIED},
    "sale-sign": _product,
    "tag-sheet": _tags,
    "changeover-table": lambda scene, here: {"about": {}},
    "trace": lambda scene, here: {"about": {"lot": [scene.ids["lot"]], "direction": "whole"}},
    "recall-report": _newest(Recall),
    "recall-plan": lambda scene, here: {"about": {}},
    "inspection-file": lambda scene, here: {"about": {"lots": [scene.ids["lot"]]}},
    "public-notice": _newest(RecallNotice, means="public"),
    "mass-balance": lambda scene, here: {"about": {"lot": scene.ids["lot"]}},
    "monitoring-log": _log,
    "deviation": _newest(Deviation),
    "deviation-list": _of_days,
    "receiving-log": _of_days,
    "changeover-log": _of_days,
    "verification-log": _of_days,
    "people-list": lambda scene, here: {},
    "allergen-sheet": _product,
    "compliance-profile": lambda scene, here: {"about": {}},
    "inspection-record": _newest(Inspection),
    "retention-report": lambda scene, here: {"about": {}},
}
