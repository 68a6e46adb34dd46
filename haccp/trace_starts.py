"""Where a trace can begin that only haccp knows of: the label that was on the roll, the person whose hands were on it."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Q

from batches.carry_over import Hazard
from batches.models import (
    AtOutlet,
    BatchEnd,
    BatchStart,
    EquipmentUse,
    Movement,
    Part,
    ProcessStep,
    QualityReading,
    TrimReturn,
    WeighedApart,
)
from batches.trace_questions import ANY_TIME, Period, StartLot, as_starts, of_batches, one, standing_lots
from config.api.refusals import Unknown
from haccp.allergens import lists
from haccp.models import Check, LabelVersion, PackingCheck
from ledger.models import Establishment, Membership

OF_BATCHES: tuple[Any, ...] = (
    BatchStart,
    BatchEnd,
    Part,
    EquipmentUse,
    ProcessStep,
    QualityReading,
    TrimReturn,
    WeighedApart,
)
OF_EITHER: tuple[Any, ...] = (Check, PackingCheck)


@dataclass(frozen=True)
class FromLabelVersion:
    """All lots that a packing check says a label version was used on, also those that bear another one since."""

    version: UUID

    def lots(self, here: Establishment) -> list[StartLot]:
        version = one(LabelVersion, here, "label_version", pk=self.version)
        checks = PackingCheck.objects.standing().filter(label_version=version)
        batches = set(checks.filter(lot__isnull=True).values_list("batch", flat=True))
        return as_starts(standing_lots(here).filter(Q(pk__in=checks.values("lot")) | Q(batch__in=batches)))


@dataclass(frozen=True)
class FromPerson:
    """All lots that somebody handled: moved, weighed in, made, checked, packed, sold at an outlet, or worked on their
    batch, in a period.

    Who weighed some of a lot into a batch handled both: what the batch made, and the rest of the lot.
    """

    person: UUID
    period: Period = ANY_TIME

    def lots(self, here: Establishment) -> list[StartLot]:
        if not Membership.objects.filter(person=self.person, establishment=here).exists():
            raise Unknown("There is no such person here.", field="person")
        done = self.period.within() & Q(performed_by=self.person, establishment=here)
        moved = Movement.objects.standing().filter(done)
        lots, batches = set(moved.values_list("lot", flat=True)), set(moved.values_list("batch", flat=True))
        lots |= set(AtOutlet.objects.standing().filter(done).values_list("lot", flat=True))
        for kind in OF_BATCHES:
            batches |= set(kind.objects.standing().filter(done).values_list("batch", flat=True))
        for kind in OF_EITHER:
            for lot, batch in kind.objects.standing().filter(done).values_list("lot", "batch"):
                lots.add(lot)
                if lot is None:
                    batches.add(batch)
        of_batch = {each.key for each in of_batches(batches - {None}, here)}
        return as_starts(standing_lots(here).filter(pk__in=(lots - {None}) | of_batch))


def hazard_of(
    here: Establishment,
    allergens: tuple[str, ...] = (),
    microbiological: bool = False,
    foreign_bodies: bool = False,
    field: str = "allergen",
) -> Hazard | None:
    """What a trace is widened by; None where nothing is named. Raises Unusable.

    A cleaning clears an allergen by any group that it stands in.
    """
    if not (allergens or microbiological or foreign_bodies):
        return None
    groups: dict[str, frozenset[str]] = {}
    if allergens:
        vocabulary = lists.vocabulary(here)
        vocabulary.refuse_unknown(allergens, field=field)
        groups = {code: vocabulary.groups_of(code) for code in allergens}
    return Hazard(allergens, microbiological, foreign_bodies, groups)
