"""Every constraint and every trigger of our tables refuses the row it is there for, on either engine.

What is refused starts as a twin of a good row (``tests/twins.py``). CHECKs have their bad rows in
``tests/bad_rows.py``; what triggers keep is in ``tests/kept_rows.py``; what is unique is found here by itself.
"""

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from batches import noting, runs
from batches.models import Batch, CleaningBreak, Equipment, Part
from haccp import deviations
from ledger import removals, seals, triggers
from ledger.acts import Act, Moment
from ledger.models import Entry, Establishment, Person
from reports.demo.house import HOUSE
from tests.bad_rows import BAD_ROWS, BadRow
from tests.haccp.recalls import arrived, asked_whether
from tests.haccp.recalls import told as tests_recalls
from tests.haccp.retention.written import archived
from tests.kept_rows import KEEPS, rule_of
from tests.scene import undone
from tests.twins import (
    Model,
    alone,
    drop_trigger,
    good_row,
    implied,
    insert,
    our_models,
    refused_for,
    row_of,
    twin,
)

pytestmark = pytest.mark.django_db
MODELS = our_models()
UNIQUE = [(model, name) for model in MODELS for name in alone(model) if name not in implied(model)]
KEPT = {model._meta.db_table: model for model in triggers.kept_models()}
RULES = {(rule_of(trigger, table), table) for trigger, table in triggers.expected(connection.vendor)}


def name_of(value: Any) -> str | None:
    return getattr(value, "name", None) or getattr(value, "__name__", None)


@pytest.fixture(scope="module", autouse=True)
def _rows(scene: Any, django_db_blocker: Any) -> None:
    """The scene's rows, and those that its day does not bring."""
    with django_db_blocker.unblock():
        here, lead = Establishment.objects.get(pk=HOUSE), Person.objects.get(sign_in_name="mara")
        act = Act(establishment=here, performed_by=lead, performed=Moment.now(here), recorded_by=lead)
        batch, kettle = Batch.objects.latest("id"), row_of(Equipment)
        one, other = Part.objects.filter(batch=batch)[:2]
        runs.note_equipment(act=act, batch=batch, equipment=kettle, deed="freed")
        noting.weigh_apart(act=act, batch=batch, what="pot-residue", quantity="1", unit="KGM")
        noting.return_trim(act=act, batch=batch, from_part=one, to_part=other, quantity="1", unit="KGM")
        deviations.correct(act=act, what="Lid off", done="Put on", no_impact_because="Empty tub")
        CleaningBreak.objects.create(equipment=kettle, at=timezone.now(), scope={}, because=row_of(Entry))
        tests_recalls.tell_of_one(act)
        arrived.take_in_and_reply(act)
        asked_whether.ship_unreleased_and_decide(act)
        archived(act)
        noted = noting.note_quality(act=act, batch=batch, what="colour", value="amber")
        seals.seal(establishment=here)
        removals.remove(act=act, record=noted, rule="kept two years, ended today")


@pytest.fixture(autouse=True)
def _nothing_stays(db: Any) -> Iterator[None]:
    """A twin may refer to what is not there, which is noticed where a test ends."""
    with undone():
        yield


@pytest.mark.parametrize("model", MODELS, ids=name_of)
def test_a_twin_of_a_good_row_is_taken(model: Model) -> None:
    """What is refused below is refused for what is bad in it, not for being a copy."""
    insert(twin(good_row(model)))


@pytest.mark.parametrize(("model", "name"), UNIQUE, ids=name_of)
def test_what_is_unique_is_refused_twice(model: Model, name: str) -> None:
    again = twin(good_row(model, name), alike=name)
    assert refused_for(insert, again) == name


@pytest.mark.parametrize("bad", BAD_ROWS, ids=name_of)
def test_a_bad_row_is_refused_for_what_is_bad_in_it(bad: BadRow) -> None:
    row = bad.make()
    if bad.behind:
        assert refused_for(insert, row) != bad.name  # but by the trigger
        drop_trigger(bad.behind, bad.model._meta.db_table)
    assert refused_for(insert, row) == bad.name


@pytest.mark.parametrize(("rule", "table"), sorted(RULES))
def test_each_trigger_keeps_what_it_is_there_for(rule: str, table: str) -> None:
    KEEPS[rule](KEPT[table])
