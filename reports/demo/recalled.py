"""The demo's story of what leaves the house: whether to recall, and a supplier's notice with its reply."""

from reports.demo.house import PASSWORD, rows_id
from reports.demo.inspected import WithInspection

STRATEGY = {
    "depth": "consumer",
    "level": "A",
    "because": "Some was eaten or is at home with buyers, and milk can be severe.",
}


PLAN = {
    "people": [
        {"role": "recall lead", "name": "Mara Lindqvist", "telephone": "+49 000 0001"},
        {"role": "stores and letters", "name": "Jonas Okafor", "telephone": "+49 000 0002"},
    ],
    "steps": [
        {
            "step": "tell-consignees",
            "role": "recall lead",
            "how": "By telephone, then by letter, the same day.",
        },
        {
            "step": "tell-public",
            "role": "recall lead",
            "how": "With the authority, where some may be with people whom nobody can name.",
        },
        {
            "step": "check-effectiveness",
            "role": "stores and letters",
            "how": "Who has not answered by the next noon is called again.",
        },
        {
            "step": "dispose",
            "role": "stores and letters",
            "how": "What comes back lies apart in the locked cage, is counted, and destroyed before a witness.",
        },
    ],
    "outside": [
        {"what": "authority", "name": "Seeborn food office", "reached_by": "+49 000 0003, day and night"},
        {"what": "laboratory", "name": "Laboratory at Oberfeld", "reached_by": "+49 000 0004, until six"},
    ],
    "public_notice": "At our own counter, at every stall and shop that had some, and in the paper of the town.",
}


class WithRecalls(WithInspection):
    """The day with an inspection, and what is asked and told outside the house because of what went wrong."""

    reply: str
    """The id of what was told to the supplier, which is printed as a letter in the end."""

    def play(self) -> str:
        batch = super().play()
        self.approve_recall_plan()
        self.decide_whether_to_recall()
        self.hear_of_lemon_oil()
        return batch

    def approve_recall_plan(self) -> None:
        if self.house.lead.get("recall-plans")["results"]:
            return
        made = self.house.lead.post("recall-plans", performed_at=self.now(), password=PASSWORD, **PLAN)
        self.tell(f"The lead approved recall plan {made['number']} by signature.", "recall-plans")

    def decide_whether_to_recall(self) -> None:
        """The letter about milk held what had been shipped; closing that case left the question open."""
        asked = self.house.lead.get("recall-questions?open=true")["results"]
        question = next(
            each for each in asked if self.good["lot"] in [about["lot"] for about in each["lots"]]
        )
        recall = self.house.lead.post(
            "recalls",
            performed_at=self.now(),
            hazard="allergen",
            because="Pillows whose label declares milk as a possibility only contain it.",
            determined_at=question["determined_at"],
            strategy=STRATEGY,
            password=PASSWORD,
        )
        self.house.lead.post(
            f"recalls/{recall['id']}/scopes", performed_at=self.now(), lots=[self.good["lot"]]
        )
        where = f"recall-questions/{question['id']}"
        self.house.lead.post(
            f"{where}/verdicts",
            performed_at=self.now(),
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
            performed_at=self.now(),
            partner=pantry,
            supplier=pantry,
            came_by="phone",
            came_at=self.at(478),
            said=f"We call back lemon oil {code}: a bottle was found chipped at its neck. Please tell us what you have.",
            codes=[code],
        )
        codes = ", ".join(each["code"] for each in (*notice["found"], *notice["became"]))
        where = f"notices-arrived/{notice['id']}"
        self.tell(f"A supplier telephoned about a lot of lemon oil. Found and held at once: {codes}.", where)
        reply = self.house.lead.post(f"{where}/replies", performed_at=self.now(), means="letter")
        self.reply = str(reply["id"])
        self.tell(
            "The reply says what is on hand and what was used, as figures and as a letter.",
            f"{where}/figures",
        )
