"""``demo --people``: who can sign in is said at every start, and nothing is played."""

import io
from collections.abc import Callable

import pytest
from django.core.management import call_command

from ledger.models import Establishment
from reports.demo.house import HOUSE, PASSWORD

pytestmark = pytest.mark.django_db


def told() -> str:
    out = io.StringIO()
    call_command("demo", people=True, stdout=out)
    return out.getvalue()


def test_where_the_firm_is_its_people_are_named(make_establishment: Callable[..., Establishment]) -> None:
    make_establishment(id=HOUSE)
    assert PASSWORD in told()
    assert "jonas    Jonas Okafor, operator at the stove" in told()
    assert Establishment.objects.count() == 1


def test_without_the_firm_nobody_is_named_and_nothing_is_made(db: None) -> None:
    assert told() == ""
    assert not Establishment.objects.exists()
