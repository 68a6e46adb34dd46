"""The demo's story of what leaves the house: whether to recall, and a supplier's notice with its reply."""

from reports.demo.channels import WithChannels
from reports.demo.house import PASSWORD, rows_id

STRATEGY = {
    "depth": "consumer",
    "level": "A",
    "because": "Some was eaten or is at home with buyers, and milk can be severe.",
}


class WithRecalls(WithChannels):
    """The day with allergens, and what is asked and told outside the house because of it."""

    reply: str
    """The id of what was told to the supplier, which is printed as a letter in the end."""

    def play(self) -> str:
        batch = super().play()
        self.decide_whether_to_recall()
        self.hear_of_lemon_oil()
        return batch

    def decide_whether_to_recall(self) -> None:
        """The letter about milk held what had been shipped; closing that case left the question open."""
        asked = self.house.lead.get("recall-questions?open=true")["results"]
        question = next(
            each for each in asked if self.good["lot"] in [about["lot"] for about in each["lots"]]
        )
        recall = self.house.lead.post(
            "recalls",
            performed_at=self.at(445),
            hazard="allergen",
            because="Pillows whose label declares milk as a possibility only contain it.",
            determined_at=question["determined_at"],
            strategy=STRATEGY,
            password=PASSWORD,
        )
        self.house.lead.post(
            f"recalls/{recall['id']}/scopes", performed_at=self.at(446), lots=[self.good["lot"]]
        )
        where = f"recall-questions/{question['id']}"
        self.house.lead.post(
            f"{where}/verdicts",
            performed_at=self.at(447),
            recall=recall["id"],
            because="Not all came back, and what is out there does not declare milk.",
            password=PASSWORD,
        )
        self.tell(
            f"Since {self.good['lot_code']} had been shipped it was asked whether to recall. The lead decided by signature: "
            f"recall {recall['code']}.",
            where,
        )

    def hear_of_lemon_oil(self) -> None:
        lot = self.lots["LEO"]
        code = self.house.lead.get(f"lots/{lot['lot']}")["supplier_code"]
        pantry = rows_id("partners", "PANTRY")
        notice = self.house.operator.post(
            "notices-arrived",
            performed_at=self.at(452),
            partner=pantry,
            supplier=pantry,
            came_by="phone",
            came_at=self.at(450),
            said=f"We call back lemon oil {code}: a bottle was found chipped at its neck. Please tell us what you have.",
            codes=[code],
        )
        codes = ", ".join(each["code"] for each in (*notice["found"], *notice["became"]))
        where = f"notices-arrived/{notice['id']}"
        self.tell(f"A supplier telephoned about a lot of lemon oil. Found and held at once: {codes}.", where)
        reply = self.house.lead.post(f"{where}/replies", performed_at=self.at(460), means="letter")
        self.reply = str(reply["id"])
        self.tell(
            "The reply says what is on hand and what was used, as figures and as a letter.",
            f"{where}/figures",
        )
