"""A record read back comes to the digest it was written with: every kind, any text, number and time, both engines.

A row is digested by the form it was written in, so that a field that comes later leaves old digests as they are.
"""

from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from batches.models import Lot, ProposedReceipt, WebOrder
from haccp.models import CheckSheet, Deviation, Finding, Recall
from ledger import canonical, evidence, seals, triggers, verification
from ledger.ids import uuid7
from ledger.models import BASE_1, Qualification, Record, record_class, record_classes
from ledger.standalone import check_evidence as checker
from tests.ledger.conftest import House
from tests.scene import undone

pytestmark = pytest.mark.django_db
KINDS = [model.kind for model in record_classes()]


def digest_now(record: Record) -> str:
    """What the record comes to as the database gives it back."""
    record.refresh_from_db()
    return canonical.digest(record.content())


@pytest.mark.parametrize("kind", KINDS)
def test_every_record_of_a_day_reads_back_to_its_digest(house: House, kind: str) -> None:
    rows = list(record_class(kind).objects.all())
    assert rows, "no row to look at"
    assert [row.pk for row in rows if digest_now(row) != row.digest] == []


# -- with any text, number and time ---------------------------------------------------------------------

TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), min_size=1, max_size=40)
TIMES = st.datetimes(datetime(2, 1, 1), datetime(9998, 12, 31), timezones=st.just(UTC))
JSON = st.recursive(
    st.none() | st.booleans() | TEXT,
    lambda parts: st.lists(parts, max_size=3) | st.dictionaries(TEXT, parts, max_size=3),
    max_leaves=8,
)
OF_KIND: dict[str, st.SearchStrategy[Any]] = {
    "CharField": TEXT,
    "TextField": TEXT,
    "BooleanField": st.booleans(),
    "DateField": st.dates(),
    "DateTimeField": TIMES,
    "UUIDField": st.uuids(),
    "PositiveSmallIntegerField": st.integers(1000, 32767),
    "PositiveIntegerField": st.integers(1000, 2**31 - 1),
    "PositiveBigIntegerField": st.integers(1, 2**63 - 1),
    "BigIntegerField": st.integers(1, 2**63 - 1),
    "JSONField": st.dictionaries(TEXT, JSON, min_size=1, max_size=3) | st.lists(JSON, min_size=1, max_size=3),
}
BASE: dict[str, st.SearchStrategy[Any]] = {
    "performed_at": TIMES,
    "performed_offset": st.integers(-840, 840),
    "sent_at": st.none() | TIMES,
    "place": st.just("") | TEXT,
    "note": st.just("") | TEXT,
    "reason": TEXT,
}
AS_IT_IS = {
    "ledger.entrance": {"opens_at", "closes_at", "first_day", "last_day"},
    "batches.movement": {"quantity", "effect", "mass"},  # they follow from one another
    "haccp.check": {"sheet_line"},
    "haccp.compliance-relief": {"from_day", "until_day"},
    "haccp.hold": {"since"},
    "haccp.inspection-end": {"arrived_at"},
    "haccp.notice-arrived": {"came_at"},
    "haccp.notice-reply": {"figures_at"},
    "haccp.recall": {"determined_at", "is_exercise"},
    "haccp.recall-question": {"determined_at"},
    "haccp.recall-strategy": {"percent"},
    "haccp.series": {"began_at", "ended_at"},
}
"""Fields whose value a constraint ties to others."""


def own_fields(model: type[Record]) -> list[Any]:
    names = set(model.FORMS[1]) - set(BASE_1) - AS_IT_IS.get(model.kind, set())
    fields: list[Any] = [model._meta.get_field(name) for name in sorted(names)]
    return [field for field in fields if not field.is_relation and not field.choices]


def some_value(field: Any) -> st.SearchStrategy[Any]:
    usual = OF_KIND[field.get_internal_type()]
    if field.get_internal_type() in ("CharField", "TextField"):
        return usual.map(lambda text: text[: field.max_length])
    return st.none() | usual if field.null else usual


def like_a_stored_one(model: type[Record], values: dict[str, Any]) -> Record:
    """An unsaved record of this kind with these values, the rest as in one that is stored."""
    stored = model.objects.standing().first()
    fields = {field.attname: getattr(stored, field.attname) for field in model._meta.concrete_fields}
    made = model(**(fields | values | {"id": uuid7()}))
    _keep_to_the_rules(made, stored)
    return made


def _keep_to_the_rules(made: Any, stored: Record) -> None:
    """What constraints ask of some kinds beside what was drawn."""
    if made.kind == "batches.start":
        made.corrects = stored  # a batch has one start; a further one corrects it
    if made.kind in ("haccp.closing", "haccp.answer", "haccp.disposition"):
        untouched = Deviation.objects.filter(closing=None, answers=None, dispositions=None)
        made.deviation = untouched.latest("recorded_at")
    if made.kind == "haccp.check-sheet-written-off":
        made.sheet = CheckSheet.objects.filter(written_off=None).first()
    if made.kind == "haccp.finding-closed":
        made.finding = Finding.objects.filter(closed=None).first()
    if made.kind == "haccp.inspection-end":
        made.corrects = stored  # a visit ends once
        made.arrived_at = made.performed_at
    if made.kind == "haccp.notice-arrived":
        made.came_at = made.performed_at
    if made.kind == "batches.proposal-answer":
        made.proposal = ProposedReceipt.objects.get(answers__isnull=True)
        made.outcome, made.receipt, made.because = "declined", None, made.because or "Never came."
    if made.kind == "batches.buyer-forgotten":
        made.order = WebOrder.objects.filter(forgotten__isnull=True).first()
    if made.kind == "haccp.recall":
        made.determined_at = made.performed_at
    if made.kind == "haccp.recall-question":
        made.deviation = Deviation.objects.filter(recall_question=None).first()
    if made.kind == "haccp.recall-question-lot":
        made.lot = Lot.objects.exclude(pk=made.lot_id).first()
    if made.kind == "haccp.recall-end":
        made.recall = Recall.objects.get(end__isnull=True)
    if made.kind == "haccp.recall-exclusion":
        made.lot = Lot.objects.exclude(pk=made.lot_id).first()
    if made.kind in ("batches.process-step", "haccp.changeover") and made.ended_at is not None:
        made.ended_at = max(made.ended_at, made.performed_at)
    if made.kind == "haccp.compliance-relief":
        made.relief, made.basis, made.evidence = (
            getattr(made, name) or "x" for name in ("relief", "basis", "evidence")
        )
    if made.kind == "ledger.disclosure":
        made.given_to, made.because = made.given_to or "x", made.because or "x"
    if made.kind == "ledger.signing-key":
        made.certificate, made.fingerprint = made.certificate or "x", f"a{made.fingerprint}"[:64]
        made.replaces = "" if made.replaces == made.fingerprint else made.replaces
    if made.kind in ("haccp.markets", "haccp.kept-longer", "haccp.legal-hold"):
        made.because = made.because or "x"
    if made.kind == "haccp.markets":
        made.jurisdictions = made.jurisdictions or ["US"]
    if made.kind == "haccp.kept-longer":
        made.group, made.years = made.group or "x", 1 + made.years % 100
    if made.kind == "haccp.archive":
        made.sha256, made.root = f"c{made.sha256}"[:64], made.root or "x"
        made.size, made.records = made.size or 1, made.records or 1
    if made.kind == "ledger.qualification" and made.valid_until is not None:
        made.valid_from, made.valid_until = date.min, max(made.valid_until, date(2, 1, 1))


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
def test_whatever_was_said_reads_back_to_its_digest(played_house: House, kind: str, data: Any) -> None:
    model = record_class(kind)
    choices = BASE | {field.name: some_value(field) for field in own_fields(model)}
    values = data.draw(st.fixed_dictionaries(choices))
    with undone():
        written = like_a_stored_one(model, values).insert()
        assert digest_now(written) == written.digest


def test_a_digest_that_left_a_field_out_would_be_seen(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Shows that the tests above can fail."""
    record = house.qualify("Course")
    fewer = tuple(name for name in Qualification.FORMS[1] if name != "title")
    monkeypatch.setattr(Qualification, "FORMS", {1: fewer})
    assert digest_now(record) != record.digest


# -- forms ----------------------------------------------------------------------------------------------

LATER = "request_digest"  # stands for a column that came later: no digest of form 1 covers it


@pytest.fixture
def old_and_new(house: House, monkeypatch: pytest.MonkeyPatch) -> tuple[Qualification, Qualification]:
    """One record of form 1, then one of a form 2 that covers a field more and hides it."""
    old = house.qualify("Written in form 1")
    monkeypatch.setattr(Qualification, "FORMS", {**Qualification.FORMS, 2: (*Qualification.FORMS[1], LATER)})
    monkeypatch.setattr(Qualification, "confidential", frozenset({LATER}))
    return old, house.qualify("Written in form 2")


def findings_after(record: Qualification, **values: Any) -> list[str]:
    """What verify says once an owner changed this record."""
    connection.check_constraints()  # PostgreSQL drops no trigger while a deferred check waits
    triggers.remove(connection)
    Qualification.objects.filter(pk=record.pk).update(**values)
    triggers.install(connection)
    return verification.verify().findings


def test_rows_of_both_forms_verify_each_by_its_own(old_and_new: Any, house: House) -> None:
    old, new = old_and_new
    assert (old.form, new.form) == (1, 2)
    assert [digest_now(record) == record.digest for record in (old, new)] == [True, True]
    assert verification.verify().findings == []


def test_a_field_of_the_later_form_is_covered_in_a_row_of_that_form(old_and_new: Any) -> None:
    _, new = old_and_new
    assert findings_after(new, **{LATER: "9"}) == [
        f"ledger.qualification {new.pk} says something else than when it was written"
    ]


def test_a_field_of_the_later_form_is_not_asked_of_an_older_row(old_and_new: Any) -> None:
    assert findings_after(old_and_new[0], **{LATER: "9"}) == []


@pytest.mark.parametrize("which", [0, 1], ids=["older", "newer"])
def test_a_field_of_both_forms_is_covered_in_both(old_and_new: Any, which: int) -> None:
    assert "says something else" in " ".join(findings_after(old_and_new[which], title="9"))


@pytest.mark.parametrize(("which", "form"), [(0, 2), (1, 1), (0, 3)])
def test_a_row_that_claims_another_form_is_found(old_and_new: Any, which: int, form: int) -> None:
    assert "says something else" in " ".join(findings_after(old_and_new[which], form=form))


def test_only_what_the_rows_own_form_hides_is_opened(old_and_new: Any) -> None:
    old, new = old_and_new
    assert (set(old.open_values()), set(new.open_values())) == (set(), {LATER})


def test_evidence_of_both_forms_fits(old_and_new: Any, house: House) -> None:
    seals.seal(establishment=house.establishment)
    made = evidence.evidence(old_and_new, open_confidential=True)
    findings = checker.check(made)
    assert (findings.differences, findings.opened, sum(findings.under.values())) == ([], 1, 2)
