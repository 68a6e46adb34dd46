"""Three products on one table, their hazard plan, local rules and instruments, for tests about what must hold."""

import io
import itertools
from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from batches import receiving, recipes, runs, using
from batches.models import Batch, Equipment, Lot, Material, Part, RecipeVersion, TradingPartner
from haccp import checks, deviations, dues, gates, instruments, plans, rules, series
from haccp.models import (
    Check,
    ControlPoint,
    Deviation,
    Instrument,
    LocalRule,
    Plan,
    PlanVersion,
    Question,
    Series,
)
from haccp.plan_documents import starter_plan
from ledger import signatures
from ledger.acts import Act
from ledger.models import Establishment, Person
from tests.conftest import NOON

TEAM = [{"person": "Ines Lead", "role": "food-safety lead", "competence": "course of 2025, own kitchen"}]
CONFIRMED = {"confirmed_by": "Ines Lead", "confirmed_on": "2026-03-02", "how": "walked it during a batch"}
PRODUCTS = {"HZP": "Layered hazelnut pillows", "SBC": "Salted butter caramels", "LMD": "Plain lemon drops"}
_numbers = itertools.count(1)


@pytest.fixture
def products(establishment: Establishment) -> dict[str, Material]:
    """What the plan covers, by code."""
    return {
        code: Material.objects.create(
            establishment=establishment, code=code, name=name, short_name=code, kind="finished-product"
        )
        for code, name in PRODUCTS.items()
    }


@pytest.fixture
def document() -> dict[str, Any]:
    """A plan without gaps; its control point CP-AW-2 wants the caramel's water activity at 0.65 or less."""
    return starter_plan("three_products_one_table") | {"team": TEAM, "flow_confirmation": CONFIRMED}


@pytest.fixture
def proof(lead: Person) -> signatures.Proof:
    """That the lead gave their password just now."""
    return signatures.Proof(lead)


@pytest.fixture
def plan(
    act: Callable[..., Act], lead: Person, products: dict[str, Material], document: dict[str, Any]
) -> Plan:
    """A draft that can be approved."""
    return plans.draft(act=act(lead), code="HP-1", name="Three products", document=document)


@pytest.fixture
def plan_version(act: Callable[..., Act], lead: Person, plan: Plan, proof: signatures.Proof) -> PlanVersion:
    return plans.approve(act=act(lead), plan=plan, proof=proof)


@pytest.fixture
def make_rule(act: Callable[..., Act], lead: Person) -> Callable[..., LocalRule]:
    """A rule that water activity is 0.62 or less, from 2026 on, not confirmed yet."""

    def make(**values: Any) -> LocalRule:
        usual = {
            "code": f"LR-{next(_numbers)}",
            "name": "Water activity",
            "quantity": "water activity",
            "unit": "C62",
            "upper": Decimal("0.62"),
            "authority": "Town food office",
            "citation": "Letter of 5 January 2026",
            "in_force_from": date(2026, 1, 1),
        }
        return rules.make(act=act(lead), values=usual | values)

    return make


@pytest.fixture
def confirmed_rule(
    act: Callable[..., Act], lead: Person, proof: signatures.Proof, make_rule: Callable[..., LocalRule]
) -> Callable[..., LocalRule]:
    """The same, confirmed by the lead."""

    def make(**values: Any) -> LocalRule:
        return rules.confirm(act=act(lead), rule=make_rule(**values), proof=proof)

    return make


@pytest.fixture
def make_instrument(act: Callable[..., Act], lead: Person) -> Callable[..., Instrument]:
    def make(**values: Any) -> Instrument:
        usual = {
            "code": f"I-{next(_numbers)}",
            "name": "Probe",
            "kind": "thermometer",
            "unit": "CEL",
            "range_lower": Decimal("-20"),
            "range_upper": Decimal("200"),
            "resolution": Decimal("0.1"),
            "expanded_uncertainty": Decimal("0.9"),
        }
        return instruments.make(act=act(lead), values=usual | values)

    return make


@pytest.fixture
def thermometer(make_instrument: Callable[..., Instrument]) -> Instrument:
    """A probe from -20 to 200 degrees Celsius, known to 0.9 (U, k = 2)."""
    return make_instrument()


# -- a batch of caramels under the plan ---------------------------------------------------------------

MORNING = NOON - timedelta(hours=4)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


@pytest.fixture
def sugar(establishment: Establishment) -> Material:
    return Material.objects.create(
        establishment=establishment, code="SUG", name="Sugar", short_name="SUG", kind="ingredient"
    )


@pytest.fixture
def kettle(establishment: Establishment) -> Equipment:
    return Equipment.objects.create(establishment=establishment, code="K-1", name="Kettle", kind="kettle")


@pytest.fixture
def caramel_recipe(
    act: Callable[..., Act], lead: Person, products: dict[str, Material], sugar: Material
) -> RecipeVersion:
    document = {
        "batch_size": {"quantity": "6", "unit": "KGM"},
        "lines": [{"material": "SUG", "quantity": "6", "unit": "KGM", "tolerance_permille": "10"}],
    }
    recipe = recipes.draft(
        act=act(lead), code="R-SBC", name="Caramels", material=products["SBC"], document=document
    )
    return recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))


@pytest.fixture
def begin(
    act: Callable[..., Act], caramel_recipe: RecipeVersion, plan_version: PlanVersion
) -> Callable[..., Batch]:
    """Six kilograms of caramels begin through the gate at eight, unless said otherwise."""

    def do(at: datetime = MORNING, **values: Any) -> Batch:
        usual = {"recipe_version": caramel_recipe, "quantity": "6", "unit": "KGM"}
        return gates.start_batch(act=act(at=at), **(usual | values)).batch

    return do


@pytest.fixture
def batch(begin: Callable[..., Batch]) -> Batch:
    return begin()


@pytest.fixture
def end(act: Callable[..., Act]) -> Callable[..., None]:
    def do(batch: Batch, at: datetime = NOON) -> None:
        runs.end(act=act(at=at), batch=batch)
        batch.state.refresh_from_db()

    return do


@pytest.fixture
def open_part(act: Callable[..., Act]) -> Callable[..., Part]:
    def do(batch: Batch, number: int, at: datetime = MORNING) -> Part:
        return runs.open_part(act=act(at=at), batch=batch, number=number, name=f"Slab {number}")

    return do


@pytest.fixture
def make_lot(act: Callable[..., Act], products: dict[str, Material]) -> Callable[..., Lot]:
    """A kilogram of caramels came out of a batch at eleven."""

    def do(batch: Batch, at: datetime = NOON - HOUR, **values: Any) -> Lot:
        usual = {"material": products["SBC"], "quantity": "1", "unit": "KGM"}
        return using.make(act=act(at=at), batch=batch, **(usual | values)).lot

    return do


@pytest.fixture
def supplier(establishment: Establishment) -> TradingPartner:
    return TradingPartner.objects.create(
        establishment=establishment, code="SUP", name="Mill North", is_supplier=True
    )


@pytest.fixture
def receive(act: Callable[..., Act], sugar: Material, supplier: TradingPartner) -> Callable[..., Lot]:
    """Twenty kilograms of sugar came at seven."""

    def do(at: datetime = MORNING - HOUR, **values: Any) -> Lot:
        usual = {"material": sugar, "supplier": supplier, "quantity": "20", "unit": "KGM"}
        return receiving.receive(act=act(at=at), **(usual | values)).lot

    return do


@pytest.fixture
def accept(act: Callable[..., Act], lead: Person) -> Callable[..., Lot]:
    """The lead accepts a lot that was received, whose certificates were read, or releases one that was made."""

    def do(lot: Lot, at: datetime = MORNING - HOUR) -> Lot:
        for due in dues.of_receipt(lot):
            asked = [
                {"quantity": each["quantity"], "outcome": each["accepted"][0]} for each in due.spec.limits
            ]
            checks.record(act=act(at=at), subject=checks.Subject(due.control_point, lot=lot), said=asked)
        gates.release(act=act(lead, at=at), lot=lot, proof=signatures.Proof(lead))
        return lot

    return do


@pytest.fixture
def use(act: Callable[..., Act]) -> Callable[..., None]:
    def do(lot: Lot, batch: Batch, at: datetime = MORNING + HOUR, **values: Any) -> None:
        using.use(act=act(at=at), lot=lot, batch=batch, **({"quantity": "2", "unit": "KGM"} | values))

    return do


@pytest.fixture
def meter(make_instrument: Callable[..., Instrument]) -> Instrument:
    """A water activity meter from 0.1 to 1, known to 0.01 (U, k = 2)."""
    return make_instrument(
        kind="water activity meter",
        unit="C62",
        range_lower=Decimal("0.1"),
        range_upper=Decimal(1),
        resolution=Decimal("0.001"),
        expanded_uncertainty=Decimal("0.01"),
    )


@pytest.fixture
def point(plan_version: PlanVersion) -> Callable[[str], ControlPoint]:
    def find(code: str) -> ControlPoint:
        return ControlPoint.objects.get(version=plan_version, code=code)

    return find


SAMPLE = {"sample_temperature": "21", "sample_temperature_unit": "CEL"}


def water(value: str, **more: str) -> list[dict[str, str]]:
    return [{"quantity": "water activity", "value": value, "unit": "C62", **SAMPLE, **more}]


def seen(control_point: ControlPoint, good: bool = True) -> list[dict[str, str]]:
    """As each limit asks, or not: what is looked at, and what is counted out and in."""
    return [_seen(limit, good) for limit in control_point.document["limits"]]


def _seen(limit: dict[str, Any], good: bool) -> dict[str, str]:
    if limit["kind"] == "count":
        return {"quantity": limit["quantity"], "counted_out": "9", "counted_in": "9" if good else "8"}
    bad = next(each for each in limit["outcomes"] if each not in limit["accepted"])
    return {"quantity": limit["quantity"], "outcome": limit["accepted"][0] if good else bad}


@pytest.fixture
def measure(
    act: Callable[..., Act], point: Callable[[str], ControlPoint], meter: Instrument
) -> Callable[..., Check]:
    """The water activity of a batch of caramels (CP-AW-2, 0.65 or less), read at noon."""

    def do(batch: Batch, value: str = "0.52", said_act: Act | None = None, **values: Any) -> Check:
        subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter, **values)
        return checks.record(act=said_act or act(), subject=subject, said=water(value))

    return do


@pytest.fixture
def look(act: Callable[..., Act], point: Callable[[str], ControlPoint]) -> Callable[..., Check]:
    """An observation at a control point on a batch: as the plan asks, or not."""

    def do(
        batch: Batch, code: str = "CP-METAL-1", good: bool = True, said_act: Act | None = None, **values: Any
    ) -> Check:
        found = point(code)
        subject = checks.Subject(found, batch=batch, **values)
        return checks.record(act=said_act or act(), subject=subject, said=seen(found, good))

    return do


@pytest.fixture
def check_all(
    act: Callable[..., Act], look: Callable[..., Check], measure: Callable[..., Check]
) -> Callable[..., None]:
    """Every check that a batch of caramels from eight to nine asks for, within limits and in time."""

    def do(batch: Batch, water_activity: str = "0.52") -> None:
        begun, ended = batch.state.started_at, batch.state.ended_at
        for code in ("CP-WEIGH-1", "CP-CLEAN-1"):
            look(batch, code, said_act=act(at=_local(begun + MINUTE)), occasion="start")
        for code in ("CP-BLADE-1", "CP-METAL-1", "CP-LABEL-1"):
            look(batch, code, said_act=act(at=_local(begun + MINUTE)), occasion="start")
            look(batch, code, said_act=act(at=_local(ended - MINUTE)), occasion="end")
        measure(batch, water_activity, said_act=act(at=_local(ended + MINUTE)))

    return do


def _local(at: datetime) -> datetime:
    return at.astimezone(NOON.tzinfo)


@pytest.fixture
def settle(act: Callable[..., Act], lead: Person) -> Callable[..., None]:
    """Answer, decide and close a deviation: what it holds may be released, unless said otherwise."""

    def do(deviation: Deviation, decision: str = "release") -> None:
        for question in Question.values:
            deviations.answer(act=act(lead), deviation=deviation, question=question, text="Found and mended.")
        for lot in Lot.objects.filter(uid__in=deviations.held_under(deviation)):
            deviations.dispose(
                act=act(lead), deviation=deviation, lot=lot, decision=decision, because="Measured again."
            )
        deviations.close(act=act(lead), deviation=deviation, proof=signatures.Proof(lead))

    return do


@pytest.fixture
def nuts(establishment: Establishment) -> Material:
    """A material the plan's control by the supplier names."""
    return Material.objects.create(
        establishment=establishment, code="NUT", name="Roasted hazelnuts", short_name="NUT", kind="ingredient"
    )


@pytest.fixture
def receipt_document(document: dict[str, Any]) -> dict[str, Any]:
    """Whoever takes sugar in looks at the bags (a point of our own, per receipt)."""
    limit = {"kind": "observation", "quantity": "bags", "accepted": ["whole"], "outcomes": ["whole", "torn"]}
    point = next(each for each in document["control_points"] if each["code"] == "CP-NUT-1")
    point["limits"] = [limit | {"source": {"provenance": "site"}}]
    point["monitoring"] = {
        "what": "Bags",
        "how": "Look at each.",
        "who": "who receives",
        "when": {"per": "receipt", "within_minutes": "60", "source": {"provenance": "site"}},
    }
    point["materials"] = ["NUT"]
    return document


# -- a logger's series ----------------------------------------------------------------------------------

KETTLE = "seconds,value\n0,60.0\n60,61.50\n120,62\n"
Store = Callable[..., Series]


@pytest.fixture
def store(act: Callable[..., Act]) -> Store:
    def do(content: str = KETTLE, said: Act | None = None, **values: Any) -> Series:
        file = io.BytesIO(content.encode())
        return series.store(act=said or act(), file=file, **({"unit": "CEL"} | values))

    return do


DIPPED = "seconds,value\n0,62\n60,60\n120,64\n"  # below 61 for half a minute and a quarter


@pytest.fixture
def cooked(document: dict[str, Any]) -> None:
    """CP-AW-2 asks for a minute or less below 61 instead (a limit of this test only)."""
    point = next(each for each in document["control_points"] if each["code"] == "CP-AW-2")
    warm = {
        "kind": "time_at_temperature",
        "quantity": "core",
        "unit": "MIN",
        "temperature": "61",
        "temperature_unit": "CEL",
        "side": "at_or_below",
        "upper": "1",
        "longest_gap_minutes": "5",
    }
    point["limits"] = [warm | {"source": {"provenance": "site"}}]


@pytest.fixture
def check_series(
    cooked: None, act: Any, point: Any, batch: Batch, meter: Instrument
) -> Callable[[str], Check]:
    def do(named: str) -> Check:
        subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter)
        return checks.record(act=act(), subject=subject, said=[{"quantity": "core", "series": named}])

    return do
