"""Who works here: roles with their days, qualifications with their evidence, and what each may therefore do.

Statements on staff health or fitness are no part of it: none of these records holds any.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from ledger.models import Establishment, Membership, Person, Qualification, Role
from reports import tables
from reports.documents import Column, RecordLine
from reports.listing import Listing, Section, spoken
from reports.tables import Table

TITLE = gettext_lazy("people, training and qualifications")
FORMS = tables.FORMS
MAY: dict[str, Any] = {
    Role.OPERATOR: gettext_lazy("records the work"),
    Role.SUPERVISOR: gettext_lazy("records the work, decides on lots and releases"),
    Role.FOOD_SAFETY_LEAD: gettext_lazy("plans, decides on lots, releases, closes deviations"),
    Role.INSPECTOR: gettext_lazy("reads"),
    Role.ADMINISTRATOR: gettext_lazy("administers people"),
}


@dataclass(frozen=True)
class PersonLine:
    """``roles``: with their days. ``may``: what they may do today, by roles and qualifications."""

    name: str
    initials: str
    active: bool
    roles: tuple[str, ...]
    may: tuple[str, ...]


PEOPLE = (
    Column(gettext_lazy("Name"), "name", 3),
    Column(gettext_lazy("Initials"), "initials", 1),
    Column(gettext_lazy("Active"), "active", 1),
    Column(gettext_lazy("Roles"), "roles", 5),
    Column(gettext_lazy("May today"), "may", 5),
)


@dataclass(frozen=True, kw_only=True)
class QualificationLine(RecordLine):
    person: str
    title: str
    covers_plans: bool
    issued_by: str
    evidence: str
    valid_from: date
    valid_until: date | None
    holds: bool


QUALIFICATIONS = (
    Column(gettext_lazy("Person"), "person", 3),
    Column(gettext_lazy("Training or qualification"), "title", 4),
    Column(gettext_lazy("Issued by"), "issued_by", 3),
    Column(gettext_lazy("Evidence"), "evidence", 4),
    Column(gettext_lazy("From"), "valid_from", 3),
    Column(gettext_lazy("Until, not included"), "valid_until", 3),
    Column(gettext_lazy("Holds today"), "holds", 2),
    Column(gettext_lazy("For plans"), "covers_plans", 2),
)


@dataclass(frozen=True, kw_only=True)
class PeopleList(Listing):
    kind: ClassVar[str] = "people-list"
    shows_limits: ClassVar[bool] = False
    signed_in_rows: ClassVar[bool] = True

    on: date
    people: tuple[PersonLine, ...]
    qualifications: tuple[QualificationLine, ...]
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        return ((_("As it is on"), self.on.isoformat()),)

    def remarks(self) -> tuple[str, ...]:
        return (
            _("For plans: entitles to approve hazard plans and to review their records, for a lead."),
            _("Fitness and health of staff are no part of this list."),
        )

    def sections(self) -> tuple[Section, ...]:
        return (
            Section(_("People"), self.people, PEOPLE, _("Nobody has a role here.")),
            Section(
                _("Training and qualifications"),
                self.qualifications,
                QUALIFICATIONS,
                _("No training or qualification is recorded."),
            ),
        )

    def data_tables(self) -> tuple[Table, ...]:
        heads = (
            "person",
            "title",
            "covers_plans",
            "issued_by",
            "evidence",
            "valid_from",
            "valid_until",
            "holds",
        )
        return (
            tables.of_lines("people", self.people, ("name", "initials", "active", "roles", "may")),
            tables.of_records("qualifications", self.qualifications, heads),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Everybody who may ask for documents may ask for this."""


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> PeopleList:
    """Read people and what they are qualified for; call it within one snapshot."""
    today = head["made_at"].date()
    rows = Qualification.objects.of(here).filter(withdrawn=False)
    rows = rows.select_related(*RecordLine.FROM_RECORD, "person")
    found = list(rows.order_by("person__name", "valid_from", "id"))
    qualifications = tuple(_qualifications(found, today))
    for_plans = {
        each.person_id
        for each, line in zip(found, qualifications, strict=True)
        if line.covers_plans and line.holds and line.replaced is None
    }
    return PeopleList(
        on=today,
        people=tuple(_people(here, today, for_plans)),
        qualifications=qualifications,
        confirmed_rules=(),
        record_ids=tuple(sorted({key for line in qualifications for key in line.records})),
        **head,
    )


def _people(here: Establishment, today: date, for_plans: set[UUID]) -> Iterator[PersonLine]:
    roles: defaultdict[Person, list[Membership]] = defaultdict(list)
    rows = Membership.objects.filter(establishment=here).select_related("person")
    for row in rows.order_by("person__name", "person_id", "from_day"):
        roles[row.person].append(row)
    for person, held in roles.items():
        yield PersonLine(
            name=person.name,
            initials=person.initials,
            active=person.is_active,
            roles=tuple(map(_role, held)),
            may=tuple(_may(person, held, today, person.pk in for_plans)),
        )


def _role(held: Membership) -> str:
    word = spoken(held.get_role_display())
    if held.until_day is None:
        return _("%(role)s from %(first)s") % {"role": word, "first": held.from_day}
    return _("%(role)s from %(first)s until %(last)s, not included") % {
        "role": word,
        "first": held.from_day,
        "last": held.until_day,
    }


def _may(person: Person, held: Sequence[Membership], today: date, for_plans: bool) -> Iterator[str]:
    if not person.is_active:
        return
    now = [each.role for each in held if each.from_day <= today and not _over(each, today)]
    yield from (str(MAY[role]) for role in now)
    if Role.FOOD_SAFETY_LEAD in now and for_plans:
        yield _("approves plans and reviews their records")


def _over(held: Membership, today: date) -> bool:
    return held.until_day is not None and held.until_day <= today


def _qualifications(rows: Any, today: date) -> Iterator[QualificationLine]:
    for each in rows:
        until = each.valid_until
        yield QualificationLine.of(
            each,
            person=each.person.name,
            title=each.title,
            covers_plans=each.covers_plans,
            issued_by=each.issued_by,
            evidence=each.evidence,
            valid_from=each.valid_from,
            valid_until=until,
            holds=each.valid_from <= today and (until is None or today < until),
        )
