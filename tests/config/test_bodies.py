"""A body is taken whole or refused: a misspelt name would lose a fact without a word."""

from typing import Any

import pytest

from config.api.bodies import MOST_TOLD
from tests.config.conftest import Asking

Errors = dict[str, tuple[str, str]]


def errors(ask: Asking, body: Any) -> Errors:
    answer = ask.post("/api/v1/orders", body, format="json")
    assert answer.status_code == 400
    return {each["field"]: (each["code"], each["detail"]) for each in answer.json()["errors"]}


def test_what_is_known_is_taken(ask: Asking) -> None:
    answer = ask.post("/api/v1/orders", {"name": "x", "lines": [{"quantity": 1}]}, format="json")
    assert answer.status_code == 201


def test_a_misspelt_name_is_refused_with_the_nearest_that_is_known(ask: Asking) -> None:
    assert errors(ask, {"name": "x", "lnies": []}) == {
        "lnies": ("unknown-field", "There is no such field here. Did you mean lines?")
    }


def test_a_name_like_none_is_refused_without_a_guess(ask: Asking) -> None:
    assert errors(ask, {"name": "x", "qqqq": 1}) == {
        "qqqq": ("unknown-field", "There is no such field here.")
    }


def test_a_part_is_looked_at_like_the_whole(ask: Asking) -> None:
    found = errors(ask, {"name": "x", "lines": [{"quantity": 1}, {"quantity": 1, "quantitty": 2}]})
    assert set(found) == {"lines.1.quantitty"}


def test_it_is_told_together_with_what_else_is_wrong(ask: Asking) -> None:
    assert set(errors(ask, {"lnies": [], "lines": 7})) == {"name", "lnies", "lines"}


def test_what_only_the_service_sets_is_refused(ask: Asking) -> None:
    assert errors(ask, {"name": "x", "number": 7})["number"][0] == "set-by-the-service"


def test_a_read_only_name_is_no_guess(ask: Asking) -> None:
    assert errors(ask, {"name": "x", "numbr": 7})["numbr"][1] == "There is no such field here."


@pytest.mark.parametrize("name", ["", " ", "a.b", "__class__", "x" * 5000, "\U0001f36c", "non_field_errors"])
def test_any_name_is_refused_in_words(ask: Asking, name: str) -> None:
    assert [code for code, _ in errors(ask, {"name": "x", name: 1}).values()] == ["unknown-field"]


def test_a_flood_of_names_is_answered_in_few_words(ask: Asking) -> None:
    assert len(errors(ask, {"name": "x"} | {f"n{number}": 1 for number in range(5000)})) == MOST_TOLD


def test_the_document_says_that_a_body_takes_no_other_names(ask: Asking) -> None:
    schemas = ask.get("/api/v1/openapi.json").json()["components"]["schemas"]
    assert schemas["OrderRequest"]["additionalProperties"] is False
    assert schemas["LineRequest"]["additionalProperties"] is False
    assert "additionalProperties" not in schemas["Order"]
