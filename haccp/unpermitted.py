"""What cases of batches that went on equipment without permission name already, so that nothing is asked twice."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field
from uuid import UUID

from batches.models import Batch, EquipmentUse
from haccp.changeovers import starting
from haccp.models import Deviation, StartPermission

AT_START = "start"
"""The slot of the case of a start out of order; cases of equipment taken later have one for each."""


def taken(use: UUID) -> str:
    """The slot of what one record of a use of equipment opened."""
    return f"taken {use}"


def begun_on(start: UUID, equipment: UUID) -> str:
    """The slot of what a corrected start opened for one piece of equipment."""
    return f"begun {start} {equipment}"


@dataclass
class Named:
    """What cases of one batch ask for already. ``started``: (equipment, earlier batch) that its start named.

    ``taken``: by equipment that was taken into it while it ran, or by a corrected start, what the case says.
    """

    started: set[tuple[str, str]] = field(default_factory=set)
    taken: defaultdict[UUID, str] = field(default_factory=lambda: defaultdict(str))

    def names(self, equipment: UUID, before: UUID, code: str) -> bool:
        """Whether one names what the earlier batch, of that id and code, left on the equipment."""
        if (str(equipment), str(before)) in self.started:
            return True
        return starting.of_batch(code) in self.taken.get(equipment, "")


def named_already(batches: Collection[Batch], *, only_open: bool = False) -> dict[int, Named]:
    """By batch. A start out of order, and equipment taken out of order, each have a case of their own."""
    found = {each.pk: Named() for each in batches}
    keys = {each.uid: each.pk for each in batches}
    cases = Deviation.objects.filter(what=Deviation.What.EMERGENCY_START, subject__in=keys)
    if only_open:
        cases = cases.filter(closing__isnull=True)
    started = set(cases.filter(slot=AT_START).values_list("subject", flat=True))
    of_these = {each.permission_id: each.pk for each in batches if each.uid in started}
    for permission in StartPermission.objects.filter(pk__in=of_these):
        found[of_these[permission.pk]].started = {
            (each["ids"][0], each["ids"][1])
            for each in permission.warnings
            if each["code"] == starting.LEFT and len(each["ids"]) == 2
        }
    later = list(cases.exclude(slot=AT_START).values_list("because", "subject", "slot", "title"))
    uses = EquipmentUse.objects.in_bulk([because for because, *_ in later])
    for because, subject, slot, title in later:
        equipment = uses[because].equipment_id if because in uses else _equipment_of(slot)
        if equipment is not None:
            found[keys[subject]].taken[equipment] += title
    return found


def _equipment_of(slot: str) -> UUID | None:
    """Of the slot of a corrected start, which may have put several pieces of equipment into the batch."""
    return UUID(slot.split()[2]) if slot.startswith("begun ") else None
