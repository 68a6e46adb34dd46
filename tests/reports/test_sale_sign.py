"""The sign for unpacked sale as a document: asked for over HTTP, made by a worker, and what stands on it."""

import io
from typing import Any

import pikepdf
import pytest

from reports import jobs, rendering
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks
from tests.haccp.labels.conftest import *  # noqa: F403 - labels

pytestmark = pytest.mark.django_db


@pytest.fixture
def asked(api: Any, label_version: Any) -> DocumentJob:
    body = {"kind": "sale-sign", "subject": str(label_version.material_id)}
    answer = api.send("documents", body)
    assert answer.status_code == 202, answer.json()
    return DocumentJob.objects.get(pk=answer.json()["id"])


def test_it_tells_the_label_and_shows_its_record(asked: DocumentJob, label_version: Any) -> None:
    document, shown = jobs.read(asked)
    assert (document.contains, document.may, document.lots) == (("milk",), ("almond",), ())
    (signature,) = document.signatures
    assert (signature.record, signature.signed) == (label_version.pk, "the label")
    assert label_version.pk in {record.pk for record in shown}
    assert document.title == "Sign for unpacked sale"


def test_the_page_emphasises_allergens_and_asks_people_to_ask(asked: DocumentJob) -> None:
    document, _ = jobs.read(asked)
    page = rendering.to_html(document, for_paper=False)
    assert "sugar, butter (<strong>milk</strong>)" in page
    assert "Ask us about allergens before you buy." in page
    assert "none released and on hand" in page
    assert "in one language" not in page  # the label speaks English only


def test_lists_that_are_not_confirmed_are_named_as_such(asked: DocumentJob, act: Any, lead: Any) -> None:
    from haccp.allergens import files, lists

    lists.bring_in(act=act(lead), said=files.shipped_list("eu"))
    document, _ = jobs.read(asked)
    assert (document.confirmed_rules, len(document.unconfirmed_rules)) == ((), 1)
    page = rendering.to_html(document, for_paper=False)
    assert "Not confirmed, to be confirmed with your authority:" in page


def test_it_says_nothing_of_limits_since_it_shows_none(asked: DocumentJob) -> None:
    document, _ = jobs.read(asked)
    page = rendering.to_html(document, for_paper=False)
    assert "for the law of the place to say" in page
    assert "limit" not in page


@pytest.mark.pdf
def test_it_is_made_as_pdf(asked: DocumentJob) -> None:
    jobs.make(asked.pk)
    asked.refresh_from_db()
    assert (asked.state, asked.problem) == ("done", "")


@pytest.mark.pdf
@pytest.mark.parametrize("size", ["a4", "letter"])
def test_a_sign_in_two_languages_is_one_sheet(
    api: Any, make_label: Any, approve: Any, act: Any, lead: Any, size: str
) -> None:
    """With both lists that ship still to be confirmed: its seal stands at its foot, not on a sheet of its own."""
    from haccp.allergens import files, lists

    for name in ("eu", "us"):
        lists.bring_in(act=act(lead), said=files.shipped_list(name))
    butter = {"name": {"en": "butter (*milk*)", "de": "Butter (*Milch*)"}, "allergens": ["milk"]}
    label = make_label(
        languages=["en", "de"],
        name={"en": "Salted butter caramels", "de": "Karamellen mit gesalzener Butter"},
        ingredients=[{"name": {"en": "sugar", "de": "Zucker"}, "material": "SUG"}, butter],
    )
    body = {"kind": "sale-sign", "subject": str(approve(label).material_id), "page_size": size}
    document, _ = jobs.read(DocumentJob.objects.get(pk=api.send("documents", body).json()["id"]))
    assert "in the language of this sign only" in rendering.to_html(document, for_paper=True)
    with pikepdf.open(io.BytesIO(rendering.to_pdf(document))) as pdf:
        assert len(pdf.pages) == 1


def test_without_a_label_or_a_subject_it_is_refused_at_once(api: Any, products: Any) -> None:
    missing = api.send("documents", {"kind": "sale-sign", "subject": str(products["LMD"].pk)})
    assert (missing.status_code, missing.json()["errors"][0]["field"]) == (404, "subject")
    assert api.send("documents", {"kind": "sale-sign"}).status_code == 400
    assert not DocumentJob.objects.exists()
