"""What documents state about materials: shape, dates, whose word counts, corrections."""

from collections.abc import Callable
from datetime import date
from typing import Any
from uuid import uuid4

import pytest

from batches.models import Lot, LotState, Material, TradingPartner
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.allergens import statements
from haccp.models import AllergenStatement
from ledger.acts import Act
from ledger.models import Establishment, Person
from tests.conftest import Client
from tests.haccp.allergens.conftest import entry

pytestmark = pytest.mark.django_db
MARCH = date(2026, 3, 2)


def about(material: Material, lot: Lot | None = None, **values: Any) -> list[AllergenStatement]:
    supplier = None if lot is None else LotState.objects.get(lot=lot).supplier_id
    usual = {
        "lot": None if lot is None else lot.pk,
        "supplier": supplier,
        "day": MARCH,
    }
    found = statements.about(statements.standing([material.pk]), **(usual | values))
    return [AllergenStatement.objects.get(pk=each.pk) for each in found]


# -- shape ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "code", "field"),
    [
        ([entry("milk"), entry("milk", "free-of")], "contradictory", "says.1.says"),
        ([entry("wheat", "may-contain"), entry("wheat", "exempt")], "contradictory", "says.1.says"),
        ([entry("hazelnut"), entry("tree-nuts", "free-of")], "contradictory", "says.0.says"),
        ([entry("milk"), entry("milk")], "stated-twice", "says.1.allergen"),
        ([entry("hazlenut")], "unknown-allergen", "says.0.allergen"),
        ([{"says": "contains"}], "missing", "says.0.allergen"),
        ([entry("milk", "maybe")], "unknown-name", "says.0.says"),
        ([entry("milk", "free-of", because="")], "missing", "says.0.because"),
        ([entry("milk", "exempt", because="")], "missing", "says.0.because"),
        ([entry("milk", "exempt", because="We think so")], "no-such-exemption", "says.0.because"),
        ([entry("gluten-cereals", "exempt")], "no-such-exemption", "says.0.because"),
        ([entry("sulphites", mg_per_kg="-4")], "negative", "says.0.mg_per_kg"),
        ([entry("sulphites", mg_per_kg="4 mg")], "not-a-number", "says.0.mg_per_kg"),
        ([entry("sulphites", mg_per_kg="1000001")], "out-of-range", "says.0.mg_per_kg"),
        ([entry("sulphites", amount="40")], "unit-missing", "says.0.amount"),
        ([entry("sulphites", "free-of", mg_per_kg="4")], "amount-of-nothing", "says.0.mg_per_kg"),
        ([entry("milk", how="x")], "unknown-field", "says.0.how"),
        ([], "shape", "says"),
        (["milk"], "shape", "says.0"),
    ],
)
def test_a_statement_that_makes_no_sense_is_refused(
    state: Any, sugar: Material, said: Any, code: str, field: str
):
    with pytest.raises(Unusable) as refused:
        state(sugar, says=said)
    assert [(reason.code, reason.field) for reason in refused.value.reasons] == [(code, field)]
    assert not AllergenStatement.objects.exists()


def test_every_reason_is_told_at_once(state: Any, sugar: Material):
    with pytest.raises(Unusable) as refused:
        state(
            sugar,
            says=[entry("mlk"), entry("sulphites", mg_per_kg="-1"), entry("egg", "free-of", because="")],
        )
    assert [reason.code for reason in refused.value.reasons] == ["unknown-allergen", "negative", "missing"]
    assert "nearest known code is milk" in refused.value.reasons[0].detail


def test_a_group_may_hold_one_that_is_not_there(state: Any, sugar: Material):
    state(sugar, "tree-nuts", "free-of:almond")
    assert AllergenStatement.objects.get().says[0] == {"allergen": "tree-nuts", "says": "contains"}


def test_a_document_of_a_day_to_come_is_refused(state: Any, sugar: Material):
    with pytest.raises(Unusable) as refused:
        state(sugar, "milk", document_day=date(2026, 3, 3))
    assert refused.value.code == "in-the-future"


def test_a_statement_for_a_lot_of_another_material_is_refused(
    state: Any, sugar: Material, nuts: Material, receive: Any
):
    with pytest.raises(RuleBroken) as refused:
        state(nuts, "milk", lot=receive())
    assert refused.value.code == "lot-of-another-material"


def test_a_partner_who_supplies_nothing_states_nothing(
    state: Any, sugar: Material, establishment: Establishment
):
    shop = TradingPartner.objects.create(
        establishment=establishment, code="SHOP", name="Shop", is_customer=True
    )
    with pytest.raises(RuleBroken) as refused:
        state(sugar, "milk", supplier=shop)
    assert refused.value.code == "not-a-supplier"


def test_a_material_of_another_establishment_does_not_exist(state: Any, elsewhere: Establishment):
    other = Material.objects.create(
        establishment=elsewhere, code="SUG", name="Sugar", short_name="SUG", kind="ingredient"
    )
    with pytest.raises(Unknown):
        state(other, "milk")


# -- which speak ------------------------------------------------------------------------------------


def test_a_statement_speaks_from_its_day_on(state: Any, sugar: Material):
    made = state(sugar, "milk", in_force_from=MARCH)
    assert about(sugar, day=date(2026, 3, 1)) == []
    assert about(sugar) == [made]


def test_a_later_statement_replaces_the_earlier_from_its_day_on(state: Any, sugar: Material):
    first = state(sugar, "milk")
    second = state(sugar, "egg", in_force_from=MARCH)
    assert about(sugar, day=date(2026, 3, 1)) == [first]
    assert about(sugar) == [second]


def test_two_of_one_day_both_count(state: Any, sugar: Material):
    both = [state(sugar, "milk"), state(sugar, "free-of:milk")]
    assert about(sugar) == both


def test_the_word_of_its_own_supplier_and_of_any_counts_and_no_other(
    state: Any, sugar: Material, supplier: TradingPartner, receive: Any, establishment: Establishment
):
    other = TradingPartner.objects.create(
        establishment=establishment, code="OTH", name="Mill South", is_supplier=True
    )
    own, anybodys = state(sugar, "milk", supplier=supplier), state(sugar, "egg")
    state(sugar, "fish", supplier=other)
    assert set(about(sugar, receive())) == {own, anybodys}


def test_a_statement_for_one_lot_adds_whatever_its_day_and_speaks_for_no_other(
    state: Any, sugar: Material, receive: Any
):
    lot, other = receive(), receive()
    wide, own = state(sugar, "egg"), state(sugar, "milk", lot=lot, in_force_from=date(2026, 6, 1))
    assert set(about(sugar, lot)) == {wide, own}
    assert about(sugar, other) == [wide]


def test_a_corrected_statement_speaks_no_more(
    state: Any, act: Callable[..., Act], lead: Person, sugar: Material
):
    first = state(sugar, "milk")
    second = state(sugar, "egg", said_act=act(lead, corrects=first.pk, reason="Misread."))
    assert about(sugar) == [second]


def test_a_withdrawn_statement_speaks_no_more(state: Any, act: Any, lead: Person, sugar: Material):
    first = state(sugar, "milk")
    statements.withdraw(act=act(lead, corrects=first.pk, reason="Of another mill."))
    assert about(sugar) == []
    assert AllergenStatement.objects.count() == 2


def test_a_correction_stays_with_its_material(state: Any, act: Any, lead: Person, sugar: Any, nuts: Any):
    first = state(sugar, "milk")
    with pytest.raises(RuleBroken) as refused:
        state(nuts, "milk", said_act=act(lead, corrects=first.pk, reason="Misread."))
    assert refused.value.code == "corrects-another"


def test_a_statement_sent_twice_is_one(state: Any, act: Any, lead: Person, sugar: Material):
    said = act(lead, id=uuid4())
    state(sugar, "milk", said_act=said)
    assert state(sugar, "milk", said_act=said).repeated
    assert AllergenStatement.objects.count() == 1


# -- over HTTP --------------------------------------------------------------------------------------


@pytest.fixture
def body(sugar: Material) -> Callable[..., dict[str, Any]]:
    def make(**values: Any) -> dict[str, Any]:
        usual = {
            "performed_at": "2026-03-02T12:00:00+01:00",
            "material": str(sugar.pk),
            "says": [entry("milk")],
            "document": "Sheet 12",
            "document_day": "2026-01-01",
            "in_force_from": "2026-01-01",
        }
        return usual | values

    return make


def test_a_statement_goes_in_comes_out_and_is_withdrawn(lead_api: Client, body: Any):
    made = lead_api.send("allergen-statements", body())
    assert made.status_code == 201, made.content
    row = made.json()
    assert lead_api.ask("allergen-statements", material=row["material"]).json()["results"] == [row]
    assert lead_api.ask("allergen-statements", lot=str(uuid4())).json()["results"] == []
    assert lead_api.ask(f"allergen-statements/{row['id']}").json() == row
    said = {"performed_at": row["performed_at"], "corrects": row["id"], "reason": "Not ours."}
    gone = lead_api.send("allergen-statements/withdrawn", said)
    assert (gone.status_code, gone.json()["withdrawn"]) == (201, True), gone.content


def test_an_operator_states_nothing(api: Client, body: Any):
    assert api.send("allergen-statements", body()).status_code == 403


def test_a_number_that_is_no_text_is_refused_over_http(lead_api: Client, body: Any):
    said = [{"allergen": "sulphites", "says": "contains", "mg_per_kg": 40}]
    answer = lead_api.send("allergen-statements", body(says=said))
    assert (answer.status_code, AllergenStatement.objects.count()) == (400, 0), answer.content


def test_an_exemption_that_no_list_knows_is_refused_with_those_that_are_known(state: Any, sugar: Material):
    with pytest.raises(Unusable) as refused:
        state(sugar, entry("wheat", "exempt", because="Highly purified"))
    (reason,) = refused.value.reasons
    assert (
        "EU: glucose syrup of wheat, including dextrose (Reg (EU) 1169/2011, Annex II, 1 (a))"
        in reason.detail
    )
