"""What is asked of a trace: from which lots, which way, how far.

Where a trace begins is a small question of its own, which finds the lots. Those that need what only haccp knows (label
versions, who made a check) are asked there, with the same ``lots``.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple, NoReturn, Protocol
from uuid import UUID

from django.db.models import Q, QuerySet

from batches.carry_over import Hazard
from batches.models import Batch, Equipment, Lot, LotState, Movement, Occupation, TradingPartner
from batches.supplier_codes import alike
from batches.trace_results import Direction
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from ledger.models import Establishment

MOST_CANDIDATES = 200  # listed in one refusal (site setting, no source)


class StartLot(NamedTuple):
    """A lot that a trace begins with; ``mass`` in milligrams, None where it is not known."""

    key: int
    uid: UUID
    mass: int | None


class Start(Protocol):
    """Where a trace begins."""

    def lots(self, here: Establishment) -> list[StartLot]:
        """The lots, oldest first. Raises Unknown, Unusable, RuleBroken."""


@dataclass(frozen=True)
class TraceQuestion:
    """``hazard``: widen the way forward by shared equipment, as far as this may have been carried over.

    ``least_share``: follow only lots with at least this share (or part), and say what was left; None follows all.
    ``exact``: tell shares as fractions too.
    """

    start: Start
    direction: Direction
    hazard: Hazard | None = None
    least_share: float | None = None
    exact: bool = False

    def __post_init__(self) -> None:
        if self.hazard and self.direction == Direction.BACK:
            raise Unusable(
                "A trace is widened by shared equipment on the way forward; ask forward or whole.",
                field="hazard",
            )
        if self.least_share is not None and not 0 < self.least_share < 1:
            raise Unusable("The least share lies between 0 and 1.", field="least_share")
        if self.least_share is not None and self.hazard:
            raise Unusable(
                "What is carried over has no share, and a least share must not hide an allergen or a microbe. Leave "
                "one of the two out.",
                field="least_share",
            )


@dataclass(frozen=True)
class Period:
    """From a time until another, both included; open where None."""

    since: datetime | None = None
    until: datetime | None = None

    def __post_init__(self) -> None:
        if self.since and self.until and self.since > self.until:
            raise Unusable("The period ends before it begins.", field="until")

    def within(self, field: str = "performed_at") -> Q:
        found = Q()
        found &= Q(**{f"{field}__gte": self.since}) if self.since else Q()
        return found & (Q(**{f"{field}__lte": self.until}) if self.until else Q())


ANY_TIME = Period()


@dataclass(frozen=True)
class FromLots:
    """One lot or several, by uid."""

    uids: tuple[UUID, ...]

    def lots(self, here: Establishment) -> list[StartLot]:
        wanted = list(dict.fromkeys(self.uids))
        if not wanted:
            raise Unusable("Name at least one lot.", field="lot")
        found = as_starts(Lot.objects.filter(establishment=here, uid__in=wanted))
        known = {each.uid for each in found}
        missing = [str(uid) for uid in wanted if uid not in known]
        if missing:
            reasons = [Reason("not-found", f"There is no lot {uid} here.", "lot", [uid]) for uid in missing]
            raise Unknown("Nothing was traced: a lot does not exist here.", reasons=reasons)
        return found


@dataclass(frozen=True)
class FromBatch:
    """What a batch made; while it has made nothing, what went into it."""

    uid: UUID

    def lots(self, here: Establishment) -> list[StartLot]:
        batch = one(Batch, here, "batch", uid=self.uid)
        return of_batches([batch.pk], here)


@dataclass(frozen=True)
class FromSupplierCode:
    """Every delivery that bears a supplier's code for its lot.

    One supplier may deliver one lot of theirs twice. Where suppliers or materials differ the code is ambiguous: all
    candidates are told, unless ``supplier`` or ``material`` leaves one, or ``every`` asks for all. So are lots whose
    code differs in capitals, spaces or marks only, where none bears it as written.
    """

    code: str
    supplier: UUID | None = None
    material: UUID | None = None
    every: bool = False

    def lots(self, here: Establishment) -> list[StartLot]:
        code = self.code.strip()
        if not code:
            raise Unusable("Give the supplier's code as it stands on the delivery.", field="supplier_code")
        found = self._bearing(here, supplier_code=code)
        if not found:
            found = self._in_other_letters(here, code)
        if len({(lot.state.supplier_id, lot.material_id) for lot in found}) > 1 and not self.every:
            self._refuse(
                found,
                f"The supplier's code {code} is borne by lots that differ. {len(found)} could be meant. Name the "
                "supplier, the material or the lot, or ask for every one.",
            )
        return [StartLot(lot.pk, lot.uid, lot.state.mass) for lot in found]

    def _in_other_letters(self, here: Establishment, code: str) -> list[Lot]:
        """Where it is written otherwise: offered, and taken only if every one is asked for. Reads every code once."""
        codes = LotState.objects.filter(establishment=here).exclude(supplier_code="")
        pairs = codes.values_list("lot", "supplier_code").iterator()
        found = self._bearing(here, lot__in=[lot for lot, other in pairs if alike(other, code)])
        if not found:
            raise Unknown(
                f"No lot bears the supplier's code {code} here. Nothing was traced.", field="supplier_code"
            )
        if not self.every:
            self._refuse(
                found,
                f"No lot bears the supplier's code {code} as it is written here; {len(found)} differ from it in "
                "capitals, spaces or marks only. Write the code as it is told of one of them, name the lot, or ask for "
                "every one.",
            )
        return found

    def _bearing(self, here: Establishment, **code: Any) -> list[Lot]:
        states = LotState.objects.filter(establishment=here, withdrawn=False, **code)
        states = states.filter(supplier=self.supplier) if self.supplier else states
        lots = Lot.objects.filter(pk__in=states.values("lot"))
        lots = lots.filter(material=self.material) if self.material else lots
        return list(lots.select_related("state__supplier", "material").order_by("pk"))

    def _refuse(self, found: list[Lot], sentence: str) -> NoReturn:
        """Every candidate is told; nothing is chosen for whoever asks."""
        shown, more = found[:MOST_CANDIDATES], len(found) - MOST_CANDIDATES
        reasons = [
            Reason("candidate", _told(lot), "supplier_code", [str(lot.uid), str(lot.material_id)])
            for lot in shown
        ]
        if more > 0:
            reasons.append(Reason("more-candidates", f"{more} further lots bear it.", "supplier_code"))
        raise RuleBroken(sentence, code="ambiguous-code", reasons=reasons)


def _told(lot: Lot) -> str:
    supplier = lot.state.supplier.name if lot.state.supplier else "nobody"
    return (
        f"Lot {lot.code} of {lot.material.name}, received from {supplier} on {lot.day}, "
        f"their code {lot.state.supplier_code}."
    )


@dataclass(frozen=True)
class FromPartner:
    """All lots that a partner sent, got, sent back or carried, in a period."""

    partner: UUID
    period: Period = ANY_TIME

    def lots(self, here: Establishment) -> list[StartLot]:
        partner = one(TradingPartner, here, "partner", pk=self.partner)
        theirs = Q(partner=partner) | Q(carrier=partner)
        moved = Movement.objects.standing().filter(self.period.within(), theirs)
        return as_starts(standing_lots(here).filter(pk__in=moved.values("lot")))


@dataclass(frozen=True)
class FromEquipment:
    """All lots of the batches that stood on a piece of equipment or used a tool, in a period."""

    equipment: UUID
    period: Period = ANY_TIME

    def lots(self, here: Establishment) -> list[StartLot]:
        equipment = one(Equipment, here, "equipment", pk=self.equipment)
        stays = Occupation.objects.filter(equipment=equipment)
        if self.period.since:
            stays = stays.filter(Q(until__isnull=True) | Q(until__gte=self.period.since))
        if self.period.until:
            stays = stays.filter(since__lte=self.period.until)
        return of_batches(stays.values_list("batch", flat=True), here)


def of_batches(batches: Iterable[int], here: Establishment) -> list[StartLot]:
    """What batches made; of those that have made nothing yet, what went into them."""
    keys = set(batches)
    made = standing_lots(here).filter(batch__in=keys)
    open_ones = keys - set(made.values_list("batch", flat=True))
    used = Movement.objects.standing().filter(batch__in=open_ones, what="used")
    return as_starts(standing_lots(here).filter(Q(batch__in=keys) | Q(pk__in=used.values("lot"))))


def one(model: Any, here: Establishment, field: str, **key: Any) -> Any:
    """A row of the establishment. Raises Unknown."""
    found = model.objects.filter(establishment=here, **key).first()
    if found is None:
        raise Unknown(f"There is no such {field.replace('_', ' ')} here.", field=field)
    return found


def standing_lots(here: Establishment) -> QuerySet[Lot]:
    """Lots that are; one whose birth was withdrawn never was."""
    return Lot.objects.filter(establishment=here, state__withdrawn=False)


def as_starts(lots: QuerySet[Lot]) -> list[StartLot]:
    rows = lots.order_by("pk").values_list("pk", "uid", "state__mass")
    return [StartLot(*row) for row in rows]
