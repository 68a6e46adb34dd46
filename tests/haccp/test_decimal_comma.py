"""A comma as decimal mark: taken in checks where the establishment writes one, kept as entered, never guessed."""

from decimal import Decimal
from typing import Any

import pytest

from config.api.refusals import Unusable
from haccp import checks, doubts, predictions, trials
from haccp.checks import Subject
from ledger import establishments, verification
from ledger.models import Establishment, Person
from tests.conftest import NOON
from tests.haccp.conftest import water

pytestmark = pytest.mark.django_db


@pytest.fixture
def with_comma(establishment: Establishment, act: Any, lead: Person) -> None:
    establishments.change_profile(act=act(lead), values={"decimal_comma": True})
    establishment.refresh_from_db()


def test_a_comma_is_taken_where_the_house_writes_one_and_kept_as_entered(with_comma, batch, measure):
    made = measure(batch, "0,52")
    assert (made.result, made.readings[0]["value"]) == ("within", "0,52")
    assert made.judgements[0]["margin"] == "0.13"


def test_elsewhere_it_is_refused_and_named(batch, measure):
    with pytest.raises(Unusable, match="'0,52': write decimals after a point") as caught:
        measure(batch, "0,52")
    assert caught.value.reasons[0].field == "readings.0.value"


@pytest.mark.parametrize("value", ["1.234,5", "1,234.5", "1,2,3"])
def test_a_number_that_could_be_two_is_refused_in_either_house(with_comma, batch, measure, value):
    with pytest.raises(Unusable, match="no thousands mark"):
        measure(batch, value)


def test_a_point_is_taken_in_a_house_that_writes_a_comma(with_comma, batch, measure):
    assert measure(batch, "0.52").result == "within"


def test_a_comma_in_the_samples_temperature_is_taken_too(with_comma, batch, measure, act, point, meter):
    subject = Subject(point("CP-AW-2"), batch=batch, instrument=meter)
    said = [water("0,52")[0] | {"sample_temperature": "21,5"}]
    assert checks.record(act=act(), subject=subject, said=said).readings[0]["sample_temperature"] == "21,5"


def test_what_was_entered_with_a_comma_is_read_again_later_whatever_the_house_takes_then(
    with_comma, establishment, batch, measure, act, lead
):
    made = measure(batch, "0,52")
    establishments.change_profile(act=act(lead), values={"decimal_comma": False})
    day = NOON.date()
    proposal = trials.propose(quantity="water activity", guard="off")
    (tried,) = trials.run(establishment, proposal, day, day).points
    assert (tried.checks, dict(tried.not_judged)) == (1, {})
    assert predictions.measured(batch=batch)[0].value == 0.52
    assert [each.corrected for each in doubts.recomputed(made, Decimal("0.02"), "C62")] == ["0.5"]
    assert verification.verify().findings == []


def test_the_comma_is_part_of_the_profile_over_http(api, lead_api, batch, point, meter):
    body = {
        "performed_at": NOON.isoformat(),
        "control_point": str(point("CP-AW-2").pk),
        "batch": str(batch.uid),
    }
    body |= {"instrument": str(meter.pk), "readings": water("0,52")}
    answer = api.send("checks", body)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "readings.0.value")
    here = lead_api.base
    tag = lead_api.get(here)["ETag"]
    changed = lead_api.patch(here, {"decimal_comma": True}, format="json", HTTP_IF_MATCH=tag)
    assert (changed.status_code, changed.json()["decimal_comma"]) == (200, True)
    assert api.send("checks", body).status_code == 201
