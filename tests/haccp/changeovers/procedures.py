"""Cleaning procedures for the tests: one that can be approved, and changes of it."""

import copy
from typing import Any

FAO_WHO = {"dose_set": "FAO/WHO", "dated": "2022", "source": "FAO/WHO expert consultation, part 2 (read)"}
WET: dict[str, Any] = {
    "method": "wet",
    "minutes": "45",
    "equipment_kinds": ["table", "kettle"],
    "steps": [
        {"code": "SCRAPE", "what": "Scrape down to the bare plate", "by": "scrape"},
        {"code": "WASH", "what": "Wash with hot water and detergent", "by": "wash"},
        {"code": "DRY", "what": "Dry until nothing shines", "by": "dry"},
    ],
    "clears": {"allergens": ["hazelnut", "milk"], "microbiological": False, "foreign-bodies": True},
    "verify": [
        {"by": "visual", "where": "Whole plate, seams, legs"},
        {"by": "swab", "allergens": ["hazelnut", "milk"], "where": "Four corners"},
    ],
    "levels": {
        "eaten_g": "40",
        "doses": [
            {"allergen": "milk", "mg": "2.0", **FAO_WHO},
            {"allergen": "hazelnut", "mg": "3.0", **FAO_WHO},
        ],
    },
    "validation": "Three runs of January 2026 after hazelnut paste; swabs in report 7.",
}


def wet(**changes: Any) -> dict[str, Any]:
    """The procedure with parts of it said otherwise; None leaves a part out."""
    made = copy.deepcopy(WET) | changes
    return {name: value for name, value in made.items() if value is not None}


def dry(**changes: Any) -> dict[str, Any]:
    """Quicker, for milk only, and shown by a look."""
    quick: dict[str, Any] = {
        "method": "dry",
        "minutes": "15",
        "steps": [{"code": "VAC", "what": "Vacuum all crumbs", "by": "vacuum"}],
        "clears": {"allergens": ["milk"], "microbiological": False, "foreign-bodies": False},
        "verify": [{"by": "visual", "where": "All of it"}],
        "levels": None,
    }
    return wet(**(quick | changes))
