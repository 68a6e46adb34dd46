"""Which days each kind of document tells of, and what of it an entrance opens."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from django.utils import timezone

from batches.models import BatchState
from haccp.models import PlanVersion
from ledger.entrances import Days
from ledger.ids import uuid7
from ledger.models import Entrance, Establishment, Person
from reports import dated, jobs
from reports.demo.house import HOUSE, rows_id
from reports.models import DocumentJob
from tests.scene import Scene, undone

pytestmark = pytest.mark.django_db
MARCH_2 = date(2026, 3, 2)
JANUARY = {"first": "2026-01-01", "last": "2026-01-31"}
TO_JANUARY = Days(date(2026, 1, 1), date(2026, 1, 31))


@pytest.fixture
def here(scene: Scene) -> Establishment:
    return Establishment.objects.get(pk=HOUSE)


@pytest.fixture
def told(here: Establishment) -> Callable[..., Days | None]:
    def do(kind: str, subject: str | None = None, **about: Any) -> Days | None:
        return dated.days_of(here, kind, UUID(subject or str(HOUSE)), {**about, "outside": True})

    return do


def today(here: Establishment) -> date:
    return timezone.now().astimezone(here.zone).date()


def test_a_batch_that_runs_goes_up_to_today(told: Any, scene: Scene, here: Establishment) -> None:
    assert told("batch-record", scene.ids["batch"]) == Days(MARCH_2, today(here))


def test_a_batch_that_ended_goes_from_its_start_to_its_end_on_the_local_clock(
    told: Any, scene: Scene
) -> None:
    with undone():
        BatchState.objects.filter(batch__uid=scene.ids["batch"]).update(
            started_at=datetime.fromisoformat("2026-03-01T23:30:00Z"),  # half past midnight in Berlin
            ended_at=datetime.fromisoformat("2026-03-02T23:30:00Z"),
        )
        assert told("batch-record", scene.ids["batch"]) == Days(MARCH_2, date(2026, 3, 3))


def test_a_plan_counts_from_its_approval(told: Any, scene: Scene, here: Establishment) -> None:
    approved = PlanVersion.objects.get(pk=scene.ids["plan-versions"]).performed_at
    assert told("hazard-plan", scene.ids["plan-versions"]) == Days(
        approved.astimezone(here.zone).date(), today(here)
    )


def test_a_plan_that_was_superseded_counts_until_then(told: Any, scene: Scene) -> None:
    version = PlanVersion.objects.get(pk=scene.ids["plan-versions"])
    with undone():
        later = PlanVersion.objects.get(pk=version.pk)
        later.pk, later.number = uuid7(), version.number + 1
        later.performed_at = version.performed_at + timedelta(days=3)
        later.save_base(raw=True, force_insert=True)
        days = told("hazard-plan", scene.ids["plan-versions"])
        assert days.last - days.first == timedelta(days=3)


def test_the_draft_of_a_plan_was_never_in_force(told: Any, scene: Scene) -> None:
    assert told("hazard-plan", scene.ids["plans"]) is None


@pytest.mark.parametrize(
    ("kind", "of"),
    [("deviation", "deviations"), ("recall-report", "recalls")],
)
def test_what_is_still_open_goes_up_to_today(
    told: Any, scene: Scene, here: Establishment, kind: str, of: str
) -> None:
    assert told(kind, scene.ids[of]) == Days(MARCH_2, today(here))


def test_a_deviation_counts_until_it_was_closed(told: Any, scene: Scene, here: Establishment) -> None:
    from haccp.models import Closing

    closing = Closing.objects.select_related("deviation").earliest("performed_at")
    assert told("deviation", str(closing.deviation_id)) == Days(
        closing.deviation.performed_at.astimezone(here.zone).date(),
        closing.performed_at.astimezone(here.zone).date(),
    )


@pytest.mark.parametrize("kind", ["public-notice", "recall-letter"])
def test_a_notice_counts_on_its_day(told: Any, scene: Scene, kind: str) -> None:
    assert told(kind, scene.ids["notice"]) == Days(MARCH_2, MARCH_2)


@pytest.mark.parametrize("kind", ["allergen-sheet", "sale-sign"])
def test_a_product_counts_from_its_first_batch_to_its_last(
    told: Any, scene: Scene, here: Establishment, kind: str
) -> None:
    days = told(kind, scene.ids["product"])
    starts = BatchState.objects.filter(batch__recipe_version__material=scene.ids["product"])
    found = [each.started_at.astimezone(here.zone).date() for each in starts]
    assert days == Days(min(found), max(found))


def test_a_product_that_was_never_made_has_no_days(told: Any) -> None:
    assert told("allergen-sheet", rows_id("materials", "LEO")) is None


@pytest.mark.parametrize(
    "kind", ["monitoring-log", "deviation-list", "receiving-log", "changeover-log", "verification-log"]
)
def test_logs_and_lists_count_by_the_days_they_were_asked_for(told: Any, kind: str) -> None:
    assert told(kind, **JANUARY) == TO_JANUARY


def test_a_log_of_everything_has_no_days(told: Any) -> None:
    assert told("monitoring-log", whole=True) is None


def test_an_inspection_file_counts_by_its_period(told: Any) -> None:
    assert told("inspection-file", since="2026-01-01", until="2026-01-31") == TO_JANUARY


@pytest.mark.parametrize("end", ["since", "until"])
def test_an_inspection_file_with_an_open_end_has_no_days(told: Any, end: str) -> None:
    assert told("inspection-file", **{end: "2026-01-01"}) is None


def test_an_inspection_file_of_a_lot_and_a_batch_counts_by_both(told: Any, scene: Scene) -> None:
    assert told("inspection-file", lots=[scene.ids["lot"]], batches=[scene.ids["batch"]]) == Days(
        MARCH_2, MARCH_2
    )


def test_an_inspection_file_of_a_partner_needs_its_period(told: Any, scene: Scene) -> None:
    assert told("inspection-file", suppliers=[scene.ids["supplier"]], lots=[scene.ids["lot"]]) is None


def test_a_trace_counts_where_it_begins(told: Any, scene: Scene) -> None:
    for start in ({"lot": [scene.ids["lot"]]}, {"batch": scene.ids["batch"]}):
        assert told("trace", direction="whole", **start) == Days(MARCH_2, MARCH_2)


@pytest.mark.parametrize(
    "start", [{"supplier_code": "L1"}, {"label_version": str(uuid7())}, {"person": str(uuid7())}]
)
def test_a_trace_from_what_has_no_day_has_none(told: Any, start: dict[str, str]) -> None:
    assert told("trace", direction="back", **start) is None


def test_a_trace_of_a_partner_counts_by_its_period(told: Any, scene: Scene) -> None:
    ends = {"since": "2026-01-01T00:00:00+01:00", "until": "2026-01-31T12:00:00+01:00"}
    assert told("trace", direction="back", partner=scene.ids["supplier"], **ends) == TO_JANUARY


def test_a_mass_balance_counts_by_its_lot_its_batch_or_its_period(told: Any, scene: Scene) -> None:
    for of in ("lot", "batch"):
        assert told("mass-balance", **{of: scene.ids[of]}) == Days(MARCH_2, MARCH_2)
    ends = {"since": "2026-01-01T00:00:00+01:00", "until": "2026-02-01T00:00:00+01:00"}
    assert told("mass-balance", **ends) == TO_JANUARY


@pytest.mark.parametrize("kind", ["changeover-table", "compliance-profile"])
def test_what_stands_on_a_day_counts_by_it_if_one_was_named(told: Any, kind: str) -> None:
    assert told(kind, on="2026-01-05") == Days(date(2026, 1, 5), date(2026, 1, 5))
    assert told(kind) is None


@pytest.mark.parametrize("kind", sorted(jobs.FOR_OUTSIDE))
def test_every_kind_for_outside_is_dated_or_tells_how_things_stand(kind: str) -> None:
    assert kind in dated.TOUCHING or kind in dated.OF_DAYS or kind in dated.AS_IT_STANDS


# -- what of it an entrance opens ---------------------------------------------------------------------

OPENS_AT = datetime.fromisoformat("2026-03-10T08:00:00+01:00")
FEBRUARY = Days(date(2026, 2, 1), date(2026, 2, 28))


@pytest.fixture
def is_open(establishment: Establishment, lead: Person) -> Callable[..., bool]:
    def do(kind: str, first: str | None, last: str | None, asked_at: datetime = OPENS_AT) -> bool:
        job = DocumentJob.objects.create(
            establishment=establishment,
            kind=kind,
            subject=establishment.pk,
            number=DocumentJob.objects.count() + 1,
            asked_by=lead,
            asked_at=asked_at,
            touched_at=asked_at,
            told_first=first and date.fromisoformat(first),
            told_last=last and date.fromisoformat(last),
        )
        q = dated.in_days(Entrance(opens_at=OPENS_AT), FEBRUARY)
        return DocumentJob.objects.filter(q, pk=job.pk).exists()

    return do


@pytest.mark.parametrize(
    ("first", "last", "shown"),
    [
        ("2026-01-01", "2026-01-31", False),
        ("2026-01-31", "2026-02-01", True),
        ("2026-02-28", "2026-03-01", True),
        ("2026-03-01", "2026-03-02", False),
        ("2026-01-01", "2026-12-31", True),
        (None, None, False),
    ],
)
def test_one_thing_is_open_if_any_of_its_days_is(
    is_open: Any, first: str | None, last: str | None, shown: bool
) -> None:
    assert is_open("batch-record", first, last) is shown


@pytest.mark.parametrize(
    ("first", "last", "shown"),
    [
        ("2026-02-01", "2026-02-28", True),
        ("2026-01-31", "2026-02-28", False),
        ("2026-02-01", "2026-03-01", False),
        (None, None, False),
    ],
)
def test_a_log_is_open_if_all_of_its_days_are(
    is_open: Any, first: str | None, last: str | None, shown: bool
) -> None:
    assert is_open("receiving-log", first, last) is shown


@pytest.mark.parametrize(("later", "shown"), [(timedelta(0), True), (timedelta(seconds=-1), False)])
def test_how_things_stand_is_open_if_it_was_asked_for_meanwhile(
    is_open: Any, later: timedelta, shown: bool
) -> None:
    assert is_open("people-list", None, None, OPENS_AT + later) is shown


def test_a_table_of_another_day_is_shut(is_open: Any) -> None:
    assert not is_open("changeover-table", "2026-03-05", "2026-03-05")
