"""``manage.py export-trace`` gives what the API gives, whole or not at all."""

import io
import json
from typing import Any

import openpyxl
import pytest
from django.core.management import CommandError, call_command

from batches import using
from batches.models import Lot
from reports.exchange import movements
from reports.exchange.columns import NAMES
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.batches.conftest import HOUR, MORNING
from tests.conftest import unknown_id

pytestmark = pytest.mark.django_db


@pytest.fixture
def boxed(act: Any, paste: Lot, batch: Any, make_pillows: Any) -> Lot:
    using.use(act=act(at=MORNING + HOUR), batch=batch, lot=paste, quantity="6", unit="KGM")
    return make_pillows(batch, act(at=MORNING + 2 * HOUR)).lot


@pytest.fixture
def export(establishment: Any) -> Any:
    """What it writes to standard output."""

    def do(*words: str) -> bytes:
        held = io.BytesIO()
        out = io.TextIOWrapper(held)
        call_command("export-trace", "--establishment", str(establishment.pk), *words, stdout=out)
        return held.getvalue()

    return do


def test_csv_on_standard_output_is_what_the_api_gives(export: Any, api: Any, paste: Lot, boxed: Lot) -> None:
    answer = api.ask("traces/movements.csv", lot=str(paste.uid), direction="forward")
    given = b"".join(answer.streaming_content)
    assert given.count(b"\r\n") == 4
    assert export("--lot", paste.code, "--direction", "forward") == given
    assert export("--lot", str(paste.uid), "--direction", "forward") == given


def test_a_workbook_and_events_go_to_a_file(export: Any, paste: Lot, boxed: Lot, tmp_path: Any) -> None:
    for form in ("xlsx", "epcis"):
        export("--lot", boxed.code, "--form", form, "--out", str(tmp_path / f"trace.{form}"))
    sheet = openpyxl.load_workbook(tmp_path / "trace.xlsx")["movements"]
    lots = [row[NAMES.index("lot")] for row in sheet.iter_rows(min_row=2, values_only=True)]
    assert set(lots) == {paste.code, boxed.code}
    events = json.loads((tmp_path / "trace.epcis").read_bytes())["epcisBody"]["eventList"]
    assert {event["type"] for event in events} == {"ObjectEvent", "TransformationEvent"}
    assert sorted(each.name for each in tmp_path.iterdir()) == ["trace.epcis", "trace.xlsx"]


def test_what_cannot_be_read_whole_leaves_the_file_that_stood_there(
    export: Any, boxed: Lot, tmp_path: Any, monkeypatch: Any
) -> None:
    def breaks(*_: Any) -> Any:
        raise RuntimeError

    there = tmp_path / "trace.csv"
    there.write_text("of yesterday")
    monkeypatch.setattr(movements, "statement", breaks)
    with pytest.raises(RuntimeError):
        export("--lot", boxed.code, "--out", str(there))
    assert there.read_text() == "of yesterday"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--lot", "PIL-NEVER"], "no lot PIL-NEVER here. Nothing was written."),
        (["--lot", str(unknown_id())], "Nothing was traced: a lot does not exist here."),
        (["--lot", "PASTE", "--out", "/nowhere/trace.csv"], "cannot be written: No such file"),
    ],
)
def test_what_is_wrong_is_said(export: Any, paste: Lot, words: list[str], says: str) -> None:
    with pytest.raises(CommandError, match=says):
        export(*(paste.code if word == "PASTE" else word for word in words))
