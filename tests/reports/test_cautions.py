"""The burn caution stands on every document and every page: nobody who adds one can leave it out."""

from pathlib import Path

import pytest

from batches.cautions import BURNS
from reports.documents import standing_cautions

ROOT = Path(__file__).parents[2]
NO_DOCUMENTS = {"base_document.html", "tag_sheet.html"}
"""The base itself, and stickers: what stands beside a tag on its sheet is thrown away."""
DOCUMENTS = [
    each
    for each in (ROOT / "reports/templates/reports").glob("*.html")
    if not each.name.startswith("_") and each.name not in NO_DOCUMENTS
]
PAGES = [
    each
    for app in ("ledger", "batches", "haccp")
    for each in (ROOT / app / "templates").rglob("*.html")
    if not each.name.startswith("_")
]


def test_the_caution_is_of_the_hot_sugar_and_of_the_rewarmed_slab():
    assert standing_cautions()[0] == str(BURNS)
    for words in ("sticks and burns at every working temperature", "rewarmed slab", "wet tools", "spit"):
        assert words in str(BURNS)


def test_there_are_documents_and_pages_to_look_at():
    assert DOCUMENTS
    assert PAGES


LETTERS = {"recall_letter.html"}  # to a customer, who stands at no stove


@pytest.mark.parametrize(
    "template", [each for each in DOCUMENTS if each.name not in LETTERS], ids=lambda path: path.name
)
def test_every_document_begins_with_the_base_that_bears_the_cautions(template: Path):
    assert template.read_text().startswith('{% extends "reports/base_document.html" %}')


@pytest.mark.parametrize("template", PAGES, ids=lambda path: path.name)
def test_every_page_begins_with_the_base_that_bears_the_cautions(template: Path):
    assert template.read_text().startswith('{% extends "base_page.html" %}')


def test_the_bases_bear_them():
    assert (
        '{% include "reports/_cautions.html" %}'
        in (ROOT / "reports/templates/reports/base_document.html").read_text()
    )
    assert str(BURNS) in (ROOT / "config/templates/base_page.html").read_text()
