"""The demo's firm with at least one row in every table that is kept, sealed, and its files at hand."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as now

from batches import noting, runs
from batches.models import Batch, CleaningBreak, Equipment, Lot, Part, QualityReading
from haccp import deviations
from haccp.models import Recall
from haccp.recalls import deciding
from haccp.recalls.deciding import Strategy
from ledger import people, removals, seals
from ledger.acts import Act, Moment
from ledger.models import Entry, Establishment, Person
from ledger.signatures import Proof
from reports.demo.house import HOUSE
from tests.haccp.recalls import arrived, asked_whether, told
from tests.haccp.retention.written import archived
from tests.scene import Scene


@dataclass
class House:
    """The demo's firm: ``files`` is where its attachments lie, ``ids`` are the scene's."""

    establishment: Establishment
    lead: Person
    ids: dict[str, str]
    key: str
    files: Path

    def act(self, **values: Any) -> Act:
        """The lead's, now."""
        return Act(
            establishment=self.establishment,
            performed_by=self.lead,
            performed=Moment.now(self.establishment),
            recorded_by=self.lead,
            **values,
        )

    def qualify(self, title: str) -> Any:
        return people.qualify(
            act=self.act(),
            person=self.lead,
            title=title,
            covers_plans=False,
            evidence="Certificate 9/26",
            issued_by="Training house North",
            valid_from=self.act().local_day,
            valid_until=None,
        )


@pytest.fixture(scope="module")
def played_house(scene: Scene, django_db_blocker: Any) -> House:
    """After the demo's day and what that day does not bring; four seals, one record removed after retention."""
    with django_db_blocker.unblock():
        here = Establishment.objects.get(pk=HOUSE)
        lead = Person.objects.get(sign_in_name="mara")
        house = House(here, lead, scene.ids, scene.key, Path(now.MEDIA_ROOT))
        _what_the_day_does_not_bring(house)
        return house


def _what_the_day_does_not_bring(house: House) -> None:
    batch = Batch.objects.get(uid=house.ids["batch"])
    equipment = Equipment.objects.get(pk=house.ids["equipment"])
    first, second = Part.objects.filter(batch=batch).order_by("number")
    runs.note_equipment(act=house.act(), batch=batch, equipment=equipment, deed="taken")
    noting.return_trim(
        act=house.act(), batch=batch, from_part=first, to_part=second, quantity="0.150", unit="KGM"
    )
    noting.weigh_apart(act=house.act(), batch=batch, what="pot-residue", quantity="0.3", unit="KGM")
    told.go_on(
        house.act(), Recall.objects.get(pk=house.ids["recalls"]), Lot.objects.get(uid=house.ids["lot"])
    )
    told.tell_of_one(house.act())
    arrived.take_in_and_reply(house.act())
    asked_whether.ship_unreleased_and_decide(house.act())
    archived(house.act())
    decided_now = house.act()
    deciding.decide(
        act=decided_now,
        proof=Proof(house.lead),
        hazard="label",
        because="Another exercise, not begun.",
        determined_at=decided_now.performed.at,
        strategy=Strategy(depth="retail", level="E", because="Nobody is asked."),
        is_exercise=True,
    )
    put_right = deviations.correct(
        act=house.act(),
        what="A label was askew.",
        done="Put straight.",
        no_impact_because="The text was right.",
    )
    CleaningBreak.objects.create(
        equipment=equipment,
        at=put_right.performed_at,
        scope={"allergens": ["hazelnut"], "microbiological": False, "foreign-bodies": False},
        because=Entry.objects.get(pk=put_right.pk),
    )
    seals.seal(establishment=house.establishment)
    removals.remove(act=house.act(), record=QualityReading.objects.get(), rule="Kept two years, ended.")
    seals.seal(establishment=house.establishment)
    noting.note_quality(act=house.act(), batch=batch, what="colour", value="amber")
    seals.seal(establishment=house.establishment)


@pytest.fixture
def house(db: Any, played_house: House, settings: Any) -> House:
    settings.MEDIA_ROOT = played_house.files
    return played_house
