"""Where a trace can begin that only haccp knows of: the label that was on the roll, the person whose hands were on it."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q

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
from ledger.acts import Moment
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
    """All lots that a packing check says a label version was used on, also those that bear another one since.

    Of a label for unpacked sale also what no packing check is about and could stand beside its sign.
    """

    version: UUID

    def lots(self, here: Establishment) -> list[StartLot]:
        version = one(LabelVersion, here, "label_version", pk=self.version)
        checks = PackingCheck.objects.standing().filter(label_version=version)
        batches = set(checks.filter(lot__isnull=True).values_list("batch", flat=True))
        used_on = Q(pk__in=checks.values("lot")) | Q(batch__in=batches)
        if version.document.get("unpacked") is True:
            used_on |= _beside_its_sign(version)
        return as_starts(standing_lots(here).filter(used_on))


def _beside_its_sign(version: LabelVersion) -> Q:
    """Lots of its product that were there before the next version and of which some was left, or sold, while it held.

    What went to an outlet counts until its best before, since a sale need not be noted.
    """
    since, own = version.performed_at, OuterRef("pk")
    on = Moment(since, version.performed_offset).local.date()
    later = LabelVersion.objects.standing().filter(label=version.label_id, number__gt=version.number)
    until = later.order_by("number").values_list("performed_at", flat=True).first()
    moved = Movement.objects.standing().filter(lot=own)
    made = moved.filter(what="made") if until is None else moved.filter(what="made", performed_at__lt=until)
    sold = AtOutlet.objects.standing().filter(lot=own, performed_at__gte=since)
    seen = PackingCheck.objects.standing().filter(Q(lot=own) | Q(lot=None, batch=OuterRef("batch")))
    keeps = Q(state__best_before=None) | Q(state__best_before__gte=on)
    at_an_outlet = Exists(moved.exclude(partner__outlet="").filter(what="shipped")) & keeps
    left = (
        Q(state__on_hand__gt=0) | Exists(moved.filter(performed_at__gte=since)) | Exists(sold) | at_an_outlet
    )
    return Q(~Exists(seen), Exists(made), left, material=version.material_id, is_rework=False)


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
