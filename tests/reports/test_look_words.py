"""Each look is a sentence, of every address that an entrance opens, in both languages."""

from typing import Any

import pytest
from django.utils import translation

from ledger.models import Look
from reports import look_words
from reports.api.documents import MEDIA
from reports.look_words import sentence
from tests.ledger.test_what_inspectors_reach import OPEN_PAGES

NAMES = OPEN_PAGES | {"documents", "document", "open-records-data", "seals", "signing-keys"}
NAMES |= {f"document-{form}" for form in MEDIA}
PLAN = {"document": 12, "document_kind": "hazard-plan"}


def look(what: str, answered: int = 200, **values: Any) -> Look:
    return Look(what=what, answered=answered, **values)


@pytest.mark.parametrize(
    ("seen", "told"),
    [
        (look("open-records"), "looked at the index"),
        (look("open-records-pdf", **PLAN), "fetched document 000012 (Hazard plan) as PDF"),
        (look("document-xlsx", **PLAN), "fetched document 000012 (Hazard plan) as XLSX"),
        (look("document-pdf", 409, **PLAN), "asked for document 000012 (Hazard plan) as PDF"),
        (look("document-pdf", 404), "asked for a document that is not open, as PDF"),
        (look("documents", 202, **PLAN), "asked for document 000012 (Hazard plan)"),
        (look("open-records-ask", 302, **PLAN), "asked for document 000012 (Hazard plan)"),
        (look("open-records-ask", 302), "asked for a document on the index, and was told why not"),
        (look("document", **PLAN), "looked how far document 000012 (Hazard plan) is"),
        (look("batches", 403), "asked for what is closed to inspectors: batches"),
        (look("documents", 200, document=3, document_kind="gone"), "asked for document 000003 (gone)"),
    ],
)
def test_a_look_is_told(seen: Look, told: str) -> None:
    assert sentence(seen) == told


@pytest.mark.parametrize("name", sorted(NAMES))
@pytest.mark.parametrize("answered", [200, 404])
@pytest.mark.parametrize("said", [{}, PLAN])
def test_every_open_address_has_a_sentence_in_both_languages(
    name: str, answered: int, said: dict[str, Any]
) -> None:
    seen = look(name, answered, **said)
    if (name, answered, bool(said)) == ("document", 200, False):
        return  # one that is shown has a number
    english = sentence(seen)
    with translation.override("es"):
        assert sentence(seen) != english
    assert "closed to inspectors" not in english


def test_the_forms_are_those_of_documents() -> None:
    assert set(MEDIA) == look_words.FORMS
