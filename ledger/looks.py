"""What somebody who was let in by an entrance was shown: each answer noted before it is sent, over API and pages alike."""

from typing import Any
from uuid import UUID

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone

from ledger.models import Entrance, Establishment, Look
from ledger.passwords import address_before_proxy


def note(
    entrance: Entrance,
    request: HttpRequest,
    answered: int,
    *,
    subject: UUID | None = None,
    document: int | None = None,
    document_kind: str = "",
) -> None:
    """If it cannot be kept, this raises, and nothing is shown. ``answered``: the HTTP status."""
    Look.objects.create(
        establishment_id=entrance.establishment_id,
        entrance=entrance,
        at=timezone.now(),
        what=str(request.resolver_match and request.resolver_match.url_name)[:60],
        subject=subject,
        document=document,
        document_kind=document_kind,
        answered=answered,
        address=_address(request),
    )


def _address(request: HttpRequest) -> str:
    noted = address_before_proxy(request) if settings.BEHIND_PROXY else request.META.get("REMOTE_ADDR", "")
    return str(noted)[:45]


def of(establishment: Establishment) -> Any:
    """Newest first, with whose look it was."""
    rows = Look.objects.filter(establishment=establishment)
    return rows.select_related("entrance__person").order_by("-at", "-id")
