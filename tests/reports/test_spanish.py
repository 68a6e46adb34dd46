"""Whether documents are whole in Spanish: every text has a translation, and what stays English is what somebody wrote."""

import ast
import gettext
import html
import re
import subprocess
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.utils import translation
from django.utils.translation.template import templatize

from batches.models import Batch, LossKind, MovementKind
from haccp import (
    dues,
    limits,
    monitoring,
    trials,
)
from haccp.allergens import documents as allergen_documents
from haccp.allergens import files, lists
from haccp.allergens.documents import Group
from haccp.allergens.vocabulary import Listed, Vocabulary
from haccp.changeovers import matrix
from haccp.labels import signs
from haccp.models import Depth, Deviation, Level, Means, Outside, PlanStep, RecallNotice
from haccp.models.labels import Moment
from haccp.models.recalls import RecallClass, RecallHazard
from haccp.recalls import answering
from ledger.models import Establishment, Part, Person
from reports import inspection_file, jobs, rendering
from reports.demo.house import HOUSE
from reports.models import DocumentJob
from tests.reports import every_kind
from tests.reports.asked_kinds import QUESTIONS
from tests.reports.typed_text import typed
from tests.scene import Scene, undone

ROOT = Path(settings.BASE_DIR)
CATALOGUE = ROOT / "reports/locale/es/LC_MESSAGES/django.po"
CALLS = {
    "_",
    "gettext",
    "gettext_lazy",
    "ngettext",
    "ngettext_lazy",
    "pgettext",
    "pgettext_lazy",
    "npgettext",
    "Said",
    "gap",
}
TEXT = r"u?('(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\")"
CALL = re.compile(rf"\b(_|n?p?gettext)\(\s*{TEXT}(?:\s*,\s*{TEXT})?")


# -- the catalogue ------------------------------------------------------------------------------------


def texts() -> Iterator[tuple[str, str]]:
    """Where, and each text that documents, or what they lean on, put through gettext; pages of other floors apart."""
    for package in ("reports", "haccp", "batches", "ledger"):
        for path in (ROOT / package).rglob("*.py"):
            if not {"pages", "migrations"} & set(path.parts) or package == "reports":
                yield from ((str(path), key) for key in _of_python(path.read_text()))
    for path in (ROOT / "reports/templates").rglob("*.html"):
        yield from ((str(path), key) for key in _of_template(path.read_text()))


def _of_python(source: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(source)):
        name = getattr(node.func, "id", getattr(node.func, "attr", "")) if isinstance(node, ast.Call) else ""
        args = getattr(node, "args", ())[2:3] if name == "gap" else getattr(node, "args", ())
        said = [each.value for each in args if isinstance(each, ast.Constant)] if name in CALLS else []
        if said and isinstance(said[0], str):
            yield _key(name, said)


def _of_template(source: str) -> Iterator[str]:
    for name, *said in CALL.findall(templatize(source)):
        yield _key(name, [ast.literal_eval(each) for each in said if each])


def _key(name: str, said: list[str]) -> str:
    return f"{said[0]}\x04{said[1]}" if "pgettext" in name else said[0]


@pytest.fixture(scope="module")
def catalogue() -> dict[Any, str]:
    with CATALOGUE.with_suffix(".mo").open("rb") as file:
        return gettext.GNUTranslations(file)._catalog  # type: ignore[attr-defined, no-any-return]


def test_every_text_has_a_translation(catalogue: dict[Any, str]) -> None:
    known = {key[0] if isinstance(key, tuple) else key for key in catalogue}
    assert {key: where for where, key in texts() if key and key not in known} == {}


def test_the_built_catalogue_is_the_one_that_is_written_and_nothing_of_it_is_empty_or_unsure(
    catalogue: dict[Any, str], tmp_path: Path
) -> None:
    """By the tools of GNU gettext, which also compare placeholders; where they are installed."""
    built = tmp_path / "django.mo"
    try:
        subprocess.run(["msgfmt", "--check", "-o", built, CATALOGUE], check=True, capture_output=True)
    except FileNotFoundError:
        pytest.skip("GNU gettext is not installed here")
    with built.open("rb") as file:
        assert gettext.GNUTranslations(file)._catalog == catalogue  # type: ignore[attr-defined]
    assert "#, fuzzy" not in CATALOGUE.read_text()
    assert all(catalogue.values())


def test_a_batch_is_never_called_by_the_word_for_a_lot(catalogue: dict[Any, str]) -> None:
    said = " ".join(catalogue.values())
    assert "de producción" not in said
    assert (catalogue["batch"], catalogue["undecided"]) == ("partida", "sin decidir")


def test_the_words_that_records_keep_in_english_are_known() -> None:
    kinds = (
        MovementKind,
        LossKind,
        RecallHazard,
        RecallClass,
        Depth,
        Level,
        Means,
        PlanStep,
        Outside,
        Moment,
        Part,
    )
    words = {str(each.label) for kind in (*kinds, DocumentJob.Kind) for each in kind}
    words |= {*answering.SENTENCES.values(), trials.NOTE, matrix.CAUTION, signs.NAMES, dues.YOURS}
    words |= {*limits.GUARDS, *dues.SAID, *(each.value for each in monitoring.State)}
    with translation.override("es"):
        same = {word for word in words if word and translation.gettext(word) == word}
    assert same == {"C: 10 %", "D: 2 %"}


def shipped(name: str) -> Vocabulary:
    said = files.shipped_list(name)
    begins = date.fromisoformat(said["in_force_from"])
    return Vocabulary([Listed(name, begins, None, allergen_documents.read(said["document"]))])


def test_every_allergen_of_the_lists_that_ship_has_a_name_in_the_catalogue(catalogue: dict[Any, str]) -> None:
    groups: list[Group] = [
        group for name in files.shipped() for each in shipped(name).lists for group in each.groups
    ]
    names = {group.name for group in groups} | {one.name for group in groups for one in group.members}
    assert names - set(catalogue) == set()


@pytest.mark.parametrize(
    ("code", "name"),
    [
        ("gluten-cereals", "cereales que contengan gluten"),
        ("crustaceans", "crustáceos"),
        ("egg", "huevos"),
        ("fish", "pescado"),
        ("peanut", "cacahuetes"),
        ("soybean", "soja"),
        ("milk", "leche (incluida la lactosa)"),
        ("tree-nuts", "frutos de cáscara"),
        ("celery", "apio"),
        ("mustard", "mostaza"),
        ("sesame", "granos de sésamo"),
        ("sulphites", "dióxido de azufre y sulfitos"),
        ("lupin", "altramuces"),
        ("molluscs", "moluscos"),
    ],
)
def test_the_fourteen_are_named_as_the_law_of_the_union_names_them_in_spanish(code: str, name: str) -> None:
    """Regulation (EU) No 1169/2011, Annex II, Spanish text (from memory; milk shortened)."""
    with translation.override("es"):
        assert lists.spoken(shipped("eu"), code) == name


def test_a_name_that_the_house_gives_an_allergen_stays_as_it_wrote_it() -> None:
    with translation.override("es"):
        assert lists.spoken(Vocabulary([]), "our-own-word") == "our-own-word"


# -- one document of each kind ---------------------------------------------------------------------------

OF_ENGLISH = re.compile(r"\b(the|is|are|was|were|not|and|of|by|to|in|on|for|with|this|that|its)\b")


@pytest.fixture(autouse=True)
def _nothing_stays(request: pytest.FixtureRequest) -> Iterator[None]:
    if "scene" not in request.fixturenames:
        yield
        return
    request.getfixturevalue("db")
    with undone():
        yield


def chunks(page: str) -> Iterator[str]:
    """What stands between the tags; not letters, which a plan shows in the languages they are sent in."""
    page = re.sub(r'(?s)<section lang="en">.*?</section>', "", page)
    page = re.sub(r"(?s)<(script|style)\b.*?</\1>", "", page)
    yield from (html.unescape(each).strip() for each in re.split(r"<[^>]+>", page) if each.strip())


def may_stand() -> str:
    """What somebody typed, and letters and notices of a recall, which speak the language they were written in."""
    notices = [text for each in RecallNotice.objects.all() for text in (each.subject, each.text)]
    return " ".join([typed(), *(" ".join(each.split()) for each in notices)])


def page_of(job: DocumentJob) -> str:
    if job.kind == "inspection-file":
        front, _, _ = inspection_file._read(job, jobs.built)
        return rendering.to_html(front, for_paper=False)
    return rendering.to_html(jobs.read(job)[0], for_paper=False)


def english_in(page: str) -> set[str]:
    """Sentences and names on a page that hold common words of English (from memory) and that nobody typed."""
    data = may_stand()
    found = {each for each in chunks(page) if OF_ENGLISH.search(each) and " ".join(each.split()) not in data}
    return {each for each in found if not _put_together(each, data)}


@pytest.mark.django_db
@pytest.mark.parametrize("kind", sorted(QUESTIONS))
def test_a_spanish_document_has_no_english_sentence_but_what_somebody_typed(scene: Scene, kind: str) -> None:
    """What the service put together and keeps with a record is no typed text."""
    here = Establishment.objects.get(pk=HOUSE)
    page = in_spanish(kind, QUESTIONS[kind](scene, here))
    assert '<html lang="es"' in page
    assert english_in(page) == set()


@pytest.mark.django_db
@pytest.mark.parametrize("kind", sorted(every_kind.ASKED))
def test_nor_has_the_one_of_another_batch_case_or_period(scene: Scene, kind: str) -> None:
    assert english_in(in_spanish(kind, every_kind.ASKED[kind]())) == set()


@pytest.mark.django_db
def test_nor_has_that_of_any_case_or_batch_of_the_demo(scene: Scene) -> None:
    cases = Deviation.objects.filter(establishment=HOUSE)
    batches = Batch.objects.filter(establishment=HOUSE)
    pages = [in_spanish("deviation", {"subject": each.pk}) for each in cases]
    pages += [in_spanish("batch-record", {"subject": each.uid}) for each in batches]
    assert len(pages) > 5
    assert {each for page in pages for each in english_in(page)} == set()


@pytest.mark.django_db
def test_heads_and_kinds_of_control_are_those_of_goods_and_of_the_plan(scene: Scene) -> None:
    record, trace, balance = (
        in_spanish(kind, every_kind.ASKED[kind]()) for kind in ("batch-record", "trace", "mass-balance")
    )
    for page in (record, trace, balance):
        assert ">Cantidad</th>" in page
        assert ">Magnitud</th>" not in page
    assert ">Procedencia</th>" in record
    assert ">PCC, " in record
    assert "CCP" not in set(re.findall(r"\b[A-Z]+\b", " ".join(chunks(record)))) - set(typed().split())
    assert "Entrada tardía</strong>, anotada " in record


def in_spanish(kind: str, asked: dict[str, Any]) -> str:
    here = Establishment.objects.get(pk=HOUSE)
    lead = Person.objects.get(sign_in_name="mara")
    return page_of(jobs.ask(establishment=here, asked_by=lead, kind=kind, language="es", **asked))


def _put_together(chunk: str, data: str) -> bool:
    """Whether each piece of it was written by somebody: a name after a code, a list, what stands beside a Spanish word."""
    pieces = re.split(r"[:;,(),·–\u2192□]| - |\. ", chunk)
    return all(_is_data(piece.strip(), data) for piece in pieces)


def _is_data(piece: str, data: str) -> bool:
    words = piece.split()  # a code may stand before a name, and a serial number behind it
    some = (words, words[1:], words[:-1], words[1:-1])
    named = re.fullmatch(r"\w+\.\w+", piece)  # a field of the data
    return (
        bool(named) or not OF_ENGLISH.search(piece) or any(each and " ".join(each) in data for each in some)
    )


def test_there_is_a_question_for_each_kind_that_the_demo_has() -> None:
    """Letters and replies speak the language they were written in; they have tests of their own."""
    assert set(DocumentJob.Kind.values) - set(QUESTIONS) == {"recall-letter", "notice-reply"}
