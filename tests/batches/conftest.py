"""Materials, partners, places, a recipe and running batches for tests about material."""

import itertools
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.db import transaction

from batches import lots, receiving, recipes, runs, using
from batches.models import (
    Batch,
    BatchEnd,
    BatchStart,
    BatchState,
    Equipment,
    Lot,
    Material,
    Movement,
    Recipe,
    RecipeLine,
    RecipeVersion,
    StoragePlace,
    TradingPartner,
)
from ledger import establishments
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Membership, Person
from ledger.signatures import Proof
from tests.conftest import NOON

_numbers = itertools.count(1)
HOUR = timedelta(hours=1)
MORNING = NOON - 4 * HOUR


@pytest.fixture
def make_material(establishment: Establishment) -> Callable[..., Material]:
    def make(name: str, **values: Any) -> Material:
        usual = {
            "establishment": establishment,
            "code": f"M{next(_numbers)}",
            "name": name,
            "short_name": name[:3].upper(),
            "kind": "ingredient",
        }
        return Material.objects.create(**(usual | values))

    return make


@pytest.fixture
def hazelnuts(make_material: Callable[..., Material]) -> Material:
    return make_material("Hazelnut paste", short_name="HAZ", shelf_life_days=180)


@pytest.fixture
def sugar(make_material: Callable[..., Material]) -> Material:
    return make_material("Sugar", short_name="SUG")


@pytest.fixture
def wrappers(make_material: Callable[..., Material]) -> Material:
    return make_material("Wrappers", short_name="WRA", kind="packaging", dimension="count")


@pytest.fixture
def pillows(make_material: Callable[..., Material]) -> Material:
    """Layered hazelnut pillows, kept by the piece of 12 g."""
    return make_material(
        "Hazelnut pillows",
        short_name="PIL",
        kind="finished-product",
        dimension="count",
        piece_mass_mg=12_000,
        shelf_life_days=90,
    )


@pytest.fixture
def make_partner(establishment: Establishment) -> Callable[..., TradingPartner]:
    def make(name: str, **parts: Any) -> TradingPartner:
        return TradingPartner.objects.create(
            establishment=establishment, code=f"P{next(_numbers)}", name=name, **parts
        )

    return make


@pytest.fixture
def supplier(make_partner: Callable[..., TradingPartner]) -> TradingPartner:
    return make_partner("Nut Mill North", is_supplier=True)


@pytest.fixture
def customer(make_partner: Callable[..., TradingPartner]) -> TradingPartner:
    return make_partner("Corner Shop South", is_customer=True)


@pytest.fixture
def make_place(establishment: Establishment) -> Callable[..., StoragePlace]:
    def make(name: str = "Shelf") -> StoragePlace:
        return StoragePlace.objects.create(establishment=establishment, code=f"S{next(_numbers)}", name=name)

    return make


@pytest.fixture
def recipe_version(
    act: Callable[..., Act], pillows: Material, hazelnuts: Material, sugar: Material, wrappers: Material
) -> RecipeVersion:
    """Pillows from hazelnut paste (line 1), sugar (2) and wrappers (3)."""
    recipe = Recipe.objects.create(
        establishment=pillows.establishment, code=f"R{next(_numbers)}", name="Pillows", material=pillows
    )
    lines = [
        {"material": material.code, "quantity": quantity, "unit": unit, "tolerance_permille": "10"}
        for material, quantity, unit in (
            (hazelnuts, "1", "GRM"),
            (sugar, "1", "GRM"),
            (wrappers, "1000", "H87"),
        )
    ]
    document = {"batch_size": {"quantity": "100", "unit": "H87"}, "lines": lines}
    version = RecipeVersion.new(act(), recipe=recipe, material=pillows, number=1, document=document).insert()
    for position, material in enumerate((hazelnuts, sugar, wrappers), start=1):
        RecipeLine.objects.create(
            version=version, position=position, material=material, amount=1000, tolerance_permille=10
        )
    return version


@pytest.fixture
def make_batch(act: Callable[..., Act], recipe_version: RecipeVersion) -> Callable[..., Batch]:
    """A batch started in the morning as its rows are, without the gate; ``ended_at`` ends it."""

    def make(started_at: datetime = MORNING, ended_at: datetime | None = None) -> Batch:
        with transaction.atomic():  # a batch and its birth name each other
            return start(started_at, ended_at)

    def start(started_at: datetime, ended_at: datetime | None) -> Batch:
        here, start_id, permission_id = recipe_version.establishment, uuid7(), uuid7()
        establishments.change_profile(  # any record will do as permission
            act=act(id=permission_id), values={"altitude_m": next(_numbers)}
        )
        batch = Batch.objects.create(
            uid=start_id,
            establishment=here,
            code=f"B-PIL-{next(_numbers)}",
            recipe_version=recipe_version,
            plan_version_id=recipe_version.pk,
            permission_id=permission_id,
            birth_id=start_id,
        )
        BatchStart.new(
            act(at=started_at, id=start_id),
            batch=batch,
            code=batch.code,
            recipe_version=recipe_version,
            permission=batch.permission,
            plan_version_id=recipe_version.pk,
            planned=1000,
            entered="1000 H87",
        ).insert()
        BatchState.objects.create(batch=batch, establishment=here, started_at=started_at, ended_at=ended_at)
        if ended_at:
            BatchEnd.new(act(at=ended_at), batch=batch).insert()
        return batch

    return make


@pytest.fixture
def batch(make_batch: Callable[..., Batch]) -> Batch:
    return make_batch()


@pytest.fixture
def receive(
    act: Callable[..., Act], hazelnuts: Material, supplier: TradingPartner
) -> Callable[..., Movement]:
    """Ten kilograms of hazelnut paste came in the morning, unless said otherwise."""

    def do(said_act: Act | None = None, **values: Any) -> Movement:
        usual = {"material": hazelnuts, "supplier": supplier, "quantity": "10", "unit": "KGM"}
        usual |= {"supplier_code": "N-77"}
        return receiving.receive(act=said_act or act(at=MORNING), **(usual | values))

    return do


@pytest.fixture
def release(act: Callable[..., Act]) -> Callable[..., None]:
    """Release lots as the gate would in the end."""

    def do(*given: Lot, status: str = "released", at: datetime = MORNING) -> None:
        because = Entry.objects.filter(establishment=given[0].establishment).latest("id")
        lots.decide(act=act(at=at), lots=given, status=status, because=because)

    return do


@pytest.fixture
def paste(receive: Callable[..., Movement], release: Callable[..., None]) -> Lot:
    """A released lot: ten kilograms of hazelnut paste."""
    lot = receive().lot
    release(lot)
    return lot


@pytest.fixture
def make_pillows(act: Callable[..., Act], pillows: Material) -> Callable[..., Movement]:
    """A hundred pillows came out of a batch, unless said otherwise."""

    def do(batch: Batch, said_act: Act | None = None, **values: Any) -> Movement:
        usual: dict[str, Any] = {"quantity": "100", "unit": "H87"}
        if "lot" not in values:
            usual["material"] = pillows
        if values.get("is_rework"):
            usual["rework_from"] = "trim"
        return using.make(act=said_act or act(), batch=batch, **(usual | values))

    return do


# -- an approved recipe, equipment, and batches begun on them ---------------------------------------


@pytest.fixture
def make_equipment(establishment: Establishment) -> Callable[..., Equipment]:
    def make(name: str = "Kettle", **values: Any) -> Equipment:
        usual = {"code": f"E{next(_numbers)}", "kind": name.lower()}
        return Equipment.objects.create(establishment=establishment, name=name, **(usual | values))

    return make


@pytest.fixture
def kettle(make_equipment: Callable[..., Equipment]) -> Equipment:
    return make_equipment("Kettle")


@pytest.fixture
def table(make_equipment: Callable[..., Equipment]) -> Equipment:
    return make_equipment("Table")


@pytest.fixture
def pillow_draft(hazelnuts: Material, sugar: Material, wrappers: Material) -> dict[str, Any]:
    """A thousand pillows of 12 g: 6 kg paste within 10 per mille, 6.4 kg sugar within 5 g, 1000 wrappers."""
    return {
        "batch_size": {"quantity": "1000", "unit": "H87"},
        "lines": [
            {"material": hazelnuts.code, "quantity": "6", "unit": "KGM", "tolerance_permille": "10"},
            {
                "material": str(sugar.pk),
                "quantity": "6400",
                "unit": "GRM",
                "tolerance": {"quantity": "5", "unit": "GRM"},
            },
            {"material": wrappers.code, "quantity": "1000", "unit": "H87", "tolerance_permille": "20"},
        ],
        "steps": [
            {"code": "COOK", "name": "Cook the sugar", "equipment_kind": "kettle", "minutes": "25"},
            {"code": "FOLD", "name": "Fold the layers", "equipment_kind": "table"},
        ],
        "notes": "Hot sugar sticks and burns.",
    }


@pytest.fixture
def pillow_recipe(
    act: Callable[..., Act], lead: Person, pillows: Material, pillow_draft: dict[str, Any]
) -> Recipe:
    """A draft that can be approved."""
    return recipes.draft(
        act=act(by=lead), code="R-PIL", name="Hazelnut pillows", material=pillows, document=pillow_draft
    )


@pytest.fixture
def approve(act: Callable[..., Act], lead: Person) -> Callable[..., RecipeVersion]:
    """The lead, who has been it for years, approves a recipe's draft with a password that was just given."""
    Membership.objects.filter(person=lead).update(from_day=date(2020, 1, 1))

    def do(recipe: Recipe, said_act: Act | None = None, **values: Any) -> RecipeVersion:
        usual = {"act": said_act or act(by=lead, at=MORNING), "proof": Proof(lead)}
        return recipes.approve(recipe=recipe, **(usual | values))

    return do


@pytest.fixture
def approved(approve: Callable[..., RecipeVersion], pillow_recipe: Recipe) -> RecipeVersion:
    return approve(pillow_recipe)


@pytest.fixture
def begin(act: Callable[..., Act], approved: RecipeVersion) -> Callable[..., BatchStart]:
    """A batch of a thousand pillows begins in the morning, as the gate lets it; its start record."""

    def do(said_act: Act | None = None, **values: Any) -> BatchStart:
        usual = {"recipe_version": approved, "quantity": "1000", "unit": "H87"}
        said, permission = said_act or act(at=MORNING), uuid7()
        establishments.change_profile(  # any record will do as permission
            act=act(id=permission), values={"altitude_m": next(_numbers)}
        )
        with transaction.atomic():
            record = runs.shape_start(act=said, **(usual | values))
            return runs.start(
                act=said,
                record=record,
                permission=Entry.objects.get(pk=permission),
                plan_version=Entry.objects.get(pk=approved.pk),
            )

    return do


@pytest.fixture
def begun(begin: Callable[..., BatchStart], kettle: Equipment) -> Batch:
    """A batch of a thousand pillows on the kettle, since the morning."""
    return begin(equipment=[kettle]).batch
