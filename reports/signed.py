"""What belongs to a batch beside its checks and cases, and who signed any of it, in words."""

from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from batches.models import (
    Batch,
    BatchEnd,
    BatchStart,
    BroughtIn,
    EquipmentUse,
    Movement,
    Part,
    ProcessStep,
    QualityReading,
    TrimReturn,
    WeighedApart,
)
from haccp.models import Check, Closing, Deviation, PackingCheck, PlanVersion, Release, StartPermission
from ledger.models import Record, Signature

OF_BATCH: tuple[type[Record], ...] = (
    BatchStart,
    BatchEnd,
    Part,
    EquipmentUse,
    Movement,
    ProcessStep,
    QualityReading,
    TrimReturn,
    WeighedApart,
)
"""What is noted for a batch beside its checks."""


def of_batch(batch: Batch) -> list[Record]:
    """Every record of the batch itself, corrected and withdrawn ones too, and the permission to start it."""
    kinds: Any = OF_BATCH
    return [permission_of(batch), *(record for kind in kinds for record in kind.objects.filter(batch=batch))]


def permission_of(batch: Batch) -> StartPermission | BroughtIn:
    """What stands where the start gate writes; of a batch of the past the row of the papers it was brought in from."""
    found: Any = StartPermission.objects.filter(pk=batch.permission_id).first()
    return found or BroughtIn.objects.get(pk=batch.permission_id)


def signatures_on(targets: Iterable[UUID]) -> QuerySet[Signature]:
    """Those on these records that stand, in the order they were given, with what ``SignatureLine.of`` asks of them."""
    rows = Signature.objects.standing().filter(target__in=targets)
    return rows.select_related("establishment").order_by("performed_at", "id")


def signatures(plan: PlanVersion | None, shown: Sequence[Record]) -> list[tuple[Signature, str]]:
    """Each signature on what the document shows, with what was signed in words."""
    what = {record.pk: _signed(record) for record in shown}
    permission = next((record for record in shown if isinstance(record, StartPermission)), None)
    if permission is not None:
        what[permission.recipe_version_id] = _("the recipe")
    what |= {
        record.label_version_id: _("the label")
        for record in shown
        if isinstance(record, PackingCheck) and record.label_version_id is not None
    }
    if plan is not None:
        what[plan.pk] = _("the hazard plan")
    rows = signatures_on(what)
    return [(each, what[each.target_id]) for each in rows]


def _signed(record: Record) -> str:
    if isinstance(record, Check):
        return _("check at %(point)s") % {"point": record.control_point.code}
    if isinstance(record, PackingCheck):
        return _("packing check")
    if isinstance(record, Release):
        return _("release of lot %s") % record.lot.code
    if isinstance(record, Deviation):
        return _("deviation")
    if isinstance(record, Closing):
        return _("closing of a deviation")
    if isinstance(record, BatchStart):
        return _("start of the batch")
    return _("end of the batch") if isinstance(record, BatchEnd) else _("record")
