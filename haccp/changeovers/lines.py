"""What records of changeovers come to: which of them stand, what is missing, what overlaps, what is in the way."""

from collections.abc import Collection, Iterator
from datetime import datetime
from uuid import UUID

from django.db.models import Q, QuerySet

from batches.models import Equipment, Occupation
from config.api.refusals import Reason
from haccp.changeovers import procedures, sheets
from haccp.changeovers.procedure_documents import Procedure
from haccp.models import Changeover, ChangeoverRelease, ChangeoverVerification, CleaningProcedureVersion
from ledger.models import Establishment


def line_of(changeover: Changeover) -> list[UUID]:
    """The record and what it corrects, back to the first: verifications of any of them are about the same work."""
    found, before = [changeover.pk], changeover.corrects_id
    while before is not None:
        found.append(before)
        before = Changeover.objects.values_list("corrects_id", flat=True).get(pk=before)
    return found


def equipment_of(changeover: Changeover) -> list[Equipment]:
    return list(Equipment.objects.filter(pk__in=changeover.equipment).order_by("code", "id"))


def standing_release(changeover: Changeover) -> ChangeoverRelease | None:
    """The release that stands for this very record; one of a record it corrects has fallen."""
    return ChangeoverRelease.objects.standing().filter(changeover=changeover).first()


def on_equipment(
    establishment: Establishment,
    equipment: Collection[UUID],
    *,
    since: datetime | None = None,
    until: datetime | None = None,
) -> list[Changeover]:
    """Standing changeovers of any of ``equipment`` that touch a span of time, in the order they began.

    One that nobody ended may last still.
    """
    found = in_span([establishment.pk], since=since, until=until)
    wanted = {str(pk) for pk in equipment}
    rows = found.select_related("procedure_version__procedure")
    return [each for each in rows if wanted & set(each.equipment)]


def in_span(
    establishments: Collection[UUID], *, since: datetime | None = None, until: datetime | None = None
) -> QuerySet[Changeover]:
    """The same of whatever equipment there is."""
    found = Changeover.objects.standing().filter(establishment__in=establishments)
    if until is not None:
        found = found.filter(performed_at__lte=until)
    if since is not None:
        found = found.filter(Q(ended_at__isnull=True) | Q(ended_at__gte=since))
    return found.order_by("performed_at", "id")


# -- what is wrong with one ---------------------------------------------------------------------------


def shortcomings(changeover: Changeover) -> list[Reason]:
    """Everything that is missing on it or in its way, all at once. It was recorded all the same."""
    procedure = procedures.document_of(changeover.procedure_version)
    found = sheets.shortcomings(
        procedure,
        changeover.performed_at,
        changeover.ended_at,
        changeover.steps,
        changeover.dry_before_start,
        changeover.clearance,
    )
    return [
        *found,
        *_procedure(changeover, procedure),
        *_overlaps(changeover),
        *_occupied(changeover),
    ]


def _procedure(changeover: Changeover, procedure: Procedure) -> Iterator[Reason]:
    used = changeover.procedure_version
    approved = CleaningProcedureVersion.objects.standing().filter(
        procedure=used.procedure_id, performed_at__lte=changeover.performed_at
    )
    newest = approved.order_by("-number").first()
    if newest is None or newest.pk != used.pk:
        sentence = (
            f"Version {used.number} of {used.procedure.code} was not the one in force when it was cleaned."
        )
        yield Reason(
            "procedure-not-in-force", sentence, "procedure_version", [str(newest.pk)] if newest else []
        )
    for each in equipment_of(changeover):
        if not procedure.is_for(each.kind):
            sentence = f"The procedure is not meant for {each} ({each.kind})."
            yield Reason("procedure-not-for-this", sentence, "equipment", [str(each.pk)])


def _overlaps(changeover: Changeover) -> Iterator[Reason]:
    for other in overlapping(changeover):
        sentence = "Another changeover of the same equipment overlaps it: withdraw or correct one of the two."
        yield Reason("overlapping-changeover", sentence, "equipment", [str(other.pk)])


def overlapping(changeover: Changeover) -> list[Changeover]:
    """Other standing changeovers of any of its equipment at the same time."""
    others = on_equipment(
        changeover.establishment,
        [UUID(pk) for pk in changeover.equipment],
        since=changeover.performed_at,
        until=changeover.ended_at,
    )
    return [each for each in others if each.pk != changeover.pk and _at_once(changeover, each)]


def _at_once(one: Changeover, other: Changeover) -> bool:
    """One that ends when the other begins is no overlap; two that begin at once are."""
    began = max(one.performed_at, other.performed_at)
    ended = min((each.ended_at for each in (one, other) if each.ended_at is not None), default=None)
    return one.performed_at == other.performed_at or ended is None or began < ended


def _occupied(changeover: Changeover) -> Iterator[Reason]:
    """A batch that was on it while it was cleaned: nobody can say then what was left behind."""
    if changeover.ended_at is None:
        return
    taken = Occupation.objects.filter(
        Q(until__isnull=True) | Q(until__gt=changeover.performed_at),
        equipment__in=changeover.equipment,
        since__lt=changeover.ended_at,
    )
    for each in taken.select_related("equipment", "batch").order_by("since", "id"):
        sentence = f"{each.equipment} was occupied by batch {each.batch.code} meanwhile: end that batch or free it first."
        yield Reason(
            "equipment-occupied", sentence, "equipment", [str(each.equipment_id), str(each.batch.uid)]
        )


# -- what was shown ------------------------------------------------------------------------------------


def verifications_of(changeover: Changeover) -> list[ChangeoverVerification]:
    """Those that stand, of the whole line, in the order they were made."""
    found = ChangeoverVerification.objects.standing().filter(changeover__in=line_of(changeover))
    return list(found.order_by("performed_at", "id"))


def that_count(changeover: Changeover, procedure: Procedure) -> list[ChangeoverVerification]:
    """Those made after the last step that takes food away; what was looked at before shows nothing."""
    since = sheets.last_taking_away(procedure, changeover.performed_at, changeover.steps)
    return [each for each in verifications_of(changeover) if each.performed_at >= since]
