"""The changeover table for the wall: asked for over HTTP, made by a worker, and what stands in it and on its sheets."""

import io
import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pikepdf
import pytest
from django.utils import timezone
from pdfminer.high_level import extract_pages, extract_text
from pdfminer.layout import LTChar, LTContainer

from batches import recipes
from batches.models import Equipment, Material, Recipe
from haccp.allergens import files, lists
from haccp.allergens.vocabulary import Vocabulary
from haccp.changeovers import matrix
from haccp.changeovers.matrix import Level
from haccp.models import CleaningProcedure
from ledger import signatures
from ledger.models import Person
from reports import changeover_table, jobs, rendering
from reports.changeover_table import ChangeoverTable, Square
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.allergens.conftest import *  # noqa: F403 - statements about materials
from tests.haccp.changeovers.conftest import *  # noqa: F403 - a table and its cleaning
from tests.haccp.changeovers.procedures import WET, dry
from tests.haccp.conftest import *  # noqa: F403 - products
from tests.haccp.conftest import MORNING

pytestmark = pytest.mark.django_db

BRINGS: tuple[tuple[str, ...], ...] = (
    ("hazelnut", "milk"),
    ("milk",),
    (),
    ("almond", "may-contain:hazelnut"),
    ("milk", "soybean"),
)
NAMES = (
    "Layered hazelnut pillows",
    "Salted caramels",
    "Lemon drops",
    "Almond brittle",
    "Milk chocolate bark",
)


@pytest.fixture
def make_products(
    act: Callable[..., Act],  # noqa: F405
    lead: Person,
    make_material: Callable[..., Material],
    state: Any,
    establishment: Any,
) -> Callable[..., list[Material]]:
    """So many products of one ingredient each; of every sixth nobody stated anything."""

    def do(count: int) -> list[Material]:
        members = lists.vocabulary(establishment).members
        made = []
        for at in range(count):
            name, brings = NAMES[at % 5] + (f" no. {at // 5 + 1}" if count > 5 else ""), BRINGS[at % 5]
            base = make_material(f"Base {at}", short_name=f"B{at:02}")
            if at % 6 != 5:
                said = {each.rpartition(":")[2] for each in brings}
                state(base, *brings, *(f"free-of:{code}" for code in sorted(members - said)))
            product = make_material(name, short_name=f"P{at:02}", kind="finished-product")
            size = {"quantity": "6", "unit": "KGM"}
            document = {
                "batch_size": size,
                "lines": [{"material": base.code, "tolerance_permille": "10", **size}],
            }
            recipe = recipes.draft(
                act=act(lead), code=f"R-{at}", name=name, material=product, document=document
            )
            recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))
            made.append(product)
        return made

    return do


@pytest.fixture
def procedures_of_the_house(approve: Any) -> None:
    approve(WET, "WASH-1")
    approve(dry(equipment_kinds=["mixer"]), "DRY-1")


@pytest.fixture
def ask(api: Any) -> Callable[..., ChangeoverTable]:
    """The document as a worker reads it."""

    def do(**said: Any) -> ChangeoverTable:
        body = {"kind": "changeover-table", **({"table": said} if said else {})}
        answer = api.send("documents", body)
        assert answer.status_code == 202, answer.json()
        document, _ = jobs.read(DocumentJob.objects.get(pk=answer.json()["id"]))
        assert isinstance(document, ChangeoverTable)
        return document

    return do


def squares(document: ChangeoverTable, table: int = 0) -> dict[tuple[str, str], Square]:
    return {
        (row.code, head.code): square
        for part in document.tables[table].parts
        for row in part.rows
        for head, square in zip(part.heads, row.squares, strict=True)
    }


# -- what stands in it ------------------------------------------------------------------------------------


def test_it_says_what_the_matrix_says(
    make_products: Any, procedures_of_the_house: None, ask: Any, establishment: Any
) -> None:
    made = make_products(7)
    document = ask()
    found = matrix.of_day(establishment, document.on)
    code = {each.pk: each.code for each in made}
    shown = squares(document)
    assert len(shown) == 49
    for cell in found.cells:
        square = shown[code[cell.before], code[cell.after]]
        assert square.level is cell.level
        assert square.clear == tuple(sorted(found.vocabulary.name(each) for each in cell.clear))
        assert len(square.unknown) == len(cell.unknown)
        assert [way.code for way in square.ways] == [each.procedure.code for each in cell.by]
    assert document.tables[0].mark == found.mark


def test_each_level_of_cleaning_is_told_apart(
    make_products: Any, procedures_of_the_house: None, ask: Any
) -> None:
    codes = [each.code for each in make_products(6)]
    shown = squares(ask())
    nuts, milk, drops, almond, _, unstated = codes
    assert shown[nuts, drops].level is Level.CLEAN
    assert [way.code for way in shown[nuts, drops].ways] == ["WASH-1"]
    assert shown[drops, milk].level is Level.NOTHING
    assert (shown[almond, drops].level, shown[almond, drops].none_clears) == (
        Level.NO_PROCEDURE,
        ("almond",),
    )
    assert (shown[unstated, drops].level, shown[unstated, drops].word) == (Level.UNKNOWN, "UNKNOWN")
    assert shown[milk, milk].same


def test_what_is_unknown_is_never_shown_as_nothing(
    make_products: Any, procedures_of_the_house: None, ask: Any
) -> None:
    make_products(6)
    document = ask()
    for square in squares(document).values():
        assert (square.level is Level.NOTHING) == (not square.clear and not square.unknown)
    page = rendering.to_html(document, for_paper=False)
    assert "Unknown is not absent" in page
    assert "see the list of" in page


def test_every_word_has_a_mark_and_what_it_asks_for(
    make_products: Any, procedures_of_the_house: None, ask: Any
) -> None:
    make_products(6)
    document = ask()
    assert {key.level for key in document.keys} == {each.level for each in squares(document).values()}
    assert all(key.mark and key.word and key.asks for key in document.keys)
    assert set(changeover_table._words()) == set(changeover_table._asks()) == set(Level)


def test_a_wide_table_is_cut_into_parts_with_every_row(make_products: Any, ask: Any) -> None:
    make_products(13)
    (table,) = ask().tables
    assert [len(part.heads) for part in table.parts] == [4, 4, 5]
    assert all(len(part.rows) == 13 for part in table.parts)


def test_equipment_gets_the_procedures_that_are_meant_for_it(
    make_products: Any, procedures_of_the_house: None, ask: Any, establishment: Any, table: Equipment
) -> None:
    make_products(2)
    mixer = Equipment.objects.create(establishment=establishment, code="MX-1", name="Mixer", kind="mixer")
    document = ask(equipment=[str(table.pk), str(mixer.pk)])
    assert [(each.kind, each.equipment) for each in document.tables] == [
        ("mixer", ("MX-1 Mixer",)),
        ("table", ("T-1 Table",)),
    ]
    assert [[way.code for way in each.means] for each in document.tables] == [["DRY-1"], ["WASH-1"]]


def test_it_says_the_day_the_lists_and_that_it_is_derived(make_products: Any, ask: Any) -> None:
    make_products(2)
    document = ask()
    page = rendering.to_html(document, for_paper=True)
    assert f"As of {document.on}." in page
    assert "print it anew" in page
    assert "No allergen list is confirmed for this establishment." in page
    assert "stand in" in page
    assert "Qualified people and your authority decide" in page
    assert "for the law of the place" in page


def test_lists_that_are_not_confirmed_are_named_as_such(
    make_products: Any, ask: Any, act: Any, lead: Person
) -> None:
    lists.bring_in(act=act(lead), said=files.shipped_list("eu"))
    make_products(2)
    document = ask()
    assert document.lists == "No allergen list is confirmed for this establishment."
    assert len(document.unconfirmed_rules) == 1


def test_the_procedures_and_their_approvals_go_along(
    make_products: Any, wet_version: Any, ask: Any, api: Any, lead: Person
) -> None:
    make_products(2)
    document = ask()
    (signature,) = document.signatures
    assert (signature.record, signature.signed) == (wet_version.pk, "cleaning procedure WET, version 1")
    assert wet_version.pk in document.record_ids


def test_a_changed_recipe_gives_another_mark_and_nothing_else_does(
    make_products: Any, ask: Any, api: Any, make_material: Any, state: Any
) -> None:
    made = make_products(3)
    before = ask().tables[0].mark
    assert ask().tables[0].mark == before
    assert api.ask("changeovers/matrix").json()["mark"] == before
    state(
        Material.objects.get(name="Base 2"), "egg", in_force_from=(timezone.now() - timedelta(days=1)).date()
    )
    assert ask().tables[0].mark != before
    assert ask(materials=[str(made[0].pk)]).tables[0].mark != before


def _new_allergen_name(at: Any) -> None:
    at.setattr(Vocabulary, "name", lambda self, code: f"{code} by another name")


@pytest.mark.parametrize("rename", [
    lambda _: Material.objects.filter(short_name="P00").update(name="Pillows of another name"),
    lambda _: Material.objects.filter(short_name="P00").update(code="P-0"),
    lambda _: CleaningProcedure.objects.filter(code="WET").update(name="Wash of another name"),
    lambda _: CleaningProcedure.objects.filter(code="WET").update(code="W-1"),
    _new_allergen_name,
], ids=["product name", "product code", "procedure name", "procedure code", "allergen name"])  # fmt: skip
def test_what_the_print_names_gives_another_mark_when_it_is_renamed(
    make_products: Any, wet_version: Any, ask: Any, rename: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_products(2)
    before = ask().tables[0].mark
    rename(monkeypatch)
    assert ask().tables[0].mark != before


def test_a_new_version_of_a_recipe_gives_another_mark(
    make_products: Any, ask: Any, act: Any, lead: Person
) -> None:
    make_products(2)
    before = ask().tables[0].mark
    recipe = Recipe.objects.get(code="R-0")
    document = {**recipe.draft, "batch_size": {"quantity": "7", "unit": "KGM"}}
    recipe = recipes.redraft(act=act(lead), recipe=recipe, values={"draft": document})
    recipes.approve(act=act(lead), recipe=recipe, proof=signatures.Proof(lead))
    assert ask().tables[0].mark != before


def test_its_data_are_whole_where_the_paper_counts(make_products: Any, ask: Any) -> None:
    make_products(6)
    document = ask()
    told = json.loads(rendering.to_json(document))
    unknown = told["tables"][0]["parts"][0]["rows"][5]["squares"][2]["unknown"]
    assert len(unknown) > changeover_table.NAMED
    assert f"unknown: {len(unknown)} allergens" in rendering.to_html(document, for_paper=True)


# -- what is refused --------------------------------------------------------------------------------------


def test_without_a_recipe_there_is_nothing_to_show(api: Any, products: Any) -> None:
    answer = api.send("documents", {"kind": "changeover-table"})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "table.materials")
    assert not DocumentJob.objects.exists()


def test_too_many_products_are_refused_at_once(
    make_products: Any, api: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_products(3)
    monkeypatch.setattr(changeover_table, "MOST", 2)
    monkeypatch.setattr(matrix, "cell", None)  # nothing is derived first
    answer = api.send("documents", {"kind": "changeover-table"})
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (400, "too-many")


def test_what_is_said_of_a_table_goes_with_no_other_kind(api: Any, make_products: Any) -> None:
    (product,) = make_products(1)
    wrong = {"kind": "sale-sign", "subject": str(product.pk), "table": {}}
    assert api.send("documents", wrong).status_code == 400
    unknown = {"kind": "changeover-table", "table": {"equipmnt": []}}
    assert api.send("documents", unknown).status_code == 400
    stranger = {"kind": "changeover-table", "table": {"equipment": [str(product.pk)]}}
    assert api.send("documents", stranger).status_code in (400, 404)


def test_many_tables_cost_no_more_statements_than_one(
    make_products: Any, establishment: Any, django_assert_max_num_queries: Any
) -> None:
    make_products(4)
    with django_assert_max_num_queries(10):
        matrix.by_kinds(establishment, timezone.now().date(), ["kettle", "mixer", "table"])


# -- on paper ---------------------------------------------------------------------------------------------


@pytest.mark.pdf
@pytest.mark.parametrize(("size", "wide"), [("a4", 841.89), ("letter", 792.0)])
def test_it_lies_and_repeats_its_heads_on_every_sheet(
    api: Any, make_products: Any, procedures_of_the_house: None, size: str, wide: float
) -> None:
    made = make_products(12)
    answer = api.send("documents", {"kind": "changeover-table", "page_size": size})
    job = DocumentJob.objects.get(pk=answer.json()["id"])
    jobs.make(job.pk)
    job.refresh_from_db()
    assert (job.state, job.problem) == ("done", "")
    with jobs.default_storage.open(jobs.path_of(job, "pdf")) as file:
        pdf = file.read()
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert {round(float(page.mediabox[2]), 2) for page in opened.pages} == {wide}
    pages = extract_text(io.BytesIO(pdf)).rstrip("\f").split("\f")
    of_table = [page for page in pages if "BEFORE" in page and "part" in page]
    assert len(of_table) > 2
    for page in of_table:
        first = "part 1 of 2" in page
        for product in made[:6] if first else made[6:]:
            assert product.code in page


@pytest.mark.pdf
@pytest.mark.parametrize(("count", "least"), [(2, 10.5), (6, 8.5)])
def test_squares_are_read_at_arms_length(
    ask: Any, make_products: Any, procedures_of_the_house: None, count: int, least: float
) -> None:
    """Which size that takes is common practice, no source; few products are set larger."""
    make_products(count)
    letters = [each for page in _pages(rendering.to_pdf(ask())) for each in _characters(page)]
    at = "".join(each.get_text()[0] for each in letters).rfind("becauseof")  # the first ones stand in the key
    assert at > 0
    assert all(each.size >= least for each in letters[at : at + 9])


def _pages(pdf: bytes) -> Any:
    return extract_pages(io.BytesIO(pdf))


def _characters(part: Any) -> Any:
    if isinstance(part, LTChar):
        if part.get_text().strip():
            yield part
    elif isinstance(part, LTContainer):
        for each in part:
            yield from _characters(each)
