"""Allergen lists of an establishment: made, confirmed with the authority, brought in from files; the words they give."""

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from batches import reference
from batches.edges import as_day, as_key, read
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable
from haccp import confirming
from haccp.allergens import documents, files
from haccp.allergens.bits import Bits
from haccp.allergens.vocabulary import Listed, Vocabulary
from haccp.confirming import Confirmed
from haccp.models import AllergenList
from ledger import signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment

CONFIRMED = Confirmed(
    code="list",
    noun="allergen list",
    plural="allergen lists",
    may_change=frozenset({"name", "in_force_until"}),
    anew="the new one",
)
"""Lots of past days were judged by a list, so another list is a new one."""
SOURCE = {"jurisdiction": 60, "authority": 200, "citation": 300, "provenance": 200}


@deed
def make(*, act: Act, values: dict[str, Any]) -> AllergenList:
    """Write down the allergens a jurisdiction lists. Raises Unusable with every reason, RuleBroken."""
    _refuse_unusable(
        AllergenList(establishment=act.establishment, **confirming.refuse_said(CONFIRMED, values))
    )
    return reference.make(act=act, kind=AllergenList, values=values)


@deed
def alter(
    *, act: Act, row: AllergenList, values: dict[str, Any], expected_version: int | None = None
) -> AllergenList:
    """Change a list. Of a confirmed one only its name and last day, by a food-safety lead.

    Raises Unusable, RuleBroken ``list-is-confirmed``, NotAllowed, ChangedMeanwhile.
    """
    locked = AllergenList.objects.select_for_update(of=("self",), no_key=True).get(pk=row.pk)
    changed = {
        name: value
        for name, value in confirming.refuse_said(CONFIRMED, values).items()
        if getattr(locked, name) != value
    }
    if locked.confirmed_by_id is not None and changed:
        confirming.refuse_other(CONFIRMED, act, locked, changed)
    for name, value in changed.items():
        setattr(locked, name, value)
    _refuse_unusable(locked)
    return reference.alter(act=act, row=locked, values=changed, expected_version=expected_version)


@deed
def confirm(
    *, act: Act, row: AllergenList, proof: signatures.Proof, expected_version: int | None = None
) -> AllergenList:
    """Say, by signature of a food-safety lead, that the list was read against the authority's text.

    Raises NotAllowed, RuleBroken, ChangedMeanwhile.
    """
    return confirming.confirm(
        CONFIRMED,
        act=act,
        row=row,
        proof=proof,
        expected_version=expected_version,
        unconfirmable=_unconfirmable,
    )


@dataclass(frozen=True)
class BroughtIn:
    """``made``: whether it is new. ``other``: of one that stood here already, in what the file says something else."""

    row: AllergenList
    made: bool
    other: list[str]


@deed
def bring_in(*, act: Act, said: dict[str, Any]) -> BroughtIn:
    """Write down the list of a file, to be confirmed, whole or not at all.

    A list whose code stands here already is left as it is, so that a file can be brought in again. ``said``: as
    ``files.from_yaml`` answers. Raises Unusable with every reason.
    """
    reasons: list[Reason] = []
    values = dict(said) | {
        name: _day(said[name], name, reasons) for name in ("in_force_from", "in_force_until") if name in said
    }
    try:
        _refuse_unusable(AllergenList(establishment=act.establishment, **values))
    except Unusable as refusal:
        reasons += refusal.reasons
    if reasons:
        raise Unusable(
            f"{len(reasons)} errors in the allergen list. Nothing was written; mend the file and send it again.",
            code="allergen-list",
            reasons=reasons,
        )
    known = AllergenList.objects.filter(establishment=act.establishment, code=said["code"]).first()
    if known is not None:
        differing = [name for name, value in values.items() if getattr(known, name) != value]
        return BroughtIn(known, False, sorted(differing))
    return BroughtIn(reference.make(act=act, kind=AllergenList, values=values), True, [])


def vocabulary(establishment: Establishment) -> Vocabulary:
    """What the lists of the house know together; where it has none, the lists that ship stand in for them."""
    return bits(establishment).vocabulary


def spoken(words: Vocabulary, code: str) -> str:
    """What an allergen is called in the active language, to be shown and not kept; a name of the house's own stays."""
    return _(words.name(code))


def bits(establishment: Establishment) -> Bits:
    """The same as bits. The lists are read each time; what they say is worked out anew only where it changed."""
    return bits_of(read(f"SELECT {', '.join(COLUMNS)} {OF_A_HOUSE}", [as_key(establishment.pk)]))


COLUMNS = (
    "code",
    "jurisdiction",
    "in_force_from",
    "CAST(in_force_until AS text)",
    "CAST(document AS text)",
    "confirmed_by_id IS NOT NULL",
)
OF_A_HOUSE = f"FROM {AllergenList._meta.db_table} WHERE establishment_id = %s AND in_use"
"""SQL of its lists, for whoever reads them with something else; ``COLUMNS`` of each, in this order, make its bits."""


def bits_of(rows: Iterable[Sequence[Any]]) -> Bits:
    """By what ``COLUMNS`` say of every list of a house."""
    return _bits(
        tuple(
            (place, as_day(begins), until and as_day(until), document, bool(confirmed))
            for _, place, begins, until, document, confirmed in sorted(rows, key=lambda row: row[0])
        )
    )


@lru_cache(maxsize=100)
def _bits(said: tuple[tuple[str, date, date | None, str, bool], ...]) -> Bits:
    if not said:
        return Bits(Vocabulary(_shipped(), shipped=True))
    return Bits(
        Vocabulary(
            [
                Listed(jurisdiction, begins, until, documents.read(json.loads(document)), confirmed)
                for jurisdiction, begins, until, document, confirmed in said
            ]
        )
    )


@cache  # files of this version of the service; read once a process
def _shipped() -> tuple[Listed, ...]:
    said = [files.shipped_list(name) for name in files.shipped()]
    return tuple(
        Listed(
            each["jurisdiction"],
            date.fromisoformat(each["in_force_from"]),
            None,
            documents.read(each["document"]),
        )
        for each in said
    )


def in_words(row: AllergenList) -> str:
    """One line: which list, how many groups, where it is written, how that was seen, whether it is confirmed."""
    groups = documents.read(row.document)
    source = "; ".join((_(row.citation), _(row.provenance), _(row.status)))
    count = ngettext("%d group", "%d groups", len(groups)) % len(groups)
    return f"{row.code}: {_(row.name)}, {count} ({source})"


def lines_on(establishment: Establishment, on: date) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The lists in force that day, in words: those that were confirmed, and those that still have to be."""
    rows = AllergenList.objects.filter(establishment=establishment, in_use=True, in_force_from__lte=on)
    current = [row for row in rows.order_by("code") if row.in_force_until is None or on < row.in_force_until]
    confirmed = tuple(in_words(row) for row in current if row.confirmed_by_id)
    return confirmed, tuple(in_words(row) for row in current if not row.confirmed_by_id)


def _day(text: str, name: str, reasons: list[Reason]) -> Any:
    """The day, or far enough back to be judged with the rest."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        reasons.append(Reason("not-a-day", "Give a day of the calendar, such as 2025-01-06.", name))
        return date.min if name == "in_force_from" else None


def _refuse_unusable(row: AllergenList) -> None:
    reasons = list(_wrong(row))
    if reasons:
        raise Unusable("The list cannot be kept so. Nothing was written.", reasons=reasons)


def _wrong(row: AllergenList) -> Iterator[Reason]:
    for name, longest in SOURCE.items():
        if not is_one_line(getattr(row, name), longest):
            yield Reason("missing", f"Give its {name} in one line of at most {longest} characters.", name)
    if row.in_force_until is not None and row.in_force_until <= row.in_force_from:
        yield Reason("ends-before-it-begins", "A list ends after it begins.", "in_force_until")
    try:
        documents.read(row.document)
    except Unusable as refusal:
        yield from refusal.reasons


def _unconfirmable(row: AllergenList) -> Iterator[Reason]:
    if row.confirmed_by_id is not None:
        yield Reason("confirmed-already", f"List {row.code} is confirmed.", "list", [str(row.pk)])
    if not row.in_use:
        yield Reason("not-in-use", f"List {row.code} is marked as no longer in use.", "in_use")
