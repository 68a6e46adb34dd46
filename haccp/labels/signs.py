"""The sign for unpacked sale: what is told where sweets are sold loose, from the label in force and the lots on sale.

Where food is sold without a pack its allergens are told all the same, in writing where the law of the place asks for it
(Regulation (EU) No 1169/2011, article 44; 21 CFR 101.100(a)(2) for bulk display: both from memory). What else must
stand there is for the authority to say. The sign tells the side that protects: whatever a lot on sale contains is told
as contained, whether the label declares it or not, and what nobody stated is told as not known.
"""

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from batches.models import Lot, LotStatus, Material
from config.api.refusals import Unknown
from haccp.allergens import content, lists
from haccp.labels import assessments, versions
from haccp.labels.documents import EMPHASIS, Ingredient, LabelDocument
from haccp.models import LabelVersion

NAMES = (
    "Allergens are named in the language of this sign only, whatever the languages of the label; a name that a list of "
    "the house gives in its own words stands as written."
)
_EMPHASISED = re.compile(r"\*([^*]*)\*")


@dataclass(frozen=True)
class Piece:
    """Part of a line; ``strong``: emphasised."""

    text: str
    strong: bool


@dataclass(frozen=True)
class Face:
    """The words in one language."""

    language: str
    name: str
    ingredients: tuple[Piece, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Sign:
    """``contains``, ``may``, ``not_known``: allergens in words. ``lots``: codes of the lots on sale it speaks for."""

    material: Material
    version: LabelVersion
    on: date
    faces: tuple[Face, ...]
    contains: tuple[str, ...]
    may: tuple[str, ...]
    not_known: tuple[str, ...]
    lots: tuple[str, ...]


def sign(material: Material, on: date) -> Sign:
    """What to hang up on a local day. Raises Unknown where no label of the product is in force."""
    version = _version(material, on)
    label = versions.document_of(version)
    lots = list(
        Lot.objects.filter(material=material, state__status=LotStatus.RELEASED, state__on_hand__gt=0)
        .select_related("material")
        .order_by("code")
    )
    contents = content.of_lots(material.establishment, lots).values() if lots else ()
    contains = _together(version.declared, ((*each.contains, *each.by_line) for each in contents))
    may = _together(version.precautionary, (each.may for each in contents))
    unknown = _together((), (each.unknown for each in contents))
    unknown |= _together((), (each.unknown_by_contact for each in contents))
    words = lists.vocabulary(material.establishment)
    told = contains | may
    groups = {code for code in told if words.members_of(code)}
    open_ = {
        code for code in unknown - told - _assessed(lots, on) if not words.groups_of(code) & (groups - {code})
    }
    return Sign(
        material,
        version,
        on,
        tuple(_face(label, language) for language in label.languages),
        _in_words(lists.spoken(words, code) for code in contains),
        _in_words(lists.spoken(words, code) for code in may - contains),
        _in_words(lists.spoken(words, code) for code in open_),
        tuple(lot.code for lot in lots),
    )


def _version(material: Material, on: date) -> LabelVersion:
    """That of a label for unpacked sale, if there is one; else the newest."""
    found = versions.all_in_force(material, on)
    if not found:
        raise Unknown(
            f"No label of {material.name} is in force: approve one first, marked unpacked if it has no pack.",
            field="subject",
        )
    return next((each for each in found if versions.document_of(each).unpacked), found[0])


def _assessed(lots: Sequence[Lot], on: date) -> set[str]:
    """What an assessment covers for every lot on sale."""
    by_lot = assessments.standing(lots, on)
    covered = [{code for each in by_lot[lot.pk] for code in each.allergens} for lot in lots]
    return set.intersection(*covered) if covered else set()


def _together(first: Collection[str], others: Iterable[Collection[str]]) -> set[str]:
    return set(first).union(*others)


def _in_words(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(set(words)))


def _face(label: LabelDocument, language: str) -> Face:
    line = ", ".join(printed(each, language) for each in label.ingredients)
    return Face(
        language,
        label.name[language].replace(EMPHASIS, ""),
        tuple(pieces(line)),
        tuple(each.text[language].replace(EMPHASIS, "") for each in label.warnings),
    )


def printed(each: Ingredient, language: str) -> str:
    words = each.name[language]
    if each.percent is not None:
        words += f" {each.percent:f} %"
    if each.parts:
        words += f" ({', '.join(printed(part, language) for part in each.parts)})"
    return words


def pieces(line: str) -> list[Piece]:
    """A line cut where the emphasis begins and ends."""
    cut = _EMPHASISED.split(line)
    return [Piece(text, bool(place % 2)) for place, text in enumerate(cut) if text]
