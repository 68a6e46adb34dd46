"""A scanned or typed code: what it is, where that is, and what whoever asks may do with it. Nothing is stored."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from batches import finding
from batches.finding import Found
from batches.models import Lot, LotStatus, Material, TradingPartner
from batches.scanning import texts
from batches.scanning.texts import Scanned
from config.api.refusals import Unknown
from haccp import check_sheets, lot_doings, sheet_codes
from haccp.lot_doings import Standing
from haccp.models import CheckSheet
from ledger.models import Establishment

MOST = 100
"""Candidates in one answer; the rest are counted."""


@dataclass(frozen=True)
class FoundSheet:
    """A sheet of blank lines that bears the code; as ``Found``."""

    what: CheckSheet
    by: str = "its code"
    differs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Candidate:
    """One thing that the code may mean; ``standing`` where it is a lot."""

    found: Found | FoundSheet
    said: str
    standing: Standing | None = None


@dataclass(frozen=True)
class Answered:
    scanned: Scanned
    candidates: tuple[Candidate, ...]
    left_out: int
    told: tuple[str, ...]


def answer(here: Establishment, text: str, roles: Collection[str], today: date) -> Answered:
    """Every meaning of a text here. Raises Unusable with the place of what is wrong in it."""
    scanned = texts.read(text)
    sheets, told_of_sheets = _sheets(here, text)
    findings = finding.find(here, scanned) if not sheets else _what_else(here, scanned)
    shown = findings.found[:MOST]
    lots = [each.what for each in shown if isinstance(each.what, Lot)]
    standing = {each.lot.pk: each for each in lot_doings.standing(lots, roles, today)}
    return Answered(
        scanned=scanned,
        candidates=(*sheets, *(_candidate(each, standing) for each in shown)),
        left_out=len(findings.found) - len(shown),
        told=(*told_of_sheets, *findings.told),
    )


def _sheets(here: Establishment, text: str) -> tuple[tuple[Candidate, ...], tuple[str, ...]]:
    """The check sheet that bears a code, or what is wrong with one; a text of another form is none of one."""
    if not sheet_codes.is_like_one(text):
        return (), ()
    try:
        sheet = check_sheets.find(here, text)
    except (Unknown, sheet_codes.NotThisCode) as refusal:
        return (), (refusal.detail,)
    return (Candidate(FoundSheet(sheet), check_sheets.said(sheet)),), ()


def _what_else(here: Establishment, scanned: Scanned) -> finding.Findings:
    """What bears the code of a sheet besides: that nothing does is not worth a word."""
    found = finding.find(here, scanned)
    return found if found.found else finding.Findings()


def _candidate(found: Found, standing: dict[int, Standing]) -> Candidate:
    what = found.what
    if isinstance(what, Lot):
        return Candidate(found, said_of_lot(standing[what.pk]), standing[what.pk])
    if isinstance(what, Material):
        return Candidate(
            found, f"{what.name}, a material ({what.get_kind_display()}); which lot is not said."
        )
    if isinstance(what, TradingPartner):
        return Candidate(found, f"{what.name}, a trading partner.")
    return Candidate(found, f"{what.name}, this establishment.")


def said_of_lot(known: Standing) -> str:
    """A lot in one sentence."""
    lot, state = known.lot, known.lot.state
    came = "made" if lot.batch_id else "received"
    date_told = f"best before {state.best_before}" if state.best_before else "no date stated"
    past = ", PAST ITS DATE" if known.expired else ""
    word = "withdrawn" if state.withdrawn else LotStatus(state.status).label
    rework = " (rework)" if lot.is_rework else ""
    return f"Lot {lot.code} of {lot.material.name}{rework}, {came} {lot.day}, {date_told}{past}: {word}."
