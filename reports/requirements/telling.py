"""The requirements as text for people and as data for programs. Pure."""

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from textwrap import wrap
from typing import Any

from reports.requirements.entries import Answer, Requirement, Requirements, State

HEAD = (
    "Which record answers which requirement; it does not say that a house complies. Told in our own words; nothing of it "
    "is legal advice, and everything defers to the competent local authority."
)
BY = (
    "by: the document, field or route in which it is found. shown by: a test of the fact, not always by way of that document "
    "or route. missing: what is not there."
)
WIDTH = 120
INDENT = " " * 4


def text(told: Requirements) -> Iterator[str]:
    """Line by line, source by source."""
    yield from wrap(HEAD, WIDTH)
    yield ""
    yield "How well each text is known:"
    for word, means in told.provenance.items():
        yield from _paragraph(f"{word}: {means}")
    yield ""
    yield from wrap(BY, WIDTH)
    for source, name in told.sources.items():
        entries = [each for each in told.entries if each.source == source]
        if entries:
            yield from ("", name, "=" * len(name))
            yield from _each(entries)
    yield ""
    yield (
        f"{len(told.entries)} requirements: "
        + ", ".join(f"{told.counts[state]} {state}" for state in State)
        + "."
    )


def _each(entries: Iterable[Requirement]) -> Iterator[str]:
    for entry in entries:
        yield ""
        yield f"{entry.id} ({entry.section}): {entry.state}"
        yield from _paragraph(f"asks: {entry.asks} [{entry.provenance}]")
        for answer in entry.answers:
            yield from _paragraph(f"by: {_named(answer)}")
            yield f"{INDENT}    shown by {answer.test}"
        if entry.missing:
            yield from _paragraph(f"missing: {entry.missing}")


def _named(answer: Answer) -> str:
    named = (("document", answer.document), ("field", answer.field), ("route", answer.route))
    return ", ".join(f"{what} {name}" for what, name in named if name)


def _paragraph(words: str) -> list[str]:
    return wrap(words, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT + "  ", break_on_hyphens=False)


def as_data(told: Requirements) -> dict[str, Any]:
    """The same as an object of JSON; each requirement with its state."""
    return {
        "says": HEAD,
        "provenance": dict(told.provenance),
        "sources": dict(told.sources),
        "requirements": [asdict(each) | {"state": each.state.value} for each in told.entries],
    }
