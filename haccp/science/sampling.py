"""What a sampling plan finds: the chance that a lot is accepted, how many samples, what a composite misses.

Two-class: accept with at most c bad units of n. Three-class: none above M, at most c between m and M.
Very large lot (binomial): Pa = sum C(n,i) p^i (1-p)^(n-i). A lot of N units (hypergeometric): whole counts, exact.
Definitions and check tables read; see tests/haccp/science/test_sampling_plans.py. Every figure supposes random samples and,
for composites, an even spread: a cluster in one corner is found less often.
"""

import math
from fractions import Fraction

from config.api.refusals import Unusable
from haccp.science.answers import Computed, exact, number, share

SOURCE = "binomial and hypergeometric distribution (definition; tables read)"
MODEL = "Chance that a lot is accepted"
RANDOM = "Supposes random samples. A lot that passes may still hold bad units."


def two_class(n: int, c: int, bad: float) -> Computed:
    """Chance (0 to 1) that at most ``c`` of ``n`` units are bad, a share ``bad`` being bad; very large lot."""
    units, allowed, p = _count(n, "n", 1), _count(c, "c"), share(bad, "share of bad units")
    chance = math.fsum(
        math.comb(units, i) * p**i * (1.0 - p) ** (units - i) for i in range(min(allowed, units) + 1)
    )
    return _chance(chance)


def two_class_lot(n: int, c: int, lot: int, bad: int) -> Computed:
    """The same for a lot of ``lot`` units of which ``bad`` are bad, drawn without putting back: exact."""
    return three_class_lot(n, c, lot, bad, 0)


def three_class(n: int, c: int, marginal: float, bad: float) -> Computed:
    """Chance of none above M and at most ``c`` between m and M; shares ``marginal`` and ``bad``; very large lot."""
    units, allowed = _count(n, "n", 1), _count(c, "c")
    pm, pb = share(marginal, "share of marginal units"), share(bad, "share of bad units")
    if pm + pb > 1.0 + 1e-12:  # a little slack: 0.7 + 0.3 is a shade above one in binary
        raise Unusable("Marginal and bad units are more than all.", code="out-of-range", field="marginal")
    good = max(1.0 - pm - pb, 0.0)
    chance = math.fsum(
        math.comb(units, i) * pm**i * good ** (units - i) for i in range(min(allowed, units) + 1)
    )
    return _chance(chance)


def three_class_lot(n: int, c: int, lot: int, marginal: int, bad: int) -> Computed:
    """The same for a lot of ``lot`` units, whole counts, drawn without putting back: exact."""
    size, units, allowed = _count(lot, "lot", 1), _count(n, "n", 1), _count(c, "c")
    between, above = _count(marginal, "marginal units"), _count(bad, "bad units")
    good = size - between - above
    if good < 0 or units > size:
        raise Unusable("The lot is smaller than what it should hold.", code="out-of-range", field="lot")
    ways = sum(math.comb(between, i) * math.comb(good, units - i) for i in range(min(allowed, units) + 1))
    return _chance(float(Fraction(ways, math.comb(size, units))))


def samples_needed(prevalence: float, confidence: float) -> Computed:
    """Smallest n that finds at least one bad unit with ``confidence``, a share ``prevalence`` being bad; c = 0.

    n = ln(1 - q) / ln(1 - p), rounded up; both between 0 and 1, ends left out.
    """
    p, q = _inside(prevalence, "prevalence"), _inside(confidence, "confidence")
    n = max(1, math.ceil(math.log1p(-q) / math.log1p(-p) - 1e-9))
    return exact(n, "C62", "Samples needed", "n = ln(1 - q) / ln(1 - p) (definition)", (RANDOM,))


def prevalence_found(n: int, confidence: float) -> Computed:
    """Smallest share of bad units that ``n`` samples find with ``confidence``: 1 - (1 - q)^(1/n)."""
    units, q = _count(n, "n", 1), _inside(confidence, "confidence")
    found = -math.expm1(math.log1p(-q) / units)
    return exact(found, "C62", "Prevalence found", "1 - (1 - q)^(1/n) (definition)", (RANDOM,))


def samples_needed_lot(lot: int, bad: int, confidence: float) -> Computed:
    """Smallest n that finds one of ``bad`` bad units in a lot of ``lot`` with ``confidence``: exact."""
    size, wrong, q = _count(lot, "lot", 1), _count(bad, "bad units", 1), _inside(confidence, "confidence")
    missing = Fraction(1)
    for drawn in range(size):
        missing *= Fraction(max(size - wrong - drawn, 0), size - drawn)
        if missing <= 1 - Fraction(str(q)):
            return exact(drawn + 1, "C62", "Samples needed", "hypergeometric (definition)", (RANDOM,))
    raise Unusable("The lot is smaller than what it should hold.", code="out-of-range", field="lot")


def composites(units: int, unit_g: float, composite_g: float) -> tuple[int, float]:
    """How many composites of at most ``composite_g`` the units make, and the mass tested in all (g)."""
    count, one, most = (
        _count(units, "units", 1),
        number(unit_g, "unit", above=0),
        number(composite_g, "composite", above=0),
    )
    if most < one:
        raise Unusable("A composite must hold at least one unit.", code="out-of-range", field="composite")
    return math.ceil(count / math.floor(most / one + 1e-9)), count * one


def chance_of_missing(tested_g: float, organisms_per_g: float) -> Computed:
    """Chance that ``tested_g`` holds no organism at all: exp(-mass x organisms per gram), spread evenly (Poisson)."""
    mass, density = (
        number(tested_g, "mass tested", above=0),
        number(organisms_per_g, "organisms per g", least=0),
    )
    even = "Supposes an even spread and a test that finds one organism; clusters are missed more often."
    return exact(math.exp(-mass * density), "C62", "Chance of missing", "Poisson (definition)", (even,))


def _chance(value: float) -> Computed:
    return exact(min(max(value, 0.0), 1.0), "C62", MODEL, SOURCE, (RANDOM,))


def _count(value: int, field: str, least: int = 0) -> int:
    if isinstance(value, bool) or int(value) != value:
        raise Unusable(f"{field} must be a whole number.", code="not-a-number", field=field)
    return int(number(value, field, least=least))


def _inside(value: float, field: str) -> float:
    given = number(value, field, above=0)
    if given >= 1:
        raise Unusable(f"{field} must be below 1, it is {given:g}.", code="out-of-range", field=field)
    return given
