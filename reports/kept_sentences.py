"""Sentences of the service that were put together in English, said anew in the language of a document. No record is changed.

A record keeps the sentence it was recorded with. What the service itself put together is read back into the pattern it
was made of and the values in it (``kept_patterns``), and said by that pattern in the active language. What no pattern
knows stays as it was kept, and is marked so. In English everything stays as it is.
"""

import re
from collections.abc import Callable, Iterator
from functools import cache, lru_cache
from typing import NamedTuple

from django.utils.translation import get_language
from django.utils.translation import gettext as _

from batches.quantities import UNITS
from haccp.said import Said, by, joined
from reports import amounts, occasions
from reports.kept_patterns import LIMIT_REFUSALS, NOTED, PHRASES, SENTENCES, SOURCES, Known

PLACEHOLDER = re.compile(r"%\((\w+)\)s")
SYMBOLS = "|".join(
    re.escape(each) for each in sorted({unit.symbol for unit in UNITS.values()} - {""}, key=len, reverse=True)
)
NUMBER = r"[+-]?(?:\d+(?:\.\d+)?(?:E[+-]?\d+)?|Infinity)"
AMOUNT = rf"(?:about )?{NUMBER}(?: (?:{SYMBOLS})(?![\w/]))?"
FREE = r".+?"
WITHIN = r"(?:(?!\.\s).)+?"
"""What a pattern begins with does not reach over the end of a sentence."""
KINDS = {
    "amount": AMOUNT,
    "bound": rf"(?:(?:more|less) than )?{AMOUNT}(?: or (?:more|less))?",
    "count": r"\d+",
    "number": NUMBER,
    "occasion": occasions.SHAPE,
    "late": r"(?:(?:Recorded late|Corrected): lot \S+ [^:]+|Told late of batch .+?: where it stood, and when|"
    r"Mixed in [^:]+(?:: lot [^:]+)?|(?:Withdrawn|Stated) of .+?)",
    "sentences": ".+",
    "typed": ".+",
}
BETWEEN_SOURCES = re.compile(r"; (?![^(]*\))")
"""Not within brackets."""
WORDS = frozenset({"method", "names", "allergen", "kind", "what", "done", "food", "dimension"})
"""What holds words that the catalogue knows, as names of allergens."""


class Pattern(NamedTuple):
    """``begins``: the fixed text before its first value."""

    text: str
    expression: re.Pattern[str]
    begins: str


# -- what documents ask ------------------------------------------------------------------------------------


def kept(text: str) -> str:
    """A text that the service put together; of what is not known of it the document says that it is as recorded."""
    return text if _stays() else _told(_read(text, SENTENCES), _marked)


def noted(text: str) -> str:
    """Somebody's text, before which or in place of which the service may have put sentences of its own."""
    return text if _stays() else by(_within_a_note(text), _)


def quantity(name: str) -> str:
    """The name of a quantity as a plan or a rule has it: the usual ones in the active language."""
    return " / ".join(by(_phrase(part), _) for part in name.split(" / "))


def figure(text: str) -> str:
    """What readings came to, as the sentence of a judgement begins."""
    return by(_phrase(text), _)


def source(text: str) -> str:
    """Who set a bound, as it is kept with a check: the plan, or local rules."""
    return "; ".join(by(_phrase(part), _) for part in text.split("; "))


def cited(text: str) -> str:
    """Where a number or a rule comes from: names of laws and publications stay, the words around them are translated."""
    return by(_source(text), _)


def word(text: str) -> str:
    """The translation of a text that a pure room made, whole or as a sentence of ``kept_patterns``."""
    found = _(text)
    return found if found != text or _stays() else _told(_read(text, LIMIT_REFUSALS), str)


def _stays() -> bool:
    return (get_language() or "en").startswith("en")


def _marked(text: str) -> str:
    return _("%s (as recorded)") % text


def _told(parts: tuple[str, ...], unknown: Callable[[str], str]) -> str:
    return " ".join(part.by(_) if isinstance(part, Said) else unknown(part) for part in parts)


# -- reading sentences -------------------------------------------------------------------------------------


@lru_cache(maxsize=4096)
def _read(text: str, known: Known) -> tuple[str, ...]:
    """Its sentences: those that are known as ``Said``, what stands between them as it is."""
    return tuple(_sentences(text, known))


def _sentences(text: str, known: Known) -> Iterator[str]:
    at = begun = 0
    while at < len(text):
        found = _first(text[at:], known)
        if found is None:
            at = _next(text, at, known)
            continue
        if between := text[begun:at].strip():
            yield between
        yield found[0]
        rest = text[at + found[1] :]
        at = begun = len(text) - len(rest.lstrip())
    if left := text[begun:].strip():
        yield left


def _next(text: str, at: int, known: Known) -> int:
    """Where the next sentence may begin: behind a full stop, or where one begins that is the same each time."""
    stop = re.compile(r"\.\s+").search(text, at)
    ends = [stop.end()] if stop else []
    ends += [begins + 1 for each in _fixed(known) if (begins := text.find(f" {each}", at)) > 0]
    return min(ends, default=len(text))


def _first(text: str, known: Known) -> tuple[Said, int] | None:
    """The sentence that it begins with, if that is known, and where it ends."""
    for pattern in _patterns(known):
        found = pattern.expression.match(text) if text.startswith(pattern.begins) else None
        if found is None:
            continue
        values = {name: _value(name, value) for name, value in found.groupdict().items()}
        if pattern.begins or not isinstance(values.get("sentences"), Partly):
            return Said(pattern.text, **values), found.end()
    return None


@cache
def _patterns(known: Known) -> tuple[Pattern, ...]:
    return tuple(_compiled(text, r"(?=\s|$)") for text in known)


@cache
def _fixed(known: Known) -> tuple[str, ...]:
    """Those that are the same each time."""
    return tuple(text for text in known if not PLACEHOLDER.search(text) and text.endswith("."))


@cache
def _phrases() -> tuple[Pattern, ...]:
    return tuple(_compiled(text, r"$") for text in PHRASES)


@cache
def _sources() -> tuple[Pattern, ...]:
    return tuple(_compiled(text, r"$") for text in SOURCES)


def _compiled(text: str, ends: str) -> Pattern:
    pieces = PLACEHOLDER.split(text)  # fixed text and names by turns
    made = [re.escape(pieces[0])]
    for name, fixed in zip(pieces[1::2], pieces[2::2], strict=True):
        usual = FREE if any(made) else WITHIN
        made += [f"(?P<{name}>{KINDS.get(_kind(name), usual)})", re.escape(fixed)]
    return Pattern(text, re.compile("".join(made) + ends, re.DOTALL), pieces[0])


def _kind(name: str) -> str:
    """``amount_2`` is an amount, ``told_count`` a count."""
    bare = re.sub(r"_\d+$", "", name)
    return "count" if bare.endswith("_count") else bare


def _value(name: str, value: str) -> str:
    kind = _kind(name)
    if kind == "sentences":
        return _as_one(_read(value, SENTENCES))
    if kind == "occasion":
        return Occasion(value)
    if kind in WORDS:
        found = _phrase(value)
        return found if isinstance(found, Said) else joined(", ", map(Said, value.split(", ")))
    if kind in ("source", "comparison", "citation"):
        return _source(value)
    if kind == "amount":
        return _amount(value)
    if kind == "typed":
        return _within_a_note(value)
    return value if kind == "count" else _phrase(value)


def _within_a_note(text: str) -> str:
    parts = _read(text, NOTED)
    return joined(" ", parts) if any(isinstance(each, Said) for each in parts) else text


def _source(value: str) -> str:
    """Of a bound, who set it; of a number, where it comes from: what is known as a whole, else part by part."""
    known = (*_phrases(), *_sources())
    found = _matched(value, known)
    if isinstance(found, Said):
        return found
    return joined("; ", [_matched(part, known) for part in BETWEEN_SOURCES.split(value)])


def _amount(value: str) -> str:
    if value.startswith("about "):
        return Said("about %(amount)s", amount=_amount(value.removeprefix("about ")))
    number, _space, unit = value.rpartition(" ")
    return Said("%(number)s %(unit)s", number=number, unit=Said(unit)) if unit in amounts.WORDS else value


def _phrase(value: str) -> str:
    """A part of a sentence: ``Said`` where it is of the service, else as it stands."""
    return _matched(value, _phrases())


def _matched(value: str, patterns: tuple[Pattern, ...]) -> str:
    for pattern in patterns:
        if found := pattern.expression.match(value):
            values = {name: _value(name, each) for name, each in found.groupdict().items()}
            return Said(pattern.text, **values)
    return value


def _as_one(parts: tuple[str, ...]) -> str:
    return joined(" ", parts) if all(isinstance(each, Said) for each in parts) else Partly(parts)


class Partly(Said):
    """Sentences of which not all are known."""

    parts: tuple[str, ...]

    def __new__(cls, parts: tuple[str, ...]) -> "Partly":
        self = str.__new__(cls, " ".join(parts))
        self.parts = parts
        return self

    def by(self, translate: Callable[[str], str]) -> str:
        return _told(self.parts, _marked)


class Occasion(Said):
    """When a check was due, as its name puts it."""

    def by(self, translate: Callable[[str], str]) -> str:
        return occasions.occasion(str(self))
