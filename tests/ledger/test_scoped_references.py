"""References in a bulk body are looked up once, and each field still takes only what it may name."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.api.refusals import Unknown
from ledger.api.records import BuiltOnce
from ledger.api.scope import PersonReference, ScopedReference
from ledger.models import Establishment, Membership, Person

pytestmark = pytest.mark.django_db


class Item(BuiltOnce):
    role = ScopedReference(queryset=Membership.objects.all(), required=False)
    administrator = ScopedReference(queryset=Membership.objects.filter(role="administrator"), required=False)
    person = PersonReference(required=False)


@pytest.fixture
def context(establishment: Establishment) -> dict[str, Any]:
    return {"establishment": establishment, "seen": {}}


def read(context: dict[str, Any], **said: Any) -> Any:
    item = Item(data={name: str(row.pk) for name, row in said.items()}, context=context)
    item.is_valid(raise_exception=True)
    return item.validated_data


def test_what_one_field_found_another_that_takes_fewer_rows_does_not_take(
    context: dict[str, Any], operator: Person
) -> None:
    held = Membership.objects.get(person=operator)
    assert read(context, role=held)["role"] == held
    with pytest.raises(Unknown):
        read(context, administrator=held)


def test_what_many_items_name_is_asked_once(context: dict[str, Any], operator: Person) -> None:
    held = Membership.objects.get(person=operator)
    with CaptureQueriesContext(
        connection,
    ) as asked:
        for _ in range(3):
            read(context, role=held, person=operator)
    assert len(asked) == 2
