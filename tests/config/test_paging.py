"""Pages by key: nothing twice, nothing left out, whatever arrives meanwhile."""

import base64
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from ledger.models import Person
from tests.config.conftest import Asking

pytestmark = pytest.mark.django_db


@pytest.fixture
def seven(make_person: Callable[..., Person]) -> list[str]:
    """Seven people, five of one name; their ids in the list's order."""
    people = [make_person(name) for name in ["Ann", "Bea", "Bea", "Bea", "Bea", "Bea", "Cid"]]
    return [str(person.pk) for person in sorted(people, key=lambda p: (p.name, p.pk.hex), reverse=True)]


def ids(answer: Any) -> list[str]:
    return [row["id"] for row in answer.json()["results"]]


def cursor_in(link: str) -> str:
    return parse_qs(urlsplit(link).query)["cursor"][0]


def test_pages_forward_show_every_row_once_through_ties(ask: Asking, seven: list[str]) -> None:
    seen, link = [], "/api/v1/people?limit=2"
    while link:
        answer = ask.get(link)
        seen.append(ids(answer))
        link = answer.json()["next"]
    assert seen == [seven[0:2], seven[2:4], seven[4:6], seven[6:]]


def test_pages_backward_are_the_same_pages(ask: Asking, seven: list[str]) -> None:
    answer = ask.get("/api/v1/people?limit=3")
    forward = [ids(answer)]
    while answer.json()["next"]:
        answer = ask.get(answer.json()["next"])
        forward.append(ids(answer))
    backward = [ids(answer)]
    while answer.json()["previous"]:
        answer = ask.get(answer.json()["previous"])
        backward.append(ids(answer))
    assert backward == forward[::-1]
    assert ids(ask.get(answer.json()["next"])) == forward[1]


def test_the_first_page_has_nothing_before_and_the_last_nothing_after(ask: Asking, seven: list[str]) -> None:
    whole = ask.get("/api/v1/people").json()
    assert (len(whole["results"]), whole["next"], whole["previous"]) == (7, None, None)


def test_an_empty_list_is_a_page(ask: Asking) -> None:
    assert ask.get("/api/v1/people").json() == {"results": [], "next": None, "previous": None}


def test_rows_that_arrive_between_two_pages_move_nothing(
    ask: Asking, seven: list[str], make_person: Callable[..., Person]
) -> None:
    first = ask.get("/api/v1/people?limit=3").json()
    for _ in range(4):
        make_person("Bea")  # newer, so before the mark among its ties
    make_person("Zoe")
    assert ids(ask.get(first["next"])) == seven[3:6]


def test_a_page_is_one_statement_without_a_count_or_an_offset(ask: Asking, seven: list[str]) -> None:
    link = ask.get("/api/v1/people?limit=2").json()["next"]
    with CaptureQueriesContext(
        connection,
    ) as asked:
        ask.get(link)
    (statement,) = [query["sql"].upper() for query in asked]
    assert "COUNT(" not in statement
    assert "OFFSET" not in statement


def test_other_parts_of_the_query_stay_in_the_links(ask: Asking, seven: list[str]) -> None:
    link = ask.get("/api/v1/people?limit=2&name=a%26b").json()["next"]
    asked = parse_qs(urlsplit(ask.get(link).json()["next"]).query)
    assert (asked["limit"], asked["name"], len(asked["cursor"])) == (["2"], ["a&b"], 1)


@pytest.mark.parametrize(
    "limit",
    ["0", "-1", "501", "abc", "", "1.5", "1e2", "٣", pytest.param("9" * 5000, id="5000-digits"), "+5", " 5"],
)
def test_a_limit_that_makes_no_sense_is_refused(ask: Asking, limit: str) -> None:
    answer = ask.get(f"/api/v1/people?limit={quote(limit)}")
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "limit")


@pytest.mark.parametrize("limit", ["1", "500"])
def test_limits_from_1_to_500_are_taken(ask: Asking, limit: str) -> None:
    assert ask.get(f"/api/v1/people?limit={limit}").status_code == 200


@pytest.mark.parametrize("limit", ["", "x", "é", base64.b64encode(b"p=2026-03-02").decode(), "a:b", ":"])
def test_a_forged_cursor_is_refused(ask: Asking, limit: str) -> None:
    answer = ask.get(f"/api/v1/people?cursor={quote(limit)}")
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "cursor")


def test_a_cursor_that_was_changed_by_one_letter_is_refused(ask: Asking, seven: list[str]) -> None:
    cursor = cursor_in(ask.get("/api/v1/people?limit=2").json()["next"])
    for place in (0, len(cursor) // 2):
        other = "A" if cursor[place] != "A" else "B"
        forged = cursor[:place] + other + cursor[place + 1 :]
        assert ask.get(f"/api/v1/people?cursor={quote(forged)}").status_code == 400


def test_a_cursor_of_another_list_is_refused(ask: Asking, seven: list[str]) -> None:
    cursor = cursor_in(ask.get("/api/v1/people?limit=2").json()["next"])
    assert ask.get(f"/api/v1/other-people?cursor={quote(cursor)}").status_code == 400
