"""Periods that published law counts from the determination, as reminders only. Pure, no Django.

Whether one applies, from when it counts and whom to tell is for the authority to say.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

EU = frozenset([
    "AT", "BE", "BG", "CY", "CZ", "DE", "DK", "EE", "ES", "FI", "FR", "GR", "HR", "HU", "IE", "IT", "LT", "LU", "LV",
    "MT", "NL", "PL", "PT", "RO", "SE", "SI", "SK",
])  # fmt: skip
"""Member states by ISO 3166-1 (from memory)."""
US = frozenset(["US"])
ASK = "Ask your authority: it says whether this applies, from when it counts and whom to tell. Its word comes first."
USUAL = timedelta(hours=24)
"""When reminders are due where no period is known: a site setting, no source."""


@dataclass(frozen=True)
class Period:
    """``within``: None where the text names no number of hours. ``provenance``: read, read in a secondary text, or
    from memory."""

    countries: frozenset[str]
    jurisdiction: str
    says: str
    within: timedelta | None
    source: str
    section: str
    provenance: str

    def due(self, determined: datetime) -> datetime | None:
        return None if self.within is None else determined + self.within


PERIODS = (
    Period(
        US,
        "US",
        "A registered facility reports a reportable food through the authority's portal within 24 hours of "
        "determining that it is one.",
        timedelta(hours=24),
        "21 USC 350f",
        "(d)(1)",
        "read",
    ),
    Period(
        US,
        "US",
        "A firm that recalls tells the authority: product, reason, amounts, accounts, notice and strategy.",
        None,
        "21 CFR 7",
        "7.46",
        "from memory",
    ),
    Period(
        EU,
        "EU",
        "Who has reason to believe that a food which left their hands is unsafe withdraws it at once and tells the "
        "authority; if it may have reached consumers they are told, and it is recalled where nothing less is enough. "
        "No number of hours is named.",
        None,
        "Regulation (EC) 178/2002",
        "Article 19",
        "read in a secondary text",
    ),
)


def of(country: str) -> tuple[Period, ...]:
    """Those of a country, by its two letters of ISO 3166-1; none where none is known to us."""
    return tuple(each for each in PERIODS if country in each.countries)


def marks(country: str) -> tuple[timedelta, timedelta]:
    """When to remind: at half of the shortest period, and at its end."""
    shortest = min((each.within for each in of(country) if each.within is not None), default=USUAL)
    return shortest / 2, shortest
