"""A changeover is released by signature, once all its procedure asks for was done and shown; then equipment is clear."""

from datetime import date, timedelta
from typing import Any

import pytest

from batches import runs
from batches.models import Area, CleaningBreak, Equipment, LotState
from config.api.refusals import NotAllowed, RuleBroken, Unknown, Unusable
from haccp.changeovers import releasing, verifying
from haccp.models import (
    Changeover,
    ChangeoverRelease,
    ChangeoverVerification,
    CleaningProcedureVersion,
    Deviation,
    Hold,
)
from ledger import people, removals, seals
from ledger.ids import uuid7
from ledger.models import Membership, Person, Signature
from tests.haccp.changeovers.conftest import BEGUN, ENDED, FREED, HOUR, MINUTE, SHOWN
from tests.haccp.changeovers.procedures import WET, dry, wet


def refused(gate: Any) -> dict[str, str]:
    with pytest.raises(RuleBroken) as refusal:
        gate()
    return {reason.code: reason.detail for reason in refusal.value.reasons}


def test_a_release_is_signed_and_says_what_it_rests_on(changed_over: Changeover, free: Any):
    release = free(changed_over)
    assert Signature.objects.get(target=release.pk).meaning == "released"
    shown = ChangeoverVerification.objects.values_list("pk", flat=True)
    assert sorted(release.basis) == sorted(map(str, shown))


def test_the_area_that_was_named_stands_in_the_scope(
    change_over: Any, show: Any, free: Any, table: Equipment, breaks: Any, establishment: Any
):
    area = Area.objects.create(establishment=establishment, code="A-1", name="Cold end")
    made = change_over(area=area)
    show(made)
    for allergen in ("milk", "hazelnut"):
        show(made, "swab", allergen)
    free(made)
    assert breaks(table)[0].scope["area"] == str(area.pk)


def test_a_release_writes_a_break_from_the_end_of_the_changeover(
    changed_over: Changeover, free: Any, table: Equipment, breaks: Any
):
    release = free(changed_over)
    (made,) = breaks(table)
    assert (made.at, made.because_id) == (ENDED, release.pk)
    assert made.scope == {
        "allergens": ["hazelnut", "milk"],
        "microbiological": False,
        "foreign-bodies": True,
    }


def test_each_piece_of_equipment_has_its_break(
    change_over: Any, show_all: Any, free: Any, table: Equipment, kettle: Equipment, breaks: Any
):
    made = change_over(equipment=[table, kettle])
    show_all(made)
    free(made)
    assert (len(breaks(table)), len(breaks(kettle))) == (1, 1)


# --- before its verification


def test_it_is_not_released_before_it_is_shown_and_every_reason_is_told(
    change_over: Any, free: Any, table: Equipment
):
    made = change_over(ended_at=ENDED, dry_before_start=False)
    with pytest.raises(RuleBroken) as refusal:
        free(made)
    found = [(reason.code, reason.detail) for reason in refusal.value.reasons]
    assert [code for code, _ in found] == ["not-dry", *["not-verified"] * 3]
    assert f"{table}: not shown yet: swab for hazelnut (Four corners)." in [told for _, told in found]
    assert not CleaningBreak.objects.exists()


def test_each_piece_of_equipment_is_shown(
    change_over: Any, show: Any, free: Any, table: Equipment, kettle: Equipment
):
    made = change_over(equipment=[table, kettle])
    show(made)
    for allergen in ("milk", "hazelnut"):
        show(made, "swab", allergen, equipment=table)
    with pytest.raises(RuleBroken) as refusal:
        free(made)
    assert {tuple(reason.ids) for reason in refusal.value.reasons} == {(str(kettle.pk),)}


def test_a_release_dated_before_its_verification_is_refused(
    changed_over: Changeover, free: Any, act: Any, supervisor: Person
):
    found = refused(lambda: free(changed_over, act(supervisor, at=SHOWN - MINUTE)))
    assert set(found) == {"before-its-verification"}


def test_a_release_dated_before_the_end_of_the_changeover_is_refused(
    changed_over: Changeover, free: Any, act: Any, supervisor: Person
):
    found = refused(lambda: free(changed_over, act(supervisor, at=ENDED - MINUTE)))
    assert found["before-its-end"] == "It would be released before it ended."


def test_what_was_looked_at_before_the_last_washing_shows_nothing(
    change_over: Any, show: Any, show_all: Any, free: Any, act: Any
):
    made = change_over()
    show(made, said_act=act(at=BEGUN + 5 * MINUTE))
    show(made, "swab", "milk")
    show(made, "swab", "hazelnut")
    assert "visual" in refused(lambda: free(made))["not-verified"]


def test_something_outside_is_cleaned_again_whatever_else_is_good(
    changed_over: Changeover, show: Any, free: Any
):
    show(changed_over, "swab", "milk", value="1300")
    found = refused(lambda: free(changed_over))
    assert set(found) == {"verification-outside"}
    assert "clean again" in found["verification-outside"]


def test_something_undecided_is_no_release_until_it_is_shown(
    change_over: Any, show: Any, show_all: Any, free: Any
):
    made = change_over()
    show(made)
    show(made, "swab", "milk", validated_for=None)
    show(made, "swab", "hazelnut")
    assert set(refused(lambda: free(made))) == {"verification-not-within"}
    show(made, "swab", "milk")
    assert free(made)


def test_atp_does_not_stand_in_for_a_swab(change_over: Any, show: Any, free: Any, approve: Any):
    atp = {"by": "atp", "where": "Plate", "upper": "150", "unit": "RLU"}
    made = change_over(procedure_version=approve(wet(verify=[*WET["verify"], atp])))
    show(made)
    show(made, "atp", value="10", unit="RLU")
    with pytest.raises(RuleBroken) as refusal:
        free(made)
    assert [reason.detail.split(": ")[2] for reason in refusal.value.reasons] == [
        "swab for hazelnut (Four corners).",
        "swab for milk (Four corners).",
    ]


def test_cleanliness_that_the_procedure_asks_for_is_asked_for(
    change_over: Any, show_all: Any, show: Any, free: Any, approve: Any
):
    atp = {"by": "atp", "where": "Plate", "upper": "150", "unit": "RLU"}
    made = change_over(procedure_version=approve(wet(verify=[*WET["verify"], atp])))
    show_all(made)
    assert "atp" in refused(lambda: free(made))["not-verified"]
    show(made, "atp", value="151", unit="RLU")
    assert "verification-outside" in refused(lambda: free(made))


def test_an_overlap_is_no_release_until_one_is_withdrawn(
    changed_over: Changeover, change_over: Any, free: Any, act: Any
):
    from haccp.changeovers import recording

    other = change_over()
    assert set(refused(lambda: free(changed_over))) == {"overlapping-changeover"}
    recording.withdraw(act=act(corrects=other.pk, reason="Entered twice."))
    assert free(changed_over)


def test_an_overlap_that_comes_in_late_lets_the_release_fall_and_holds_what_ran(
    changed_over: Changeover, change_over: Any, free: Any, begin: Any, table: Equipment, breaks: Any
):
    free(changed_over)
    begin(equipment=[table], at=FREED + MINUTE)
    change_over()
    assert not ChangeoverRelease.objects.standing().exists()
    assert breaks(table) == []
    case = Deviation.objects.get(what=Deviation.What.CHANGEOVER)
    assert "Another changeover of the same equipment overlaps it." in case.title
    assert case.holds.exists()


def test_one_that_begins_as_the_released_one_ends_lets_nothing_fall(
    changed_over: Changeover, change_over: Any, free: Any, act: Any
):
    free(changed_over)
    change_over(act(at=ENDED), steps=[], ended_at=ENDED + HOUR)
    assert ChangeoverRelease.objects.standing().exists()


# --- the scope


def test_a_release_for_one_allergen_asks_for_its_swab_only(
    change_over: Any, show: Any, free: Any, table: Equipment, breaks: Any
):
    made = change_over()
    show(made)
    show(made, "swab", "milk")
    show(made, "swab", "hazelnut", value="1900")
    free(made, allergens=["milk"])
    assert breaks(table)[0].scope["allergens"] == ["milk"]


def test_what_the_procedure_does_not_claim_is_not_released(changed_over: Changeover, free: Any):
    with pytest.raises(Unusable, match="egg"):
        free(changed_over, allergens=["milk", "egg"])


def test_a_group_is_written_with_its_members(
    change_over: Any, show: Any, free: Any, approve: Any, table: Equipment, breaks: Any
):
    document = dry(clears={"allergens": ["tree-nuts"], "microbiological": False, "foreign-bodies": False})
    made = change_over(procedure_version=approve(document, "DRY"))
    show(made)
    free(made)
    assert {"tree-nuts", "hazelnut", "almond"} <= set(breaks(table)[0].scope["allergens"])


def test_a_procedure_for_all_allergens_clears_all_of_them(
    change_over: Any, show: Any, free: Any, approve: Any, table: Equipment, breaks: Any
):
    document = dry(clears={"allergens": "all", "microbiological": False, "foreign-bodies": False})
    made = change_over(procedure_version=approve(document, "DRY"))
    show(made)
    free(made)
    assert breaks(table)[0].scope["allergens"] == "all"


# --- who


def test_an_operator_releases_nothing(changed_over: Changeover, free: Any, act: Any, operator: Person):
    with pytest.raises(NotAllowed):
        free(changed_over, act(operator, at=FREED))


def test_a_lead_releases(changed_over: Changeover, free: Any, act: Any, lead: Person):
    assert free(changed_over, act(lead, at=FREED))


def test_nobody_signs_as_another(changed_over: Changeover, act: Any, supervisor: Person, lead: Person):
    from ledger import signatures

    with pytest.raises(RuleBroken, match="signs as another"):
        releasing.release(
            act=act(supervisor, at=FREED), changeover=changed_over, proof=signatures.Proof(lead)
        )


def test_who_is_a_supervisor_no_more_releases_nothing(
    changed_over: Changeover, free: Any, supervisor: Person
):
    Membership.objects.filter(person=supervisor).update(until_day=date(2026, 3, 1))
    with pytest.raises(NotAllowed):
        free(changed_over)


def test_who_is_inactive_releases_nothing(
    changed_over: Changeover, free: Any, act: Any, lead: Person, supervisor: Person
):
    people.make_inactive(act=act(lead), person=supervisor)
    supervisor.refresh_from_db()
    with pytest.raises(NotAllowed):
        free(changed_over)


# --- once


def test_a_changeover_is_released_once(changed_over: Changeover, free: Any, act: Any, supervisor: Person):
    said = act(supervisor, at=FREED, id=uuid7())
    first = free(changed_over, said)
    assert free(changed_over, said).pk == first.pk
    assert set(refused(lambda: free(changed_over))) == {"released-already"}


def test_a_release_is_taken_back_not_corrected(
    changed_over: Changeover, free: Any, act: Any, supervisor: Person, table: Equipment, breaks: Any
):
    first = free(changed_over)
    said = act(supervisor, at=FREED, corrects=first.pk, reason="Misread.")
    with pytest.raises(RuleBroken, match="Take it back"):
        free(changed_over, said)
    releasing.withdraw(act=said)
    assert breaks(table) == []
    assert free(changed_over)
    assert len(breaks(table)) == 1


def test_a_changeover_of_another_house_is_not_there(
    changed_over: Changeover, act: Any, supervisor: Person, elsewhere: Any
):
    from dataclasses import replace

    from ledger import signatures

    with pytest.raises(Unknown):
        releasing.release(
            act=replace(act(supervisor), establishment=elsewhere),
            changeover=changed_over,
            proof=signatures.Proof(supervisor),
        )


# --- a release falls with what it rests on


def test_a_verification_withdrawn_lets_the_release_fall(
    changed_over: Changeover, free: Any, act: Any, table: Equipment, breaks: Any
):
    free(changed_over)
    swab = ChangeoverVerification.objects.filter(allergen="milk").get()
    verifying.withdraw(act=act(corrects=swab.pk, reason="Another table's swab."))
    assert breaks(table) == []
    assert ChangeoverRelease.objects.filter(withdrawn=True).count() == 1


def test_a_verification_corrected_lets_the_release_fall(
    changed_over: Changeover, free: Any, show: Any, act: Any, table: Equipment, breaks: Any
):
    free(changed_over)
    swab = ChangeoverVerification.objects.filter(allergen="milk").get()
    show(changed_over, "swab", "milk", act(at=SHOWN, corrects=swab.pk, reason="Misread."), value="6")
    assert breaks(table) == []
    assert free(changed_over)
    assert len(breaks(table)) == 1


def test_a_result_outside_that_comes_late_lets_the_release_fall(
    changed_over: Changeover, free: Any, show: Any, table: Equipment, breaks: Any
):
    free(changed_over)
    show(changed_over, "swab", "hazelnut", value="1900")
    assert breaks(table) == []


def test_a_late_result_of_what_it_does_not_cover_is_no_matter(
    change_over: Any, free: Any, show: Any, table: Equipment, breaks: Any
):
    made = change_over()
    show(made)
    show(made, "swab", "milk")
    free(made, allergens=["milk"])
    show(made, "swab", "hazelnut", value="1900")
    show(made, "swab", "milk")
    assert len(breaks(table)) == 1


@pytest.mark.parametrize(("cleared", "found"), [("tree-nuts", "hazelnut"), ("hazelnut", "tree-nuts")])
def test_a_kind_of_nut_found_outside_speaks_against_its_group_and_the_group_against_it(
    change_over: Any, free: Any, show: Any, approve: Any, cleared: str, found: str
):
    doses = [{**WET["levels"]["doses"][1], "allergen": code} for code in ("hazelnut", "tree-nuts")]
    claims = {"allergens": [cleared], "microbiological": False, "foreign-bodies": False}
    look = [{"by": "visual", "where": "All of it"}]
    version = approve(wet(clears=claims, verify=look, levels={"eaten_g": "40", "doses": doses}), code="NUTS")
    made = change_over(procedure_version=version)
    show(made)
    show(made, "swab", found, value="1900")
    assert "verification-outside" in refused(lambda: free(made))


def test_a_group_found_outside_late_lets_the_release_of_one_of_its_kinds_fall(
    change_over: Any, free: Any, show: Any, approve: Any, table: Equipment, breaks: Any
):
    doses = [{**WET["levels"]["doses"][1], "allergen": code} for code in ("hazelnut", "tree-nuts")]
    claims = {"allergens": ["hazelnut"], "microbiological": False, "foreign-bodies": False}
    look = [{"by": "visual", "where": "All of it"}]
    version = approve(wet(clears=claims, verify=look, levels={"eaten_g": "40", "doses": doses}), code="NUTS")
    made = change_over(procedure_version=version)
    show(made)
    free(made)
    show(made, "swab", "tree-nuts", value="1900")
    assert breaks(table) == []


def test_what_ran_since_is_held_when_a_release_falls(
    changed_over: Changeover, free: Any, begin: Any, make_lot: Any, show: Any, table: Equipment
):
    free(changed_over)
    batch = begin(at=FREED + MINUTE, equipment=[table])
    lot = make_lot(batch, at=FREED + 5 * MINUTE)
    show(changed_over, "swab", "milk", value="1300")
    case = Deviation.objects.get(what="changeover")
    assert "T-1" in case.title
    assert Hold.objects.get(deviation=case).subject == table.pk
    assert LotState.objects.get(lot=lot).status == "held"


def test_where_nothing_ran_since_no_case_is_opened(changed_over: Changeover, free: Any, show: Any):
    free(changed_over)
    show(changed_over, "swab", "milk", value="1300")
    assert not Deviation.objects.exists()


def test_what_ran_before_the_changeover_is_not_held(
    changed_over: Changeover, free: Any, begin: Any, end: Any, show: Any, table: Equipment
):
    batch = begin(equipment=[table])
    end(batch, at=BEGUN)
    free(changed_over)
    show(changed_over, "swab", "milk", value="1300")
    assert not Deviation.objects.filter(what="changeover").exists()


def test_taking_a_release_back_holds_what_ran_since(
    changed_over: Changeover, free: Any, begin: Any, act: Any, supervisor: Person, table: Equipment
):
    release = free(changed_over)
    begin(at=FREED + MINUTE, equipment=[table])
    releasing.withdraw(act=act(supervisor, at=FREED + HOUR, corrects=release.pk, reason="Wrong table."))
    assert Deviation.objects.filter(what="changeover", subject=release.pk).count() == 1


def test_what_lets_a_release_fall_does_not_leave_alone(
    changed_over: Changeover, free: Any, show: Any, act: Any, lead: Person
):
    """Without that record the break would count again."""
    free(changed_over)
    show(changed_over, "swab", "milk", value="1300")
    fell = ChangeoverRelease.objects.get(withdrawn=True)
    seals.seal(establishment=fell.establishment)
    with pytest.raises(RuleBroken, match="counted in"):
        removals.remove(act=act(lead), record=fell, rule="kept two years")


# --- verifications that are refused


def test_a_verification_names_a_known_allergen(changed_over: Changeover, show: Any):
    with pytest.raises(Unusable) as caught:
        show(changed_over, "swab", "mlik")
    assert (caught.value.code, "milk" in caught.value.detail) == ("unknown-allergen", True)


@pytest.mark.parametrize(
    ("method", "allergen", "said", "code"),
    [
        ("atp", "milk", {"value": "3", "unit": "RLU"}, "cleanliness-clears-no-allergen"),
        ("swab", "", {}, "missing"),
        ("sniff", "", {}, "unknown-name"),
        ("swab", "milk", {"value": "-1"}, "negative"),
        ("swab", "milk", {"unit": ""}, "missing"),
    ],
)
def test_what_says_nothing_is_refused(
    changed_over: Changeover, show: Any, method: str, allergen: str, said: dict[str, str], code: str
):
    with pytest.raises(Unusable) as caught:
        show(changed_over, method, allergen, **said)
    assert code in {reason.code for reason in caught.value.reasons}


def test_equipment_that_was_not_changed_over_is_not_verified(
    changed_over: Changeover, show: Any, kettle: Equipment
):
    with pytest.raises(Unknown):
        show(changed_over, equipment=kettle)


def test_a_correction_stays_with_its_changeover(
    changed_over: Changeover, change_over: Any, show: Any, act: Any
):
    other = change_over(act(at=ENDED), ended_at=ENDED + HOUR)
    first = ChangeoverVerification.objects.filter(method="visual").get()
    with pytest.raises(RuleBroken, match="another changeover"):
        show(other, said_act=act(at=SHOWN, corrects=first.pk, reason="Other table."))


def test_the_first_product_is_less_than_the_batch_that_follows(
    change_over: Any, show: Any, caramel_recipe: Any
):
    """The recipe makes six kilograms."""
    made = change_over(to_recipe_version=caramel_recipe)
    with pytest.raises(Unusable, match="first product"):
        show(made, "swab", "milk", first_product_kg="6")
    assert show(made, "swab", "milk", first_product_kg="2").result == "within"


def test_below_detection_is_kept_as_entered(changed_over: Changeover, show: Any):
    made = show(changed_over, "swab", "milk", value="< 2.5")
    assert (made.said["value"], made.finding["value"], made.result) == ("< 2.5", "0.1", "within")
    assert (made.level["dose_set"], made.level["dated"]) == ("FAO/WHO", "2022")


def test_a_batch_freed_before_cleaning_lets_it_be_released(
    changed_over: Changeover, free: Any, begin: Any, act: Any, table: Equipment
):
    batch = begin(equipment=[table])
    assert set(refused(lambda: free(changed_over))) == {"equipment-occupied"}
    runs.note_equipment(act=act(at=BEGUN - timedelta(minutes=1)), batch=batch, equipment=table, deed="freed")
    assert free(changed_over)


def test_the_version_that_was_used_is_the_one_that_is_asked(
    change_over: Any, show: Any, free: Any, approve: Any, table: Equipment
):
    version: CleaningProcedureVersion = approve(dry(), "DRY")
    made = change_over(procedure_version=version)
    show(made)
    assert free(made).scope["allergens"] == ["milk"]
