"""The document of a mass balance: of a lot, of a batch, of a period."""

import json
from datetime import timedelta

import pytest

from batches import noting, storing
from batches.models import LossKind, Movement
from ledger.ids import uuid7
from reports import jobs, rendering
from reports.models import DocumentJob
from tests.haccp.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.conftest import HOUR, MORNING
from tests.haccp.recalls.conftest import *  # noqa: F403 - nuts, and sweets made of them

pytestmark = pytest.mark.django_db


@pytest.fixture
def asked(lead_api):
    """The document as a worker reads it, and its records."""

    def do(**balance):
        answer = lead_api.send("documents", {"kind": "mass-balance", "balance": balance})
        assert answer.status_code == 202, answer.json()
        return jobs.read(DocumentJob.objects.get(pk=answer.json()["id"]))

    return do


def lines(document, head):
    (group,) = (each for each in document.groups if each.head == head)
    return {each.word: each.amount for each in group.lines}, group.sum


def test_of_a_lot_all_that_came_and_went_is_a_line_and_a_gap_is_told_first(
    asked, act, nuts, sweets, establishment
):
    establishment.balance_gap_permille = 1
    establishment.save(update_fields=["balance_gap_permille"])
    left = Movement.objects.filter(lot=nuts, what="used").get()
    storing.count(act=act(at=left.performed_at + HOUR), lot=nuts, quantity="1", unit="KGM")
    document, shown = asked(lot=str(nuts.uid))
    assert set(lines(document, "Went")[0]) == {"used in a batch"}
    assert lines(document, "There, by the records")[0] == {"on hand": "1.000 kg"}
    assert document.flagged is True
    assert document.gaps[0].startswith(f"{nuts.code}: ")
    assert {record.pk for record in shown} == set(
        Movement.objects.filter(lot=nuts).values_list("pk", flat=True)
    )


def test_of_a_batch_what_was_weighed_apart_has_lines_of_its_own(asked, act, batch):
    noting.weigh_apart(act=act(), batch=batch, what="pot-residue", quantity="0.2", unit="KGM")
    noting.weigh_apart(act=act(), batch=batch, what="coating-picked-up", quantity="0.1", unit="KGM")
    document, _ = asked(batch=str(batch.uid))
    apart, together = lines(document, "Weighed apart and lost")
    assert (apart[str(LossKind.POT_RESIDUE.label)], together) == ("200 g", "200 g")
    assert list(apart.values()).count("not weighed") == 2
    assert "100 g" in lines(document, "Told, in no sum")[0].values()
    assert lines(document, "Went off in cooking")[0] == {"how much should have": "not known"}
    assert document.flagged is None
    page = rendering.to_html(document, for_paper=False)
    assert "The batch has not ended; the balance is not final." in page
    assert "The house has not set how much may stay unexplained." in page


def test_of_a_period_each_material_is_a_row_and_no_record_is_attached(asked, nuts, sweets, establishment):
    since, until = MORNING - timedelta(days=60), MORNING + timedelta(days=60)
    document, shown = asked(since=since.isoformat(), until=until.isoformat())
    assert {nuts.material.code, sweets.material.code} <= {row.code for row in document.materials}
    told = json.loads(rendering.to_json(document))
    assert [row["code"] for row in told["materials"]] == [row.code for row in document.materials]
    assert shown == []
    one, _ = asked(since=since.isoformat(), until=until.isoformat(), material=str(nuts.material.pk))
    assert [row.code for row in one.materials] == [nuts.material.code]


@pytest.mark.parametrize(
    ("balance", "field"),
    [
        ({}, "balance"),
        ({"since": "2026-03-01T00:00:00Z"}, "balance.until"),
        ({"since": "2026-03-02T00:00:00Z", "until": "2026-03-01T00:00:00Z"}, "balance.until"),
        ({"lot": str(uuid7()), "batch": str(uuid7())}, "balance"),
    ],
)
def test_what_is_no_lot_batch_or_period_is_refused_by_its_name(lead_api, balance, field):
    answer = lead_api.send("documents", {"kind": "mass-balance", "balance": balance})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, field)
    assert not DocumentJob.objects.exists()


@pytest.mark.parametrize("word", ["lot", "batch"])
def test_what_is_not_of_this_house_has_no_balance(lead_api, word):
    answer = lead_api.send("documents", {"kind": "mass-balance", "balance": {word: str(uuid7())}})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (404, f"balance.{word}")
