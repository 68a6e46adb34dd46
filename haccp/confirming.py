"""What a food-safety lead confirms with the authority, by signature: local rules and allergen lists.

A confirmed row stays as it was confirmed but for what ``may_change``: past days were judged by it.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from config.api.refusals import Reason, RuleBroken, Unusable
from haccp.models import AllergenList, LocalRule
from ledger import changes, people, signatures
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Change, Entry, Role

FIELDS = frozenset({"confirmed_by", "confirmed_at"})
Row = TypeVar("Row", LocalRule, AllergenList)


@dataclass(frozen=True)
class Confirmed:
    """In the words for one kind of row. ``code`` begins the codes of refusals; ``anew``: what to do instead."""

    code: str
    noun: str
    plural: str
    may_change: frozenset[str]
    anew: str


def confirm(
    words: Confirmed,
    *,
    act: Act,
    row: Row,
    proof: signatures.Proof,
    expected_version: int | None,
    unconfirmable: Callable[[Row], Iterable[Reason]],
) -> Row:
    """Note who confirmed it and sign that; call it within a deed. Raises NotAllowed, RuleBroken, ChangedMeanwhile."""
    change_id = act.id or uuid7()
    act = replace(act, id=change_id)
    locked = type(row).objects.select_for_update(of=("self",), no_key=True).get(pk=row.pk)
    if Change.objects.filter(pk=change_id, subject_id=row.pk, performed_by=act.performed_by).exists():
        locked.repeated = True
        return locked
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, f"confirms {words.plural}")
    if reasons := list(unconfirmable(locked)):
        raise RuleBroken(
            f"The {words.code} cannot be confirmed. Nothing was written.",
            code=f"{words.code}-not-confirmable",
            reasons=reasons,
        )
    values = {"confirmed_by": act.performed_by, "confirmed_at": act.performed.at}
    confirmed = changes.alter(act=act, row=locked, values=values, expected_version=expected_version)
    entry = Entry.objects.get(pk=change_id)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="approved")
    return confirmed


def refuse_said(words: Confirmed, values: dict[str, Any]) -> dict[str, Any]:
    """Nobody confirms a row by writing it down. Answers the values; raises Unusable."""
    said = sorted(FIELDS & set(values))
    if said:
        raise Unusable(
            f"A {words.code} is confirmed by signature.", code="confirmed-by-signature", field=said[0]
        )
    return values


def refuse_other(words: Confirmed, act: Act, row: LocalRule | AllergenList, changed: dict[str, Any]) -> None:
    """Raises NotAllowed, and RuleBroken with each of ``changed`` that a confirmed row keeps."""
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, f"changes a confirmed {words.noun}")
    code = f"{words.code}-is-confirmed"
    reasons = [
        Reason(code, f"{name.replace('_', ' ').capitalize()} stays as it was confirmed.", name)
        for name in sorted(set(changed) - words.may_change)
    ]
    until = changed.get("in_force_until")
    if until is not None and until < act.local_day:
        sentence = "Days that have passed were judged by it; the first day without it is today or later."
        reasons.append(Reason("ends-in-the-past", sentence, "in_force_until"))
    if reasons:
        raise RuleBroken(
            f"{words.code.capitalize()} {row.code} is confirmed. Give it a last day, and write {words.anew} from "
            "that day on. Nothing was written.",
            code=code,
            reasons=reasons,
        )
