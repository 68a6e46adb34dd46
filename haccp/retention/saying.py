"""What a food-safety lead says of keeping: where the house ships to, longer periods, and what must not leave at all."""

from collections.abc import Iterable
from typing import TypeVar
from uuid import UUID

from batches.models import Batch, Lot
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.models import Jurisdiction, KeptLonger, LegalHold, Markets
from haccp.retention import rules
from haccp.retention.rules import Own
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Establishment, Role
from ledger.signatures import Proof

NOTHING = "Nothing was written."
R = TypeVar("R", Markets, KeptLonger, LegalHold)


@deed
def state_markets(*, act: Act, proof: Proof, jurisdictions: Iterable[str], because: str) -> Markets:
    """Say where the house ships to, so that rules of elsewhere no longer apply. Raises Unusable, NotAllowed."""
    named = sorted(set(jurisdictions))
    record = Markets.new(act, jurisdictions=named, because=because)
    record.answer_if_repeated()
    if not named or not set(named) <= set(Jurisdiction.values):
        raise Unusable(f"Name one or more of: {', '.join(Jurisdiction.values)}.", field="jurisdictions")
    return _signed(act, proof, record, "says which rules of keeping apply")


@deed
def keep_longer(*, act: Act, proof: Proof, group: str, years: int, because: str) -> KeptLonger:
    """Keep a group of records for so many years. Raises RuleBroken ``shorter-than-the-rule``, which names the rule."""
    record = KeptLonger.new(act, group=group, years=years, because=because)
    record.answer_if_repeated()
    known = rules.shipped()
    if group != rules.EVERYTHING and group not in known.groups:
        named = ", ".join((rules.EVERYTHING, *known.groups))
        raise Unusable(f"There is no group {group}; groups are: {named}. {NOTHING}", field="group")
    least = known.least_for(group, jurisdictions(act.establishment))
    if least is not None and years * 12 < (least.months or 0):
        raise RuleBroken(
            f"{least.named} asks for at least {least.months} months ({least.provenance}), and {years} years are "
            f"shorter: a house keeps longer, never shorter. {NOTHING}",
            code="shorter-than-the-rule",
            field="years",
        )
    return _signed(act, proof, record, "says how long records are kept")


@deed
def hold(*, act: Act, proof: Proof, subject: UUID, because: str) -> LegalHold:
    """Keep a lot, a batch, a record, or everything (the house's id) until further notice. Raises Unknown."""
    record = LegalHold.new(act, subject=subject, because=because)
    record.answer_if_repeated()
    if not _is_here(act.establishment, subject):
        raise Unknown(f"There is no lot, batch or record {subject} here. {NOTHING}", field="subject")
    return _signed(act, proof, record, "keeps records until further notice")


@deed
def take_back(*, act: Act, proof: Proof, kind: type[R]) -> R:
    """Withdraw such a word: from now on it counts no more, and stays legible."""
    record = kind.withdrawal(act)
    record.answer_if_repeated()
    return _signed(act, proof, record, "takes such a word back")


def _signed(act: Act, proof: Proof, record: R, does: str) -> R:
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, does)
    made = record.insert()
    entry = Entry.objects.get(pk=made.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="decided")
    return made


def _is_here(here: Establishment, subject: UUID) -> bool:
    return (
        subject == here.pk
        or Entry.objects.filter(establishment=here, pk=subject).exists()
        or Lot.objects.filter(establishment=here, uid=subject).exists()
        or Batch.objects.filter(establishment=here, uid=subject).exists()
    )


# -- as it stands ---------------------------------------------------------------------------------------


def jurisdictions(here: Establishment) -> frozenset[str]:
    newest = Markets.objects.of(here).standing().first()
    return rules.where(here.country, None if newest is None else newest.jurisdictions)


def own_periods(here: Establishment) -> list[Own]:
    standing = KeptLonger.objects.of(here).standing().values_list("group", "years")
    return [Own(group, years * 12) for group, years in standing]
