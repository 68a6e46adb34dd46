"""A relief is recorded by a qualified food-safety lead, signed, with basis and days, and eases nothing beside what it names."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.utils import timezone

from batches.models import Batch, BatchEnd
from config.api.refusals import NotAllowed, RuleBroken, Unusable
from haccp import notices, plans, reviews
from haccp.compliance import profile, reliefs
from haccp.models import ComplianceRelief, Deviation, Notice, Plan
from ledger import establishments, people, signatures
from ledger.acts import Act
from ledger.models import Change, Establishment, Person, Qualification, Signature
from tests.conftest import PASSWORD

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
EU = "eu-nature-and-size"


@pytest.fixture
def today(establishment: Establishment) -> date:
    return timezone.now().astimezone(establishment.zone).date()


@pytest.fixture
def said(today: date) -> dict[str, Any]:
    return {
        "relief": EU,
        "basis": "Two people, one kitchen.",
        "evidence": "Letter of the town's food office.",
        "from_day": today,
        "until_day": today + 300 * DAY,
    }


@pytest.fixture
def now_act(act: Callable[..., Act], lead: Person) -> Callable[..., Act]:
    def make(by: Person | None = None, **values: Any) -> Act:
        return act(by or lead, at=timezone.now(), **values)

    return make


@pytest.fixture
def record(
    now_act: Callable[..., Act], said: dict[str, Any], proof: signatures.Proof
) -> Callable[..., ComplianceRelief]:
    def do(said_act: Act | None = None, **values: Any) -> ComplianceRelief:
        return reliefs.record(act=said_act or now_act(), proof=proof, **(said | values))

    return do


def eased(establishment: Establishment, on: date) -> set[str]:
    return {each.part.code for each in profile.of(establishment, on).parts if each.is_eased}


# -- recording one -------------------------------------------------------------------------------------


def test_everything_is_asked_of_a_house_without_a_relief(establishment: Establishment, today: date) -> None:
    assert eased(establishment, today) == set()


def test_a_relief_holds_from_its_first_day_until_the_day_it_ends(
    record: Any, establishment: Establishment, today: date
) -> None:
    made = record()
    asked = [eased(establishment, day) for day in (today - DAY, today, made.until_day - DAY, made.until_day)]
    assert asked == [set(), {"plan-form", "lesser-review"}, {"plan-form", "lesser-review"}, set()]


def test_it_says_by_whom_on_what_basis_and_until_when(
    record: Any, establishment: Establishment, today: date
) -> None:
    made = record()
    (ground,) = profile.of(establishment, today).reliefs
    assert (ground.by, ground.basis, ground.evidence) == (
        "Ines Lead",
        "Two people, one kitchen.",
        "Letter of the town's food office.",
    )
    assert (ground.from_day, ground.until_day, ground.record) == (today, today + 300 * DAY, made.pk)


def test_it_is_signed_as_decided(record: Any) -> None:
    made = record()
    signature = Signature.objects.get(target=made.pk)
    assert (signature.meaning, signature.target_digest) == ("decided", made.digest)


def test_sent_again_it_is_the_same(record: Any, now_act: Any) -> None:
    said_act = now_act(id=ComplianceRelief._meta.pk.get_default())
    first, again = record(said_act), record(said_act)
    assert (again.pk, again.repeated, ComplianceRelief.objects.count()) == (first.pk, True, 1)


def test_nobody_but_a_lead_records_one(record: Any, now_act: Any, operator: Person) -> None:
    with pytest.raises(NotAllowed, match="A food-safety lead records a relief"):
        record(now_act(operator))


def test_a_lead_without_a_qualification_records_none(
    record: Any, establishment: Establishment, act: Any, lead: Person, today: date
) -> None:
    course = Qualification.objects.get()
    people.qualify(
        act=act(lead, corrects=course.pk, reason="It has lapsed."),
        person=lead,
        title=course.title,
        covers_plans=True,
        evidence=course.evidence,
        issued_by=course.issued_by,
        valid_from=course.valid_from,
        valid_until=today,
    )
    with pytest.raises(NotAllowed, match="has no qualification that covers hazard plans"):
        record()
    assert not ComplianceRelief.objects.exists()


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"relief": "eu-nature-and-siz"}, "unknown"),
        ({"basis": "  "}, "missing"),
        ({"evidence": ""}, "missing"),
    ],
)
def test_what_cannot_be_kept_is_refused(record: Any, values: dict[str, Any], code: str) -> None:
    with pytest.raises(Unusable) as refused:
        record(**values)
    assert (refused.value.code, refused.value.reasons[0].field) == (code, next(iter(values)))


def test_one_of_another_jurisdiction_is_refused(record: Any) -> None:
    with pytest.raises(RuleBroken, match="law of another place than DE"):
        record(relief="us-qualified-facility")


def test_it_ends_after_it_begins(record: Any, today: date) -> None:
    with pytest.raises(Unusable, match="ends after it begins"):
        record(until_day=today)


def test_it_is_not_recorded_for_ever(record: Any, today: date) -> None:
    assert record(until_day=today + 366 * DAY)
    with pytest.raises(Unusable, match="for 366 days at most"):
        record(from_day=today + 366 * DAY, until_day=today + 733 * DAY)


def test_nobody_eases_what_was_asked_yesterday(record: Any, today: date) -> None:
    with pytest.raises(RuleBroken, match="at the earliest, which is"):
        record(from_day=today - DAY)


def test_who_dates_the_decision_back_gains_no_day(record: Any, act: Any, lead: Person, today: date) -> None:
    with pytest.raises(RuleBroken, match="at the earliest"):
        record(act(lead, at=timezone.now() - 9 * DAY), from_day=today - 9 * DAY)


def test_the_same_relief_does_not_stand_twice_on_one_day(record: Any, today: date) -> None:
    record()
    with pytest.raises(RuleBroken, match="The same relief stands from"):
        record(from_day=today + 299 * DAY, until_day=today + 400 * DAY)


def test_the_next_one_begins_on_the_day_the_first_ends(
    record: Any, today: date, establishment: Establishment
) -> None:
    record()
    record(from_day=today + 300 * DAY, until_day=today + 600 * DAY)
    assert eased(establishment, today + 300 * DAY) == {"plan-form", "lesser-review"}


# -- ending one ----------------------------------------------------------------------------------------


def test_a_correction_ends_it_earlier(
    record: Any, now_act: Any, today: date, establishment: Establishment
) -> None:
    first = record()
    record(now_act(corrects=first.pk, reason="We have grown."), until_day=today + 2 * DAY)
    assert [eased(establishment, today + n * DAY) for n in (1, 2)] == [{"plan-form", "lesser-review"}, set()]


@pytest.mark.parametrize("change", [{"until_day": 301}, {"from_day": 1}, {"relief": "us-cottage-food"}])
def test_a_correction_does_nothing_else(
    record: Any, now_act: Any, today: date, change: dict[str, Any]
) -> None:
    first = record()
    values = {
        name: today + value * DAY if isinstance(value, int) else value for name, value in change.items()
    }
    with pytest.raises(RuleBroken):
        record(now_act(corrects=first.pk, reason="x"), **values)


def test_withdrawn_it_never_held(
    record: Any, now_act: Any, proof: Any, establishment: Establishment, today: date
) -> None:
    first = record()
    gone = reliefs.withdraw(act=now_act(corrects=first.pk, reason="Misread.", withdraws=True), proof=proof)
    assert (gone.withdrawn, eased(establishment, today)) == (True, set())
    assert Signature.objects.filter(target=gone.pk).exists()


def test_nobody_but_a_lead_withdraws_one(record: Any, now_act: Any, proof: Any, operator: Person) -> None:
    first = record()
    with pytest.raises(NotAllowed, match="withdraws a relief"):
        reliefs.withdraw(act=now_act(operator, corrects=first.pk, reason="x", withdraws=True), proof=proof)


def test_a_relief_of_the_land_the_house_left_eases_nothing(
    record: Any, establishment: Establishment, today: date
) -> None:
    record()
    Establishment.objects.filter(pk=establishment.pk).update(country="US")
    establishment.refresh_from_db()
    assert eased(establishment, today) == set()


# -- what the establishment's own profile says ---------------------------------------------------------


def test_the_exception_of_a_one_person_firm_is_told_with_who_noted_it(
    now_act: Any, establishment: Establishment, today: date
) -> None:
    establishments.change_profile(act=now_act(), values={"one_person_reason": "I work alone."})
    (part,) = (each for each in profile.of(establishment, today).parts if each.is_eased)
    assert (part.part.code, part.grounds[0].basis, part.grounds[0].by) == (
        "own-review",
        "I work alone.",
        "Ines Lead",
    )
    assert profile.of(establishment, today - DAY).parts[0].is_eased is False
    assert eased(establishment, today - DAY) == set()


def test_only_a_lead_notes_that_exception(now_act: Any, act: Any, lead: Person, make_person: Any) -> None:
    office = make_person("Olga Office")
    people.give_role(act=act(lead), person=office, role="administrator", from_day=date(2020, 1, 1))
    with pytest.raises(NotAllowed, match="notes the exception of a one-person firm"):
        establishments.change_profile(act=now_act(office), values={"one_person_reason": "I work alone."})
    establishments.change_profile(act=now_act(office), values={"name": "Lindenhof"})


def test_a_phased_start_is_told_up_to_its_last_day(
    now_act: Any, establishment: Establishment, today: date
) -> None:
    establishments.change_profile(act=now_act(), values={"phased_start_until": today + DAY})
    assert [eased(establishment, today + n * DAY) for n in (0, 1, 2)] == [
        {"start-gate"},
        {"start-gate"},
        set(),
    ]


# -- what is different ---------------------------------------------------------------------------------


def due(establishment: Establishment) -> set[Any]:
    return set(reviews.awaiting(establishment).values_list("pk", flat=True))


def test_under_a_relief_the_end_of_a_batch_awaits_no_review(
    record: Any, batch: Batch, end: Any, establishment: Establishment
) -> None:
    end(batch)
    assert due(establishment) == {BatchEnd.objects.get().pk}
    record()
    assert due(establishment) == set()


def test_once_it_is_withdrawn_all_is_due_again(
    record: Any, now_act: Any, proof: Any, batch: Batch, end: Any, establishment: Establishment
) -> None:
    first = record()
    end(batch)
    reliefs.withdraw(act=now_act(corrects=first.pk, reason="Misread.", withdraws=True), proof=proof)
    assert due(establishment) == {BatchEnd.objects.get().pk}


def test_what_is_recorded_after_its_last_day_is_due_at_once(
    record: Any, batch: Batch, end: Any, establishment: Establishment, today: date
) -> None:
    record(until_day=today + DAY)
    with time_machine.travel(timezone.now() + 2 * DAY):
        end(batch)
        assert due(establishment) == {BatchEnd.objects.get().pk}


def test_checks_of_critical_points_await_their_review_under_any_relief(
    record: Any, batch: Batch, look: Any, establishment: Establishment
) -> None:
    check = look(batch)
    assert check.control_point.kind == "ccp"
    record()
    assert due(establishment) == {check.pk}


def test_a_check_of_a_lesser_point_within_its_criterion_awaits_none(
    record: Any, batch: Batch, look: Any, establishment: Establishment
) -> None:
    look(batch, "CP-BLADE-1", occasion="start")
    record()
    assert due(establishment) == set()


@pytest.mark.parametrize(("code", "good"), [("CP-CLEAN-1", True), ("CP-BLADE-1", False)])
def test_a_check_of_an_allergen_or_outside_still_awaits_one(
    record: Any, batch: Batch, look: Any, establishment: Establishment, code: str, good: bool
) -> None:
    check = look(batch, code, good, occasion="start")
    record()
    assert due(establishment) == {check.pk}


def test_a_correction_of_a_lesser_check_still_awaits_one(
    record: Any, batch: Batch, look: Any, establishment: Establishment, act: Any
) -> None:
    first = look(batch, "CP-BLADE-1", occasion="start")
    record()
    again = look(
        batch, "CP-BLADE-1", said_act=act(corrects=first.pk, reason="Other blade."), occasion="start"
    )
    assert due(establishment) == {again.pk}


def test_a_failing_check_opens_its_case_and_holds_under_a_relief(
    record: Any, batch: Batch, look: Any
) -> None:
    record()
    look(batch, good=False)
    assert Deviation.objects.get().holds.exists()


def test_a_plan_is_approved_without_what_is_eased_and_its_gap_is_still_told(
    record: Any, now_act: Any, plan: Plan, proof: Any
) -> None:
    draft = plan.draft | {"team": [{"person": "Ines Lead", "role": "food-safety lead"}]}
    thinner = plans.redraft(act=now_act(), plan=plan, values={"draft": draft})
    with pytest.raises(RuleBroken) as refused:
        plans.approve(act=now_act(), plan=thinner, proof=proof)
    assert [each.code for each in refused.value.reasons] == ["team-member-incomplete"]
    record()
    assert [(each.code, each.eased_by) for each in plans.gaps(thinner)] == [("team-member-incomplete", EU)]
    assert plans.approve(act=now_act(), plan=thinner, proof=proof).number == 1


def test_an_approval_dated_before_the_relief_is_refused_as_ever(
    record: Any, act: Any, lead: Person, now_act: Any, plan: Plan, proof: Any
) -> None:
    draft = plan.draft | {"team": [{"person": "Ines Lead", "role": "food-safety lead"}]}
    thinner = plans.redraft(act=now_act(), plan=plan, values={"draft": draft})
    record()
    with pytest.raises(RuleBroken, match="cannot be approved"):
        plans.approve(act=act(lead, at=timezone.now() - 2 * DAY), plan=thinner, proof=proof)


# -- told before it ends -------------------------------------------------------------------------------


@pytest.fixture
def written_to(lead: Person) -> Person:
    lead.email = "lead@example.org"
    lead.save()
    return lead


def test_leads_are_told_sixty_and_fourteen_days_before_and_when_it_is_over_once_each(
    record: Any, written_to: Person
) -> None:
    made = record()
    end = datetime.combine(made.until_day, datetime.min.time(), made.establishment.zone)
    told = [reliefs.sweep(end - days * DAY) for days in (61, 60, 59, 14, 13, 0, -1, -8)]
    assert told == [0, 1, 0, 1, 0, 1, 0, 0]
    slots = list(Notice.objects.order_by("made_at").values_list("slot", flat=True))
    assert slots == [f"{made.until_day}, {word}" for word in ("60 d", "14 d", "over")]


def test_nobody_is_told_of_one_that_goes_on(record: Any, written_to: Person, today: date) -> None:
    made = record()
    record(from_day=made.until_day, until_day=made.until_day + 300 * DAY)
    end = datetime.combine(made.until_day, datetime.min.time(), made.establishment.zone)
    assert reliefs.sweep(end - 10 * DAY) == 0


def test_the_mail_says_what_ends_when_and_what_to_do(record: Any, written_to: Person) -> None:
    made = record()
    reliefs.sweep(datetime.combine(made.until_day - 5 * DAY, datetime.min.time(), made.establishment.zone))
    notices.tell(Notice.objects.get().pk)
    (sent,) = mail.outbox
    assert sent.subject == "A relief ends at Lindenhof Sweets: Documents and records by nature and size"
    assert f"holds until {made.until_day}" in sent.body
    assert "record it anew from that day on, signed" in sent.body


# -- over HTTP -----------------------------------------------------------------------------------------


def body(said: dict[str, Any], **values: Any) -> dict[str, Any]:
    at = {"performed_at": timezone.now().isoformat(), "password": PASSWORD}
    return {name: str(value) for name, value in (said | values).items()} | at


def test_a_lead_records_one_and_withdraws_it(lead_api: Any, said: dict[str, Any], today: date) -> None:
    made = lead_api.send("compliance-reliefs", body(said))
    assert made.status_code == 201, made.json()
    states = {each["code"]: each["state"] for each in lead_api.ask("required-parts").json()["parts"]}
    assert (states["plan-form"], states["critical-checks"]) == ("eased", "asked")
    back = lead_api.send(
        "compliance-reliefs/withdrawn", body({}, corrects=made.json()["id"], reason="Misread.")
    )
    assert (back.status_code, back.json()["withdrawn"]) == (201, True)
    assert {each["state"] for each in lead_api.ask("required-parts").json()["parts"]} == {"asked"}


def test_the_profile_of_a_day_tells_grounds_known_law_and_who_decides(
    lead_api: Any, said: dict[str, Any], today: date
) -> None:
    lead_api.send("compliance-reliefs", body(said))
    told = lead_api.ask("required-parts", on=str(today + 5 * DAY)).json()
    (ground,) = next(each for each in told["parts"] if each["code"] == "plan-form")["grounds"]
    assert (ground["relief"], ground["by"], ground["until_day"]) == (EU, "Ines Lead", str(today + 300 * DAY))
    assert [each["code"] for each in told["known_reliefs"]] == [EU]
    assert "for the competent local authority to say" in told["ask"]
    assert "No relief eases" in told["kept"]


def test_without_an_end_or_a_basis_it_is_sent_back_by_field(lead_api: Any, said: dict[str, Any]) -> None:
    sent = {name: value for name, value in body(said).items() if name not in ("until_day", "basis")}
    answer = lead_api.send("compliance-reliefs", sent)
    assert (answer.status_code, {each["field"] for each in answer.json()["errors"]}) == (
        400,
        {"until_day", "basis"},
    )


def test_an_operator_reads_the_profile_and_records_nothing(api: Any, said: dict[str, Any]) -> None:
    assert api.ask("required-parts").status_code == 200
    assert api.send("compliance-reliefs", body(said)).status_code == 403


def test_a_wrong_password_records_nothing(lead_api: Any, said: dict[str, Any]) -> None:
    answer = lead_api.send("compliance-reliefs", body(said) | {"password": "not it"})
    assert answer.status_code == 403
    assert not ComplianceRelief.objects.exists()


def test_the_profile_costs_the_same_for_one_relief_as_for_many(
    establishment: Establishment, record: Any, today: date, django_assert_num_queries: Any
) -> None:
    record(until_day=today + 2 * DAY)
    with django_assert_num_queries(3):
        profile.of(establishment, today)
    Change.objects.count()
    for n in range(2, 6):
        record(from_day=today + n * DAY, until_day=today + (n + 1) * DAY)
    with django_assert_num_queries(3):
        profile.of(establishment, today)
