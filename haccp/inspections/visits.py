"""Somebody comes to inspect, is shown or copies something, and leaves. None of it is refused for being told late."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q
from django.db.models.functions import Coalesce

from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.inspections.signals import document_named
from haccp.models import Inspection, InspectionEnd, InspectionNote
from ledger import people
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Person, Record

MOST_VISITORS = 20  # of one visit (a site setting, no source)


@deed
def arrive(
    *,
    act: Act,
    by_whom: str,
    body: str,
    why: str,
    how: str = "on-site",
    about: str = "",
    announced_on: date | None = None,
    reference: str = "",
    methods: str = "",
    visitors: Sequence[Mapping[str, str]] = (),
    accompanied_by: Sequence[Person] = (),
) -> Inspection:
    """Somebody came, or wrote, at the time of the act. ``visitors``: {"name", "function"} each. Raises Unusable, Unknown."""
    visit = Inspection.new(
        act,
        by_whom=by_whom,
        body=body.strip(),
        why=why,
        how=how,
        about=about.strip(),
        announced_on=announced_on,
        reference=reference.strip(),
        methods=methods.strip(),
        visitors=[{"name": each["name"], "function": each["function"]} for each in visitors],
        accompanied_by=[str(each.pk) for each in accompanied_by],
    )
    visit.first_id = _line(visit.corrects)
    visit.answer_if_repeated()
    _refuse_unusable(act, visit)
    for person in accompanied_by:
        if not people.is_member(act.establishment, person):
            raise Unknown(f"There is no person {person.pk} here.", field="accompanied_by")
    return visit.insert()


def _line(corrected: Any) -> UUID | None:
    return corrected and (corrected.first_id or corrected.pk)


def _refuse_unusable(act: Act, visit: Inspection) -> None:
    if not visit.body:
        raise Unusable("Say which office or firm came.", code="missing", field="body")
    if visit.why == "other" and not visit.about:
        raise Unusable("Say what they came for.", code="missing", field="about")
    if len(visit.visitors) > MOST_VISITORS:
        raise Unusable(f"One visit names up to {MOST_VISITORS} people.", code="too-many", field="visitors")
    if visit.first_id is not None:
        end = end_of(visit.first_id)
        if end is not None and end.performed_at < act.performed.at:
            raise _ends_before(end.performed_at)


@deed
def note(
    *,
    act: Act,
    inspection: Inspection,
    what: str,
    text: str = "",
    document: int | None = None,
    record: Entry | None = None,
) -> InspectionNote:
    """Something was shown, copied or said. Raises Unusable for a note of nothing, Unknown for what is not here."""
    made = InspectionNote.new(
        act, inspection_id=line_of(inspection), what=what, text=text.strip(), document=document, record=record
    )
    made.answer_if_repeated()
    refuse_foreign(act, inspection, record=record)
    refuse_other_visit(made)
    if not (made.text or document is not None or record is not None):
        raise Unusable("Say what it was: in words, a document's number, or a record.", field="text")
    if document is not None:
        document_named.send(sender=InspectionNote, establishment=act.establishment, number=document)
    return made.insert()


@deed
def leave(
    *,
    act: Act,
    inspection: Inspection,
    outcome: str = "",
    reference: str = "",
    disagrees: bool = False,
    objection: str = "",
) -> InspectionEnd:
    """They left at the time of the act. Raises Unusable for a time before they came, RuleBroken where they left already.

    What is told of the visit after that is taken all the same: a report often comes by letter.
    """
    first = line_of(inspection)
    made = InspectionEnd.new(
        act,
        inspection_id=first,
        outcome=outcome.strip(),
        reference=reference.strip(),
        disagrees=disagrees,
        objection=objection.strip(),
    )
    made.answer_if_repeated()
    refuse_foreign(act, inspection)
    refuse_other_visit(made)
    made.arrived_at = standing(first).performed_at
    if act.performed.at < made.arrived_at:
        raise _ends_before(act.performed.at)
    if disagrees and not made.objection:
        raise Unusable("Say in the house's own words why.", code="missing", field="objection")
    known = end_of(first)
    if known is not None and act.corrects != known.pk:
        raise RuleBroken(
            "That they left is recorded already; correct that record with a reason.",
            code="ended-already",
            field="corrects",
        )
    return made.insert()


def _ends_before(left: datetime) -> Unusable:
    return Unusable(
        f"They would have left ({left:%Y-%m-%d %H:%M} UTC) before they came. Nothing was written.",
        code="ends-before",
        field="performed_at",
    )


# -- lines of corrections --------------------------------------------------------------------------------


def line_of(record: Any) -> UUID:
    """The first record of its line, which all that belongs to it names."""
    found: UUID = record.first_id or record.pk
    return found


def standing(first: UUID) -> Inspection:
    """A visit as it stands now; the withdrawal of one that never was."""
    return Inspection.objects.select_related("establishment").get(of_line(first), corrected_by__isnull=True)


def of_line(first: UUID) -> Q:
    return Q(pk=first) | Q(first=first)


LEFT = Exists(
    InspectionEnd.objects.standing().filter(inspection=Coalesce(OuterRef("first_id"), OuterRef("pk")))
)
"""Of visits: that they have left, as is recorded."""


def end_of(first: UUID) -> InspectionEnd | None:
    found: InspectionEnd | None = InspectionEnd.objects.standing().filter(inspection=first).first()
    return found


# -- what all that belongs to a visit asks -----------------------------------------------------------------


def refuse_foreign(act: Act, inspection: Inspection, **rows: Any) -> None:
    """Raise Unknown for a row of another establishment, RuleBroken for a visit that was withdrawn."""
    for field, row in {"inspection": inspection, **rows}.items():
        if row is not None and row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no such {field.replace('_', ' ')} here.", field=field)
    if standing(line_of(inspection)).withdrawn:
        raise RuleBroken(
            "That visit was withdrawn: it never was. Record the right one. Nothing was written.",
            code="withdrawn",
            field="inspection",
        )


def refuse_other_visit(made: Record, same: str = "inspection_id") -> None:
    """A correction stays with the visit, sample or finding of what it corrects."""
    corrected: Any = made.corrects
    if corrected is not None and getattr(corrected, same) != getattr(made, same):
        raise RuleBroken(
            f"Record {corrected.pk} belongs to another {same.removesuffix('_id')}; correct it there.",
            code="corrects-another",
            field="corrects",
        )


def names_of(uids: Sequence[str]) -> list[str]:
    """The names of people by their uuids, in that order."""
    names = dict(Person.objects.filter(pk__in=uids).values_list("pk", "name"))
    return [names[UUID(uid)] for uid in uids if UUID(uid) in names]
