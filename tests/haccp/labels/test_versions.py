"""Labels: drafts with gaps, versions approved by a lead's signature, and which is in force on a day."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from batches.models import Material, RecipeVersion
from config.api.refusals import ChangedMeanwhile, NotAllowed, RuleBroken
from haccp.allergens import statements
from haccp.labels import versions
from haccp.models import Label, LabelVersion
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Change, Establishment, Person, Signature
from ledger.signatures import Proof
from tests.conftest import PASSWORD, Client
from tests.haccp.labels.conftest import BEFORE, CARAMELS

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def codes(refusal: Any) -> list[tuple[str, str]]:
    return sorted((reason.field, reason.code) for reason in refusal.value.reasons)


def test_a_draft_may_have_gaps_and_they_are_told(make_label: Callable[..., Label]) -> None:
    label = make_label(net_quantity={}, contains=["milk", "mlik"])
    told = {(gap.field, gap.code) for gap in versions.gaps(label)}
    assert ("draft.contains.1", "unknown-allergen") in told
    assert {field for field, _ in told} >= {"draft.net_quantity.quantity"}


def test_an_allergen_no_list_knows_is_refused_with_the_nearest(
    make_label: Callable[..., Label], approve: Callable[..., LabelVersion]
) -> None:
    label = make_label(may_contain=[{"allergen": "hazlenut", "reason": "Same table."}])
    with pytest.raises(RuleBroken) as caught:
        approve(label)
    assert codes(caught) == [("draft.may_contain.0.allergen", "unknown-allergen")]
    assert "hazelnut" in caught.value.reasons[0].detail
    assert not LabelVersion.objects.exists()


def test_an_approved_version_declares_what_its_document_says(label_version: LabelVersion) -> None:
    assert (label_version.number, label_version.document["ingredients"]) == (1, CARAMELS["ingredients"])
    assert (label_version.declared, label_version.precautionary) == ({"milk"}, {"almond"})


def test_approving_signs(label_version: LabelVersion, lead: Person) -> None:
    signature = Signature.objects.get(target=label_version.pk)
    assert (signature.performed_by, signature.meaning) == (lead, "approved")


def test_only_a_food_safety_lead_approves(
    make_label: Callable[..., Label], act: Callable[..., Act], operator: Person
) -> None:
    with pytest.raises(NotAllowed):
        versions.approve(act=act(operator), label=make_label(), proof=Proof(operator))
    assert not LabelVersion.objects.exists()


def test_the_same_draft_is_not_approved_twice(
    label_version: LabelVersion, approve: Callable[..., LabelVersion]
) -> None:
    with pytest.raises(RuleBroken) as caught:
        approve(label_version.label)
    assert codes(caught) == [("draft", "unchanged")]


def test_sent_again_it_is_the_same_version(
    make_label: Callable[..., Label], act: Callable[..., Act], lead: Person
) -> None:
    label, said = make_label(), act(lead, id=uuid7())
    first, again = (versions.approve(act=said, label=label, proof=Proof(lead)) for _ in range(2))
    assert (again.pk, again.repeated, LabelVersion.objects.count()) == (first.pk, True, 1)


def test_another_draft_than_the_one_that_was_read_is_not_approved(
    make_label: Callable[..., Label], approve: Callable[..., LabelVersion]
) -> None:
    with pytest.raises(ChangedMeanwhile):
        approve(make_label(), expected_version=7)


def test_artwork_is_approved_once_its_file_is_attached(
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    attach: Callable[[], str],
) -> None:
    missing = make_label(unpacked=False, artwork={"sha256": "0" * 64})
    with pytest.raises(RuleBroken) as caught:
        approve(missing)
    assert codes(caught) == [("draft.artwork.sha256", "artwork-not-attached")]
    assert approve(make_label(unpacked=False, artwork={"sha256": attach()})).number == 1


def test_a_file_attached_elsewhere_is_not_there(
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    attach: Callable[[], str],
    elsewhere: Establishment,
) -> None:
    sha256 = attach()
    label = make_label(unpacked=False, artwork={"sha256": sha256})
    label.establishment = elsewhere
    assert [gap.code for gap in versions.gaps(label)] == ["artwork-not-attached"]


def test_what_its_recipe_is_known_to_contain_must_be_declared(
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    act: Callable[..., Act],
    lead: Person,
    sugar: Material,
    caramel_recipe: RecipeVersion,
) -> None:
    statements.record(
        act=act(lead, at=BEFORE),
        material=sugar,
        says=[{"allergen": "hazelnut", "says": "contains"}],
        document="Sheet 7",
        document_day=BEFORE.date(),
        in_force_from=BEFORE.date(),
    )
    with pytest.raises(RuleBroken) as caught:
        approve(make_label())
    assert codes(caught) == [("draft.contains", "allergen-undeclared")]
    assert sugar.code in caught.value.reasons[0].detail
    assert approve(make_label(contains=["milk", "hazelnut"])).number == 1


def test_honey_in_the_recipe_asks_for_its_warning_whatever_the_label_calls_it(
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    sugar: Material,
    caramel_recipe: RecipeVersion,
) -> None:
    Material.objects.filter(pk=sugar.pk).update(name="Akazienhonig")
    with pytest.raises(RuleBroken) as caught:
        approve(make_label())
    assert codes(caught) == [("draft.warnings", "honey-without-warning")]
    warning = {"kind": "not-under-12-months", "text": {"en": "Not for children under 12 months."}}
    assert approve(make_label(warnings=[warning])).number == 1


def test_the_newest_approval_is_in_force_from_its_day_on(
    label_version: LabelVersion, revise: Callable[..., LabelVersion], products: dict[str, Material]
) -> None:
    second = revise(label_version, at=BEFORE + 2 * DAY, contains=["milk", "soybean"])
    caramels, first_day = products["SBC"], BEFORE.date()
    assert versions.in_force(caramels, first_day - DAY) is None
    assert versions.in_force(caramels, first_day) == label_version
    assert versions.in_force(caramels, first_day + DAY) == label_version
    assert versions.in_force(caramels, first_day + 2 * DAY) == second
    assert versions.in_force(products["LMD"], first_day) is None


def test_a_product_may_have_several_labels_in_force(
    label_version: LabelVersion,
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    products: dict[str, Material],
) -> None:
    tub = approve(make_label())
    assert versions.all_in_force(products["SBC"], BEFORE.date()) == [tub, label_version]


def test_a_label_put_away_is_not_in_force(
    label_version: LabelVersion, act: Callable[..., Act], lead: Person, products: dict[str, Material]
) -> None:
    versions.redraft(act=act(lead), label=label_version.label, values={"in_use": False})
    assert versions.in_force(products["SBC"], BEFORE.date()) is None


# --- over HTTP


def body(material: Material, /, **values: Any) -> dict[str, Any]:
    return {"code": "L-SBC", "name": "Bag", "material": str(material.pk), "draft": CARAMELS} | values


def test_a_label_goes_in_with_its_gaps_and_a_record_to_hang_the_artwork_on(
    lead_api: Client, products: dict[str, Material]
) -> None:
    answer = lead_api.send("labels", body(products["SBC"], draft={"languages": ["en"]}))
    said = answer.json()
    assert (answer.status_code, answer["ETag"]) == (201, '"1"')
    assert {gap["field"] for gap in said["gaps"]} >= {"draft.name", "draft.ingredients"}
    assert Change.objects.get(pk=said["record"]).subject_id == UUID(said["id"])
    assert lead_api.ask(f"labels/{said['id']}").json()["gaps"] == said["gaps"]


def test_the_artwork_hangs_on_the_record_that_is_named(
    lead_api: Client, products: dict[str, Material]
) -> None:
    import io

    from tests.scene import PNG

    label = lead_api.send("labels", body(products["SBC"])).json()
    file = io.BytesIO(PNG)
    file.name = "bag.png"
    said = {"performed_at": BEFORE.isoformat(), "target": label["record"], "file": file}
    hung = lead_api.post(lead_api.base + "attachments", said)
    assert hung.status_code == 201
    draft = CARAMELS | {"unpacked": False, "artwork": {"sha256": hung.json()["sha256"]}}
    changed = lead_api.change(f"labels/{label['id']}", {"draft": draft}, 1)
    assert (changed.status_code, changed.json()["gaps"]) == (200, [])


def test_a_version_is_approved_with_the_password_and_read_again(
    lead_api: Client, products: dict[str, Material]
) -> None:
    label = lead_api.send("labels", body(products["SBC"])).json()
    said = {"performed_at": BEFORE.isoformat(), "draft_version": 1, "password": PASSWORD}
    answer = lead_api.send(f"labels/{label['id']}/versions", said)
    assert (answer.status_code, answer.json()["contains"], answer.json()["may_contain"]) == (
        201,
        ["milk"],
        ["almond"],
    )
    assert lead_api.ask(f"label-versions/{answer.json()['id']}").json() == answer.json()
    assert lead_api.ask(f"labels/{label['id']}").json()["version_in_force"] == answer.json()["id"]


def test_a_wrong_password_approves_nothing(lead_api: Client, products: dict[str, Material]) -> None:
    label = lead_api.send("labels", body(products["SBC"])).json()
    said = {"performed_at": BEFORE.isoformat(), "draft_version": 1, "password": "wrong"}
    assert lead_api.send(f"labels/{label['id']}/versions", said).status_code in (400, 403)
    assert not LabelVersion.objects.exists()


def test_who_cooks_does_not_draft_labels(api: Client, products: dict[str, Material]) -> None:
    assert api.send("labels", body(products["SBC"])).status_code == 403


@pytest.mark.parametrize("draft", [[], "label", {"net_quantity": {"quantity": 5}}, None])
def test_a_draft_that_cannot_be_kept_is_refused(
    lead_api: Client, products: dict[str, Material], draft: Any
) -> None:
    assert lead_api.send("labels", body(products["SBC"], draft=draft)).status_code == 400
    assert not Label.objects.exists()


def test_a_label_changes_under_if_match_and_its_product_stays(
    lead_api: Client, products: dict[str, Material]
) -> None:
    label = lead_api.send("labels", body(products["SBC"])).json()
    path = f"labels/{label['id']}"
    assert lead_api.change(path, {"name": "Tub"}).status_code == 428
    assert lead_api.change(path, {"name": "Tub"}, 1).json()["name"] == "Tub"
    assert lead_api.change(path, {"name": "Box"}, 1).status_code == 412
    assert lead_api.change(path, {"material": str(products["LMD"].pk)}, 2).status_code == 400
