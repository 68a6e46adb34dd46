"""What the house has in writing of its materials: dated, sourced, changed with a record of before and after."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches.models import Material
from config.api.refusals import RuleBroken, Unusable
from haccp import compositions
from haccp.models import Composition
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Change, Establishment, Person
from tests.conftest import Client

pytestmark = pytest.mark.django_db
WHEN = "2026-03-02T12:00:00+01:00"
PURE = {
    "water": "0",
    "water_uncertainty": "0",
    "tolerance": "0",
    "dissolved": [{"solute": "sucrose", "grams": "100"}],
}
WET = PURE | {"water": "2", "dissolved": [{"solute": "sucrose", "grams": "98"}]}


@pytest.fixture
def said(sugar: Material) -> Callable[..., dict[str, Any]]:
    def make(**values: Any) -> dict[str, Any]:
        usual = {
            "code": "C-SUG",
            "name": "White sugar",
            "material": sugar,
            "document": PURE,
            "method": "label",
            "source": "The mill's sheet of January 2026",
            "provenance": "read",
            "in_force_from": date(2026, 1, 1),
        }
        return usual | values

    return make


@pytest.fixture
def body(said: Any, sugar: Material) -> Callable[..., dict[str, Any]]:
    def make(**values: Any) -> dict[str, Any]:
        return said(material=str(sugar.pk), in_force_from="2026-01-01") | values

    return make


def test_a_composition_is_kept_with_a_record_that_it_was_made(
    act: Callable[..., Act], lead: Person, said: Any
):
    row = compositions.make(act=act(lead), values=said())
    change = Change.objects.get(subject_id=row.pk)
    assert (change.before, change.after["source"]) == ({}, "The mill's sheet of January 2026")


def test_a_change_is_a_record_of_before_and_after(act: Callable[..., Act], lead: Person, said: Any):
    row = compositions.make(act=act(lead), values=said())
    compositions.alter(act=act(lead), composition=row, values={"document": WET})
    change = Change.objects.filter(subject_id=row.pk).latest("recorded_at")
    assert (change.before, change.after) == ({"document": PURE}, {"document": WET})


def test_the_latest_that_has_begun_holds(act: Callable[..., Act], lead: Person, said: Any, sugar: Material):
    first = compositions.make(act=act(lead), values=said())
    second = compositions.make(
        act=act(lead), values=said(code="C-2", document=WET, in_force_from=date(2026, 3, 1))
    )
    assert compositions.in_force([sugar.pk], date(2025, 12, 31)) == {}
    assert compositions.in_force([sugar.pk], date(2026, 2, 28)) == {sugar.pk: first}
    assert compositions.in_force([sugar.pk], date(2026, 3, 1)) == {sugar.pk: second}


@pytest.mark.parametrize("values", [{"in_use": False}, {"in_force_until": date(2026, 3, 2)}])
def test_what_is_put_away_or_ended_holds_no_more(
    values: Any, act: Callable[..., Act], lead: Person, said: Any, sugar: Material
):
    row = compositions.make(act=act(lead), values=said())
    compositions.alter(act=act(lead), composition=row, values=values)
    assert compositions.in_force([sugar.pk], date(2026, 3, 2)) == {}


def test_two_of_a_material_do_not_begin_on_one_day(act: Callable[..., Act], lead: Person, said: Any):
    compositions.make(act=act(lead), values=said())
    with pytest.raises(RuleBroken) as caught:
        compositions.make(act=act(lead), values=said(code="C-2"))
    assert caught.value.reasons[0].code == "day-taken"
    assert Composition.objects.count() == 1


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"source": " "}, "source"),
        ({"method": "a\nb"}, "method"),
        ({"provenance": ""}, "provenance"),
        ({"in_force_until": date(2026, 1, 1)}, "in_force_until"),
        ({"document": WET | {"water": "3"}}, "document"),
    ],
)
def test_what_cannot_be_kept_is_refused_by_name(
    values: Any, field: str, act: Callable[..., Act], lead: Person, said: Any
):
    with pytest.raises(Unusable) as caught:
        compositions.make(act=act(lead), values=said(**values))
    assert caught.value.reasons[0].field == field
    assert not Composition.objects.exists()


# --- over HTTP


def test_a_composition_goes_in_and_comes_out(lead_api: Client, body: Any):
    answer = lead_api.send("compositions", body())
    assert (answer.status_code, answer["ETag"], answer.json()["document"]) == (201, '"1"', PURE)
    assert lead_api.ask("compositions").json()["results"] == [answer.json()]


def test_a_composition_sent_twice_is_one(lead_api: Client, body: Any):
    said = body(id=str(uuid7()), performed_at=WHEN)
    assert [lead_api.send("compositions", said).status_code for _ in range(2)] == [201, 200]
    assert Composition.objects.count() == 1


def test_a_composition_is_changed_by_who_saw_it(lead_api: Client, body: Any):
    row = lead_api.send("compositions", body()).json()
    path = f"compositions/{row['id']}"
    assert lead_api.change(path, {"document": WET}).status_code == 428
    assert lead_api.change(path, {"document": WET}, 1).json()["document"] == WET
    assert lead_api.change(path, {"document": PURE}, 1).status_code == 412


@pytest.mark.parametrize(
    ("document", "field"),
    [
        (PURE | {"water": "1"}, "document"),
        (PURE | {"water": "NaN"}, "document.water"),
        (PURE | {"water": "-1"}, "document.water"),
        (PURE | {"dissolved": [{"solute": "gold", "grams": "100"}]}, "document.dissolved.0.solute"),
        (PURE | {"dissolved": [{"solute": "sucrose", "grams": 100}]}, "document.dissolved.0.grams"),
        ([], "document"),
    ],
)
def test_bad_input_is_refused_by_name_and_nothing_is_written(
    lead_api: Client, body: Any, document: Any, field: str
):
    answer = lead_api.send("compositions", body(document=document))
    assert answer.status_code == 400
    assert field in {error["field"] for error in answer.json()["errors"]}
    assert not Composition.objects.exists()


def test_who_cooks_does_not_write_compositions(api: Client, body: Any):
    assert api.send("compositions", body()).status_code == 403
    assert not Composition.objects.exists()


def test_a_material_of_another_establishment_is_not_there(
    lead_api: Client, body: Any, elsewhere: Establishment
):
    theirs = Material.objects.create(
        establishment=elsewhere, code="M", name="M", short_name="M", kind="ingredient"
    )
    assert lead_api.send("compositions", body(material=str(theirs.pk))).status_code == 404
