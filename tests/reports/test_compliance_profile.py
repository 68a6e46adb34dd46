"""The document that tells which parts are asked of an establishment: what it holds, in English and in Spanish."""

import dataclasses
from collections.abc import Callable
from typing import Any

import pytest
from django.utils import translation
from django.utils.translation import gettext
from rest_framework.exceptions import ValidationError

from haccp.compliance import known
from haccp.models import ComplianceRelief
from ledger.models import Establishment, Person
from reports import compliance_profile, jobs, rendering
from reports.demo.house import HOUSE
from reports.requirements import shipped
from tests.scene import Scene

pytestmark = pytest.mark.django_db


@pytest.fixture
def read(scene: Scene) -> Callable[..., Any]:
    def do(language: str = "en", **about: Any) -> Any:
        here, lead = Establishment.objects.get(pk=HOUSE), Person.objects.get(sign_in_name="mara")
        kind = "compliance-profile"
        job = jobs.ask(establishment=here, asked_by=lead, kind=kind, about=about, language=language)
        return jobs.read(job)[0]

    return do


def test_each_part_stands_once_asked_or_eased(read: Any) -> None:
    document = read()
    assert [each.code for each in document.parts] == [part.code for part in known.PARTS]
    assert {each.code for each in document.parts if each.is_eased} == {"plan-form", "lesser-review"}


def test_a_relief_stands_with_law_basis_evidence_days_and_who_signed_it(read: Any) -> None:
    document, kept = read(), ComplianceRelief.objects.get()
    (line,) = document.reliefs
    assert (line.basis, line.evidence, line.until_day) == (kept.basis, kept.evidence, kept.until_day)
    assert line.record in document.record_ids
    assert [each.signed for each in document.signatures] == ["relief"]
    assert "Regulation (EC) 852/2004" in line.source


def test_as_of_another_day_everything_is_asked_and_the_relief_is_still_listed(read: Any) -> None:
    document = read(on="2025-01-01")
    assert not any(each.is_eased for each in document.parts)
    assert len(document.reliefs) == 1
    assert not any(each.recorded for each in document.law)


def test_title_and_text_claim_nothing(read: Any) -> None:
    document = read()
    own = dataclasses.replace(document, rules=())  # these say in a sentence that nothing is claimed
    shown = rendering.to_html(own, for_paper=True)
    assert document.title == "Which parts are asked of this establishment"
    assert not [
        word for word in ("complian", "complies", "certified") if word in shown.lower().split("<body")[1]
    ]
    assert "for the competent local authority to say" in shown


def test_it_is_told_in_spanish_without_a_word_of_english(read: Any) -> None:
    document = read("es")
    assert document.title == "Qué partes se exigen a este establecimiento"
    shown = rendering.to_html(document, for_paper=True)
    assert not [part.asks for part in known.PARTS if part.asks in shown]


def test_every_text_of_parts_and_reliefs_is_known_in_spanish() -> None:
    parts = [text for each in known.PARTS for text in (each.name, each.asks, each.eased) if text]
    laws = [
        text
        for each in known.RELIEFS
        for text in (each.name, each.for_whom, each.spares, each.instead, each.provenance)
    ]
    with translation.override("es"):
        same = {text for text in (*parts, *laws, known.DEFERRAL, known.KEPT) if gettext(text) == text}
    assert same == set()


def test_every_requirement_that_a_part_names_is_in_the_map() -> None:
    there = {each.id for each in shipped().entries}
    assert {pk for part in known.PARTS for pk in part.requirements} <= there


def test_tables_have_the_same_heads_in_every_language(read: Any) -> None:
    tables = [[each.heads for each in read(language).data_tables()] for language in ("en", "es")]
    assert tables[0] == tables[1]
    assert [each.name for each in read().data_tables()] == ["parts", "reliefs", "own", "law"]


def test_what_is_no_day_is_refused(read: Any) -> None:
    with pytest.raises(ValidationError):
        read(on="yesterday")
    with pytest.raises(ValidationError):
        compliance_profile.refuse(Establishment.objects.get(pk=HOUSE), HOUSE, {"when": "2026-01-01"})
