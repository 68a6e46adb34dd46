"""The demo is the newcomer's tour and the whole main job end to end: played once here, then looked at."""

import io
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import transaction
from django.test import override_settings
from pdfminer.high_level import extract_text

from batches.models import LotState, Movement
from haccp.models import Check, Deviation, Hold, Release
from ledger import verification
from ledger.models import Establishment, Signature
from ledger.standalone import check_evidence
from reports import jobs
from reports.demo.house import HOUSE
from reports.models import DocumentJob

pytestmark = [pytest.mark.pdf, pytest.mark.django_db]


@dataclass(frozen=True)
class Played:
    told: str
    pdf: bytes
    data: dict[str, Any]
    page: str
    page_of_the_day_before: str


@pytest.fixture(scope="module")
def played(django_db_setup: Any, django_db_blocker: Any, tmp_path_factory: Any) -> Iterator[Played]:
    """The story played twice in one transaction that is undone in the end."""
    folder: Path = tmp_path_factory.mktemp("demo")
    told = io.StringIO()
    quick = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    with (
        django_db_blocker.unblock(),
        override_settings(PASSWORD_HASHERS=quick, MEDIA_ROOT=folder / "files"),
        transaction.atomic(),
    ):
        call_command("demo", out=folder, stdout=told)
        call_command("demo", out=folder, stdout=told)
        job, second = DocumentJob.objects.order_by("number")
        files = {
            form: default_storage.open(jobs.path_of(job, form)).read() for form in ("pdf", "json", "html")
        }
        before = default_storage.open(jobs.path_of(second, "html")).read().decode()
        yield Played(told.getvalue(), files["pdf"], json.loads(files["json"]), files["html"].decode(), before)
        transaction.set_rollback(True)


@pytest.fixture(scope="module")
def attached(played: Played) -> dict[str, bytes]:
    with pikepdf.open(io.BytesIO(played.pdf)) as pdf:
        return {name: bytes(file.get_file().read_bytes()) for name, file in pdf.attachments.items()}


def test_each_step_is_told_with_where_to_read_it(played: Played) -> None:
    assert "15. Lot HZP-" in played.told
    assert "/api/v1/establishments/" in played.told


def test_the_recipe_is_predicted_the_logger_verified_and_its_series_judged(played: Played) -> None:
    assert "was held in ice water: Found off by +0.2 °C" in played.told
    assert "By its materials' sheets the filling holds" in played.told
    assert "4 readings of the store were judged as one" in played.told
    judged = Check.objects.filter(control_point__code="CP-STORE-1")
    assert list(judged.values_list("result", "flags", "series_uses__series__instrument__code")) == [
        ("within", [], "TH1"),
        ("within", [], "TH1"),
    ]


def test_a_second_run_goes_on_in_the_same_firm(played: Played) -> None:
    assert Establishment.objects.filter(pk=HOUSE).count() == 1
    assert "its story goes on with another day" in played.told


def test_each_run_makes_its_own_batch(played: Played) -> None:
    assert DocumentJob.objects.values("subject").distinct().count() == 2


def test_one_check_a_day_fails_and_opens_one_deviation(played: Played) -> None:
    failed = list(Check.objects.filter(result="outside").values_list("pk", flat=True))
    assert list(
        Deviation.objects.filter(what="limit").values_list("subject", flat=True).order_by("pk")
    ) == sorted(failed)


def test_only_what_was_made_since_the_last_good_check_is_held(played: Played) -> None:
    assert [len(hold.lots) for hold in Hold.objects.all()] == [1, 1]


def test_the_held_lot_ends_destroyed_and_the_good_one_released(played: Played) -> None:
    states = LotState.objects.filter(lot__material__code="HZP")
    assert sorted(states.values_list("status", flat=True)) == ["rejected", "rejected", "released", "released"]
    assert not states.filter(status="rejected", on_hand__gt=0).exists()


def test_nothing_was_shipped_of_a_lot_that_was_not_released(played: Played) -> None:
    shipped = Movement.objects.filter(what="shipped")
    assert shipped.count() == 4
    assert set(shipped.values_list("lot", flat=True)) <= set(Release.objects.values_list("lot", flat=True))


def test_each_deviation_was_closed_by_signature(played: Played) -> None:
    assert Signature.objects.filter(meaning="closed").count() == Deviation.objects.count() == 2


def test_everything_the_demo_wrote_verifies(played: Played) -> None:
    assert verification.verify().findings == []


# -- the batch record it writes ---------------------------------------------------------------------


def test_the_record_names_batch_plan_and_who_approved_it(played: Played) -> None:
    text = extract_text(io.BytesIO(played.pdf))
    assert played.data["sheet"]["code"] in text
    assert "approved by Mara Lindqvist" in text


def test_the_record_shows_the_failing_check_and_its_four_answers(played: Played) -> None:
    text = " ".join(extract_text(io.BytesIO(played.pdf)).split())
    for words in ("outside", "The belt had slipped", "not looked at after", "on the list", "to be destroyed"):
        assert words in text


def test_the_record_prints_cautions_deferral_seal_and_pages(played: Played) -> None:
    text = " ".join(extract_text(io.BytesIO(played.pdf)).split())
    for words in ("Hot sugar sticks and burns", "defers to local regulation", "Seal", "Page 1 of"):
        assert words in text


def test_the_record_never_calls_anything_safe(played: Played) -> None:
    text = " ".join(extract_text(io.BytesIO(played.pdf)).split()).lower()
    assert text.count("safe") == text.count("food-safety") + text.count("not a statement that food is safe")


def test_page_and_paper_say_the_same_of_each_check(played: Played) -> None:
    for check in played.data["checks"]:
        assert check["readings"][0]["entered"] in played.page


def test_a_corrected_weighing_stays_legible_with_what_replaced_it_who_and_why(played: Played) -> None:
    (struck,) = played.data["sheet"]["struck"]
    text = " ".join(extract_text(io.BytesIO(played.pdf)).split())
    assert struck["said"].startswith("used 4.02 kg of lot GLU-")
    for words in (struck["said"], "The comma slipped: the scale said 0.402 kg. (Jonas Okafor,"):
        assert words in text
    assert f"<s>{struck['said']}</s>" in played.page


def test_a_corrected_check_stays(played: Played) -> None:
    assert Check.objects.filter(corrected_by__isnull=False).count() == 2


def test_no_unit_code_is_printed(played: Played) -> None:
    text = extract_text(io.BytesIO(played.pdf))
    assert "2.100 kg" in text
    assert not {"KGM", "H87"} & set(text.split())


def test_every_time_is_printed_by_the_clock_of_the_establishment(played: Played) -> None:
    text = extract_text(io.BytesIO(played.pdf))
    offsets = set(re.findall(r"\d\d:\d\d ([+-]\d\d:\d\d)", text))
    assert offsets <= {"+01:00", "+02:00"}  # in Berlin, winter and summer
    assert offsets


def test_a_day_keyed_later_is_marked_as_late(played: Played) -> None:
    """The second run plays the day before; this firm calls an entry late after twelve hours."""
    page = played.page_of_the_day_before
    assert page.count("late entry</strong>") > 5  # on the batch sheet
    assert page.count("Late entry") > 10  # on checks, answers, decisions


def test_the_evidence_holds_every_record_of_the_batch(played: Played, attached: dict[str, bytes]) -> None:
    kinds = {each["kind"] for each in json.loads(attached["evidence.json"])["records"]}
    assert kinds >= {
        "batches.start",
        "batches.end",
        "batches.part",
        "batches.movement",
        "batches.process-step",
        "batches.quality-reading",
        "haccp.start-permission",
        "haccp.check",
        "haccp.deviation",
        "haccp.hold",
        "haccp.answer",
        "haccp.disposition",
        "haccp.closing",
        "haccp.release",
        "ledger.signature",
    }


def test_the_data_travel_inside_the_pdf(played: Played, attached: dict[str, bytes]) -> None:
    own = next(content for name, content in attached.items() if name.startswith("batch-record"))
    assert json.loads(own) == played.data


def test_the_stand_alone_checker_accepts_the_evidence_in_the_pdf(
    attached: dict[str, bytes], tmp_path: Path
) -> None:
    file = tmp_path / "evidence.json"
    file.write_bytes(attached["evidence.json"])
    ran = subprocess.run(
        [sys.executable, "-I", check_evidence.__file__, str(file)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout


def test_the_checker_names_a_changed_reading_in_the_evidence(
    attached: dict[str, bytes], tmp_path: Path
) -> None:
    evidence = json.loads(attached["evidence.json"])
    check = next(each for each in evidence["records"] if each["kind"] == "haccp.check")
    check["content"]["result"] = "within" if check["content"]["result"] == "outside" else "outside"
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(evidence))
    ran = subprocess.run(
        [sys.executable, "-I", check_evidence.__file__, str(file)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1
    assert check["id"] in ran.stdout
