"""What names lots, places, partners and papers in what is sent. Pure, no Django.

GS1 Digital Link in its canonical form where the house has a number of its own, else addresses below its own domain, in
the shapes of the Core Business Vocabulary (read in its issue tracker; ``party`` is ours, ``xform`` from memory). No GS1
number is made up, and none that means something within one firm only is sent.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from ledger.gs1_keys import is_under

CANONICAL = "https://id.gs1.org"


@dataclass(frozen=True)
class Identifiers:
    """``below``: what every address of the house begins with; ``premises``: its id, the last part of its own address."""

    below: str
    premises: str
    gln: str = ""
    prefixes: Sequence[str] = ()

    def lot(
        self, product: str, code: str, *, gtin: str = "", made_here: bool = False, rework: bool = False
    ) -> str:
        """Under a GTIN of the house only what it made: what was received bears its maker's number, and rework is no product."""
        if gtin and made_here and not rework and is_under(gtin, self.prefixes):
            return f"{CANONICAL}/01/{gtin}/10/{_part(code)}"
        return f"{self.below}/class/{_part(product)}.{_part(code)}"

    @property
    def here(self) -> str:
        return f"{CANONICAL}/414/{self.gln}" if self.gln else self.place(self.premises)

    @property
    def house(self) -> str:
        """The firm as a party. A number of its premises is not that of the firm."""
        return self.party(self.premises)

    def place(self, code: str) -> str:
        return f"{self.below}/loc/{_part(code)}"

    def party(self, code: str, gln: str = "") -> str:
        return f"{CANONICAL}/417/{gln}" if gln else f"{self.below}/party/{_part(code)}"

    def paper(self, name: str) -> str:
        return f"{self.below}/bt/{_part(name)}"

    def run(self, batch: str) -> str:
        return f"{self.below}/xform/{_part(batch)}"


def _part(text: str) -> str:
    """One part of a path: everything but letters, digits and - . _ ~ is written as its bytes."""
    return quote(text, safe="")
