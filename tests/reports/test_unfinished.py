"""While documents are made nothing leaves."""

from typing import Any

import pytest
from django.utils import timezone

from haccp.retention import hindrances
from ledger.models import Person
from reports import jobs
from reports.models import DocumentJob

pytestmark = pytest.mark.django_db


def test_what_is_being_made_keeps_everything(establishment: Any, lead: Person) -> None:
    today = timezone.now().astimezone(establishment.zone).date()
    assert not any(each.all for each in hindrances.found(establishment, today))
    job = jobs.ask(establishment=establishment, asked_by=lead, kind="people-list")
    assert [each.because for each in hindrances.found(establishment, today) if each.all] == [
        "documents are being made"
    ]
    DocumentJob.objects.filter(pk=job.pk).update(state="failed")
    assert not any(each.all for each in hindrances.found(establishment, today))
