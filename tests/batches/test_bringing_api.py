"""Bringing in over HTTP: the same reader and the same deed as the command."""

import io
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from batches.models import Lot, Material
from config.api.tables import MOST_BYTES
from tests.batches.test_bringing_in import ALL, SAMPLES

pytestmark = pytest.mark.django_db


@pytest.fixture
def send(lead_api: Any) -> Any:
    def do(client: Any = None, **fields: Any) -> Any:
        made = {
            name: SimpleUploadedFile(f"{name}.csv", value.encode()) if isinstance(value, str) else value
            for name, value in fields.items()
        }
        asked = client or lead_api
        return asked.post(f"{asked.base}bring-in", made, format="multipart")

    return do


def test_a_dry_run_is_what_is_meant_where_nothing_is_said(send: Any) -> None:
    answer = send(**ALL)
    assert (answer.status_code, answer.json()["written"], Lot.objects.count()) == (200, False, 0)
    assert {"rows": "lots", "new": 1, "known": 0, "stands": 0} in answer.json()["counted"]


def test_it_is_written_when_it_says_so_and_again_changes_nothing(send: Any) -> None:
    assert send(dry_run=False, **ALL).json()["written"] is True
    again = send(dry_run=False, **ALL).json()["counted"]
    assert (Lot.objects.count(), [each["new"] for each in again]) == (2, [0] * len(again))


def test_a_workbook_brings_the_sheets_that_it_has(send: Any) -> None:
    file = io.BytesIO((SAMPLES / "house.xlsx").read_bytes())
    file.name = "house.xlsx"
    answer = send(workbook=file)
    assert {"rows": "batch", "new": 2, "known": 0, "stands": 0} in answer.json()["counted"]


def test_every_error_is_told_with_file_line_and_column(send: Any) -> None:
    wrong = ALL["lots"].replace("25 kg", "some")
    answer = send(materials=ALL["materials"], partners=ALL["partners"], lots=wrong)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["field"] == "lots.csv:2.quantity"
    assert not Material.objects.exists()


def test_a_file_that_is_no_table_is_refused(send: Any) -> None:
    assert send(lots=SimpleUploadedFile("lots.csv", b"\xd0\xcf\x11\xe0old")).status_code == 400


def test_a_form_without_a_table_is_refused(send: Any) -> None:
    assert send(dry_run=True).status_code == 400


def test_an_operator_brings_nothing_in(send: Any, api: Any) -> None:
    assert send(api, **ALL).status_code == 403


def test_more_than_fifty_megabytes_are_refused_before_anything_is_read(lead_api: Any) -> None:
    answer = lead_api.generic(
        "POST",
        f"{lead_api.base}bring-in",
        b"--x--",
        content_type="multipart/form-data; boundary=x",
        CONTENT_LENGTH=str(MOST_BYTES + 6 * 1024 * 1024),
    )
    assert answer.status_code == 413
