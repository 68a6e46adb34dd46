"""Allergen lists: their shape, those that ship against the law's rows, confirmed, brought in, and the words they give.

Rows: ``tables/allergen-lists.csv``; each names the law, how it was seen, and what it says.
"""

import csv
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.core.management import CommandError, call_command

from config.api.refusals import NotAllowed, RuleBroken, Unusable
from haccp.allergens import documents, files, lists
from haccp.allergens.vocabulary import Listed, Vocabulary
from haccp.models import AllergenList
from ledger.acts import Act
from ledger.models import Change, Establishment, Person, Signature
from tests.conftest import PASSWORD

TABLE = Path(__file__).parent / "tables/allergen-lists.csv"
TODAY = date(2026, 3, 2)
# How the rows' words are coded here.
CODES = {
    "eggs": "egg",
    "crustacean shellfish": "crustaceans",
    "crustacea": "crustaceans",
    "tree nuts": "tree-nuts",
    "nuts": "tree-nuts",
    "specific tree nuts (almond, cashew, hazelnut, pecan, pistachio, walnut)": "tree-nuts",
    "peanuts": "peanut",
    "soybeans": "soybean",
    "sesame seeds": "sesame",
    "cereals containing gluten": "gluten-cereals",
    "milk (with lactose)": "milk",
    "sulphur dioxide and sulphites": "sulphites",
    "wheat (with spelt and khorasan)": "wheat",
    "almonds": "almond",
    "hazelnuts": "hazelnut",
    "filbert/hazelnut": "hazelnut",
    "walnuts": "walnut",
    "walnut (English, Persian)": "walnut",
    "cashews": "cashew",
    "pecan nuts": "pecan",
    "Brazil nut": "brazil-nut",
    "Brazil nuts": "brazil-nut",
    "pistachio nuts": "pistachio",
    "macadamia nut": "macadamia",
    "macadamia nuts": "macadamia",
    "black walnut": "black-walnut",
    "California walnut": "california-walnut",
    "Japanese walnut": "japanese-walnut",
    "pine nut": "pine-nut",
}


def rows(quantity: str, jurisdiction: str) -> set[str]:
    with TABLE.open() as file:
        read = csv.DictReader(line for line in file if not line.startswith("#"))
        return {
            CODES.get(row["value"], row["value"])
            for row in read
            if row["jurisdiction"] == jurisdiction and row["quantity"].startswith(quantity)
        }


def shipped(name: str) -> dict[str, documents.Group]:
    return {group.code: group for group in documents.read(files.shipped_list(name)["document"])}


def members(group: documents.Group, day: date = TODAY) -> set[str]:
    return {member.code for member in group.members if member.listed_on(day)}


def test_the_united_states_list_is_the_nine_and_sulphites():
    assert len(rows("major food allergen", "US")) == 9
    assert set(shipped("us")) == rows("major food allergen", "US") | {"sulphites"}


def test_the_kinds_of_tree_nuts_are_those_of_the_guidance_of_january_2025():
    assert members(shipped("us")["tree-nuts"]) == rows("tree nut counted", "US")


@pytest.mark.parametrize("nut", ["coconut", "chestnut"])
def test_a_nut_that_left_the_list_is_listed_until_that_day(nut: str):
    nuts = shipped("us")["tree-nuts"]
    assert nut in members(nuts, date(2025, 1, 5))
    assert nut not in members(nuts, date(2025, 1, 6))
    left = next(member for member in nuts.members if member.code == nut)
    assert (left.provenance, "January 2025" in left.citation) == ("from memory", True)


def test_the_european_list_is_the_fourteen():
    assert len(rows("substance", "EU")) == 14
    assert set(shipped("eu")) == rows("substance", "EU")


def test_the_european_list_names_cereals_and_nuts_as_the_law_does():
    european = shipped("eu")
    assert members(european["gluten-cereals"]) == rows("gluten cereal", "EU")
    assert members(european["tree-nuts"]) == rows("nut to name", "EU")


def test_the_codex_list_is_that_of_its_labelling_text():
    codex = shipped("codex")
    assert set(codex) == rows("global priority", "Codex")
    assert members(codex["tree-nuts"]) == {"almond", "cashew", "hazelnut", "pecan", "pistachio", "walnut"}


@pytest.mark.parametrize(
    ("code", "made"),
    [
        ("wheat", "glucose syrup of wheat"),
        ("wheat", "maltodextrin of wheat"),
        ("barley", "glucose syrup of barley"),
        ("soybean", "fully refined soybean oil"),
    ],
)
def test_the_exemptions_of_the_table_are_there(code: str, made: str):
    found = [
        exempt
        for group in shipped("eu").values()
        for member in group.members
        if member.code == code
        for exempt in member.exempt
    ]
    assert any(each.name.startswith(made) and each.provenance == "read" for each in found)


@pytest.mark.parametrize(("name", "at_ten"), [("eu", False), ("us", True)])
def test_sulphites_count_above_ten_in_the_one_and_from_ten_in_the_other(name: str, at_ten: bool):
    over = shipped(name)["sulphites"].members[0].over
    assert over is not None
    assert (over.value, over.asks(over.value)) == (10, at_ten)


@pytest.mark.parametrize("name", files.shipped())
def test_every_row_that_ships_says_how_it_was_seen(name: str):
    for group in shipped(name).values():
        for member in group.members:
            assert member.provenance in ("read", "from memory")
            assert all(each.provenance in ("read", "from memory") for each in member.exempt)


@pytest.mark.parametrize("name", files.shipped())
def test_no_listing_is_taken_for_an_exemption_of_it(name: str):
    """Who cites that a list names a substance has not said that it is left out."""
    for group in shipped(name).values():
        for member in group.members:
            assert not any(each.is_named_in(member.citation) for each in member.exempt), member.code


def test_nuts_are_exempt_only_where_the_distillates_are_named():
    words = Vocabulary([Listed("EU", date(2014, 12, 13), None, tuple(shipped("eu").values()))])
    listing = "Reg (EU) 1169/2011, Annex II, 8"
    for code in words.members_of("tree-nuts"):
        assert not words.is_exemption(code, listing)
        assert words.asking(code, listing, TODAY) == ("EU",)
        assert words.is_exemption(code, f"{listing}, nuts used for making alcoholic distillates")


# -- shape ------------------------------------------------------------------------------------------


def one(**more: Any) -> dict[str, Any]:
    return {"code": "milk", "name": "milk", "provenance": "read"} | more


def group(*each: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"code": "milk", "name": "milk", "members": list(each) or [one()]} | more


@pytest.mark.parametrize(
    ("document", "code", "field"),
    [
        (None, "shape", "document"),
        ({"groups": []}, "shape", "document.groups"),
        ({"groups": [group()], "members": [one()]}, "member-without-group", "document.members"),
        (
            {"groups": [{"name": "x", "members": [one()]}]},
            "member-without-group",
            "document.groups.0.members",
        ),
        ({"groups": [group(), group()]}, "code-twice", "document.groups.1.code"),
        ({"groups": [group(one(), one(code="egg"))]}, "code-twice", "document.groups.0.members.0.code"),
        ({"groups": [group(one(code="a"), one(code="a"))]}, "code-twice", "document.groups.0.members.1.code"),
        ({"groups": [group(code="Milk")]}, "not-a-code", "document.groups.0.code"),
        ({"groups": [group(one(maybe="x"))]}, "unknown-field", "document.groups.0.members.0.maybe"),
        ({"groups": [group(one(until="6 Jan"))]}, "not-a-day", "document.groups.0.members.0.until"),
        ({"groups": [group(one(until=20250106))]}, "not-a-day", "document.groups.0.members.0.until"),
        (
            {"groups": [group(one(**{"from": "2025-01-06", "until": "2025-01-06"}))]},
            "ends-before-it-begins",
            "document.groups.0.members.0.until",
        ),
        (
            {"groups": [group(one(over={"value": "10"}))]},
            "unit-missing",
            "document.groups.0.members.0.over.unit",
        ),
        (
            {"groups": [group(one(over={"value": "10", "unit": "KGM"}))]},
            "unknown-unit",
            "document.groups.0.members.0.over.unit",
        ),
        (
            {"groups": [group(one(over={"value": "-1", "unit": "NA"}))]},
            "negative",
            "document.groups.0.members.0.over.value",
        ),
        ({"groups": [group(one(provenance=""))]}, "missing", "document.groups.0.members.0.provenance"),
        (
            {"groups": [group(one(exempt=[{"name": "whey", "provenance": "read"}]))]},
            "missing",
            "document.groups.0.members.0.exempt.0.basis",
        ),
    ],
)
def test_a_list_of_another_shape_is_refused(document: Any, code: str, field: str):
    with pytest.raises(Unusable) as refused:
        documents.read(document)
    assert [(reason.code, reason.field) for reason in refused.value.reasons] == [(code, field)]


def test_every_reason_is_told_at_once():
    bad = {"groups": [group(one(until="x", maybe="x", over={"value": "x"}), code="M")]}
    with pytest.raises(Unusable) as refused:
        documents.read(bad)
    assert {reason.code for reason in refused.value.reasons} == {
        "not-a-day",
        "unknown-field",
        "unit-missing",
        "not-a-number",
        "not-a-code",
    }


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a: [", "line"),
        ("- a", "named entries"),
        ("code: A\ncode: B", "stands twice"),
        ("code: &a A\nname: *a", "alias"),
        ("a: !!python/object:os.system x", "not an allergen list"),
        (b"\xff\xfe\xff", "UTF-8"),
        ("code: A\nwhat: B", "not an allergen list"),
    ],
)
def test_a_file_that_is_no_list_is_refused(text: Any, said: str):
    with pytest.raises(files.UnreadableList) as refused:
        files.from_yaml(text)
    assert said in refused.value.detail or said in refused.value.reasons[0].field


# -- words ------------------------------------------------------------------------------------------


def words() -> Vocabulary:
    return Vocabulary(
        [
            Listed(
                said["jurisdiction"],
                date.fromisoformat(said["in_force_from"]),
                None,
                documents.read(said["document"]),
            )
            for said in map(files.shipped_list, files.shipped())
        ]
    )


def test_one_substance_stands_in_the_groups_of_every_list():
    assert words().groups_of("wheat") == {"wheat", "gluten-cereals"}
    assert words().groups_of("hazelnut") == {"tree-nuts"}


def test_a_group_of_several_may_be_stated_and_is_no_member():
    known = words()
    known.refuse_unknown({"tree-nuts"})
    assert "tree-nuts" not in known.members
    assert "hazelnut" in known.members_of("tree-nuts")


def test_a_code_that_has_left_every_list_is_still_known():
    known = words()
    known.refuse_unknown(["coconut"])
    assert "coconut" not in known.listed_on(TODAY)
    assert "coconut" in known.listed_on(date(2024, 6, 1))


def test_an_unknown_code_is_refused_with_the_nearest():
    with pytest.raises(Unusable) as refused:
        words().refuse_unknown(["hazlenut", "milk", "qqq"], field="says")
    first, second = refused.value.reasons
    assert (first.code, first.field) == ("unknown-allergen", "says")
    assert "nearest known code is hazelnut" in first.detail
    assert "Known: almond" in second.detail


def test_amounts_are_those_of_the_lists_in_force_that_day():
    assert {(place, over and over.reached) for place, over in words().overs("sulphites", TODAY)} == {
        ("EU", False),
        ("US", True),
    }
    assert [place for place, _ in words().overs("sulphites", date(2010, 1, 1))] == ["US"]


@pytest.mark.parametrize(("amount", "asked"), [("9.99", False), ("10", True), ("10.01", True)])
def test_an_amount_is_asked_for_if_any_list_in_force_asks(amount: str, asked: bool):
    assert words().asks("sulphites", TODAY, Decimal(amount)) == asked


# -- an establishment's -----------------------------------------------------------------------------

pytestmark = pytest.mark.django_db


@pytest.fixture
def bring(act: Callable[..., Act], lead: Person) -> Callable[..., lists.BroughtIn]:
    def do(name: str = "eu", **other: Any) -> lists.BroughtIn:
        return lists.bring_in(act=act(lead), said=files.shipped_list(name) | other)

    return do


def test_without_a_list_of_the_house_those_that_ship_stand_in(establishment: Establishment):
    known = lists.vocabulary(establishment)
    assert known.shipped
    assert {each.jurisdiction for each in known.lists} == {"Codex", "EU", "US"}


def test_the_house_knows_the_words_of_its_own_lists(establishment: Establishment, bring: Any):
    bring("codex")
    known = lists.vocabulary(establishment)
    assert not known.shipped
    assert "lupin" not in known.codes


def test_a_list_that_nobody_confirmed_counts(establishment: Establishment, bring: Any):
    assert bring().row.confirmed_by is None
    assert "lupin" in lists.vocabulary(establishment).listed_on(TODAY)


def test_a_list_that_is_brought_in_again_changes_nothing(bring: Any):
    first = bring()
    again = bring(name="eu")
    assert (again.made, again.row.pk, again.other) == (False, first.row.pk, [])
    assert AllergenList.objects.count() == 1


def test_what_a_file_says_differently_is_told_and_not_taken(bring: Any):
    bring()
    again = bring(authority="Another")
    assert again.other == ["authority"]
    assert AllergenList.objects.get().authority != "Another"


def test_a_list_with_any_error_is_not_brought_in_and_every_error_is_told(bring: Any):
    with pytest.raises(Unusable) as refused:
        bring(in_force_from="soon", document={"groups": [group(one(until="x"))]}, authority=" ")
    assert {reason.field for reason in refused.value.reasons} == {
        "in_force_from",
        "authority",
        "document.groups.0.members.0.until",
    }
    assert not AllergenList.objects.exists()


def test_confirming_is_a_signature_on_the_change(act: Any, lead: Person, bring: Any, proof: Any):
    row = lists.confirm(act=act(lead), row=bring().row, proof=proof)
    change = Change.objects.filter(subject_id=row.pk).latest("recorded_at")
    assert row.status == "confirmed"
    assert Signature.objects.get(target=change.pk).meaning == "approved"


def test_an_operator_confirms_nothing(act: Any, bring: Any, proof: Any):
    with pytest.raises(NotAllowed):
        lists.confirm(act=act(), row=bring().row, proof=proof)


def test_a_list_is_confirmed_once(act: Any, lead: Person, bring: Any, proof: Any):
    row = lists.confirm(act=act(lead), row=bring().row, proof=proof)
    with pytest.raises(RuleBroken) as refused:
        lists.confirm(act=act(lead), row=row, proof=proof)
    assert refused.value.reasons[0].code == "confirmed-already"


def test_repeating_a_confirmation_writes_nothing(act: Any, lead: Person, bring: Any, proof: Any):
    row, key = bring().row, uuid4()
    lists.confirm(act=act(lead, id=key), row=row, proof=proof)
    assert lists.confirm(act=act(lead, id=key), row=row, proof=proof).repeated
    assert Signature.objects.count() == 1


def test_of_a_confirmed_list_the_document_stays(act: Any, lead: Person, bring: Any, proof: Any):
    row = lists.confirm(act=act(lead), row=bring().row, proof=proof)
    with pytest.raises(RuleBroken) as refused:
        lists.alter(act=act(lead), row=row, values={"document": {"groups": [group()]}})
    assert refused.value.code == "list-is-confirmed"


def test_a_confirmed_list_is_given_a_last_day_of_today_or_later(
    act: Any, lead: Person, bring: Any, proof: Any
):
    row = lists.confirm(act=act(lead), row=bring().row, proof=proof)
    with pytest.raises(RuleBroken) as refused:
        lists.alter(act=act(lead), row=row, values={"in_force_until": date(2026, 3, 1)})
    assert refused.value.reasons[0].code == "ends-in-the-past"
    lists.alter(act=act(lead), row=row, values={"in_force_until": TODAY})
    assert AllergenList.objects.get().in_force_until == TODAY


def test_nobody_confirms_a_list_by_writing_it_down(act: Any, lead: Person, bring: Any):
    with pytest.raises(Unusable) as refused:
        lists.alter(act=act(lead), row=bring().row, values={"confirmed_by": lead})
    assert refused.value.code == "confirmed-by-signature"


# -- ways in ----------------------------------------------------------------------------------------


def test_the_command_loads_a_list_that_ships_and_shows_it(
    establishment: Establishment, lead: Person, capsys: Any
):
    place = ["--establishment", str(establishment.pk)]
    call_command("allergens", "list", *place)
    assert "those that ship stand in" in capsys.readouterr().out
    call_command("allergens", "load", "us", *place, "--by", lead.sign_in_name)
    assert "AL-US, unconfirmed: to be confirmed with your authority" in capsys.readouterr().out
    call_command("allergens", "load", "us", *place, "--by", lead.sign_in_name)
    assert "stood here already" in capsys.readouterr().out
    call_command("allergens", "list", *place)
    assert "10 groups" in capsys.readouterr().out


def test_the_command_says_which_file_it_cannot_read(establishment: Establishment, lead: Person):
    place = ["--establishment", str(establishment.pk), "--by", lead.sign_in_name]
    with pytest.raises(CommandError, match=r"nowhere\.yaml cannot be read"):
        call_command("allergens", "load", "nowhere.yaml", *place)


def test_a_list_is_brought_in_read_and_confirmed_over_http(lead_api: Any):
    client = lead_api
    brought = client.send("allergen-lists/from-file", {"example": "eu"})
    assert brought.status_code == 200, brought.content
    row = brought.json()["list"]
    assert (brought.json()["made"], row["status"]) == (
        True,
        "unconfirmed: to be confirmed with your authority",
    )
    done = client.send(f"allergen-lists/{row['id']}/confirmation", {"list_version": 1, "password": PASSWORD})
    assert done.json()["status"] == "confirmed", done.content


def test_members_of_a_file_that_stand_in_no_group_are_told_so():
    with pytest.raises(files.UnreadableList) as refused:
        files.from_yaml("code: A\nmembers: []")
    assert ("members", "member-without-group") in [(each.field, each.code) for each in refused.value.reasons]


def test_bad_yaml_over_http_is_a_400(lead_api: Any):
    answer = lead_api.send("allergen-lists/from-file", {"yaml": "code: A"})
    assert (answer.status_code, AllergenList.objects.count()) == (400, 0)
