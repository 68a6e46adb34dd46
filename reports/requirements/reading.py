"""The file of requirements: read as text, every mistake of shape named by the requirement's id and the field. Pure."""

import re
from collections.abc import Iterator, Mapping
from importlib.resources import files
from typing import Any

import yaml

from config.api.refusals import Reason, Unusable
from reports.requirements.entries import Answer, Requirement, Requirements, parts_of_provenance

_LOADER = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
PARTS = ("provenance", "sources", "requirements")
TEXTS = ("id", "source", "section", "asks", "provenance")
NAMED = ("document", "field", "route")
ID = re.compile(r"R(-[A-Za-z0-9]+)+")
TEST = re.compile(r"tests/[a-z0-9_/]+\.py::test_\w+")
OF_PROVENANCE = re.compile(r"([^();]+?)(?: \([^()]+\))?")


class UnreadableRequirements(Unusable):
    """The file is no list of requirements; the reasons say where, as ``id.field``."""

    code = "unreadable-requirements"


def shipped() -> Requirements:
    return from_yaml(files("reports.requirements").joinpath("requirements.yaml").read_text("utf-8"))


def from_yaml(text: str) -> Requirements:
    """Raises UnreadableRequirements with every mistake at once."""
    try:
        said = yaml.load(text, Loader=_LOADER)  # text, lists and objects only: nothing is guessed
    except yaml.YAMLError as error:
        raise UnreadableRequirements(f"This is no YAML: {error}") from None
    mistakes = list(_mistakes(said))
    if mistakes:
        told = f"{len(mistakes)} mistakes: {'; '.join(f'{each.field}: {each.detail}' for each in mistakes)}"
        raise UnreadableRequirements(told, reasons=mistakes)
    return Requirements(
        said["provenance"], said["sources"], tuple(_requirement(each) for each in said["requirements"])
    )


def _requirement(said: Mapping[str, Any]) -> Requirement:
    answers = tuple(Answer(**each) for each in said.get("answers", []))
    return Requirement(**{**said, "answers": answers})


def _mistakes(said: Any) -> Iterator[Reason]:
    if not isinstance(said, dict) or set(said) != set(PARTS):
        yield Reason("shape", f"must hold {', '.join(PARTS)} and nothing else.", "file")
        return
    for name in ("provenance", "sources"):
        if not _is_texts(said[name]):
            yield Reason("shape", "must be names, each with a text.", name)
            return
    if not isinstance(said["requirements"], list):
        yield Reason("shape", "must be a list.", "requirements")
        return
    seen: set[str] = set()
    for number, entry in enumerate(said["requirements"]):
        yield from _of_entry(number, entry, said, seen)


def _is_texts(value: Any) -> bool:
    return isinstance(value, dict) and all(isinstance(text, str) and text.strip() for text in value.values())


def _of_entry(number: int, entry: Any, said: Mapping[str, Any], seen: set[str]) -> Iterator[Reason]:
    if not isinstance(entry, dict):
        yield Reason("shape", "must be an object.", f"requirements.{number}")
        return
    where = str(entry.get("id") or f"requirements.{number}")
    for name in sorted(entry.keys() - {*TEXTS, "answers", "missing"}):
        yield Reason("unknown", "is no part of a requirement.", f"{where}.{name}")
    lacking = [name for name in TEXTS if not _is_text(entry.get(name))]
    yield from (Reason("missing", "must be a text.", f"{where}.{name}") for name in lacking)
    if not lacking:
        yield from _of_texts(where, entry, said)
        if entry["id"] in seen:
            yield Reason("twice", "stands twice.", f"{where}.id")
        seen.add(entry["id"])
    yield from _of_answers(where, entry)


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _of_texts(where: str, entry: Mapping[str, Any], said: Mapping[str, Any]) -> Iterator[Reason]:
    if not ID.fullmatch(entry["id"]):
        yield Reason("id", "must be R and parts of letters and digits, joined by hyphens.", f"{where}.id")
    if entry["source"] not in said["sources"]:
        yield Reason("source", f"is none of {', '.join(said['sources'])}.", f"{where}.source")
    for part in parts_of_provenance(entry["provenance"]):
        found = OF_PROVENANCE.fullmatch(part)
        if found is None or found[1] not in said["provenance"]:
            words = ", ".join(said["provenance"])
            yield Reason("provenance", f"{part!r} does not begin with one of {words}.", f"{where}.provenance")


def _of_answers(where: str, entry: Mapping[str, Any]) -> Iterator[Reason]:
    answers = entry.get("answers", [])
    if not isinstance(answers, list) or ("answers" in entry and not answers):
        yield Reason(
            "answers",
            "must be a list with something in it; leave it out if there is none.",
            f"{where}.answers",
        )
        return
    if "missing" in entry and not _is_text(entry["missing"]):
        yield Reason("missing", "must be a text; leave it out if nothing is missing.", f"{where}.missing")
    if not answers and "missing" not in entry:
        yield Reason("missing", "must say why nothing answers it.", f"{where}.missing")
    for number, answer in enumerate(answers):
        yield from _of_answer(f"{where}.answers.{number}", answer)


def _of_answer(where: str, answer: Any) -> Iterator[Reason]:
    if not _is_texts(answer):
        yield Reason("answer", "must be names, each with a text.", where)
        return
    for name in sorted(answer.keys() - {*NAMED, "test"}):
        yield Reason("unknown", "is no part of an answer.", f"{where}.{name}")
    if not answer.keys() & set(NAMED):
        yield Reason("answer", f"must name one of {', '.join(NAMED)}.", where)
    if not TEST.fullmatch(answer.get("test", "")):
        yield Reason("test", "must name a test as tests/path.py::test_name.", f"{where}.test")
