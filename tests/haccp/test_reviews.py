"""Reviews: which records await one, by which day, who may sign, and what makes one due again.

Seven working days after a record was made: 21 CFR 117.165(a)(4)(i), seen in a secondary text; a plan's own number.
"""

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import pytest

from batches import runs
from batches.models import Batch, BatchEnd, BatchStart
from config.api.refusals import NotAllowed, OtherContent, RuleBroken
from haccp import checks, deviations, plans, reviews
from haccp.models import Check, Closing, ControlPoint, Correction, Deviation
from haccp.plan_documents import errors, gaps, review_term
from haccp.reviews import Term
from ledger import establishments, people, signatures
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Person, Signature
from tests.conftest import NOON, PASSWORD
from tests.haccp.conftest import MINUTE, MORNING, seen


@pytest.fixture
def due(establishment: Establishment) -> Callable[..., set[Any]]:
    """The ids of what awaits a review."""

    def ask(batch: Batch | None = None) -> set[Any]:
        return set(reviews.awaiting(establishment, batch).values_list("pk", flat=True))

    return ask


@pytest.fixture
def review(act: Callable[..., Act], lead: Person, proof: signatures.Proof) -> Callable[..., Signature]:
    def do(*records: Any, said_act: Act | None = None, **values: Any) -> Signature:
        entries = [Entry.objects.get(pk=record.pk) for record in records]
        return reviews.review(act=said_act or act(lead), proof=proof, records=entries, **values)

    return do


# --- what awaits a review


def test_a_check_awaits_a_review_until_somebody_else_signs(
    batch: Batch, look: Any, due: Any, review: Any, establishment: Establishment
):
    check = look(batch)
    assert due() == {check.pk}
    signed = review(check)
    assert due() == set()
    assert (signed.target_id, signed.meaning, signed.target_digest) == (check.pk, "reviewed", check.digest)


def test_a_signature_that_means_something_else_is_no_review(
    batch: Batch, look: Any, due: Any, act: Any, lead: Person, proof: Any
):
    check = look(batch)
    entry = Entry.objects.get(pk=check.pk)
    signatures.sign(act=act(lead), proof=proof, target=entry, meaning="decided")
    assert due() == {check.pk}


def test_a_routine_awaits_none(batch: Batch, act: Any, due: Any, point: Any):
    routine = point("CP-METAL-1")
    row = ControlPoint(
        establishment=routine.establishment,
        version=routine.version,
        code="PRP-9",
        name="Sweep the floor",
        kind="prp",
        document=routine.document | {"code": "PRP-9", "kind": "prp"},
    )
    row.save(force_insert=True)
    checks.record(act=act(), subject=checks.Subject(row, batch=batch), said=seen(row))
    assert due() == set()


def test_a_correction_makes_it_due_again(batch: Batch, look: Any, due: Any, review: Any, act: Any):
    first = look(batch)
    review(first)
    again = look(batch, said_act=act(corrects=first.pk, reason="Wrong piece."))
    assert due() == {again.pk}


def test_a_withdrawal_is_reviewed_too(batch: Batch, look: Any, due: Any, review: Any, act: Any):
    first = look(batch)
    review(first)
    gone = checks.withdraw(act=act(corrects=first.pk, reason="Other batch."))
    assert due() == {gone.pk}


def test_the_end_of_a_batch_awaits_one_and_its_start_only_once_put_right(
    batch: Batch, end: Any, due: Any, act: Any
):
    assert due() == set()
    end(batch)
    first = BatchEnd.objects.get().pk
    assert due() == {first}
    said = act(at=MORNING + MINUTE, corrects=BatchStart.objects.get().pk, reason="Misread.")
    started = runs.correct_start(act=said, batch=batch, quantity="6", unit="KGM")
    assert due() == {first, started.pk}


def test_a_closed_deviation_and_a_slip_put_right_await_one(
    batch: Batch, look: Any, due: Any, act: Any, settle: Any
):
    check = look(batch, good=False)
    settle(Deviation.objects.get())
    slip = deviations.correct(act=act(), what="Label askew", done="Taken off", no_impact_because="Not packed")
    assert due() == {check.pk, Closing.objects.get().pk, slip.pk}


def test_what_is_of_one_batch_is_told_for_it(
    begin: Any, look: Any, due: Any, act: Any, settle: Any, end: Any
):
    batch, other = begin(), begin()
    checked = look(batch, good=False)
    settle(Deviation.objects.get())
    end(batch)
    elsewhere = look(other)
    deviations.correct(act=act(), what="Label askew", done="Taken off", no_impact_because="Not packed")
    assert due(batch) == {checked.pk, Closing.objects.get().pk, BatchEnd.objects.get().pk}
    assert due(other) == {elsewhere.pk}


def test_another_establishments_records_do_not_show(batch: Batch, look: Any, elsewhere: Establishment):
    look(batch)
    assert not reviews.awaiting(elsewhere).exists()


# --- signing


def test_several_are_signed_at_once_and_a_resend_is_harmless(
    batch: Batch, look: Any, due: Any, review: Any, act: Any, lead: Person
):
    some = [look(batch), look(batch, "CP-LABEL-1")]
    said = act(lead, id=uuid7())
    first = review(*some, said_act=said)
    again = review(*some, said_act=said)
    assert (first.pk, again.pk, again.repeated) == (said.id, said.id, True)
    assert (due(), Signature.objects.filter(meaning="reviewed").count()) == (set(), 2)


def test_the_same_id_for_other_records_is_refused(
    batch: Batch, look: Any, review: Any, act: Any, lead: Person
):
    one, other = look(batch), look(batch, "CP-LABEL-1")
    said = act(lead, id=uuid7())
    review(one, said_act=said)
    for records in ([other], [one, other]):
        with pytest.raises(OtherContent):
            review(*records, said_act=said)


def test_what_was_corrected_is_not_reviewed_any_more(batch: Batch, look: Any, review: Any, act: Any):
    first, good = look(batch), look(batch, "CP-LABEL-1")
    again = look(batch, said_act=act(corrects=first.pk, reason="Wrong piece."))
    with pytest.raises(RuleBroken) as refusal:
        review(good, first)
    (reason,) = refusal.value.reasons
    assert (reason.code, reason.field, reason.ids) == ("corrected", "records.1", [str(again.pk)])
    assert not Signature.objects.filter(meaning="reviewed").exists()


def test_nobody_reviews_their_own_unless_the_firm_has_one_person(
    batch: Batch, look: Any, review: Any, act: Any, lead: Person, establishment: Establishment
):
    own, other = look(batch, said_act=act(lead)), look(batch)
    with pytest.raises(RuleBroken, match="does not review"):
        review(other, own)
    assert not Signature.objects.filter(meaning="reviewed").exists()
    establishments.change_profile(act=act(lead), values={"one_person_reason": "I work alone."})
    establishment.refresh_from_db()
    assert review(own).target_id == own.pk


def test_whoever_is_no_lead_does_not_review(
    batch: Batch, look: Any, act: Any, make_person: Any, lead: Person
):
    other = make_person("Sam Helper")
    people.give_role(act=act(lead), person=other, role="supervisor", from_day=date(2020, 1, 1))
    entry = Entry.objects.get(pk=look(batch).pk)
    with pytest.raises(NotAllowed, match="reviews records"):
        signatures.sign(act=act(other), proof=signatures.Proof(other), target=entry, meaning="reviewed")


def test_a_lead_without_a_qualification_does_not_review(
    batch: Batch, look: Any, act: Any, make_person: Any, lead: Person
):
    other = make_person("New Lead")
    people.give_role(act=act(lead), person=other, role="food-safety-lead", from_day=date(2020, 1, 1))
    entry = Entry.objects.get(pk=look(batch).pk)
    with pytest.raises(NotAllowed, match="qualification"):
        signatures.sign(act=act(other), proof=signatures.Proof(other), target=entry, meaning="reviewed")


# --- by when

MONDAY_TO_FRIDAY = frozenset(range(5))


@pytest.mark.parametrize(
    ("created", "last"),
    [
        (date(2026, 3, 2), date(2026, 3, 11)),  # a Monday
        (date(2026, 3, 6), date(2026, 3, 17)),  # a Friday
        (date(2026, 3, 7), date(2026, 3, 17)),  # a Saturday
    ],
)
def test_seven_working_days_leave_out_the_weekend(created: date, last: date):
    assert Term(7, MONDAY_TO_FRIDAY).last_day(created) == last


def test_the_week_is_the_plans():
    assert Term(7, frozenset(range(7))).last_day(date(2026, 3, 2)) == date(2026, 3, 9)
    assert Term(2, frozenset({5})).last_day(date(2026, 3, 2)) == date(2026, 3, 14)


def test_every_record_says_by_when_and_whether_it_is_overdue(
    batch: Batch, look: Any, end: Any, act: Any, settle: Any, establishment: Establishment
):
    look(batch, good=False)
    settle(Deviation.objects.get())
    end(batch)
    deviations.correct(act=act(), what="Label askew", done="Taken off", no_impact_because="Not packed")
    entries = list(reviews.awaiting(establishment))
    created = Check.objects.get().recorded_at.astimezone(establishment.zone).date()
    last = Term(7, MONDAY_TO_FRIDAY).last_day(created)
    on_it = datetime.combine(last, datetime.max.time(), tzinfo=establishment.zone)
    assert {(each.review_by, each.overdue) for each in reviews.awaited(entries, on_it)} == {(last, False)}
    assert {each.overdue for each in reviews.awaited(entries, on_it + MINUTE)} == {True}
    assert len(entries) == 4


def test_a_plan_that_says_no_number_gives_no_day(
    document: dict[str, Any], batch: Batch, look: Any, establishment: Establishment
):
    look(batch)
    (found,) = reviews.awaited(reviews.awaiting(establishment))
    assert (found.review_by, found.overdue) == (None, False)


@pytest.fixture
def document(document: dict[str, Any], request: Any) -> dict[str, Any]:
    if "no_number" in request.node.name:
        del document["records"]["review"]
    return document


def test_each_check_goes_by_the_plan_version_it_was_made_under(
    document: dict[str, Any], plan: Any, batch: Batch, look: Any, act: Any, lead: Person, proof: Any
):
    look(batch)
    deviations.correct(act=act(), what="Label askew", done="Taken off", no_impact_because="Not packed")
    changed = document | {
        "records": document["records"]
        | {"review": document["records"]["review"] | {"within_working_days": "1"}}
    }
    plans.redraft(act=act(lead), plan=plan, values={"draft": changed})
    plans.approve(act=act(lead), plan=plan, proof=proof)
    found = {
        type(each.record): each.review_by for each in reviews.awaited(reviews.awaiting(batch.establishment))
    }
    created = Check.objects.get().recorded_at.astimezone(batch.establishment.zone).date()
    assert found[Check] == Term(7, MONDAY_TO_FRIDAY).last_day(created)
    assert found[Correction] == Term(1, MONDAY_TO_FRIDAY).last_day(created)


def test_what_each_is_about_is_told_in_words(
    batch: Batch, look: Any, end: Any, act: Any, establishment: Establishment
):
    check = look(batch)
    checks.withdraw(act=act(corrects=check.pk, reason="Other batch."))
    end(batch)
    told = {each.about for each in reviews.awaited(reviews.awaiting(establishment))}
    assert told == {
        f"withdrawn: CP-METAL-1 {check.control_point.name}: within",
        f"batch {batch.code} ended",
    }


# --- the plan's document


def test_the_number_needs_its_source(document: dict[str, Any]):
    assert review_term(document) == (7, MONDAY_TO_FRIDAY)
    del document["records"]["review"]["source"]
    assert [gap.code for gap in gaps(document)] == ["no-source"]


def test_a_plan_may_leave_the_number_out(document: dict[str, Any]):
    del document["records"]["review"]
    assert (gaps(document), review_term(document)) == ([], None)


def test_the_days_worked_are_monday_to_friday_if_not_said(document: dict[str, Any]):
    del document["records"]["review"]["working_days"]
    assert review_term(document) == (7, MONDAY_TO_FRIDAY)


def test_a_week_has_a_day(document: dict[str, Any]):
    document["records"]["review"]["working_days"] = []
    assert [error.field for error in errors(document)] == ["records.review.working_days"]


# --- over HTTP


def test_the_lead_lists_and_signs_what_is_due(lead_api: Any, api: Any, batch: Batch, look: Any, end: Any):
    check = look(batch)
    end(batch)
    listed = lead_api.ask("reviews/due", batch=str(batch.uid)).json()["results"]
    assert {each["id"] for each in listed} == {str(check.pk), str(BatchEnd.objects.get().pk)}
    assert {each["batch_code"] for each in listed} == {batch.code}
    body = {
        "performed_at": NOON.isoformat(),
        "records": [each["id"] for each in listed],
        "password": PASSWORD,
    }
    assert api.send("reviews", body).status_code == 403
    answer = lead_api.send("reviews", body)
    assert (answer.status_code, answer.json()["target"]) == (201, listed[0]["id"])
    assert lead_api.ask("reviews/due").json()["results"] == []
    assert len(lead_api.ask("reviews").json()["results"]) == 2


def test_a_review_needs_the_password(lead_api: Any, batch: Batch, look: Any):
    body = {"performed_at": NOON.isoformat(), "records": [str(look(batch).pk)], "password": "wrong"}
    assert lead_api.send("reviews", body).status_code == 403
    assert not Signature.objects.filter(meaning="reviewed").exists()


def test_the_list_goes_on_page_by_page(lead_api: Any, batch: Batch, look: Any):
    made = [str(look(batch).pk) for _ in range(3)]
    first = lead_api.ask("reviews/due", limit=2).json()
    rest = lead_api.get(first["next"]).json()
    assert [each["id"] for each in first["results"] + rest["results"]] == made
