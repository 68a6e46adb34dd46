"""What 100 g of a material consist of, as one document: its shape, and everything that is wrong with it. Pure.

{"water": "22", "water_uncertainty": "1", "tolerance": "0.5",
 "dissolved": [{"solute": "sucrose", "grams": "30"},
               {"solute": "maltose", "grams": "48", "kind": "sugar", "molar_mass": "342.3",
                "norrish": {"k": "4.5", "highest": "0.5", "source": "supplier's sheet"}}],
 "undissolved": {"fat": "0"},
 "glass": false}

Numbers are text, in grams. ``dissolved``: what dissolves in water, whether or not it does in the material itself.
``tolerance``: how far the parts may lie from 100. A solute that is not known here says its ``kind``, and its constants
each with the place they are written in; without them the models that need one cannot speak.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, get_args

from batches.quantities import parse_number
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable
from haccp.science.composition import NOT_DISSOLVED, NotDissolved
from haccp.science.solutes import SOLUTES, Grover, Kind, Norrish, Solute

MOST_SOLUTES = 40
LONGEST_NAME, LONGEST_SOURCE = 60, 300
WHOLE = 100

_DOCUMENT = {"water", "water_uncertainty", "tolerance", "dissolved", "undissolved", "glass"}
_KNOWN = {"solute", "grams"}
_OWN = _KNOWN | {"kind", "molar_mass", "norrish", "grover"}


@dataclass(frozen=True)
class Stated:
    """What 100 g consist of, in grams; the water within ``water_uncertainty``. ``glass``: known as one."""

    water: float
    water_uncertainty: float
    dissolved: tuple[tuple[Solute, float], ...]
    undissolved: Mapping[NotDissolved, float]
    glass: bool


def read(document: Any) -> Stated:
    """The document as values. Raises Unusable with every reason at once, each below the field ``document``."""
    reader = _Reader()
    stated = reader.stated(document)
    if reader.reasons:
        raise Unusable(
            "The composition cannot be kept so. Nothing was written.",
            code="composition",
            reasons=reader.reasons,
        )
    return stated


class _Reader:
    def __init__(self) -> None:
        self.reasons: list[Reason] = []

    def refuse(self, code: str, detail: str, field: str) -> None:
        self.reasons.append(Reason(code, detail, field))

    def stated(self, said: Any) -> Stated:
        if not isinstance(said, dict):
            said = {}
        self.names(said, _DOCUMENT, "document")
        water = self.grams(said, "water", "document")
        uncertainty = self.grams(said, "water_uncertainty", "document")
        tolerance = self.grams(said, "tolerance", "document")
        dissolved = self.dissolved(said.get("dissolved", []))
        undissolved = self.undissolved(said.get("undissolved", {}))
        glass = said.get("glass", False)
        if not isinstance(glass, bool):
            self.refuse("not-yes-or-no", "This is true or false.", "document.glass")
        parts = water + sum(grams for _, grams in dissolved) + sum(undissolved.values())
        if not self.reasons and abs(parts - WHOLE) > tolerance:
            sentence = f"The parts of 100 g come to {parts:f} g; {tolerance:f} g may differ."
            self.refuse("does-not-sum", sentence, "document")
        return Stated(
            float(water),
            float(uncertainty),
            tuple((solute, float(grams)) for solute, grams in dissolved),
            {kind: float(grams) for kind, grams in undissolved.items()},
            glass is True,
        )

    def names(self, said: dict[str, Any], known: set[str], field: str) -> None:
        for name in sorted(set(said) - known, key=str):
            sentence = f"{str(name)[:40]!a} is not known here; known: {', '.join(sorted(known))}."
            self.refuse("unknown-field", sentence, f"{field}.{name}"[:200])

    def number(self, said: dict[str, Any], name: str, field: str) -> Decimal | None:
        """A number of 0 or more that must be there, or None and the reason."""
        try:
            return parse_number(said.get(name, ""), field=f"{field}.{name}", signed=False)
        except Unusable as refusal:
            self.reasons += refusal.reasons
            return None

    def grams(self, said: dict[str, Any], name: str, field: str) -> Decimal:
        """Of 100 g, so at most 100; 0 where it cannot be read."""
        value = self.number(said, name, field)
        if value is not None and value > WHOLE:
            sentence = f"Of 100 g this cannot be over 100 g, it is {value:f}."
            self.refuse("out-of-range", sentence, f"{field}.{name}")
        return value or Decimal(0)

    def undissolved(self, said: Any) -> dict[NotDissolved, Decimal]:
        if not isinstance(said, dict):
            self.refuse("shape", "This is one object: grams by what it is.", "document.undissolved")
            return {}
        self.names(said, set(NOT_DISSOLVED), "document.undissolved")
        return {
            kind: self.grams(said, kind, "document.undissolved") for kind in NOT_DISSOLVED if kind in said
        }

    def dissolved(self, said: Any) -> list[tuple[Solute, Decimal]]:
        field = "document.dissolved"
        if not isinstance(said, list) or len(said) > MOST_SOLUTES:
            self.refuse("shape", f"This is a list of at most {MOST_SOLUTES} solutes.", field)
            return []
        found: list[tuple[Solute, Decimal]] = []
        for index, each in enumerate(said):
            place = f"{field}.{index}"
            if not isinstance(each, dict):
                self.refuse("shape", "A solute is one object.", place)
                continue
            solute = self.solute(each, place)
            grams = self.grams(each, "grams", place)
            if solute is None:
                continue
            if any(solute.name == other.name for other, _ in found):
                self.refuse("doubled", f"{solute.name} stands twice.", f"{place}.solute")
            found.append((solute, grams))
        return found

    def solute(self, said: dict[str, Any], field: str) -> Solute | None:
        name = said.get("solute")
        if not isinstance(name, str) or not is_one_line(name, LONGEST_NAME):
            self.refuse("missing", f"Name it in one line of at most {LONGEST_NAME}.", f"{field}.solute")
            return None
        if name in SOLUTES:
            self.names(said, _KNOWN, field)
            return SOLUTES[name]
        if "kind" not in said:
            sentence = (
                f"{name!a} is none we know: {', '.join(SOLUTES)}. Another says its kind, and its constants "
                "with the place they are written in."
            )
            self.refuse("unknown-solute", sentence, f"{field}.solute")
            return None
        return self.own(name, said, field)

    def own(self, name: str, said: dict[str, Any], field: str) -> Solute | None:
        """A solute the house brings its constants for."""
        before = len(self.reasons)
        self.names(said, _OWN, field)
        kind = said["kind"]
        if kind not in get_args(Kind):
            self.refuse("unknown-name", f"It is one of: {', '.join(get_args(Kind))}.", f"{field}.kind")
        mass = self.positive(said, "molar_mass", field) if "molar_mass" in said else None
        norrish = self.constants(said, "norrish", ("k", "highest"), field)
        grover = self.constants(said, "grover", ("factor",), field)
        if norrish and norrish[0]["highest"] > 1:
            self.refuse("out-of-range", "A mass fraction is at most 1.", f"{field}.norrish.highest")
        if len(self.reasons) > before:
            return None
        return Solute(
            name,
            kind,
            mass,
            None if norrish is None else Norrish(norrish[0]["k"], norrish[0]["highest"], norrish[1]),
            None if grover is None else Grover(grover[0]["factor"], grover[1]),
        )

    def constants(
        self, said: dict[str, Any], name: str, wanted: tuple[str, ...], field: str
    ) -> tuple[dict[str, float], str] | None:
        """Constants and where they are written, or None where there are none, or none that can be read."""
        if name not in said:
            return None
        given, place = said[name], f"{field}.{name}"
        if not isinstance(given, dict):
            self.refuse("shape", f"This is one object: {', '.join(wanted)} and source.", place)
            return None
        before = len(self.reasons)
        self.names(given, {*wanted, "source"}, place)
        read = {each: self.positive(given, each, place) for each in wanted}
        source = given.get("source")
        if not is_one_line(source, LONGEST_SOURCE):
            self.refuse("missing", "Say where the constant is written.", f"{place}.source")
        if len(self.reasons) > before:
            return None
        return {each: value for each, value in read.items() if value is not None}, str(source)

    def positive(self, said: dict[str, Any], name: str, field: str) -> float | None:
        value = self.number(said, name, field)
        if value is not None and value == 0:
            self.refuse("not-positive", "This must be above 0.", f"{field}.{name}")
        return None if value is None else float(value)
