"""Sheets of movements: one row each, sorted, as RFC 4180 and a workbook's own reader have it, nothing a formula."""

import csv
import io
from datetime import UTC, datetime, timedelta, timezone

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches import shipping, storing, using
from batches.movements import withdraw
from config.api.formulas import MARK, MAY_START_ONE, defused
from reports.exchange import separated
from reports.exchange.columns import COLUMNS, NAMES
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.batches.conftest import HOUR, MORNING
from tests.conftest import NOON, unknown_id


def read(answer):
    assert answer.status_code == 200, answer.content
    text = b"".join(answer.streaming_content).decode()
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


@pytest.fixture
def shipped(act, paste, batch, make_pillows, release, customer):
    """Six kilograms of paste became pillows, of which ten were shipped; another four kilograms went elsewhere."""
    using.use(act=act(at=MORNING + HOUR), batch=batch, lot=paste, quantity="6", unit="KGM")
    lot = make_pillows(batch, act(at=MORNING + 2 * HOUR)).lot
    release(lot)
    shipping.ship(
        act=act(at=NOON + HOUR), lot=lot, customer=customer, quantity="10", unit="H87", document="note 88"
    )
    return lot


# -- texts --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", "\t=1", " =1", "＝1", "'=1", "\r=1"])
def test_what_begins_as_a_formula_gets_a_mark(text):
    """Characters of the OWASP page on CSV injection, from memory."""
    assert defused(text) == "'" + text
    assert text[0] in MAY_START_ONE


@pytest.mark.parametrize("text", ["", "N-77", "a=b", "'tis", "Müller & Söhne", "5-star"])
def test_what_does_not_begin_so_stays_as_it_is(text):
    assert defused(text) == text


@given(st.text(alphabet="=+-@'\t\r\n ＝aé,", max_size=8))
def test_a_mark_is_all_that_is_added_and_nothing_begins_as_a_formula(text):
    assert defused(text) in (text, MARK + text)
    assert not text or defused(text)[0] not in "=+-@\t\r\n"


def test_csv_is_as_rfc_4180_has_it():
    """RFC 4180 section 2, rules 1, 5, 6 and 7: CR LF after each record, quotes around commas, breaks and quotes."""
    row = ["x"] * len(COLUMNS)
    row[NAMES.index("product")] = 'aaa "b" bb'
    row[NAMES.index("source_address")] = "Mill Lane 4\r\nMusterstadt, North"
    made = b"".join(separated.as_csv([[tuple(row)]])).decode()
    assert made.endswith("\r\n")
    assert '"aaa ""b"" bb"' in made
    assert '"Mill Lane 4\r\nMusterstadt, North"' in made
    assert list(csv.reader(io.StringIO(made, newline=""), strict=True)) == [list(NAMES), row]


def test_the_header_comes_before_anything_was_read():
    def never():
        raise AssertionError("asked for rows")
        yield

    assert next(separated.as_csv(never())).decode().split("\r\n")[0] == ",".join(NAMES)


# -- of a trace ---------------------------------------------------------------------------------------


def test_a_trace_forward_tells_every_movement_of_what_it_reached_in_order(api, paste, shipped, customer):
    rows = read(api.ask("traces/movements.csv", lot=str(paste.uid), direction="forward"))
    assert [(row["event"], row["lot"]) for row in rows] == [
        ("received", paste.code),
        ("used", paste.code),
        ("made", shipped.code),
        ("shipped", shipped.code),
    ]
    assert rows[-1]["recipient"] == customer.name
    assert rows[-1]["document"] == "note 88"
    assert (rows[-1]["quantity"], rows[-1]["unit"], rows[-1]["effect"]) == ("10", "H87", "-10")


def test_key_data_of_a_receipt_stand_in_its_row(api, paste, shipped, supplier, establishment):
    """21 CFR 1.1345(a): code, quantity and unit, description, previous source, place, date, document (read)."""
    supplier.address = "Nut Lane 1"
    supplier.save()
    row = read(api.ask("movements.csv", lot=str(paste.uid)))[0]
    told = {
        "lot": paste.code,
        "product": "Hazelnut paste",
        "quantity": "10.000",
        "unit": "KGM",
        "quantity_entered": "10",
        "source": supplier.name,
        "source_address": "Nut Lane 1",
        "recipient": "",
        "supplier_lot": "N-77",
        "date": "2026-03-02",
        "time": "2026-03-02T08:00:00+01:00",
        "location": establishment.name,
        "location_address": establishment.address,
        "state": "stands",
    }
    assert {name: row[name] for name in told} == told


def test_who_carried_it_and_the_paper_stand_in_the_rows_of_receipt_and_shipment(
    api, act, receive, shipped, customer, make_partner
):
    """21 CFR 1.337(a) (from memory), 1.345(a) (read): the transporter; 1.1345(a) (read): a reference document."""
    van = make_partner("Cold Van", is_carrier=True)
    came = receive(carrier=van, document="note 12").lot
    shipping.ship(
        act=act(at=NOON + 2 * HOUR), lot=shipped, customer=customer, quantity="1", unit="H87", carrier=van
    )
    receipt = read(api.ask("movements.csv", lot=str(came.uid)))[0]
    assert (receipt["carrier"], receipt["document"]) == ("Cold Van", "note 12")
    assert "Cold Van" in {row["carrier"] for row in read(api.ask("movements.csv", lot=str(shipped.uid)))}


def test_a_trace_back_leaves_out_what_else_was_made_of_its_sources(
    api, act, paste, shipped, make_batch, make_pillows
):
    other = make_batch()
    using.use(act=act(), batch=other, lot=paste, quantity="1", unit="KGM")
    make_pillows(other)
    rows = read(api.ask("traces/movements.csv", lot=str(shipped.uid), direction="back"))
    assert [(row["event"], row["batch"]) for row in rows if row["lot"] == paste.code] == [
        ("received", ""),
        ("used", shipped.batch.code),
    ]
    assert rows[-1]["event"] == "shipped"


def test_what_was_withdrawn_is_told_only_if_asked_for(api, act, shipped):
    sent = shipped.movements.get(what="shipped")
    gone = withdraw(act=act(corrects=sent.pk, reason="another pallet", withdraws=True))
    asked = {"lot": str(shipped.uid)}
    assert [row["event"] for row in read(api.ask("movements.csv", **asked))] == ["made"]
    rows = read(api.ask("movements.csv", corrected="true", **asked))
    assert {row["event_id"]: (row["state"], row["corrects"]) for row in rows[1:]} == {
        str(sent.pk): ("withdrawn", ""),
        str(gone.pk): ("withdrawal", str(sent.pk)),
    }


def test_a_formula_in_a_name_is_defused_in_csv(api, paste, supplier):
    supplier.name = "=HYPERLINK(1)"
    supplier.save()
    assert read(api.ask("movements.csv"))[0]["source"] == "'=HYPERLINK(1)"


def test_a_workbook_tells_the_same_with_numbers_as_numbers_and_formulas_as_text(
    api, paste, shipped, supplier
):
    """Opened by openpyxl, which had no hand in writing it."""
    supplier.name = "=1+1"
    supplier.save()
    rows = read(api.ask("movements.csv"))
    answer = api.ask("movements.xlsx")
    sheet = openpyxl.load_workbook(io.BytesIO(b"".join(answer.streaming_content))).active
    found = list(sheet.iter_rows())
    assert [cell.value for cell in found[0]] == list(NAMES)
    assert len(found) == len(rows) + 1
    for row, cells in zip(rows, found[1:], strict=True):
        told = dict(zip(NAMES, cells, strict=True))
        assert told["quantity"].value == float(row["quantity"])
        assert told["lot"].value == row["lot"]
        assert all(cell.data_type in ("s", "n") for cell in cells)
    assert {cells[NAMES.index("source")].value for cells in found[1:]} == {"=1+1", None}


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_nothing_of_people_recipes_prices_or_private_contacts_is_in_a_sheet(
    api, paste, shipped, customer, operator, form
):
    """The columns are told one by one, so that a new one is looked at."""
    customer.contact = customer.email = "private@example.org"
    customer.save()
    answer = api.ask(f"traces/movements.{form}", lot=str(paste.uid), direction="forward")
    told = b"".join(answer.streaming_content)
    if form == "xlsx":
        sheet = openpyxl.load_workbook(io.BytesIO(told)).active
        told = "\n".join(str(cell.value) for row in sheet.iter_rows() for cell in row).encode()
    text = told.decode()
    recipe = shipped.batch.recipe_version.recipe
    for kept in ("private@", operator.name, str(operator.pk), recipe.code, str(recipe.pk)):
        assert kept not in text
    assert customer.name in text
    assert [name for name in NAMES if "price" in name or "recipe" in name or "cost" in name] == []


def test_times_bear_their_own_offset_and_amounts_their_decimals(api, act, paste, customer):
    """The offsets of Nepal and the Marquesas; a milligram, a gram, and 3 kg."""
    nepal, marquesas = (timezone(timedelta(minutes=minutes)) for minutes in (345, -570))
    for at, quantity in ((nepal, "0.000001"), (marquesas, "0.001"), (UTC, "3")):
        storing.destroy(act=act(at=NOON.astimezone(at)), lot=paste, quantity=quantity, unit="KGM")
    found = {(row["date"], row["time"], row["effect"]) for row in read(api.ask("movements.csv"))[1:]}
    assert found == {
        ("2026-03-02", "2026-03-02T16:45:00+05:45", "-0.000001"),
        ("2026-03-02", "2026-03-02T01:30:00-09:30", "-0.001"),
        ("2026-03-02", "2026-03-02T11:00:00+00:00", "-3.000"),
    }


def test_sorted_by_the_time_in_utc_rows_stand_in_the_order_of_the_work(api, act, receive):
    """Through the hour that comes twice when clocks go back: as text, 02:50+02:00 would stand after 02:10+01:00."""
    summer, winter = (timezone(timedelta(hours=hours)) for hours in (2, 1))
    receive(act(at=datetime(2025, 10, 26, 2, 10, tzinfo=winter)), supplier_code="second")
    receive(act(at=datetime(2025, 10, 26, 2, 50, tzinfo=summer)), supplier_code="first")
    rows = read(api.ask("movements.csv"))
    assert [row["supplier_lot"] for row in rows] == ["first", "second"]
    assert [row["time_utc"] for row in rows] == ["2025-10-26T00:50:00.000Z", "2025-10-26T01:10:00.000Z"]
    assert sorted(rows, key=lambda row: row["time_utc"]) == rows
    assert sorted(rows, key=lambda row: row["time"]) != rows


def test_a_period_has_both_ends_and_a_material(api, paste, shipped, pillows):
    def events(**asked):
        return [row["event"] for row in read(api.ask("movements.csv", **asked))]

    assert events(since=(NOON + HOUR).isoformat()) == ["shipped"]
    assert events(until=MORNING.isoformat()) == ["received"]
    assert events(material=str(pillows.pk)) == ["made", "shipped"]


@pytest.mark.parametrize(
    ("path", "asked", "status"),
    [
        ("traces/movements.csv", {"direction": "forward"}, 400),
        ("traces/movements.csv", {"direction": "forward", "lot": unknown_id()}, 404),
        ("traces/movements.xlsx", {"direction": "forward", "lot": unknown_id()}, 404),
        ("movements.csv", {"lot": unknown_id()}, 404),
        ("movements.csv", {"material": unknown_id()}, 404),
        ("movements.csv", {"since": "2026-03-02T09:30:00"}, 400),
        ("movements.xlsx", {"since": "2026-03-02T09:30:00Z", "until": "2026-03-01T09:30:00Z"}, 400),
    ],
)
def test_what_makes_no_sense_is_refused_before_the_first_byte(api, path, asked, status):
    answer = api.ask(path, **asked)
    assert answer.status_code == status
    assert answer["Content-Type"] == "application/problem+json"


def test_another_house_is_in_no_sheet(client_of, elsewhere, make_person, paste):
    from ledger.models import Membership

    founder = Membership.objects.filter(establishment=elsewhere).first().person
    theirs = client_of(founder, elsewhere)
    assert read(theirs.ask("movements.csv")) == []
    assert theirs.ask("movements.csv", lot=str(paste.uid)).status_code == 404


def test_statements_do_not_grow_with_the_movements(
    api, act, paste, shipped, customer, django_assert_max_num_queries
):
    def ask():
        return len(read(api.ask("traces/movements.csv", lot=str(paste.uid), direction="forward")))

    with django_assert_max_num_queries(100) as before:
        few = ask()
    for _ in range(5):
        shipping.ship(act=act(at=NOON + HOUR), lot=shipped, customer=customer, quantity="1", unit="H87")
    with django_assert_max_num_queries(len(before)):
        assert ask() == few + 5
