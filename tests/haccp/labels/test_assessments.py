"""Contacts as a lead assessed them: signed, for a material or a lot, until a day."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from batches.models import Batch, Lot, Material
from config.api.refusals import NotAllowed, RuleBroken, Unknown, Unusable
from haccp.labels import assessments
from haccp.models import ContactAssessment
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Establishment, Person, Signature
from ledger.signatures import Proof
from tests.conftest import NOON, PASSWORD, Client

pytestmark = pytest.mark.django_db
TODAY, DAY = NOON.date(), timedelta(days=1)
WHY = "Rinse water of the shared table, ten runs: below the action level."


@pytest.fixture
def assess(
    act: Callable[..., Act], lead: Person, products: dict[str, Material]
) -> Callable[..., ContactAssessment]:
    """Almond in caramels need not be declared until the end of the year, unless said otherwise."""

    def do(said_act: Act | None = None, **values: Any) -> ContactAssessment:
        usual: dict[str, Any] = {"allergens": ["almond"], "because": WHY, "until": date(2027, 1, 1)}
        if "lot" not in values:
            usual["material"] = products["SBC"]
        return assessments.assess(act=said_act or act(lead), proof=Proof(lead), **(usual | values))

    return do


def test_it_is_signed_by_who_assessed_it(assess: Callable[..., ContactAssessment], lead: Person) -> None:
    made = assess(allergens=["almond", "almond", "hazelnut"])
    assert made.allergens == ["almond", "hazelnut"]
    assert Signature.objects.get(target=made.pk).performed_by == lead


def test_only_a_food_safety_lead_assesses(
    assess: Callable[..., ContactAssessment], act: Callable[..., Act], operator: Person
) -> None:
    with pytest.raises(NotAllowed):
        assess(said_act=act(operator))
    assert not ContactAssessment.objects.exists()


def test_it_holds_from_its_day_until_its_last(
    assess: Callable[..., ContactAssessment], batch: Batch, make_lot: Callable[..., Lot]
) -> None:
    lot, made = make_lot(batch), assess(until=TODAY + 5 * DAY)
    held = [assessments.standing([lot], TODAY + days * DAY)[lot.pk] for days in (-1, 0, 4, 5)]
    assert held == [[], [made], [made], []]


def test_one_of_a_lot_speaks_of_that_lot_only(
    assess: Callable[..., ContactAssessment], batch: Batch, make_lot: Callable[..., Lot]
) -> None:
    one, other = make_lot(batch), make_lot(batch)
    made = assess(lot=one)
    assert assessments.standing([one, other], TODAY) == {one.pk: [made], other.pk: []}


def test_withdrawn_it_no_longer_stands(
    assess: Callable[..., ContactAssessment],
    act: Callable[..., Act],
    lead: Person,
    batch: Batch,
    make_lot: Callable[..., Lot],
) -> None:
    lot, made = make_lot(batch), assess()
    assessments.withdraw(act=act(lead, corrects=made.pk, reason="Another table."), proof=Proof(lead))
    assert assessments.standing([lot], TODAY) == {lot.pk: []}


def test_a_correction_stays_with_what_it_is_about(
    assess: Callable[..., ContactAssessment],
    act: Callable[..., Act],
    lead: Person,
    products: dict[str, Material],
) -> None:
    made = assess()
    with pytest.raises(RuleBroken) as caught:
        assess(said_act=act(lead, corrects=made.pk, reason="x"), material=products["LMD"])
    assert caught.value.code == "corrects-another"


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"allergens": []}, "allergens"),
        ({"allergens": ["almnod"]}, "allergens"),
        ({"because": "  "}, "because"),
        ({"until": TODAY}, "until"),
        ({"material": None}, "material"),
    ],
)
def test_what_cannot_be_kept_is_refused(
    values: dict[str, Any], field: str, assess: Callable[..., ContactAssessment]
) -> None:
    with pytest.raises(Unusable) as caught:
        assess(**values)
    assert caught.value.reasons[0].field == field
    assert not ContactAssessment.objects.exists()


def test_a_material_of_another_establishment_is_not_there(
    assess: Callable[..., ContactAssessment], products: dict[str, Material], elsewhere: Establishment
) -> None:
    products["SBC"].establishment = elsewhere
    with pytest.raises(Unknown):
        assess()


def body(material: Material, /, **values: Any) -> dict[str, Any]:
    usual = {"performed_at": NOON.isoformat(), "material": str(material.pk), "allergens": ["almond"]}
    return usual | {"because": WHY, "until": "2027-01-01", "password": PASSWORD} | values


def test_it_goes_in_with_the_password_and_comes_out_without(
    lead_api: Client, products: dict[str, Material]
) -> None:
    answer = lead_api.send("contact-assessments", body(products["SBC"]))
    said = answer.json()
    assert (answer.status_code, said["allergens"], "password" in said) == (201, ["almond"], False)
    assert lead_api.ask(f"contact-assessments/{said['id']}").json() == said
    listed = lead_api.ask("contact-assessments", material=str(products["SBC"].pk)).json()["results"]
    assert listed == [said]


def test_it_is_withdrawn_by_signature(lead_api: Client, products: dict[str, Material]) -> None:
    made = lead_api.send("contact-assessments", body(products["SBC"])).json()
    said = {"performed_at": NOON.isoformat(), "corrects": made["id"], "reason": "Another table."}
    answer = lead_api.send("contact-assessments/withdrawn", said | {"password": PASSWORD})
    assert (answer.status_code, answer.json()["withdrawn"]) == (201, True)


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"allergens": ["gluteen"]}, 400),
        ({"allergens": []}, 400),
        ({"until": "tomorrow"}, 400),
        ({"material": None}, 400),
        ({"lot": str(uuid7())}, 404),
    ],
)
def test_bad_input_is_refused(
    values: dict[str, Any], code: int, lead_api: Client, products: dict[str, Material]
) -> None:
    assert lead_api.send("contact-assessments", body(products["SBC"], **values)).status_code == code
    assert not ContactAssessment.objects.exists()


def test_who_cooks_does_not_assess(api: Client, products: dict[str, Material]) -> None:
    assert api.send("contact-assessments", body(products["SBC"])).status_code == 403
