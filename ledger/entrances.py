"""Letting an inspector in: whom, to which days of the records, from when until when.

Who is nothing but an inspector here reads only while an entrance stands and is open. A revoked one ends at once, in a
session that goes on and with a key that is left: it is asked anew with each request.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.utils import timezone

from config.api.refusals import NotAllowed, RuleBroken, Unusable
from ledger import people
from ledger.acts import Act, Moment
from ledger.deeds import deed
from ledger.models import Entrance, Establishment, Person, Role

LONGEST = timedelta(days=366)  # a site setting, no source
FIRST_YEAR, LAST_YEAR = 1900, 9000  # no record of this trade lies outside
LET_IN = {Role.ADMINISTRATOR, Role.FOOD_SAFETY_LEAD}
NOT_IN = "no-open-entrance"
"""The code of the problem: a person who only inspects here finds every door shut."""


@dataclass(frozen=True)
class Days:
    """The days of the records that an entrance opens: local days, both included."""

    first: date
    last: date


@deed
def let_in(
    *,
    act: Act,
    person: Person,
    authority: str,
    because: str,
    opens_at: datetime,
    closes_at: datetime,
    first_day: date,
    last_day: date | None = None,
) -> Entrance:
    """Open an entrance for somebody who is an inspector here and nothing else.

    Raises NotAllowed for anybody but an administrator or a food-safety lead, Unusable for times, RuleBroken where the
    person works here (they read anyway), is no inspector here, or has another entrance at that time.
    """
    _refuse_times(opens_at, closes_at, first_day, last_day)
    record = Entrance.new(
        act,
        person=person,
        authority=authority,
        because=because,
        opens_at=opens_at,
        closes_at=closes_at,
        first_day=first_day,
        last_day=last_day,
    )
    record.answer_if_repeated()
    people.refuse_unless(act, LET_IN, "lets an inspector in")
    if act.corrects is not None:
        raise RuleBroken("Revoke it, and open another.", code="revoked-not-corrected", field="corrects")
    _refuse_person(act.establishment, person, opens_at)
    _refuse_second(record)
    return record.insert()


@deed
def let_in_somebody_new(*, act: Act, who: dict[str, Any], **values: Any) -> Entrance:
    """The same for an inspector who was never here: a person who can sign in, with this one role and one entrance.

    ``who``: sign_in_name, name, initials, email, password. A role as inspector alone opens nothing, so a lead may give it.
    """
    people.refuse_unless(act, LET_IN, "lets an inspector in")
    known = Entrance.objects.of(act.establishment).filter(pk=act.id).first() if act.id else None
    person = known.person if known else _newcomer(act, who)
    return let_in(act=act, person=person, **values)


def _newcomer(act: Act, who: dict[str, Any]) -> Person:
    today = Moment.now(act.establishment).local.date()
    return people.add_member(act=act.with_new_id(), role=Role.INSPECTOR, from_day=today, **who)


@deed
def revoke(*, act: Act) -> Entrance:
    """From now on it opens nothing. What was looked at stays in the list of looks."""
    record = Entrance.withdrawal(act)
    record.answer_if_repeated()
    people.refuse_unless(act, LET_IN, "revokes an entrance")
    return record.insert()


def _refuse_times(opens_at: datetime, closes_at: datetime, first_day: date, last_day: date | None) -> None:
    if closes_at <= opens_at:
        raise Unusable("An entrance closes after it opens.", field="closes_at")
    if closes_at - opens_at > LONGEST:
        raise Unusable(f"An entrance is open for {LONGEST.days} days at most.", field="closes_at")
    for name, day in (("first_day", first_day), ("last_day", last_day or first_day)):
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise Unusable("No work was recorded in that year.", field=name)
    if last_day is not None and last_day < first_day:
        raise Unusable("The days of the records end after they begin.", field="last_day")


def _refuse_person(here: Establishment, person: Person, opens_at: datetime) -> None:
    roles = people.roles_of(person, here, opens_at.astimezone(here.zone).date())
    if roles - {Role.INSPECTOR}:
        raise RuleBroken(
            f"{person.name} works here as {', '.join(sorted(roles - {Role.INSPECTOR}))} and reads all of it anyway. End "
            "those roles first. Nothing was written.",
            code="works-here",
            field="person",
        )
    if not roles:
        raise RuleBroken(
            f"{person.name} has no role as inspector here on that day. Give it first. Nothing was written.",
            code="no-inspector",
            field="person",
        )


def _refuse_second(record: Entrance) -> None:
    """One at a time, so that it is clear which days are open; the establishment's row keeps two askers apart."""
    Establishment.objects.select_for_update(no_key=True).get(pk=record.establishment_id)
    others = _standing(record.establishment, record.person)
    other = others.filter(opens_at__lt=record.closes_at, closes_at__gt=record.opens_at).first()
    if other is not None:
        raise RuleBroken(
            f"{record.person.name} has an entrance from {_told(other.opens_at, record.establishment)} until "
            f"{_told(other.closes_at, record.establishment)} already. Revoke it, or open this one at another time. Nothing "
            "was written.",
            code="another-entrance",
            field="opens_at",
        )


def _standing(here: Establishment, person: Person) -> Any:
    return Entrance.objects.of(here).standing().filter(person=person)


def of_today(person: Person, here: Establishment) -> Entrance:
    """The entrance that is open now. Raises NotAllowed ``no-open-entrance``, saying whom to ask."""
    now = timezone.now()
    found: Entrance | None = _standing(here, person).filter(opens_at__lte=now, closes_at__gt=now).first()
    if found is None:
        raise NotAllowed(_why_shut(person, here, now), code=NOT_IN)
    found.establishment = here
    return found


def _why_shut(person: Person, here: Establishment, now: datetime) -> str:
    ask = f"Ask a food-safety lead or an administrator of {here.name} to open one. Nothing was shown."
    rows = Entrance.objects.of(here).filter(person=person).select_related("corrected_by")
    last: Entrance | None = rows.filter(withdrawn=False).order_by("-closes_at").first()
    if last is None:
        return f"No entrance was opened for you here. {ask}"
    if (revoked := getattr(last, "corrected_by", None)) is not None:
        return f"Your entrance was revoked on {_told(revoked.recorded_at, here)}. {ask}"
    if last.opens_at > now:
        return f"Your entrance opens on {_told(last.opens_at, here)}. Nothing was shown."
    return f"Your entrance ended on {_told(last.closes_at, here)}. {ask}"


def _told(at: datetime, here: Establishment) -> str:
    return at.astimezone(here.zone).isoformat(sep=" ", timespec="minutes")


def days_of(entrance: Entrance) -> Days | None:
    """The days it opens, up to today where it has no last one. None: they begin after today."""
    today = timezone.now().astimezone(entrance.establishment.zone).date()
    last = today if entrance.last_day is None else entrance.last_day
    return Days(entrance.first_day, last) if entrance.first_day <= last else None
