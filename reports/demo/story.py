"""The demo's story: a day on which one check fails, and everything that follows from it."""

from datetime import datetime, timedelta
from typing import Any

from django.utils import timezone

from batches.models import Batch
from ledger.acts import Moment
from ledger.ids import uuid7
from reports.demo.asking import Refused, Told
from reports.demo.house import MATERIALS, PASSWORD, House, rows_id
from reports.demo.receipts import CERTIFICATE, READ_AT_RECEIPT

AW = {"quantity": "water activity", "unit": "C62"}
METAL = "test pieces, leading, middle and trailing"
COOL = ("16.4", "16.5", "16.9", "17.3")  # degrees Celsius, one every ten minutes
BLADES = [
    {"quantity": "blades, knives, mats and gloves", "counted_out": "9", "counted_in": "9"},
    {"quantity": "edges, tips and surfaces of blades, knives, mats and gloves", "outcome": "all whole"},
]
SCAN = b"%PDF-1.4\n% a scan of the sheet, of this demo only\n%%EOF\n"


class Story:
    """Tells and does it. ``began``: when the batch of pillows started; each further run plays the day before."""

    def __init__(self, house: House, tell: Told):
        self.house, self.tell = house, tell
        played = Batch.objects.filter(establishment=house.establishment, recipe_version__material__code="HZP")
        self.began = timezone.now() - timedelta(hours=8) - timedelta(days=played.count())
        self.lots: dict[str, dict[str, Any]] = {}
        self.used: dict[str, dict[str, Any]] = {}

    def play(self) -> str:
        """The whole day; the id of the batch of pillows."""
        self.receive_and_accept()
        self.verify_the_logger()
        self.verify_what_measures()
        self.make_filling()
        batch = self.make_pillows()
        case = self.put_right()
        self.decide(case, batch)
        self.release_and_ship()
        self.scan()
        self.trace()
        return str(batch["id"])

    # -- morning ------------------------------------------------------------------------------------

    def at(self, minutes: int) -> str:
        return self._clock(minutes).isoformat()

    def now(self) -> str:
        """For what the service freezes or makes by its own clock, and what follows: told times would lie before it."""
        return Moment.now(self.house.establishment).local.isoformat()

    def _clock(self, minutes: int) -> datetime:
        return (self.began + timedelta(minutes=minutes)).astimezone(self.house.establishment.zone)

    def receive_and_accept(self) -> None:
        day = f"{self.began:%y%j}"
        deliveries = [
            ("NUT", "NUTMILL", "10", "KGM", f"HN-{day}-7"),
            ("ICS", "PANTRY", "5", "KGM", f"L{day}A"),
            ("SUG", "PANTRY", "25", "KGM", f"L{day}B"),
            ("GLU", "PANTRY", "10", "KGM", f"G{day}"),
            ("CHO", "PANTRY", "5", "KGM", f"C-{day}"),
            ("LEO", "PANTRY", "250", "GRM", f"LO-{day}"),
            ("PKG", "PANTRY", "2000", "H87", f"P{day}"),
        ]
        for material, supplier, quantity, unit, their_code in deliveries:
            moved = self._move(
                "received",
                -120,
                material=rows_id("materials", material),
                supplier=rows_id("partners", supplier),
                supplier_code=their_code,
                quantity=quantity,
                unit=unit,
                document=f"delivery note {their_code}",
                **({"to_place": rows_id("storage-places", "BIN")} if material == "SUG" else {}),
            )
            self.lots[material] = moved
            self._read_certificate(material, their_code)
            self._release(moved["lot"], -100)
        self.tell(
            "Seven deliveries came and were accepted, nuts and chocolate once their certificates had been read; the "
            f"hazelnuts are lot {self.lots['NUT']['lot_code']}, their supplier calls it HN-{day}-7.",
            f"lots/{self.lots['NUT']['lot']}",
        )

    def _read_certificate(self, material: str, their_code: str) -> None:
        """What rests on its supplier is accepted by what its certificate says; that hangs on the check."""
        if material not in READ_AT_RECEIPT:
            return
        point, readings, note = READ_AT_RECEIPT[material]
        made = self.house.operator.post(
            "checks",
            performed_at=self.at(-110),
            control_point=self.house.points[point],
            lot=self.lots[material]["lot"],
            readings=readings,
            note=note.format(lot=their_code),
        )
        self.house.operator.attach(made["id"], f"certificate-{their_code}.pdf", CERTIFICATE, self.at(-110))

    def verify_the_logger(self) -> None:
        made = self._verify(
            "TH1",
            method="ice-point",
            standard="Ice of drinking water, in a flask",
            unit="CEL",
            as_found="0.2",
            tolerance="0.5",
            covers_lower="-5",
            covers_upper="30",
        )
        self.tell(
            f"The logger of the store was held in ice water: {made['sentences'][0]}",
            f"instrument-verifications/{made['id']}",
        )

    def verify_what_measures(self) -> None:
        """The meter and the scale, each near what it is used for; the detector is tried by every check itself."""
        made = self._verify(
            "AW1",
            method="saturated-salt",
            standard="Saturated magnesium chloride, analytical grade",
            salt="MgCl2",
            temperature="25",
            unit="C62",
            as_found="0.331",
            tolerance="0.010",
            covers_lower="0.30",
            covers_upper="0.60",
        )
        self._verify(
            "SC1",
            method="weight",
            standard="Test weight of 1 kg, class M1",
            stated="1.000",
            unit="KGM",
            as_found="1.001",
            tolerance="0.003",
            covers_lower="0",
            covers_upper="5",
        )
        self.tell(
            f"Water activity meter and scale were held against salt and weight: {made['sentences'][0]}",
            f"instrument-verifications/{made['id']}",
        )

    def _verify(self, instrument: str, **said: str) -> Any:
        return self.house.operator.post(
            "instrument-verifications",
            performed_at=self.at(-97),
            instrument=rows_id("instruments", instrument),
            **said,
        )

    def make_filling(self) -> None:
        batch = self.batch = self._start("FIL", "2", -90, ["G1"])
        self.look("CP-WEIGH-1", -88, "each container against the batch sheet", "all as on the sheet", "start")
        self.look("CP-CLEAN-1", -87, "table, kettle, tempering machine and tools", "no residue seen", "start")
        self._check("CP-BLADE-1", -86, BLADES, occasion="start")
        self._use(batch, "NUT", "1.400", 1, -85)
        self._use(batch, "ICS", "0.601", 2, -84)
        self.lots["FIL"] = self._make("FIL", "2.000", -60)
        self._water_activity()
        self._predicted()
        self._stored_cool()
        self._check("CP-BLADE-1", -56, BLADES, occasion="end")
        self.house.operator.post(f"batches/{batch['id']}/end", performed_at=self.at(-55))
        self._release(self.lots["FIL"]["lot"], -50)
        self.tell(
            f"Hazelnut filling was ground: lot {self.lots['FIL']['lot_code']}.",
            f"batches/{batch['id']}/sheet",
        )

    def _predicted(self) -> None:
        """What the recipe comes to by its materials' sheets, beside what was measured."""
        where = f"batches/{self.batch['id']}/prediction"
        found = self.house.operator.get(where)["prediction"]
        moisture, activity = found["moisture"], found["water_activity"]
        told = activity["why_not"]
        if activity["computed"]:
            told = f"Water activity: between {activity['low']} and {activity['high']}."
        self.tell(
            f"By its materials' sheets the filling holds {moisture['low']} to {moisture['high']} % water. "
            f"{told}",
            where,
        )

    def _stored_cool(self) -> None:
        """The logger's readings of the morning, judged as one check."""
        rows = "".join(f"{600 * number},{value}\n" for number, value in enumerate(COOL))
        logged = self.house.operator.post_file(
            "series",
            "store.csv",
            f"seconds,value\n{rows}",
            performed_at=self.at(-97),
            unit="CEL",
            instrument=rows_id("instruments", "TH1"),
        )
        read = [{"quantity": "temperature of the store", "series": logged["id"]}]
        judged = self._check("CP-STORE-1", -57, read, instrument="TH1")
        self.tell(
            f"The logger's {logged['count']} readings of the store were judged as one: {judged['sentences'][0]}",
            f"series/{logged['id']}",
        )

    # -- the batch ----------------------------------------------------------------------------------

    def make_pillows(self) -> dict[str, Any]:
        batch = self.batch = self._start("HZP", "5", 0, ["K1", "T1", "M1", "D1"])
        self.tell(
            f"Batch {batch['code']} of hazelnut pillows began; the start gate had nothing against it.",
            f"batches/{batch['id']}",
        )
        slab = self.house.operator.post(
            f"batches/{batch['id']}/parts", performed_at=self.at(2), number=1, name="slab"
        )
        self.look("CP-WEIGH-1", 3, "each container against the batch sheet", "all as on the sheet", "start")
        self.look("CP-CLEAN-1", 4, "table, kettle, tempering machine and tools", "no residue seen", "start")
        self._check("CP-BLADE-1", 5, BLADES, occasion="start")
        self.find_metal(6, "start")
        self.look(
            "CP-LABEL-1", 7, "label on the pack against the approved version", "the approved version", "start"
        )
        self.print_sheet(batch)
        self.before_packing()
        for place, (material, quantity, unit) in enumerate(
            [
                ("SUG", "2.100", "KGM"),
                ("GLU", "4.02", "KGM"),
                ("FIL", "2.000", "KGM"),
                ("CHO", "0.900", "KGM"),
                ("PKG", "100", "H87"),
            ],
            start=1,
        ):
            self._use(batch, material, quantity, place, 8 + place, unit)
        self._correct_glucose(batch)
        self.house.operator.post(
            f"batches/{batch['id']}/steps",
            performed_at=self.at(15),
            ended_at=self.at(40),
            step="COOK",
            part=slab["id"],
        )
        self.house.operator.post(
            f"batches/{batch['id']}/quality-readings",
            performed_at=self.at(40),
            what="colour",
            value="amber, as card 4",
            part=slab["id"],
        )
        self.find_metal(60, "", sheet=self.sheet["code"], line=1)
        self.good = self._make("HZP", "2.000", 70)
        self.find_metal(118, "", sheet=self.sheet["code"], line=2)
        self.key_in_sheet()
        self.bad = self._make("HZP", "2.750", 150)
        self.failing = self.find_metal(178, "", "one or more missed")
        self.tell(
            f"The metal detector missed a test piece. The answer came at once: {self.failing['sentences'][0]}",
            f"checks/?batch={batch['id']}",
        )
        return batch

    def print_sheet(self, batch: dict[str, Any]) -> None:
        """Blank lines for the detector, since the power has gone before."""
        self.sheet = self.house.operator.post(
            "check-sheets",
            performed_at=self.at(8),
            day=self._clock(8).date().isoformat(),
            batch=batch["id"],
            control_points=[self.house.points["CP-METAL-1"]],
        )
        self.tell(
            f"A sheet of {self.sheet['lines']} blank lines for the metal detector was printed: {self.sheet['code']}.",
            f"check-sheets/{self.sheet['id']}",
        )

    def key_in_sheet(self) -> None:
        """Two lines were written by hand while the power was out; the rest of the sheet stayed blank."""
        where = f"check-sheets/{self.sheet['id']}"
        self.house.operator.attach(self.sheet["id"], "sheet.pdf", SCAN, performed_at=self.at(120))
        because = "Lines 3 to 6 stayed blank: the power was back."
        self.house.lead.post(f"{where}/written-off", performed_at=self.at(121), because=because)
        keyed = self.house.operator.get(where)["keyed"]
        self.tell(
            f"The power was out for two hours. {len(keyed)} lines written by hand were keyed in, marked as transcribed, "
            "with a scan of the sheet.",
            where,
        )

    def _correct_glucose(self, batch: dict[str, Any]) -> None:
        slip = self.used["GLU"]["id"]
        reason = "The comma slipped: the scale said 0.402 kg."
        self._use(batch, "GLU", "0.402", 2, 10, corrects=slip, reason=reason)

    def _water_activity(self) -> None:
        slip = self._check(
            "CP-AW-1",
            -58,
            [{**AW, "value": "0.32", "sample_temperature": "21.5", "sample_temperature_unit": "CEL"}],
            instrument="AW1",
        )
        right = self._check(
            "CP-AW-1",
            -58,
            [{**AW, "value": "0.42", "sample_temperature": "21.5", "sample_temperature_unit": "CEL"}],
            instrument="AW1",
            corrects=slip["id"],
            reason="Typed 0.32; the meter and the slip of paper say 0.42.",
        )
        self.tell(
            f"The filling's water activity was typed wrong and corrected with a reason: {right['sentences'][0]}",
            f"records/{slip['id']}",
        )

    # -- what failed --------------------------------------------------------------------------------

    def put_right(self) -> dict[str, Any]:
        cases = self.house.lead.get("deviations?open=true")["results"]
        case = next(each for each in cases if each["subject"] == self.failing["id"])
        whole = self.house.lead.get(f"deviations/{case['id']}")
        held = whole["lots_to_decide"]
        self.tell(
            f"A deviation was opened and {len(held)} lot held: {self.bad['lot_code']}, everything since the last good "
            f"test. Lot {self.good['lot_code']}, made before that, was not touched.",
            f"deviations/{case['id']}",
        )
        try:
            self._ship(self.bad, "CORNER", "10", 185)
        except Refused as refusal:
            reasons = "; ".join(each["detail"] for each in refusal.problem["reasons"])
            self.tell(f"Somebody tried to ship the held lot. Refused: {reasons}", f"lots/{self.bad['lot']}")
        self.find_metal(200, "end")
        self._check("CP-BLADE-1", 201, BLADES, occasion="end")
        self.look(
            "CP-LABEL-1", 202, "label on the pack against the approved version", "the approved version", "end"
        )
        self.after_packing()
        self.house.operator.post(f"batches/{self.batch['id']}/end", performed_at=self.at(205))
        return dict(case)

    def before_packing(self) -> None:
        """Before the first piece is packed."""

    def after_packing(self) -> None:
        """After the last piece is packed."""

    def decide(self, case: dict[str, Any], batch: dict[str, Any]) -> None:
        path = f"deviations/{case['id']}"
        answers = {
            "put-right": "The belt had slipped and pieces passed beside the coil. The belt was set and the test "
            "pieces were found again, three times each.",
            "cause": "The belt tension was not looked at after the belt was washed on Friday.",
            "prevention": "The tension is now on the list of what is looked at after every wash.",
        }
        self._answer(path, 210, answers)
        try:
            self._close(path, 214)
        except Refused as refusal:
            self.tell(f"Closing too early was refused: {refusal.problem['reasons'][0]['detail']}", path)
        because = "One sachet of test metal could not be accounted for among these pieces."
        self._destroy(path, 215, self.bad["lot"], because)
        self._move(
            "destroyed", 230, lot=self.bad["lot"], quantity="2.750", unit="KGM", document="waste note 3"
        )
        self.tell(
            "The lot was destroyed and the deviation closed by signature, every question answered.", path
        )

    # -- what left ----------------------------------------------------------------------------------

    def release_and_ship(self) -> None:
        self._release(self.good["lot"], 235)
        self.tell(
            f"Lot {self.good['lot_code']} was released: every due check is there, no case is open.",
            f"lots/{self.good['lot']}",
        )
        self._ship(self.good, "CORNER", "1.200", 240)
        self._ship(self.good, "LAKESIDE", "0.500", 241)
        self.tell("It was shipped to two customers.", f"lots/{self.good['lot']}/forward")

    def scan(self) -> None:
        """A pack comes back into somebody's hands: what is it?"""
        found = self.house.operator.post(
            "scan", text=f"]d201{MATERIALS['HZP'][1]['gtin']}10{self.good['lot_code']}"
        )
        (candidate,) = found["candidates"]
        ship = next(each for each in candidate["lot"]["doings"] if each["deed"] == "ship")
        self.tell(
            f"Scanned from the label of a box: {candidate['said']} To ship more of it: {ship['because']}",
            f"lots/{self.good['lot']}/label.svg?carrier=gs1-128",
        )

    def trace(self) -> None:
        back = self.house.lead.get(f"lots/{self.good['lot']}/back")
        suppliers = sorted({each["supplier_name"] for each in back["lots"] if each["supplier_name"]})
        self.tell(
            f"Traced back: {len(back['lots'])} lots, from {' and '.join(suppliers)}.",
            f"lots/{self.good['lot']}/back",
        )
        forward = self.house.lead.get(f"lots/{self.lots['NUT']['lot']}/forward")
        got = [each["partner_name"] for each in forward["consignments"] if each["what"] == "shipped"]
        customers = sorted(set(got))
        self.tell(
            f"The hazelnuts traced forward: {len(forward['lots'])} lots, shipped to {' and '.join(customers)}.",
            f"lots/{self.lots['NUT']['lot']}/forward",
        )

    # -- small steps --------------------------------------------------------------------------------

    def _start(self, code: str, quantity: str, minutes: int, equipment: list[str]) -> dict[str, Any]:
        return dict(
            self.house.operator.post(
                "batches",
                id=str(uuid7()),
                performed_at=self.at(minutes),
                recipe_version=self.house.recipe_versions[code]["id"],
                quantity=quantity,
                unit="KGM",
                equipment=[rows_id("equipment", each) for each in equipment],
            )
        )

    def _move(self, what: str, minutes: int, **body: Any) -> dict[str, Any]:
        return dict(self.house.operator.post(f"movements/{what}", performed_at=self.at(minutes), **body))

    def _use(
        self,
        batch: dict[str, Any],
        material: str,
        quantity: str,
        line: int,
        minutes: int,
        unit: str = "KGM",
        **more: str,
    ) -> None:
        lot = self.lots[material]["lot"]
        on = {"weighed_with": rows_id("instruments", "SC1")} if unit == "KGM" else {}
        said = {"lot": lot, "quantity": quantity, "unit": unit, "recipe_line": line, **on, **more}
        self.used[material] = self._move("used", minutes, batch=batch["id"], **said)

    def _make(self, code: str, quantity: str, minutes: int) -> dict[str, Any]:
        material = rows_id("materials", code)
        on = rows_id("instruments", "SC1")
        said = {"material": material, "quantity": quantity, "unit": "KGM", "weighed_with": on}
        return self._move("made", minutes, batch=self.batch["id"], **said)

    def look(
        self, point: str, minutes: int, quantity: str, outcome: str, occasion: str, **more: Any
    ) -> dict[str, Any]:
        said = [{"quantity": quantity, "outcome": outcome}]
        return self._check(point, minutes, said, occasion=occasion, **more)

    def find_metal(
        self, minutes: int, occasion: str, found: str = "all found and rejected", **more: Any
    ) -> dict[str, Any]:
        return self.look("CP-METAL-1", minutes, METAL, found, occasion, instrument="MD1", **more)

    def _check(
        self, point: str, minutes: int, readings: list[dict[str, str]], instrument: str = "", **more: Any
    ) -> dict[str, Any]:
        if instrument:
            more["instrument"] = rows_id("instruments", instrument)
        return dict(
            self.house.operator.post(
                "checks",
                performed_at=self.at(minutes),
                control_point=self.house.points[point],
                batch=self.batch["id"],
                readings=readings,
                **more,
            )
        )

    def _release(self, lot: str, minutes: int) -> None:
        self.house.lead.post(f"lots/{lot}/releases", performed_at=self.at(minutes), password=PASSWORD)

    def _ship(self, made: dict[str, Any], customer: str, quantity: str, minutes: int) -> None:
        self._move(
            "shipped",
            minutes,
            lot=made["lot"],
            customer=rows_id("partners", customer),
            quantity=quantity,
            unit="KGM",
            document=f"delivery note to {customer.lower()}",
        )

    def _answer(self, path: str, start: int, answers: dict[str, str]) -> None:
        for minutes, (question, text) in enumerate(answers.items(), start=start):
            self.house.lead.post(
                f"{path}/answers", performed_at=self.at(minutes), question=question, text=text
            )

    def _destroy(self, path: str, minutes: int, lot: str, because: str) -> None:
        """Decided for the one lot that the case holds, and the case closed."""
        self.house.lead.post(
            f"{path}/dispositions",
            performed_at=self.at(minutes),
            lot=lot,
            decision="destroy",
            because=because,
        )
        self._close(path, minutes + 1)

    def _close(self, path: str, minutes: int) -> None:
        self.house.lead.post(f"{path}/closing", performed_at=self.at(minutes), password=PASSWORD)
