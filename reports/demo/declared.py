"""What the demo's firm declares: the allergen list, what its suppliers state, its labels, and how it cleans the table."""

import hashlib
import io
from typing import Any

import pydyf

from haccp.allergens import files
from reports.demo.asking import Told
from reports.demo.house import House, rows_id

STATED_ON = "2026-01-15"
NOT_SAID = "sesame"
"""What the sheet of the chocolate says nothing of: unknown, until a paper for the lot says it."""

STATED: dict[str, tuple[str, str, dict[str, dict[str, str]]]] = {
    "NUT": (
        "NUTMILL",
        "Specification 12 of the mill",
        {"hazelnut": {"says": "contains"}},
    ),
    "CHO": (
        "PANTRY",
        "Sheet 31, dark chocolate for coating",
        {
            "soybean": {"says": "contains"},
            "milk": {"says": "may-contain", "because": "milk chocolate runs on the same line"},
            NOT_SAID: {},
        },
    ),
    "GLU": (
        "PANTRY",
        "Sheet 8, glucose syrup of wheat",
        {
            "wheat": {
                "says": "exempt",
                "because": "glucose syrup of wheat; Reg (EU) 1169/2011, Annex II, 1 (a)",
            }
        },
    ),
    "SUG": ("PANTRY", "Sheet 2, white sugar", {}),
    "ICS": ("PANTRY", "Sheet 3, icing sugar", {}),
    "LEO": ("PANTRY", "Sheet 17, lemon oil", {}),
    "BUT": ("PANTRY", "Sheet 22, butter", {"milk": {"says": "contains"}}),
}
"""By material: who states, on which paper, and what differs from "free of it". Invented, like the firm."""

FREE = {"says": "free-of", "because": "the supplier's paper: not on the site, or shown by its tests"}

CHOCOLATE = [
    {"name": "cocoa mass"},
    {"name": "sugar"},
    {"name": "cocoa butter"},
    {"name": "emulsifier: lecithins of soya", "allergens": ["soybean"]},
]

LABELS: dict[str, dict[str, Any]] = {
    "HZP": {
        "name": {"en": "Layered hazelnut pillows"},
        "contains": ["hazelnut", "soybean"],
        "may_contain": [
            {"allergen": "milk", "reason": "The maker of the chocolate cannot keep it out; its sheet 31."}
        ],
        "ingredients": [
            {"name": {"en": "sugar"}, "material": "SUG"},
            {
                "name": {"en": "hazelnut filling"},
                "material": "FIL",
                "percent": "37.0",
                "parts": [
                    {
                        "name": {"en": "*hazelnuts*"},
                        "material": "NUT",
                        "percent": "25.9",
                        "allergens": ["hazelnut"],
                    },
                    {"name": {"en": "icing sugar"}, "material": "ICS"},
                ],
            },
            {
                "name": {"en": "dark chocolate"},
                "material": "CHO",
                "parts": [
                    {"name": {"en": "cocoa mass"}},
                    {"name": {"en": "sugar"}},
                    {"name": {"en": "cocoa butter"}},
                    {"name": {"en": "emulsifier: lecithins of *soya*"}, "allergens": ["soybean"]},
                ],
            },
            {"name": {"en": "glucose syrup"}, "material": "GLU"},
        ],
        "net_quantity": {"quantity": "45", "unit": "GRM"},
        "warnings": [{"kind": "choking", "text": {"en": "Hard pieces: not for small children."}}],
    },
    "LMD": {
        "name": {"en": "Plain lemon drops"},
        "contains": [],
        "may_contain": [],
        "ingredients": [
            {"name": {"en": "sugar"}, "material": "SUG"},
            {"name": {"en": "glucose syrup"}, "material": "GLU"},
            {"name": {"en": "lemon oil"}, "material": "LEO", "percent": "0.2"},
        ],
        "net_quantity": {"quantity": "100", "unit": "GRM"},
        "warnings": [{"kind": "choking", "text": {"en": "Hard pieces: not for small children."}}],
    },
}

DOSES = {
    "dose_set": "FAO/WHO",
    "dated": "2022",
    "source": "FAO/WHO expert consultation, part 2 (read, quoted)",
}
WASH = {
    "method": "wet",
    "minutes": "50",
    "equipment_kinds": ["table"],
    "steps": [
        {"code": "SCRAPE", "what": "Scrape down to the bare stone", "by": "scrape"},
        {"code": "WASH", "what": "Wash with hot water and detergent, edges and legs too", "by": "wash"},
        {"code": "RINSE", "what": "Rinse with clean water", "by": "rinse"},
        {"code": "DRY", "what": "Dry with paper until nothing shines", "by": "dry"},
    ],
    "clears": {
        "allergens": ["hazelnut", "milk", "sesame", "soybean"],
        "microbiological": False,
        "foreign-bodies": True,
    },
    "verify": [
        {"by": "visual", "where": "Whole stone, edges, legs"},
        {"by": "swab", "allergens": ["hazelnut"], "where": "Four corners and the worst place"},
    ],
    "levels": {"eaten_g": "40", "doses": [{"allergen": "hazelnut", "mg": "3.0", **DOSES}]},
    "validation": "Three runs of 12 to 14 January 2026 after hazelnut filling and chocolate; swabs in report 7 of the "
    "firm. Invented, like the firm.",
}


def members() -> list[str]:
    """Every allergen of the list that ships."""
    groups = files.shipped_list("eu")["document"]["groups"]
    return [member["code"] for group in groups for member in group["members"]]


def drawn(label: dict[str, Any]) -> bytes:
    """The artwork of a label, plainly: its words on a page of its own. The same bytes each time."""
    contains = ", ".join(label["contains"]) or "none of those listed"
    may = ", ".join(each["allergen"] for each in label["may_contain"])
    listed = ", ".join(each["name"]["en"] for each in label["ingredients"])
    net = f"{label['net_quantity']['quantity']} g"
    lines = [
        label["name"]["en"],
        listed,
        f"Contains: {contains}.",
        f"May contain: {may}." if may else "",
        net,
    ]
    text = pydyf.Stream()
    text.begin_text()
    text.set_font_size("F1", 9)
    text.set_text_matrix(1, 0, 0, 1, 12, 80)
    for line in lines:
        text.show_text_string(line.replace("*", ""))
        text.move_text_to(0, -14)
    text.end_text()
    pdf, font = (
        pydyf.PDF(),
        pydyf.Dictionary({"Type": "/Font", "Subtype": "/Type1", "BaseFont": "/Helvetica"}),
    )
    for each in (text, font):
        pdf.add_object(each)
    fonts = pydyf.Dictionary({"Font": pydyf.Dictionary({"F1": font.reference})})
    page = {"Type": "/Page", "Parent": pdf.pages.reference, "Contents": text.reference, "Resources": fonts}
    pdf.add_page(pydyf.Dictionary({**page, "MediaBox": pydyf.Array([0, 0, 300, 100])}))
    written = io.BytesIO()
    pdf.write(written)
    return written.getvalue()


class Declared:
    """All of it, set up once; asked again it answers what is there."""

    def __init__(self, house: House, tell: Told):
        self.house, self.lead, self.tell = house, house.lead, tell
        known = self.lead.there(f"cleaning-procedures/{rows_id('cleaning-procedures', 'WASH-TABLE')}")
        self.list = self._list()
        for material in STATED:
            self._state(material)
        self._chocolate()
        self.labels = {code: self._label(code) for code in LABELS}
        self.wash = self._approved(
            "cleaning-procedures", "WASH-TABLE", name="Stone table, washed", draft=WASH
        )
        if not known:
            self._told()

    def _told(self) -> None:
        found = self.list
        self.tell(
            f"The allergen list of the European Union was brought in. It counts at once; it is {found['status']}.",
            f"allergen-lists/{found['id']}",
        )
        self.tell(
            "What suppliers state was written down: the hazelnuts contain hazelnut, the chocolate contains soya and may "
            f"contain milk. Of {NOT_SAID} its sheet says nothing, so that is unknown.",
            "allergen-statements",
        )
        self.tell(
            "Labels of the pillows and the lemon drops were drafted and approved by signature, each with its artwork.",
            f"label-versions/{self.labels['HZP']['id']}",
        )

    def _list(self) -> dict[str, Any]:
        return dict(self.lead.post("allergen-lists/from-file", example="eu")["list"])

    def _state(self, material: str) -> None:
        statement = rows_id("statement", material)
        if self.lead.there(f"allergen-statements/{statement}"):
            return
        supplier, paper, differs = STATED[material]
        says = [{"allergen": code, **differs.get(code, FREE)} for code in members()]
        self.lead.post(
            "allergen-statements",
            id=statement,
            performed_at=self.house.approved_at,
            material=rows_id("materials", material),
            supplier=rows_id("partners", supplier),
            says=[each for each in says if "says" in each],
            document=paper,
            document_day=STATED_ON,
            in_force_from=STATED_ON,
        )

    def _chocolate(self) -> None:
        self.lead.post(
            "stated-parts",
            id=rows_id("stated-parts", "CHO"),
            code="P-CHO",
            name="Dark chocolate",
            material=rows_id("materials", "CHO"),
            document={"parts": CHOCOLATE},
            source="Sheet 31, dark chocolate for coating",
            provenance="invented, like the firm",
            in_force_from=STATED_ON,
        )

    def _label(self, code: str) -> dict[str, Any]:
        artwork = drawn(LABELS[code])
        draft = {
            "languages": ["en"],
            **LABELS[code],
            "artwork": {"sha256": hashlib.sha256(artwork).hexdigest()},
        }
        name = f"{LABELS[code]['name']['en']}, bag"
        return self._approved(
            "labels",
            f"L-{code}",
            artwork,
            name=name,
            material=rows_id("materials", code),
            draft=draft,
        )

    def _approved(
        self, listed: str, code: str, artwork: bytes | None = None, **values: Any
    ) -> dict[str, Any]:
        """A row with its first version; artwork is hung on the record of its draft."""
        where = f"{listed}/{rows_id(listed, code)}"
        if self.lead.there(where) and (known := self.lead.get(f"{where}/versions")["results"]):
            return dict(known[0])
        made = self.lead.post(listed, id=rows_id(listed, code), code=code, **values)
        if artwork is not None:
            self.lead.attach(made["record"], f"{code}.pdf", artwork, self.house.approved_at)
        return dict(self.lead.post(f"{where}/versions", **self.house.signed(draft_version=1)))
