"""How any document looks as a page and as data, whatever was typed into its notes."""

import json
import re
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

import pytest
import rfc8785
from django.utils import timezone, translation

from ledger import signing_keys
from ledger.acts import Moment
from ledger.models import Change, Establishment, Seal, Signature
from reports import documents, rendering
from reports.documents import KeyLine, RecordLine, SealLine, SignatureLine, usual_page_size
from reports.rendering import file_name, own_data, to_html, to_json
from reports.templatetags import documents as tags
from tests.reports.samples import NOON, ShiftSheet, check_line, record_id, sheet, short_sheet


def html(document: ShiftSheet | None = None, for_paper: bool = False) -> str:
    return to_html(document or short_sheet(), for_paper=for_paper)


def seen(document: ShiftSheet | None = None) -> str:
    """The page's text without markup and with plain spaces."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", html(document)))


def row_with(text: str) -> str:
    """The rows of the record that shows ``text``, with what marks it."""
    bodies = re.findall(r"<tbody.*?</tbody>", html(), re.S)
    return next(body for body in bodies if text in body.replace("\n", " "))


# -- hostile text -----------------------------------------------------------------------------------


@pytest.mark.parametrize("opening", ["<script", "<img", "<style", '<link rel="attachment', "<h1>Released"])
def test_markup_in_a_note_is_text(opening: str) -> None:
    assert opening not in html(sheet())


def test_control_characters_are_written_out() -> None:
    assert "bell[U+0007], escape[U+001B][2J, form feed[U+000C], next line[U+0085]" in html(sheet())


def test_marks_that_turn_the_reading_direction_are_written_out() -> None:
    assert "lot [U+202E]1-062-PH[U+202C] is fine" in html(sheet())


def test_other_scripts_stay_as_they_are_on_the_page() -> None:
    assert "too hot \U0001f36c" in html(sheet())
    assert "مرحبا" in html(sheet())


def test_a_document_for_paper_points_to_nothing_outside() -> None:
    assert not re.search(r"<[^>]*\s(href|src)=", html(for_paper=True))
    assert 'href="/static/reports/print.css"' in html(for_paper=False)


# -- language ---------------------------------------------------------------------------------------


def test_a_page_names_its_language() -> None:
    assert '<html lang="en" dir="ltr">' in html()


def test_a_language_read_from_the_right_turns_the_page() -> None:
    assert '<html lang="ar" dir="rtl">' in html(short_sheet(language="ar"))


# -- what a record says of itself -------------------------------------------------------------------


def test_a_corrected_record_is_struck_and_says_why_by_whom_and_when() -> None:
    row = row_with("112.0 °C")
    assert '<tbody class="gone">' in row
    assert "Corrected." in row
    assert "Read 112 for 121." in row
    assert "Omar Stove, 2026-03-02 15:00 +01:00" in row


def test_its_correction_names_it_and_is_not_struck() -> None:
    row = row_with("121.0 °C")
    assert "gone" not in row
    assert tags.short_id(record_id(901)) in row


def test_a_withdrawn_record_says_that_it_never_happened() -> None:
    assert "Withdrawn: it never happened." in row_with("Keyed for the wrong batch.")


def test_a_late_entry_says_how_late_and_who_wrote_it() -> None:
    assert "written down 3 h 20 min after the work" in row_with("Late entry")


def test_from_when_on_an_entry_is_marked_late_stands_in_the_head() -> None:
    """21 CFR 117.305(d) (read): records are made concurrently; what a mark means must be readable beside it."""
    told = "What was written down more than 90 minutes after the work is marked as a late entry."
    assert told in seen(short_sheet(late_after_minutes=90))
    assert "marked as a late entry" not in seen(short_sheet())


def test_a_clock_that_runs_ahead_is_named() -> None:
    assert "the time given lies 12 min after the time of the server" in row_with("Clock ahead")


def test_who_keyed_a_record_for_another_is_named() -> None:
    assert "Entered by Ines Lead for Omar Stove" in row_with("Probe slipped.")


def test_an_ordinary_record_carries_no_marks() -> None:
    assert "marks" not in html(short_sheet(checks=(check_line(1),), signatures=()))


@pytest.mark.parametrize("result", ["within", "outside", "undecided"])
def test_a_result_is_a_word(result: str) -> None:
    assert f'<span class="result {result}">{result}</span>' in html()


def test_an_empty_table_says_so() -> None:
    assert "No check is recorded." in seen(short_sheet(checks=()))


# -- head, signatures, seal, deferral ---------------------------------------------------------------


def test_the_head_names_establishment_number_and_who_asked() -> None:
    text = seen()
    assert "Lindenhof Sweets" in text
    assert "Shift sheet HP-26-061-1" in text
    assert "Made 2026-03-03 12:00 +01:00, asked for by Petra Inspect." in text


def test_a_signature_shows_name_meaning_time_with_offset_and_digest() -> None:
    text = seen()
    for part in (
        "Ines Lead",
        "released by me",
        "release of lot HP-26-061-1",
        "2026-03-02 17:00 +01:00",
        "c3" * 32,
    ):
        assert part in text


def test_a_signature_given_later_than_stated_says_when_and_how_much() -> None:
    one = short_sheet().signatures[0]
    late = replace(one, late_by=timedelta(days=3), recorded_at=one.signed_at + timedelta(days=3))
    words = "Late entry signed here 3 d after the time stated, 2026-03-05 17:00 +01:00"
    assert words not in seen()
    assert words in seen(short_sheet(signatures=(late,)))
    with translation.override("es"):
        assert "firmado aquí 3 d después de la hora indicada" in seen(
            short_sheet(signatures=(late,), language="es")
        )


def test_from_when_on_a_signature_is_late_stands_in_the_head_of_a_list_of_no_late_records() -> None:
    class Unmarked(ShiftSheet):
        marks_late = False

    late = replace(short_sheet().signatures[0], late_by=timedelta(days=3), recorded_at=NOON)
    words = "more than 15 minutes after the work is marked as a late entry"
    for signatures, there in (((), False), ((late,), True)):
        plain = short_sheet(signatures=signatures, late_after_minutes=15)
        document = Unmarked(**{each.name: getattr(plain, each.name) for each in fields(plain)})
        assert (words in seen(document)) is there


def test_a_document_without_signature_says_so() -> None:
    assert "No record in this document was signed by a person." in seen(short_sheet(signatures=()))


def test_the_seal_is_printed_with_root_and_hash() -> None:
    text = seen()
    assert "5e" * 32 in text
    assert "a7" * 32 in text


def test_the_seal_says_that_records_not_new_in_it_lie_under_earlier_ones() -> None:
    assert "<dt>Records new in it</dt><dd>112</dd>" in html()
    text = seen()
    assert "Records that are not new in it lie under earlier seals." in text


def test_the_certificate_is_named_in_words() -> None:
    key = KeyLine(
        fingerprint="f0" * 32,
        subject="2.5.4.5=01a2,CN=Lindenhof Sweets,C=DE",
        ends_at=NOON,
        name="Lindenhof Sweets",
        country="DE",
        serial="01a2",
    )
    assert "The certificate names Lindenhof Sweets, country DE, serial number 01a2 and holds" in seen(
        short_sheet(key=key)
    )
    with translation.override("es"):
        assert "Lindenhof Sweets, país DE, número de serie 01a2" in seen(short_sheet(key=key, language="es"))
    assert replace(key, name="").named == key.subject


def test_a_key_line_is_what_the_certificate_says(establishment: Establishment, act: Any, lead: Any) -> None:
    signing_keys.make(act=act(by=lead))
    line = KeyLine.of(establishment)
    assert line is not None
    assert (line.name, line.country, line.serial) == (
        establishment.name,
        establishment.country,
        str(establishment.pk),
    )


def test_a_document_that_is_not_sealed_says_so() -> None:
    assert "Not sealed yet." in seen(short_sheet(seal=None))
    assert "Not sealed yet." not in seen()


def test_without_a_confirmed_rule_the_document_says_so() -> None:
    assert "No local rule is confirmed" in seen()


def test_a_confirmed_rule_is_named() -> None:
    text = seen(short_sheet(confirmed_rules=("County rule 4: at most 124 °C",)))
    assert "County rule 4: at most 124 °C" in text
    assert "No local rule is confirmed" not in text


def test_a_rule_that_nobody_confirmed_is_named_as_such() -> None:
    text = seen(short_sheet(unconfirmed_rules=("LR-4: at most 124 °C",)))
    assert "Not confirmed, to be confirmed with your authority" in text
    assert "LR-4: at most 124 °C" in text
    assert "No local rule is confirmed" in text


def test_every_document_warns_and_defers() -> None:
    text = seen()
    assert "Hot sugar sticks and burns at every working temperature" in text
    assert (
        "Every limit defers to local regulation. Where no local rule is confirmed this document says so."
        in text
    )


def test_a_document_that_tells_no_limits_does_not_say_that_it_tells_of_rules() -> None:
    class List(ShiftSheet):
        shows_limits = False

    line = short_sheet()
    text = seen(List(**{each.name: getattr(line, each.name) for each in fields(line)}))
    assert "Every limit defers to local regulation." in text
    assert "this document says so" not in text


@pytest.mark.parametrize("claim", ["complian", "certifi", "guarantee"])
def test_no_document_claims_compliance(claim: str) -> None:
    assert claim not in seen().lower()


# -- times ------------------------------------------------------------------------------------------


def test_a_time_without_offset_is_never_shown() -> None:
    with pytest.raises(ValueError, match="no offset"):
        tags.local_time(datetime(2026, 3, 2, 12))


def test_a_half_hour_offset_is_kept() -> None:
    assert tags.local_time(datetime.fromisoformat("2026-03-02T12:00:00-03:30")) == "2026-03-02 12:00 -03:30"


@pytest.mark.parametrize(
    ("minutes", "words"),
    [(0, "less than a minute"), (12, "12 min"), (200, "3 h 20 min"), (1440, "1 d"), (1501, "1 d 1 h 1 min")],
)
def test_a_stretch_of_time_is_told_in_whole_units(minutes: int, words: str) -> None:
    assert tags.span(timedelta(minutes=minutes)) == words


# -- data -------------------------------------------------------------------------------------------


def data(document: ShiftSheet) -> dict[str, Any]:
    return json.loads(to_json(document))


def test_data_are_canonical_as_an_independent_library_writes_them() -> None:
    made = to_json(sheet())
    assert rfc8785.dumps(json.loads(made)) == made


def test_data_name_their_kind_and_form() -> None:
    assert (data(sheet())["kind"], data(sheet())["form"]) == ("shift-sheet", "1")


def test_numbers_in_data_are_text_as_entered() -> None:
    made = data(sheet())
    assert made["weighed"][0]["target_g"] == "4000.0"
    assert made["seal"]["number"] == "14"


def test_times_in_data_keep_their_offset() -> None:
    assert data(sheet())["started_at"] == "2026-03-02T12:00:00+01:00"


def test_notes_in_data_are_as_entered() -> None:
    notes = {line["note"] for line in data(sheet())["checks"]}
    assert "lot \u202e1-062-PH\u202c is fine" in notes


@pytest.mark.parametrize("value", [1.5, {1, 2}, b"x", Decimal("NaN")])
def test_a_value_without_exact_text_is_refused_by_its_place(value: Any) -> None:
    with pytest.raises(TypeError, match="/product"):
        to_json(short_sheet(product=value))


def test_a_time_without_offset_is_refused_by_its_place() -> None:
    line = check_line(1, recorded_at=datetime(2026, 3, 2))
    with pytest.raises(ValueError, match="/checks/0/recorded_at"):
        to_json(short_sheet(checks=(line,)))


@dataclass(frozen=True, kw_only=True)
class Odd(ShiftSheet):
    day: date
    table: dict[str, Any]
    stretch: timedelta


def test_days_stretches_and_mappings_have_a_text_too() -> None:
    values = {field.name: getattr(short_sheet(), field.name) for field in fields(ShiftSheet)}
    made = data(Odd(**values, day=date(2026, 3, 2), table={"a": True}, stretch=timedelta(minutes=90)))
    assert (made["day"], made["table"], made["stretch"]) == ("2026-03-02", {"a": True}, "P0DT01H30M00S")


def test_own_data_are_the_documents_json_under_its_name() -> None:
    file = own_data(sheet())
    assert (file.name, file.content) == ("shift-sheet-HP-26-061-1.json", to_json(sheet()))


def test_a_file_name_holds_only_what_every_system_takes() -> None:
    assert file_name(sheet(number="../Käse: 7\r\n"), "pdf") == "shift-sheet-K-se-7.pdf"
    assert file_name(sheet(number="///"), "pdf") == "shift-sheet-document.pdf"


def test_paper_follows_the_country() -> None:
    """Unicode Technical Standard 35 (LDML), measurement data, paperSize (read): US Letter in US and CL, else A4."""
    assert [usual_page_size(country).value for country in ("US", "CL", "DE", "JP")] == [
        "letter",
        "letter",
        "a4",
        "a4",
    ]


# -- from the ledger --------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ChangeLine(RecordLine):
    what: str


def line_of(change: Change) -> ChangeLine:
    stored = Change.objects.select_related(*RecordLine.FROM_RECORD).get(pk=change.pk)
    return ChangeLine.of(stored, what=stored.subject_kind)


@pytest.fixture
def change(act: Any) -> Change:
    return Change.new(act(note="new scale"), subject_kind="scale", subject_id=UUID(int=7)).insert()


def test_a_line_tells_who_and_when_with_the_offset_as_sent(change: Change) -> None:
    line = line_of(change)
    assert (line.performed_by, line.note, line.what) == ("Omar Stove", "new scale", "scale")
    assert line.performed_at.isoformat() == NOON.isoformat()


def test_a_line_needs_one_statement(change: Change, django_assert_num_queries: Any) -> None:
    with django_assert_num_queries(1):
        line_of(change)


def test_a_line_written_long_after_the_work_is_late(change: Change) -> None:
    late = line_of(change).late_by
    assert late is not None
    assert late == change.recorded_at - change.performed_at


def test_a_signature_line_bears_when_it_was_taken_if_late(change: Change, act: Any, lead: Any) -> None:
    def given(at: datetime) -> SignatureLine:
        """By a clock of then; recorded now."""
        made = Signature.new(
            replace(act(by=lead), performed=Moment.of(at)),
            target_id=change.pk,
            target_digest=change.digest,
            meaning="reviewed",
            signer_name="Ines Lead",
        ).insert()
        return SignatureLine.of(made, "change")

    late, timely = given(NOON), given(timezone.now())
    assert late.recorded_at is not None
    assert late.late_by is not None
    assert abs(late.recorded_at - late.signed_at - late.late_by) < timedelta(seconds=1)
    assert timely.late_by is None


def test_a_line_of_a_withdrawn_record_tells_why(change: Change, act: Any, lead: Any) -> None:
    """When: as it was written down. What it states of the work is another time."""
    gone = Change.withdrawal(act(by=lead, corrects=change.pk, reason="never bought", withdraws=True)).insert()
    written = gone.recorded_at.astimezone(gone.establishment.zone)
    assert line_of(change).replaced == documents.Replaced(
        withdrawn=True, reason="never bought", by="Ines Lead", at=written, record=gone.pk
    )


def test_a_line_names_who_wrote_the_correction_not_who_did_the_work(
    change: Change, act: Any, operator: Any, lead: Any
) -> None:
    said = replace(act(by=operator, corrects=change.pk, reason="other scale"), recorded_by=lead)
    Change.new(said, subject_kind="scale", subject_id=UUID(int=8)).insert()
    replaced = line_of(change).replaced
    assert replaced is not None
    assert replaced.by == "Ines Lead"


def test_a_line_of_a_correction_names_what_it_corrects(change: Change, act: Any) -> None:
    correction = Change.new(
        act(corrects=change.pk, reason="other scale"), subject_kind="scale", subject_id=UUID(int=8)
    ).insert()
    assert line_of(correction).corrects == change.pk
    replaced = line_of(change).replaced
    assert replaced is not None
    assert not replaced.withdrawn


def test_a_seal_line_is_what_the_seal_says() -> None:
    here = Establishment(time_zone="Europe/Berlin")
    seal = Seal(number=3, root="ab" * 32, hash="cd" * 32, leaf_count=9, sealed_at=NOON.astimezone(UTC))
    seal.establishment = here
    line = SealLine.of(seal)
    assert (line.number, line.root, line.leaf_count) == (3, "ab" * 32, 9)
    assert line.sealed_at.isoformat() == "2026-03-02T12:00:00+01:00"


def test_nothing_but_the_document_decides_the_page() -> None:
    assert html(sheet()) == html(replace(sheet()))
    assert rendering.written_out(0x7) == "[U+0007]"
