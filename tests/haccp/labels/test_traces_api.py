"""Traces from a label, a person, equipment and codes over HTTP, and what bad questions get."""

from typing import Any

import pytest

from batches import outlets, runs, shipping, storing
from batches.models import CleaningBreak, LotState, Occupation, TradingPartner
from batches.trace_questions import Period
from config.api.refusals import Unknown
from haccp.trace_starts import FromLabelVersion, FromPerson
from ledger.models import Entry
from tests.conftest import NOON, unknown_id
from tests.haccp.conftest import HOUR, MORNING


def found(start, here):
    return [each.uid for each in start.lots(here)]


def traced(answer):
    assert answer.status_code == 200, answer.content
    return {lot["id"]: lot for lot in answer.json()["lots"]}


@pytest.fixture
def stall(establishment):
    return TradingPartner.objects.create(
        establishment=establishment, code="STALL", name="Stall", is_customer=True, outlet="stall"
    )


# -- a label ----------------------------------------------------------------------------------------


def test_a_label_version_leads_to_the_lots_it_was_used_on(
    establishment, api, begin, make_lot, make_label, approve, see
):
    first, second = begin(), begin()
    version, other = approve(make_label()), approve(make_label())
    lots = [make_lot(first), make_lot(first), make_lot(second), make_lot(second)]
    see(first, version)
    see(second, version, lot=lots[2])
    see(second, other, lot=lots[3])
    assert found(FromLabelVersion(version.pk), establishment) == [lot.uid for lot in lots[:3]]
    answer = api.ask("traces", direction="forward", label_version=str(other.pk))
    assert set(traced(answer)) == {str(lots[3].uid)}


def test_the_label_of_a_sign_leads_to_what_could_stand_beside_it_while_it_held(
    establishment, begin, make_lot, make_label, approve, revise, see, act, stall
):
    """What is sold loose has no packing check: every lot of the product from then counts that has none."""
    batch = begin()
    loose, packed, gone, stalled = (make_lot(batch) for _ in range(4))
    first = approve(make_label(unpacked=True), at=NOON)
    see(batch, approve(make_label()), lot=packed)
    storing.destroy(act=act(at=NOON), lot=gone, quantity="1", unit="KGM")
    to_stall = {"customer": stall, "quantity": "1", "unit": "KGM", "already_happened": True}
    shipping.ship(act=act(at=NOON), lot=stalled, **to_stall)
    second = revise(first, at=NOON + HOUR, name={"en": "Butter caramels"})
    later = make_lot(batch, at=NOON + 2 * HOUR)
    assert found(FromLabelVersion(first.pk), establishment) == [loose.uid, gone.uid, stalled.uid]
    assert found(FromLabelVersion(second.pk), establishment) == [loose.uid, stalled.uid, later.uid]


# -- a person ---------------------------------------------------------------------------------------


def test_a_person_leads_to_what_they_weighed_checked_and_packed_in_a_period(
    establishment, lead, operator, begin, make_lot, receive, use, measure, act
):
    batch, other, sack = begin(), begin(), receive()
    made, untouched = make_lot(batch), make_lot(other)
    use(sack, batch)
    mine = found(FromPerson(operator.pk), establishment)
    assert {sack.uid, made.uid} <= set(mine)
    assert found(FromPerson(operator.pk, Period(until=MORNING - 5 * HOUR)), establishment) == []
    assert found(FromPerson(lead.pk), establishment) == []
    measure(other, said_act=act(lead, at=NOON))
    assert found(FromPerson(lead.pk), establishment) == [untouched.uid]


def test_who_began_ended_parted_or_equipped_a_batch_handled_what_it_made(
    establishment, lead, operator, begin, make_lot, kettle, act
):
    lots = []
    for deed in (
        lambda batch: runs.end(act=act(lead, at=NOON), batch=batch),
        lambda batch: runs.open_part(act=act(lead, at=NOON), batch=batch, number=1, name="Slab 1"),
        lambda batch: runs.note_equipment(
            act=act(lead, at=NOON), batch=batch, equipment=kettle, deed="taken"
        ),
    ):
        batch = begin()
        lots.append(make_lot(batch))
        deed(batch)
        assert found(FromPerson(lead.pk), establishment) == [each.uid for each in lots]
    begun_by_them = Period(MORNING, MORNING)
    assert found(FromPerson(operator.pk, begun_by_them), establishment) == [each.uid for each in lots]


def test_who_sold_of_a_lot_at_a_stall_handled_it(establishment, lead, begin, make_lot, act, stall):
    made = make_lot(begin())
    outlets.note(act=act(lead, at=NOON), outlet=stall, lot=made, what="sold", quantity="1", unit="KGM")
    assert found(FromPerson(lead.pk), establishment) == [made.uid]


def test_a_lot_that_never_was_is_none_that_a_person_handled(establishment, operator, receive):
    stays, gone = receive(), receive()
    assert {stays.uid, gone.uid} <= set(found(FromPerson(operator.pk), establishment))
    LotState.objects.filter(lot=gone).update(withdrawn=True)  # a check of it, say, stays recorded
    mine = found(FromPerson(operator.pk), establishment)
    assert stays.uid in mine
    assert gone.uid not in mine


def test_a_person_of_another_house_is_not_found(establishment, elsewhere, operator, make_person):
    with pytest.raises(Unknown):
        FromPerson(operator.pk).lots(elsewhere)
    with pytest.raises(Unknown):
        FromPerson(make_person("Nobody Here").pk).lots(establishment)


# -- over HTTP --------------------------------------------------------------------------------------


@pytest.fixture
def chain(begin, make_lot, receive, use) -> dict[str, Any]:
    batch = begin()
    sack = receive(supplier_code="ZU-4")
    use(sack, batch)
    return {"batch": batch, "sack": sack, "made": make_lot(batch)}


def test_every_start_traces_over_http(api, chain, supplier, operator, kettle):
    Occupation.objects.create(batch=chain["batch"], equipment=kettle, since=MORNING, until=NOON)
    both = {str(chain["sack"].uid), str(chain["made"].uid)}
    for start in (
        {"lot": [str(chain["sack"].uid), str(chain["made"].uid)]},
        {"batch": str(chain["batch"].uid)},
        {"supplier_code": "ZU-4"},
        {"partner": str(supplier.pk), "since": "2026-03-01T00:00:00+01:00"},
        {"person": str(operator.pk)},
        {"equipment": str(kettle.pk), "until": "2026-03-02T23:00:00Z"},
    ):
        assert set(traced(api.ask("traces", direction="whole", **start))) == both, start


def test_an_ambiguous_supplier_code_lists_all_candidates(api, chain, receive, nuts):
    other = receive(material=nuts, supplier_code="ZU-4")
    answer = api.ask("traces", direction="forward", supplier_code="ZU-4")
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/ambiguous-code")
    told = answer.json()["reasons"]
    assert [each["ids"][0] for each in told] == [str(chain["sack"].uid), str(other.uid)]
    answer = api.ask("traces", direction="forward", supplier_code="ZU-4", every="true")
    assert {str(chain["sack"].uid), str(other.uid)} <= set(traced(answer))


def test_fractions_are_told_as_text_if_asked(api, chain):
    lot = traced(api.ask("traces", direction="forward", lot=str(chain["sack"].uid), exact="true"))
    assert lot[str(chain["made"].uid)]["exact_share"] == "1"
    assert lot[str(chain["made"].uid)]["exact_part"] is None


def test_widened_by_equipment_it_stops_at_a_cleaning_that_names_the_group(
    api, chain, begin, make_lot, kettle, act, lead
):
    plain = begin()
    made = make_lot(plain)
    Occupation.objects.create(batch=chain["batch"], equipment=kettle, since=MORNING, until=NOON)
    Occupation.objects.create(batch=plain, equipment=kettle, since=NOON + HOUR, until=NOON + 2 * HOUR)
    asked = {"direction": "forward", "lot": str(chain["sack"].uid)}
    assert str(made.uid) not in traced(api.ask("traces", **asked))
    answer = api.ask("traces", **asked, allergen="hazelnut", microbiological="true")
    lot = traced(answer)[str(made.uid)]
    contact = answer.json()["contacts"][lot["contact"]]
    assert (lot["side"], lot["share"]) == ("contact", None)
    assert (contact["equipment"], contact["hazards"]) == (str(kettle.pk), ["hazelnut", "microbiological"])
    CleaningBreak.objects.create(
        equipment=kettle,
        at=NOON,
        scope={"allergens": ["tree-nuts"]},
        because=Entry.objects.get(pk=plain.birth_id),
    )
    assert str(made.uid) not in traced(api.ask("traces", **asked, allergen="hazelnut"))
    assert str(made.uid) in traced(api.ask("traces", **asked, microbiological="true"))


@pytest.mark.parametrize(
    "form", ["", "/picture.svg", "/table.txt", "/movements.csv", "/movements.xlsx", "/events.jsonld"]
)
@pytest.mark.parametrize("direction", ["back", "forward", "whole"])
def test_a_start_that_leads_to_no_lot_is_an_empty_trace_in_every_form(api, supplier, form, direction):
    answer = api.ask(f"traces{form}", direction=direction, partner=str(supplier.pk))
    assert (answer.status_code, bool(answer.getvalue())) == (200, True)


def test_a_bounded_trace_says_what_it_left(api, chain):
    answer = api.ask("traces", direction="forward", lot=str(chain["sack"].uid), least_share="0.5")
    assert answer.json()["unfollowed"] == {"least": 0.5, "lots": 0, "kilograms": "0.000"}


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ({}, "lot"),
        ({"lot": unknown_id(), "partner": unknown_id()}, "partner"),
        ({"lot": "not-a-uuid"}, "lot"),
        ({"lot": unknown_id(), "since": "2026-03-01T00:00:00Z"}, "since"),
        ({"lot": unknown_id(), "supplier": unknown_id()}, "supplier"),
        ({"lot": unknown_id(), "every": "true"}, "every"),
        ({"person": unknown_id(), "since": "2026-03-01T00:00:00"}, "since"),
        ({"lot": unknown_id(), "allergen": "hazlenut"}, "allergen"),
        ({"lot": unknown_id(), "direction": "sideways"}, "direction"),
        ({"lot": unknown_id(), "direction": "back", "microbiological": "true"}, "hazard"),
        ({"lot": unknown_id(), "least_share": "0.1", "foreign_bodies": "true"}, "least_share"),
        ({"lot": unknown_id(), "least_share": "nan"}, "least_share"),
        ({"lot": unknown_id(), "limit": "0"}, "limit"),
    ],
)
def test_a_question_that_makes_no_sense_is_told_where(api, query, field):
    answer = api.ask("traces", **({"direction": "forward"} | query))
    assert answer.status_code == 400, answer.content
    assert {error["field"].split(".")[0] for error in answer.json()["errors"]} == {field}


@pytest.mark.parametrize(
    "start", ["lot", "batch", "supplier_code", "partner", "label_version", "person", "equipment"]
)
def test_a_start_that_does_not_exist_here_is_not_found(api, client_of, elsewhere, start):
    assert api.ask("traces", direction="back", **{start: unknown_id()}).status_code == 404
