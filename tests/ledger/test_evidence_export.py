"""What the service hands out is tested far from it: the checker as a program, with Python's standard library alone."""

import copy
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rest_framework.test import APIClient

from haccp.models import Check
from ledger import evidence
from ledger.models import Change, Leaf, Seal
from ledger.standalone import check_evidence
from reports.demo.house import HOUSE
from tests.ledger.conftest import House

pytestmark = pytest.mark.django_db
Run = Callable[..., tuple[int, str]]
Evidence = dict[str, Any]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Exit code and words of the checker, copied away and started with no package and no setting at hand."""
    shutil.copy(check_evidence.__file__, tmp_path / "check.py")

    def run(exported: Evidence, *options: str) -> tuple[int, str]:
        (tmp_path / "evidence.json").write_text(json.dumps(exported), encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-I", "-S", "check.py", "evidence.json", *options],
            cwd=tmp_path,
            env={},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.stderr == ""
        return done.returncode, done.stdout

    return run


@pytest.fixture
def exported(house: House) -> Evidence:
    """Every check and every change of the house, the hidden values opened, as a file would hold them."""
    records = [*Check.objects.order_by("id"), *Change.objects.order_by("id")]
    made: Evidence = json.loads(json.dumps(evidence.evidence(records, open_confidential=True)))
    return made


def place_of(exported: Evidence, kind: str) -> int:
    """The first record of a kind that a seal with more than one leaf covers."""
    return next(
        at for at, one in enumerate(exported["records"]) if one["kind"] == kind and one["proof"]["path"]
    )


def name_of(one: dict[str, Any]) -> str:
    return f"record '{one['id']}' of kind '{one['kind']}'"


def first_difference(said: str) -> str:
    line = next(line for line in said.splitlines() if "The first: " in line)
    return line.split("The first: ")[1]


def test_an_export_as_it_left_the_service_fits(exported: Evidence, run: Run) -> None:
    code, said = run(exported)
    count = len(exported["records"])
    opened = 2 * Change.objects.count()
    assert code == 0
    assert (
        f"{count} records: {count} proved under a seal, 0 not. {opened} confidential values opened." in said
    )
    assert "Everything in this file fits together." in said


def test_an_export_keeps_to_a_seal_hash_that_somebody_holds(exported: Evidence, run: Run) -> None:
    code, said = run(exported, "--expect-seal", Seal.objects.get(number=1).hash)
    assert code == 0
    assert f"You hold the hash of seal 1 of establishment '{HOUSE}'." in said


def test_one_record_over_the_api_fits(house: House, run: Run) -> None:
    client = APIClient(HTTP_AUTHORIZATION=f"Bearer {house.key}")
    check = Check.objects.earliest("id")
    answer = client.get(f"/api/v1/establishments/{HOUSE}/records/{check.pk}/evidence")
    code, said = run(answer.json())
    assert (answer.status_code, code) == (200, 0)
    assert "1 record: 1 proved under a seal, 0 not." in said


def test_without_the_opened_values_an_export_fits_and_shows_none_of_them(house: House, run: Run) -> None:
    change = Change.objects.filter(subject_kind__icontains="partner").earliest("id")
    made = evidence.evidence([change])
    assert change.after["name"] not in json.dumps(made)
    assert run(made)[0] == 0


def test_a_changed_field_is_told(exported: Evidence, run: Run) -> None:
    one = exported["records"][place_of(exported, "haccp.check")]
    one["content"]["result"] = "undecided"
    code, said = run(exported)
    assert code == 1
    assert first_difference(said) == (
        f"{name_of(one)} says something else than when it was written: its digest does not fit."
    )


def test_a_changed_field_with_its_digest_made_anew_is_told(exported: Evidence, run: Run) -> None:
    one = exported["records"][place_of(exported, "haccp.check")]
    one["content"]["result"] = "undecided"
    one["digest"] = check_evidence.digest(one["content"])
    code, said = run(exported)
    assert code == 1
    assert first_difference(said).startswith(f"{name_of(one)} does not stand under seal 1 of establishment")


@pytest.mark.parametrize("part", ["salt", "value"])
def test_a_changed_salt_or_opened_value_is_told(exported: Evidence, run: Run, part: str) -> None:
    one = exported["records"][place_of(exported, "ledger.change")]
    one["open"]["after"][part] = "0" * 32
    code, said = run(exported)
    assert code == 1
    assert first_difference(said) == (
        f"{name_of(one)}, confidential field 'after': the value shown is not the one that was written."
    )


def test_a_salt_of_another_length_is_told(exported: Evidence, run: Run) -> None:
    one = exported["records"][place_of(exported, "ledger.change")]
    one["open"]["after"]["salt"] += "00"
    code, said = run(exported)
    assert code == 1
    assert first_difference(said) == (
        f"{name_of(one)}, confidential field 'after': its \"salt\" is not in the form it should have."
    )


def test_a_leaf_missing_from_a_path_is_told(exported: Evidence, run: Run) -> None:
    one = exported["records"][place_of(exported, "haccp.check")]
    del one["proof"]["path"][-1]
    size = Leaf.objects.filter(seal__number=1).count()
    code, said = run(exported)
    assert code == 1
    assert first_difference(said) == (
        f"{name_of(one)}: the path is too short for leaf {one['proof']['index']} of {size}."
    )


def test_a_leaf_missing_from_a_seal_is_told(exported: Evidence, run: Run) -> None:
    """The seal says one leaf less and was hashed anew: then its proofs are for another tree."""
    seal = exported["seals"][1]
    seal["leaves"] = str(int(seal["leaves"]) - 1)
    seal["hash"] = check_evidence.digest({name: seal[name] for name in check_evidence.SEAL_FIELDS})
    code, said = run(exported)
    assert code == 1
    assert f"its proof is for {int(seal['leaves']) + 1} leaves, its seal has {seal['leaves']}" in said


def test_a_seal_missing_from_the_file_is_told(exported: Evidence, run: Run) -> None:
    missing = exported["seals"].pop(0)
    code, said = run(exported)
    assert code == 1
    assert first_difference(said) == (
        f"{name_of(exported['records'][0])}: seal {missing['number']} of establishment '{HOUSE}' "
        "is not in the file, or was changed."
    )


def test_a_changed_root_is_told(exported: Evidence, run: Run) -> None:
    exported["seals"][0]["root"] = "f" * 64
    code, said = run(exported)
    assert code == 1
    assert first_difference(said) == (
        f"seal 1 of establishment '{HOUSE}' was changed: its hash does not fit what it says."
    )


def test_a_changed_root_with_its_seal_hashed_anew_is_told(exported: Evidence, run: Run) -> None:
    used = {one["proof"]["seal"] for one in exported["records"] if one.get("proof")}
    seal = next(each for each in exported["seals"] if each["number"] in used)
    seal["root"] = "f" * 64
    seal["hash"] = check_evidence.digest({name: seal[name] for name in check_evidence.SEAL_FIELDS})
    code, said = run(exported)
    assert code == 1
    assert f"does not stand under seal {seal['number']} of establishment" in said


def test_a_seal_hash_that_is_not_in_the_file_is_told(exported: Evidence, run: Run) -> None:
    code, said = run(exported, "--expect-seal", "a" * 64)
    assert code == 1
    assert first_difference(said) == f"no seal in this file has the hash you hold, {'a' * 64}."


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ("form", 'it does not say "form": "evidence-1"'),
        ("records", 'it has no lists of "records" and "seals"'),
    ],
)
def test_a_file_without_a_part_that_it_needs_cannot_be_checked(
    exported: Evidence, run: Run, part: str, words: str
) -> None:
    less = copy.copy(exported)
    del less[part]
    assert run(less) == (2, f"'evidence.json' cannot be checked: {words}.\n")
