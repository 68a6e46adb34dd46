"""Reference data: made, changed with a record of before and after, never removed."""

import pytest

from batches import reference
from batches.models import Area, Equipment, Material, Recipe, StoragePlace, TradingPartner
from config.api.refusals import ChangedMeanwhile, OtherContent, RuleBroken, Unknown, Unusable
from ledger.ids import uuid7
from ledger.models import Change

SUGAR = {"code": "SUG", "name": "Sugar", "kind": "ingredient", "short_name": "SUG"}
MILL = {"code": "NMN", "name": "Nut Mill North", "is_supplier": True}


@pytest.fixture
def make(act, lead):
    def do(kind, values, **said):
        return reference.make(act=act(by=lead, **said), kind=kind, values=values)

    return do


@pytest.fixture
def alter(act, lead):
    def do(row, expected_version=None, **values):
        return reference.alter(act=act(by=lead), row=row, values=values, expected_version=expected_version)

    return do


def test_making_a_row_is_recorded_with_what_it_said(make):
    row = make(Area, {"code": "A-1", "name": "Sugar kitchen"})
    change = Change.objects.get(subject_id=row.pk)
    assert (change.subject_kind, change.before, change.after["name"]) == ("batches.area", {}, "Sugar kitchen")


def test_a_change_is_recorded_with_before_and_after(make, alter):
    row = alter(make(Area, {"code": "A-1", "name": "Sugar kitchen"}), name="Kitchen", in_use=False)
    change = Change.objects.filter(subject_id=row.pk).latest("recorded_at")
    assert change.before == {"name": "Sugar kitchen", "in_use": True}
    assert change.after == {"name": "Kitchen", "in_use": False}
    assert row.version == 2


def test_making_again_with_the_same_act_answers_the_same_row(make):
    key = uuid7()
    first = make(Material, SUGAR, id=key)
    again = make(Material, SUGAR, id=key)
    assert (first.repeated, again.repeated, again.pk) == (False, True, key)
    assert Material.objects.count() == 1


def test_the_same_id_with_other_content_is_refused(make):
    key = uuid7()
    make(Material, SUGAR, id=key)
    with pytest.raises(OtherContent):
        make(Material, SUGAR | {"name": "Brown sugar"}, id=key)
    assert Material.objects.get().name == "Sugar"


def test_a_code_is_used_once_by_a_kind_here(make, elsewhere):
    Area.objects.create(establishment=elsewhere, code="A-1", name="Theirs")
    make(StoragePlace, {"code": "A-1", "name": "Shelf"})
    make(Area, {"code": "A-1", "name": "Kitchen"})
    with pytest.raises(RuleBroken) as refused:
        make(Area, {"code": "A-1", "name": "Yard"})
    assert refused.value.code == "code-taken"


def test_a_row_keeps_its_own_code_when_it_changes(make, alter):
    row = make(Area, {"code": "A-1", "name": "Kitchen"})
    assert alter(row, code="A-1", name="Yard").name == "Yard"


def test_a_code_that_another_row_took_is_not_taken_over(make, alter):
    make(Area, {"code": "A-1", "name": "Kitchen"})
    other = make(Area, {"code": "A-2", "name": "Yard"})
    with pytest.raises(RuleBroken, match="Kitchen"):
        alter(other, code="A-1")


def test_a_change_of_what_somebody_else_changed_meanwhile_is_refused(make, alter):
    row = make(Area, {"code": "A-1", "name": "Kitchen"})
    alter(row, expected_version=1, name="Yard")
    with pytest.raises(ChangedMeanwhile):
        alter(row, expected_version=1, name="Cellar")
    assert Area.objects.get().name == "Yard"


@pytest.mark.parametrize("name", ["area", "material"])
def test_a_reference_to_another_establishments_row_finds_nothing(make, elsewhere, name):
    kinds = {"area": (Equipment, Area), "material": (Recipe, Material)}
    kind, target = kinds[name]
    extra = {"short_name": "X", "kind": "ingredient"} if target is Material else {}
    theirs = target.objects.create(establishment=elsewhere, code="T", name="Theirs", **extra)
    with pytest.raises(Unknown) as refused:
        make(kind, {"code": "E-1", "name": "Kettle", name: theirs})
    assert refused.value.reasons[0].field == name


@pytest.mark.parametrize(
    ("kind", "values", "field"),
    [
        (Area, {"code": "A\x07", "name": "Kitchen"}, "code"),
        (Area, {"code": " ", "name": "Kitchen"}, "code"),
        (Area, {"code": "A-1", "name": "Kit\nchen"}, "name"),
        (Area, {"code": "A" * 21, "name": "Kitchen"}, "code"),
        (Equipment, {"code": "E", "name": "Kettle", "kind": ""}, "kind"),
        (Material, SUGAR | {"short_name": "sug"}, "short_name"),
        (Material, SUGAR | {"short_name": "SUGAR12"}, "short_name"),
        (Material, SUGAR | {"lot_code_pattern": "{short}"}, "lot_code_pattern"),
        (Material, SUGAR | {"gtin": "4006381333932"}, "gtin"),
        (Material, SUGAR | {"gtin": "2012345678903"}, "gtin"),
        (Material, SUGAR | {"kind": "toy"}, "kind"),
        (Material, SUGAR | {"dimension": "length"}, "dimension"),
        (TradingPartner, MILL | {"is_supplier": False}, "is_supplier"),
        (TradingPartner, MILL | {"gln": "4012345000008"}, "gln"),
    ],
)
def test_what_cannot_be_kept_is_refused_by_name(make, kind, values, field):
    with pytest.raises(Unusable) as refused:
        make(kind, values)
    assert refused.value.reasons[0].field == field
    assert not kind.objects.exists()
    assert not Change.objects.filter(subject_kind=kind._meta.label_lower).exists()


def test_a_gtin_13_is_kept_in_its_14_digits(make):
    # 4006381333931: check digit computed by the rule of the GS1 General Specifications (see test_gs1_keys)
    assert make(Material, SUGAR | {"gtin": "4006381333931"}).gtin == "04006381333931"


def test_a_partner_does_not_lose_its_last_part(make, alter):
    mill = make(TradingPartner, MILL)
    with pytest.raises(Unusable):
        alter(mill, is_supplier=False)
    assert alter(mill, is_supplier=False, is_customer=True).is_customer


@pytest.mark.parametrize("leaning", ["lot", "recipe", "line"])
def test_the_dimension_of_a_material_stays_once_something_is_measured_in_it(
    leaning, alter, receive, hazelnuts, pillows, pillow_recipe, approve
):
    if leaning == "lot":
        receive()
    if leaning == "line":
        approve(pillow_recipe)
    row, other = (pillows, "mass") if leaning == "recipe" else (hazelnuts, "count")
    with pytest.raises(RuleBroken) as refused:
        alter(row, dimension=other)
    assert (refused.value.code, refused.value.reasons[0].field) == ("has-lots", "dimension")


def test_the_dimension_of_a_material_without_either_may_change(alter, hazelnuts):
    assert alter(hazelnuts, dimension="count").dimension == "count"
