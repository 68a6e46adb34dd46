"""What is confidential leaves the house only by the word of a food-safety lead, with whom it goes to and why."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

import pytest

from config.api.refusals import NotAllowed
from ledger import disclosures
from ledger.models import Disclosure, Establishment, Part, Person

pytestmark = pytest.mark.django_db
BATCH = UUID("01950000-0000-7000-8000-00000000aaaa")
SAID = {
    "subject": BATCH,
    "part": "recipe",
    "given_to": "County food inspection",
    "because": "They ask for the lecithin.",
}


def test_a_lead_lets_a_part_go_and_takes_the_word_back(
    act: Callable[..., Any], lead: Person, establishment: Establishment
) -> None:
    word = disclosures.disclose(act=act(by=lead), **SAID)
    assert disclosures.standing(establishment, BATCH, Part.RECIPE) == word
    disclosures.take_back(act=act(by=lead, corrects=word.pk, reason="They left.", withdraws=True))
    assert disclosures.standing(establishment, BATCH, Part.RECIPE) is None


def test_nobody_else_may(act: Callable[..., Any], operator: Person) -> None:
    with pytest.raises(NotAllowed, match="lets confidential parts leave the house"):
        disclosures.disclose(act=act(by=operator), **SAID)
    assert not Disclosure.objects.exists()


def test_a_word_speaks_for_its_own_subject(
    act: Callable[..., Any], lead: Person, establishment: Establishment
) -> None:
    disclosures.disclose(act=act(by=lead), **SAID)
    assert disclosures.standing(establishment, UUID(int=7), Part.RECIPE) is None


def test_an_operator_is_refused_over_http(api: Any) -> None:
    said = {name: str(value) for name, value in SAID.items()}
    assert api.send("disclosures", said | {"performed_at": "2026-03-02T09:30:00+01:00"}).status_code == 403


def test_the_word_is_given_and_taken_back_over_http(lead_api: Any, establishment: Establishment) -> None:
    said = {name: str(value) for name, value in SAID.items()}
    at = {"performed_at": "2026-03-02T09:30:00+01:00"}
    word = lead_api.send("disclosures", said | at)
    assert word.status_code == 201
    back = lead_api.send(
        "disclosures/taken-back", at | {"corrects": word.json()["id"], "reason": "They left."}
    )
    assert (back.status_code, back.json()["withdrawn"]) == (201, True)
    assert disclosures.standing(establishment, BATCH, Part.RECIPE) is None
