"""What several rows say of one material, one after another: each from its own day on."""

from config.api.refusals import RuleBroken
from haccp.models import Composition, StatedParts


def refuse_taken_day(row: Composition | StatedParts) -> None:
    """Raises RuleBroken ``day-taken``. The database keeps the same rule; this says what to do."""
    others = type(row)._default_manager.filter(material=row.material, in_force_from=row.in_force_from)
    if others.exclude(pk=row.pk).exists():
        raise RuleBroken(
            "There is one of this material from that day on; change that, or begin on another day.",
            code="day-taken",
            field="in_force_from",
        )
