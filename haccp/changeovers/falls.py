"""A release falls with what it rests on: withdrawn by a record of its own, so that its cleaning breaks count no more.

What ran on the equipment since is held under a case: nobody can say any more what was left there. What that carried on,
through lots or on further equipment, is held with it where a label no longer declares what may be in a lot.
"""

from collections.abc import Collection
from uuid import UUID

from django.db.models import Q, QuerySet

from batches.models import CleaningBreak, Occupation
from haccp import deviations, holds, late_allergens
from haccp.allergens import lists
from haccp.changeovers import lines, scopes
from haccp.deviations import Touched
from haccp.late_allergens import Late
from haccp.models import Changeover, ChangeoverRelease, ChangeoverVerification, Deviation, HoldSubject
from ledger.acts import Act


def after(act: Act, changeover: Changeover, reason: str) -> None:
    """Let fall the releases of what ``changeover`` corrects or withdraws. Within a deed."""
    if changeover.corrects_id is not None:
        let_fall(act, ChangeoverRelease.objects.standing().filter(changeover=changeover.corrects_id), reason)


def after_overlap(act: Act, changeover: Changeover) -> None:
    """A release falls when a changeover of the same time comes in late: it would not have been released beside it."""
    others = lines.overlapping(changeover)
    releases = ChangeoverRelease.objects.standing().filter(changeover__in=[each.pk for each in others])
    let_fall(act, releases, "Another changeover of the same equipment overlaps it.")


def after_verification(act: Act, verification: ChangeoverVerification) -> None:
    """A release falls when what it rests on was corrected, or when something outside is found for what it covers."""
    releases = ChangeoverRelease.objects.standing().filter(
        changeover__in=_line_forward(verification.changeover)
    )
    for release in releases:
        if str(verification.corrects_id) in release.basis:
            let_fall(act, [release], "A verification it rests on was corrected or withdrawn.")
        elif (
            not verification.withdrawn and verification.result == "outside" and _covers(release, verification)
        ):
            let_fall(act, [release], "A verification found it outside afterwards.")


def _line_forward(changeover: Changeover) -> set[UUID]:
    """The record, and every later one that corrects it."""
    found: set[UUID] = set()
    each: Changeover | None = changeover
    while each is not None:
        found.add(each.pk)
        each = Changeover.objects.filter(corrects=each.pk).first()
    return found


def _covers(release: ChangeoverRelease, verification: ChangeoverVerification) -> bool:
    found = verification.allergen
    kin = lists.vocabulary(release.establishment).kin_of(found)
    return not found or scopes.from_json(release.scope).names(found, kin)


def let_fall(act: Act, releases: Collection[ChangeoverRelease], reason: str) -> None:
    """Withdraw releases, and hold what ran on their equipment since."""
    for release in releases:
        said = act.with_new_id(corrects=release.pk, withdraws=True, reason=reason)
        ChangeoverRelease.withdrawal(said).insert()
        hold_what_ran(act, release, reason)


def hold_what_ran(act: Act, release: ChangeoverRelease, reason: str) -> None:
    """One case with a hold on each piece of equipment that a batch was on since; none where nothing ran."""
    breaks = list(CleaningBreak.objects.filter(because_id=release.pk).select_related("equipment"))
    used = [each for each in breaks if _stays_since(each).exists()]
    if not used:
        return
    named = ", ".join(each.equipment.code for each in used)
    case = deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.CHANGEOVER,
        subject=release.pk,
        slot="fell",
        title=f"A released changeover of {named} shows nothing any more, and batches ran since. {reason}",
        because=release,
        hold=_touched(used[0]),
    )
    for each in used[1:]:
        holds.place(act=act.with_new_id(), deviation=case, touched=_touched(each))
    ran = {batch for each in used for batch in _stays_since(each).values_list("batch_id", flat=True)}
    carried = late_allergens.no_longer_right(act.establishment, Late(batches=ran))
    late_allergens.hold_under(act, case, carried.wrong)


def _stays_since(each: CleaningBreak) -> QuerySet[Occupation]:
    return Occupation.objects.filter(
        Q(until__isnull=True) | Q(until__gt=each.at), equipment=each.equipment_id
    )


def _touched(each: CleaningBreak) -> Touched:
    return Touched(HoldSubject.EQUIPMENT, each.equipment_id, each.at)
