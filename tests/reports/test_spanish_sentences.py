"""Whether sentences that pure rooms put together are told in Spanish in documents, and stay English as records keep them."""

import copy
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.utils import translation

from batches.recipe_documents import CookedTo
from haccp import (
    charting,
    drawing,
    histories,
    history_plots,
    mixing,
    plan_documents,
    predictions,
)
from haccp.allergens.content import Because, MixedIn, OnTheWay
from haccp.allergens.content import Path as Way
from haccp.bounds import Bound
from haccp.composition_documents import Stated
from haccp.said import Said
from haccp.science.answers import NotComputed
from haccp.science.solutes import SUCROSE, Solute
from reports import listing
from tests.reports.test_spanish import OF_ENGLISH, chunks


def in_spanish(text: str) -> str:
    with translation.override("es"):
        return listing.spoken(text)


def test_a_sentence_stays_english_as_text_and_is_translated_with_what_stands_in_it() -> None:
    told = Said("Left out: %(many)s of no batch.", many=Said("%(count)d readings", count=3))
    assert (str(told), in_spanish(told)) == (
        "Left out: 3 readings of no batch.",
        "Se omite: 3 lecturas sin partida.",
    )
    assert (type(json.loads(json.dumps({"told": told}))["told"]), in_spanish(copy.deepcopy(told))) == (
        str,
        in_spanish(told),
    )


def test_a_percent_sign_in_a_text_without_values_is_left_alone() -> None:
    assert in_spanish(Said("10 % of nothing known")) == "10 % of nothing known"


def measured(*values: float) -> list[charting.Measured]:
    first = datetime(2026, 3, 2, 8, tzinfo=UTC)
    return [
        charting.Measured(
            uuid4(),
            first + timedelta(hours=at),
            Decimal(str(value)),
            f"{value}",
            "CEL",
            "within",
            "118 to 122",
        )
        for at, value in enumerate(values)
    ]


def history_of(readings: list[charting.Measured], **asked: Any) -> histories.History:
    return histories.History(
        code="CCP-1",
        name="Kochen",
        quantity="Temperatur",
        unit="CEL",
        zone="Europe/Berlin",
        period="2026",
        readings=tuple(readings),
        apart=(),
        notes=(),
        charted=charting.charted(readings, charting.Asked(**asked)),
    )


STEADY = tuple(119 + 0.1 * (at % 3) for at in range(12))
SHIFTED = (*STEADY, 125.0)
CHARTED: dict[str, tuple[tuple[float, ...], dict[str, Any]]] = {
    "with signals": (SHIFTED, {"rules": "nelson"}),
    "of a baseline with a signal": (SHIFTED, {"baseline": 13}),
    "too few": (STEADY[:3], {}),
    "all the same": ((120.0,) * 12, {}),
    "by days": (STEADY, {"baseline_from": date(2026, 3, 2)}),
    "cusum": (SHIFTED, {"chart": "cusum", "target": 119, "slack": 0.1, "decision": 0.5}),
    "ewma": (SHIFTED, {"chart": "ewma", "target": 119, "sigma": 0.1, "weight": 0.2, "width": 3}),
    "of batches that are none": (STEADY, {"chart": "xbar-r", "subgroup_size": 3}),
    "cusum of nothing": ((), {"chart": "cusum", "target": 119, "slack": 0.1, "decision": 0.5}),
}


def test_a_band_of_capability_goes_from_one_number_to_the_other_in_spanish() -> None:
    bounds = {"lower": Bound(Decimal(118), True, "plan"), "upper": Bound(Decimal(122), True, "plan")}
    values = (119.0, 121.0, 120.0) * 4
    with translation.override("es"):
        words = " ".join(
            history_plots.plot_of(history_of([replace(each, **bounds) for each in measured(*values)])).words
        )
    assert re.search(r"Cp \d\.\d\d \(de \d\.\d\d a \d\.\d\d\); Cpk ", words)
    assert not OF_ENGLISH.search(words.replace("118 to 122", ""))


@pytest.mark.parametrize("case", CHARTED)
def test_a_chart_speaks_spanish_on_its_face_and_below_it(case: str) -> None:
    values, asked = CHARTED[case]
    with translation.override("es"):
        plot = history_plots.plot_of(history_of(measured(*values), **asked))
        page = drawing.svg(plot)
    assert [each for each in chunks(page) if OF_ENGLISH.search(each)] == []


def test_the_ways_of_allergens_are_told_in_spanish_and_kept_in_english() -> None:
    mixed = MixedIn(uuid4(), "SILO-1", datetime(2026, 3, 2, 8), "L-2")
    path = Way((OnTheWay(uuid4(), "L-1", mixed), OnTheWay(uuid4(), "L-3")))
    ways = (
        Because(path),
        Because(path, "B-1", uuid4(), "TABLE", uuid4()),
        Because(path, "B-1", uuid4(), line=3),
    )
    way = "L-1 (mezclado en SILO-1 desde 2026-03-02 08:00, sacado como L-2) -> L-3"
    assert [in_spanish(each.in_words) for each in (path, *ways)] == [
        way,
        f"según el proveedor ({way})",
        f"dejado en TABLE por la partida B-1 ({way})",
        f"por la línea 3 de la receta, de la que la partida B-1 no registra uso ({way})",
    ]
    assert str(ways[0]) == (
        "by the supplier's word (L-1 (mixed in SILO-1 since 2026-03-02 08:00, taken out as L-2) -> L-3)"
    )


BARE_PLAN: dict[str, Any] = {"title": "Karamellen"}
DRAFT: dict[str, Any] = {
    "team": [{"person": "Mara"}],
    "steps": [{"code": "S1", "to": ["S9"]}, {"code": "S1"}, {"code": "S2", "products": ["KKK"]}],
    "scales": {"likelihood": {"1": "selten"}},
    "hazards": [
        {"code": "H1", "likelihood": "7", "significant": True, "kind": "biological", "step": "S9"},
        {"code": "H2", "significant": True, "decision": {"q1": {"answer": False}}},
        {"code": "H3", "kind": "allergen", "decision": {"expert_reasoning": "Ja."}},
        {
            "code": "H4",
            "significant": True,
            "step": "S1",
            "decision": {"expert_reasoning": "Ja.", "outcome": "ccp"},
        },
    ],
    "control_points": [
        {"code": "C1", "kind": "ccp", "control": "process", "hazards": ["H3", "H8"], "materials": ["M9"]},
        {"code": "C2", "kind": "prp", "control": "supply-chain", "monitoring": {"when": {"per": "batch"}}},
        {
            "code": "C3",
            "kind": "oprp",
            "control": "process",
            "step": "S1",
            "hazards": ["H3"],
            "verification": [{"what": "Blick"}],
            "validation": {"on_site_within_days": "200"},
            "limits": [
                {"kind": "range", "quantity": "water activity", "unit": "C62", "upper": "0.6"},
                {"kind": "range", "quantity": "water activity", "unit": "CEL", "upper": "60"},
                {
                    "kind": "observation",
                    "quantity": "colour",
                    "accepted": ["hell"],
                    "outcomes": ["hell", "dunkel"],
                },
            ],
        },
    ],
    "not_critical": [{"what": "Sieb"}],
    "verification": [{"what": "Blick"}],
}


@pytest.mark.parametrize("document", [BARE_PLAN, DRAFT], ids=["bare", "half done"])
def test_what_a_draft_lacks_is_told_in_spanish(document: dict[str, Any]) -> None:
    assert plan_documents.errors(document) == []
    english = plan_documents.gaps(document)
    assert len(english) > 10
    same = [each.detail for each in english if in_spanish(each.detail) == each.detail]
    mixed = [text for each in english if OF_ENGLISH.search(text := in_spanish(each.detail))]
    assert (same, mixed) == ([], [])


def test_a_gap_begins_with_a_capital_in_every_language() -> None:
    [gap] = [each for each in plan_documents.gaps(BARE_PLAN) if each.code == "no-team"]
    assert gap.detail == "Team: name the people who made the plan."
    assert in_spanish(gap.detail) == "Equipo: nombre a las personas que hicieron el plan."


def mixes() -> Iterator[mixing.Mix]:
    """Thin, thick, dry, with crystals, of other solutes, and those of which something is not known."""
    sugar = Stated(
        water=0.1, water_uncertainty=0.05, dissolved=((SUCROSE, 99.9),), undissolved={}, glass=False
    )
    glassy, water = replace(sugar, glass=True), replace(sugar, water=99.9, dissolved=((SUCROSE, 0.1),))
    honey = replace(sugar, dissolved=((Solute("Honig", "sugar", None), 99.9),))
    salt = replace(sugar, dissolved=((Solute("Salz", "salt", 58.4), 99.9),))
    grained = replace(sugar, dissolved=((SUCROSE, 49.9),), undissolved={"sucrose crystals": 50.0})
    to = CookedTo(moisture=Decimal(5), total=None, uncertainty=Decimal(1))
    for stated in (sugar, glassy, honey, salt, grained):
        for share in (0.1, 0.5, 0.65, 0.69, 0.9):
            parts = [("Zucker", share, stated), ("Wasser", 1 - share, water)]
            yield mixing.mixed([mixing.Ingredient(*part) for part in parts], to if share == 0.9 else None)
    yield mixing.mixed([], None)
    yield mixing.mixed([mixing.Ingredient("A", 1.0, None), mixing.Ingredient("B", None, sugar)], None)
    yield mixing.mixed([mixing.Ingredient("Zucker", 1.0, sugar)], to)
    by_mass = CookedTo(moisture=None, total=Decimal(1), uncertainty=Decimal(0))
    yield mixing.mixed([mixing.Ingredient("Zucker", 1.0, sugar)], by_mass, caramelised=True)


def measured_as(quantity: str, value: float, **how: Any) -> predictions.Measured:
    unit = "P1" if quantity == "moisture" else "C62"
    blank: dict[str, Any] = {"uncertainty": None, "method": "", "sample_temperature": "", "below": False}
    at = datetime(2026, 3, 2, 8, tzinfo=UTC)
    return predictions.Measured(
        check=uuid4(),
        at=at,
        quantity=quantity,
        entered=str(value),
        unit=unit,
        value=value,
        **(blank | how),
    )


def test_what_models_say_of_a_mix_and_of_what_was_measured_is_told_in_spanish() -> None:
    found = [
        measured_as("water activity", 0.99, method="Taupunkt", sample_temperature="21 CEL"),
        measured_as("water activity", 0.2, uncertainty=0.01),
        measured_as("moisture", 34.9),
    ]
    told: set[str] = set()
    for mix in mixes():
        answers = [each for each in (mix.moisture, mix.band, *mix.models) if isinstance(each, NotComputed)]
        told |= {in_spanish(each.sentence) for each in answers} | set(map(in_spanish, mix.notes))
        told |= {in_spanish(each.sentence) for each in predictions.gaps(mix, found)}
    assert len(told) > 40
    assert {each for each in told if OF_ENGLISH.search(each)} == set()
