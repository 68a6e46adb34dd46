"""Inspections over the API: posting, the whole of one visit, what is due, and what bad input gets."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches.models import Lot
from haccp.models import Finding, Inspection
from ledger.models import Entry, Membership
from tests.conftest import NOON, PASSWORD, new_id, unknown_id
from tests.haccp.conftest import HOUR

pytestmark = pytest.mark.django_db
CAME = {
    "performed_at": NOON.isoformat(),
    "by_whom": "buyer",
    "body": "Lakeside Foods",
    "why": "follow-up",
    "visitors": [{"name": "Rosalind Quiet", "function": "auditor"}],
}
LATER = (NOON + HOUR).isoformat()


def of(visit: Inspection, rest: str = "") -> str:
    return f"inspections/{visit.pk}{rest}"


def found(api: Any, visit: Inspection, **values: Any) -> Any:
    body = {"performed_at": LATER, "text": "A lamp is broken.", "due_on": "2026-03-16"}
    return api.send(of(visit, "/findings"), {k: v for k, v in (body | values).items() if v is not None})


def test_a_visit_is_told_and_sent_again_it_is_the_same(api: Any, operator: Any) -> None:
    body = CAME | {"id": new_id(), "accompanied_by": [str(operator.pk)]}
    first, again = api.send("inspections", body), api.send("inspections", body)
    assert (first.status_code, again.status_code) == (201, 200)
    shown = again.json()
    assert shown["visitors"] == CAME["visitors"]
    assert shown["accompanied_by"] == [str(operator.pk)]
    assert shown["late"]


def test_the_whole_of_a_visit_tells_all_that_stands_of_it(
    api: Any, lead_api: Any, visit: Any, sugar_lot: Lot
):
    record = str(Entry.objects.get(pk=visit.pk).pk)
    api.send(
        of(visit, "/notes"), {"performed_at": LATER, "what": "shown", "text": "The log", "record": record}
    )
    sample = api.send(
        of(visit, "/samples"),
        {
            "performed_at": LATER,
            "lot": str(sugar_lot.uid),
            "quantity": "0.1",
            "unit": "KGM",
            "counter": "declined",
        },
    ).json()
    told = {"performed_at": LATER, "outcome": "in-order", "text": "Nothing found."}
    assert api.send(of(visit, f"/samples/{sample['id']}/results"), told).status_code == 201
    finding = found(api, visit).json()
    where = of(visit, f"/findings/{finding['id']}")
    assert api.send(f"{where}/answers", {"performed_at": LATER, "text": "Mended."}).status_code == 201
    closed = {"performed_at": LATER, "by": "house", "because": "It burns.", "password": PASSWORD}
    assert lead_api.send(f"{where}/closing", closed).status_code == 201
    assert api.send(of(visit, "/end"), {"performed_at": LATER, "outcome": "Well kept."}).status_code == 201
    whole = api.ask(of(visit)).json()
    assert [each["what"] for each in whole["notes"]] == ["shown"]
    assert whole["samples"][0]["results"][0]["outcome"] == "in-order"
    (shown,) = whole["findings"]
    assert (shown["state"], shown["late_days"], shown["answers"][0]["text"]) == ("closed", 0, "Mended.")
    assert shown["closed"]["because"] == "It burns."
    assert whole["end"]["outcome"] == "Well kept."


def test_a_record_of_the_line_leads_to_the_visit_as_it_stands(api: Any, arrive: Any, act: Any, visit: Any):
    right = arrive(act(corrects=visit.pk, reason="Misheard."), body="County food office")
    for one in (visit, right):
        assert api.ask(of(one)).json()["body"] == "County food office"


def test_a_day_before_the_visit_is_asked_back_once(api: Any, visit: Any) -> None:
    refused = found(api, visit, due_on="2026-03-01")
    assert refused.status_code == 409
    assert refused.json()["type"].endswith("due-before-visit")
    taken = found(api, visit, due_on="2026-03-01", as_entered=True)
    assert (taken.status_code, taken.json()["flags"][0]["code"]) == (201, "due-before-visit")


def test_closing_without_an_answer_is_409_and_writes_nothing(lead_api: Any, visit: Any, finding: Finding):
    closed = {"performed_at": LATER, "by": "them", "reference": "Letter", "password": PASSWORD}
    answer = lead_api.send(of(visit, f"/findings/{finding.pk}/closing"), closed)
    assert (answer.status_code, answer.json()["type"][-10:]) == (409, "unanswered")


def test_an_operator_does_not_close(api: Any, visit: Any, finding: Finding, answer: Any) -> None:
    answer()
    closed = {"performed_at": LATER, "by": "them", "reference": "Letter", "password": PASSWORD}
    assert api.send(of(visit, f"/findings/{finding.pk}/closing"), closed).status_code == 403


def test_what_is_of_another_visit_is_not_found_below_this_one(
    api: Any, arrive: Any, finding: Finding, take: Any
) -> None:
    other, sample = arrive(), take()
    said = {"performed_at": LATER, "text": "Mended."}
    assert api.send(of(other, f"/findings/{finding.pk}/answers"), said).status_code == 404
    result = said | {"outcome": "in-order"}
    assert api.send(of(other, f"/samples/{sample.pk}/results"), result).status_code == 404


@pytest.mark.parametrize("name", ["lot", "batch", "control_point", "equipment"])
def test_an_unknown_thing_is_404_with_its_field(api: Any, visit: Any, name: str) -> None:
    answer = found(api, visit, **{name: unknown_id()})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (404, name)


def test_a_lot_of_another_house_is_404(client_of: Any, elsewhere: Any, sugar_lot: Lot, visit: Any) -> None:
    founder = Membership.objects.filter(establishment=elsewhere)[0].person
    there = client_of(founder, elsewhere)
    own = there.send("inspections", CAME).json()
    sample = {"performed_at": LATER, "quantity": "1", "unit": "KGM", "counter": "none"}
    for lot in (str(sugar_lot.uid), unknown_id()):
        assert there.send(f"inspections/{own['id']}/samples", sample | {"lot": lot}).status_code == 404
    assert there.ask(of(visit)).status_code == 404


def test_leaving_before_coming_is_400(api: Any, visit: Any) -> None:
    answer = api.send(of(visit, "/end"), {"performed_at": (NOON - HOUR).isoformat()})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "performed_at")


def test_an_inspector_reads_no_visit_of_others(client_of: Any, inspector: Any, visit: Any) -> None:
    """Whoever comes next need not know who came before; papers for outside are made by the house."""
    theirs = client_of(inspector)
    for path in ("inspections", of(visit), of(visit, "/findings"), "findings", "inspection-samples"):
        assert theirs.ask(path).status_code == 403


def test_a_note_that_never_was_is_withdrawn(api: Any, visit: Any) -> None:
    note = api.send(of(visit, "/notes"), {"performed_at": LATER, "what": "remark", "text": "Dry."}).json()
    gone = {"performed_at": LATER, "what": "note", "corrects": note["id"], "reason": "Of another visit."}
    assert api.send(of(visit, "/withdrawn"), gone).status_code == 201
    assert api.ask(of(visit)).json()["notes"] == []


# -- what is due -------------------------------------------------------------------------------------------


def test_what_awaits_an_answer_is_asked_for(api: Any, find: Any, finding: Finding, answer: Any) -> None:
    waits = find(text="A lamp is broken.", due_on=None)
    answer()
    shown = api.ask("findings", open=True, answered=False).json()["results"]
    assert [each["id"] for each in shown] == [str(waits.pk)]
    assert len(api.ask("findings", open=True).json()["results"]) == 2
    assert [each["id"] for each in api.ask("findings", due_by="2026-03-16").json()["results"]] == [
        str(finding.pk)
    ]


def test_samples_await_their_results(api: Any, take: Any, visit: Any) -> None:
    sample = take()
    assert len(api.ask("inspection-samples", awaiting=True).json()["results"]) == 1
    told = {"performed_at": LATER, "outcome": "in-order", "text": "Nothing found."}
    api.send(of(visit, f"/samples/{sample.pk}/results"), told)
    assert api.ask("inspection-samples", awaiting=True).json()["results"] == []


def test_visits_are_open_until_they_left(api: Any, visit: Any) -> None:
    assert len(api.ask("inspections", open=True).json()["results"]) == 1
    api.send(of(visit, "/end"), {"performed_at": LATER})
    assert api.ask("inspections", open=True).json()["results"] == []
    assert len(api.ask("inspections", open=False).json()["results"]) == 1


def queries(api: Any, path: str) -> int:
    with CaptureQueriesContext(connection) as asked:
        assert api.ask(path).status_code == 200
    return len(asked)


def test_a_visit_and_the_lists_cost_the_same_however_much_there_is(
    api: Any, act: Any, visit: Any, find: Any, answer: Any, take: Any
) -> None:
    answer()
    take()
    paths = (of(visit), of(visit, "/findings"), of(visit, "/samples"), "findings", "inspection-samples")
    alone = [queries(api, path) for path in paths]
    for _ in range(5):
        answer(finding=find())
        take()
    assert [queries(api, path) for path in paths] == alone
