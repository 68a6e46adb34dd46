"""Cleaning procedures: a draft that changes, and versions approved by signature."""

from typing import Any

import pytest

from config.api.refusals import ChangedMeanwhile, NotAllowed, RuleBroken, Unusable
from haccp.allergens import lists
from haccp.changeovers import procedures
from haccp.models import CleaningProcedure, CleaningProcedureVersion
from ledger import signatures
from ledger.ids import uuid7
from ledger.models import Person, Signature
from tests.haccp.changeovers.procedures import WET, dry, wet


def reasons_of(gate: Any) -> dict[str, str]:
    with pytest.raises(RuleBroken) as refusal:
        gate()
    return {reason.code: reason.field for reason in refusal.value.reasons}


@pytest.fixture
def drafted(act: Any, lead: Person) -> Any:
    def do(document: dict[str, Any]) -> CleaningProcedure:
        return procedures.draft(act=act(lead), code="WET", name="Washed", document=document)

    return do


@pytest.fixture
def sign(act: Any, lead: Person) -> Any:
    def do(procedure: CleaningProcedure, **values: Any) -> CleaningProcedureVersion:
        said = {"act": act(lead), "proof": signatures.Proof(lead)} | values
        return procedures.approve(procedure=procedure, **said)

    return do


def test_an_approved_version_is_signed_and_keeps_its_document(drafted: Any, sign: Any):
    version = sign(drafted(WET))
    assert (version.number, version.document) == (1, WET)
    assert Signature.objects.get(target=version.pk).meaning == "approved"


def test_a_draft_may_have_gaps_and_they_are_told(drafted: Any):
    procedure = drafted({"method": "wet"})
    assert {reason.field for reason in procedures.gaps(procedure)} >= {"draft.minutes", "draft.steps"}


def test_a_draft_with_gaps_is_not_approved_with_every_reason(drafted: Any, sign: Any):
    hot = [{"code": "HEAT", "what": "Heat it", "by": "heat"}]
    procedure = drafted(wet(steps=hot, validation=""))
    assert reasons_of(lambda: sign(procedure)) == {
        "heat-clears-no-allergen": "draft.steps",
        "not-validated": "draft.validation",
    }
    assert not CleaningProcedureVersion.objects.exists()


def test_an_allergen_that_no_list_knows_is_not_approved(drafted: Any, sign: Any):
    procedure = drafted(dry(clears={"allergens": ["mlik"]}))
    assert reasons_of(lambda: sign(procedure)) == {"unknown-allergen": "draft.clears.allergens"}


def test_numbers_in_a_draft_are_text(drafted: Any):
    with pytest.raises(Unusable):
        drafted(WET | {"minutes": 45})


def test_the_same_draft_is_not_approved_twice(drafted: Any, sign: Any):
    procedure = drafted(WET)
    sign(procedure)
    assert set(reasons_of(lambda: sign(procedure))) == {"unchanged"}


def test_a_procedure_out_of_use_is_not_approved(drafted: Any, sign: Any, act: Any, lead: Person):
    procedure = procedures.redraft(act=act(lead), procedure=drafted(WET), values={"in_use": False})
    assert set(reasons_of(lambda: sign(procedure))) == {"not-in-use"}


def test_whoever_read_another_draft_does_not_approve_this_one(drafted: Any, sign: Any):
    with pytest.raises(ChangedMeanwhile):
        sign(drafted(WET), expected_version=7)


def test_a_supervisor_approves_no_procedure(drafted: Any, sign: Any, act: Any, supervisor: Person):
    with pytest.raises(NotAllowed):
        sign(drafted(WET), act=act(supervisor), proof=signatures.Proof(supervisor))


def test_an_approval_repeated_is_one_approval(drafted: Any, sign: Any, act: Any, lead: Person):
    procedure, said = drafted(WET), act(lead, id=uuid7())
    assert sign(procedure, act=said).pk == sign(procedure, act=said).pk
    assert CleaningProcedureVersion.objects.count() == 1


def test_in_force_is_the_newest_version_of_each_procedure_in_use(
    approve: Any, establishment: Any, act: Any, lead: Person
):
    approve(WET)
    newer = approve(wet(minutes="50"))
    gone = approve(dry(), "DRY").procedure
    procedures.redraft(act=act(lead), procedure=gone, values={"in_use": False})
    assert procedures.in_force(establishment) == [newer]


def test_what_clears_all_of_it_is_found_the_quickest_first(approve: Any, establishment: Any):
    washed, vacuumed = approve(WET), approve(dry(), "DRY")
    known, vocabulary = procedures.means(establishment), lists.vocabulary(establishment)

    def that_clear(*allergens: str) -> list[CleaningProcedureVersion]:
        return [each.version for each in procedures.that_clear(known, allergens, vocabulary)]

    assert that_clear("milk") == [vacuumed, washed]
    assert that_clear("milk", "hazelnut") == [washed]
    assert that_clear("egg") == []


def test_a_procedure_for_a_group_clears_its_members(approve: Any, establishment: Any):
    approve(dry(clears={"allergens": ["tree-nuts"]}), "DRY")
    (known,) = procedures.means(establishment)
    vocabulary = lists.vocabulary(establishment)
    assert known.clears(["hazelnut", "tree-nuts"], vocabulary)
    assert not known.clears(["peanut"], vocabulary)
