"""Reading a part of a plan's document: every reason collected, nothing guessed."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from difflib import get_close_matches
from typing import Any

from batches.quantities import UNITS, Dimension, parse_number
from config.api.refusals import Reason, Unusable


@dataclass
class Said:
    """What a document says, and what is wrong with it so far. ``done`` raises when something is."""

    part: Mapping[str, Any]
    reasons: list[Reason] = field(default_factory=list)

    def refuse(self, code: str, sentence: str, name: str) -> None:
        self.reasons.append(Reason(code, sentence, name))

    def done(self) -> None:
        """Raise Unusable with every reason at once."""
        if self.reasons:
            raise Unusable("The limit cannot be read.", reasons=self.reasons)

    def refuse_others(self, known: Collection[str]) -> None:
        """Refuse names that this kind does not have: a misspelt one would lose a bound without a word."""
        for name in sorted(set(map(str, self.part)) - set(known)):
            guess = get_close_matches(name, known, 1)
            hint = f" Did you mean {guess[0]}?" if guess else ""
            self.refuse("unknown-name", f"This kind of limit has no {name[:40]!a}.{hint}", name[:40])

    def text(self, name: str, asked: str) -> str:
        """Text that must be there; ``asked`` is the sentence that asks for it."""
        value = self.part.get(name)
        if isinstance(value, str) and value.strip():
            return value
        self.refuse("missing", asked, name)
        return ""

    def number(self, name: str) -> Decimal | None:
        """A number written as text, or None where there is none."""
        if self.part.get(name) in (None, ""):
            return None
        try:
            return parse_number(self.part[name], field=name)
        except Unusable as refusal:
            self.reasons += refusal.reasons
            return None

    def needed(self, name: str, asked: str, *, positive: bool = False) -> Decimal:
        """A number that must be there; above 0 where ``positive``."""
        before = len(self.reasons)
        value = self.number(name)
        if value is None:
            if len(self.reasons) == before:
                self.refuse("missing", asked, name)
            return Decimal(1)
        if positive and value <= 0:
            self.refuse("not-positive", f"This must be above 0, it is {value}.", name)
        return value

    def unit(self, name: str, *dimensions: Dimension) -> str:
        """A known unit, of one of ``dimensions`` where they are named."""
        code = self.part.get(name)
        if not isinstance(code, str) or code not in UNITS:
            sentence = f"Give the unit by its UN/ECE code; {code!a:.24} is none we know."
            self.refuse("unknown-unit", sentence, name)
            return ""
        if dimensions and UNITS[code].dimension not in dimensions:
            asked = " or ".join(dimension.value for dimension in dimensions)
            self.refuse("unit-does-not-convert", f"{code} is no unit of {asked}.", name)
        return code

    def yes_or_no(self, name: str, *, usual: bool) -> bool:
        value = self.part.get(name, usual)
        if not isinstance(value, bool):
            self.refuse("not-yes-or-no", "This is true or false.", name)
        return value is True

    def names(self, name: str) -> tuple[str, ...]:
        """A list of names, or nothing where it is no such list."""
        names = self.part.get(name)
        if not isinstance(names, list) or not all(isinstance(each, str) and each.strip() for each in names):
            return ()
        return tuple(names)
