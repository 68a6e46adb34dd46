"""The demo's story of the market: drops are sold at a stall and by web order, and some are brought back."""

from typing import Any

from ledger.ids import uuid7
from reports.demo.allergens import WithAllergens
from reports.demo.house import rows_id

BUYER = {"name": "Ottilie Brandauer", "email": "ottilie@example.org", "address": "Shore Path 2, Seeborn"}
MARKET = "Seeborn market, row 4"


class WithChannels(WithAllergens):
    """The day with what is sold to buyers whom nobody names, or only as long as a recall needs it."""

    def play(self) -> str:
        batch = super().play()
        drops = self.tubs[-1]
        self.pack_gift_tins(drops)
        self.send_by_post(drops)
        self.stand_at_the_market(drops)
        return batch

    def pack_gift_tins(self, first: str) -> None:
        """Tins of the drops of two boils: a lot of its own, which contains and ends as both of them do."""
        second = self._boil_drops(372)["lot"]
        packing = self.house.operator.post(
            "batches",
            id=str(uuid7()),
            performed_at=self.at(424),
            recipe_version=self.house.recipe_versions["TIN"]["id"],
            quantity="2",
            unit="H87",
            equipment=[],
        )
        for lot in (first, second):
            said = {
                "lot": lot,
                "quantity": "0.500",
                "unit": "KGM",
                "weighed_with": rows_id("instruments", "SC1"),
            }
            self._move("used", 425, batch=packing["id"], recipe_line=1, **said)
        tins = {"material": rows_id("materials", "TIN"), "quantity": "2", "unit": "H87"}
        made = self._move("made", 428, batch=packing["id"], **tins)
        self.house.operator.post(f"batches/{packing['id']}/end", performed_at=self.at(429))
        self._release(made["lot"], 431)
        back = self.house.lead.get(f"lots/{made['lot']}/back")
        self.tell(
            f"Two gift tins were packed of the drops of two boils: lot {made['lot_code']} traces back to "
            f"{len(back['lots']) - 1} lots, best before {made['best_before']} as what ends first in it.",
            f"lots/{made['lot']}/back",
        )

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
