"""What of a house's confidential matters may leave it: nothing, unless a food-safety lead says so with a reason."""

from collections.abc import Collection
from uuid import UUID

from ledger import people
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Disclosure, Establishment, Part, Role


@deed
def disclose(*, act: Act, subject: UUID, part: str, given_to: str, because: str) -> Disclosure:
    """Raises NotAllowed for anybody but a food-safety lead."""
    record = Disclosure.new(act, subject=subject, part=part, given_to=given_to, because=because)
    record.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "lets confidential parts leave the house")
    return record.insert()


@deed
def take_back(*, act: Act) -> Disclosure:
    """From now on documents leave it out again; what was given stays given."""
    record = Disclosure.withdrawal(act)
    record.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "takes such a word back")
    return record.insert()


def standing(establishment: Establishment, subject: UUID, part: Part) -> Disclosure | None:
    """The latest word that this part of the subject may leave."""
    return standing_for(establishment, [subject], part).get(subject)


def standing_for(
    establishment: Establishment, subjects: Collection[UUID], part: Part
) -> dict[UUID, Disclosure]:
    """The latest word for each of the subjects that has one. One statement."""
    words = Disclosure.objects.of(establishment).standing().filter(subject__in=subjects, part=part)
    words = words.select_related("performed_by", "recorded_by", "establishment", "corrected_by")
    return {each.subject: each for each in words.order_by("recorded_at", "id")}
