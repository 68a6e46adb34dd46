"""What commands that write records share: where, and who does it."""

from uuid import UUID

from django.core.management.base import CommandError

from config.api.refusals import Refusal
from ledger import people
from ledger.acts import Act, Moment
from ledger.models import Establishment, Person, Role

PLANNERS = {Role.FOOD_SAFETY_LEAD, Role.ADMINISTRATOR}


def establishment_of(pk: UUID) -> Establishment:
    found = Establishment.objects.filter(pk=pk).first()
    if found is None:
        raise CommandError(f"There is no establishment {pk}.")
    return found


def act_of_planner(establishment: Establishment, sign_in_name: str) -> Act:
    """The deed of a person who may plan there today."""
    person = Person.objects.filter(sign_in_name=sign_in_name, is_active=True).first()
    now = Moment.now(establishment)
    if person is not None:
        act = Act(establishment=establishment, performed_by=person, performed=now, recorded_by=person)
        if people.roles_of(person, establishment, act.local_day) & PLANNERS:
            return act
    raise CommandError(f"{sign_in_name} is no food-safety lead or administrator there. Nothing was written.")


def told(refusal: Refusal) -> str:
    """The refusal, and each of its reasons on a line of its own."""
    reasons = [reason.detail for reason in refusal.reasons if reason.detail != refusal.detail]
    return "\n".join([refusal.detail, *reasons])
