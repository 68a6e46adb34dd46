"""Contacts, and what nobody stated, as a food-safety lead assessed them: for a material or a lot, until a day, signed."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from django.db.models import Q

from batches import lots as lot_deeds
from batches.locks import lock_material
from batches.models import Lot, LotStatus, Material
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.allergens import lists
from haccp.models import ContactAssessment, Release
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Role

MOST_ALLERGENS = 100
LONGEST = 4000


@deed
def assess(
    *,
    act: Act,
    proof: signatures.Proof,
    allergens: Sequence[str],
    because: str,
    until: date,
    material: Material | None = None,
    lot: Lot | None = None,
) -> ContactAssessment:
    """A lead says why these allergens need not stand on the label of one material or one lot; signed.

    It speaks of contact and of what nobody stated, never of what is contained. ``until``: the first day it no longer
    holds. A correction is assessed and signed anew. Raises Unusable, Unknown, RuleBroken, NotAllowed.
    """
    lock_material(act.establishment)
    made = ContactAssessment.new(
        act, material=material, lot=lot, allergens=sorted(set(allergens)), because=because, until=until
    )
    made.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "assesses contacts")
    _refuse_unusable(act, made)
    made.insert()
    _sign(act, proof, made)
    _reopen(act, made)
    return made


@deed
def withdraw(*, act: Act, proof: signatures.Proof) -> ContactAssessment:
    """Say that the assessment ``act.corrects`` no longer stands. Lots released by it await a decision again."""
    lock_material(act.establishment)
    made = ContactAssessment.withdrawal(replace(act, withdraws=True))
    made.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "withdraws assessments of contacts")
    made.insert()
    _sign(act, proof, made)
    _reopen(act, made)
    return made


def _sign(act: Act, proof: signatures.Proof, made: ContactAssessment) -> None:
    entry = Entry.objects.get(pk=made.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="approved")


def _refuse_unusable(act: Act, made: ContactAssessment) -> None:
    if (made.material is None) == (made.lot is None):
        raise Unusable("It is about one material or about one lot.", code="one-thing", field="material")
    about: Any = made.material or made.lot
    if about.establishment_id != made.establishment_id:
        raise Unknown("There is no such material or lot here.", field="lot" if made.lot else "material")
    if not 1 <= len(made.allergens) <= MOST_ALLERGENS:
        raise Unusable(f"Name 1 to {MOST_ALLERGENS} allergens.", code="missing", field="allergens")
    lists.vocabulary(act.establishment).refuse_unknown(made.allergens, field="allergens")
    if not made.because.strip() or len(made.because) > LONGEST:
        raise Unusable(
            f"Say why, in at most {LONGEST} characters: how much, how found, which dose.",
            code="missing",
            field="because",
        )
    if made.until <= act.local_day:
        raise Unusable("It holds for a day at least.", code="ends-before-it-begins", field="until")
    corrected: Any = made.corrects
    if corrected is not None and (corrected.material_id, corrected.lot_id) != (made.material_id, made.lot_id):
        raise RuleBroken(
            f"Record {corrected.pk} is about something else; correct it there.",
            code="corrects-another",
            field="corrects",
        )


def _reopen(act: Act, made: ContactAssessment) -> None:
    """Released lots that rest on what was corrected or withdrawn."""
    if made.corrects_id is None:
        return
    about = Q(pk=made.lot_id) if made.lot_id else Q(material=made.material_id)
    lots = list(Lot.objects.filter(about, establishment=act.establishment, state__status=LotStatus.RELEASED))
    resting = _released_by(lots, str(made.corrects_id))
    lot_deeds.reopen(act=act, lots=resting, because=made)


def _released_by(lots: Collection[Lot], assessment: str) -> Iterable[Lot]:
    rows = Release.objects.filter(lot__in=lots).order_by("recorded_at", "id")
    basis = dict(rows.values_list("lot", "basis"))
    return [lot for lot in lots if assessment in basis.get(lot.pk, {}).get("assessments", ())]


def standing(lots: Collection[Lot], on: date) -> dict[int, list[ContactAssessment]]:
    """By lot: the assessments of it or of its material that hold on a local day. One statement."""
    rows = ContactAssessment.objects.standing().filter(
        Q(lot__in=lots) | Q(material__in={lot.material_id for lot in lots}), until__gt=on
    )
    found = [
        each
        for each in rows.select_related("establishment").order_by("performed_at", "id")
        if _begun(each, on)
    ]
    return {
        lot.pk: [each for each in found if lot.pk == each.lot_id or lot.material_id == each.material_id]
        for lot in lots
    }


def _begun(each: ContactAssessment, on: date) -> bool:
    return each.performed_at.astimezone(each.establishment.zone).date() <= on
