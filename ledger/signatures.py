"""Signing: the signer proves it is them again, and says what the signature means (decision D10)."""

from dataclasses import dataclass

from django.http import HttpRequest

from config.api.refusals import NotAllowed, RuleBroken, Unknown
from ledger import people
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Person, Record, Role, Signature, record_class
from ledger.passwords import person_who_knows


@dataclass(frozen=True)
class Proof:
    """That ``person`` gave their password just now. Only ``prove`` makes one."""

    person: Person


def prove(*, request: HttpRequest, person: Person, password: str) -> Proof:
    """Ask the person for their password again. Raises WrongPassword, TooManyTries; a wrong one counts."""
    return Proof(person_who_knows(request=request, sign_in_name=person.sign_in_name, password=password))


@deed
def sign(*, act: Act, proof: Proof, target: Entry, meaning: str) -> Signature:
    """Sign a record. Raises RuleBroken for who signs as another, corrects another's signature, or reviews own work.

    "reviewed" is for a food-safety lead with a qualification that covers it; NotAllowed for others.
    NotAllowed too for who has no role here on the day it is said to be signed, or none today.
    """
    if proof.person.pk != act.performed_by.pk or proof.person.pk != act.recorded_by.pk:
        raise RuleBroken("Nobody signs as another person.", code="signs-for-another", field="performed_by")
    if target.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no record {target.pk} here.", field="target")
    signature = Signature.new(
        act, target=target, target_digest=target.digest, meaning=meaning, signer_name=proof.person.name
    )
    signature.answer_if_repeated()
    if day := people.day_without_role(act, Role.values):
        raise NotAllowed(f"{proof.person.name} has no role here on {day}. Nothing was signed.")
    if signature.corrects is not None and signature.corrects.performed_by_id != proof.person.pk:
        raise RuleBroken(
            "Only who signed corrects that signature.", code="corrects-another", field="corrects"
        )
    if meaning == "reviewed":
        _refuse_unqualified(act)
        _refuse_own_review(act, target)
    return signature.insert()


def _refuse_unqualified(act: Act) -> None:
    if day := people.day_without_role(act, {Role.FOOD_SAFETY_LEAD}) or people.day_unqualified(act):
        raise NotAllowed(
            f"A food-safety lead with a qualification that holds on {day} reviews records. Nothing was written."
        )


def _refuse_own_review(act: Act, target: Entry) -> None:
    record = record_of(target)
    made_it = act.performed_by.pk in (record.performed_by_id, record.recorded_by_id)
    if made_it and not act.establishment.one_person_reason:
        raise RuleBroken(
            "Who made a record does not review it. A one-person firm notes the exception and its reason in its profile.",
            code="reviews-own-record",
        )


def record_of(entry: Entry) -> Record:
    """The record behind an entry. Raises Unknown when it left after its retention ended."""
    found = record_class(entry.kind).objects.filter(pk=entry.pk).first()
    if found is None:
        raise Unknown(f"Record {entry.pk} has left; its digest and seal remain.")
    return found
