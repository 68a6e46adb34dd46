"""Logs and lists: documents that are tables under some facts, printed by one template."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from django.utils.translation import gettext

from haccp.said import Said
from reports import kept_sentences
from reports.documents import Column, Document
from reports.periods import Period


@dataclass(frozen=True)
class Section:
    """A table below its ``caption``; ``nothing``: the sentence in place of an empty one."""

    caption: str
    lines: Sequence[Any]
    columns: tuple[Column, ...]
    nothing: str


@dataclass(frozen=True, kw_only=True)
class Listing(Document):
    """``period``: the days it tells of; None where it tells of what is so today."""

    template: ClassVar[str] = "reports/listing.html"
    marks_late: ClassVar[bool] = True
    landscape: ClassVar[bool] = True

    period: Period | None = None

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Words and what they are, in the active language."""
        return ()

    def remarks(self) -> tuple[str, ...]:
        """What has to be said of the whole, in the active language."""
        return ()

    def sections(self) -> tuple[Section, ...]:
        raise NotImplementedError


def spoken(word: object) -> str:
    """A word that the records keep in English, as a kind or a flag, in the active language where it is known there."""
    if isinstance(word, Said):
        return word.by(kept_sentences.word)
    text = str(word)
    return gettext(text) if text else ""
