"""A cleaning procedure as one document: its shape, and everything that is wrong with it. Pure, no Django.

{"method": "wet", "minutes": "45", "equipment_kinds": ["table"],
 "steps": [{"code": "SCRAPE", "what": "Scrape down to the bare plate", "by": "scrape"},
           {"code": "WASH", "what": "Wash with hot water and detergent", "by": "wash"}],
 "clears": {"allergens": ["hazelnut", "milk"], "microbiological": false, "foreign-bodies": true},
 "verify": [{"by": "visual", "where": "whole plate, seams, legs"},
            {"by": "swab", "allergens": ["hazelnut", "milk"], "where": "four corners, worst place"}],
 "levels": {"eaten_g": "40", "doses": [{"allergen": "milk", "mg": "2.0", "dose_set": "...", "dated": "2022",
                                        "source": "..."}, ...]},
 "validation": "Three runs of 2026-01-12 to 14, worst case of hazelnut paste, swabs in report 7."}

Numbers are text. ``by`` of a step says what it does; only what takes the food away clears an allergen, and heat takes
none away. ``verify``: what must be shown each time, and how; ATP and total protein show cleanliness and no allergen.
``eaten_g``: the most that one person eats at once of any product made after it. A dose names its set and its date;
doses of two sets are never mixed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from batches.quantities import parse_number
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable
from haccp.changeovers.scopes import ALL, Scope
from haccp.science.answers import NotComputed
from haccp.science.residues import ReferenceDose, action_levels

METHODS = ("wet", "dry", "push-through", "other")
TAKES_AWAY = ("scrape", "brush", "vacuum", "wash", "rinse", "wipe", "flush")
OTHER_STEPS = ("take-apart", "disinfect", "heat", "dry", "look", "other")
CLEANLINESS = ("atp", "protein")
SHOWS_ALLERGENS = ("visual", "rinse", "swab")
MEASURED = ("rinse", "swab")
MOST_ITEMS, LONGEST_CODE, LONGEST, LONGEST_TEXT = 100, 20, 300, 4000
MOST_MINUTES = 10_080  # a week: more is a slip of the pen (a site setting, no source)

HEAT = "Heat takes no allergen away: name a step that takes the food itself away ({}), or do not claim to clear allergens."
WARM = "What is pushed through kills no microbe, also where it is warm: do not claim it."


@dataclass(frozen=True)
class Step:
    code: str
    what: str
    by: str


@dataclass(frozen=True)
class Asked:
    """What must be shown each time. ``allergens`` None: all that the procedure clears; ``upper``: of cleanliness."""

    by: str
    where: str
    allergens: frozenset[str] | None = None
    upper: Decimal | None = None
    unit: str = ""

    def shows(self, allergen: str) -> bool:
        return self.by in SHOWS_ALLERGENS and (self.allergens is None or allergen in self.allergens)


@dataclass(frozen=True)
class Dose:
    dose: ReferenceDose
    dated: str


@dataclass(frozen=True)
class Procedure:
    """A procedure that can be approved. ``doses`` by allergen; ``eaten_g`` None where none is needed."""

    method: str
    minutes: Decimal
    equipment_kinds: tuple[str, ...]
    steps: tuple[Step, ...]
    clears: Scope
    verify: tuple[Asked, ...]
    eaten_g: Decimal | None
    doses: Mapping[str, Dose]
    validation: str

    def is_for(self, kind: str) -> bool:
        """Whether it is meant for a kind of equipment; one that names none is for any."""
        return not self.equipment_kinds or kind in self.equipment_kinds


def read(document: Any) -> Procedure | list[Reason]:
    """The procedure, or everything that stands between the document and approval, in its order."""
    reader = _Reader()
    procedure = reader.procedure(document if isinstance(document, dict) else {})
    reader.weigh(procedure)
    return reader.reasons or procedure


def allergens_named(document: Any) -> dict[str, list[str]]:
    """By field: every allergen a document names where one may stand, also in one that cannot be read otherwise."""
    if not isinstance(document, dict):
        return {}
    found = {"clears.allergens": _list_in(document.get("clears"), "allergens")}
    for number, each in enumerate(_list_in(document, "verify")):
        found[f"verify.{number}.allergens"] = _list_in(each, "allergens")
    doses = _list_in(document.get("levels"), "doses")
    for number, each in enumerate(doses):
        found[f"levels.doses.{number}.allergen"] = [each.get("allergen")] if isinstance(each, dict) else []
    return {field: [code for code in codes if isinstance(code, str)] for field, codes in found.items()}


def _list_in(said: Any, name: str) -> list[Any]:
    value = said.get(name) if isinstance(said, dict) else None
    return value if isinstance(value, list) else []


NAMES = {
    "method",
    "minutes",
    "equipment_kinds",
    "steps",
    "clears",
    "verify",
    "levels",
    "validation",
}


class _Reader:
    def __init__(self) -> None:
        self.reasons: list[Reason] = []

    def refuse(self, code: str, detail: str, field: str) -> None:
        self.reasons.append(Reason(code, detail, field))

    # -- shape ----------------------------------------------------------------------------------------

    def procedure(self, said: dict[str, Any]) -> Procedure:
        self.known(said, NAMES, "")
        eaten, doses = self.levels(said.get("levels"))
        return Procedure(
            method=self.one_of(said, "method", METHODS, ""),
            minutes=self.number(said, "minutes", "", most=MOST_MINUTES),
            equipment_kinds=self.names(said, "equipment_kinds", ""),
            steps=self.steps(said),
            clears=self.clears(said.get("clears")),
            verify=self.verify(said),
            eaten_g=eaten,
            doses=doses,
            validation=self.long_text(said.get("validation"), "validation"),
        )

    def steps(self, said: dict[str, Any]) -> tuple[Step, ...]:
        found = []
        for at, each in self.parts(said, "steps", {"code", "what", "by"}):
            code = self.text(each, "code", at, LONGEST_CODE)
            what = self.text(each, "what", at, LONGEST)
            found.append(Step(code, what, self.one_of(each, "by", TAKES_AWAY + OTHER_STEPS, at)))
        codes = [step.code for step in found]
        for code in sorted({code for code in codes if code and codes.count(code) > 1}):
            self.refuse("doubled", f"Two steps have the code {code}.", "steps")
        if not found:
            self.refuse("missing", "Name the steps of the cleaning.", "steps")
        return tuple(found)

    def clears(self, said: Any) -> Scope:
        if not isinstance(said, dict):
            self.refuse("missing", "Say what it clears: allergens, microbes, foreign bodies.", "clears")
            return Scope()
        self.known(said, {"allergens", "microbiological", "foreign-bodies"}, "clears")
        every = said.get("allergens") == ALL
        allergens = None if every else frozenset(self.names(said, "allergens", "clears"))
        return Scope(
            allergens,
            self.yes_or_no(said, "microbiological", "clears"),
            self.yes_or_no(said, "foreign-bodies", "clears"),
        )

    def verify(self, said: dict[str, Any]) -> tuple[Asked, ...]:
        found = []
        for at, each in self.parts(said, "verify", {"by", "where", "allergens", "upper", "unit"}):
            by = self.one_of(each, "by", SHOWS_ALLERGENS + CLEANLINESS, at)
            where = self.text(each, "where", at, LONGEST)
            found.append(self.asked(each, by, where, at))
        return tuple(found)

    def asked(self, said: dict[str, Any], by: str, where: str, at: str) -> Asked:
        if by in CLEANLINESS:
            if said.get("allergens"):
                sentence = "ATP and total protein show cleanliness; they clear no allergen."
                self.refuse("cleanliness-clears-no-allergen", sentence, f"{at}.allergens")
            upper = self.number(said, "upper", at)
            return Asked(by, where, frozenset(), upper, self.text(said, "unit", at, LONGEST_CODE))
        named = self.names(said, "allergens", at)
        if by in MEASURED and not named:
            self.refuse("missing", "Name the allergens that are looked for.", f"{at}.allergens")
        return Asked(by, where, frozenset(named) if named else None)

    def levels(self, said: Any) -> tuple[Decimal | None, dict[str, Dose]]:
        if said is None:
            return None, {}
        if not isinstance(said, dict):
            self.refuse("shape", "This is one object: eaten_g and doses.", "levels")
            return None, {}
        self.known(said, {"eaten_g", "doses"}, "levels")
        eaten, doses = self.number(said, "eaten_g", "levels"), {}
        for at, each in self.parts(
            said, "doses", {"allergen", "mg", "dose_set", "dated", "source"}, "levels."
        ):
            dose = self.dose(each, at)
            if dose is not None and dose.dose.allergen in doses:
                self.refuse("doubled", f"{dose.dose.allergen} has two doses.", f"{at}.allergen")
            if dose is not None:
                doses[dose.dose.allergen] = dose
        return eaten, doses

    def dose(self, said: dict[str, Any], at: str) -> Dose | None:
        texts = {name: self.text(said, name, at, LONGEST) for name in ("allergen", "dose_set", "source")}
        dated = self.text(said, "dated", at, LONGEST_CODE)
        mg = self.number(said, "mg", at)
        if not all(texts.values()) or mg <= 0:
            return None
        return Dose(ReferenceDose(mg=float(mg), **texts), dated)

    # -- what it comes to -------------------------------------------------------------------------------

    def sound(self, *parts: str) -> bool:
        """Whether these parts could be read, so that what they claim can be weighed."""
        return not any(reason.field.split(".")[0] in parts for reason in self.reasons)

    def weigh(self, procedure: Procedure) -> None:
        """What a procedure must not claim, as far as it could be read."""
        if not self.sound("clears"):
            return
        clears, sound_verify = procedure.clears, self.sound("verify")
        claims_allergens = clears.allergens is None or bool(clears.allergens)
        if claims_allergens and self.sound("steps"):
            self.takes_away(procedure)
        if claims_allergens and sound_verify:
            self.is_shown(procedure)
        if claims_allergens and sound_verify and self.sound("levels"):
            self.has_levels(procedure)
        if procedure.method == "push-through" and clears.microbiological:
            self.refuse("push-through-kills-nothing", WARM, "clears.microbiological")
        if (
            clears.foreign_bodies
            and sound_verify
            and not any(each.by == "visual" for each in procedure.verify)
        ):
            self.refuse("nothing-shows-it", "Foreign bodies are looked for: ask for a look.", "verify")
        if (claims_allergens or clears.microbiological) and not procedure.validation.strip():
            sentence = "Say how it was shown on site that this cleaning clears what it claims: runs, worst case, report."
            self.refuse("not-validated", sentence, "validation")

    def takes_away(self, procedure: Procedure) -> None:
        if any(step.by in TAKES_AWAY for step in procedure.steps):
            return
        heated = any(step.by == "heat" for step in procedure.steps)
        code = "heat-clears-no-allergen" if heated else "nothing-takes-it-away"
        first = "" if heated else "No step takes the food away. "
        self.refuse(code, first + HEAT.format(", ".join(TAKES_AWAY)), "steps")

    def is_shown(self, procedure: Procedure) -> None:
        """Everything cleared is shown by a look, a rinse or a swab."""
        named = procedure.clears.allergens
        if named is None:
            if not any(asked.by in SHOWS_ALLERGENS and asked.allergens is None for asked in procedure.verify):
                sentence = "It claims all allergens: ask for a look at all of it."
                self.refuse("nothing-shows-it", sentence, "verify")
            return
        for allergen in sorted(named):
            if not any(asked.shows(allergen) for asked in procedure.verify):
                sentence = f"It claims to clear {allergen}, and nothing to verify shows that: a look, a rinse or a swab."
                self.refuse("nothing-shows-it", sentence, "verify")
        for number, asked in enumerate(procedure.verify):
            for allergen in sorted((asked.allergens or frozenset()) - named):
                sentence = f"It looks for {allergen}, which it does not claim to clear."
                self.refuse("not-claimed", sentence, f"verify.{number}.allergens")

    def has_levels(self, procedure: Procedure) -> None:
        """What is measured is judged against an action level: a dose of one set, and what is eaten at once."""
        measured = sorted(
            {
                code
                for asked in procedure.verify
                if asked.by in MEASURED
                for code in asked.allergens or frozenset()
            }
        )
        if measured and procedure.eaten_g is None:
            sentence = "Give the most that one person eats at once of any product made after it, in grams."
            self.refuse("missing", sentence, "levels.eaten_g")
        for allergen in measured:
            if allergen not in procedure.doses:
                sentence = (
                    f"Give the reference dose of {allergen}: mg of protein, its set, its date, its source."
                )
                self.refuse("no-dose", sentence, "levels.doses")
        if procedure.eaten_g is not None and procedure.doses:
            self.of_one_set(procedure)

    def of_one_set(self, procedure: Procedure) -> None:
        eaten = float(procedure.eaten_g or 1)
        try:
            found = action_levels([each.dose for each in procedure.doses.values()], eaten)
        except Unusable as refusal:
            self.refuse(refusal.code, refusal.detail, "levels.doses")
            return
        for answer in found.values():
            if isinstance(answer, NotComputed):
                self.refuse("no-dose", f"{answer.why} {answer.advice}", "levels.doses")

    # -- reading ----------------------------------------------------------------------------------------

    def known(self, said: dict[str, Any], names: set[str], at: str) -> None:
        for name in sorted(set(map(str, said)) - names):
            sentence = f"{name[:40]!a} is not known here; known: {', '.join(sorted(names))}."
            self.refuse("unknown-field", sentence, f"{at}.{name}".strip(".")[:200])

    def parts(
        self, said: dict[str, Any], name: str, names: set[str], before: str = ""
    ) -> list[tuple[str, dict[str, Any]]]:
        """The objects of a list, each with its place; a list that is none has none and is refused."""
        given = said.get(name, [])
        if not isinstance(given, list) or len(given) > MOST_ITEMS:
            self.refuse("shape", f"This is a list of at most {MOST_ITEMS}.", f"{before}{name}")
            return []
        found = []
        for number, each in enumerate(given):
            at = f"{before}{name}.{number}"
            if isinstance(each, dict):
                self.known(each, names, at)
                found.append((at, each))
            else:
                self.refuse("shape", f"This is one object: {', '.join(sorted(names))}.", at)
        return found

    def text(self, said: dict[str, Any], name: str, at: str, longest: int) -> str:
        value = said.get(name)
        if is_one_line(value, longest):
            return str(value)
        sentence = f"Give one line of 1 to {longest} characters."
        self.refuse("missing" if value in (None, "") else "not-one-line", sentence, f"{at}.{name}".strip("."))
        return ""

    def long_text(self, value: Any, field: str) -> str:
        if value is None:
            return ""
        if isinstance(value, str) and len(value) <= LONGEST_TEXT:
            return value
        self.refuse("not-text", f"Give text of at most {LONGEST_TEXT} characters.", field)
        return ""

    def number(self, said: dict[str, Any], name: str, at: str, *, most: int | None = None) -> Decimal:
        """A number above 0 that must be there; 1 where it cannot be read, and the reason."""
        field = f"{at}.{name}".strip(".")
        try:
            value = parse_number(said.get(name, ""), field=field)
        except Unusable as refusal:
            self.reasons += refusal.reasons
            return Decimal(1)
        if value <= 0:
            self.refuse("not-positive", f"This must be above 0, it is {value}.", field)
        elif most is not None and value > most:
            self.refuse("out-of-range", f"This is at most {most}, it is {value}.", field)
        return value

    def one_of(self, said: dict[str, Any], name: str, known: tuple[str, ...], at: str) -> str:
        value = said.get(name)
        if isinstance(value, str) and value in known:
            return value
        self.refuse("unknown-name", f"This is one of: {', '.join(known)}.", f"{at}.{name}".strip("."))
        return known[-1]

    def names(self, said: dict[str, Any], name: str, at: str) -> tuple[str, ...]:
        """A list of names, each once; empty where it is left out."""
        value, field = said.get(name, []), f"{at}.{name}".strip(".")
        good = isinstance(value, list) and len(value) <= MOST_ITEMS
        if not good or not all(is_one_line(each, 60) for each in value):
            self.refuse("shape", "This is a list of names.", field)
            return ()
        if len(set(value)) < len(value):
            self.refuse("doubled", "Each is named once.", field)
        return tuple(value)

    def yes_or_no(self, said: dict[str, Any], name: str, at: str) -> bool:
        value = said.get(name, False)
        if not isinstance(value, bool):
            self.refuse("not-yes-or-no", "This is true or false.", f"{at}.{name}")
        return value is True
