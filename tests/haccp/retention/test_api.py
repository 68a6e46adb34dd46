"""What leaves, over HTTP and by command; what a lead says of it there."""

import io
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from haccp.api import retention
from haccp.models import Archive, KeptLonger, LegalHold, Markets
from haccp.retention import saying
from ledger import seals
from ledger.ids import uuid7
from ledger.models import Membership, Removal, Signature
from tests.conftest import PASSWORD
from tests.haccp.retention.conftest import LONG_AFTER

pytestmark = pytest.mark.django_db
WORD = {"performed_at": "2026-03-02T12:00:00+01:00", "password": PASSWORD, "because": "We like to know."}
OLD = date(2026, 3, 2)


@pytest.fixture
def old(bag: Any, caramels: Any, use_up: Any, establishment: Any) -> Any:
    """A bag of sugar and the caramels of it, sealed: nothing of either is left."""
    sugar = bag(OLD, best_before=date(2027, 3, 2))
    made = caramels(sugar, OLD, best_before=date(2026, 9, 2))
    use_up(sugar, OLD)
    seals.seal(establishment=establishment)
    return sugar, made


def test_it_tells_how_many_of_each_kind_leave_and_what_keeps_the_rest(old: Any, lead_api: Any) -> None:
    told = lead_api.ask("retention", on="2040-01-10").json()
    assert told["leaving"] == sum(each["leaving"] for each in told["kinds"]) > 0
    assert told["records"] - told["leaving"] == sum(each["records"] for each in told["kept"])
    movements = next(each for each in told["kinds"] if each["kind"] == "batches.movement")
    assert movements["leaving"] == movements["records"] == 5
    assert {"21 CFR part 117, 117.315(b)", "21 CFR part 11, 11.10(e)"} <= {
        each["because"] for each in told["kept"]
    }
    assert "ask your authority" in told["ask"]


def test_on_its_own_day_nothing_leaves(old: Any, lead_api: Any) -> None:
    told = lead_api.ask("retention").json()
    assert (told["on"], told["leaving"]) == ("2026-03-02", 0)
    ends = {each["because"]: each["until"] for each in told["kept"]}
    assert ends["Guidance on Regulation (EC) 178/2002 (2010), Article 18"] == "2031-03-02"


def test_each_rule_is_told_with_its_source_and_how_it_was_seen(lead_api: Any) -> None:
    rules = {each["id"]: each for each in lead_api.ask("retention").json()["rules"]}
    assert (rules["us-117-315-a"]["months"], rules["us-117-315-a"]["section"]) == (24, "117.315(a)(1)")
    assert rules["eu-852-5-4-c"]["months"] is None
    assert rules["eu-178-usual"]["provenance"] == "from memory"


@pytest.mark.parametrize("day", ["soon", "2026-13-01", "0"])
def test_what_is_no_day_is_refused(lead_api: Any, day: str) -> None:
    assert lead_api.ask("retention", on=day).status_code == 400


def test_too_many_to_count_while_one_waits_are_refused_with_the_way_on(
    lead_api: Any, monkeypatch: Any
) -> None:
    monkeypatch.setattr(retention, "MOST_AT_ONCE", 1)
    answer = lead_api.ask("retention")
    assert answer.status_code == 409
    assert "retention-report" in answer.json()["detail"]


def test_who_works_at_the_stove_is_not_asked(api: Any) -> None:
    assert api.ask("retention").status_code == 403


def statements(client: Any) -> int:
    with CaptureQueriesContext(connection) as asked:
        assert client.ask("retention").status_code == 200
    return len(asked)


def test_it_costs_as_many_statements_for_one_lot_as_for_three(old: Any, bag: Any, lead_api: Any) -> None:
    bag(OLD)
    alone = statements(lead_api)
    for _ in range(2):
        bag(OLD)
    assert statements(lead_api) == alone


# -- a lead's words ---------------------------------------------------------------------------------------


WORDS = {
    "retention/markets": (Markets, {"jurisdictions": ["EU"]}),
    "retention/periods": (KeptLonger, {"group": "everything", "years": 9}),
    "retention/holds": (LegalHold, {}),
}


@pytest.fixture
def say(lead_api: Any, establishment: Any) -> Callable[..., Any]:
    def do(path: str, **values: Any) -> Any:
        more = {"subject": str(establishment.pk)} if path == "retention/holds" else {}
        return lead_api.send(path, WORD | WORDS[path][1] | more | values)

    return do


@pytest.mark.parametrize("path", WORDS)
def test_a_word_is_kept_signed_and_answered_again(say: Any, path: str) -> None:
    first = say(path, id=str(uuid7()))
    assert (first.status_code, say(path, id=first.json()["id"]).status_code) == (201, 200)
    made = WORDS[path][0].objects.get()
    assert Signature.objects.filter(target=made.pk, meaning="decided").count() == 1


@pytest.mark.parametrize("path", WORDS)
def test_a_wrong_password_says_nothing(say: Any, path: str) -> None:
    assert say(path, password="wrong").status_code == 403
    assert not WORDS[path][0].objects.exists()


@pytest.mark.parametrize("path", WORDS)
def test_a_word_taken_back_counts_no_more(say: Any, lead_api: Any, establishment: Any, path: str) -> None:
    named = say(path).json()["id"]
    back = {
        "performed_at": WORD["performed_at"],
        "password": PASSWORD,
        "corrects": named,
        "reason": "Not any more.",
    }
    assert lead_api.send("retention/taken-back", back).status_code == 201
    assert not WORDS[path][0].objects.standing().exists()
    assert saying.own_periods(establishment) == []


def test_only_such_a_word_is_taken_back(old: Any, lead_api: Any) -> None:
    back = {
        "performed_at": WORD["performed_at"],
        "password": PASSWORD,
        "reason": "x",
        "corrects": str(old[0].uid),
    }
    assert lead_api.send("retention/taken-back", back).status_code == 404


def test_a_period_shorter_than_the_rule_is_refused_naming_it(say: Any) -> None:
    answer = say("retention/periods", group="traceability", years=2)
    assert answer.status_code == 409
    assert "Article 18 asks for at least 60 months" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("path", "values"),
    [
        ("retention/periods", {"group": "cheques"}),
        ("retention/periods", {"years": 0}),
        ("retention/periods", {"years": 101}),
        ("retention/markets", {"jurisdictions": ["Mars"]}),
        ("retention/markets", {"jurisdictions": []}),
        ("retention/periods", {"because": ""}),
    ],
)
def test_what_makes_no_sense_is_refused(say: Any, path: str, values: dict[str, Any]) -> None:
    assert say(path, **values).status_code == 400


def test_what_is_not_here_cannot_be_kept(say: Any) -> None:
    assert say("retention/holds", subject=str(uuid7())).status_code == 404


def test_another_houses_lot_cannot_be_kept(
    old: Any, elsewhere: Any, lead: Any, client_of: Any, leads: Any
) -> None:
    Membership.objects.create(
        establishment=elsewhere, person=lead, role="food-safety-lead", from_day=date(2020, 1, 1)
    )
    answer = client_of(lead, elsewhere).send("retention/holds", WORD | {"subject": str(old[0].uid)})
    assert answer.status_code == 404


# -- the command ------------------------------------------------------------------------------------------


@pytest.fixture
def manage(establishment: Any, lead: Any, monkeypatch: Any) -> Callable[..., str]:
    monkeypatch.setenv("SIGNER_PASSWORD", PASSWORD)

    def do(deed: str, *said: str) -> str:
        out = io.StringIO()
        by = [] if deed == "report" else ["--by", lead.sign_in_name]
        call_command("retention", deed, *said, *by, "--establishment", str(establishment.pk), stdout=out)
        return out.getvalue()

    return do


def test_the_command_reports_archives_and_removes(
    old: Any, manage: Any, on: Any, tmp_path: Path, client_of: Any, lead: Any
) -> None:
    on(LONG_AFTER)
    assert "5 of 5 batches.movement" in " ".join(manage("report").split())
    file = str(tmp_path / "2040.zip")
    assert "read back and verified" in manage("archive", file)
    listed = client_of(lead).ask("archives").json()["results"]
    assert [each["sha256"] for each in listed] == [Archive.objects.get().sha256]
    said = manage("remove", file, "--today", "2040-01-10")
    assert f"{Removal.objects.count()} records left" in said


def test_the_command_tells_why_it_refuses(old: Any, manage: Any, on: Any, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="No record may leave on 2026-03-02"):
        manage("archive", str(tmp_path / "none.zip"))
    on(LONG_AFTER)
    manage("archive", str(tmp_path / "2040.zip"))
    with pytest.raises(CommandError, match="you say 2040-01-11"):
        manage("remove", str(tmp_path / "2040.zip"), "--today", "2040-01-11")


def test_a_wrong_password_removes_nothing(
    old: Any, manage: Any, on: Any, tmp_path: Path, monkeypatch: Any
) -> None:
    on(LONG_AFTER)
    manage("archive", str(tmp_path / "2040.zip"))
    monkeypatch.setenv("SIGNER_PASSWORD", "wrong")
    with pytest.raises(CommandError, match="password is not right"):
        manage("remove", str(tmp_path / "2040.zip"), "--today", "2040-01-10")
    assert not Removal.objects.exists()


def test_another_day_may_be_asked_for(old: Any, manage: Any) -> None:
    assert manage("report").startswith("On 2026-03-02: 0 of ")
    assert not manage("report", "--on", "2040-01-10").startswith("On 2040-01-10: 0 of ")
