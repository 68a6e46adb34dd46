"""A release that falls: what was carried on from its equipment to further equipment is held where a label is wrong now."""

# ruff: noqa: F811 - fixtures of another file

from copy import deepcopy
from typing import Any

import pytest

from batches.models import Batch, Equipment, Lot, LotState, LotStatus, Material
from haccp import deviations
from haccp.changeovers import releasing
from haccp.labels import packing, versions
from haccp.models import Changeover, ChangeoverRelease, Deviation
from ledger import signatures
from ledger.models import Person
from tests.haccp.changeovers.conftest import BEGUN, FREED, HOUR, MINUTE
from tests.haccp.conftest import MORNING
from tests.haccp.labels.conftest import BEFORE, CARAMELS, COUNTS
from tests.haccp.labels.test_late_allergens import state  # noqa: F401

pytestmark = pytest.mark.django_db


@pytest.fixture
def labelled(act: Any, lead: Person, products: dict[str, Material], make_lot: Any) -> Any:
    """A released lot of a batch, under the caramels' label: milk contained, almond possible."""
    label = versions.draft(
        act=act(lead, at=BEFORE),
        code="L-1",
        name="Bag",
        material=products["SBC"],
        document=deepcopy(CARAMELS),
    )
    version = versions.approve(act=act(lead, at=BEFORE), label=label, proof=signatures.Proof(lead))

    def do(batch: Batch) -> Lot:
        lot: Lot = make_lot(batch, at=FREED + HOUR)
        packing.record(
            act=act(at=FREED + HOUR), batch=batch, label_version=version, moment="end", counts=COUNTS
        )
        LotState.objects.filter(lot=lot).update(status=LotStatus.RELEASED)
        return lot

    return do


@pytest.fixture
def after_nuts(
    state: Any,
    sugar: Material,
    nuts: Material,
    receive: Any,
    begin: Any,
    use: Any,
    end: Any,
    table: Equipment,
) -> None:
    """Hazelnuts were on the table until the changeover."""
    state(sugar)
    state(nuts, hazelnut="contains")
    batch = begin(equipment=[table])
    use(receive(material=nuts), batch, recipe_line=1, at=MORNING + HOUR)
    end(batch, at=BEGUN)


@pytest.fixture
def release(after_nuts: None, changed_over: Changeover, free: Any) -> ChangeoverRelease:
    found: ChangeoverRelease = free(changed_over)
    return found


@pytest.fixture
def run(receive: Any, begin: Any, use: Any, end: Any) -> Any:
    """A batch of sugar alone, for ten minutes from so many minutes after the release."""

    def do(minutes: int, *equipment: Equipment) -> Batch:
        at = FREED + minutes * MINUTE
        batch: Batch = begin(at=at, equipment=list(equipment))
        use(receive(), batch, at=at + MINUTE)
        end(batch, at=at + 10 * MINUTE)
        return batch

    return do


def take_back(act: Any, supervisor: Person, release: ChangeoverRelease) -> Deviation:
    releasing.withdraw(act=act(supervisor, at=FREED + 2 * HOUR, corrects=release.pk, reason="Wrong table."))
    return Deviation.objects.get(what="changeover", subject=release.pk)


def test_what_touched_further_equipment_after_it_is_held_in_the_same_case(
    act: Any, release: Any, run: Any, labelled: Any, supervisor: Person, table: Equipment, kettle: Equipment
):
    first, second = labelled(run(1, table, kettle)), labelled(run(20, kettle))
    case = take_back(act, supervisor, release)
    assert deviations.held_under(case) == {str(first.uid), str(second.uid)}
    assert not Deviation.objects.filter(what="allergen").exists()


def test_what_was_on_other_equipment_before_it_is_not(
    act: Any, release: Any, run: Any, labelled: Any, supervisor: Person, table: Equipment, kettle: Equipment
):
    before = labelled(run(1, kettle))
    ran = labelled(run(20, table, kettle))
    assert deviations.held_under(take_back(act, supervisor, release)) == {str(ran.uid)}
    assert LotState.objects.get(lot=before).status == LotStatus.RELEASED
