"""The yearly trace exercise of the firm, played over the API on the hazelnuts of the day: nothing is recalled by it."""

from decimal import Decimal

from reports.demo.asking import Told
from reports.demo.house import PASSWORD, House
from reports.demo.story import Story


def play(house: House, story: Story, tell: Told) -> str:
    """Decided, frozen from a trace, every consignee asked by phone, answered, ended; the exercise's id."""
    lead, now = house.lead, story.now()
    exercise = lead.post(
        "recalls",
        performed_at=now,
        is_exercise=True,
        hazard="foreign-body",
        because="Yearly exercise: as if the grower had called about a stone in these hazelnuts.",
        determined_at=now,
        strategy={"depth": "retail", "level": "A", "because": "An exercise that reaches all who got some."},
        password=PASSWORD,
    )
    path = f"recalls/{exercise['id']}"
    scope = lead.post(f"{path}/scopes", performed_at=story.now(), lots=[story.lots["NUT"]["lot"]])
    for consignee in scope["consignees"]:
        said = {"partner": consignee["partner"], "means": "phone"}
        why = "An exercise: as if there might be a stone in it."
        lead.post(f"{path}/notices", performed_at=story.now(), why=why, **said)
        lots = [_answered(each) for each in consignee["lots"]]
        house.operator.post(f"{path}/answers", performed_at=story.now(), lots=lots, **said)
    lead.post(
        f"{path}/end",
        performed_at=story.now(),
        because="Everybody who got some was found and answered.",
        password=PASSWORD,
    )
    tell(
        f"The yearly trace exercise began with the hazelnuts: {len(scope['frozen'])} lots, {len(scope['consignees'])} "
        "customers, all told and all answered. Nothing was held by it.",
        f"{path}/status",
    )
    return str(exercise["id"])


def _answered(got: dict[str, str]) -> dict[str, str]:
    """What they say of a lot: what they did not send back is sold."""
    sold = Decimal(got["shipped"]) - Decimal(got["returned"])
    said = {"received": got["shipped"], "returned": got["returned"], "sold": str(sold)}
    return {"lot": got["lot"], "unit": got["unit"], **said}
