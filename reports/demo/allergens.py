"""The demo's story of allergens: what is unknown, labels at packing, one table for two products, and a late fact."""

from datetime import date
from typing import Any

from reports.demo.asking import Refused
from reports.demo.declared import NOT_SAID, Declared
from reports.demo.house import MATERIALS, PASSWORD, rows_id
from reports.demo.story import BLADES, Story

SWAB = {
    "method": "swab",
    "allergen": "hazelnut",
    "value": "< 2.5",
    "unit": "MC",
    "detection_limit": "2.5",
    "wiped_cm2": "100",
    "contact_cm2": "8000",
    "first_product_kg": "0.2",
    "counts": "protein",
    "validated_for": {"food": "Hazelnut filling on stone", "evidence": "The firm's report 7"},
}
STEPS = {"SCRAPE": 257, "WASH": 275, "RINSE": 285, "DRY": 300}
CLEARED = {
    "product": True,
    "packaging": True,
    "labels": True,
    "counts": [{"what": "Pillow labels", "issued": "120", "used": "100", "spoiled": "2", "returned": "18"}],
}
MADE_ON_THE_TABLE = {"HZP": 150, "LMD": 60, "SBC": 90}  # minutes; in the order somebody planned them
ANSWERS = {
    "put-right": "Both shops were telephoned within the hour and took the bags off the shelf; what was left came back.",
    "cause": "The maker of the chocolate ran it after milk chocolate and told us late.",
    "prevention": "Chocolate is accepted only with the paper of its own lot; the maker agreed.",
}


class WithAllergens(Story):
    """The day once more, with all that it takes to say what is in a piece."""

    def __init__(self, *told: Any):
        super().__init__(*told)
        self.declared = Declared(self.house, self.tell)
        self.tubs: list[str] = []  # lots whose tub labels are printed in the end

    def play(self) -> str:
        batch = super().play()
        self.refuse_drops()
        self.change_over()
        self.make_drops()
        self.learn_of_milk()
        self.order_the_next_day()
        return batch

    # -- labels -------------------------------------------------------------------------------------

    def pack(self, minutes: int, moment: str, code: str = "HZP", **counts: str) -> dict[str, Any]:
        return dict(
            self.house.operator.post(
                "packing-checks",
                performed_at=self.at(minutes),
                batch=self.batch["id"],
                moment=moment,
                label_version=self.declared.labels[code]["id"],
                counts=counts,
            )
        )

    def make_filling(self) -> None:
        super().make_filling()
        lot = self.lots["FIL"]
        self.tubs.append(lot["lot"])
        found = self.house.lead.get(f"lots/{lot['lot']}/allergens")
        named = ", ".join(each["name"] for each in found["contains"])
        self.tell(
            f"By the lots that went into {lot['lot_code']} it contains: {named}. Its tub label says so.",
            f"lots/{lot['lot']}/tub-label.svg",
        )

    def before_packing(self) -> None:
        self.pack(7, "start", issued="120")

    def after_packing(self) -> None:
        seen = self.pack(203, "end", issued="120", applied="100", spoiled="2", returned="18")
        self.tell(
            f"Packing was looked at from start to end: {seen['sentences'][0]}",
            f"packing-checks?batch={self.batch['id']}",
        )

    def release_and_ship(self) -> None:
        """Refused first: nobody stated something of the chocolate."""
        try:
            self._release(self.good["lot"], 233)
        except Refused as refusal:
            reasons = "; ".join(each["detail"] for each in refusal.problem["reasons"])
            self.tell(
                f"The release of lot {self.good['lot_code']} was refused at first: {reasons}",
                f"lots/{self.good['lot']}/label",
            )
        self._state_of_chocolate(
            234,
            "Test report 118 of the maker, for this lot",
            [{"allergen": NOT_SAID, "says": "free-of", "because": "test report 118: below 0.5 mg/kg"}],
        )
        super().release_and_ship()

    def _state_of_chocolate(self, minutes: int, document: str, says: list[dict[str, str]]) -> dict[str, Any]:
        today = self.day(minutes).isoformat()
        return dict(
            self.house.lead.post(
                "allergen-statements",
                performed_at=self.at(minutes),
                material=rows_id("materials", "CHO"),
                lot=self.lots["CHO"]["lot"],
                supplier=rows_id("partners", "PANTRY"),
                says=says,
                document=document,
                document_day=today,
                in_force_from=today,
            )
        )

    def day(self, minutes: int) -> date:
        return self._clock(minutes).date()

    # -- one table, two products ----------------------------------------------------------------------

    def refuse_drops(self) -> None:
        self.pillows = self.batch
        try:
            self._start("LMD", "2", 250, ["K2", "T1"])
        except Refused as refusal:
            self.tell(
                "Lemon drops were to begin on the table of the pillows. Refused: "
                f"{refusal.problem['reasons'][0]['detail']}",
                "changeovers/matrix",
            )

    def change_over(self) -> None:
        made = self.house.operator.post(
            "changeovers",
            performed_at=self.at(255),
            ended_at=self.at(305),
            equipment=[rows_id("equipment", "T1")],
            from_batch=self.pillows["id"],
            to_recipe_version=self.house.recipe_versions["LMD"]["id"],
            procedure_version=self.declared.wash["id"],
            steps=[{"step": step, "done_at": self.at(minutes)} for step, minutes in STEPS.items()],
            dry_before_start=True,
            clearance=CLEARED,
        )
        path = f"changeovers/{made['id']}"
        verified = f"{path}/verifications"
        self.house.operator.post(verified, performed_at=self.at(306), method="visual", outcome="clean")
        swab = self.house.operator.post(verified, performed_at=self.at(308), **SWAB)
        self.tell(
            "The table was washed step by step, the line cleared of the pillows and their labels. What was swabbed lies "
            f"below what the method can find. {swab['finding']['sentence']}",
            verified,
        )
        released = self.house.lead.post(f"{path}/releases", performed_at=self.at(312), password=PASSWORD)
        cleared = ", ".join(released["scope"]["allergens"])
        self.tell(f"The changeover was released by signature. It clears {cleared}, on this table only.", path)

    def make_drops(self) -> None:
        made = self._boil_drops(320)
        self.tell(
            f"Now the lemon drops began, and lot {made['lot_code']} was released: its label declares no allergen, and "
            "none is in it by its lots or by what it touched.",
            f"lots/{made['lot']}/label",
        )

    def _boil_drops(self, began: int) -> dict[str, Any]:
        """A boil from ``began`` on, packed and released within 50 minutes."""
        batch = self.batch = self._start("LMD", "2", began, ["K2", "T1"])
        self._look_at_the_start(began + 1)
        self._look_at_label(began + 5, "change")
        self.pack(began + 5, "start", "LMD", issued="25")
        for line, (material, quantity, unit) in enumerate(
            [("SUG", "1.600", "KGM"), ("GLU", "0.400", "KGM"), ("LEO", "5", "GRM")], start=1
        ):
            self._use(batch, material, quantity, line, began + 6 + line, unit)
        made = self._make("LMD", "1.900", began + 40)
        self._look_at_the_end(began + 42)
        self.pack(began + 46, "end", "LMD", issued="25", applied="19", spoiled="0", returned="6")
        self.house.operator.post(f"batches/{batch['id']}/end", performed_at=self.at(began + 48))
        self._release(made["lot"], began + 50)
        self.tubs.append(made["lot"])
        return made

    def _look_at_the_start(self, minutes: int) -> None:
        self.look(
            "CP-WEIGH-1", minutes, "each container against the batch sheet", "all as on the sheet", "start"
        )
        self.look(
            "CP-CLEAN-1", minutes, "table, kettle, tempering machine and tools", "no residue seen", "start"
        )
        self._check("CP-BLADE-1", minutes + 1, BLADES, occasion="start")
        self.find_metal(minutes + 2, "start")
        self._look_at_label(minutes + 3, "start")

    def _look_at_the_end(self, minutes: int) -> None:
        self.find_metal(minutes, "end")
        self._check("CP-BLADE-1", minutes + 1, BLADES, occasion="end")
        self._look_at_label(minutes + 2, "end")

    def _look_at_label(self, minutes: int, occasion: str) -> None:
        what, good = "label on the pack against the approved version", "the approved version"
        self.look("CP-LABEL-1", minutes, what, good, occasion)

    # -- a late fact ----------------------------------------------------------------------------------

    def learn_of_milk(self) -> None:
        stated = self._state_of_chocolate(
            400, "Letter of the maker about this lot", [{"allergen": "milk", "says": "contains"}]
        )
        cases = self.house.lead.get("deviations?open=true")["results"]
        case = next(each for each in cases if each["subject"] == stated["id"])
        path = f"deviations/{case['id']}"
        held = self.house.lead.get(path)["lots_to_decide"]
        self.tell(
            f"A letter came late: lot {self.lots['CHO']['lot_code']} of chocolate contains milk. At once {len(held)} lot "
            f"was held, {self.good['lot_code']}, shipped under a label that declares milk as a possibility only.",
            path,
        )
        self._take_back()
        self._answer(path, 430, ANSWERS)
        self._destroy(path, 434, self.good["lot"], "Its bags do not declare milk.")
        self._move(
            "destroyed", 440, lot=self.good["lot"], quantity="1.900", unit="KGM", document="waste note 4"
        )
        self.tell("What came back was destroyed with the rest, and the case closed by signature.", path)

    def _take_back(self) -> None:
        for minutes, customer, quantity in ((420, "CORNER", "1.100"), (425, "LAKESIDE", "0.500")):
            self._move(
                "returned",
                minutes,
                lot=self.good["lot"],
                customer=rows_id("partners", customer),
                quantity=quantity,
                unit="KGM",
                document=f"return note of {customer.lower()}",
            )

    # -- the next day ---------------------------------------------------------------------------------

    def order_the_next_day(self) -> None:
        """The lead's question for the three products: in which order is there least to clean on the table."""
        planned = [
            {"name": MATERIALS[code][0], "material": rows_id("materials", code), "minutes": minutes}
            for code, minutes in MADE_ON_THE_TABLE.items()
        ]
        found = self.house.lead.post("run-orders", batches=planned, equipment=rows_id("equipment", "T1"))
        self.tell(
            f"Three products are planned on the table for the next day. Least cleaning: {', then '.join(found['order'])}; "
            f"that saves {found['saves']} minutes. The food-safety lead decides.",
            "changeovers/matrix?equipment_kind=table",
        )
