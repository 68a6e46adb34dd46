"""Releasing a changeover: signed, and only once everything its procedure asks for was done and shown."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from batches.locks import lock_material
from batches.models import CleaningBreak, Equipment
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from haccp.allergens import lists
from haccp.changeovers import falls, findings, lines, procedures
from haccp.changeovers.procedure_documents import MEASURED, Asked, Procedure
from haccp.changeovers.scopes import Scope
from haccp.models import Changeover, ChangeoverRelease, ChangeoverVerification, Shown
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Role

RELEASERS = frozenset({Role.SUPERVISOR, Role.FOOD_SAFETY_LEAD})
MAY_NOT = "may-not-release-changeover"


@deed
def release(
    *,
    act: Act,
    changeover: Changeover,
    proof: signatures.Proof,
    allergens: Collection[str] | None = None,
) -> ChangeoverRelease:
    """Release equipment after a changeover, by signature of a supervisor or food-safety lead.

    ``allergens``: for these only, of those its procedure clears; None for each of them. Writes a cleaning break for each
    piece of equipment, from the end of the changeover, with the scope that was really shown. Raises RuleBroken with
    every reason at once, NotAllowed, Unusable.
    """
    lock_material(act.establishment)
    if changeover.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no changeover {changeover.pk} here.", field="changeover")
    made = ChangeoverRelease.new(
        act, changeover=changeover, allergens="all" if allergens is None else sorted(set(allergens))
    )
    made.answer_if_repeated()
    _refuse_correction(act)
    people.refuse_unless(act, RELEASERS, "releases changeovers")
    procedure = procedures.document_of(changeover.procedure_version)
    scope = _scope(procedure, allergens)
    shown = _shown(changeover, procedure, scope)
    reasons = [
        *_not_standing(changeover),
        *lines.shortcomings(changeover),
        *shown.reasons,
        *_too_early(act, changeover, shown),
    ]
    if reasons:
        counted = f"{len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}"
        raise RuleBroken(
            f"The changeover may not be released: {counted}. Nothing was written.",
            code=MAY_NOT,
            reasons=reasons,
        )
    # The area only informs whoever reads the scope: what a break clears goes by its equipment and allergens alone.
    where = {} if changeover.area_id is None else {"area": str(changeover.area_id)}
    made.scope = _with_members(scope, changeover).to_json() | where
    made.basis = [str(each.pk) for each in shown.basis]
    made.insert()
    entry = Entry.objects.get(pk=made.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="released")
    _write_breaks(made, entry)
    return made


@deed
def withdraw(*, act: Act) -> ChangeoverRelease:
    """Take a release back: its cleaning breaks count no more, and what ran since is held. Raises Unknown, RuleBroken."""
    lock_material(act.establishment)
    made = ChangeoverRelease.withdrawal(replace(act, withdraws=True))
    made.answer_if_repeated()
    made.insert()
    taken_back: Any = made.corrects
    falls.hold_what_ran(act, taken_back, "Its release was taken back.")
    return made


def _refuse_correction(act: Act) -> None:
    if act.corrects is not None:
        raise RuleBroken(
            "A release is not corrected. Take it back, and release anew.",
            code="a-changeover-release-is-not-corrected",
            field="corrects",
        )


def _scope(procedure: Procedure, allergens: Collection[str] | None) -> Scope:
    claimed = procedure.clears
    more = sorted(code for code in allergens or () if not claimed.names(code))
    if more:
        raise Unusable(
            f"The procedure does not claim to clear {', '.join(more)}. Nothing was written.",
            code="not-claimed",
            field="allergens",
        )
    return claimed.narrowed(allergens)


def _with_members(scope: Scope, changeover: Changeover) -> Scope:
    """A group that was cleared is written with its members, since what is left is told by member."""
    if scope.allergens is None:
        return scope
    known = lists.vocabulary(changeover.establishment)
    members = {member for code in scope.allergens for member in known.members_of(code)}
    return replace(scope, allergens=scope.allergens | members)


def _write_breaks(made: ChangeoverRelease, entry: Entry) -> None:
    """From the end of the changeover on: what was on the equipment after that is not cleared by it."""
    at = made.changeover.ended_at
    assert at is not None  # without an end it is refused
    CleaningBreak.objects.bulk_create(
        CleaningBreak(equipment_id=pk, at=at, scope=made.scope, because=entry)
        for pk in made.changeover.equipment
    )


# -- what stands in the way ---------------------------------------------------------------------------


@dataclass(frozen=True)
class _Found:
    reasons: Sequence[Reason]
    basis: Sequence[ChangeoverVerification]


def _not_standing(changeover: Changeover) -> Iterator[Reason]:
    later = Changeover.objects.filter(corrects=changeover.pk).first()
    if changeover.withdrawn or (later is not None and later.withdrawn):
        yield Reason("withdrawn", "The changeover was withdrawn: it never happened.", "changeover")
    elif later is not None:
        sentence = "The changeover was corrected; release the correction."
        yield Reason("corrected", sentence, "changeover", [str(later.pk)])
    if (released := lines.standing_release(changeover)) is not None:
        yield Reason("released-already", "It is released.", "changeover", [str(released.pk)])


def missing(changeover: Changeover) -> list[Reason]:
    """What a release for all that its procedure clears would be refused for, but for the signature and its day."""
    procedure = procedures.document_of(changeover.procedure_version)
    shown = _shown(changeover, procedure, procedure.clears)
    return [*_not_standing(changeover), *lines.shortcomings(changeover), *shown.reasons]


def _shown(changeover: Changeover, procedure: Procedure, scope: Scope) -> _Found:
    """Whether everything the procedure asks for was shown for each piece of equipment, and by what."""
    made = lines.that_count(changeover, procedure)
    kin = lists.vocabulary(changeover.establishment).kin_of
    about = [each for each in made if not each.allergen or scope.names(each.allergen, kin(each.allergen))]
    reasons: list[Reason] = [_outside(each) for each in about if each.result == Shown.OUTSIDE]
    basis: dict[object, ChangeoverVerification] = {}
    for equipment in lines.equipment_of(changeover):
        for asked in findings.asked_for(procedure, scope.allergens):
            for allergen in _looked_for(asked, scope):
                good = _within(about, equipment, asked, allergen)
                if good is None:
                    reasons.append(_not_shown(about, equipment, asked, allergen))
                else:
                    basis[good.pk] = good
    return _Found(reasons, list(basis.values()))


def _looked_for(asked: Asked, scope: Scope) -> list[str]:
    """What is measured is shown for each allergen; a look and cleanliness once."""
    if asked.by not in MEASURED:
        return [""]
    return [code for code in sorted(asked.allergens or ()) if scope.names(code)]


def _about(
    made: Collection[ChangeoverVerification], equipment: Equipment, asked: Asked, allergen: str
) -> list[ChangeoverVerification]:
    return [
        each
        for each in made
        if each.method == asked.by
        and each.equipment_id in (None, equipment.pk)
        and (not allergen or each.allergen == allergen)
    ]


def _within(
    made: Collection[ChangeoverVerification], equipment: Equipment, asked: Asked, allergen: str
) -> ChangeoverVerification | None:
    """The last that is within."""
    good = [each for each in _about(made, equipment, asked, allergen) if each.result == Shown.WITHIN]
    return good[-1] if good else None


def _outside(each: ChangeoverVerification) -> Reason:
    about = f" of {each.allergen}" if each.allergen else ""
    sentence = (
        f"The {each.get_method_display()}{about} is outside: clean again and record that as a changeover of its own. "
        f"{each.finding['sentence']}"
    )
    return Reason("verification-outside", sentence, "verifications", [str(each.pk)])


def _not_shown(
    made: Collection[ChangeoverVerification], equipment: Equipment, asked: Asked, allergen: str
) -> Reason:
    what = f"{asked.by} for {allergen}" if allergen else asked.by
    tried = _about(made, equipment, asked, allergen)
    if tried:
        sentence = f"{equipment}: {what} does not show it: {tried[-1].finding['sentence']}"
        return Reason("verification-not-within", sentence, "verifications", [str(each.pk) for each in tried])
    sentence = f"{equipment}: not shown yet: {what} ({asked.where})."
    return Reason("not-verified", sentence, "verifications", [str(equipment.pk)])


def _too_early(act: Act, changeover: Changeover, shown: _Found) -> Iterator[Reason]:
    if changeover.ended_at is not None and act.performed.at < changeover.ended_at:
        yield Reason("before-its-end", "It would be released before it ended.", "performed_at")
    for each in shown.basis:
        if act.performed.at < each.performed_at:
            sentence = "It would be released before it was verified."
            yield Reason("before-its-verification", sentence, "performed_at", [str(each.pk)])
