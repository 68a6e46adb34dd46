"""Each record document says which rules its fields are meant to answer, in print and in its data, and claims nothing by it.

The rules of records are 21 CFR 117.305(a) to (g), read in stored copies; which field answers which is for the map to say.
"""

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from django.conf import settings
from django.utils import translation
from django.utils.translation import gettext

from batches.models import Batch
from ledger.models import Establishment, Person
from reports import answered, field_words, inspection_file, jobs, rendering
from reports.demo.house import HOUSE
from reports.documents import Document, RuleLine
from reports.requirements import shipped
from tests.scene import Scene

pytestmark = pytest.mark.django_db
DAYS = {"first": "2020-01-01", "last": "2027-12-31"}
SENTENCE = "This is no statement of compliance."
FOR_OTHERS = {
    "sale-sign",
    "tag-sheet",
    "recall-letter",
    "public-notice",
    "notice-reply",
    "changeover-table",
    "check-sheet",
}
"""What goes to a wall, a tub, a customer or the public, and blank forms."""


@pytest.fixture
def read(scene: Scene) -> Callable[..., Any]:
    def do(kind: str, subject: UUID | None = None, language: str = "en", **about: Any) -> Any:
        job = asked(kind, subject, language, **about)
        return jobs.read(job)[0]

    return do


def asked(kind: str, subject: UUID | None = None, language: str = "en", **about: Any) -> Any:
    here, lead = Establishment.objects.get(pk=HOUSE), Person.objects.get(sign_in_name="mara")
    return jobs.ask(
        establishment=here, asked_by=lead, kind=kind, subject=subject, about=about, language=language
    )


def batch_record(read: Any) -> Any:
    return read("batch-record", Batch.objects.filter(establishment=HOUSE).order_by("pk")[0].uid)


def rules(document: Any) -> dict[str, RuleLine]:
    return {each.rule: each for each in document.rules}


def test_a_batch_record_names_each_rule_of_117_305_that_a_field_answers(read: Any) -> None:
    told = rules(batch_record(read))
    assert {f"R-US-117-305-{each}" for each in ("b", "c", "d", "e", "f1", "f2", "f3", "f4")} <= told.keys()
    assert told["R-US-117-305-b"].fields == ("JudgedReading.entered",)
    assert told["R-US-117-305-b"].provenance == "read"
    assert told["R-CX-1-sig"].provenance == "read in a secondary text; from memory"


def test_every_document_that_holds_records_tells_when_and_where_whatever_its_kind(read: Any) -> None:
    told = rules(read("receiving-log", **DAYS))
    assert "RecordLine.late_by" in told["R-US-117-305-d"].fields
    assert "Document.establishment" in told["R-US-117-305-f1"].fields


def test_a_document_that_shows_no_record_names_no_rule_of_records(read: Any) -> None:
    assert "R-US-117-305-d" not in rules(read("receiving-log", first="2001-01-01", last="2001-01-02"))


def test_a_field_that_is_empty_answers_nothing_here(read: Any) -> None:
    whole = batch_record(read)
    assert whole.left_out == ()
    assert [each.rule for each in whole.rules if "BatchRecord.left_out" in each.fields] == []
    told = replace(whole, left_out=("Quantities",), signatures=(), checks=())
    named = {each.rule: each.fields for each in answered.rules_of(told)}
    assert named["R-US-117-325"] == ("BatchRecord.left_out",)
    assert [rule for rule, fields in named.items() if "Signature.meaning" in fields] == []


def test_correction_is_named_where_a_line_is_one(read: Any) -> None:
    whole = batch_record(read)
    plain = replace(whole, checks=tuple(replace(each, corrects=None) for each in whole.checks))
    one = replace(plain.checks[0], corrects=plain.checks[1].record)
    corrected = replace(plain, checks=(one, *plain.checks[1:]))
    fields = [
        {each.rule: each.fields for each in answered.rules_of(document)}["R-US-117-305-c"]
        for document in (plain, corrected)
    ]
    assert ["Record.corrects" in each for each in fields] == [False, True]


def test_part_11_is_a_model_and_common_practice_no_rule(read: Any) -> None:
    assert not [
        each for each in batch_record(read).rules if each.rule.startswith(("R-US-11-", "R-CP-", "R-ISO-"))
    ]


def test_page_and_data_say_the_same_with_the_sentence_that_nothing_is_claimed(read: Any) -> None:
    document = batch_record(read)
    shown, data = rendering.to_html(document, for_paper=True), json.loads(rendering.to_json(document))
    assert [each["rule"] for each in data["rules"]] == [each.rule for each in document.rules]
    assert all(each.section in shown for each in document.rules)
    assert SENTENCE in shown
    assert "the text that the competent local authority applies decides" in shown


def test_paper_names_rules_by_source_and_section_and_fields_by_the_heads_they_stand_under(read: Any) -> None:
    shown = rendering.to_html(batch_record(read), for_paper=True)
    rows = re.findall(r"<tr>(.*?)</tr>", shown.split('<section class="rules">')[1], re.S)
    told = [re.findall(r"<td>(.*?)</td>", row) for row in rows]
    assert ["21 CFR 117.305(b)", "Read, as entered", "read"] in told
    assert not re.search(r"R-(US|EU|CX)-|[a-z]\.[a-z]+_|JudgedReading", shown)


def test_each_field_that_a_document_may_name_has_its_words_on_paper() -> None:
    kinds = {kind for kind in jobs.DocumentJob.Kind.values if kind not in FOR_OTHERS}
    named = {
        answered.short(each)
        for entry in shipped().entries
        if entry.source not in answered.NO_RULES
        for each in entry.answers
        if each.field and (each.document in kinds or each.field.startswith("reports."))
    }
    assert {each for each in named if each not in field_words.WORDS and not _of_others(each)} == set()
    assert set(field_words.WORDS) - named == set()


def _of_others(field: str) -> bool:
    """Of a document that tells no rules."""
    return field.split(".")[0] in {each.__name__ for each in _documents(Document) if not each.tells_rules}


def test_the_words_are_heads_that_documents_print() -> None:
    """Each stands in a template or a table of a document too; but for the head of all, which has no head of its own."""
    here = Path(settings.BASE_DIR) / "reports"
    sources = [*here.rglob("*.html"), *(each for each in here.rglob("*.py") if each.name != "field_words.py")]
    printed = "".join(each.read_text() for each in sources)
    heads = {text for words in field_words.WORDS.values() for text in map(str, words)}
    assert {each for each in heads if f'"{each}"' not in printed} == {str(field_words.HEAD)}


def test_in_spanish_it_is_told_in_spanish_and_data_keep_the_names_of_fields(read: Any) -> None:
    english, spanish = rules(read("people-list")), rules(read("people-list", language="es"))
    assert {pk: each.fields for pk, each in english.items()} == {
        pk: each.fields for pk, each in spanish.items()
    }
    assert spanish["R-US-117-305-f1"].provenance == "leído"
    shown = rendering.to_html(read("people-list", language="es"), for_paper=True)
    assert "Esto no es ninguna declaración de cumplimiento." in shown


def test_sources_sections_and_words_of_provenance_are_known_in_spanish() -> None:
    told = shipped()
    with translation.override("es"):
        same = {text for text in (*told.sources.values(), *told.provenance) if gettext(text) == text}
        words = (
            r"\b(article|annex|chapter|principle|guidance|regulation|directive|and|list|practice|texts?)\b"
        )
        sections = [each.section for each in told.entries if each.source not in answered.NO_RULES]
        english = [each for each in sections if re.search(words, gettext(each).lower())]
    assert (same, english) == (set(), [])


def test_the_list_is_never_longer_than_a_page(read: Any) -> None:
    """At 7 pt a row takes 3.3 mm; a page of A4 on its side holds some 45 of them below the sentence."""
    for document in (batch_record(read), read("people-list"), read("deviation-list", **DAYS)):
        assert len(document.rules) <= 40


def test_what_goes_to_others_tells_none() -> None:
    kinds: dict[str, type[Document]] = {}
    for each in _documents(Document):
        kinds[each.kind] = each
    assert {kind for kind, each in kinds.items() if not each.tells_rules} == FOR_OTHERS


def _documents(base: type[Document]) -> Any:
    for each in base.__subclasses__():
        yield from _documents(each)
        if each.__module__.startswith("reports.") and "kind" in vars(each):
            yield each


def test_in_an_inspection_file_they_stand_once_in_the_front(scene: Scene) -> None:
    job = asked("inspection-file", since="2020-01-01", until="2027-12-31")
    front, documents, _records = inspection_file._read(job, jobs.built)
    assert [each.number for each in documents if each.rules] == []
    told = [each.rule for each in front.rules]
    order = [each.id for each in shipped().entries]
    assert told == sorted(told, key=order.index)
    assert len(set(told)) == len(told)
    assert "JudgedReading.entered" in rules(front)["R-US-117-305-b"].fields
    assert "InspectionFile.lines" in rules(front)["R-US-117-320"].fields
    shown = rendering.to_html(front, for_paper=True)
    assert "was signed by a person" not in shown


def test_a_file_in_spanish_tells_them_in_spanish_though_some_of_its_parts_are_in_english(
    scene: Scene,
) -> None:
    job = asked("inspection-file", language="es", since="2020-01-01", until="2027-12-31")
    front, _documents, _records = inspection_file._read(job, jobs.built)
    assert rules(front)["R-US-117-305-b"].provenance == "leído"
    assert "Unión Europea" in {each.source for each in front.rules}


def test_rules_of_two_documents_are_one_list() -> None:
    def line(rule: str, *fields: str) -> RuleLine:
        return RuleLine(rule=rule, source="s", section="1", fields=fields, provenance="read")

    found = answered.together(
        [line("R-US-117-4", "A.b"), line("R-CX-1-sig", "C.d"), line("R-US-117-4", "A.b", "E.f")]
    )
    assert [(each.rule, each.fields) for each in found] == [
        ("R-CX-1-sig", ("C.d",)),
        ("R-US-117-4", ("A.b", "E.f")),
    ]
