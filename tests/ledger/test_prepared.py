"""A prepared queryset answers what the plain one does, for every value it is asked with."""

import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection, models
from django.test.utils import CaptureQueriesContext

from ledger.models import Establishment, Membership, Person
from ledger.prepared import Given, Prepared

pytestmark = pytest.mark.django_db


@pytest.fixture
def members() -> Prepared:
    """The memberships at one establishment with their people."""
    here = Given("here", models.UUIDField())
    return Prepared(lambda: Membership.objects.filter(establishment_id=here).select_related("person"))


def test_each_value_gets_its_own_answer(
    members: Prepared, establishment: Establishment, operator: Person, elsewhere: Establishment
):
    for place in (establishment, elsewhere, establishment):
        plain = Membership.objects.filter(establishment=place)
        assert set(members.rows(here=place.pk)) == set(plain)
    assert members.rows(here=operator.pk) == []


def test_what_is_selected_with_it_costs_no_further_statement(members: Prepared, establishment: Establishment):
    with CaptureQueriesContext(connection) as seen:
        names = [row.person.name for row in members.rows(here=establishment.pk)]
    assert "Ines Lead" in names
    assert len(seen) == 1


def test_it_sees_what_was_written_since(members: Prepared, establishment: Establishment, request: Any):
    before = len(members.rows(here=establishment.pk))
    request.getfixturevalue("operator")
    assert len(members.rows(here=establishment.pk)) == before + 1


def test_its_sql_is_made_once_a_thread(establishment: Establishment):
    made = []

    def make() -> Any:
        made.append(threading.get_ident())
        return Membership.objects.filter(establishment_id=Given("here", models.UUIDField()))

    prepared = Prepared(make)
    for _ in range(3):
        prepared.rows(here=establishment.pk)
    assert len(made) == 1


def test_a_value_is_never_read_as_sql(make_person: Callable[..., Person]):
    make_person("Robin'); --")
    by_name = Prepared(lambda: Person.objects.filter(name=Given("name", models.CharField())))
    assert [each.name for each in by_name.rows(name="Robin'); --")] == ["Robin'); --"]
    assert by_name.rows(name="' OR '1'='1") == []
