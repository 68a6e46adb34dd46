"""Reference data, recipes, batches and their sheet over HTTP: what is answered, and what bad input gets."""

import copy
import json

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import runs, using
from batches.models import (
    Area,
    BatchEnd,
    Equipment,
    EquipmentUse,
    Material,
    Part,
    ProcessStep,
    Recipe,
    RecipeVersion,
    TradingPartner,
)
from ledger.models import Entry, Membership, Person, Signature
from tests.conftest import PASSWORD, new_id, unknown_id

AT = "2026-03-02T12:00:00+01:00"
BODIES = {
    "areas": {"code": "A-1", "name": "Sugar kitchen"},
    "storage-places": {"code": "S-1", "name": "Shelf 1", "for_held": True},
    "equipment": {"code": "K-1", "name": "Copper kettle", "kind": "kettle"},
    "materials": {"code": "SUG", "name": "Sugar", "kind": "ingredient", "short_name": "SUG"},
    "partners": {"code": "NMN", "name": "Nut Mill North", "is_supplier": True, "contact": "0555 0100"},
}


class Written:
    """Whether anything was written since ``start``: records of any kind, or rows of reference data."""

    def start(self):
        self.before = self.count()

    def check(self):
        assert self.count() == self.before

    def count(self):
        kinds = (Entry, Area, Equipment, Material, TradingPartner, Recipe)
        return [(kind.objects.count(), *self.versions(kind)) for kind in kinds]

    def versions(self, kind):
        return kind.objects.values_list("version", flat=True) if hasattr(kind, "version") else ()


@pytest.fixture
def nothing_is_written(db):
    return Written()


@pytest.fixture
def elsewhere_api(client_of, elsewhere):
    """The client of another establishment's founder."""
    founder = Person.objects.get(memberships__establishment=elsewhere, memberships__role="administrator")
    return client_of(founder, elsewhere)


@pytest.fixture
def at(begun):
    """An address below the running batch."""
    return lambda rest="": f"batches/{begun.uid}{rest}"


def refused(answer, status, kind, field=None):
    assert (answer.status_code, answer.data["type"]) == (status, f"/api/problems/{kind}"), answer.data
    assert field is None or answer.data["errors"][0]["field"] == field


# -- reference data ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", BODIES)
def test_reference_data_is_made_read_changed_and_never_removed(lead_api, name):
    made = lead_api.send(name, BODIES[name])
    assert (made.status_code, made.headers["ETag"], made.data["in_use"]) == (201, '"1"', True)
    path = f"{name}/{made.data['id']}"
    changed = lead_api.change(path, {"in_use": False, "note": "sold"}, version=1)
    assert (changed.status_code, changed.data["in_use"], changed.headers["ETag"]) == (200, False, '"2"')
    assert lead_api.ask(path).data == changed.data
    assert lead_api.delete(lead_api.base + path).status_code == 405


def test_a_change_without_the_version_read_is_refused(lead_api, nothing_is_written):
    made = lead_api.send("areas", BODIES["areas"])
    nothing_is_written.start()
    refused(lead_api.change(f"areas/{made.data['id']}", {"name": "Yard"}), 428, "version-missing")
    refused(
        lead_api.change(f"areas/{made.data['id']}", {"name": "Yard"}, version=7), 412, "changed-meanwhile"
    )
    nothing_is_written.check()


def test_a_row_sent_again_with_its_id_and_time_is_the_same(lead_api):
    body = BODIES["materials"] | {"id": new_id(), "performed_at": AT}
    first, again = lead_api.send("materials", body), lead_api.send("materials", body)
    assert (first.status_code, again.status_code, first.data) == (201, 200, again.data)


def test_the_same_id_with_other_content_changes_nothing(lead_api, nothing_is_written):
    body = BODIES["materials"] | {"id": new_id(), "performed_at": AT}
    lead_api.send("materials", body)
    nothing_is_written.start()
    refused(lead_api.send("materials", body | {"name": "Salt"}), 409, "same-id-other-content", "id")
    nothing_is_written.check()


def test_the_private_contact_of_a_partner_is_for_lead_and_administrator(lead_api, api):
    made = lead_api.send("partners", BODIES["partners"])
    path = f"partners/{made.data['id']}"
    assert lead_api.ask(path).data["contact"] == "0555 0100"
    assert "contact" not in api.ask(path).data
    assert "contact" not in api.ask("partners").data["results"][0]


@pytest.mark.parametrize("name", [*BODIES, "recipes"])
def test_reference_data_is_changed_by_lead_and_administrator_only(api, nothing_is_written, name):
    nothing_is_written.start()
    refused(api.send(name, BODIES.get(name, {})), 403, "not-allowed")
    nothing_is_written.check()


@pytest.mark.parametrize(
    ("name", "change", "status", "kind", "field"),
    [
        ("areas", {"code": "A\nB"}, 400, "not-one-line", "code"),
        ("areas", {"code": "A\u0000"}, 400, "invalid", "code"),
        ("areas", {"code": "A" * 21}, 400, "invalid", "code"),
        ("areas", {"code": ""}, 400, "invalid", "code"),
        ("areas", {"name": None}, 400, "invalid", "name"),
        ("areas", {"name": "x" * 121}, 400, "invalid", "name"),
        ("areas", {"in_use": "perhaps"}, 400, "invalid", "in_use"),
        ("areas", {"id": "7"}, 400, "invalid", "id"),
        ("areas", {"note": "x" * 4001}, 400, "invalid", "note"),
        ("areas", {"performed_at": "noon"}, 400, "invalid", "performed_at"),
        ("equipment", {"kind": ""}, 400, "invalid", "kind"),
        ("equipment", {"area": unknown_id()}, 404, "not-found", "area"),
        ("storage-places", {"area": unknown_id()}, 404, "not-found", "area"),
        ("materials", {"kind": "toy"}, 400, "invalid", "kind"),
        ("materials", {"dimension": "length"}, 400, "invalid", "dimension"),
        ("materials", {"short_name": "sug"}, 400, "short-name", "short_name"),
        ("materials", {"piece_mass_mg": 0}, 400, "invalid", "piece_mass_mg"),
        ("materials", {"piece_mass_mg": "1e309"}, 400, "invalid", "piece_mass_mg"),
        ("materials", {"shelf_life_days": -1}, 400, "invalid", "shelf_life_days"),
        ("materials", {"lot_code_pattern": "{n}{n}"}, 400, "lot-code-pattern", "lot_code_pattern"),
        ("materials", {"gtin": "4006381333930"}, 400, "wrong-check-digit", "gtin"),
        ("materials", {"gtin": "ABC"}, 400, "not-a-key", "gtin"),
        ("partners", {"gln": "12"}, 400, "not-a-key", "gln"),
        ("partners", {"is_supplier": False}, 400, "partner-has-a-part", "is_supplier"),
    ],
)
def test_bad_reference_data_names_the_field_and_writes_nothing(
    lead_api, nothing_is_written, name, change, status, kind, field
):
    nothing_is_written.start()
    refused(lead_api.send(name, BODIES[name] | change), status, kind, field)
    nothing_is_written.check()


@pytest.mark.parametrize("body", [None, [], "x", 7])
def test_a_body_that_is_no_object_is_refused(lead_api, nothing_is_written, body):
    made = lead_api.send("areas", BODIES["areas"])
    nothing_is_written.start()
    for path in ("areas", "recipes"):
        answer = lead_api.post(lead_api.base + path, json.dumps(body), content_type="application/json")
        assert answer.status_code == 400
    path = f"{lead_api.base}areas/{made.data['id']}"
    answer = lead_api.patch(path, json.dumps(body), content_type="application/json", HTTP_IF_MATCH='"1"')
    assert answer.status_code == 400
    nothing_is_written.check()


def test_a_code_that_is_taken_is_a_rule_and_names_the_field(lead_api, nothing_is_written):
    lead_api.send("areas", BODIES["areas"])
    nothing_is_written.start()
    refused(lead_api.send("areas", BODIES["areas"] | {"name": "Yard"}), 409, "code-taken", "code")
    nothing_is_written.check()


def test_lists_are_narrowed_to_what_is_in_use_or_bears_a_code(lead_api):
    for code, in_use in (("A-1", True), ("A-2", False)):
        lead_api.send("areas", {"code": code, "name": "Room", "in_use": in_use})
    for query, codes in (({"in_use": "true"}, ["A-1"]), ({"code": "A-2"}, ["A-2"]), ({}, ["A-2", "A-1"])):
        assert [row["code"] for row in lead_api.ask("areas", **query).data["results"]] == codes
    assert lead_api.ask("areas", in_use="perhaps").status_code == 400


# -- recipes ----------------------------------------------------------------------------------------


@pytest.fixture
def lead_for_years(lead):
    Membership.objects.filter(person=lead).update(from_day="2020-01-01")


@pytest.fixture
def approval(pillow_recipe, lead_for_years):
    return f"recipes/{pillow_recipe.pk}/versions", {
        "performed_at": AT,
        "draft_version": 1,
        "password": PASSWORD,
    }


def test_a_recipe_is_drafted_mended_and_approved(lead_api, pillows, pillow_draft, lead_for_years):
    broken = copy.deepcopy(pillow_draft)
    broken["lines"][0]["material"] = "NOPE"
    body = {"code": "R-1", "name": "Pillows", "material": str(pillows.pk), "draft": broken}
    made = lead_api.send("recipes", body)
    assert (made.status_code, made.data["version_in_force"]) == (201, None)
    assert [gap["field"] for gap in made.data["gaps"]] == ["lines.0.material"]
    path = f"recipes/{made.data['id']}"
    mended = lead_api.change(path, {"draft": pillow_draft}, version=1)
    assert mended.data["gaps"] == []
    said = {"performed_at": AT, "draft_version": 2, "password": PASSWORD}
    approved = lead_api.send(f"{path}/versions", said)
    assert (approved.status_code, approved.data["number"]) == (201, 1)
    assert "password" not in approved.data
    assert [(line["amount"], line["tolerance"]) for line in approved.data["lines"][:2]] == [
        ({"quantity": "6.000", "unit": "KGM"}, None),
        ({"quantity": "6.400", "unit": "KGM"}, {"quantity": "0.005", "unit": "KGM"}),
    ]
    assert lead_api.ask(path).data["version_in_force"] == approved.data["id"]
    assert lead_api.ask(f"recipe-versions/{approved.data['id']}").data == approved.data


def test_an_approval_sent_again_is_the_same(lead_api, approval):
    path, body = approval
    body |= {"id": new_id()}
    first, again = lead_api.send(path, body), lead_api.send(path, body)
    assert (first.status_code, again.status_code, first.data) == (201, 200, again.data)
    assert Signature.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "status", "kind", "field"),
    [
        ({"password": "wrong"}, 403, "wrong-password", "password"),
        ({"password": ""}, 400, "invalid", "password"),
        ({"draft_version": 9}, 412, "changed-meanwhile", None),
        ({"draft_version": None}, 400, "invalid", "draft_version"),
        ({"performed_at": "2026-03-02T12:00:00"}, 400, "invalid", "performed_at"),
        ({"performed_by": unknown_id()}, 404, "not-found", "performed_by"),
    ],
)
def test_a_bad_approval_writes_nothing(lead_api, approval, nothing_is_written, change, status, kind, field):
    path, body = approval
    nothing_is_written.start()
    refused(lead_api.send(path, body | change), status, kind, field)
    nothing_is_written.check()


def test_nobody_approves_in_anothers_name(lead_api, approval, operator, nothing_is_written):
    path, body = approval
    nothing_is_written.start()
    answer = lead_api.send(path, body | {"performed_by": str(operator.pk)})
    assert answer.status_code in (403, 409)
    nothing_is_written.check()


def test_a_recipe_with_gaps_is_refused_with_all_of_them(
    lead_api, approval, pillow_recipe, nothing_is_written
):
    path, body = approval
    lead_api.change(f"recipes/{pillow_recipe.pk}", {"draft": {"notes": "later"}}, version=1)
    nothing_is_written.start()
    answer = lead_api.send(path, body | {"draft_version": 2})
    refused(answer, 409, "recipe-not-approvable")
    assert [reason["field"] for reason in answer.data["reasons"]] == ["batch_size", "lines"]
    nothing_is_written.check()


def test_a_number_in_a_draft_is_text(lead_api, pillows, nothing_is_written):
    nothing_is_written.start()
    body = {"code": "R-1", "name": "P", "material": str(pillows.pk), "draft": {"batch_size": {"quantity": 1}}}
    refused(lead_api.send("recipes", body), 400, "not-text", "draft.batch_size.quantity")
    nothing_is_written.check()


def test_operators_read_recipes_and_no_digest_opens_them(api, approved, pillow_recipe):
    paths = (
        "recipes",
        f"recipes/{pillow_recipe.pk}",
        f"recipes/{pillow_recipe.pk}/versions",
        f"recipe-versions/{approved.pk}",
    )
    for path in paths:
        assert api.ask(path).status_code == 200
    content = str(api.ask(f"records/{approved.pk}").json())
    assert "'6400'" not in content  # as a value: a digest may hold these digits by chance
    assert "hidden" in content


def test_operators_do_not_approve(api, approval):
    path, body = approval
    refused(api.send(path, body), 403, "not-allowed")


def test_targets_are_scaled_to_a_size(api, approved):
    answer = api.ask(f"recipe-versions/{approved.pk}/targets", quantity="333", unit="H87")
    assert answer.data["planned"] == {"quantity": "333", "unit": "H87"}
    assert [line["target"]["quantity"] for line in answer.data["lines"]] == ["1.998", "2.1312", "333"]


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ({"quantity": "NaN", "unit": "H87"}, "quantity"),
        ({"quantity": "-1", "unit": "H87"}, "quantity"),
        ({"quantity": "1", "unit": "KGM"}, "unit"),
        ({"quantity": "1"}, "unit"),
    ],
)
def test_a_size_that_cannot_be_is_refused(api, approved, query, field):
    answer = api.ask(f"recipe-versions/{approved.pk}/targets", **query)
    assert (answer.status_code, answer.data["errors"][0]["field"]) == (400, field)


# -- batches ----------------------------------------------------------------------------------------


def test_a_batch_is_read_with_its_state(api, at, begun):
    shown = api.ask(at()).data
    assert (shown["id"], shown["code"], shown["running"]) == (str(begun.uid), begun.code, True)


def test_a_batch_is_noted_as_it_runs_and_ends(api, at, kettle, table):
    parts = [
        api.send(at("/parts"), {"performed_at": AT, "number": n, "name": f"Boil {n}"}).data["id"]
        for n in (1, 2)
    ]
    for path, body in (
        ("/equipment", {"equipment": str(table.pk), "deed": "taken"}),
        ("/steps", {"step": "COOK", "part": parts[0], "equipment": str(kettle.pk), "ended_at": AT}),
        ("/quality-readings", {"what": "colour", "value": "amber"}),
        ("/trim", {"from_part": parts[0], "to_part": parts[1], "quantity": "250", "unit": "GRM"}),
        ("/end", {}),
    ):
        answer = api.send(at(path), {"performed_at": AT} | body)
        assert answer.status_code == 201, answer.data
        assert [row["id"] for row in api.ask(at(path)).data["results"]] == [answer.data["id"]]
    assert api.ask(at()).data["running"] is False
    sheet = api.ask(at("/sheet")).json()
    assert [(step["step"], step["at"]) for step in sheet["steps"]] == [("COOK", AT)]
    assert sheet["trim"][0]["quantity"] == {"quantity": "0.250", "unit": "KGM"}


def test_a_start_is_corrected_and_a_note_withdrawn(api, at, begun, table):
    body = {"corrects": str(begun.uid), "reason": "miscounted", "quantity": "900", "unit": "H87"}
    answer = api.send(at("/starts"), {"performed_at": AT, "equipment": [str(table.pk)]} | body)
    assert (answer.status_code, answer.data["entered"]) == (201, "900 H87")
    assert len(api.ask(at("/starts")).data["results"]) == 2
    step = api.send(at("/steps"), {"performed_at": AT, "step": "COOK"}).data["id"]
    gone = {"performed_at": AT, "what": "step", "corrects": step, "reason": "other batch"}
    answer = api.send(at("/withdrawn"), gone)
    assert (answer.status_code, answer.data["withdrawn"]) == (201, True)
    sheet = api.ask(at("/sheet")).json()
    assert (sheet["steps"], sheet["planned_entered"]) == ([], "900 H87")
    assert {struck["withdrawn"] for struck in sheet["struck"]} == {True, False}


def test_a_resend_is_harmless(api, at):
    body = {"performed_at": AT, "id": new_id()}
    first, again = api.send(at("/end"), body), api.send(at("/end"), body)
    assert (first.status_code, again.status_code, BatchEnd.objects.count()) == (201, 200, 1)


@pytest.fixture
def foreign(elsewhere):
    """Ids of another establishment's rows."""
    return {
        "equipment": str(
            Equipment.objects.create(establishment=elsewhere, code="K", name="K", kind="kettle").pk
        )
    }


@pytest.mark.parametrize(
    ("path", "body", "status", "kind", "field"),
    [
        ("/parts", {"number": 0, "name": "Boil"}, 400, "invalid", "number"),
        ("/parts", {"number": 1000, "name": "Boil"}, 400, "invalid", "number"),
        ("/parts", {"number": "one", "name": "Boil"}, 400, "invalid", "number"),
        ("/parts", {"number": 1, "name": "a\nb"}, 400, "not-one-line", "name"),
        ("/parts", {"number": 1, "name": "x" * 61}, 400, "invalid", "name"),
        ("/equipment", {"equipment": unknown_id(), "deed": "taken"}, 404, "not-found", "equipment"),
        ("/equipment", {"equipment": "foreign", "deed": "taken"}, 404, "not-found", "equipment"),
        ("/equipment", {"equipment": "7", "deed": "taken"}, 400, "invalid", "equipment"),
        ("/equipment", {"equipment": "own", "deed": "polished"}, 400, "invalid", "deed"),
        ("/steps", {"step": ""}, 400, "invalid", "step"),
        ("/steps", {"step": "x" * 61}, 400, "invalid", "step"),
        ("/steps", {"step": "C", "part": unknown_id()}, 404, "not-found", "part"),
        ("/steps", {"step": "C", "equipment": "foreign"}, 404, "not-found", "equipment"),
        ("/steps", {"step": "C", "ended_at": "2026-03-02T11:00:00+01:00"}, 400, "ends-before-it-began", "ended_at"),
        ("/quality-readings", {"what": "colour", "value": ""}, 400, "invalid", "value"),
        ("/quality-readings", {"what": "a\nb", "value": "x"}, 400, "not-one-line", "what"),
        ("/trim", {"from_part": unknown_id(), "to_part": "part"}, 404, "not-found", "from_part"),
        ("/trim", {"from_part": "part", "to_part": "other"}, 404, "not-found", "to_part"),
        ("/trim", {"from_part": "part", "to_part": "part", "quantity": "NaN"}, 400, "not-a-number", "quantity"),
        ("/trim", {"from_part": "part", "to_part": "part", "quantity": None}, 400, "invalid", "quantity"),
        ("/trim", {"from_part": "part", "to_part": "part", "quantity": ["1"]}, 400, "not-text", "quantity"),
        ("/trim", {"from_part": "part", "to_part": "part", "unit": "XX"}, 400, "unknown-unit", "unit"),
        ("/trim", {"from_part": "part", "to_part": "part", "unit": "H87"}, 400, "unit-does-not-convert", "unit"),
        ("/end", {"performed_at": "2026-03-02T07:59:59+01:00"}, 400, "ends-before-it-began", "performed_at"),
        ("/end", {"performed_at": "2026-03-02"}, 400, "invalid", "performed_at"),
        ("/end", {"corrects": unknown_id(), "reason": "x"}, 404, "not-found", "corrects"),
        ("/end", {"corrects": unknown_id()}, 400, "invalid", "reason"),
        ("/end", {"note": "x" * 4001}, 400, "invalid", "note"),
        ("/starts", {"quantity": "1", "unit": "H87"}, 400, "invalid", "corrects"),
        ("/starts", {"corrects": None, "quantity": "1", "unit": "H87"}, 409, "nothing-to-correct", "corrects"),
        ("/starts", {"corrects": "start", "reason": "x", "quantity": "0", "unit": "H87"}, 400, "not-positive", "quantity"),
        ("/starts", {"corrects": "start", "reason": "x", "equipment": ["foreign"]}, 404, "not-found", "equipment"),
        ("/withdrawn", {"what": "part", "corrects": "part", "reason": "x"}, 400, "invalid", "what"),
        ("/withdrawn", {"what": "end", "corrects": unknown_id(), "reason": "x"}, 404, "not-found", "corrects"),
        ("/withdrawn", {"what": "end", "corrects": unknown_id(), "reason": ""}, 400, "invalid", "reason"),
    ],
)  # fmt: skip
def test_a_bad_note_names_the_field_and_writes_nothing(
    api, act, at, begin, begun, kettle, foreign, nothing_is_written, path, body, status, kind, field
):
    part = runs.open_part(act=act(), batch=begun, number=9, name="Boil 9")
    other = runs.open_part(act=act(), batch=begin().batch, number=9, name="Boil 9")
    named = {
        "foreign": foreign["equipment"],
        "own": str(kettle.pk),
        "part": str(part.pk),
        "other": str(other.pk),
        "start": str(begun.uid),
    }

    def filled(value):
        if isinstance(value, list):
            return [filled(inner) for inner in value]
        return named.get(value, value) if isinstance(value, str) else value

    amounts = {"/trim": {"quantity": "1", "unit": "KGM"}, "/starts": {"quantity": "1", "unit": "H87"}}
    usual = {"performed_at": AT} | amounts.get(path, {})
    nothing_is_written.start()
    answer = api.send(at(path), usual | {name: filled(value) for name, value in body.items()})
    refused(answer, status, kind, field)
    nothing_is_written.check()


def test_a_batch_that_ended_does_not_end_again(api, at, nothing_is_written):
    api.send(at("/end"), {"performed_at": AT})
    nothing_is_written.start()
    refused(api.send(at("/end"), {"performed_at": AT}), 409, "ended-already")
    nothing_is_written.check()


def test_another_establishments_batches_recipes_and_rows_do_not_exist(
    elsewhere_api, at, begun, approved, pillow_recipe, kettle, hazelnuts, supplier, nothing_is_written
):
    nothing_is_written.start()
    for path in (
        *(at(rest) for rest in ("", "/sheet", "/starts", "/parts", "/end", "/equipment", "/steps")),
        *(at(rest) for rest in ("/quality-readings", "/trim")),
        f"recipes/{pillow_recipe.pk}",
        f"recipes/{pillow_recipe.pk}/versions",
        f"recipe-versions/{approved.pk}",
        f"equipment/{kettle.pk}",
        f"materials/{hazelnuts.pk}",
        f"partners/{supplier.pk}",
    ):
        assert elsewhere_api.ask(path).status_code == 404, path
    gone = {"performed_at": AT, "what": "end", "corrects": unknown_id(), "reason": "x"}
    assert elsewhere_api.send(at("/withdrawn"), gone).status_code == 404
    assert elsewhere_api.send(at("/end"), {"performed_at": AT}).status_code == 404
    assert elsewhere_api.change(f"equipment/{kettle.pk}", {"name": "X"}, version=1).status_code == 404
    body = {"code": "R", "name": "R", "material": str(hazelnuts.pk), "draft": {}}
    refused(elsewhere_api.send("recipes", body), 404, "not-found", "material")
    for path in ("occupations", "recipes", "equipment", "materials", "partners"):
        assert elsewhere_api.ask(path).data["results"] == [], path
    nothing_is_written.check()


def test_what_occupies_which_equipment_now_and_then(api, begun, kettle):
    def found(**query):
        rows = api.ask("occupations", **query).data["results"]
        return [(row["equipment_name"], row["batch_code"], row["until"]) for row in rows]

    assert found() == [("Kettle", begun.code, None)]
    assert found(at="2026-03-02T07:00:00+01:00") == []
    assert found(equipment=unknown_id()) == []
    assert api.ask("occupations", at="soon").status_code == 400


def test_lists_and_sheets_cost_the_same_for_one_as_for_ten(
    api, act, at, begun, paste, pillows, make_equipment
):
    paths = (
        *(at(rest) for rest in ("/sheet", "/starts", "/parts", "/equipment", "/steps")),
        *(at(rest) for rest in ("/quality-readings", "/trim")),
        *("occupations", "equipment", "recipes", "materials"),
        f"recipes/{begun.recipe_version.recipe_id}/versions",
    )

    def cost():
        costs = []
        for path in paths:
            with CaptureQueriesContext(connection) as queries:
                assert api.ask(path).status_code == 200
            costs.append((path, len(queries)))
        return costs

    numbers = iter(range(1, 100))

    def fill():
        part = runs.open_part(act=act(), batch=begun, number=next(numbers), name="Boil")
        runs.note_equipment(act=act(), batch=begun, equipment=make_equipment(), deed="taken")
        using.use(act=act(), lot=paste, batch=begun, quantity="1", unit="GRM", part=part)
        using.make(act=act(), batch=begun, material=pillows, quantity="1", unit="H87", part=part)
        for path, body in (
            ("/steps", {"step": "COOK", "part": str(part.pk)}),
            ("/quality-readings", {"what": "colour", "value": "amber", "part": str(part.pk)}),
            ("/trim", {"from_part": str(part.pk), "to_part": str(part.pk), "quantity": "1", "unit": "GRM"}),
        ):
            assert api.send(at(path), {"performed_at": AT} | body).status_code == 201

    fill()
    alone = cost()
    for _ in range(9):
        fill()
    assert cost() == alone
    assert (Part.objects.count(), ProcessStep.objects.count(), EquipmentUse.objects.count()) == (10, 10, 10)
    assert RecipeVersion.objects.count() == 1


def test_the_openapi_document_shows_an_example_for_every_way_to_post(api):
    paths = api.get("/api/v1/openapi.json?format=json").json()["paths"]
    ours = ("/recipes", "/batches/{uid}", *(f"/{name}" for name in BODIES))
    posts = [
        path
        for path, operations in paths.items()
        if "post" in operations and any(part in path.split("{establishment}")[-1] for part in ours)
    ]
    assert len(posts) >= 14
    for path in posts:
        media = paths[path]["post"]["requestBody"]["content"]["application/json"]
        assert "examples" in media, path
