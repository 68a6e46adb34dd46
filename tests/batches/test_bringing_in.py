"""What the house has in its own tables comes in whole or not at all, once, with its own days, and claims nothing more."""

import csv
import io
import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import lots, stock, traces
from batches.bringing import columns, entries, papers
from batches.bringing.columns import TABLES
from batches.bringing.deed import Outcome, bring_in
from batches.bringing.entries import id_of
from batches.flags import Flag
from batches.models import (
    Batch,
    BatchEnd,
    BroughtIn,
    Lot,
    LotDecision,
    Material,
    Movement,
    Recipe,
    RecipeVersion,
    StoragePlace,
    TradingPartner,
)
from config.api.refusals import NotAllowed, Reason, Unusable
from config.api.tables import read
from haccp import gates
from haccp.models import Deviation, Release
from ledger import establishments
from ledger.models import Change, Record
from ledger.models.records import record_classes
from ledger.verification import verify
from tests.conftest import NOON

SAMPLES = Path(__file__).parents[2] / "batches" / "samples" / "bring_in"
MATERIALS = "code,name,kind\nSUG,White sugar,ingredient\nLMD,Lemon drops,finished product\n"
PARTNERS = "code,name,supplier,customer\nPAN,Pantry,yes,no\nSHOP,Shop,no,yes\n"
LOTS = "code,material,supplier,received_on,quantity\nS-1,SUG,PAN,2026-01-05,25 kg\n"
BATCHES = (
    "batch,began,what,lot,material,quantity,released_on,released_by\n"
    "B-1,2026-01-07,used,S-1,,2 kg,,\n"
    "B-1,,made,L-1,LMD,1.9 kg,2026-01-08,Ines\n"
)
SHIPMENTS = "shipped_on,customer,lot,quantity\n2026-01-09,SHOP,L-1,1 kg\n"
ALL = {
    "materials": MATERIALS,
    "partners": PARTNERS,
    "lots": LOTS,
    "batches": BATCHES,
    "shipments": SHIPMENTS,
}


@pytest.fixture
def bring(act: Callable[..., Any], lead: Any) -> Callable[..., Outcome]:
    def do(files: dict[str, str | bytes], by: Any = None, write: bool = True, at: datetime = NOON) -> Outcome:
        tables = {}
        for name, text in files.items():
            data = text.encode() if isinstance(text, str) else text
            file = io.BytesIO(data)
            tables[name] = read(file, name=f"{name}.csv", columns=columns.columns_of(name), sheet=name)
        return bring_in(act=act(by=by or lead, at=at), tables=tables, write=write)

    return do


@pytest.fixture
def refused(bring: Callable[..., Outcome]) -> Callable[..., list[Reason]]:
    def do(files: dict[str, str | bytes]) -> list[Reason]:
        before = _counts()
        with pytest.raises(Unusable) as refusal:
            bring(files)
        assert _counts() == before
        return list(refusal.value.reasons)

    return do


def _counts() -> dict[str, int]:
    found = {kind.kind: kind.objects.count() for kind in record_classes()}
    return found | {
        kind.__name__: kind.objects.count() for kind in (Material, TradingPartner, Lot, Batch, Recipe)
    }


def changed(table: str, old: str, new: str) -> dict[str, str]:
    assert old in ALL[table]
    return ALL | {table: ALL[table].replace(old, new)}


def lot(code: str) -> Lot:
    return Lot.objects.select_related("state", "material").get(code=code)


def born(code: str) -> Movement:
    return Movement.objects.get(pk=lot(code).birth_id)


# -- the samples -------------------------------------------------------------------------------------


def samples(suffix: str) -> dict[str, bytes]:
    return {name: (SAMPLES / suffix.format(name)).read_bytes() for name in TABLES}


def test_the_sample_tables_come_in_and_add_up(bring: Callable[..., Outcome]) -> None:
    outcome = bring(samples("{}.csv"))
    assert outcome.new == {
        "materials": 7,
        "partners": 4,
        "places": 3,
        "lots": 5,
        "batch": 2,
        "batches": 9,
        "shipments": 4,
    }
    assert not outcome.told
    drops = lot("LMD-25309-1")
    assert (drops.state.status, drops.state.on_hand) == ("released", 640_000)  # 1.94 - 0.8 - 0.5 kg
    assert lot("SUG-25300-1").state.on_hand == 21_850_000  # as counted; by the papers 21.9 kg


def test_the_sample_workbook_says_the_same_as_the_sample_files(bring: Callable[..., Outcome]) -> None:
    bring(samples("{}.csv"))
    again = bring(samples("house.xlsx"))
    assert not again.new
    assert again.known == {
        "materials": 7,
        "partners": 4,
        "places": 3,
        "lots": 5,
        "batch": 2,
        "batches": 9,
        "shipments": 4,
    }


def test_a_lot_lies_where_the_papers_say(bring: Callable[..., Outcome]) -> None:
    bring(samples("{}.csv"))
    butter, loft = lot("BUT-25321-1"), StoragePlace.objects.get(code="LOFT")
    cool = StoragePlace.objects.get(code="COOL")
    assert stock.by_place([butter])[butter.pk] == {cool.pk: butter.state.on_hand}
    assert [each.code for each, _ in stock.in_place(loft)] == ["JAR-1"]


def test_a_place_that_nobody_entered_is_told_with_the_nearest(refused: Callable[..., list[Reason]]) -> None:
    places = {"places": "code,name\nSHELF,Dry shelf\n"}
    lots_there = LOTS.replace("quantity", "quantity,place").replace("25 kg", "25 kg,SHELV")
    (reason,) = refused(ALL | places | {"lots": lots_there})
    assert (reason.code, "Did you mean SHELF?" in reason.detail) == ("unknown-code", True)


def test_what_was_brought_in_is_traced_to_its_customers(bring: Callable[..., Outcome]) -> None:
    bring(samples("{}.csv"))
    found = traces.forward(lot("SUG-25300-1"))
    assert {each.partner_name for each in found.consignments if each.what == "shipped"} == {
        "The Corner Shop",
        "Lakeside Kiosk",
    }


def test_everything_that_follows_from_records_is_as_they_say(bring: Callable[..., Outcome]) -> None:
    bring(samples("{}.csv"))
    assert verify().findings == []


# -- all or nothing, once ----------------------------------------------------------------------------


def test_a_dry_run_tells_what_would_be_and_writes_nothing(bring: Callable[..., Outcome]) -> None:
    before = _counts()
    outcome = bring(ALL, write=False)
    assert outcome.new == {"materials": 2, "partners": 2, "lots": 1, "batch": 1, "batches": 2, "shipments": 1}
    assert not outcome.written
    assert _counts() == before


def test_the_same_again_changes_nothing_whoever_brings_it(
    bring: Callable[..., Outcome], establishment: Any, make_person: Any, act: Any, lead: Any
) -> None:
    from ledger import people

    other = make_person("Ota Lead")
    people.give_role(act=act(by=lead), person=other, role="food-safety-lead", from_day=date(2020, 1, 1))
    bring(ALL)
    before = _counts()
    again = bring(ALL, by=other, at=NOON + timedelta(days=3))
    assert not again.new
    assert _counts() == before


def test_rows_that_were_added_come_in_beside_those_known(bring: Callable[..., Outcome]) -> None:
    bring(ALL)
    more = bring(ALL | {"shipments": SHIPMENTS + "2026-01-12,SHOP,L-1,0.5 kg\n"})
    assert more.new == {"shipments": 1}
    assert lot("L-1").state.on_hand == 400_000


def test_an_amount_written_another_way_is_no_change(bring: Callable[..., Outcome]) -> None:
    bring(ALL)
    assert not bring(changed("lots", "25 kg", "25.00 KGM")).new


def test_a_changed_row_is_named_with_its_column_and_nothing_is_taken(
    bring: Callable[..., Outcome], refused: Callable[..., list[Reason]]
) -> None:
    bring(ALL)
    (reason,) = refused(changed("lots", "25 kg", "26 kg"))
    assert (reason.code, reason.field) == ("row-changed", "lots.csv:2.quantity")


def test_a_changed_batch_is_named(
    bring: Callable[..., Outcome], refused: Callable[..., list[Reason]]
) -> None:
    bring(ALL)
    (reason,) = refused(changed("batches", "2026-01-07", "2026-01-06"))
    assert (reason.code, reason.field) == ("row-changed", "batches.csv:2.began")


def test_ids_follow_from_house_table_and_key_only(establishment: Any) -> None:
    here = establishment.pk
    assert id_of(here, "lots", "S-1") == id_of(here, "lots", "S-1")
    others = {id_of(here, "lots", "S-1", "receipt"), id_of(here, "batch", "S-1"), id_of(here, "lots", "S-2")}
    assert id_of(here, "lots", "S-1") not in others
    assert len(others) == 3


def test_every_error_of_every_table_is_told_at_once(refused: Callable[..., list[Reason]]) -> None:
    files = {
        "materials": "code,name,kind\nSUG,,spice\n",
        "partners": PARTNERS,
        "lots": "code,material,supplier,received_on,quantity\ns 1,SUG,PAN,03/01/2026,25\n",
        "shipments": "shipped_on,customer,lot,quantity\n2026-01-09,SHUP,S-9,1 stone\n",
    }
    assert [(each.field, each.code) for each in refused(files)] == [
        ("materials.csv:2.name", "missing"),
        ("materials.csv:2.kind", "unknown-word"),
        ("lots.csv:2.code", "not-a-code"),
        ("lots.csv:2.received_on", "not-a-day"),
        ("shipments.csv:2.quantity", "unknown-unit"),
    ]


@pytest.mark.parametrize(
    ("table", "old", "new", "code", "field"),
    [
        ("materials", "LMD,Lemon", "SUG,Lemon", "row-twice", "materials.csv:3.code"),
        ("materials", "SUG,White", "SU GAR,White", "short-name", "materials.csv:2.short_name"),
        ("lots", "SUG,PAN", "SUX,PAN", "unknown-code", "lots.csv:2.material"),
        ("lots", "25 kg", "25", "missing", "lots.csv:2.unit"),
        ("lots", "25 kg", "0 kg", "not-positive", "lots.csv:2.quantity"),
        ("lots", "25 kg", "25 pieces", "unit-does-not-convert", "lots.csv:2.quantity"),
        ("lots", "25 kg", "25 l", "needs-density", "lots.csv:2.quantity"),
        ("lots", "25 kg", "1.000.0 kg", "not-a-number", "lots.csv:2.quantity"),
        ("lots", "2026-01-05", "2026-03-03", "to-come", "lots.csv:2.received_on"),
        ("lots", "2026-01-05", "2026-01-05 25:00", "not-a-time", "lots.csv:2.received_on"),
        ("lots", "2026-01-05", "2025-03-30 02:30", "no-such-time", "lots.csv:2.received_on"),
        ("batches", "2026-01-07", "", "missing", "batches.csv:2.began"),
        ("batches", "used,S-1", "used,S-2", "unknown-code", "batches.csv:2.lot"),
        ("batches", "made,L-1,LMD", "made,L-1,", "missing", "batches.csv:3.material"),
        ("batches", "made,L-1", "made,S-1", "lot-twice", "batches.csv:3.lot"),
        ("batches", "B-1,,made", "B-1,2026-01-08,made", "rows-contradict", "batches.csv:3.began"),
        ("batches", ",Ines", ",", "missing", "batches.csv:3.released_by"),
        ("batches", "2026-01-08,Ines", "2026-01-06,Ines", "before-it-was", "batches.csv:3.released_on"),
        ("shipments", "SHOP,L-1", "SHAP,L-1", "unknown-code", "shipments.csv:2.customer"),
    ],
)
def test_what_cannot_be_is_told_with_its_place(
    refused: Callable[..., list[Reason]], table: str, old: str, new: str, code: str, field: str
) -> None:
    assert (code, field) in [(each.code, each.field) for each in refused(changed(table, old, new))]


@pytest.mark.parametrize(
    ("ended", "released", "refusals"),
    [
        ("2026-01-09", "2026-01-08", ["before-it-was"]),
        ("2026-01-08 15:00", "2026-01-08 09:00", ["before-it-was"]),
        ("2026-01-08 15:00", "2026-01-08", []),
        ("2026-01-08", "2026-01-08 09:00", []),
    ],
)
def test_a_lot_is_not_released_before_its_batch_ended(
    bring: Callable[..., Outcome], ended: str, released: str, refusals: list[str]
) -> None:
    rows = (
        "batch,began,ended,what,lot,material,quantity,released_on,released_by\n"
        f"B-1,2026-01-07,{ended},made,L-1,LMD,1.9 kg,{released},Ines\n"
    )
    try:
        bring({"materials": MATERIALS, "batches": rows})
        found = []
    except Unusable as refusal:
        found = [each.code for each in refusal.reasons]
    assert found == refusals


def test_the_longest_key_of_a_row_is_kept_whole(establishment: Any) -> None:
    said = ["2026-01-09", '"' * 20, "L" * 20, '"' * 80]
    table = io.StringIO(newline="")
    writer = csv.writer(table)
    writer.writerows([["shipped_on", "customer", "lot", "document", "quantity"], [*said, "1 kg"]])
    file = io.BytesIO(table.getvalue().encode())
    rows = read(file, name="shipments.csv", columns=columns.columns_of("shipments"))
    (entry,), _ = entries.read("shipments", rows, columns.House(establishment.zone, False, NOON))
    assert json.loads(entry.key) == said
    assert len(entry.key) <= (BroughtIn._meta.get_field("row_key").max_length or 0)


def test_a_code_that_is_nearly_right_is_guessed_at(refused: Callable[..., list[Reason]]) -> None:
    (reason,) = refused(changed("shipments", "SHOP", "SHPO"))
    assert "Did you mean SHOP?" in reason.detail


def test_a_code_is_guessed_at_once_and_only_the_first_of_many(
    refused: Callable[..., list[Reason]], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def guess(said: str, codes: set[str], most: int) -> list[str]:
        asked.append(said)
        return ["SHOP"]

    monkeypatch.setattr(papers, "get_close_matches", guess)
    rows = "".join(f"2026-01-09,SHO{n % 40},L-1,1 g\n" for n in range(80))
    reasons = refused(
        {"shipments": f"shipped_on,customer,lot,quantity\n{rows}"} | dict(list(ALL.items())[:4])
    )
    unknown = [each for each in reasons if each.code == "unknown-code"]
    assert len(unknown) == 80
    assert asked == [f"SHO{n}" for n in range(papers.MOST_GUESSES)]


class Gone(list[Any]):
    """Counts how often it is gone through."""

    times = 0

    def __iter__(self) -> Any:
        self.times += 1
        return super().__iter__()


def test_rows_are_gone_through_no_oftener_for_many_batches(establishment: Any) -> None:
    def times(count: int) -> int:
        rows = "".join(f"B-{n},2026-01-07,made,L-{n},LMD,1 kg,,\n" for n in range(count))
        file = io.BytesIO((BATCHES.split("\n")[0] + "\n" + rows).encode())
        table = read(file, name="batches.csv", columns=columns.columns_of("batches"))
        house = columns.House(establishment.zone, False, NOON)
        found = papers.read({"batches": table}, establishment, house)
        found = papers.Papers({name: Gone(each) for name, each in found.all.items()}, [])
        papers.order(found)
        for line in list(found.all["batches"]):
            papers._made_at(found, line)
        return sum(each.times for each in found.all.values() if isinstance(each, Gone))

    assert times(30) == times(3)


def test_batches_that_went_into_each_other_are_refused(refused: Callable[..., list[Reason]]) -> None:
    circle = BATCHES + "B-1,,used,L-2,,1 kg,,\nB-2,2026-01-09,used,L-1,,1 kg,,\nB-2,,made,L-2,LMD,1 kg,,\n"
    assert [each.code for each in refused(ALL | {"batches": circle})] == ["circle"]


def test_batches_come_in_the_order_of_their_material_whatever_the_order_of_rows(
    bring: Callable[..., Outcome],
) -> None:
    later_first = BATCHES.split("\n", 1)
    rows = "B-2,2026-01-07,used,L-1,,1 kg,,\nB-2,,made,L-2,LMD,0.9 kg,,\n"
    bring(ALL | {"batches": f"{later_first[0]}\n{rows}{later_first[1]}"})
    assert {each.code for each in Lot.objects.filter(came_from__source=lot("L-1"))} == {"L-2"}


def test_a_code_that_a_lot_here_has_already_is_refused(
    bring: Callable[..., Outcome], refused: Callable[..., list[Reason]]
) -> None:
    bring({"materials": MATERIALS, "partners": PARTNERS, "lots": LOTS})
    bring({"lots": LOTS.replace("S-1", "S-2")})
    assert [each.code for each in refused({"lots": LOTS.replace("S-1,SUG", "S-1,LMD")})] == ["row-changed"]
    clash = BATCHES.replace("L-1", "S-1").replace("used,S-1", "used,S-2")
    assert [(each.code, each.field) for each in refused({"batches": clash})] == [
        ("code-taken", "batches.csv:3.lot")
    ]


def test_what_stands_here_already_stays_as_it_is_and_the_difference_is_told(
    bring: Callable[..., Outcome],
) -> None:
    bring({"materials": MATERIALS})
    Material.objects.filter(code="SUG").update(code="OLD")
    bring({"partners": PARTNERS})
    outcome = bring({"materials": "code,name,kind\nOLD,Other name,ingredient\n"})
    assert outcome.stands == {"materials": 1}
    assert "something else in name" in outcome.told[0].detail
    assert Material.objects.get(code="OLD").name == "White sugar"


# -- what it is --------------------------------------------------------------------------------------


def test_each_record_bears_its_own_day_and_shows_as_a_late_entry(bring: Callable[..., Outcome]) -> None:
    bring(ALL)
    moved = born("S-1")
    assert moved.performed_at == datetime(2026, 1, 5, 11, 0, tzinfo=UTC)  # noon of the house's clock
    assert moved.is_late
    assert moved.note == "Brought in from lots.csv, line 2. The papers give the day, not the time of day."
    assert moved.flags == [Flag.BROUGHT_IN]


def test_a_time_of_day_is_read_by_the_clock_of_the_house(bring: Callable[..., Outcome]) -> None:
    bring(changed("lots", "2026-01-05", "5.1.2026 07:40"))
    moved = born("S-1")
    assert moved.performed_at == datetime(2026, 1, 5, 6, 40, tzinfo=UTC)
    assert (moved.performed_offset, "time of day" in moved.note) == (60, False)


def test_who_brings_it_in_is_named_on_every_record(bring: Callable[..., Outcome], lead: Any) -> None:
    bring(ALL)
    kinds: list[type[Record]] = [BroughtIn, Movement, LotDecision, BatchEnd, RecipeVersion]
    who = {(each.performed_by, each.recorded_by) for kind in kinds for each in kind.objects.all()}
    assert who == {(lead, lead)}


def test_only_a_lead_or_an_administrator_brings_in(bring: Callable[..., Outcome], operator: Any) -> None:
    with pytest.raises(NotAllowed):
        bring(ALL, by=operator)


def test_the_row_is_kept_word_for_word_and_hidden_in_its_digest(bring: Callable[..., Outcome]) -> None:
    bring({"partners": "code,name,customer,contact\nSHOP,Shop,yes,ring 0000 1\n"})
    row = BroughtIn.objects.get()
    assert row.cells == {"code": "SHOP", "name": "Shop", "customer": "yes", "contact": "ring 0000 1"}
    assert (row.file, row.line) == ("partners.csv", 2)
    assert list(row.content()["cells"]) == ["hidden"]


def test_reference_data_comes_with_a_record_of_its_making(bring: Callable[..., Outcome]) -> None:
    bring({"materials": MATERIALS})
    material = Material.objects.get(code="SUG")
    assert Change.objects.filter(subject_id=material.pk).count() == 1


def test_a_lot_awaits_a_decision_unless_the_papers_name_a_release(bring: Callable[..., Outcome]) -> None:
    bring(ALL)
    assert lot("S-1").state.status == "awaiting"
    assert lot("L-1").state.status == "released"


def test_a_release_of_the_past_rests_on_its_row_and_is_no_release_here(bring: Callable[..., Outcome]) -> None:
    bring(ALL)
    decision = LotDecision.objects.get(lot=lot("L-1"))
    row = BroughtIn.objects.get(pk=decision.because_id)
    assert (row.cells["released_by"], row.row_key) == ("Ines", '["B-1", "made", "L-1"]')
    assert decision.performed_at == datetime(2026, 1, 8, 11, 0, tzinfo=UTC)
    assert not Release.objects.exists()
    assert lots.status_when(lot("L-1"), datetime(2026, 1, 8, 10, 0, tzinfo=UTC)) == "awaiting"


def test_a_past_batch_has_its_row_where_a_permission_would_stand(bring: Callable[..., Outcome]) -> None:
    bring(ALL)
    batch = Batch.objects.get(code="B-1")
    assert (batch.permission.kind, batch.plan_version) == (BroughtIn.kind, None)
    assert BroughtIn.objects.get(pk=batch.permission_id).cells == {"batch": "B-1", "began": "2026-01-07"}
    assert batch.state.ended_at == batch.state.started_at


def test_no_batch_is_started_by_a_recipe_that_is_not_known(
    bring: Callable[..., Outcome], act: Callable[..., Any]
) -> None:
    bring(ALL)
    version = RecipeVersion.objects.select_related("recipe", "material").get()
    Recipe.objects.update(in_use=True)
    version.recipe.refresh_from_db()
    with pytest.raises(Exception, match="may not start") as refusal:
        gates.start_batch(act=act(), recipe_version=version, quantity="1", unit="KGM")
    assert "recipe-not-known" in [each.code for each in refusal.value.reasons]  # type: ignore[attr-defined]


def test_nothing_of_the_past_opens_a_case(bring: Callable[..., Outcome]) -> None:
    bring(ALL)
    assert not Deviation.objects.exists()


def test_papers_that_do_not_add_up_are_taken_flagged_and_told(bring: Callable[..., Outcome]) -> None:
    outcome = bring(changed("shipments", "1 kg", "3 kg"))
    assert [(each.code, each.field) for each in outcome.told] == [("more-than-on-hand", "shipments.csv:2")]
    assert lot("L-1").state.on_hand == -1_100_000
    assert not Deviation.objects.exists()


def test_what_was_shipped_before_its_release_is_a_case_also_when_it_is_told_late(
    bring: Callable[..., Outcome],
) -> None:
    bring(changed("batches", "2026-01-08,Ines", "2026-01-20,Ines"))
    assert Deviation.objects.get().what == Deviation.What.SHIPPED
    assert lot("L-1").state.status == "held"


def test_a_shipment_of_which_no_release_is_known_is_told(bring: Callable[..., Outcome]) -> None:
    outcome = bring(changed("batches", "2026-01-08,Ines", ","))
    assert [each.code for each in outcome.told] == ["release-not-known"]
    assert not Deviation.objects.exists()


PAST_ITS_DATE = (
    "code,material,supplier,received_on,quantity,best_before\nS-1,SUG,PAN,2026-01-05,25 kg,2026-01-06\n"
)


def test_what_was_past_its_date_when_it_was_used_opens_a_case(bring: Callable[..., Outcome]) -> None:
    outcome = bring(ALL | {"lots": PAST_ITS_DATE})
    assert "past-its-date" in [each.code for each in outcome.told]
    assert Deviation.objects.filter(what=Deviation.What.MATERIAL).count() == 1


def test_what_was_shipped_though_it_is_held_is_a_case_of_its_own(bring: Callable[..., Outcome]) -> None:
    bring(ALL | {"lots": PAST_ITS_DATE})
    cases = Deviation.objects.order_by("what").values_list("what", flat=True)
    assert sorted(cases) == sorted([Deviation.What.MATERIAL, Deviation.What.SHIPPED])


def test_the_release_in_the_papers_does_not_lift_the_hold_of_an_open_case(
    bring: Callable[..., Outcome],
) -> None:
    outcome = bring(ALL | {"lots": PAST_ITS_DATE})
    assert lot("L-1").state.status == "held"
    assert ("stays-as-decided", "batches.csv:3.released_on") in [
        (each.code, each.field) for each in outcome.told
    ]


WITHOUT_SHIPMENTS = {name: ALL[name] for name in ("materials", "partners", "lots")}


@pytest.mark.parametrize(
    ("day", "status", "told"),
    [("2026-03-01", "released", []), ("2026-03-02", "awaiting", ["decided-here"])],
)
def test_since_a_batch_was_permitted_here_the_papers_release_nothing(
    bring: Callable[..., Outcome], batch: Batch, day: str, status: str, told: list[str]
) -> None:
    outcome = bring(WITHOUT_SHIPMENTS | {"batches": BATCHES.replace("2026-01-08", day)})
    assert lot("L-1").state.status == status
    assert [each.code for each in outcome.told] == told


@pytest.mark.parametrize(("day", "status"), [("2026-01-09", "released"), ("2026-01-10", "awaiting")])
def test_since_a_lot_was_released_here_the_papers_release_nothing(
    bring: Callable[..., Outcome], receive: Any, release: Any, day: str, status: str
) -> None:
    release(
        receive().lot, at=datetime(2026, 1, 9, 23, 30, tzinfo=UTC)
    )  # half past midnight on the house's clock
    bring(WITHOUT_SHIPMENTS | {"batches": BATCHES.replace("2026-01-08", day)})
    assert lot("L-1").state.status == status


def test_a_count_says_what_is_left_after_all_that_was_used(bring: Callable[..., Outcome]) -> None:
    counted = (
        "code,material,supplier,received_on,on_hand,counted_on\nS-1,SUG,PAN,2026-01-05,20 kg,2026-02-01\n"
    )
    bring(ALL | {"lots": counted})
    assert lot("S-1").state.on_hand == 20_000_000
    assert "How much came is not known" in born("S-1").note


def test_a_decimal_comma_is_read_where_the_house_writes_so(
    bring: Callable[..., Outcome],
    refused: Callable[..., list[Reason]],
    act: Any,
    lead: Any,
    establishment: Any,
) -> None:
    comma = changed("lots", "25 kg", '"2,5 kg"')
    assert [each.code for each in refused(comma)] == ["not-a-number"]
    establishments.change_profile(act=act(by=lead), values={"decimal_comma": True})
    establishment.refresh_from_db()
    bring(comma)
    assert born("S-1").quantity == 2_500_000


def test_rework_and_packaging_come_in_as_what_they_are(bring: Callable[..., Outcome]) -> None:
    bring(samples("{}.csv"))
    assert lot("SBC-25322-R1").is_rework
    assert lot("JAR-1").state.on_hand == 62


def test_statements_grow_with_the_rows_and_no_faster(bring: Callable[..., Outcome]) -> None:
    def cost(first: int, count: int) -> int:
        rows = "".join(f"2026-01-09,SHOP,L-1,1 g,N-{n}\n" for n in range(first, first + count))
        with CaptureQueriesContext(
            connection,
        ) as found:
            bring(ALL | {"shipments": f"shipped_on,customer,lot,quantity,document\n{rows}"})
        return len(found)

    bring({name: ALL[name] for name in ("materials", "partners", "lots", "batches")})
    few, many = cost(0, 5), cost(100, 25)
    assert many - few < 25 * (20 * 2)
    assert abs((cost(200, 45) - many) - (many - few)) < 20


# -- the command -------------------------------------------------------------------------------------


def command(establishment: Any, *words: str) -> str:
    out = io.StringIO()
    call_command("bring-in", "--establishment", str(establishment.pk), *words, stdout=out)
    return out.getvalue()


def test_the_command_looks_first_and_writes_when_it_is_told_to(establishment: Any, lead: Any) -> None:
    lead.email = "ines@example.org"
    lead.save()
    words = ("--by", "INES@example.org", "--workbook", str(SAMPLES / "house.xlsx"))
    assert "Nothing was written. Add --write" in command(establishment, *words)
    assert not Lot.objects.exists()
    assert "past batches: 2 new" in command(establishment, *words, "--write")
    assert "past batches: 0 new; here already 2" in command(establishment, *words, "--write")


def test_the_command_tells_every_error_and_ends_with_one(
    establishment: Any, lead: Any, tmp_path: Path
) -> None:
    (tmp_path / "lots.csv").write_text(
        "code,material,supplier,received_on,quantity\nS-1,SUX,PAX,2026-01-05,25 kg\n"
    )
    (tmp_path / "partners.csv").write_text("code,nmae\nP,x\n")
    words = ("--by", lead.sign_in_name, "--lots", str(tmp_path / "lots.csv"))
    with pytest.raises(CommandError) as refusal:
        command(establishment, *words)
    assert "lots.csv, line 2, column material: There is no material 'SUX'" in str(refusal.value)
    assert "lots.csv, line 2, column supplier" in str(refusal.value)
    assert "2 errors. Nothing was written" in str(refusal.value)
    with pytest.raises(CommandError, match="did you mean name"):
        command(establishment, *words, "--partners", str(tmp_path / "partners.csv"))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--by", "nobody@example.org", "--lots", "x.csv"], "cannot be read"),
        (
            ["--by", "nobody@example.org", "--materials", str(SAMPLES / "materials.csv")],
            "Nobody has the e-mail",
        ),
        (["--by", "nobody@example.org"], "Name at least one table"),
        ([], "Give --establishment and --by"),
    ],
)
def test_the_command_says_what_it_lacks(establishment: Any, words: list[str], says: str) -> None:
    with pytest.raises(CommandError, match=says):
        command(establishment, *words)


def test_every_column_of_the_samples_is_in_the_list_that_the_command_prints() -> None:
    out = io.StringIO()
    call_command("bring-in", "--columns", stdout=out)
    for name in TABLES:
        text = (SAMPLES / f"{name}.csv").read_text()
        header = next(csv.reader([text.splitlines()[0].replace(";", ",")]))
        assert all(f"  {column} " in out.getvalue() for column in header)
