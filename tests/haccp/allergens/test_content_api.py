"""What is in a lot and what will be by a recipe, over HTTP."""

from datetime import timedelta
from typing import Any

import pytest

from batches.models import Batch, Equipment, Material, Occupation, RecipeVersion
from ledger.models import Establishment
from tests.conftest import NOON, Client, unknown_id
from tests.haccp.allergens.conftest import OIL_IN_BOTH, entry

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def codes(told: list[dict[str, Any]]) -> list[str]:
    return [each["allergen"] for each in told]


def test_a_lot_tells_what_it_contains_may_contain_and_what_nobody_stated(
    api: Client, state: Any, sugar: Material, receive: Any, batch: Batch, use: Any, make_lot: Any
):
    said = state(
        sugar,
        "milk",
        "may-contain:almond",
        "coconut",
        entry("sulphites", mg_per_kg="2"),
        entry("soybean", "exempt", because=OIL_IN_BOTH),
    )
    source = receive()
    use(source, batch)
    lot = make_lot(batch)
    answer = api.ask(f"lots/{lot.uid}/allergens")
    assert answer.status_code == 200, answer.content
    told = answer.json()
    assert told["contains"] == [
        {
            "allergen": "milk",
            "name": "milk",
            "path": [{"id": str(each.uid), "code": each.code, "mixed_in": None} for each in (source, lot)],
            "statements": [str(said.pk)],
            "note": "",
        }
    ]
    assert codes(told["may_contain"]) == ["almond"]
    assert told["may_contain"][0]["by_contact"] is False
    assert "egg" in codes(told["unknown"])
    assert (codes(told["exempt"]), codes(told["unlisted"]), codes(told["below"])) == (
        ["soybean"],
        ["coconut"],
        ["sulphites"],
    )
    assert told["amounts"] == [{"allergen": "sulphites", "low": "2", "high": "4"}]
    assert "to be confirmed with your authority" in told["lists"][0]
    assert "Heat clears no allergen" in told["caution"]


def test_contact_names_batch_and_equipment(
    api: Client,
    state: Any,
    nuts: Material,
    receive: Any,
    begin: Any,
    use: Any,
    make_lot: Any,
    kettle: Equipment,
):
    state(nuts, "hazelnut")
    first, second = begin(), begin()
    use(receive(material=nuts), first)
    for number, each in enumerate((first, second)):
        since = NOON + (number - 4) * HOUR
        Occupation.objects.create(batch=each, equipment=kettle, since=since, until=since + HOUR)
    lot = make_lot(second)
    (told,) = api.ask(f"lots/{lot.uid}/allergens").json()["may_contain"]
    assert (told["batch"], told["equipment"], told["by_contact"]) == (str(first.uid), str(kettle.pk), True)
    assert told["sentence"] == f"{told['name']}: left on K-1 by batch {first.code} ({lot.code})."


def test_a_recipe_tells_what_its_product_is_going_to_contain(
    api: Client, state: Any, sugar: Material, caramel_recipe: RecipeVersion
):
    state(sugar, "milk")
    told = api.ask(f"recipe-versions/{caramel_recipe.pk}/allergens").json()
    assert codes(told["contains"]) == ["milk"]
    assert [step["code"] for step in told["contains"][0]["path"]] == ["SUG", "SBC"]


def test_a_lot_of_another_establishment_does_not_exist(
    client_of: Any, elsewhere: Establishment, make_person: Any, receive: Any, lead_api: Client
):
    assert lead_api.ask(f"lots/{unknown_id()}/allergens").status_code == 404
