"""The order of a day's batches over HTTP: what is answered, and what is refused."""

from typing import Any

import pytest

from ledger.models import Entry

pytestmark = pytest.mark.django_db

START = "2026-03-02T08:00:00+01:00"


@pytest.fixture
def asked(products: Any) -> Any:
    """A body: pillows, caramels and drops in turn, half an hour of cleaning between any two, none before the first."""

    def body(minutes: Any = (), **more: Any) -> dict[str, Any]:
        names = list(products)
        changed = dict(minutes)
        pairs = [(None, b) for b in names] + [(a, b) for a in names for b in names if a != b]
        usual = {pair: 0 if pair[0] is None else 30 for pair in pairs} | changed
        batches = [
            {"name": name, "material": str(product.pk), "minutes": 60} for name, product in products.items()
        ]
        cleaning = [{"after": a, "before": b, "minutes": m} for (a, b), m in usual.items()]
        return {"batches": batches, "cleaning": cleaning} | more

    return body


def test_an_order_is_answered_with_what_it_saves_and_who_decides(api, asked):
    """Pillows, drops, caramels: an hour of cleaning against 10 minutes."""
    answer = api.send("run-orders", asked({("HZP", "LMD"): 5, ("LMD", "SBC"): 5}, starts_at=START))
    assert answer.status_code == 200, answer.json()
    told = answer.json()
    assert told["order"] == ["HZP", "LMD", "SBC"]
    assert (told["run"]["cleaning"], told["given"]["run"]["cleaning"], told["saves"]) == (10, 60, 50)
    assert told["proved_best"]
    assert any("The food-safety lead decides" in sentence for sentence in told["sentences"])


def test_nothing_is_stored(api, asked):
    before = Entry.objects.count()
    assert api.send("run-orders", asked()).status_code == 200
    assert Entry.objects.count() == before


def test_times_are_told_where_the_beginning_is_said(api, asked):
    slots = api.send("run-orders", asked(starts_at=START)).json()["run"]["slots"]
    assert [(slot["begins"], slot["ends"]) for slot in slots] == [(0, 60), (90, 150), (180, 240)]
    assert slots[1]["begins_at"] == "2026-03-02T08:30:00Z"


def test_a_due_time_puts_a_batch_first(api, asked):
    body = asked(starts_at=START)
    body["batches"][2]["due_at"] = "2026-03-02T09:00:00+01:00"
    assert api.send("run-orders", body).json()["order"][0] == "LMD"


def test_a_missed_due_time_is_named(api, asked):
    body = asked(starts_at=START)
    body["batches"][0]["due_at"] = "2026-03-02T08:30:00+01:00"
    assert api.send("run-orders", body).json()["run"]["missed"] == ["HZP"]


def test_a_due_time_without_a_beginning_is_refused(api, asked):
    body = asked()
    body["batches"][0]["due_at"] = START
    assert fields(api.send("run-orders", body)) == {"starts_at"}


def test_what_must_come_first_comes_first(api, asked):
    told = api.send("run-orders", asked(before=[{"first": "LMD", "then": "HZP"}])).json()
    assert told["order"].index("LMD") < told["order"].index("HZP")
    assert told["given"]["broken"] == [{"first": "LMD", "then": "HZP"}]


def test_neighbours_that_nothing_makes_possible_are_kept_apart(api, asked):
    told = api.send("run-orders", asked({("HZP", "SBC"): None})).json()
    assert ["HZP", "SBC"] not in [told["order"][at : at + 2] for at in (0, 1)]
    assert told["given"]["run"] is None
    assert told["saves"] is None


def fields(answer: Any, status: int = 400) -> set[str]:
    assert answer.status_code == status, answer.json()
    return {error["field"] for error in answer.json()["errors"]}


def test_no_order_at_all_is_told_as_a_rule_that_stands_in_the_way(api, asked):
    apart = {(a, b): None for a in ("HZP", "SBC", "LMD") for b in ("HZP", "SBC", "LMD") if a != b}
    assert fields(api.send("run-orders", asked(apart)), 409) == {"cleaning"}


def test_precedence_that_goes_round_is_refused(api, asked):
    round_it = [{"first": "LMD", "then": "HZP"}, {"first": "HZP", "then": "LMD"}]
    assert fields(api.send("run-orders", asked(before=round_it))) == {"before"}


def test_missing_minutes_are_each_named(api, asked):
    body = asked()
    gone = body["cleaning"].pop()
    (error,) = api.send("run-orders", body).json()["errors"]
    assert f"after {gone['after']} before {gone['before']} are missing" in error["detail"]


def test_minutes_for_the_same_two_twice_are_refused(api, asked):
    body = asked()
    body["cleaning"].append(body["cleaning"][-1])
    assert fields(api.send("run-orders", body)) == {"cleaning"}


def test_negative_minutes_are_refused_where_they_stand(api, asked):
    body = asked()
    body["cleaning"][1]["minutes"] = -1
    assert fields(api.send("run-orders", body)) == {"cleaning.1.minutes"}


def test_a_batch_of_nothing_or_of_two_things_is_refused(api, asked, caramel_recipe):
    body = asked()
    del body["batches"][0]["material"]
    body["batches"][1]["recipe_version"] = str(caramel_recipe.pk)
    assert fields(api.send("run-orders", body)) == {"batches.0.recipe_version", "batches.1.recipe_version"}
