"""Whether documents are whole in Spanish: every text has a translation, and what stays English is what somebody wrote."""

import ast
import copy
import gettext
import html
import json
import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.apps import apps
from django.conf import settings
from django.utils import translation
from django.utils.translation.template import templatize

from batches.models import LossKind, MovementKind
from batches.recipe_documents import CookedTo
from haccp import (
    charting,
    drawing,
    dues,
    histories,
    history_plots,
    limits,
    mixing,
    monitoring,
    plan_documents,
    predictions,
    trials,
)
from haccp.allergens import documents as allergen_documents
from haccp.allergens import files, lists
from haccp.allergens.content import Because, MixedIn, OnTheWay
from haccp.allergens.content import Path as Way
from haccp.allergens.documents import Group
from haccp.allergens.vocabulary import Listed, Vocabulary
from haccp.changeovers import matrix
from haccp.composition_documents import Stated
from haccp.labels import signs
from haccp.models import Depth, Level, Means, Outside, PlanStep
from haccp.models.labels import Moment
from haccp.models.recalls import RecallClass, RecallHazard
from haccp.recalls import answering
from haccp.said import Said
from haccp.science.answers import NotComputed
from haccp.science.solutes import SUCROSE, Solute
from ledger.models import Establishment, Part, Person
from reports import inspection_file, jobs, listing, rendering
from reports.demo.house import HOUSE
from reports.models import DocumentJob
from tests.reports.asked_kinds import QUESTIONS
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


# -- sentences put together where no language is known ----------------------------------------------------


def in_spanish(text: str) -> str:
    with translation.override("es"):
        return listing.spoken(text)


def test_a_sentence_stays_english_as_text_and_is_translated_with_what_stands_in_it() -> None:
    told = Said("Left out: %(many)s of no batch.", many=Said("%(count)d readings", count=3))
    assert (str(told), in_spanish(told)) == (
        "Left out: 3 readings of no batch.",
        "Se omite: 3 lecturas sin partida.",
    )
    assert (type(json.loads(json.dumps({"told": told}))["told"]), in_spanish(copy.deepcopy(told))) == (
        str,
        in_spanish(told),
    )


def test_a_percent_sign_in_a_text_without_values_is_left_alone() -> None:
    assert in_spanish(Said("10 % of nothing known")) == "10 % of nothing known"


def measured(*values: float) -> list[charting.Measured]:
    first = datetime(2026, 3, 2, 8, tzinfo=UTC)
    return [
        charting.Measured(
            uuid4(),
            first + timedelta(hours=at),
            Decimal(str(value)),
            f"{value}",
            "CEL",
            "within",
            "118 to 122",
        )
        for at, value in enumerate(values)
    ]


def history_of(readings: list[charting.Measured], **asked: Any) -> histories.History:
    return histories.History(
        code="CCP-1",
        name="Kochen",
        quantity="Temperatur",
        unit="CEL",
        zone="Europe/Berlin",
        period="2026",
        readings=tuple(readings),
        apart=(),
        notes=(),
        charted=charting.charted(readings, charting.Asked(**asked)),
    )


STEADY = tuple(119 + 0.1 * (at % 3) for at in range(12))
SHIFTED = (*STEADY, 125.0)
CHARTED: dict[str, tuple[tuple[float, ...], dict[str, Any]]] = {
    "with signals": (SHIFTED, {"rules": "nelson"}),
    "of a baseline with a signal": (SHIFTED, {"baseline": 13}),
    "too few": (STEADY[:3], {}),
    "all the same": ((120.0,) * 12, {}),
    "by days": (STEADY, {"baseline_from": date(2026, 3, 2)}),
    "cusum": (SHIFTED, {"chart": "cusum", "target": 119, "slack": 0.1, "decision": 0.5}),
    "ewma": (SHIFTED, {"chart": "ewma", "target": 119, "sigma": 0.1, "weight": 0.2, "width": 3}),
    "of batches that are none": (STEADY, {"chart": "xbar-r", "subgroup_size": 3}),
    "cusum of nothing": ((), {"chart": "cusum", "target": 119, "slack": 0.1, "decision": 0.5}),
}


@pytest.mark.parametrize("case", CHARTED)
def test_a_chart_speaks_spanish_on_its_face_and_below_it(case: str) -> None:
    values, asked = CHARTED[case]
    with translation.override("es"):
        plot = history_plots.plot_of(history_of(measured(*values), **asked))
        page = drawing.svg(plot)
    assert [each for each in chunks(page) if OF_ENGLISH.search(each)] == []


def test_the_ways_of_allergens_are_told_in_spanish_and_kept_in_english() -> None:
    mixed = MixedIn(uuid4(), "SILO-1", datetime(2026, 3, 2, 8), "L-2")
    path = Way((OnTheWay(uuid4(), "L-1", mixed), OnTheWay(uuid4(), "L-3")))
    ways = (
        Because(path),
        Because(path, "B-1", uuid4(), "TABLE", uuid4()),
        Because(path, "B-1", uuid4(), line=3),
    )
    way = "L-1 (mezclado en SILO-1 desde 2026-03-02 08:00, sacado como L-2) -> L-3"
    assert [in_spanish(each.in_words) for each in (path, *ways)] == [
        way,
        f"según el proveedor ({way})",
        f"dejado en TABLE por la partida B-1 ({way})",
        f"por la línea 3 de la receta, de la que la partida B-1 no registra uso ({way})",
    ]
    assert str(ways[0]) == (
        "by the supplier's word (L-1 (mixed in SILO-1 since 2026-03-02 08:00, taken out as L-2) -> L-3)"
    )


BARE_PLAN: dict[str, Any] = {"title": "Karamellen"}
DRAFT: dict[str, Any] = {
    "team": [{"person": "Mara"}],
    "steps": [{"code": "S1", "to": ["S9"]}, {"code": "S1"}, {"code": "S2", "products": ["KKK"]}],
    "scales": {"likelihood": {"1": "selten"}},
    "hazards": [
        {"code": "H1", "likelihood": "7", "significant": True, "kind": "biological", "step": "S9"},
        {"code": "H2", "significant": True, "decision": {"q1": {"answer": False}}},
        {"code": "H3", "kind": "allergen", "decision": {"expert_reasoning": "Ja."}},
        {
            "code": "H4",
            "significant": True,
            "step": "S1",
            "decision": {"expert_reasoning": "Ja.", "outcome": "ccp"},
        },
    ],
    "control_points": [
        {"code": "C1", "kind": "ccp", "control": "process", "hazards": ["H3", "H8"], "materials": ["M9"]},
        {"code": "C2", "kind": "prp", "control": "supply-chain", "monitoring": {"when": {"per": "batch"}}},
        {
            "code": "C3",
            "kind": "oprp",
            "control": "process",
            "step": "S1",
            "hazards": ["H3"],
            "verification": [{"what": "Blick"}],
            "validation": {"on_site_within_days": "200"},
            "limits": [
                {"kind": "range", "quantity": "water activity", "unit": "C62", "upper": "0.6"},
                {"kind": "range", "quantity": "water activity", "unit": "CEL", "upper": "60"},
                {
                    "kind": "observation",
                    "quantity": "colour",
                    "accepted": ["hell"],
                    "outcomes": ["hell", "dunkel"],
                },
            ],
        },
    ],
    "not_critical": [{"what": "Sieb"}],
    "verification": [{"what": "Blick"}],
}


@pytest.mark.parametrize("document", [BARE_PLAN, DRAFT], ids=["bare", "half done"])
def test_what_a_draft_lacks_is_told_in_spanish(document: dict[str, Any]) -> None:
    assert plan_documents.errors(document) == []
    english = plan_documents.gaps(document)
    assert len(english) > 10
    same = [each.detail for each in english if in_spanish(each.detail) == each.detail]
    mixed = [text for each in english if OF_ENGLISH.search(text := in_spanish(each.detail))]
    assert (same, mixed) == ([], [])


def test_a_gap_begins_with_a_capital_in_every_language() -> None:
    [gap] = [each for each in plan_documents.gaps(BARE_PLAN) if each.code == "no-team"]
    assert gap.detail == "Team: name the people who made the plan."
    assert in_spanish(gap.detail) == "Equipo: nombre a las personas que hicieron el plan."


def mixes() -> Iterator[mixing.Mix]:
    """Thin, thick, dry, with crystals, of other solutes, and those of which something is not known."""
    sugar = Stated(
        water=0.1, water_uncertainty=0.05, dissolved=((SUCROSE, 99.9),), undissolved={}, glass=False
    )
    glassy, water = replace(sugar, glass=True), replace(sugar, water=99.9, dissolved=((SUCROSE, 0.1),))
    honey = replace(sugar, dissolved=((Solute("Honig", "sugar", None), 99.9),))
    salt = replace(sugar, dissolved=((Solute("Salz", "salt", 58.4), 99.9),))
    grained = replace(sugar, dissolved=((SUCROSE, 49.9),), undissolved={"sucrose crystals": 50.0})
    to = CookedTo(moisture=Decimal(5), total=None, uncertainty=Decimal(1))
    for stated in (sugar, glassy, honey, salt, grained):
        for share in (0.1, 0.5, 0.65, 0.69, 0.9):
            parts = [("Zucker", share, stated), ("Wasser", 1 - share, water)]
            yield mixing.mixed([mixing.Ingredient(*part) for part in parts], to if share == 0.9 else None)
    yield mixing.mixed([], None)
    yield mixing.mixed([mixing.Ingredient("A", 1.0, None), mixing.Ingredient("B", None, sugar)], None)
    yield mixing.mixed([mixing.Ingredient("Zucker", 1.0, sugar)], to)
    by_mass = CookedTo(moisture=None, total=Decimal(1), uncertainty=Decimal(0))
    yield mixing.mixed([mixing.Ingredient("Zucker", 1.0, sugar)], by_mass, caramelised=True)


def measured_as(quantity: str, value: float, **how: Any) -> predictions.Measured:
    unit = "P1" if quantity == "moisture" else "C62"
    blank: dict[str, Any] = {"uncertainty": None, "method": "", "sample_temperature": "", "below": False}
    at = datetime(2026, 3, 2, 8, tzinfo=UTC)
    return predictions.Measured(
        check=uuid4(),
        at=at,
        quantity=quantity,
        entered=str(value),
        unit=unit,
        value=value,
        **(blank | how),
    )


def test_what_models_say_of_a_mix_and_of_what_was_measured_is_told_in_spanish() -> None:
    found = [
        measured_as("water activity", 0.99, method="Taupunkt", sample_temperature="21 CEL"),
        measured_as("water activity", 0.2, uncertainty=0.01),
        measured_as("moisture", 34.9),
    ]
    told: set[str] = set()
    for mix in mixes():
        answers = [each for each in (mix.moisture, mix.band, *mix.models) if isinstance(each, NotComputed)]
        told |= {in_spanish(each.sentence) for each in answers} | set(map(in_spanish, mix.notes))
        told |= {in_spanish(each.sentence) for each in predictions.gaps(mix, found)}
    assert len(told) > 40
    assert {each for each in told if OF_ENGLISH.search(each)} == set()


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


def written() -> str:
    """All that the house has entered, as one text."""
    found = [
        (ROOT / "reports/requirements/requirements.yaml").read_text()
    ]  # laws are cited as they are called
    for model in apps.get_models():
        if model._meta.app_label in {"ledger", "batches", "haccp"}:
            names = [each.attname for each in model._meta.concrete_fields]
            found += [
                json.dumps(row, default=str, ensure_ascii=False) for row in model._base_manager.values(*names)
            ]
    return " ".join(" ".join(found).replace("\\n", " ").split())


def page_of(job: DocumentJob) -> str:
    if job.kind == "inspection-file":
        front, _, _ = inspection_file._read(job, jobs.built)
        return rendering.to_html(front, for_paper=False)
    return rendering.to_html(jobs.read(job)[0], for_paper=False)


@pytest.mark.django_db
@pytest.mark.parametrize("kind", sorted(QUESTIONS))
def test_a_spanish_document_has_no_english_sentence_but_what_somebody_wrote(scene: Scene, kind: str) -> None:
    """Common words of English (from memory) give sentences away; what stands in a record or an address book is data."""
    here = Establishment.objects.get(pk=HOUSE)
    lead = Person.objects.get(sign_in_name="mara")
    asked = QUESTIONS[kind](scene, here)
    page = page_of(jobs.ask(establishment=here, asked_by=lead, kind=kind, language="es", **asked))
    assert '<html lang="es"' in page
    data = written()
    english = {
        each for each in chunks(page) if OF_ENGLISH.search(each) and " ".join(each.split()) not in data
    }
    assert {each for each in english if not _put_together(each, data)} == set()


def _put_together(chunk: str, data: str) -> bool:
    """Whether each piece of it was written by somebody: a name after a code, a list, what stands beside a Spanish word."""
    pieces = re.split(r"[:;,(),·–\u2192□]| - ", chunk)
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
