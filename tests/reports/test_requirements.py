"""The map of requirements: its shape, that it names nothing that is not there, and how the command tells it.

The ids are those of a list of 122 requirements of law, codes and common practice that was put together before the first
record was written; how well each text is known stands with it in the file. No database is asked anywhere here.
"""

import ast
import io
import json
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
import yaml
from django.core.exceptions import FieldDoesNotExist
from django.core.management import CommandError, call_command
from django.db.models import Model
from django.urls import URLPattern, get_resolver

from reports import jobs
from reports.models import DocumentJob
from reports.requirements import (
    Answer,
    Requirement,
    Requirements,
    State,
    UnreadableRequirements,
    from_yaml,
    shipped,
)

ROOT = Path(__file__).parents[2]
LISTED = """
    R-CX-1-steps R-CX-1-haz R-CX-1-tree R-CX-1-lim R-CX-1-mon R-CX-1-sig R-CX-1-ca R-CX-1-ver R-CX-1-rec
    R-CX-1-trace R-CX-1-cult R-US-117-4 R-US-117-40 R-US-117-80 R-US-117-126 R-US-117-130-a R-US-117-130-c
    R-US-117-135 R-US-117-136 R-US-117-139 R-US-117-140 R-US-117-145-a R-US-117-145-c R-US-117-150-a
    R-US-117-150-b R-US-117-150-c R-US-117-150-d R-US-117-155 R-US-117-160 R-US-117-165-cal R-US-117-165-test
    R-US-117-165-rev R-US-117-165-rev2 R-US-117-170 R-US-117-180 R-US-117-190 R-US-117-201 R-US-117-305-a
    R-US-117-305-b R-US-117-305-c R-US-117-305-d R-US-117-305-e R-US-117-305-f1 R-US-117-305-f2
    R-US-117-305-f3 R-US-117-305-f4 R-US-117-305-g R-US-117-310 R-US-117-315-a R-US-117-315-b R-US-117-315-c
    R-US-117-320 R-US-117-325 R-US-117-330 R-US-117-335 R-US-117-410 R-US-117-475 R-US-11-10-a R-US-11-10-e
    R-US-11-10-fg R-US-11-50 R-US-11-70 R-US-11-200 R-US-1-1300 R-US-1-1305 R-US-1-1315 R-US-1-1320
    R-US-1-1345 R-US-1-1350 R-US-1-1340 R-US-1-1455 R-US-204-date R-US-1-337 R-US-1-345-a R-US-1-345-b
    R-US-1-352 R-US-1-360 R-US-1-362 R-US-7-41 R-US-7-42 R-US-7-46 R-US-7-49-a R-US-7-49-d R-US-7-53
    R-US-7-55 R-US-7-59 R-US-350f R-EU-178-17 R-EU-178-18 R-EU-178-19 R-EU-931 R-EU-852-5 R-EU-852-II
    R-EU-382-all R-EU-382-cul R-EU-1169 R-EU-lot R-EU-2073 R-EU-915 R-US-AL-9 R-US-AL-nut R-US-AL-cpg
    R-US-AL-ctl R-CX-80-heat R-CX-80-rec R-CX-80-pal R-US-FO R-US-AFL R-US-PB R-US-LM R-US-SAL R-FC-cool
    R-FC-cook R-FC-hold R-FC-tcs R-FC-therm R-TH-point R-TH-range R-FSIS R-ISO-22000 R-ISO-22005 R-CP-mock
    R-US-374 R-EU-2017-625-13 R-EU-2017-625-35
"""
MAP = shipped()

# 21 CFR 117.305 (read in stored copies): paragraphs (a) to (g), of which (f) has four numbers.
OF_117_305 = [*"abcdeg", "f1", "f2", "f3", "f4"]


# -- what there is ----------------------------------------------------------------------------------------------------


@cache
def routes() -> frozenset[str]:
    def names(patterns: Any) -> Iterator[str]:
        for pattern in patterns:
            if isinstance(pattern, URLPattern):
                yield pattern.name or ""
            else:
                yield from names(pattern.url_patterns)

    return frozenset(names(get_resolver().url_patterns))


@cache
def functions(path: str) -> frozenset[str]:
    file = ROOT / path
    tree = ast.parse(file.read_text("utf-8") if file.is_file() else "")
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


def has_field(path: str) -> bool:
    """Of a model or of a dataclass, such as ledger.models.Record.performed_by."""
    module, owner, name = path.rsplit(".", 2)
    try:
        there: Any = getattr(import_module(module), owner)
        if issubclass(there, Model):
            return bool(there._meta.get_field(name))
    except (ImportError, AttributeError, FieldDoesNotExist):
        return False
    return is_dataclass(there) and name in {each.name for each in fields(there)}


def has_test(path: str) -> bool:
    file, name = path.split("::")
    return name in functions(file)


def _named_in(shape: Any) -> Iterator[type]:
    """Classes that a type names: of ``tuple[Line, ...] | None`` it is Line."""
    if isinstance(shape, type) and not get_args(shape):
        yield shape
    for part in get_args(shape):
        yield from _named_in(part)


@cache
def shapes(kind: str) -> frozenset[type]:
    """The dataclass of a kind of document, what it can hold, and what these are made from."""
    module = jobs._KINDS[kind]
    ahead = [
        each for each in vars(module).values() if isinstance(each, type) and getattr(each, "kind", "") == kind
    ]
    seen: set[type] = set()
    while ahead:
        here = ahead.pop()
        if here in seen or not is_dataclass(here):
            continue
        seen.add(here)
        ahead += [named for shape in get_type_hints(here).values() for named in _named_in(shape)]
    return frozenset(base for each in seen for base in each.__mro__)


def is_of_document(answer: Answer) -> bool:
    """A field of some dataclass of documents is one of the document that it is named with."""
    if not (answer.document in DocumentJob.Kind.values and answer.field.startswith("reports.")):
        return True
    module, owner, _name = answer.field.rsplit(".", 2)
    return getattr(import_module(module), owner) in shapes(answer.document)


def not_there(told: Requirements) -> list[str]:
    """What the map names and is not there, by the id of its requirement."""
    is_there = {
        "document": lambda kind: kind in DocumentJob.Kind.values,
        "field": has_field,
        "route": lambda name: name in routes(),
        "test": has_test,
    }
    return [
        f"{entry.id}: {what} {named}"
        for entry in told.entries
        for answer in entry.answers
        for what, there in is_there.items()
        if (named := getattr(answer, what)) and not there(named)
    ]


# -- the file ---------------------------------------------------------------------------------------------------------


def test_every_requirement_of_the_list_stands_once_and_no_other():
    listed = LISTED.split()
    assert len(listed) == 125
    assert sorted(each.id for each in MAP.entries) == sorted(listed)


def test_each_paragraph_of_117_305_stands_by_itself():
    assert {f"R-US-117-305-{each}" for each in OF_117_305} == {
        each.id for each in MAP.entries if each.id.startswith("R-US-117-305-")
    }


def test_it_names_nothing_that_is_not_there():
    assert not_there(MAP) == []


def test_a_field_that_is_named_with_a_document_is_one_of_that_document():
    wrong = [
        f"{entry.id}: {each}" for entry in MAP.entries for each in entry.answers if not is_of_document(each)
    ]
    assert wrong == []


def test_a_field_of_another_document_is_found():
    elsewhere = Answer(test="", document="batch-record", field="reports.people_list.PeopleList.people")
    inherited = Answer(test="", document="people-list", field="reports.documents.RecordLine.late_by")
    assert (is_of_document(elsewhere), is_of_document(inherited)) == (False, True)


def test_every_source_has_a_requirement():
    assert {each.source for each in MAP.entries} == set(MAP.sources)


def test_it_claims_no_compliance():
    words = " ".join(f"{each.asks} {each.missing}" for each in MAP.entries).lower()
    assert not [claim for claim in ("complian", "complies", "guarantee") if claim in words]


# -- a map that is wrong ----------------------------------------------------------------------------------------------

GOOD: dict[str, Any] = {
    "id": "R-X-1",
    "source": "codex",
    "section": "1",
    "asks": "Something.",
    "provenance": "read (a); from memory (b; c)",
    "answers": [{"field": "a.B.c", "test": "tests/a.py::test_b"}],
}
ANSWER = GOOD["answers"][0]


def written(*entries: Any) -> str:
    told = {"provenance": {"read": "r", "from memory": "m"}, "sources": {"codex": "C"}}
    return yaml.safe_dump(told | {"requirements": list(entries)})


def test_a_good_one_is_read_as_it_stands():
    (entry,) = from_yaml(written(GOOD | {"missing": "A part."})).entries
    assert (entry.id, entry.answers, entry.missing) == ("R-X-1", (Answer(**ANSWER),), "A part.")


@pytest.mark.parametrize(
    ("entry", "where"),
    [
        (GOOD | {"asks": " "}, "R-X-1.asks"),
        (GOOD | {"source": "moon"}, "R-X-1.source"),
        (GOOD | {"provenance": "hearsay"}, "R-X-1.provenance"),
        (GOOD | {"provenance": "read, I think"}, "R-X-1.provenance"),
        (GOOD | {"mising": "A part."}, "R-X-1.mising"),
        (GOOD | {"missing": ""}, "R-X-1.missing"),
        (GOOD | {"answers": []}, "R-X-1.answers"),
        (GOOD | {"answers": "none"}, "R-X-1.answers"),
        ({name: text for name, text in GOOD.items() if name != "answers"}, "R-X-1.missing"),
        (GOOD | {"answers": [{"field": "a.B.c"}]}, "R-X-1.answers.0.test"),
        (GOOD | {"answers": [ANSWER, ANSWER | {"test": "somewhere"}]}, "R-X-1.answers.1.test"),
        (GOOD | {"answers": [{"test": ANSWER["test"]}]}, "R-X-1.answers.0"),
        (GOOD | {"answers": [ANSWER | {"page": "x"}]}, "R-X-1.answers.0.page"),
        (GOOD | {"answers": [["a"]]}, "R-X-1.answers.0"),
        (GOOD | {"id": "X 1"}, "X 1.id"),
        ({name: text for name, text in GOOD.items() if name != "id"}, "requirements.0.id"),
        ("R-X-1", "requirements.0"),
    ],
)
def test_a_mistake_of_shape_is_named_by_id_and_field(entry: Any, where: str):
    with pytest.raises(UnreadableRequirements) as refused:
        from_yaml(written(entry))
    assert [each.field for each in refused.value.reasons] == [where]
    assert where in str(refused.value)


def test_an_id_that_stands_twice_is_named():
    with pytest.raises(UnreadableRequirements, match=r"R-X-1\.id: stands twice"):
        from_yaml(written(GOOD, GOOD))


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("- a", "file"),
        ("{provenance: {}, sources: {}}", "file"),
        ("{provenance: [], sources: {}, requirements: []}", "provenance"),
        ("{provenance: {}, sources: {a: {}}, requirements: []}", "sources"),
        ("{provenance: {}, sources: {}, requirements: {}}", "requirements"),
        ("a: [", ""),
    ],
)
def test_what_is_no_map_is_refused(text: str, where: str):
    with pytest.raises(UnreadableRequirements) as refused:
        from_yaml(text)
    assert [each.field for each in refused.value.reasons] == [where]


@pytest.mark.parametrize(
    ("what", "named"),
    [
        ("document", "moon-record"),
        ("field", "ledger.models.Record.moon"),
        ("field", "ledger.models.Moon.name"),
        ("field", "ledger.moon.Record.digest"),
        ("field", "reports.batch_record.BatchRecord.moon"),
        ("route", "moon"),
        ("test", "tests/reports/test_requirements.py::test_moon"),
        ("test", "tests/test_moon.py::test_it"),
    ],
)
def test_what_is_not_there_is_named(what: str, named: str):
    answer = Answer(
        **{"test": "tests/reports/test_requirements.py::test_what_is_not_there_is_named", what: named}
    )
    entry = Requirement(**GOOD | {"answers": (answer,)})
    assert not_there(Requirements({}, {}, (entry,))) == [f"R-X-1: {what} {named}"]


# -- the command ------------------------------------------------------------------------------------------------------


def told(*said: str) -> str:
    out = io.StringIO()
    call_command("requirements", *said, stdout=out)
    return out.getvalue()


def told_of(pk: str, text: str) -> str:
    """What is printed of one requirement."""
    return text[text.index(f"\n{pk} (") :].strip().split("\n\n")[0]


def test_it_says_first_what_it_does_not_say():
    assert told().startswith("Which record answers which requirement; it does not say that a house complies.")


def test_what_nothing_answers_is_printed_as_such_with_the_reason():
    said = " ".join(told_of("R-US-1-1315", told()).split())
    assert said.startswith("R-US-1-1315 (21 CFR 1.1315): not answered asks: A traceability plan")
    assert "[from memory] missing: There is no such plan" in said


def test_what_is_answered_is_printed_with_what_answers_it_and_the_test():
    said = told_of("R-US-117-305-f2", told("--source", "us-117"))
    assert "(21 CFR 117.305(f)(2)): answered\n" in said
    assert "by: document batch-record, field ledger.models.Record.performed_offset\n" in said
    assert "shown by tests/ledger/test_record_rules.py::test_every_check_has_date" in said
    assert "missing:" not in said


def test_a_source_is_told_alone():
    said = told("--source", "us-11")
    assert "R-US-11-50 (" in said
    assert "R-US-117-305-a (" not in said
    assert said.rstrip().splitlines()[-1].startswith("6 requirements: ")


def test_a_source_that_is_not_there_is_refused_with_those_that_are():
    with pytest.raises(CommandError, match=r"There is no source moon\. There are: codex, us-117"):
        told("--source", "moon")


def test_only_what_is_missing_is_told_if_asked():
    states = {each["state"] for each in json.loads(told("--unanswered", "--json"))["requirements"]}
    assert states == {State.IN_PART, State.NOT}


def test_as_json_it_says_the_same():
    data = json.loads(told("--json"))
    assert data["says"].startswith("Which record answers which requirement")
    assert [each["id"] for each in data["requirements"]] == [each.id for each in MAP.entries]
    assert [each["state"] for each in data["requirements"]] == [each.state for each in MAP.entries]
