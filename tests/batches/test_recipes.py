"""Recipes: a draft that may be wrong, every reason at once, approved versions that never change."""

import copy
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches import recipe_documents, recipes
from batches.models import Dimension, Material, RecipeLine, RecipeVersion
from batches.recipes import Target
from config.api.refusals import ChangedMeanwhile, NotAllowed, OtherContent, RuleBroken, Unknown, Unusable
from ledger.ids import uuid7
from ledger.models import Signature
from ledger.signatures import Proof
from tests.batches.conftest import HOUR
from tests.conftest import NOON

SUGAR_LINE = {"material": "SUG", "quantity": "1", "unit": "KGM", "tolerance_permille": "10"}
PLAIN = {"batch_size": {"quantity": "1", "unit": "KGM"}, "lines": [SUGAR_LINE]}


def reasons_of(document):
    found = recipe_documents.read(document)
    assert isinstance(found, list)
    return [(reason.code, reason.field) for reason in found]


# -- the document -----------------------------------------------------------------------------------


def test_a_document_is_read_as_values():
    found = recipe_documents.read(
        PLAIN | {"steps": [{"code": "COOK", "name": "Cook", "minutes": "25"}], "notes": "Mind the steam."}
    )
    assert (found.batch_size.base, found.lines[0].amount.base, found.lines[0].tolerance.permille) == (
        1_000_000,
        1_000_000,
        10,
    )
    assert found.steps == (recipe_documents.Step("COOK", "Cook", "", 25),)


def test_what_it_is_cooked_to_is_a_moisture_or_a_mass_each_with_its_uncertainty():
    moisture = {"cooked_to": {"moisture": "4.5", "moisture_uncertainty": "0.5"}}
    total = {"quantity": "0.9", "unit": "KGM"}
    mass = {"cooked_to": {"total": total, "total_uncertainty": {"quantity": "5", "unit": "GRM"}}}
    found = [recipe_documents.read(PLAIN | each).cooked_to for each in (moisture, mass)]
    assert found == [
        recipe_documents.CookedTo(Decimal("4.5"), None, Decimal("0.5")),
        recipe_documents.CookedTo(None, Decimal(900_000), Decimal(5_000)),
    ]


def test_a_recipe_need_not_say_what_it_is_cooked_to():
    assert recipe_documents.read(PLAIN).cooked_to is None


@pytest.mark.parametrize(
    ("cooked_to", "code", "field"),
    [
        ("4.5", "missing", "cooked_to"),
        ({}, "missing", "cooked_to"),
        (
            {"moisture": "4", "moisture_uncertainty": "0", "total": {}},
            "missing",
            "cooked_to",
        ),
        ({"moisture": "4"}, "not-text", "cooked_to.moisture_uncertainty"),
        ({"moisture": "-4", "moisture_uncertainty": "0"}, "negative", "cooked_to.moisture"),
        ({"moisture": "NaN", "moisture_uncertainty": "0"}, "not-a-number", "cooked_to.moisture"),
        ({"moisture": "99", "moisture_uncertainty": "1"}, "out-of-range", "cooked_to.moisture"),
        ({"moisture": "4", "moisture_uncertainty": "0", "colour": "x"}, "unknown-name", "cooked_to.colour"),
        (
            {"total": {"quantity": "1", "unit": "KGM"}},
            "missing",
            "cooked_to.total_uncertainty",
        ),
        (
            {
                "total": {"quantity": "9", "unit": "H87"},
                "total_uncertainty": {"quantity": "0", "unit": "KGM"},
            },
            "other-dimension",
            "cooked_to.total.unit",
        ),
    ],
)
def test_a_cook_that_cannot_be_read_is_named(cooked_to, code, field):
    assert (code, field) in reasons_of(PLAIN | {"cooked_to": cooked_to})


def test_lines_without_a_position_are_numbered_in_their_order():
    found = recipe_documents.read(PLAIN | {"lines": [SUGAR_LINE, SUGAR_LINE]})
    assert [line.position for line in found.lines] == [1, 2]


@pytest.mark.parametrize("document", [None, [], "recipe", {}])
def test_what_is_no_recipe_is_said_to_be_none(document):
    assert recipe_documents.read(document)


@pytest.mark.parametrize(
    ("change", "code", "field"),
    [
        ({"lines": []}, "missing", "lines"),
        ({"lines": "sugar"}, "missing", "lines"),
        ({"lines": [SUGAR_LINE] * 201}, "missing", "lines"),
        ({"lines": ["sugar"]}, "shape", "lines.0"),
        ({"lines": [SUGAR_LINE | {"position": "0"}]}, "not-a-whole-number", "lines.0.position"),
        ({"lines": [SUGAR_LINE | {"position": "1000"}]}, "not-a-whole-number", "lines.0.position"),
        ({"lines": [SUGAR_LINE | {"position": "\u0661"}]}, "not-a-whole-number", "lines.0.position"),
        ({"lines": [SUGAR_LINE | {"material": ""}]}, "missing", "lines.0.material"),
        ({"lines": [SUGAR_LINE | {"quantity": "-1"}]}, "negative", "lines.0.quantity"),
        ({"lines": [SUGAR_LINE | {"quantity": "0"}]}, "not-positive", "lines.0.quantity"),
        ({"lines": [SUGAR_LINE | {"quantity": "NaN"}]}, "not-a-number", "lines.0.quantity"),
        ({"lines": [SUGAR_LINE | {"unit": "XXX"}]}, "unknown-unit", "lines.0.unit"),
        ({"lines": [SUGAR_LINE | {"unit": "LTR"}]}, "needs-density", "lines.0.unit"),
        (
            {"lines": [SUGAR_LINE | {"tolerance_permille": "1001"}]},
            "not-a-whole-number",
            "lines.0.tolerance_permille",
        ),
        ({"lines": [SUGAR_LINE | {"tolerance": {}}]}, "missing", "lines.0.tolerance_permille"),
        ({"lines": [SUGAR_LINE | {"tolerence": "1"}]}, "unknown-name", "lines.0.tolerence"),
        ({"lines": [SUGAR_LINE, SUGAR_LINE | {"position": "1"}]}, "doubled", "lines.1.position"),
        ({"batch_size": None}, "missing", "batch_size"),
        ({"batch_size": {"quantity": "1", "unit": "CEL"}}, "unknown-unit", "batch_size.unit"),
        ({"steps": "cook"}, "shape", "steps"),
        ({"steps": ["cook"]}, "shape", "steps.0"),
        ({"steps": [{"name": "Cook"}]}, "missing", "steps.0.code"),
        ({"steps": [{"code": "COOK"}]}, "missing", "steps.0.name"),
        ({"steps": [{"code": [], "name": "Cook"}]}, "missing", "steps.0.code"),
        ({"steps": [{"code": "C\n", "name": "Cook"}]}, "missing", "steps.0.code"),
        ({"steps": [{"code": "C", "name": "Cook", "minutes": "x"}]}, "not-a-whole-number", "steps.0.minutes"),
        ({"steps": [{"code": "C", "name": "A"}, {"code": "C", "name": "B"}]}, "doubled", "steps.1.code"),
        ({"steps": [{"code": "C", "name": "A", "oven": "1"}]}, "unknown-name", "steps.0.oven"),
        ({"notes": "x" * 10_001}, "shape", "notes"),
        ({"colour": "amber"}, "unknown-name", "colour"),
    ],
)
def test_what_is_wrong_with_a_document_is_named(change, code, field):
    assert reasons_of(PLAIN | change) == [(code, field)]


def test_a_fixed_tolerance_measures_what_its_line_measures():
    line = {"material": "SUG", "quantity": "1", "unit": "KGM", "tolerance": {"quantity": "1", "unit": "H87"}}
    assert reasons_of(PLAIN | {"lines": [line]}) == [("other-dimension", "lines.0.tolerance.unit")]


def test_a_line_without_a_tolerance_is_asked_for_one():
    line = {"material": "SUG", "quantity": "1", "unit": "KGM"}
    assert reasons_of(PLAIN | {"lines": [line]}) == [("missing", "lines.0.tolerance_permille")]


def test_everything_that_is_wrong_is_said_at_once():
    document = {
        "batch_size": {"quantity": "much", "unit": "KGM"},
        "lines": [SUGAR_LINE | {"quantity": "-1"}, SUGAR_LINE | {"position": "1", "material": None}],
        "colour": "amber",
    }
    assert sorted(reasons_of(document)) == [
        ("doubled", "lines.1.position"),
        ("missing", "lines.1.material"),
        ("negative", "lines.0.quantity"),
        ("not-a-number", "batch_size.quantity"),
        ("unknown-name", "colour"),
    ]


@given(
    st.recursive(
        st.none() | st.booleans() | st.text(max_size=5) | st.sampled_from(["1", "KGM", "-1"]),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["batch_size", "lines", "steps", "quantity", "unit", "material", "position"]),
                inner,
            )
        ),
        max_leaves=20,
    )
)
def test_any_document_is_read_or_refused_in_words(document):
    found = recipe_documents.read(document)
    assert isinstance(found, recipe_documents.RecipeDocument) or all(reason.detail for reason in found)


# -- drafts -----------------------------------------------------------------------------------------


def test_a_draft_may_be_incomplete_and_says_what_is_missing(act, lead, pillows):
    recipe = recipes.draft(act=act(by=lead), code="R-1", name="Idea", material=pillows, document={})
    assert [gap.field for gap in recipes.gaps(recipe)] == ["batch_size", "lines"]


def test_numbers_in_a_draft_are_text(act, lead, pillows):
    document = {"batch_size": {"quantity": 1, "unit": "H87"}}
    with pytest.raises(Unusable) as refused:
        recipes.draft(act=act(by=lead), code="R-1", name="Idea", material=pillows, document=document)
    assert refused.value.reasons[0].field == "draft.batch_size.quantity"


def test_a_draft_has_an_end(act, lead, pillows):
    with pytest.raises(Unusable):
        recipes.draft(
            act=act(by=lead), code="R-1", name="Idea", material=pillows, document={"notes": "x" * 200_001}
        )


def test_another_establishments_product_is_not_found(act, lead, elsewhere):
    theirs = Material.objects.create(
        establishment=elsewhere, code="X", name="Theirs", short_name="X", kind="finished-product"
    )
    with pytest.raises(Unknown):
        recipes.draft(act=act(by=lead), code="R-1", name="Idea", material=theirs, document={})


def test_a_draft_names_a_material_by_code_or_by_id(pillow_recipe):
    assert recipes.gaps(pillow_recipe) == []


def test_a_material_that_is_not_here_or_not_in_use_or_measured_otherwise_is_a_gap(
    pillow_recipe, pillow_draft, act, lead, make_material, elsewhere
):
    make_material("Old syrup", code="OLD", in_use=False)
    theirs = make_material("Theirs", code="THEIRS", establishment=elsewhere)
    document = copy.deepcopy(pillow_draft)
    lines = document["lines"]
    lines[0]["material"], lines[1]["material"] = "NOPE", str(theirs.pk)
    lines[2] |= {"material": "OLD"}
    recipe = recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"draft": document})
    assert [(gap.code, gap.field) for gap in recipes.gaps(recipe)] == [
        ("unknown-material", "lines.0.material"),
        ("unknown-material", "lines.1.material"),
        ("material-not-in-use", "lines.2.material"),
        ("other-dimension", "lines.2.unit"),
    ]


def test_the_batch_size_measures_the_product(pillow_recipe, pillow_draft, act, lead):
    document = pillow_draft | {"batch_size": {"quantity": "12", "unit": "KGM"}}
    recipe = recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"draft": document})
    assert [(gap.code, gap.field) for gap in recipes.gaps(recipe)] == [("other-dimension", "batch_size.unit")]


# -- approval ---------------------------------------------------------------------------------------


def test_approval_keeps_the_document_its_lines_and_a_signature(approve, pillow_recipe, pillow_draft, lead):
    version = approve(pillow_recipe)
    assert (version.number, version.document) == (1, pillow_draft)
    rows = version.lines.values_list("position", "amount", "tolerance_permille", "tolerance_amount")
    assert list(rows) == [(1, 6_000_000, 10, None), (2, 6_400_000, None, 5_000), (3, 1000, 20, None)]
    signature = Signature.objects.get(target=version.pk)
    assert (signature.meaning, signature.target_digest, signature.performed_by) == (
        "approved",
        version.digest,
        lead,
    )


def test_the_digest_hides_the_quantities(approved):
    content = approved.content()
    assert set(content["document"]) == {"hidden"}
    assert "'6400'" not in str(content)  # as a value: a digest may hold these digits by chance


def test_a_newer_approval_supersedes(approve, approved, pillow_recipe, pillow_draft, act, lead):
    changed = pillow_draft | {"notes": "Stir longer."}
    recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"draft": changed})
    second = approve(pillow_recipe, act(by=lead))
    assert (second.number, recipes.latest_version(pillow_recipe)) == (2, second)


def test_an_unchanged_draft_is_not_approved_again(approve, approved, pillow_recipe, act, lead):
    with pytest.raises(RuleBroken) as refusal:
        approve(pillow_recipe, act(by=lead))
    (reason,) = refusal.value.reasons
    assert (reason.code, reason.field, reason.ids) == ("unchanged", "draft", [str(approved.pk)])
    assert RecipeVersion.objects.count() == 1


def test_an_earlier_draft_may_be_approved_anew(approve, approved, pillow_recipe, pillow_draft, act, lead):
    for draft in (pillow_draft | {"notes": "Stir longer."}, pillow_draft):
        recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"draft": draft})
        newest = approve(pillow_recipe, act(by=lead))
    assert newest.number == 3


def test_a_change_of_the_draft_leaves_the_approved_version_as_it_was(approved, pillow_recipe, act, lead):
    recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"draft": {}})
    again = RecipeVersion.objects.get(pk=approved.pk)
    assert recipes.document_of(again).batch_size.base == 1000


def test_an_approval_sent_again_is_the_same_even_after_the_draft_moved_on(approve, pillow_recipe, act, lead):
    said = act(by=lead, id=uuid7())
    first = approve(pillow_recipe, said, expected_version=1)
    recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"draft": {}})
    again = approve(pillow_recipe, said, expected_version=1)
    assert (again.pk, again.repeated, RecipeVersion.objects.count()) == (first.pk, True, 1)


def test_the_same_id_at_another_time_is_another_approval_and_refused(approve, pillow_recipe, act, lead):
    key = uuid7()
    approve(pillow_recipe, act(by=lead, id=key))
    with pytest.raises(OtherContent):
        approve(pillow_recipe, act(by=lead, id=key, at=NOON + HOUR))


def test_a_recipe_with_gaps_is_not_approved_and_every_gap_is_a_reason(
    approve, pillow_recipe, pillow_draft, act, lead
):
    document = pillow_draft | {"lines": [], "batch_size": {}}
    recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"draft": document, "in_use": False})
    with pytest.raises(RuleBroken) as refused:
        approve(pillow_recipe)
    assert [reason.field for reason in refused.value.reasons] == ["batch_size.quantity", "lines", "recipe"]
    assert not RecipeVersion.objects.exists()


def test_a_draft_that_changed_since_it_was_read_is_not_approved(approve, pillow_recipe, act, lead):
    recipes.redraft(act=act(by=lead), recipe=pillow_recipe, values={"name": "Pillows"})
    with pytest.raises(ChangedMeanwhile):
        approve(pillow_recipe, expected_version=1)
    assert not RecipeVersion.objects.exists()


def test_only_a_food_safety_lead_approves(approve, pillow_recipe, act, operator):
    with pytest.raises(NotAllowed):
        approve(pillow_recipe, act(), proof=Proof(operator))


def test_nobody_approves_with_another_persons_password(approve, pillow_recipe, operator):
    with pytest.raises(RuleBroken) as refused:
        approve(pillow_recipe, proof=Proof(operator))
    assert refused.value.code == "signs-for-another"
    assert not RecipeVersion.objects.exists()
    assert not RecipeLine.objects.exists()


# -- scaling ----------------------------------------------------------------------------------------


def amounts(targets: list[Target]) -> list[int]:
    return [target.amount for target in targets]


def test_a_batch_of_the_recipes_own_size_asks_for_the_lines_as_they_are(approved):
    assert amounts(recipes.targets(approved, 1000)) == [6_000_000, 6_400_000, 1000]


def test_a_third_of_a_batch_is_whole_milligrams_and_whole_wrappers(approved):
    # by hand: 333/1000 of 6 kg, 6.4 kg and 1000 pieces
    assert amounts(recipes.targets(approved, 333)) == [1_998_000, 2_131_200, 333]


@given(
    rows=st.lists(
        st.tuples(st.sampled_from(Dimension.values), st.integers(1, 10**10)), min_size=1, max_size=8
    ),
    planned=st.integers(1, 10**7),
)
def test_lines_of_a_dimension_add_up_to_their_exact_share_of_the_batch(rows, planned):
    """Together less than half a step from the exact sum, each less than one step from its own."""
    size = 1000
    found = recipes.scaled(rows, planned, size)
    for wanted in Dimension.values:
        exact = Fraction(sum(amount for dimension, amount in rows if dimension == wanted) * planned, size)
        given_out = sum(each for each, (dimension, _) in zip(found, rows, strict=True) if dimension == wanted)
        assert abs(given_out - exact) <= Fraction(1, 2)
    for each, (_, amount) in zip(found, rows, strict=True):
        assert abs(each - Fraction(amount * planned, size)) < 1
