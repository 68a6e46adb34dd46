"""The report on retention: what it counts, on whose word, in both languages; asked for over the API."""

import csv
import io
from datetime import date
from typing import Any

import pytest
from django.utils import translation
from django.utils.translation import gettext

from haccp.models import Finding, Inspection
from haccp.retention import hindrances, rules
from ledger.models import Establishment, Person, record_classes
from reports import jobs, rendering, tables
from reports.demo.house import HOUSE

pytestmark = pytest.mark.django_db
SAME = {"series", "(g)", "1.1455(d)", "1.360(b)", "1.360(c)", "1.360(d)", "11.10(e)", "117.315(a)(1)"}
SAME |= {"117.315(a)(2)", "117.315(b)", "7.59", "21 USC 350f", "CXC 1-1969"}


@pytest.fixture
def read(scene: Any) -> Any:
    def do(language: str = "en", **about: Any) -> Any:
        here, lead = Establishment.objects.get(pk=HOUSE), Person.objects.get(sign_in_name="mara")
        job = jobs.ask(
            establishment=here, asked_by=lead, kind="retention-report", about=about, language=language
        )
        return jobs.read(job)[0]

    return do


def rows(document: Any, name: str) -> list[dict[str, str]]:
    table = next(each for each in document.data_tables() if each.name == name)
    return list(csv.DictReader(io.StringIO(b"".join(tables.as_csv(table)).decode(), newline="")))


def test_it_counts_what_may_leave_and_what_keeps_the_rest(read: Any) -> None:
    document = read(on="2060-01-10")
    kinds, kept = rows(document, "kinds"), rows(document, "kept")
    leaving, all_of = (sum(int(each[name]) for each in kinds) for name in ("leaving", "records"))
    assert 0 < leaving < all_of
    assert all_of - leaving == sum(int(each["records"]) for each in kept)
    assert ("May leave", f"{leaving} of {all_of} records") in document.facts()


def test_by_the_day_it_is_nothing_leaves_and_says_so(read: Any) -> None:
    shown = rendering.to_html(read(), for_paper=False)
    assert "No record may leave on this day." in shown


def test_it_prints_the_words_of_a_lead_with_their_reason(read: Any) -> None:
    shown = rendering.to_html(read(), for_paper=False)
    for said in (
        "Ships to: European Union, United States",
        "everything: 10 years",
        "Kept until further notice",
    ):
        assert said in shown
    assert "We like to know." in shown


def test_each_rule_stands_with_its_source_and_how_it_was_seen(read: Any) -> None:
    found = {each["named"]: each for each in rows(read(), "rules")}
    rule = found["21 CFR part 117, 117.315(a)(1)"]
    assert (rule["long"], rule["seen"]) == ("2 years", "read in a secondary text")
    assert found["Regulation (EC) 852/2004, Article 5(4)(c)"]["long"] == "no number"


def test_it_claims_nothing_and_asks_for_the_authority(read: Any) -> None:
    shown = rendering.to_html(read(), for_paper=False).lower()
    assert "ask your authority" in shown
    assert "compliant" not in shown


def test_every_word_of_it_is_known_in_spanish(read: Any) -> None:
    known = rules.shipped()
    words = {str(model._meta.verbose_name) for model in record_classes()}
    words |= {text for rule in known.rules for text in (rule.says, rule.source, rule.section) if text}
    words |= {*known.groups, rules.EVERYTHING}
    words |= {str(getattr(hindrances, name)) for name in dir(hindrances) if name.isupper() and len(name) > 1}
    with translation.override("es"):
        assert {word for word in words if gettext(word) == word} <= SAME


def test_in_spanish_no_english_word_is_left(read: Any) -> None:
    document = read("es", on="2060-01-10")
    shown = rendering.to_html(document, for_paper=False)
    for word in ("May leave", "needed by", "Guidance", "from memory", "2 years", "Kept until"):
        assert word not in shown


def test_an_open_inspection_and_an_open_finding_stay(scene: Any) -> None:
    here = Establishment.objects.get(pk=HOUSE)
    (found,) = hindrances.open_inspections(here, date(2060, 1, 10))
    going_on = Inspection.objects.of(here).filter(first=None, ends=None).values_list("pk", flat=True)
    still_open = Finding.objects.of(here).filter(first=None, closed=None).values_list("pk", flat=True)
    assert {*going_on, *still_open} == set(found.nodes)
    assert found.nodes


@pytest.mark.parametrize("about", [{"on": "soon"}, {"day": "2040-01-10"}])
def test_what_is_no_day_is_refused(asked: Any, about: dict[str, str]) -> None:
    where = f"/api/v1/establishments/{HOUSE}/documents"
    answer = asked.client.post(where, {"kind": "retention-report", "retention": about}, format="json")
    assert answer.status_code == 400


def test_it_is_asked_for_over_the_api(asked: Any) -> None:
    where = f"/api/v1/establishments/{HOUSE}/documents"
    said = {"kind": "retention-report", "retention": {"on": "2040-01-10"}, "language": "es"}
    assert asked.client.post(where, said, format="json").status_code == 202
