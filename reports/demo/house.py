"""The demo's invented firm: its people, rooms, equipment, materials, recipes and plan, all set up over the API."""

from datetime import date, timedelta
from typing import Any
from uuid import UUID, uuid5

from django.utils import timezone

from haccp.plan_documents import starter_plan
from ledger import establishments, signing_keys
from ledger.acts import Act, Moment
from ledger.models import Entrance, Establishment, Person
from reports.demo.asking import Asking, Told

HOUSE = UUID("01a20000-0000-7000-8000-00000000d390")
PASSWORD = "amber-kettle-and-table"
APPROVED_BEFORE = timedelta(days=30)  # recipes and plan were approved a month before the story
PEOPLE = {
    "mara": ("Mara Lindqvist", "ML", "food-safety lead and administrator"),
    "jonas": ("Jonas Okafor", "JO", "operator at the stove"),
    "petra": ("Petra Sandoval", "PS", "inspector, reads only"),
}
MATERIALS: dict[str, tuple[str, dict[str, Any]]] = {
    "HZP": (
        "Layered hazelnut pillows",
        {
            "kind": "finished-product",
            "short_name": "HZP",
            "shelf_life_days": 90,
            "gtin": "09521234000013",  # 952 is kept for demonstrations (prefix table of the parser library, read)
        },
    ),
    "SBC": (
        "Salted butter caramels",
        {"kind": "finished-product", "short_name": "SBC", "shelf_life_days": 60},
    ),
    "LMD": ("Plain lemon drops", {"kind": "finished-product", "short_name": "LMD", "shelf_life_days": 365}),
    "TIN": (
        "Gift tin of lemon drops",
        {
            "kind": "finished-product",
            "short_name": "TIN",
            "dimension": "count",
            "piece_mass_mg": "500000",
            "shelf_life_days": 365,
        },
    ),
    "FIL": ("Hazelnut filling", {"kind": "intermediate", "short_name": "FIL", "shelf_life_days": 14}),
    "NUT": ("Hazelnut kernels, roasted", {"kind": "ingredient", "short_name": "NUT"}),
    "CHO": ("Chocolate for coating", {"kind": "ingredient", "short_name": "CHO"}),
    "SUG": ("White sugar", {"kind": "ingredient", "short_name": "SUG"}),
    "ICS": ("Icing sugar", {"kind": "ingredient", "short_name": "ICS"}),
    "GLU": ("Glucose syrup", {"kind": "ingredient", "short_name": "GLU"}),
    "LEO": ("Lemon oil", {"kind": "ingredient", "short_name": "LEO"}),
    "BUT": ("Butter, salted", {"kind": "ingredient", "short_name": "BUT"}),
    "PKG": ("Pillow bags", {"kind": "packaging", "short_name": "PKG", "dimension": "count"}),
}
EQUIPMENT = {
    "K1": ("Copper kettle", "kettle"),
    "K2": ("Steel kettle for drops", "kettle"),
    "T1": ("Stone table", "table"),
    "M1": ("Tempering machine", "tempering machine"),
    "G1": ("Grinder", "grinder"),
    "D1": ("Metal detector", "metal detector"),
}
RECIPES = {
    "FIL": ("2", [("NUT", "1.4", "KGM"), ("ICS", "0.6", "KGM")]),
    "HZP": (
        "5",
        [
            ("SUG", "2.1", "KGM"),
            ("GLU", "0.4", "KGM"),
            ("FIL", "2", "KGM"),
            ("CHO", "0.9", "KGM"),
            ("PKG", "100", "H87"),
        ],
    ),
    "LMD": ("2", [("SUG", "1.6", "KGM"), ("GLU", "0.4", "KGM"), ("LEO", "5", "GRM")]),
    "SBC": ("2", [("SUG", "1", "KGM"), ("GLU", "0.6", "KGM"), ("BUT", "0.4", "KGM")]),
    "TIN": ("2", [("LMD", "1", "KGM")]),
}
MADE_IN = {"TIN": "H87"}  # the others in kilograms

REWORK = {"most_permille": "50", "most_days": "3", "most_generations": "1"}
"""Like into like, little and soon (site setting of the invented firm, no source)."""
COMPOSITIONS: dict[str, dict[str, Any]] = {
    "NUT": {
        "water": "2",
        "water_uncertainty": "0.5",
        "tolerance": "1",
        "dissolved": [{"solute": "sucrose", "grams": "4"}],
        "undissolved": {"fat": "62", "protein": "16", "starch": "1", "other": "14"},
    },
    "ICS": {
        "water": "0.2",
        "water_uncertainty": "0.1",
        "tolerance": "0.5",
        "dissolved": [{"solute": "sucrose", "grams": "99.7"}],
    },
}
"""What invented suppliers' sheets say of 100 g."""
DETECTOR = "metal detector"
"""The kind of instrument that the firm's plan asks for where pieces are looked through for metal."""
STORE_LIMIT = {
    "kind": "range",
    "quantity": "temperature of the store",
    "unit": "CEL",
    "upper": "20",
    "source": {"provenance": "site", "citation": "The house's own; to be validated on site."},
}


def rows_id(kind: str, code: str) -> str:
    """The same id each time, so that a second run finds what the first one made."""
    return str(uuid5(HOUSE, f"{kind} {code}"))


def _plan_with_filling() -> dict[str, Any]:
    """The starter plan, made the firm's own: the filling is a batch of its own, with its own water activity."""
    document = starter_plan("three_products_one_table")
    sold = list(document["products"])
    made = [*sold, "FIL"]
    document["products"] = [*made, "TIN"]  # packed of what was checked where it was made
    for step in document["steps"]:
        if step["code"] == "FILLING":
            step["products"] = ["HZP", "FIL"]
    only = {"CP-METAL-1": sold, "CP-LABEL-1": sold, "CP-AW-1": ["FIL"]}
    for point in document["control_points"]:
        point.setdefault("products", made)
        if point["code"] in only:
            point["products"] = only[point["code"]]
        if point["code"] == "CP-STORE-1":
            point["limits"] = [STORE_LIMIT]
        if point["code"] == "CP-METAL-1":
            point["monitoring"]["instrument"] = DETECTOR
    return document


class House:
    """Everything that is set up once; asked again it answers what is there."""

    def __init__(self, tell: Told):
        self.tell = tell
        self.establishment = _open(tell)
        self.lead = Asking(self.establishment, "mara", PASSWORD)
        self._people()
        self.operator = Asking(self.establishment, "jonas", PASSWORD)
        for code, (name, kind) in EQUIPMENT.items():
            self._row("equipment", code, name, kind=kind)
        self._row("storage-places", "HOLD", "Locked cage for what is held", for_held=True)
        self._sugar_bin()
        for code, (name, values) in MATERIALS.items():
            self._row("materials", code, name, **values)
        self._partners()
        self.recipe_versions = {code: self._recipe(code) for code in RECIPES}
        self.plan_version = self._plan()
        self.points = {each["code"]: each["id"] for each in self.plan_version["control_points"]}
        self._instruments()
        self._compositions()
        self._let_the_inspector_in()

    def _people(self) -> None:
        for sign_in_name, role in (("jonas", "operator"), ("petra", "inspector")):
            if Person.objects.filter(sign_in_name=sign_in_name).exists():
                continue
            name, initials, _ = PEOPLE[sign_in_name]
            self.lead.post(
                "people",
                sign_in_name=sign_in_name,
                name=name,
                initials=initials,
                password=PASSWORD,
                role=role,
                from_day="2025-01-07",
            )
        self.lead.post(
            "qualifications",
            id=rows_id("qualification", "mara"),
            person=self.lead.person,
            performed_at="2026-01-12T09:00:00+01:00",
            title="Preventive controls for human food, course with examination",
            covers_plans=True,
            evidence="Certificate 2024-0117, copy in the office",
            issued_by="An invented training house",
            valid_from="2024-05-02",
            valid_until=None,
        )

    def _let_the_inspector_in(self) -> None:
        """Open for a month from now; once that is over, the next run opens another."""
        now = timezone.now()
        petra = Person.objects.get(sign_in_name="petra")
        standing = Entrance.objects.of(self.establishment).standing()
        if standing.filter(person=petra, closes_at__gt=now).exists():
            return
        self.lead.post(
            "entrances",
            performed_at=now.isoformat(),
            person=str(petra.pk),
            authority="Food office of an invented county",
            because="Yearly inspection, announced by letter.",
            opens_at=now.isoformat(),
            closes_at=(now + timedelta(days=30)).isoformat(),
            first_day="2025-01-07",
        )
        self.tell(
            f"{PEOPLE['petra'][0]} is let in for a month: documents made for outside, and every look is noted.",
            "entrances",
        )

    def _row(self, listed: str, code: str, name: str, **values: Any) -> str:
        body = {"id": rows_id(listed, code), "code": code, "name": name, **values}
        return str(self.lead.post(listed, **body)["id"])

    def _sugar_bin(self) -> None:
        """It is topped up before it is empty, so that one day's sugar is mixed with the last."""
        place = self._row("storage-places", "BIN", "Sugar bin by the kettle", refilled=True)
        self.lead.post(
            f"storage-places/{place}/found-empty",
            id=rows_id("found-empty", "BIN"),
            performed_at="2026-01-12T09:00:00+01:00",
            is_clean=True,
            note="New; washed and dried before its first sugar.",
        )

    def _partners(self) -> None:
        self._row(
            "partners", "NUTMILL", "Hillside Nut Mill", is_supplier=True, address="Mill Road 3, Oberfeld"
        )
        self._row(
            "partners", "PANTRY", "Old Harbour Pantry Goods", is_supplier=True, address="Quay 11, Seeborn"
        )
        self._row("partners", "CORNER", "The Corner Shop", is_customer=True, address="Market 2, Musterstadt")
        self._row("partners", "LAKESIDE", "Lakeside Kiosk", is_customer=True, address="Shore Path 8, Seeborn")
        self._row("partners", "STALL", "Our market stall", is_customer=True, outlet="stall")
        self._row("partners", "WEB", "Our web orders", is_customer=True, outlet="web")

    def _recipe(self, code: str) -> dict[str, Any]:
        size, inputs = RECIPES[code]
        lines = [
            {
                "position": str(place),
                "material": material,
                "quantity": quantity,
                "unit": unit,
                "tolerance_permille": "10",
            }
            for place, (material, quantity, unit) in enumerate(inputs, start=1)
        ]
        rework = {"materials": [code], "recipes": [f"R-{code}"], **REWORK}
        draft = {
            "batch_size": {"quantity": size, "unit": MADE_IN.get(code, "KGM")},
            "lines": lines,
            "steps": [],
            "rework": rework,
            "notes": "",
        }
        recipe = rows_id("recipe", code)
        self.lead.post(
            "recipes",
            id=recipe,
            code=f"R-{code}",
            name=MATERIALS[code][0],
            material=rows_id("materials", code),
            draft=draft,
        )
        known = self.lead.get(f"recipes/{recipe}/versions")["results"]
        return (
            known[0]
            if known
            else self.lead.post(f"recipes/{recipe}/versions", **self.signed(draft_version=1))
        )

    def signed(self, **values: Any) -> dict[str, Any]:
        return {"performed_at": self.approved_at, "password": PASSWORD, **values}

    @property
    def approved_at(self) -> str:
        return (Moment.now(self.establishment).local - APPROVED_BEFORE).isoformat()

    def _plan(self) -> dict[str, Any]:
        plan = rows_id("plan", "HOUSE")
        if not self.lead.there(f"plans/{plan}"):
            document = _plan_with_filling() | {
                "team": [
                    {
                        "person": PEOPLE["mara"][0],
                        "role": "food-safety lead, leads the team",
                        "competence": "Course in preventive controls, ten years at the table",
                    },
                    {
                        "person": PEOPLE["jonas"][0],
                        "role": "sugar boiler",
                        "competence": "Trained on this table since 2022",
                    },
                ],
                "flow_confirmation": {
                    "confirmed_by": PEOPLE["mara"][0],
                    "confirmed_on": date(2026, 1, 19).isoformat(),
                    "how": "Walked with a batch of each product from the store to the packing table.",
                },
            }
            self.lead.post("plans", id=plan, code="HOUSE", name="House plan", draft=document)
        known = self.lead.get(f"plans/{plan}/versions")["results"]
        if known:
            return dict(known[0])
        version = self.lead.post(f"plans/{plan}/versions", **self.signed(draft_version=1))
        self.tell(
            f"{PEOPLE['mara'][0]} approved the hazard plan, version {version['number']}, with "
            f"{len(version['control_points'])} control points.",
            f"plan-versions/{version['id']}",
        )
        return version

    def _instruments(self) -> None:
        self._row(
            "instruments",
            "TH1",
            "Logger of the store",
            kind="thermometer",
            serial="demo-0017",
            unit="CEL",
            range_lower="-20",
            range_upper="60",
            resolution="0.1",
            expanded_uncertainty="0.4",
            verify_every_days=30,
        )
        self._row(
            "instruments",
            "AW1",
            "Water activity meter",
            kind="water activity meter",
            serial="demo-0042",
            unit="C62",
            range_lower="0.1000",
            range_upper="1.0000",
        )

        self._row(
            "instruments",
            "SC1",
            "Bench scale",
            kind="balance",
            serial="demo-0008",
            unit="KGM",
            range_lower="0",
            range_upper="30",
            resolution="0.001",
            expanded_uncertainty="0.002",
        )
        self._row(
            "instruments",
            "MD1",
            "Detector over the packing belt",
            kind=DETECTOR,
            serial="demo-0023",
            unit="MMT",  # the diameter of the test pieces it finds
        )

    def _compositions(self) -> None:
        for material, document in COMPOSITIONS.items():
            self._row(
                "compositions",
                f"SHEET-{material}",
                f"{MATERIALS[material][0]}, as its supplier states it",
                material=rows_id("materials", material),
                document=document,
                method="supplier's sheet",
                source="The sheet of an invented supplier",
                provenance="site",
                in_force_from="2025-06-02",
            )


def _open(tell: Told) -> Establishment:
    found = Establishment.objects.filter(pk=HOUSE).first()
    if found is not None:
        tell(f"{found.name} is set up already; its story goes on with another day.", "")
        return found
    name, initials, _ = PEOPLE["mara"]
    founder = Person.objects.create_user(
        "mara", PASSWORD, name=name, initials=initials, email="mara@example.org"
    )
    made = establishments.open_establishment(
        founder=founder,
        id=HOUSE,
        since=date(2024, 5, 2),
        name="Hollow Lane Confectionery",
        address="Hollow Lane 7\n00000 Musterstadt",
        country="DE",
        time_zone="Europe/Berlin",
        altitude_m=310,
        gs1_prefixes=["9521234"],
        gln="9521234000006",
    )
    _make_signing_key(made, founder)
    tell(f"{made.name} was set up. {founder.name} is its food-safety lead.", "")
    return made


def _make_signing_key(here: Establishment, founder: Person) -> None:
    """As setting up a house does: its documents are signed with a key of its own."""
    now = Moment.now(here)
    signing_keys.make(act=Act(establishment=here, performed_by=founder, performed=now, recorded_by=founder))
