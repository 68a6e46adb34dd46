"""People, their roles here, what they are qualified for, and the keys of their programs."""

import hashlib
import secrets
from collections.abc import Callable, Collection, Iterable
from datetime import date, timedelta
from typing import Any

from django.contrib.auth import password_validation
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.utils import timezone

from config.api.refusals import NotAllowed, OtherContent, RuleBroken, Unknown, Unusable
from ledger import changes
from ledger.acts import Act, Moment
from ledger.deeds import deed
from ledger.models import Change, Establishment, Membership, Person, Qualification, Role, Token
from ledger.models.people import THE_SERVICE

LONGEST_TOKEN = timedelta(days=366)  # a site setting, no source


@deed
def add_person(*, act: Act, sign_in_name: str, name: str, initials: str, email: str, password: str) -> Person:
    """Make a person who can sign in. Raises Unusable for a weak password or a name that is taken."""
    person = Person(sign_in_name=sign_in_name, name=name, initials=initials, email=email)
    _set_password(person, password, field="password")
    taken = Person.objects.filter(sign_in_name=sign_in_name).values_list("pk", flat=True)
    if sign_in_name == THE_SERVICE or any(pk != act.id for pk in taken):
        raise Unusable("This sign-in name is taken.", field="sign_in_name", code="taken")
    return changes.make(act=act, row=person)


@deed
def add_member(*, act: Act, role: str, from_day: date, **values: Any) -> Person:
    """Make a person who can sign in, with a first role here.

    Of a repeat the first role is compared, the password is not: else whoever sends the id again could try passwords
    without being locked out. The one that was set first stays. Raises OtherContent for another first role.
    """
    person = add_person(act=act, **values)
    if person.repeated:
        _refuse_other_first_role(act, person, role, from_day)
    else:
        give_role(act=act.with_new_id(), person=person, role=role, from_day=from_day)
    return person


def _refuse_other_first_role(act: Act, person: Person, role: str, from_day: date) -> None:
    given = Change.objects.of(act.establishment).filter(
        subject_kind=Membership._meta.label_lower, before={}, after__person=str(person.pk)
    )
    first = given.order_by("recorded_at", "id")[0].after
    if (first["role"], first["from_day"]) != (role, from_day.isoformat()):
        raise OtherContent(
            f"Id {person.pk} is taken by a person whose first role is {first['role']} from {first['from_day']}. "
            "Nothing was changed.",
            field="role",
        )


@deed
def change_password(*, act: Act, person: Person, password: str) -> None:
    """Set a password: one's own, or as administrator that of someone who belongs here and nowhere else.

    Who set it, for whom and when is a record; the password itself stands in none.
    """
    if act.recorded_by.pk != person.pk:
        _refuse_foreign_password(act, person)
    _set_password(person, password, field="new_password")
    person.save(update_fields=["password"])
    Change.new(
        act,
        subject_kind=person._meta.label_lower,
        subject_id=person.pk,
        before={},
        after={"password": "set anew"},
    ).insert()


def _refuse_foreign_password(act: Act, person: Person) -> None:
    places = set(Membership.objects.filter(person=person).values_list("establishment", flat=True))
    if places != {act.establishment.pk}:
        raise NotAllowed("This person also belongs elsewhere; only they change their password.")
    today = timezone.now().astimezone(act.establishment.zone).date()
    if Role.ADMINISTRATOR not in roles_of(act.recorded_by, act.establishment, today):
        raise NotAllowed("Only an administrator here sets the password of somebody else.")


def _set_password(person: Person, password: str, *, field: str) -> None:
    try:
        password_validation.validate_password(password, person)
    except ValidationError as error:
        raise Unusable(" ".join(error.messages), field=field) from error
    person.set_password(password)


@deed
def give_role(
    *, act: Act, person: Person, role: str, from_day: date, until_day: date | None = None
) -> Membership:
    """Let a person act here in a role from a day on. Raises RuleBroken when they have it."""
    if role not in Role.values:
        raise Unusable(f"No such role: {role}. Known: {', '.join(Role.values)}.", field="role")
    if until_day is not None and until_day <= from_day:
        raise Unusable("A role ends after it begins.", field="until_day")
    held = Membership.objects.filter(establishment=act.establishment, person=person, role=role)
    if any(pk != act.id for pk in held.values_list("pk", flat=True)):
        raise RuleBroken(
            f"{person.name} has the role {role} already; change its days instead.", code="has-role"
        )
    row = Membership(
        establishment=act.establishment, person=person, role=role, from_day=from_day, until_day=until_day
    )
    return changes.make(act=act, row=row)


@deed
def change_days(
    *, act: Act, held: Membership, values: dict[str, Any], expected_version: int | None = None
) -> Membership:
    """Change from when until when a role is held. Raises RuleBroken ``last-administrator``, ChangedMeanwhile.

    Somebody must go on administering: who ends their own role names another administrator first.
    """
    _one_at_a_time([act.establishment])
    before = Membership.objects.get(pk=held.pk)
    changed = changes.alter(act=act, row=held, values=values, expected_version=expected_version)
    if changed.role == Role.ADMINISTRATOR and _shorter(before, changed):
        _refuse_last_administrator(act.establishment, changed.person)
    return changed


def _shorter(before: Membership, after: Membership) -> bool:
    ended, ends = before.until_day, after.until_day
    return after.from_day > before.from_day or (ends is not None and (ended is None or ends < ended))


def _refuse_last_administrator(establishment: Establishment, person: Person) -> None:
    today = timezone.now().astimezone(establishment.zone).date()
    others = Membership.objects.filter(establishment=establishment, role=Role.ADMINISTRATOR).exclude(
        person=person
    )
    if not others.filter(person__is_active=True, from_day__lte=today, until_day__isnull=True).exists():
        raise RuleBroken(
            f"{person.name} is the last administrator of {establishment.name}: give somebody else the role without "
            "a last day first. Nothing was written.",
            code="last-administrator",
        )


def _one_at_a_time(establishments: Iterable[Establishment]) -> None:
    """Two administrators who end each other's role at the same moment would leave none."""
    keys = sorted(each.pk for each in establishments)
    list(Establishment.objects.select_for_update(no_key=True).filter(pk__in=keys).order_by("pk"))


@deed
def make_inactive(*, act: Act, person: Person) -> Person:
    """Let a person sign in no more: their keys and sessions end, their password is forgotten.

    By an administrator of every establishment where the person has a role that has not ended; each of them keeps a
    record of it. What the person did stays theirs, and is still recorded late. Raises NotAllowed, Unknown,
    RuleBroken ``last-administrator``; done twice is done once.
    """
    if not is_member(act.establishment, person):
        raise Unknown(f"{person.pk} does not belong here.", field="person")
    if not person.is_active:
        return person
    places = {act.establishment.pk: act.establishment} | {each.pk: each for each in _works_at(person)}
    _one_at_a_time(places.values())
    _refuse_unless_administrator(act, places.values(), NOT_INACTIVE)
    for place in places.values():
        _refuse_last_administrator_of(place, person)
    for token in Token.objects.filter(person=person, revoked_at__isnull=True, establishment__in=places):
        revoke_token(act=act.with_new_id(establishment=places[token.establishment_id]), token=token)
    changed = _switch(act, person, places.values(), active=False)
    changed.set_unusable_password()  # a session holds only for the password it was begun with
    changed.save(update_fields=["password"])
    return changed


@deed
def make_active(*, act: Act, person: Person, password: str) -> Person:
    """Let somebody who was made inactive sign in again, with a new password and the roles that have not ended.

    A password is set with it, so it takes an administrator of every establishment where the person ever had a role
    (decision D10); each keeps a record. Their keys stay ended. Raises NotAllowed, Unknown, Unusable for a weak password;
    done twice is done once, and the password that was set first stays.
    """
    if not is_member(act.establishment, person):
        raise Unknown(f"{person.pk} does not belong here.", field="person")
    if person.is_active:
        return person
    places = list(Establishment.objects.filter(pk__in=person.memberships.values("establishment")))
    _one_at_a_time(places)
    _refuse_unless_administrator(act, places, NOT_ACTIVE)
    changed = _switch(act, person, places, active=True)
    _set_password(changed, password, field="new_password")
    changed.save(update_fields=["password"])
    return changed


def _switch(act: Act, person: Person, places: Iterable[Establishment], *, active: bool) -> Person:
    """Each place keeps a record of it."""
    changed = changes.alter(act=act, row=person, values={"is_active": active})
    told = {"before": {"is_active": not active}, "after": {"is_active": active}}
    for place in places:
        if place.pk != act.establishment.pk:
            there = act.with_new_id(establishment=place, note=act.note)
            Change.new(there, subject_kind=person._meta.label_lower, subject_id=person.pk, **told).insert()
    return changed


def _works_at(person: Person) -> list[Establishment]:
    """Where the person has a role that has not ended, on each place's own day."""
    held = Membership.objects.filter(person=person).select_related("establishment")
    now = timezone.now()
    return [
        row.establishment
        for row in held
        if row.until_day is None or row.until_day > now.astimezone(row.establishment.zone).date()
    ]


NOT_INACTIVE = (
    "Only who administers every place where somebody works makes them inactive. End their roles here instead. "
    "Nothing was written."
)
NOT_ACTIVE = (
    "Only who administers every place where somebody ever had a role makes them active again, since a password is set "
    "with it. Add them as a new person instead. Nothing was written."
)


def _refuse_unless_administrator(act: Act, places: Iterable[Establishment], because: str) -> None:
    now = timezone.now()
    for place in places:
        if Role.ADMINISTRATOR not in roles_of(act.recorded_by, place, now.astimezone(place.zone).date()):
            raise NotAllowed(because)


def _refuse_last_administrator_of(place: Establishment, person: Person) -> None:
    today = timezone.now().astimezone(place.zone).date()
    if Role.ADMINISTRATOR in roles_of(person, place, today):
        _refuse_last_administrator(place, person)


@deed
def qualify(*, act: Act, person: Person, **values: Any) -> Qualification:
    """Note what a person is qualified for, with evidence and days. Raises Unusable, Unknown."""
    if not is_member(act.establishment, person):
        raise Unknown(f"{person.pk} does not belong here.", field="person")
    valid_from, valid_until = values["valid_from"], values.get("valid_until")
    if valid_until is not None and valid_until <= valid_from:
        raise Unusable("A qualification ends after it begins.", field="valid_until")
    return Qualification.new(act, person=person, **values).insert()


def roles_of(person: Person, establishment: Establishment, on: date) -> frozenset[str]:
    """The roles a person has here on a local day."""
    held = Membership.objects.filter(person=person, establishment=establishment, from_day__lte=on)
    current = held.filter(Q(until_day__isnull=True) | Q(until_day__gt=on))
    return frozenset(current.values_list("role", flat=True))


# -- who may decide -----------------------------------------------------------------------------------


def day_without_role(act: Act, roles: Collection[str]) -> date | None:
    """The first day asked on which who acts has none of these roles here; None when they may decide."""
    here, person = act.establishment, act.performed_by
    return _first_day(act, lambda day: not (person.is_active and roles_of(person, here, day) & set(roles)))


def day_unqualified(act: Act) -> date | None:
    """The first day asked on which no qualification of who acts covers hazard plans; None when one always does."""
    return _first_day(act, lambda day: not may_approve_plans(act.performed_by, act.establishment, day))


def refuse_unless(act: Act, roles: Collection[str], does: str) -> None:
    """Raises NotAllowed where who decides has none of these roles; ``does`` goes on from "A food-safety lead"."""
    if day := day_without_role(act, roles):
        who = " or a ".join(sorted(Role(role).label for role in roles))
        raise NotAllowed(
            f"A {who} {does}; {act.performed_by.name} is none here on {day}. Nothing was written."
        )


def _first_day(act: Act, fails: Callable[[date], bool]) -> date | None:
    """Decisions ask the day they are said to be made and today: nobody dates one back into a role they had.

    Facts ask neither: what a former operator did is recorded whenever somebody keys it.
    """
    days = sorted({act.local_day, Moment.now(act.establishment).local.date()})
    return next(filter(fails, days), None)


# -- who is here --------------------------------------------------------------------------------------


def is_member(establishment: Establishment, person: Person) -> bool:
    """Whether a person has, had or will have a role here: late entries name people who have left."""
    return Membership.objects.filter(establishment=establishment, person=person).exists()


def may_approve_plans(person: Person, establishment: Establishment, on: date) -> bool:
    """Whether a standing qualification of this person covers hazard plans on a local day."""
    held = Qualification.objects.of(establishment).standing().filter(person=person, covers_plans=True)
    return (
        held.filter(valid_from__lte=on).filter(Q(valid_until__isnull=True) | Q(valid_until__gt=on)).exists()
    )


def service_person() -> Person:
    """The service itself, for what it notes without a person asking. Nobody can sign in as it."""
    found, made = Person.objects.get_or_create(
        sign_in_name=THE_SERVICE, defaults={"name": "The service", "initials": "SRV", "is_active": False}
    )
    if made:
        found.set_unusable_password()
        found.save(update_fields=["password"])
    return found


def members(establishment: Establishment) -> Iterable[Person]:
    return Person.objects.filter(memberships__establishment=establishment).distinct()


@deed
def give_token(*, act: Act, person: Person, label: str, days: int) -> tuple[Token, str]:
    """Make a key for a program in a person's name. The key itself is answered once and not kept."""
    if not 1 <= days <= LONGEST_TOKEN.days:
        raise Unusable(f"A key holds from 1 to {LONGEST_TOKEN.days} days.", field="days")
    if not is_member(act.establishment, person):
        raise Unknown(f"{person.pk} does not belong here.", field="person")
    key, now = secrets.token_urlsafe(32), timezone.now()
    token = Token(
        establishment=act.establishment,
        person=person,
        label=label,
        key_hash=hash_of(key),
        made_at=now,
        ends_at=now + timedelta(days=days),
    )
    return changes.make(act=act, row=token), key


@deed
def revoke_token(*, act: Act, token: Token) -> Token:
    """End a key now; ended twice is ended once."""
    if token.revoked_at is not None:
        return token
    return changes.alter(act=act, row=token, values={"revoked_at": timezone.now()})


def hash_of(key: str) -> str:
    """Keys are 256 random bits, so one plain hash is enough to hide them."""
    return hashlib.sha256(key.encode()).hexdigest()
