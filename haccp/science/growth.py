"""Which organisms a water activity, and a pH, still leave able to grow, by published growth limits. Pure.

Where sources differ the lower minimum counts, the wider range of pH, and the lower temperature. A limit is for
growth in the laboratory: below it an organism is not killed. It is never said here that food harms nobody.
"""

from dataclasses import dataclass

from config.api.refusals import Unusable
from haccp.science.answers import number

SURVIVAL = (
    "Salmonella survives at any of these values, in dry sweets and chocolate for months.",
    "Low water activity kills nothing; it only keeps from growing.",
)
NO_PH = "The pH is not known: only water activity counts here."
DEFER = "These are published limits of growth, not legal limits; local rules and the plan come first."

ROUNDING = 1e-9  # of binary fractions: 4.3 + 0.1 must reach a limit of 4.4

_ARS = "growth tables of a US federal research service in a university copy, meatsci.osu.edu/node/138 (read)"
_FDA = "US federal pathogen handbook, table of growth factors, 1992 (read)"
_BANWART = "teaching table after Banwart 1989 (read)"
_ALL = f"{_ARS}; {_FDA}; {_BANWART}"


@dataclass(frozen=True)
class Limits:
    """Growth limits of one organism: the lowest water activity, the range of pH, the lowest temperature in degC.

    ``usual_aw``: what most tables print; ``least_aw``: the lowest any source gives, which is what counts.
    """

    organism: str
    usual_aw: float
    least_aw: float
    least_ph: float
    most_ph: float
    least_celsius: float
    source: str


LIMITS: tuple[Limits, ...] = (
    Limits("Salmonella spp.", 0.94, 0.93, 3.7, 9.5, 5.2, f"{_ALL}; pH 3.7 (from memory)"),
    Limits("Staphylococcus aureus, growth", 0.83, 0.83, 4.0, 10.0, 7.0, _ALL),
    Limits(
        "Staphylococcus aureus, toxin",
        0.85,
        0.85,
        4.0,
        9.8,
        10.0,
        "US seafood hazards guide, appendix 4 (from memory; single route, unconfirmed)",
    ),
    Limits("Listeria monocytogenes", 0.92, 0.92, 4.4, 9.4, -0.4, f"{_ARS}; {_FDA}"),
    Limits("Escherichia coli", 0.935, 0.935, 4.0, 9.5, 2.5, f"{_ALL}; pH 4.0 (from memory)"),
    Limits(
        "Bacillus cereus",
        0.92,
        0.92,
        4.3,
        9.3,
        4.0,
        f"{_FDA}; {_BANWART}; 4 °C from a meat-industry table (read); pH 4.3 (from memory)",
    ),
    Limits(
        "Clostridium botulinum, proteolytic",
        0.93,
        0.93,
        4.6,
        9.0,
        10.0,
        f"{_FDA}; {_BANWART}; pH 4.6 (from memory)",
    ),
    Limits(
        "Clostridium botulinum, type E and other non-proteolytic",
        0.965,
        0.94,
        5.0,
        9.0,
        3.3,
        f"{_FDA}; {_BANWART}; pH (from memory)",
    ),
    Limits("Clostridium perfringens", 0.93, 0.93, 5.0, 9.0, 4.0, f"{_ALL}; pH 5.0 and 9 (from memory)"),
)

SPOILAGE_SOURCE = "Beuchat 1981 as retrieved, docslib.org/doc/9382927 (read)"


@dataclass(frozen=True)
class Spoilers:
    """A group of organisms that is generally held back below ``least_aw``."""

    group: str
    least_aw: float
    source: str = SPOILAGE_SOURCE


SPOILERS: tuple[Spoilers, ...] = (
    Spoilers("most spoilage bacteria and some yeasts", 0.95),
    Spoilers("lactic acid bacteria, some moulds and some yeasts", 0.91),
    Spoilers("many yeasts, Micrococcus", 0.87),
    Spoilers("most moulds, most Saccharomyces", 0.80),
    Spoilers("most halophiles, moulds that make mycotoxins (aspergilli)", 0.75),
    Spoilers("xerophilic moulds", 0.65),
    Spoilers("osmophilic yeasts, few moulds", 0.60),
)


@dataclass(frozen=True)
class Growth:
    """What may still grow, and what is below its limits of growth. ``notes`` belong to every answer."""

    aw: float
    """The water activity judged by: the measured one plus its uncertainty."""
    may_grow: tuple[Limits, ...]
    below_limits: tuple[Limits, ...]
    may_spoil: tuple[Spoilers, ...]
    notes: tuple[str, ...]

    def sentences(self) -> list[str]:
        """The answer in words, each organism with its source."""
        said = [f"{o.organism} may grow: from a water activity of {o.least_aw:g} on ({o.source})."
                for o in self.may_grow]  # fmt: skip
        said += [f"{o.organism} is outside its limits of growth ({o.source}); it may be there alive."
                 for o in self.below_limits]  # fmt: skip
        said += [f"May spoil it: {s.group}, from a water activity of {s.least_aw:g} on ({s.source})."
                 for s in self.may_spoil]  # fmt: skip
        return said + list(self.notes)


def allowed(aw: float, uncertainty: float, *, ph: float | None = None, ph_uncertainty: float = 0.0) -> Growth:
    """What a measured water activity (above 0 to 1) leaves able to grow, taken at its unsafe side: aw + uncertainty.

    ``ph``, 0 to 14, is taken anywhere within its uncertainty; unknown, only water activity counts. A value just at a
    limit may grow. Raises Unusable for values that mean nothing.
    """
    measured = number(aw, "aw", above=0)
    if measured > 1:
        raise Unusable(f"A water activity is at most 1, it is {measured:g}.", code="out-of-range", field="aw")
    judged = min(1.0, measured + number(uncertainty, "uncertainty", least=0))
    span = None if ph is None else _span(ph, ph_uncertainty)
    may = tuple(o for o in LIMITS if judged >= o.least_aw - ROUNDING and _ph_allows(o, span))
    return Growth(
        judged,
        may,
        tuple(o for o in LIMITS if o not in may),
        tuple(s for s in SPOILERS if judged >= s.least_aw - ROUNDING),
        (*SURVIVAL, DEFER) if span else (*SURVIVAL, NO_PH, DEFER),
    )


def _span(ph: float, uncertainty: float) -> tuple[float, float]:
    middle, spread = number(ph, "ph", least=0), number(uncertainty, "ph_uncertainty", least=0)
    if middle > 14:
        raise Unusable(f"A pH is at most 14, it is {middle:g}.", code="out-of-range", field="ph")
    return middle - spread - ROUNDING, middle + spread + ROUNDING


def _ph_allows(limits: Limits, span: tuple[float, float] | None) -> bool:
    return span is None or (span[1] >= limits.least_ph and span[0] <= limits.most_ph)
