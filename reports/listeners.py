"""What the floors below ask of documents."""

from typing import Any

from config.api.refusals import Unknown
from haccp.inspections.signals import document_named
from ledger.models import Establishment
from reports.models import DocumentJob


def connect() -> None:
    document_named.connect(_refuse_unknown, dispatch_uid="documents named in inspections")


def _refuse_unknown(*, establishment: Establishment, number: int, **more: Any) -> None:
    """Raise Unknown for a number that no document here bears: a slip of the key."""
    if not DocumentJob.objects.filter(establishment=establishment, number=number).exists():
        raise Unknown(f"There is no document {number:06d} here. Nothing was written.", field="document")
