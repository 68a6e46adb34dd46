"""Sentences that pure rooms put together in English, and that a document can say in another language. Pure.

A room that computes knows no language. It keeps with a sentence the pattern that it was made of, which a catalogue
knows; whoever shows it hands in the translation (``by``). As text it is the English sentence, as records keep it.
"""

from collections.abc import Callable, Iterable
from typing import Any


class Said(str):
    """The sentence of ``pattern`` with ``values`` in it; a value that is ``Said`` itself is translated as well."""

    pattern: str
    values: dict[str, Any]

    def __new__(cls, pattern: str, **values: Any) -> "Said":
        self = super().__new__(cls, pattern % values if values else pattern)
        self.pattern, self.values = pattern, values
        return self

    def by(self, translate: Callable[[str], str]) -> str:
        pattern = translate(self.pattern) if self.pattern else ""
        values = {name: by(value, translate) for name, value in self.values.items()}
        return pattern % values if values else pattern


class Begun(Said):
    """The same at the beginning of a sentence, in whatever language."""

    def __new__(cls, pattern: str, **values: Any) -> "Begun":
        text = Said(pattern, **values)
        self = str.__new__(cls, text[:1].upper() + text[1:])
        self.pattern, self.values = pattern, values
        return self

    def by(self, translate: Callable[[str], str]) -> str:
        text = super().by(translate)
        return text[:1].upper() + text[1:]


def by(value: Any, translate: Callable[[str], str]) -> Any:
    """What is ``Said`` in other words; anything else, as a code or a number, as it is."""
    return value.by(translate) if isinstance(value, Said) else value


def joined(between: str, parts: Iterable[Any]) -> Said:
    """Parts one behind the other; those that are ``Said`` are translated."""
    values = {f"part_{at}": part for at, part in enumerate(parts)}
    return Said(between.join(f"%({name})s" for name in values), **values)


def said(text: str) -> Said:
    """A text whole as its own pattern, if it has none yet."""
    return text if isinstance(text, Said) else Said(text)
