"""Reference data changes with a record of it: what it said before, what after, by whom and why."""

import copy
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection

from config.api.refusals import ChangedMeanwhile, OtherContent, Unusable
from ledger import changes, establishments, seals, triggers, verification
from ledger.acts import Act
from ledger.evidence import evidence
from ledger.ids import uuid7
from ledger.models import Change, Establishment, Membership, Person, Role, Token
from ledger.standalone import check_evidence as checker
from tests.conftest import PASSWORD, Client
from tests.scene import rows_kept

pytestmark = pytest.mark.django_db
STREET = "Chapel Street 9, Musterstadt"


@pytest.fixture
def move(establishment: Establishment, act: Callable[..., Act], lead: Person) -> Callable[..., Establishment]:
    """Change the profile; usually the address."""

    def do(said: Act | None = None, version: int | None = None, **values: Any) -> Establishment:
        asked = values or {"address": STREET}
        return establishments.change_profile(act=said or act(lead), values=asked, expected_version=version)

    return do


def last() -> Change:
    return Change.objects.latest("recorded_at", "id")


# -- what is kept -----------------------------------------------------------------------------------


def test_only_what_changed_is_kept_before_and_after(move: Callable[..., Establishment]) -> None:
    move(address=STREET, altitude_m=520, name="Lindenhof Sweets")
    assert last().before == {"address": "Mill Lane 4, Musterstadt", "altitude_m": None}
    assert last().after == {"address": STREET, "altitude_m": "520"}


def test_it_says_what_was_changed_by_whom_and_why(
    move: Callable[..., Establishment], establishment: Establishment, act: Callable[..., Act], lead: Person
) -> None:
    move(act(lead, note="The rent ended."))
    assert (last().subject_kind, last().subject_id) == ("ledger.establishment", establishment.pk)
    assert (last().performed_by, last().recorded_by, last().note) == (lead, lead, "The rent ended.")


def test_of_a_new_row_there_was_nothing_before(establishment: Establishment) -> None:
    made = Change.objects.get(subject_id=establishment.pk)
    assert made.before == {}
    assert made.after["name"] == "Lindenhof Sweets"


def test_each_change_raises_the_version_by_one(move: Callable[..., Establishment]) -> None:
    assert [move().version, move(address="Quay 2").version] == [2, 3]


def test_a_change_without_effect_is_none(move: Callable[..., Establishment]) -> None:
    before = rows_kept()
    assert move(name="Lindenhof Sweets").version == 1
    assert rows_kept() == before


def test_no_record_holds_a_password_or_a_keys_hash(
    lead_api: Client,
) -> None:
    body = {"sign_in_name": "newcomer", "name": "Nell Newcomer", "initials": "NN", "password": PASSWORD}
    assert lead_api.send("people", body | {"role": "operator", "from_day": "2026-01-01"}).status_code == 201
    made = Person.objects.get(sign_in_name="newcomer")
    secrets = [made.password, *Token.objects.values_list("key_hash", flat=True)]
    said = str(list(Change.objects.values_list("before", "after", "note")))
    assert not [secret for secret in secrets if secret in said]
    assert "newcomer" in said


def test_a_change_that_the_database_refuses_leaves_row_and_record_as_they_were(
    lead_api: Client,
) -> None:
    role = Membership.objects.filter(role=Role.ADMINISTRATOR)[0]
    before = rows_kept()
    answer = lead_api.change(f"roles/{role.pk}", {"until_day": "2019-01-01"}, version=role.version)
    assert answer.status_code == 400
    assert [error["field"] for error in answer.json()["errors"]] == ["until_day"]
    assert rows_kept() == before
    role.refresh_from_db()
    assert (role.until_day, role.version) == (None, 1)


def test_a_value_that_cannot_be_is_refused_and_named(move: Callable[..., Establishment]) -> None:
    before = rows_kept()
    with pytest.raises(Unusable) as told:
        move(time_zone="Mars/Olympus")
    assert told.value.reasons[0].field == "time_zone"
    assert rows_kept() == before


def test_what_is_not_part_of_the_profile_is_a_mistake_of_the_code(move: Callable[..., Establishment]) -> None:
    with pytest.raises(ValueError, match="profile"):
        move(id=uuid7())


# -- making twice -----------------------------------------------------------------------------------


@pytest.fixture
def make(establishment: Establishment, act: Callable[..., Act], lead: Person, operator: Person) -> Any:
    def do(id: Any, role: str = Role.SUPERVISOR) -> Membership:
        row = Membership(establishment=establishment, person=operator, role=role, from_day="2026-01-01")
        return changes.make(act=act(lead, id=id), row=row)

    return do


def test_made_twice_with_one_id_it_is_one_row_and_one_record(make: Any) -> None:
    key = uuid7()
    assert make(key) == make(key)
    assert Change.objects.filter(subject_id=key).count() == 1


def test_another_row_under_the_same_id_is_refused(make: Any) -> None:
    key = uuid7()
    make(key)
    with pytest.raises(OtherContent):
        make(key, Role.INSPECTOR)
    assert Membership.objects.get(pk=key).role == Role.SUPERVISOR


# -- hidden values ----------------------------------------------------------------------------------


def test_a_change_verifies_without_saying_what_it_said(
    move: Callable[..., Establishment], establishment: Establishment
) -> None:
    move()
    seals.seal(establishment=establishment)
    shown = evidence([last()])
    assert STREET not in str(shown)
    assert checker.check(shown).differences == []
    assert verification.verify().findings == []


def test_opened_it_verifies_with_what_it_said(
    move: Callable[..., Establishment], establishment: Establishment
) -> None:
    move()
    seals.seal(establishment=establishment)
    shown = evidence([last()], open_confidential=True)
    assert shown["records"][0]["open"]["after"]["value"] == {"address": STREET}
    assert checker.check(shown).differences == []


def test_opened_with_another_value_it_does_not_verify(
    move: Callable[..., Establishment], establishment: Establishment
) -> None:
    move()
    seals.seal(establishment=establishment)
    shown = copy.deepcopy(evidence([last()], open_confidential=True))
    shown["records"][0]["open"]["after"]["value"]["address"] = "Mill Lane 4, Musterstadt"
    assert checker.check(shown).differences != []


def test_the_same_value_twice_does_not_look_the_same(move: Callable[..., Establishment]) -> None:
    hidden = []
    for address in (STREET, "Quay 2", STREET):
        move(address=address)
        hidden.append(last().content()["after"]["hidden"])
    assert hidden[0] != hidden[2]


def test_a_hidden_value_that_was_changed_is_named(move: Callable[..., Establishment]) -> None:
    move()
    made = last()
    connection.check_constraints()  # PostgreSQL drops no trigger while a deferred check waits
    triggers.remove(connection)
    Change.objects.filter(pk=made.pk).update(after={"address": "Quay 2"})
    triggers.install(connection)
    assert verification.verify().findings == [
        f"ledger.change {made.pk} says something else than when it was written"
    ]


# -- two at once ------------------------------------------------------------------------------------


def test_whoever_saw_an_older_version_changes_nothing(move: Callable[..., Establishment]) -> None:
    move()
    before = rows_kept()
    with pytest.raises(ChangedMeanwhile):
        move(address="Quay 2", version=1)
    assert rows_kept() == before
    assert Establishment.objects.get().address == STREET


def test_the_version_counts_even_where_nothing_would_change(move: Callable[..., Establishment]) -> None:
    move()
    with pytest.raises(ChangedMeanwhile):
        move(address=STREET, version=1)


# -- over HTTP --------------------------------------------------------------------------------------


def test_a_change_answers_the_row_and_its_new_version(lead_api: Client) -> None:
    answer = lead_api.change("", {"address": STREET}, version=1)
    assert answer.status_code == 200, answer.json()
    assert (answer.json()["address"], answer["ETag"]) == (STREET, '"2"')


def test_the_reason_that_was_sent_is_kept(lead_api: Client) -> None:
    answer = lead_api.change("", {"address": STREET, "note": "The rent ended."}, version=1)
    assert answer.status_code == 200, answer.json()
    assert last().note == "The rent ended."


def test_a_reason_alone_changes_nothing(lead_api: Client) -> None:
    before = rows_kept()
    answer = lead_api.change("", {"note": "Only so."}, version=1)
    assert (answer.status_code, answer["ETag"], rows_kept()) == (200, '"1"', before)


def test_the_reason_for_a_roles_end_is_kept(lead_api: Client, operator: Person) -> None:
    role = Membership.objects.get(person=operator)
    body = {"until_day": "2026-06-01", "note": "Moves away."}
    assert lead_api.change(f"roles/{role.pk}", body, version=1).status_code == 200
    assert (last().subject_id, last().after, last().note) == (
        role.pk,
        {"until_day": "2026-06-01"},
        "Moves away.",
    )


def test_a_stale_version_answers_412_and_writes_nothing(lead_api: Client) -> None:
    lead_api.change("", {"address": STREET}, version=1)
    before = rows_kept()
    answer = lead_api.change("", {"address": "Quay 2"}, version=1)
    assert (answer.status_code, answer.json()["type"]) == (412, "/api/problems/changed-meanwhile")
    assert rows_kept() == before


@pytest.mark.parametrize("sent", [None, "*"])
def test_without_a_version_it_answers_428_and_writes_nothing(sent: str | None, lead_api: Client) -> None:
    before = rows_kept()
    extra = {} if sent is None else {"HTTP_IF_MATCH": sent}
    answer = lead_api.patch(lead_api.base, {"address": STREET}, format="json", **extra)
    assert (answer.status_code, answer.json()["type"]) == (428, "/api/problems/version-missing")
    assert rows_kept() == before


def test_lead_and_administrator_read_what_changed(lead_api: Client, establishment: Establishment) -> None:
    lead_api.change("", {"address": STREET}, version=1)
    newest = lead_api.ask("changes", subject=str(establishment.pk)).json()["results"][0]
    assert newest["before"] == {"address": "Mill Lane 4, Musterstadt"}
    assert newest["after"] == {"address": STREET}


def test_an_operator_reads_neither_the_list_nor_a_hidden_value(lead_api: Client, api: Client) -> None:
    lead_api.change("", {"address": STREET}, version=1)
    assert api.ask("changes").status_code == 403
    answer = api.ask(f"records/{last().pk}")
    assert answer.status_code == 200
    assert STREET not in answer.content.decode()
