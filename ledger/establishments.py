"""Setting up an establishment, and changing its profile."""

import uuid
from datetime import date
from typing import Any

from django.utils import timezone

from config.api.refusals import RuleBroken
from ledger import changes, gs1_keys, people
from ledger.acts import Act, Moment
from ledger.deeds import deed
from ledger.models import Change, Establishment, Person, Role, SealHead

PROFILE = frozenset(
    {
        "name",
        "address",
        "country",
        "time_zone",
        "altitude_m",
        "phased_start_until",
        "one_person_reason",
        "late_after_minutes",
        "decimal_comma",
        "balance_gap_permille",
        "buyers_kept_days",
        "exercise_mailbox",
        "reached_by",
        "gs1_prefixes",
        "gln",
    }
)
"""What may change later, each time with a record of before and after."""


@deed
def open_establishment(
    *, founder: Person, id: uuid.UUID | None = None, since: date | None = None, **values: Any
) -> Establishment:
    """Set up an establishment with ``founder`` as its first administrator and food-safety lead.

    ``since``: the day from which the founder has these roles; today if left out. That a founder whom nobody added
    was made is recorded here. Raises RuleBroken for who cannot sign in, as the service itself.
    """
    if not founder.is_active:
        raise RuleBroken(
            f"{founder.sign_in_name} cannot sign in, and so founds nothing. Nothing was written.",
            code="cannot-sign-in",
        )
    establishment = Establishment(**_checked(values))
    if id is not None:
        establishment.pk = id
    act = Act(
        establishment=establishment,
        performed_by=founder,
        performed=Moment.of(timezone.now()),
        recorded_by=founder,
        id=establishment.pk,
    )
    establishment = changes.make(act=act, row=establishment)
    if establishment.repeated:  # its first roles were given then
        return establishment
    SealHead.objects.get_or_create(establishment=establishment)
    for role in (Role.ADMINISTRATOR, Role.FOOD_SAFETY_LEAD):
        people.give_role(act=act.with_new_id(), person=founder, role=role, from_day=since or act.local_day)
    _record_founder(act.with_new_id(), founder)
    return establishment


def _record_founder(act: Act, founder: Person) -> None:
    """After the roles: a record names people of its own establishment only."""
    kind = founder._meta.label_lower
    if not Change.objects.filter(subject_kind=kind, subject_id=founder.pk).exists():
        shown = changes.shown(founder)
        Change.new(act, subject_kind=kind, subject_id=founder.pk, before={}, after=shown).insert()


@deed
def change_profile(*, act: Act, values: dict[str, Any], expected_version: int | None = None) -> Establishment:
    """Change the address, the clock or the compliance profile, and record what it was. Raises NotAllowed, Unusable.

    That who made a record may review it is a relief of a small firm, so it takes a food-safety lead.
    """
    unknown = set(values) - PROFILE
    if unknown:
        raise ValueError(f"not part of the profile: {sorted(unknown)}")
    reason = values.get("one_person_reason", act.establishment.one_person_reason)
    if reason != act.establishment.one_person_reason:
        people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "notes the exception of a one-person firm")
    return changes.alter(
        act=act, row=act.establishment, values=_checked(values), expected_version=expected_version
    )


def _checked(values: dict[str, Any]) -> dict[str, Any]:
    """GS1 numbers as they will be kept. Raises Unusable."""
    checked = dict(values)
    if "gs1_prefixes" in checked:
        checked["gs1_prefixes"] = [gs1_keys.check_prefix(each) for each in checked["gs1_prefixes"]]
    if checked.get("gln"):
        checked["gln"] = gs1_keys.check_gln(checked["gln"])
    return checked
