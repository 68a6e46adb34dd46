"""Documents that are being made: what they are about does not leave meanwhile."""

from collections.abc import Iterator
from datetime import date

from django.utils.translation import gettext_lazy

from haccp.retention import hindrances
from haccp.retention.hindrances import Hindrance, keeps
from ledger.models import Establishment
from reports.models import DocumentJob

BEING_MADE = gettext_lazy("documents are being made")


@keeps
def while_documents_are_made(here: Establishment, today: date) -> Iterator[Hindrance]:
    """A trace or a file may be about anything, so that all stays for the minutes that it takes."""
    if hindrances.is_to_come(here, today):
        return
    waiting = [DocumentJob.State.QUEUED, DocumentJob.State.MAKING]
    jobs = DocumentJob.objects.filter(establishment=here, state__in=waiting)
    if jobs.exclude(kind=DocumentJob.Kind.RETENTION_REPORT).exists():  # which asks this itself
        yield Hindrance(str(BEING_MADE), all=True)
