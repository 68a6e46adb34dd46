"""The identity of a lot, its status, and the projection of what is true of it now."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction

from batches import codes, stock
from batches.locks import lock_material
from batches.models import Batch, Lot, LotDecision, LotState, LotStatus, Material, Movement
from batches.projections import rebuilds
from batches.signals import lots_decided, release_reopened
from config.api.refusals import RuleBroken, Unknown, Unusable
from ledger.acts import Act
from ledger.models import Entry, Establishment, Record
from ledger.models.records import CLOCK_TOLERANCE
from ledger.verification import compare_projection

LONGEST_SUPPLIER_CODE = 60
ROWS_A_STATEMENT = 500
COMPARED = ("status", *stock.NO_TOTALS, "supplier_id", "supplier_code", "best_before", "withdrawn")


# -- identity ---------------------------------------------------------------------------------------


def bring(
    *, act: Act, movement: Movement, material: Material, batch: Batch | None, code: str, is_rework: bool
) -> Lot:
    """Make the identity of the lot that ``movement`` brings, awaiting decision. Raises Unusable, RuleBroken.

    ``code``: the client's choice, or empty for the next by the material's pattern.
    """
    day = act.local_day
    lot = Lot(
        uid=movement.pk,
        establishment=act.establishment,
        code=_free(act.establishment, code)
        or codes.next_lot_code(establishment=act.establishment, material=material, day=day),
        material=material,
        batch=batch,
        is_rework=is_rework,
        day=day,
        birth_id=movement.pk,
    )
    lot.save(force_insert=True)
    LotState.objects.create(lot=lot, establishment=act.establishment)
    return lot


def _free(establishment: Establishment, code: str) -> str:
    """The code, if no lot here has it; raises RuleBroken ``code-taken``."""
    taken = code and Lot.objects.filter(establishment=establishment, code=codes.checked(code)).first()
    if taken:
        raise RuleBroken(
            f"Lot code {code} is taken by lot {taken.uid}. Nothing was written; leave the code out to get "
            "the next free one.",
            code="code-taken",
            field="code",
        )
    return code


def checked_supplier_code(text: str) -> str:
    """The supplier's own code as it stands on the delivery: one line of at most 60 characters."""
    if len(text) > LONGEST_SUPPLIER_CODE or not text.isprintable():
        raise Unusable(
            f"The supplier's code is one line of at most {LONGEST_SUPPLIER_CODE} characters.",
            field="supplier_code",
        )
    return text


def best_before(material: Material, day: date, said: date | None) -> date | None:
    """The date as said, else by the material's shelf life, else none."""
    if said is not None or material.shelf_life_days is None:
        return said
    return day + timedelta(days=material.shelf_life_days)


# -- status -----------------------------------------------------------------------------------------


@transaction.atomic
def decide(*, act: Act, lots: Sequence[Lot], status: str, because: Entry | Record) -> list[LotDecision]:
    """Give lots a status from now on, for the reason in record ``because``; few statements for many lots.

    Raises Unknown for a lot of another establishment. Deciding the status a lot already has is kept as well:
    it has one more reason. Sends ``lots_decided``.
    """
    lock_material(act.establishment)
    if any(lot.establishment_id != act.establishment.pk for lot in lots):
        raise Unknown("A lot to decide on does not exist here.", field="lots")
    LotStatus(status)  # a word that is no status is a mistake of the caller
    decisions = [
        LotDecision.new(act.with_new_id(), lot=lot, status=status, because_id=because.pk) for lot in lots
    ]
    LotDecision.insert_many(decisions)
    LotState.objects.filter(lot__in=lots).update(status=status)
    if lots:
        lots_decided.send(sender=Lot, lots=list(lots), status=status, because=because, act=act)
    return decisions


def reopen(*, act: Act, lots: Iterable[Lot], because: Record) -> list[Lot]:
    """Released lots whose facts changed await a decision again; held and rejected ones stay so."""
    keys = {lot.pk for lot in lots}
    released = list(Lot.objects.filter(pk__in=keys, state__status=LotStatus.RELEASED).order_by("pk"))
    if released:
        decide(act=act, lots=released, status=LotStatus.AWAITING, because=because)
        release_reopened.send(sender=Lot, lots=released, because=because, act=act)
    return released


def status_when(lot: Lot, at: datetime) -> str:
    """The status a lot had when something was done to it.

    A release within five minutes after the stated time counts: clocks differ by as much (decision D12).
    """
    decisions = list(
        LotDecision.objects.standing()
        .filter(lot=lot, performed_at__lte=at + CLOCK_TOLERANCE)
        .order_by("recorded_at", "id")
        .values_list("performed_at", "status")
    )
    then = [status for when, status in decisions if when <= at]
    if decisions and decisions[-1][1] == LotStatus.RELEASED:
        return LotStatus.RELEASED
    return then[-1] if then else LotStatus.AWAITING


# -- projection -------------------------------------------------------------------------------------


def remember(birth: Movement) -> None:
    """Bring a lot's state up to what its standing birth says of it."""
    LotState.objects.filter(lot=birth.lot_id).update(**_facts(birth))


def _facts(birth: Movement) -> dict[str, Any]:
    return {
        "supplier_id": birth.partner_id,
        "supplier_code": birth.new_lot.get("supplier_code", ""),
        "best_before": birth.best_before,
        "withdrawn": birth.withdrawn,
    }


def states_by_records(establishment: Establishment) -> Iterator[LotState]:
    """The state of every lot as its records say."""
    amounts = stock.totals(Movement.objects.of(establishment))
    decisions = LotDecision.objects.of(establishment).standing().order_by("recorded_at", "id")
    status = dict(decisions.values_list("lot_id", "status"))
    births = Movement.objects.of(establishment).filter(corrected_by__isnull=True).exclude(new_lot={})
    facts = {birth.lot_id: _facts(birth) for birth in births.order_by().iterator()}
    for key in Lot.objects.filter(establishment=establishment).order_by().values_list("pk", flat=True):
        yield LotState(
            lot_id=key,
            establishment=establishment,
            status=status.get(key, LotStatus.AWAITING),
            **amounts.get(key, stock.NO_TOTALS),
            **facts.get(key, {}),
        )


@rebuilds("lot states")
def rebuild(establishment: Establishment) -> int:
    states = list(states_by_records(establishment))
    LotState.objects.filter(establishment=establishment).delete()
    LotState.objects.bulk_create(states, batch_size=ROWS_A_STATEMENT)
    return len(states)


@compare_projection("lot states")
def differences() -> Iterator[str]:
    for establishment in Establishment.objects.all():
        kept = {state.pk: state for state in LotState.objects.filter(establishment=establishment)}
        for wanted in states_by_records(establishment):
            state = kept.pop(wanted.pk, None)
            for name in COMPARED:
                said = getattr(state, name, "nothing")
                if said != getattr(wanted, name):
                    yield f"lot {wanted.lot.uid}: {name} is {said}, its records say {getattr(wanted, name)}"
        yield from (f"lot state {key} belongs to no lot of this establishment" for key in kept)
