"""Whether sentences that records keep in English are read back into what they were made of, and said in Spanish."""

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
from django.utils import translation

from config.api.refusals import Refusal
from haccp import bounds, limits, rule_files
from haccp.limit_kinds import (
    CoolingLimit,
    CoolingWindow,
    CountLimit,
    LethalityLimit,
    ObservationLimit,
    RangeLimit,
    ResidueLimit,
    TimeLimit,
)
from haccp.limits import Rule
from haccp.readings import read
from haccp.said import Said
from haccp.science import boiling, salts, water_activity
from haccp.science.answers import Computed
from haccp.science.lethality import Matrix
from reports import kept_patterns, kept_sentences
from tests.reports.test_spanish import OF_ENGLISH
from tests.reports.test_spanish_sentences import mixes

BOIL = RangeLimit(
    "core temperature", "CEL", lower=Decimal(118), upper=Decimal(122), operating_lower=Decimal(119)
)
DRY = RangeLimit("water activity", "C62", upper=Decimal("0.6"), operating_upper=Decimal("0.5"))
TIP = ObservationLimit("filo", ("entero",), ("entero", "roto"), reference="ficha K-2")
BARE_TIP = ObservationLimit("filo", ("entero",), ("entero", "roto"))
HELD = TimeLimit("core temperature", "MIN", Decimal(90), "CEL", "at_or_above", Decimal(5), lower=Decimal(4))
AT_MOST = TimeLimit(
    "core temperature", "MIN", Decimal(10), "CEL", "at_or_below", Decimal(5), upper=Decimal(1)
)
COOLED = CoolingLimit(
    "core temperature", "MIN", "CEL", Decimal(57), (CoolingWindow("core temperature, to 21", "MIN", Decimal(21), Decimal(2)),),
    Decimal(5),
)  # fmt: skip
MILK = ResidueLimit("residue of milk", "NA", Decimal("2.5"), "milk", "protein of milk")
RULE = Rule("XX-1", "water activity", "C62", "Reg (EU) 2023/915, Annex I 1.1", upper=Decimal("0.55"))


def heat(kind: Matrix, unit: str) -> LethalityLimit:
    return LethalityLimit(
        quantity="core temperature", unit=unit, reference_temperature=Decimal(70), z=Decimal(10), temperature_unit="CEL",
        lower=Decimal(2), organism="Salmonella", food="masa", food_kind=kind, product_kind=kind, data_source="libro",
        validation="ensayo 3", studied_from=Decimal(60), studied_to=Decimal(90), longest_gap_minutes=Decimal(5),
        d_minutes=Decimal("0.5"),
    )  # fmt: skip


def course(*points: tuple[int, str]) -> dict[str, Any]:
    at = [{"at": f"2026-03-02T08:{minute:02d}:00+01:00", "value": value} for minute, value in points]
    return {"unit": "CEL", "points": at}


def value(number: str, unit: str) -> dict[str, Any]:
    return {"value": number, "unit": unit}


HOT = course((0, "20"), (3, "95"), (6, "95"), (9, "40"))
GAPPED = course((0, "95"), (3, "95"), (50, "95"), (53, "95"))
FALLING = course((0, "80"), (2, "40"), (4, "15"), (6, "30"))
JUDGED: list[tuple[Any, dict[str, Any]]] = [
    *((BOIL, value(number, "CEL")) for number in ("117", "118.5", "120", "125")),
    (BOIL, value("250", "FAH")),
    (BOIL, HOT),
    (BOIL, GAPPED),
    *((DRY, value(number, "C62")) for number in ("0.3", "0.52", "0.58", "0.7", "<0.62")),
    *((limit, {"outcome": outcome}) for limit in (TIP, BARE_TIP) for outcome in ("entero", "roto")),
    *(
        (CountLimit("cuchillas"), {"counted_out": str(out), "counted_in": str(back)})
        for out, back in ((9, 9), (9, 8), (8, 9), (0, 0))
    ),
    *((limit, said) for limit in (HELD, AT_MOST, COOLED) for said in (HOT, GAPPED, FALLING)),
    *((heat(kind, unit), said) for kind, unit in ((Matrix.NUTS, "MIN"), (Matrix.MOIST, "C62")) for said in (HOT, GAPPED)),
    *((MILK, value(number, "NA")) for number in ("1", "2.5", "9", "<1")),
]  # fmt: skip
RULES: list[tuple[Rule, ...]] = [
    (),
    (RULE,),
    (Rule("XX-2", "Water activity", "C62", "Reg (EU) 828/2014, Annex", lower=Decimal("0.2"), trigger=True),),
    (Rule("XX-3", "water activity", "CEL", "libro", upper=Decimal(5)),
     Rule("XX-4", "water activity", "C62", "libro", lower=Decimal(2))),
    (Rule("XX-5", "core temperature", "MIN", "libro", upper=Decimal(5)),),
]  # fmt: skip


def judgements() -> Iterator[limits.Judgement]:
    for limit, said in JUDGED:
        reading = read({"quantity": limit.quantity, **said}, field="")
        for rules in RULES:
            for guard in limits.GUARDS:
                for band in (None, Decimal(1)):
                    yield limits.judge(reading, bounds.in_force(limit, rules), uncertainty=band, guard=guard)


def in_spanish(text: str) -> str:
    with translation.override("es"):
        return kept_sentences.kept(text)


def test_what_any_judgement_said_and_warned_of_is_said_in_spanish() -> None:
    kept = {text for each in judgements() for text in (each.sentence, each.warning) if text}
    assert len(kept) > 100
    unknown = {
        text
        for text in kept
        if not all(isinstance(part, Said) for part in kept_sentences._read(text, kept_patterns.SENTENCES))
    }
    told = {text: in_spanish(text) for text in kept}
    assert unknown == set()
    assert {text: said for text, said in told.items() if OF_ENGLISH.search(said) or "registró" in said} == {}


def test_what_is_read_back_is_the_text_that_was_kept() -> None:
    kept = {text for each in judgements() for text in (each.sentence, each.warning) if text}
    assert {
        text for text in kept if " ".join(kept_sentences._read(text, kept_patterns.SENTENCES)) != text
    } == set()


def test_in_english_nothing_of_it_is_touched() -> None:
    with translation.override("en"):
        assert kept_sentences.kept("Off by 1 °C. Whatever.") == "Off by 1 °C. Whatever."


def test_what_nobody_knows_stays_and_is_marked_as_recorded() -> None:
    assert in_spanish("Off by 1 °C. The cat sat on it. Margin 2 kg.") == (
        "Fuera por 1 °C. The cat sat on it. (tal como se registró) Margen: 2 kg."
    )


def test_what_somebody_noted_behind_a_sentence_of_the_service_stays_without_a_mark() -> None:
    with translation.override("es"):
        assert kept_sentences.noted("Brought in from lots.csv, line 2. Sacks were wet.") == (
            "Incorporado desde lots.csv, línea 2. Sacks were wet."
        )


@pytest.mark.parametrize(
    "typed", ["ended", "step back first", "Tuesday:\n\nwe looked.  Nothing found.", "made 3 kg of lot 4"]
)
def test_what_somebody_typed_is_left_as_it_is_to_the_last_space(typed: str) -> None:
    with translation.override("es"):
        assert kept_sentences.noted(typed) == typed


TITLES = {
    "CP-1 Blätter, Messer: Counted out 3, in 2 (Blätter): 1 missing. "
    "Stop, keep what it touched apart, and tell the food-safety lead.": "CP-1 Blätter, Messer: Contados a la salida 3",
    "CP-1 Blätter, kalt, day 2026-03-02, every 30 min, 2: not checked in time on batch B-1.": (
        "CP-1 Blätter, kalt, día 2026-03-02, cada 30 min, 2: no se controló a tiempo en la partida B-1."
    ),
    "Lot L-1 shipped: The lot was shipped without being released.": (
        "Lote L-1 expedido: El lote se expidió sin estar liberado."
    ),
    "Recall notice of Nuss AG: Wir rufen zurück.": "Aviso de retirada de Nuss AG: Wir rufen zurück.",
    "A released changeover of D1 shows nothing any more, and batches ran since. A verification found it outside afterwards.": (
        "Un cambio de producto liberado de D1 ya no demuestra nada, y desde entonces hubo partidas. "
        "Una verificación posterior dio un resultado fuera de lo exigido."
    ),
    "Batch B-1 was started without permission: Something new is in the way.": (
        "La partida B-1 se empezó sin permiso: Something new is in the way. (tal como se registró)"
    ),
    "Corrected: lot L-1 shipped: the label no longer holds for L-2, L-3 and 4 more.": (
        "Corregido: lote L-1 expedido: la etiqueta ya no vale para L-2, L-3 y 4 más."
    ),
    "Corrected: lot L-1 shipped: hazelnut, milk not declared on L-2, L-3; "
    "nobody states any more what was relied on for L-4 and 2 more.": (
        "Corregido: lote L-1 expedido: avellana, leche sin declarar en L-2, L-3; nadie declara ya aquello"
    ),
    "No changeover is on record between batch B-1 and batch B-2 on TABLE: left milk, hazelnut, which Drops does not declare.": (
        "No consta ningún cambio de producto entre la partida B-1 y la partida B-2 en TABLE: quedó leche, avellana"
    ),
}


@pytest.mark.parametrize("kept", TITLES)
def test_what_opened_a_case_is_told_in_spanish(kept: str) -> None:
    assert in_spanish(kept).startswith(TITLES[kept])


# -- limits of a draft ---------------------------------------------------------------------------------

LETHAL = {"kind": "lethality", "quantity": "q", "unit": "C62", "temperature_unit": "CEL", "lower": "1"}
WRONG: list[dict[str, Any]] = [
    {"kind": "none"},
    *({"kind": kind} for kind in
      ("range", "observation", "time_at_temperature", "lethality", "cooling", "residue", "count", "all_of")),
    {"kind": "range", "quantity": "q", "unit": "C62"},
    {"kind": "range", "quantity": "q", "unit": "C62", "lower": "3", "upper": "2"},
    {"kind": "range", "quantity": "q", "unit": "C62", "lower": "x", "upper": "1,5"},
    {"kind": "range", "quantity": "q", "unit": "C62", "lower": 3, "upper": "1" * 16, "lower_inclusive": "so"},
    {"kind": "range", "quantity": "q", "unit": "C62", "upper": "3", "operating_upper": "4", "uper": "3", "zzz": "1"},
    {"kind": "range", "quantity": "q", "unit": "C62", "lower": "3", "operating_lower": "2", "asks": ["weather"]},
    {"kind": "observation", "quantity": "q", "accepted": ["a"], "outcomes": ["a"]},
    {"kind": "time_at_temperature", "quantity": "q", "unit": "KGM", "temperature": "1", "temperature_unit": "MIN"},
    {"kind": "time_at_temperature", "quantity": "q", "unit": "MIN", "temperature": "1", "temperature_unit": "CEL",
     "side": "at_or_above", "longest_gap_minutes": "5"},
    {**LETHAL, "unit": "KGM", "studied_from": "90", "studied_to": "60", "d_minutes": "0"},
    {**LETHAL, "food_kind": "nuts", "product_kind": "chocolate", "reference_temperature": "70", "z": "-1"},
    {**LETHAL, "food_kind": "nuts", "product_kind": "sugar mass"},
    {**LETHAL, "food_kind": "nuts", "product_kind": "other dry food"},
    {"kind": "cooling", "quantity": "q", "unit": "MIN", "temperature_unit": "CEL", "begins_at": "57", "longest_gap_minutes": "5",
     "windows": [{"to": "60", "upper": "3"}, {"to": "20", "upper": "2"}]},
    {"kind": "cooling", "quantity": "q", "unit": "MIN", "temperature_unit": "CEL", "begins_at": "57", "windows": [{"uper": "1"}]},
    {"kind": "residue", "quantity": "q", "unit": "NA", "upper": "-1", "swab_square_cm": "-1"},
    {"kind": "all_of", "quantity": "q", "members": [{"kind": "count", "quantity": "a"}, {"kind": "count", "quantity": "a"}]},
]  # fmt: skip


def refusals() -> Iterator[str]:
    for wrong in WRONG:
        with pytest.raises(Refusal) as refused:
            limits.from_json(wrong)
        yield from (reason.detail for reason in refused.value.reasons)


def test_what_is_wrong_with_a_limit_by_itself_is_told_in_spanish() -> None:
    found = set(refusals())
    assert len(found) > 45
    with translation.override("es"):
        told = {text: kept_sentences.word(text) for text in found}
    assert {text: said for text, said in told.items() if said == text or OF_ENGLISH.search(said)} == {}


# -- where numbers come from ------------------------------------------------------------------------------


def sources() -> Iterator[str]:
    """Of the models and reference values that documents show, and of every rule that ships."""
    for mix in mixes():
        yield from (
            each.source for each in (mix.moisture, mix.band, *mix.models) if isinstance(each, Computed)
        )
    yield f"{salts.SOURCE}; NaCl at 25 °C"
    yield f"{boiling.WATER_SOURCE}; {boiling.ATMOSPHERE_SOURCE}; standard day at 300 m"
    yield water_activity.REFERENCE_SOURCE
    for name in rule_files.example_sets():
        yield from (row.cells["citation"] for row in rule_files.example_set(name))


OURS = re.compile(r"\b(read|memory|computed|seen|secondary|Annex|as amended|common practice|no source)\b")


def test_words_around_the_names_of_laws_and_publications_are_told_in_spanish() -> None:
    found = set(sources())
    assert len(found) > 25
    with translation.override("es"):
        assert {text for text in found if OURS.search(kept_sentences.cited(text))} == set()


def test_every_pattern_has_a_translation() -> None:
    patterns = {
        *kept_patterns.SENTENCES,
        *kept_patterns.LIMIT_REFUSALS,
        *kept_patterns.PHRASES,
        *kept_patterns.SOURCES,
    }
    alike = {"plan", "gluten", "%(head)s: %(sentences)s"}
    with translation.override("es"):
        assert {text for text in patterns if translation.gettext(text) == text} - alike == set()
