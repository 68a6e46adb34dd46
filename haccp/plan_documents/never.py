"""What no plan of this trade may rest on: heat that is none, figures of another food, one sample as a release.

Sources: in peanut butter D70 of Salmonella is 31 min and z 44.5 degC (journal abstract 2020, read), in milk chocolate
D70 is 47 min at aw 0.23 (journal abstract 2022, read), and survivors tail off, so that a log-linear figure says more
than it keeps; moist-meat tables say nothing of such food. A sample finds what is rare only by luck (the arithmetic of
sampling plans). The words looked for are ours: a plan that names its food otherwise is for its readers to stop.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Any

from haccp.plan_documents.spots import Gap, Spot, filled
from haccp.said import Said
from haccp.science.lethality import MOIST, Matrix

_DRY = re.compile(
    r"\b(chocolates?|couverture|cocoa|caramels?|sugars?|syrups?|toffees?|nougats?|pralines?|brittles?|fudges?|honey|slabs?|"
    r"\w*nuts?|almonds?|pistachios?|pecans?|cashews?|pastes?|\w*butters?)\b",
    re.IGNORECASE,
)
_MEAT = re.compile(
    r"\b(meats?|beef|pork|ham|poultry|chicken|turkey|fish|FSIS|appendix A)\b|egg products?", re.IGNORECASE
)
_NEGATIVE = re.compile(
    r"\b(negative|not found|not detected|none found|none detected|absent|absence|no salmonella|no growth|no listeria)\b",
    re.IGNORECASE,
)
_CHOCOLATE = re.compile(r"\b(chocolates?|couverture)\b", re.IGNORECASE)
_ROAST = re.compile(r"\b(roast\w*|beans?|nibs?)\b", re.IGNORECASE)
CHOCOLATE = Said(
    "warm chocolate is no kill step, whatever is shown: over 30 h at 71 °C for five logs of Salmonella (secondary text, "
    "read). Use chocolate that had its kill step before, and control it at receipt."
)
_DRY_KINDS = frozenset(set(Matrix) - MOIST)
_TEMPERATURES = {"CEL", "FAH", "KEL"}


def never_gaps(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    """Where a control point rests on what does not hold."""
    if not _of_kind(spot, point, "biological"):
        return
    validated = filled(point.get("validation", {}).get("evidence"))
    for number, limit in enumerate(point.get("limits", [])):
        for each in (limit, *limit.get("members", [])):
            yield from _heat(spot.at("limits", number), each, _told(spot, point, each), validated)
    if point.get("control") != "supply-chain" and _samples_alone(point):
        yield spot.gap(
            8,
            "sample-as-release",
            "a sample without a finding is no release: control the hazard before it, and keep the samples under "
            "verification.",
            "limits",
        )


def _heat(spot: Spot, limit: Mapping[str, Any], told: str, validated: bool) -> Iterator[Gap]:
    """Heat counted against microbes in dry, sweet or fatty food."""
    if not _is_heat(limit) or not (_DRY.search(told) or _says_dry(limit)):
        return
    source = limit.get("source", {})
    if _MEAT.search(
        " ".join(str(part) for part in (limit.get("data_source"), source.get("citation")) if part)
    ):
        yield spot.gap(
            8,
            "figures-of-another-food",
            "figures of moist meat say nothing of nuts, sugar or chocolate; use a study of this food.",
        )
    if _is_warm_chocolate(limit, told):
        yield spot.gap(8, "chocolate-no-kill-step", CHOCOLATE)
    elif not validated:
        yield spot.gap(
            11,
            "heat-not-validated",
            "hot sugar, caramel, warm chocolate and nut paste are no kill step, and figures from a book do not make "
            "them one: give the site's own validation as evidence of this control point, or control the hazard "
            "elsewhere.",
        )


def _is_heat(limit: Mapping[str, Any]) -> bool:
    kind = limit.get("kind")
    if kind == "lethality":
        return True
    if kind == "time_at_temperature":
        return limit.get("side") == "at_or_above" and filled(limit.get("lower"))
    return kind == "range" and limit.get("unit") in _TEMPERATURES and filled(limit.get("lower"))


def _is_warm_chocolate(limit: Mapping[str, Any], told: str) -> bool:
    """Melted or tempered chocolate; the roast of what it is made of is another step."""
    said = limit.get("kind") == "lethality" and limit.get("product_kind") == Matrix.CHOCOLATE
    return said or (_CHOCOLATE.search(told) is not None and _ROAST.search(told) is None)


def _says_dry(limit: Mapping[str, Any]) -> bool:
    """Whether a lethality itself says that it is of a dry or fatty food, whatever it calls it."""
    return limit.get("kind") == "lethality" and limit.get("product_kind") in _DRY_KINDS


def _told(spot: Spot, point: Mapping[str, Any], limit: Mapping[str, Any]) -> str:
    """What is heated: the food of a lethality, else whatever words the limit, the point and its step have."""
    if filled(limit.get("food")):
        return str(limit["food"])
    step: Mapping[str, Any] = next(
        (each for each in spot.document.get("steps", []) if each["code"] == point.get("step")), {}
    )
    return " ".join(
        str(part) for part in (limit.get("quantity"), point.get("name"), step.get("name")) if part
    )


def _samples_alone(point: Mapping[str, Any]) -> bool:
    """Whether everything that decides here is a test that found nothing."""
    decides = [each for limit in point.get("limits", []) for each in limit.get("members") or [limit]]
    return bool(decides) and all(_NEGATIVE.search(" ".join(each.get("accepted", []))) for each in decides)


def _of_kind(spot: Spot, point: Mapping[str, Any], kind: str) -> bool:
    named = point.get("hazards", [])
    return any(
        each["code"] in named and each.get("kind") == kind for each in spot.document.get("hazards", [])
    )
