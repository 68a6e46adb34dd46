"""A logger's series: stored whole or not at all, shown by verify when it was changed, judged by the usual judges."""

import io
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any
from xml.etree import ElementTree

import pytest
from django.db import connection
from django.test import override_settings

from batches.models import Batch
from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from haccp import series, trials
from haccp.limits import Result, Rule, decide, from_json, in_force, judge
from haccp.models import Instrument, Series, SeriesBlock
from haccp.readings import Reading
from haccp.science import courses
from ledger import people, triggers, verification
from ledger.acts import Act, Moment
from ledger.ids import uuid7
from ledger.models import Establishment
from tests.conftest import NOON, Client, new_id, unknown_id
from tests.haccp.conftest import DIPPED, KETTLE, Store

pytestmark = pytest.mark.django_db


# --- stored


def test_the_record_says_how_many_readings_from_when_to_when(store: Store):
    made = store()
    assert (made.count, made.unit, made.began_at) == (3, "CEL", NOON)
    assert (made.ended_at - made.began_at).total_seconds() == 120


def test_readings_come_back_as_they_were_sent(store: Store):
    found = series.readings(store())
    assert [series._text(found, at) for at in range(3)] == ["60.0", "61.50", "62"]


def test_a_repeat_is_the_same_record(store: Store, act: Any):
    said = act(id=uuid7())
    first, again = store(said=said), store(said=said)
    assert (again.pk, again.repeated) == (first.pk, True)
    assert SeriesBlock.objects.count() == 1


def test_the_same_id_with_one_digit_changed_is_other_content(store: Store, act: Any):
    said = act(id=uuid7())
    store(said=said)
    with pytest.raises(OtherContent):
        store(KETTLE.replace("61.50", "61.51"), said=said)


@pytest.mark.parametrize(
    "content", ["seconds,value\n0,1\n1,NaN\n", "seconds,value\n0,1\n", "seconds,value\n1,1\n0,1\n"]
)
def test_of_a_file_with_a_line_that_is_no_use_nothing_is_stored(store: Store, content: str):
    with pytest.raises(Unusable):
        store(content)
    assert (Series.objects.count(), SeriesBlock.objects.count()) == (0, 0)


def test_an_unknown_unit_is_refused(store: Store):
    with pytest.raises(Unusable, match="not a unit known here"):
        store(unit="degC")


def test_an_instrument_of_another_establishment_is_not_there(
    store: Store, thermometer: Instrument, elsewhere: Any
):
    thermometer.establishment = elsewhere
    with pytest.raises(Unknown):
        store(instrument=thermometer)


def test_readings_beyond_the_instrument_are_asked_back(store: Store, thermometer: Instrument):
    """The thermometer reaches to 200 degrees Celsius; 240 is what a kettle has in Fahrenheit."""
    with pytest.raises(RuleBroken, match="send again with as_entered=true") as caught:
        store("seconds,value\n0,80\n1,240.5\n", instrument=thermometer)
    assert caught.value.code == "outside-the-instruments-range"
    assert "from 80 to 240.5 °C" in caught.value.detail
    assert Series.objects.count() == 0


def test_and_stored_as_entered_and_flagged_when_sent_again(store: Store, thermometer: Instrument, act: Any):
    said = act(id=uuid7())
    hot = "seconds,value\n0,80\n1,240\n"
    made = store(hot, said=said, instrument=thermometer, as_entered=True)
    assert made.flags == ["outside-the-instruments-range"]
    assert store(hot, said=said, instrument=thermometer).repeated  # what is stored is not asked back again


def test_as_entered_flags_nothing_that_lies_in_range(store: Store, thermometer: Instrument):
    assert store(instrument=thermometer, as_entered=True).flags == []


def test_the_same_heat_in_fahrenheit_is_in_range(store: Store, thermometer: Instrument):
    assert store("seconds,value\n0,80\n1,240\n", unit="FAH", instrument=thermometer).flags == []


# --- verify


def changed(**values: Any) -> list[str]:
    """What verify says once an owner changed the blocks."""
    connection.check_constraints()  # PostgreSQL drops no trigger while a deferred check waits
    triggers.remove(connection)
    SeriesBlock.objects.update(**values)
    triggers.install(connection)
    return verification.verify().findings


def test_a_block_as_it_was_written_is_whole(store: Store):
    store()
    assert verification.verify().findings == []


def other_block() -> Any:
    (block,) = series.blocks.pack(
        series.files.read(io.BytesIO(KETTLE.replace("62", "63").encode()), second_zero=Moment.of(NOON))
    )
    return block


def test_verify_names_a_block_that_was_changed(store: Store):
    made = store()
    assert changed(data=other_block().data) == [f"series: block 0 of series {made.pk} was changed"]


def test_verify_names_a_series_whose_block_was_exchanged_with_its_hash(store: Store):
    made, other = store(), other_block()
    assert changed(data=other.data, sha256=other.sha256) == [
        f"series: the blocks of series {made.pk} are not those its record names"
    ]


def test_verify_names_a_block_that_cannot_be_read_and_reading_it_is_refused(store: Store):
    made = store()
    assert changed(data=b"x") == [f"series: block 0 of series {made.pk} was changed"]
    with pytest.raises(series.Damaged, match="not as they were written"):
        series.course(made)


# --- said of it


def test_a_summary_says_lowest_and_highest_as_sent(store: Store):
    found = series.summary(store(), series.Asked())
    assert (found.lowest, found.highest, found.mean) == ("60.0", "62", Decimal("61.166667"))
    assert (found.gap_count, found.outside_seconds, found.f_minutes) == (0, None, None)


def test_a_summary_names_gaps_and_leaves_them_out(store: Store):
    found = series.summary(
        store("seconds,value\n0,70\n10,70\n20,70\n80,70\n90,70\n"), series.Asked(upper=Decimal(69))
    )
    assert [(gap.after, gap.lasts) for gap in found.gaps] == [(20.0, 60.0)]
    assert (found.usual_step_seconds, found.gap_seconds, found.outside_seconds) == (10, 60, 30)


def test_a_summary_gives_f_in_minutes_at_the_reference(store: Store):
    """Two minutes at the reference temperature are F = 2 by definition; ten degrees (z) hotter they are 20."""
    asked = series.Asked(reference_temperature=Decimal(70), z=Decimal(10))
    at_reference = series.summary(store("seconds,value\n0,70\n60,70\n120,70\n"), asked)
    hotter = series.summary(store("seconds,value\n0,80\n60,80\n120,80\n"), asked)
    assert (at_reference.f_minutes, hotter.f_minutes) == (2, 20)


@pytest.mark.parametrize(
    "asked",
    [
        {"z": "10"},
        {"reference_temperature": "70"},
        {"reference_temperature": "70", "z": "0"},
        {"longest_gap_seconds": "-1"},
        {"lower": "2", "upper": "1"},
        {"reference_temperature": "-999999999", "z": "1"},
    ],
)
def test_a_summary_that_makes_no_sense_is_refused(store: Store, asked: dict[str, str]):
    with pytest.raises(Unusable):
        series.summary(store(), series.Asked(**{name: Decimal(value) for name, value in asked.items()}))


# --- a range over a course

RANGE = {"kind": "range", "quantity": "core", "unit": "CEL", "lower": "61", "upper": "72"}


def followed(seconds: list[float], values: list[float], unit: str = "CEL") -> Reading:
    return Reading("core", course=courses.course(seconds, values, unit))


def judged(reading: Reading, limit: dict[str, Any] = RANGE, rules: Any = (), **options: Any) -> Any:
    bounds = in_force(from_json(limit), rules)
    found = judge(reading, bounds, **options)
    assert decide(reading, bounds, **options) is found.result  # a trial on past checks comes to the same
    return found


def test_every_reading_is_held_against_the_range_by_the_worst():
    found = judged(followed([0, 60, 120], [62, 71, 65]))
    assert (found.result, found.margin) == (Result.WITHIN, 1)


def test_how_long_it_was_outside_is_said():
    found = judged(followed([0, 60, 120, 180], [62, 60, 62, 70]))
    assert (found.result, found.margin) == (Result.OUTSIDE, -1)
    assert "Lowest of 4 readings: 60 °C" in found.sentence
    assert "Outside for 60 s in all." in found.sentence  # half of each of two minutes


def test_at_the_bound_is_within_and_takes_no_time():
    assert judged(followed([0, 60], [72, 61])).result is Result.WITHIN
    found = judged(followed([0, 60, 120], [72, 72, 73]))
    assert "Outside for 60 s" in found.sentence


def test_a_bound_that_is_not_allowed_counts_from_the_bound():
    found = judged(followed([0, 60, 120], [72, 72, 65]), RANGE | {"upper_inclusive": False})
    assert (found.result, "Outside for 60 s" in found.sentence) == (Result.OUTSIDE, True)


def test_degrees_fahrenheit_reach_a_bound_exactly():
    """161.6 degF are 72 degC: (161.6 - 32) / 1.8."""
    assert judged(followed([0, 60], [161.6, 161.6], "FAH")).result is Result.WITHIN
    exclusive = judged(followed([0, 60], [161.6, 161.6], "FAH"), RANGE | {"upper_inclusive": False})
    assert "Outside for 60 s" in exclusive.sentence


def test_a_local_rule_tightens_what_readings_are_held_against():
    rule = Rule(id="R", quantity="core", unit="CEL", lower=None, upper=Decimal(68), citation="Letter")
    found = judged(followed([0, 60, 120], [62, 70, 62]), rules=[rule])
    assert (found.result, found.margin, found.decided_by) == (Result.OUTSIDE, -2, "rule R: Letter")


def test_what_a_rule_speaks_of_may_lie_between_the_lowest_and_the_highest():
    between = Rule("T", "core", "CEL", "Letter", lower=Decimal(64), upper=Decimal(66), trigger=True)
    found = judged(followed([0, 60, 120], [62, 65, 70]), rules=[between])
    assert ([each.source for each in found.reached], found.result) == (["rule T: Letter"], Result.WITHIN)
    assert "It is no limit to work by" in found.warning


def test_missing_readings_are_named_where_a_range_is_held():
    found = judged(followed([0, 10, 20, 300], [62, 62, 62, 62]))
    assert (found.result, "280 s after 20 s" in found.warning) == (Result.WITHIN, True)


def test_a_course_of_another_kind_of_unit_is_refused():
    with pytest.raises(Unusable):
        judged(followed([0, 60], [0.5, 0.5], "C62"))


# --- over HTTP


def form(api: Client, content: str = KETTLE, **values: Any) -> Any:
    file = io.BytesIO(content.encode())
    file.name = "kettle.csv"
    said = {"performed_at": NOON.isoformat(), "unit": "CEL", "file": file} | values
    return api.post(api.base + "series", said, format="multipart")


def body(api: Client, content: str = KETTLE, media_type: str = "text/csv", **query: Any) -> Any:
    said = {"performed_at": NOON.isoformat(), "unit": "CEL"} | query
    return api.generic("POST", api.base + "series", content, content_type=media_type, query_params=said)


def test_a_form_and_a_body_say_the_same(api: Client):
    first, second = form(api), body(api)
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json()["sha256"] == second.json()["sha256"]
    assert first.json()["count"] == 3


def test_json_lines_are_taken_as_body(api: Client):
    said = '{"seconds":0,"value":60.0}\n{"seconds":60,"value":"61.50"}\n{"seconds":120,"value":62}\n'
    assert body(api, said, "application/x-ndjson").json()["sha256"] == form(api).json()["sha256"]


def test_a_resent_series_answers_200(api: Client):
    said = new_id()
    assert [form(api, id=said).status_code for _ in range(2)] == [201, 200]


def test_lines_of_no_use_are_named_in_the_answer(api: Client):
    answer = body(api, "seconds,value\n0,1\n1,NaN\n2,12\n")
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "lines.3.value")
    assert Series.objects.count() == 0


def test_a_decimal_comma_is_taken_where_it_is_said(api: Client):
    said = "seconds;value\n0;12,5\n1;13\n"
    assert body(api, said).status_code == 400
    assert body(api, said, decimal_comma="true").status_code == 201


def test_what_is_beyond_the_instrument_is_asked_back_once(api: Client, thermometer: Instrument):
    hot = "seconds,value\n0,80\n1,240\n"
    asked = body(api, hot, instrument=str(thermometer.pk))
    assert (asked.status_code, asked.json()["type"]) == (409, "/api/problems/outside-the-instruments-range")
    stored = body(api, hot, instrument=str(thermometer.pk), as_entered="true")
    assert (stored.status_code, stored.json()["flags"]) == (201, ["outside-the-instruments-range"])
    assert "stored as entered" in stored.json()["sentences"][0]


def test_a_body_that_is_too_large_answers_413_and_stores_nothing(api: Client):
    with override_settings(LARGEST_SERIES=20, DATA_UPLOAD_MAX_MEMORY_SIZE=0):
        assert (body(api).status_code, form(api).status_code) == (413, 413)
    assert Series.objects.count() == 0


@pytest.mark.parametrize("content", ["", " "])
def test_an_empty_body_is_refused(api: Client, content: str):
    assert body(api, content).status_code == 400


def test_another_media_type_is_refused(api: Client):
    assert body(api, "{}", "application/json").status_code == 415


def test_a_series_is_shown_with_a_summary(api: Client):
    made = form(api).json()["id"]
    said = api.ask(f"series/{made}", lower="61", reference_temperature="62", z="10").json()["summary"]
    assert (said["lowest"], said["highest"], said["usual_step_seconds"]) == ("60.0", "62", "60")
    assert said["outside_seconds"] == "40"  # from 60.0 to 61.50 two thirds of a minute
    assert 0 < float(said["f_minutes"]) < 2


def test_a_plot_is_svg_with_its_limits_named(api: Client):
    answer = api.ask(f"series/{form(api).json()['id']}/plot", upper="61.8")
    assert answer["Content-Type"].startswith("image/svg+xml")
    assert "upper 61.8 °C" in "".join(ElementTree.fromstring(answer.content).itertext())


def test_rows_come_back_as_csv(api: Client):
    answer = api.ask(f"series/{form(api).json()['id']}/readings")
    assert b"".join(answer.streaming_content).decode().splitlines() == [
        "time,value",
        "2026-03-02T12:00:00+01:00,60.0",
        "2026-03-02T12:01:00+01:00,61.50",
        "2026-03-02T12:02:00+01:00,62",
    ]


def test_a_series_that_was_damaged_is_told_as_a_problem(api: Client):
    made = form(api).json()["id"]
    changed(data=b"x")
    for path in (f"series/{made}", f"series/{made}/plot", f"series/{made}/readings"):
        answer = api.ask(path)
        assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/readings-damaged")


# --- a check that names a series


def test_a_check_is_judged_by_the_series_it_names(check_series: Any, store: Store):
    made = check_series(str(store(DIPPED).pk))
    assert (made.result, made.judgements[0]["margin"]) == ("within", "0.25")
    assert made.readings[0]["series"]


def test_a_series_that_is_too_long_below_fails_the_check(check_series: Any, store: Store):
    made = check_series(str(store("seconds,value\n0,60\n120,60.5\n").pk))
    assert made.result == "outside"


@pytest.mark.parametrize("named", ["0f8fad5b-d9cb-469f-a165-70867728950e", "no id", "0"])
def test_an_unknown_series_is_not_found(check_series: Any, named: str):
    with pytest.raises(Unknown) as caught:
        check_series(named)
    assert caught.value.reasons[0].field == "readings.0.series"


def test_another_establishments_series_is_not_found(
    check_series: Any, elsewhere: Establishment, act: Callable[..., Act]
):
    worker = people.service_person()
    there = replace(act(worker), establishment=elsewhere)
    other = series.store(act=there, file=io.BytesIO(KETTLE.encode()), unit="CEL")
    with pytest.raises(Unknown) as caught:
        check_series(str(other.pk))
    assert caught.value.reasons[0].field == "readings.0.series"


def test_a_damaged_series_judges_nothing(check_series: Any, store: Store):
    made = store()
    changed(data=b"x")
    with pytest.raises(series.Damaged):
        check_series(str(made.pk))


def test_a_check_over_http_may_name_a_series(
    cooked: None, api: Client, point: Any, batch: Batch, meter: Instrument
):
    said = {
        "performed_at": NOON.isoformat(),
        "control_point": str(point("CP-AW-2").pk),
        "batch": str(batch.uid),
        "instrument": str(meter.pk),
        "readings": [{"quantity": "core", "series": form(api, DIPPED).json()["id"]}],
    }
    answer = api.send("checks", said)
    assert (answer.status_code, answer.json()["result"]) == (201, "within")
    said["readings"][0]["series"] = unknown_id()
    answer = api.send("checks", said)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (404, "readings.0.series")


def test_a_trial_on_past_checks_judges_the_series_again(
    check_series: Any, store: Store, establishment: Establishment, cooked: None, point: Any
):
    made = check_series(str(store(DIPPED).pk))
    shorter = point("CP-AW-2").document["limits"][0] | {"upper": "0.5"}
    proposal = trials.propose(quantity="core", limit=shorter)
    (found,) = trials.run(establishment, proposal, NOON.date(), NOON.date()).points
    assert [(each.check, each.would_be) for each in found.flagged] == [(made.pk, Result.OUTSIDE)]
