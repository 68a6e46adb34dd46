"""Every kind of limit over HTTP: stored as sent, judged, told in a sentence, held when outside; and on the batch record.

One control point of a fixture plan asks for all kinds at once. No number here is a limit to work by.
"""

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest

from batches.models import Batch, LotState
from haccp import checks
from haccp.api.checks import KeptReference
from haccp.limits import Result
from haccp.models import Check, Deviation, Hold
from haccp.trials import PointTrial, propose, run
from ledger.ids import uuid7
from ledger.models import Person
from reports import rendering
from reports.jobs import ask, read
from tests.conftest import NOON, Client
from tests.haccp.conftest import HOUR, MINUTE, MORNING, SAMPLE
from tests.haccp.test_judges import COOL, COUNT, HOT, RESIDUE, SWAB

pytestmark = pytest.mark.django_db

AW = {
    "kind": "range",
    "quantity": "water activity",
    "unit": "C62",
    "upper": "0.65",
    "asks": ["sample_temperature"],
}
LID = {"kind": "observation", "quantity": "lid", "accepted": ["closed"], "outcomes": ["closed", "open"]}
TUB = {"kind": "all_of", "quantity": "tub", "members": [AW, LID]}
SLAB = COOL | {"quantity": "slab"}
LIMITS = [HOT, SLAB, COUNT, RESIDUE | SWAB, TUB]


@pytest.fixture(autouse=True)
def _nothing_kept() -> Iterator[None]:
    """What one process keeps of written-once rows must not outlive a test's database."""
    KeptReference._rows.clear()
    yield
    KeptReference._rows.clear()


@pytest.fixture
def document(document: dict[str, Any]) -> dict[str, Any]:
    """CP-AW-2 asks for every kind; the reading over time is a thermometer's."""
    point = next(each for each in document["control_points"] if each["code"] == "CP-AW-2")
    point["limits"] = [each | {"source": {"provenance": "site"}} for each in LIMITS]
    point["monitoring"]["instrument"] = "thermometer"
    point["validation"] = {"evidence": "A trial on site, invented for this test."}
    return document


def points(*said: tuple[int, str]) -> list[dict[str, str]]:
    return [{"at": (MORNING + timedelta(minutes=at)).isoformat(), "value": value} for at, value in said]


GOOD = {
    "core": {"unit": "CEL", "points": points((0, "69"), (1, "75"), (4, "75.5"))},
    "slab": {"unit": "FAH", "points": points((0, "140"), (30, "100"), (80, "68"), (140, "41"))},
    "blades": {"counted_out": "4", "counted_in": "4"},
    "hazelnut protein": {"value": "< 0.5", "unit": "59"},
    "water activity": {"value": "0.52", "unit": "C62", **SAMPLE},
    "lid": {"outcome": "closed"},
}


def readings(**others: Any) -> list[dict[str, Any]]:
    return [{"quantity": name, **said} for name, said in (GOOD | others).items()]


@pytest.fixture
def measure(act: Any, point: Any, thermometer: Any) -> Callable[..., Check]:
    """As the usual one, with every kind within limits."""

    def do(batch: Batch, value: str = "0.52", said_act: Any = None, **values: Any) -> Check:
        subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=thermometer, **values)
        aw = GOOD["water activity"] | {"value": value}
        return checks.record(act=said_act or act(), subject=subject, said=readings(**{"water activity": aw}))

    return do


@pytest.fixture
def body(batch: Batch, point: Any, thermometer: Any) -> Callable[..., dict[str, Any]]:
    def make(at: Any = NOON, on: Batch | None = None, **others: Any) -> dict[str, Any]:
        return {
            "performed_at": at.isoformat(),
            "control_point": str(point("CP-AW-2").pk),
            "batch": str((on or batch).uid),
            "instrument": str(thermometer.pk),
            "readings": readings(**others),
        }

    return make


def test_every_kind_is_kept_as_sent_and_judged(api: Client, body: Any):
    answer = api.send("checks", body())
    said = answer.json()
    assert (answer.status_code, said["result"]) == (201, "within"), said
    assert said["readings"] == readings()
    assert [(each["limit"]["kind"], each["result"], each.get("all_of")) for each in said["judgements"]] == [
        ("time_at_temperature", "within", None),
        ("cooling", "within", None),
        ("count", "within", None),
        ("residue", "within", None),
        ("range", "within", "tub"),
        ("observation", "within", "tub"),
    ]
    assert said["sentences"][0].startswith(
        "Counted about 3.8333 min; time at or above 70 °C (core) must be 2 min or more"
    )
    assert [each["result"] for each in said["judgements"][1]["windows"]] == ["within", "within"]
    assert "Below what the method detects (< 0.5)" in " ".join(said["sentences"])
    assert not Deviation.objects.exists()


BAD = {
    "core": ({"unit": "CEL", "points": points((0, "69"), (1, "70"), (2, "70"))}, "Off by 1 min"),
    "slab": (
        {"unit": "CEL", "points": points((0, "60"), (10, "56"), (70, "50"), (130, "46"))},
        "slab, to 21 must be",
    ),
    "blades": ({"counted_out": "4", "counted_in": "3"}, "Counted out 4, in 3 (blades): 1 missing"),
    "hazelnut protein": ({"value": "30", "unit": "MC"}, "1.2 ppm (entered 30 µg)"),
    "water activity": ({"value": "0.7", "unit": "C62", **SAMPLE}, "Off by 0.05"),
    "lid": ({"outcome": "open"}, "Seen: open. The plan asks for: closed."),
}


@pytest.mark.parametrize("name", BAD)
def test_outside_opens_a_case_with_a_hold_and_says_why(
    api: Client, body: Any, make_lot: Any, batch: Batch, name: str
):
    lot = make_lot(batch)
    said, sentence = BAD[name]
    answer = api.send("checks", body(**{name: said})).json()
    assert answer["result"] == "outside"
    assert [each["result"] for each in answer["judgements"]].count("outside") == 1
    assert sentence in " ".join(answer["sentences"])
    case = Deviation.objects.get()
    assert (str(case.subject), sentence in case.title) == (answer["id"], True)
    assert LotState.objects.get(lot=lot).status == "held"
    assert Hold.objects.count() == 1


OPEN = {
    "core": {"unit": "CEL", "points": points((0, "75"), (1, "75"), (10, "75"))},
    "slab": {"unit": "CEL", "points": points((0, "60"), (30, "40"), (60, "20"), (90, "9"))},
    "hazelnut protein": {"value": "< 2.5", "unit": "59"},
}


def test_undecided_holds_nothing_and_reopens_a_release(
    api: Client, body: Any, begin: Any, make_lot: Any, end: Any, check_all: Any, accept: Any
):
    batch = begin()
    lot = make_lot(batch, at=MORNING + 50 * MINUTE)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    accept(lot, at=MORNING + HOUR + 2 * MINUTE)
    answer = api.send("checks", body(on=batch, **OPEN)).json()
    assert [each["result"] for each in answer["judgements"]][:4] == [
        "undecided",
        "undecided",
        "within",
        "undecided",
    ]
    assert "Measure again" in answer["sentences"][0]
    assert (answer["result"], LotState.objects.get(lot=lot).status) == ("undecided", "awaiting")
    assert not Deviation.objects.exists()


@pytest.mark.parametrize(
    ("others", "field"),
    [
        ({"blades": {"counted_out": "4", "counted_in": "-4"}}, "readings.2.counted_in"),
        ({"blades": {"counted_out": "4,0", "counted_in": "4"}}, "readings.2.counted_out"),
        ({"core": {"value": "75", "unit": "CEL"}}, "readings.0.points"),
        ({"core": {"unit": "CEL", "points": points((0, "75"))}}, "readings.0.points"),
        ({"core": {"unit": "MIN", "points": points((0, "75"), (1, "75"))}}, "readings.0.unit"),
        ({"hazelnut protein": {"value": "<0", "unit": "59"}}, "readings.3.value"),
        ({"lid": {"outcome": "ajar"}}, "readings.5.outcome"),
    ],
)
def test_what_cannot_be_judged_is_named_and_nothing_is_kept(api: Client, body: Any, others: Any, field: str):
    answer = api.send("checks", body(**others))
    assert (answer.status_code, [each["field"] for each in answer.json()["errors"]]) == (400, [field])
    assert not Check.objects.exists()


@pytest.mark.parametrize("missing", ["lid", "blades", "core"])
def test_each_limit_and_each_member_needs_its_reading(api: Client, body: Any, missing: str):
    said = body()
    said["readings"] = [each for each in said["readings"] if each["quantity"] != missing]
    answer = api.send("checks", said)
    assert answer.status_code == 400
    assert f"A reading of '{missing}' is missing" in answer.json()["errors"][0]["detail"]


def test_a_course_beyond_its_instrument_is_flagged(api: Client, body: Any):
    hot = {"unit": "CEL", "points": points((0, "69"), (1, "755"), (4, "75"))}
    said = body(core=hot)
    asked = api.send("checks", said)
    assert (asked.status_code, asked.json()["type"]) == (409, "/api/problems/outside-the-instruments-range")
    assert "was it read in another?" in asked.json()["errors"][0]["detail"]
    assert not Check.objects.exists()
    stored = api.send("checks", said | {"as_entered": True})
    assert (stored.status_code, stored.json()["flags"]) == (201, ["outside-the-instruments-range"])
    assert "measure again with another" in " ".join(stored.json()["sentences"])


def test_of_many_only_what_no_instrument_can_show_is_asked_back(api: Client, body: Any):
    """338 degF sent as degC: the probe ends at 200 degC."""
    hot = {"unit": "CEL", "points": points((0, "69"), (1, "338"), (4, "338"))}
    items = [body(core=hot), body(), body(core=hot) | {"as_entered": True}]
    answers = api.send("checks/many", {"items": items}).json()["answers"]
    assert [each["status"] for each in answers] == [409, 201, 201]


def test_a_repeat_of_what_is_stored_is_not_asked_back(api: Client, body: Any):
    hot = {"unit": "CEL", "points": points((0, "69"), (1, "338"), (4, "338"))}
    said = body(core=hot) | {"id": str(uuid7())}
    assert api.send("checks", said | {"as_entered": True}).status_code == 201
    assert api.send("checks", said).status_code == 200


def test_many_at_once_come_to_the_same(api: Client, body: Any):
    items = [body(), body(lid=BAD["lid"][0]), body(blades={"counted_out": "4", "counted_in": "x"})]
    answers = api.send("checks/many", {"items": items}).json()["answers"]
    assert [each["status"] for each in answers] == [201, 201, 400]
    assert [each.result for each in Check.objects.order_by("result")] == ["outside", "within"]


def test_a_trial_of_the_limits_as_they_are_changes_nothing(establishment: Any, api: Client, body: Any):
    for others in ({}, *({name: said} for name, (said, _) in BAD.items()), OPEN):
        assert api.send("checks", body(**others)).status_code == 201
    day = NOON.date()
    for limit in (HOT, SLAB, COUNT, RESIDUE | SWAB, AW, LID):
        proposal = propose(quantity=limit["quantity"], limit=limit)
        (tried,) = run(establishment, proposal, day, day).points
        assert isinstance(tried, PointTrial)
        assert (tried.checks, tried.not_judged) == (8, {})
        assert all(was == now for was, now in tried.counts), limit["quantity"]


def test_a_trial_says_a_count_and_a_course_in_words(establishment: Any, api: Client, body: Any):
    assert api.send("checks", body(lid=BAD["lid"][0])).status_code == 201
    longer = HOT | {"lower": "9"}
    (tried,) = run(establishment, propose(quantity="core", limit=longer), NOON.date(), NOON.date()).points
    assert [(each.entered, each.would_be) for each in tried.flagged] == [("3 points, °C", Result.OUTSIDE)]


def test_the_batch_record_shows_every_kind_legibly(
    establishment: Any, operator: Person, api: Client, body: Any, batch: Batch
):
    api.send("checks", body(**OPEN, blades=BAD["blades"][0]))
    job = ask(establishment=establishment, asked_by=operator, kind="batch-record", subject=batch.uid)
    document, _ = read(job)
    page = rendering.to_html(document, for_paper=False)
    (line,) = document.checks
    assert line.read[:6] == (
        f"core: 3 readings from {MORNING.isoformat()} to {(MORNING + 10 * MINUTE).isoformat()}, first 75, last 75 °C",
        f"slab: 4 readings from {MORNING.isoformat()} to {(MORNING + 90 * MINUTE).isoformat()}, first 60, last 9 °C",
        "blades: out 4, in 3",
        "hazelnut protein: < 2.5 ppm",
        "tub / water activity: 0.52, sample at 21 °C",
        "tub / lid: closed",
    )
    assert line.asked[0] == "time at or above 70 °C (core): 2 min or more (plan), margin -1"
    assert line.asked[1].startswith("slab, to 21: 2 h or less; slab, to 5: 6 h or less (plan), margin")
    for words in (
        "hazelnut protein: &lt; 2.5 ppm",
        "as many in as out (plan), margin -1",
        "Readings are missing: 540 s after 60 s. Nothing is said of that time.",
        "It has not come down to 5 °C yet.",
        "Counted out 4, in 3 (blades): 1 missing",
    ):
        assert words in page, words
