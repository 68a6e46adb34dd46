"""A document by the number that is printed on it, for whoever works here: pages name documents by it."""

from django.http import FileResponse, HttpRequest
from django.views.decorators.http import require_safe

from config.api.refusals import Unknown
from ledger.api.authentication import Standing
from ledger.pages.ways_in import page
from reports.api.documents import fetched
from reports.models import DocumentJob


@require_safe
@page()
def paper(request: HttpRequest, at: Standing, number: int) -> FileResponse:
    """The document as PDF. Raises Unknown, RuleBroken ``not-made-yet``."""
    job = DocumentJob.objects.filter(establishment=at.establishment, number=number).first()
    if job is None:
        raise Unknown(f"There is no document {number:06d} here.")
    return fetched(job, "pdf")
