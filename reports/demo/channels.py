"""The demo's story of the market: drops are sold at a stall and by web order, and some are brought back."""

from typing import Any

from reports.demo.allergens import WithAllergens
from reports.demo.house import rows_id

BUYER = {"name": "Ottilie Brandauer", "email": "ottilie@example.org", "address": "Shore Path 2, Seeborn"}
MARKET = "Seeborn market, row 4"


class WithChannels(WithAllergens):
    """The day with what is sold to buyers whom nobody names, or only as long as a recall needs it."""

    def play(self) -> str:
        batch = super().play()
        drops = self.tubs[-1]
        self.send_by_post(drops)
        self.stand_at_the_market(drops)
        return batch

    def send_by_post(self, drops: str) -> None:
        order = self.house.operator.post(
            "web-orders",
            performed_at=self.at(448),
            number=f"W-{self.began:%y%j}",
            outlet=rows_id("partners", "WEB"),
            lines=[{"lot": drops, "quantity": "0.200", "unit": "KGM"}],
            buyer=BUYER,
        )
        kept = self.house.lead.get(f"web-orders/{order['id']}/buyer")
        self.tell(
            f"Web order {order['number']} was packed. Who ordered stands in no record, and is forgotten after "
            f"{kept['kept_until']} unless a recall needs them.",
            f"web-orders/{order['id']}/buyer",
        )

    def stand_at_the_market(self, drops: str) -> None:
        stall, lot = rows_id("partners", "STALL"), {"lot": drops, "unit": "KGM"}
        self._at_stall("movements/shipped", 450, customer=stall, quantity="0.800", **lot)
        self._at_stall("at-outlets", 466, outlet=stall, what="sold", quantity="0.600", **lot)
        self._at_stall("at-outlets", 467, outlet=stall, what="given", quantity="0.050", **lot)
        self._at_stall("movements/returned", 470, customer=stall, quantity="0.150", **lot)
        found = self.house.lead.get(f"outlets/{stall}/stock")["lots"]
        row = next(each for each in found if each["lot"] == drops)
        self.tell(
            f"At the market {row['taken']['quantity']} kg of {row['code']} were taken, {row['sold']['quantity']} sold and "
            f"{row['brought_back']['quantity']} brought back, which await a decision; {row['there']['quantity']} are not "
            "accounted for.",
            f"outlets/{stall}/stock",
        )
        self._release(drops, 474)

    def _at_stall(self, path: str, minutes: int, **body: Any) -> None:
        self.house.operator.post(path, performed_at=self.at(minutes), place=MARKET, **body)
