"""The demo's firm after its day, and what a client may say of it: bodies, ids and addresses for every route.

Bodies are made from the OpenAPI document, so that a new field or route is covered on the day it is documented.
"""

import copy
import io
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.core.management import call_command
from django.db import connection, transaction
from django.test import override_settings
from django.utils import timezone

from haccp import due_instruments
from haccp.api.recall_plans import PLAN
from haccp.compliance import reliefs
from haccp.inspections import due as inspections_due
from haccp.models import Check
from ledger import people
from ledger.acts import Act, Moment
from ledger.models import Membership, Person, Token
from reports.demo.asking import Asking
from reports.demo.earlier import bring_in_papers
from reports.demo.house import HOUSE, PASSWORD, House, rows_id
from reports.demo.story import BLADES, Story

OURS = ("ledger", "batches", "haccp", "reports")
BASE = "/api/v1/establishments/{establishment}/"
NOW = "2026-03-02T09:30:00+01:00"
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d49444154789c6360000002000001e221bc330000000049454e44ae426082"
)


@dataclass
class Scene:
    """``ids`` by what they are ids of; ``document`` is the OpenAPI document; ``key`` is the lead's."""

    key: str
    ids: dict[str, str]
    document: dict[str, Any]
    headers: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self.headers = {"Authorization": f"Bearer {self.key}"}

    # -- addresses ----------------------------------------------------------------------------------

    def operations(self, *methods: str) -> list[tuple[str, str]]:
        return [
            (method, path)
            for path, described in self.document["paths"].items()
            for method in described
            if method in methods
        ]

    def address(self, path: str) -> str:
        """An address of the document with ids of rows that are there."""
        for name in re.findall(r"{(\w+)}", path):
            path = path.replace(f"{{{name}}}", self.id_in(path, name))
        return path

    def id_in(self, path: str, name: str) -> str:
        """The id that goes where ``{name}`` stands: of what the part before it lists."""
        if name == "establishment":
            return str(HOUSE)
        return self.ids[path.split(f"/{{{name}}}")[0].rsplit("/", 1)[-1]]

    # -- bodies -------------------------------------------------------------------------------------

    def described(self, schema: dict[str, Any]) -> dict[str, Any]:
        while "$ref" in schema:
            schema = self.document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[-1]]
        for together in ("allOf", "oneOf", "anyOf"):
            if together in schema:
                return self.described(schema[together][0])
        return schema

    def body_schema(self, method: str, path: str) -> tuple[str, dict[str, Any]] | None:
        content = self.document["paths"][path][method].get("requestBody", {}).get("content", {})
        for media_type, told in content.items():
            return media_type, self.described(told["schema"])
        return None

    def body(self, method: str, path: str) -> dict[str, Any]:
        """What the operation takes as it is: usual values, and ids of rows that are there."""
        found = self.body_schema(method, path)
        made, known = (
            ({}, {}) if found is None else (self._object(found[1], short(path)), found[1]["properties"])
        )
        special = SPECIAL.get(short(path), {})
        special = copy.deepcopy(special(self) if callable(special) else special)
        made |= {name: value for name, value in special.items() if name in known}
        return {name: value for name, value in made.items() if value is not None}

    def _object(self, schema: dict[str, Any], where: str) -> dict[str, Any]:
        return {
            name: self._value(name, self.described(told), where)
            for name, told in schema.get("properties", {}).items()
            if name not in LEFT_OUT
        }

    def _value(self, name: str, schema: dict[str, Any], where: str) -> Any:
        usual = {**USUAL, **self.ids}.get(name)
        if usual is not None:
            return usual
        kind = schema.get("type")
        kind = kind[0] if isinstance(kind, list) else kind
        if "enum" in schema:
            return schema["enum"][0]
        if kind == "object":
            return self._object(schema, where)
        if kind == "array":
            return [self._value(name, self.described(schema["items"]), where)]
        if kind in ("integer", "number"):
            return schema.get("minimum", 1)
        if kind == "boolean":
            return False
        if schema.get("format") == "uuid":
            raise KeyError(f"no row for {name} of {where}")
        return {"date": "2026-03-02", "date-time": NOW}.get(schema.get("format", ""), "a word")


def short(path: str) -> str:
    """The part of an address below the establishment's."""
    return path.removeprefix(BASE).removeprefix("/api/v1/")


LEFT_OUT = {
    "rule",
    "id",
    "corrects",
    "performed_by",
    "sent_at",
    "lot_code_pattern",
    "gtin",
    "gln",
    "gs1_prefixes",
    "yaml",
    "starter",
}
USUAL: dict[str, Any] = {
    "performed_at": NOW,
    "quantity": "1",
    "unit": "KGM",
    "password": PASSWORD,
    "new_password": "another-kettle-and-table",
    "code": "NEW-1",
    "short_name": "NEW",
    "draft_version": 1,
    "email": "new@example.org",
    "exercise_mailbox": "exercise@example.org",
    "hold": None,
    "time_zone": "Europe/Berlin",
    "country": "DE",
    "meaning": "recorded",
    "control_points": [],
}


def relief_from(days: int) -> dict[str, Any]:
    """Of the house's land, for ten days from so many days on."""
    first = timezone.now().astimezone(ZoneInfo("Europe/Berlin")).date() + timedelta(days=days)
    return {
        "relief": "eu-nature-and-size",
        "basis": "Two people, one kitchen.",
        "evidence": "Letter of the food office.",
        "from_day": first.isoformat(),
        "until_day": (first + timedelta(days=10)).isoformat(),
    }


TRIED_LIMIT = {"kind": "range", "quantity": "water activity", "unit": "C62", "upper": "0.5"}


def _check(scene: Scene) -> dict[str, Any]:
    readings = [dict(each) for each in BLADES]
    return {
        "readings": readings,
        "control_point": scene.ids["blade_point"],
        "occasion": "",
        "part": None,
        "lot": None,
        "instrument": None,
        "sheet": None,
        "line": None,
    }


def _check_sheet(scene: Scene) -> dict[str, Any]:
    return {"control_points": [scene.ids["blade_point"]], "batch": None, "lines_each": 1}


def _a_movement(scene: Scene) -> dict[str, Any]:
    return {"items": [{"what": "sampled", "movement": scene.body("post", BASE + "movements/sampled")}]}


PROBE = {
    "unit": "CEL",
    "range_lower": "0",
    "range_upper": "1",
    "resolution": "0.1",
    "expanded_uncertainty": "0.1",
}
COMPOSITION = {
    "document": {"water": "100", "water_uncertainty": "0", "tolerance": "0"},
    "in_force_until": None,
}
VERIFICATION = {
    "method": "saturated-salt",
    "standard": "Salt jar 2",
    "unit": "C62",
    "salt": "NaCl",
    "temperature": "25",
    "as_found": "0.751",
    "as_left": None,
    "stated": None,
    "pressure": None,
    "tolerance": "0.005",
    "covers_lower": "0.7",
    "covers_upper": "0.8",
}
LABEL = {
    "languages": ["en"],
    "name": {"en": "Hazelnut filling"},
    "contains": ["hazelnut"],
    "may_contain": [{"allergen": "almond", "reason": "Same grinder."}],
    "ingredients": [
        {"name": {"en": "*hazelnuts*"}, "material": "NUT", "allergens": ["hazelnut"]},
        {"name": {"en": "icing sugar"}, "material": "ICS"},
    ],
    "unpacked": True,
}
VISITOR = {"name": "R. Quiet", "function": "food inspector"}
STRATEGY = {"depth": "retail", "level": "A", "because": "All buyers are known."}
BUYER = {"name": "A. Buyer", "email": "buyer@example.org"}
STATED_PARTS = {"document": {"parts": [{"name": "sugar"}, {"name": "milk powder", "allergens": ["milk"]}]}}
PACKED = {"issued": "9", "applied": "7", "spoiled": "2", "returned": "0"}
RULE = {"quantity": "water activity", "unit": "C62", "lower": None, "upper": "0.6", "in_force_until": None}
ALLERGEN_LIST = {
    "document": {
        "groups": [
            {
                "code": "milk",
                "name": "milk",
                "members": [{"code": "milk", "name": "milk", "provenance": "read"}],
            }
        ]
    },
    "in_force_until": None,
}
ALLERGENS_SAID = [{"allergen": "milk", "says": "free-of", "because": "the mill handles none"}]
CLEANING = {
    "method": "dry",
    "minutes": "15",
    "steps": [{"code": "VAC", "what": "Vacuum all crumbs", "by": "vacuum"}],
    "clears": {"allergens": ["milk"], "microbiological": False, "foreign-bodies": False},
    "verify": [{"by": "visual", "where": "All of it"}],
    "validation": "Three runs of January; report 3.",
}
A_LOOK: dict[str, Any] = {
    "method": "visual",
    "outcome": "clean",
    **dict.fromkeys(
        (
            "equipment",
            "allergen",
            "value",
            "unit",
            "detection_limit",
            "wiped_cm2",
            "contact_cm2",
            "tested_ml",
            "rinse_ml",
            "first_product_kg",
            "counts",
            "validated_for",
        )
    ),
}


def _changeover(scene: Scene) -> dict[str, Any]:
    return {
        "equipment": [scene.ids["equipment"]],
        "from_batch": None,
        "to_material": scene.ids["product"],
        "to_recipe_version": None,
        "procedure_version": scene.ids["cleaning-procedure-versions"],
        "ended_at": None,
        "steps": [{"step": "VAC", "done_at": NOW}],
        "clearance": {
            "product": True,
            "counts": [{"what": "Labels", "issued": "2", "used": "1", "spoiled": "0", "returned": "1"}],
        },
    }


PIECE = {"piece_length_mm": "76.2", "piece_width_mm": "19.05", "blade_mm": "2"}
UNASKED = ("marginal_share", "lot", "bad", "marginal", "confidence")
# What usual values alone do not make acceptable.
SPECIAL: dict[str, Any] = {
    "keys": {"sign_in_name": "mara", "label": "a tablet", "days": 3},
    "allergen-lists": ALLERGEN_LIST,
    "allergen-lists/from-file": {"example": "eu"},
    "allergen-lists/{id}": ALLERGEN_LIST,
    "allergen-lists/{id}/confirmation": {"list_version": 1},
    "allergen-statements": {"says": ALLERGENS_SAID, "lot": None},
    "allergen-statements/withdrawn": lambda scene: {
        "corrects": scene.ids["allergen-statements"],
        "reason": "Never said.",
    },
    "batches": lambda scene: {"recipe_version": scene.ids["recipe-versions"], "equipment": []},
    "batches/{uid}/parts": {"number": 7},
    "batches/{uid}/starts": lambda scene: {
        "corrects": scene.ids["start"],
        "reason": "Misread.",
        "equipment": [scene.ids["equipment"]],
    },
    "batches/{uid}/withdrawn": lambda scene: {
        "what": "step",
        "corrects": scene.ids["step"],
        "reason": "Not this batch.",
    },
    "changeovers": _changeover,
    "changeovers/withdrawn": lambda scene: {
        "corrects": scene.ids["changeovers"],
        "reason": "Never happened.",
    },
    "changeovers/{id}/verifications": A_LOOK,
    "changeovers/{id}/releases": {"allergens": None, "performed_at": "2026-03-03T10:30:00+01:00"},
    "changeover-verifications/withdrawn": lambda scene: {
        "corrects": scene.ids["changeover_verification"],
        "reason": "Never happened.",
    },
    "changeover-releases/withdrawn": lambda scene: {
        "corrects": scene.ids["changeover_release"],
        "reason": "Never happened.",
    },
    "cleaning-procedures": {"draft": CLEANING},
    "cleaning-procedures/{id}": {"draft": CLEANING},
    "check-sheets": _check_sheet,
    "checks": _check,
    "checks/many": lambda scene: {"items": [scene.body("post", BASE + "checks")]},
    "checks/withdrawn": lambda scene: {"corrects": scene.ids["check"], "reason": "Never happened."},
    "storage-places/{id}/found-empty/withdrawn": lambda scene: {
        "corrects": scene.ids["found_empty"],
        "reason": "Never happened.",
    },
    "documents": lambda scene: {
        "subject": scene.ids["batch"],
        "trial": None,
        "tags": None,
        "table": None,
        "trace": None,
        "report": None,
        "plan": None,
        "balance": None,
        "file": None,
        "profile": None,
        "retention": None,
        "period": None,
    },
    "run-orders": lambda scene: {
        "batches": [{"name": "A", "material": scene.ids["product"], "minutes": 30}],
        "cleaning": [{"after": None, "before": "A", "minutes": 0}],
        "before": [],
        "equipment": None,
    },
    "stated-parts": STATED_PARTS | {"in_force_from": "2026-04-01"},
    "stated-parts/{id}": STATED_PARTS,
    "trials": {"quantity": "water activity", "limit": TRIED_LIMIT, "points": None, "rule": None},
    "contact-assessments": {"lot": None, "allergens": ["almond"], "until": "2027-01-01"},
    "contact-assessments/withdrawn": lambda scene: {
        "corrects": scene.ids["contact-assessments"],
        "reason": "The table is another now.",
    },
    "compositions": COMPOSITION | {"in_force_from": "2026-04-01"},
    "compositions/{id}": COMPOSITION,
    "deviations": lambda scene: {"hold": {"kind": "lot", "subject": scene.ids["lot"], "since": None}},
    "deviations/{id}/dispositions": lambda scene: {"lot": scene.ids["held_lot"]},
    "deviations/{id}/holds": lambda scene: {"hold": {"kind": "lot", "subject": scene.ids["lot"]}},
    "recalls": lambda scene: {
        "deviation": scene.ids["deviations"],
        "is_exercise": False,
        "hazard": "label",
        "determined_at": NOW,
        "strategy": STRATEGY,
    },
    "notices-arrived": lambda scene: {
        "partner": scene.ids["supplier"],
        "sender": None,
        "came_by": "phone",
        "came_at": NOW,
        "materials": None,
        "codes": ["L1"],
        **dict.fromkeys(("code_from", "code_to", "received_from", "received_to")),
        **dict.fromkeys(("best_before_from", "best_before_to")),
    },
    "notices-arrived/{id}/replies": {"means": "phone", "language": "en", "figures_at": NOW},
    "notices-arrived/{id}/recalls": {
        "hazard": "label",
        "determined_at": NOW,
        "strategy": STRATEGY,
        "carried_over": {"allergens": ["almond"]},
    },
    "inspections": lambda scene: {"visitors": [VISITOR], "accompanied_by": [scene.ids["person"]]},
    "inspections/{id}/notes": {"document": None},
    "inspections/{id}/samples": {"taken_before": None, "counter": "none"},
    "inspections/{id}/findings": dict.fromkeys(("batch", "control_point", "equipment")),
    "inspections/{id}/findings/{finding}/closing": {"by": "house"},
    "inspections/{id}/withdrawn": lambda scene: {
        "what": "note",
        "corrects": scene.ids["inspection_note"],
        "reason": "Of another visit.",
    },
    "recall-plans": PLAN,
    "recall-questions/{id}/verdicts": {"recall": None},
    "recalls/{id}/strategies": {"strategy": STRATEGY},
    "recalls/{id}/scopes": lambda scene: {"lots": [scene.ids["held_lot"]], "hazard": None},
    "recalls/{id}/exclusions": lambda scene: {"lot": scene.ids["lot"]},
    "recalls/{id}/notices": lambda scene: {
        "partner": scene.ids["customer"],
        "order": None,
        "means": "phone",
        "language": "en",
    },
    "recalls/{id}/answers": lambda scene: {
        "partner": scene.ids["customer"],
        "order": None,
        "means": "phone",
        "lots": [{"lot": scene.ids["lot"], "unit": "KGM", "received": "1"}],
    },
    "instrument-verifications": VERIFICATION,
    "instrument-verifications/withdrawn": lambda scene: {
        "corrects": scene.ids["instrument-verifications"],
        "reason": "Never happened.",
    },
    "instruments": PROBE,
    "instruments/{id}": PROBE,
    "labels": {"draft": LABEL},
    "labels/{id}": {"draft": LABEL},
    "local-rules": RULE,
    "local-rules/from-file": {"example": "eu", "csv": None},
    "local-rules/{id}": RULE,
    "local-rules/{id}/confirmation": {"rule_version": 1},
    "materials": {"dimension": "mass", "kind": "ingredient"},
    "movements/made": lambda scene: {
        "material": scene.ids["product"],
        "lot": None,
        "rework_from": None,
    },
    "movements/many": _a_movement,
    "movements/moved": lambda scene: {"from_place": None},
    "movements/shipped": lambda scene: {"lot": scene.ids["released_lot"]},
    "movements/used": {"part": None, "recipe_line": 1},
    "movements/withdrawn": lambda scene: {"corrects": scene.ids["movement"], "reason": "Never happened."},
    "packing-checks": {"lot": None, "seen": "", "counts": PACKED},
    "packing-checks/withdrawn": lambda scene: {
        "corrects": scene.ids["packing-checks"],
        "reason": "Never happened.",
    },
    "at-outlets/withdrawn": lambda scene: {"corrects": scene.ids["at-outlets"], "reason": "Twice."},
    "movements/returned": {"order": None},
    "partners": {"is_supplier": True, "outlet": None},
    "partners/{id}": {"is_supplier": True, "outlet": None},
    "web-orders": lambda scene: {
        "outlet": scene.ids["web_outlet"],
        "lines": [{"lot": scene.ids["released_lot"], "quantity": "1", "unit": "GRM"}],
        "buyer": BUYER,
    },
    "plans": {"draft": {"title": "Drops"}},
    "plans/{id}": {"draft": {"title": "Drops"}},
    "plans/{id}/versions": {"draft_version": 1},
    "recipes": {"draft": {"notes": "Hot sugar sticks."}},
    "people": {"sign_in_name": "newcomer", "role": "operator", "initials": "NC"},
    "qualifications": {"valid_until": None},
    "reviews": lambda scene: {"records": [scene.ids["check"]]},
    "laminating": {
        "layers": {"folds": ["letter"], "slab_mm": "12"},
        "sheet": None,
        "slab": None,
        "pieces": {**dict.fromkeys(("length_mm", "width_mm"), "300"), **PIECE},
        "mass_yield": None,
    },
    "sampling-plans": {"n": 5, "c": 0, "bad_share": "0.1", **dict.fromkeys(UNASKED)},
    "residues/action-levels": {
        "eaten_g": "200",
        "allergens": ["milk"],
        "doses": None,
        "detection_limit": "1",
    },
    "residues/swab": {"found": "5", "contact_cm2": "2000", "first_product_g": "400", "batch_g": "60000"},
    "compliance-reliefs": lambda scene: relief_from(days=30),
    "compliance-reliefs/withdrawn": lambda scene: {
        "corrects": scene.ids["relief"],
        "reason": "It never held.",
    },
    "disclosures": lambda scene: {"subject": scene.ids["batch"], "part": "recipe"},
    "disclosures/taken-back": lambda scene: {
        "corrects": scene.ids["disclosure"],
        "reason": "No longer asked.",
    },
    "entrances": lambda scene: {
        "person": scene.ids["inspector"],
        "newcomer": None,
        "opens_at": "2025-03-03T08:00:00+01:00",
        "closes_at": "2025-03-04T18:00:00+01:00",
        "first_day": "2025-01-07",
        "last_day": None,
    },
    "entrances/revoked": lambda scene: {"corrects": scene.ids["entrance"], "reason": "Over."},
    "retention/periods": {"group": "everything", "years": 10},
    "retention/taken-back": lambda scene: {
        "corrects": scene.ids["legal_hold"],
        "reason": "The court has decided.",
    },
    "series/withdrawn": lambda scene: {"corrects": scene.ids["series"], "reason": "Never was."},
    "roles": {"until_day": None, "role": "supervisor"},
    "roles/{id}": {"until_day": None},
}


@contextmanager
def played(folder: Path) -> Iterator[Scene]:
    """The story, played in one transaction that is undone in the end."""
    quick = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    settings = {"PASSWORD_HASHERS": quick, "MEDIA_ROOT": folder / "files", "SIGNING_KEYS": folder / "keys"}
    with override_settings(**settings), transaction.atomic():
        house = House(lambda sentence, where: None)
        Story(house, lambda sentence, where: None).play()
        bring_in_papers(house, lambda sentence, where: None)
        yield Scene(_key(house), _ids(house), _document())
        transaction.set_rollback(True)


def _document() -> dict[str, Any]:
    told = io.StringIO()
    call_command("spectacular", format="openapi-json", stdout=told)
    return dict(json.loads(told.getvalue()))


def _key(house: House) -> str:
    lead = Person.objects.get(pk=house.lead.person)
    act = Act(
        establishment=house.establishment,
        performed_by=lead,
        performed=Moment.now(house.establishment),
        recorded_by=lead,
    )
    return people.give_token(act=act, person=lead, label="scene", days=30)[1]


def _ids(house: House) -> dict[str, str]:
    """An id of each kind of row, by the names that addresses and bodies have for it."""
    lead = house.lead
    running = lead.post(
        "batches",
        performed_at=NOW,
        recipe_version=house.recipe_versions["FIL"]["id"],
        quantity="2",
        unit="KGM",
        equipment=[],
        already_happened=True,
    )["id"]
    first, second = (
        lead.post(f"batches/{running}/parts", performed_at=NOW, number=number, name="slab")["id"]
        for number in (1, 2)
    )
    step = lead.post(f"batches/{running}/steps", performed_at=NOW, step="COOK")["id"]
    place = rows_id("storage-places", "HOLD")
    supplier, customer = rows_id("partners", "PANTRY"), rows_id("partners", "CORNER")
    lot, held, released = (_received(lead, code) for code in ("L1", "L2", "L3"))
    lead.post(f"lots/{released}/releases", performed_at=NOW, password=PASSWORD)
    movement = lead.post("movements/sampled", performed_at=NOW, lot=lot, quantity="1", unit="GRM")["id"]
    touched = {"kind": "lot", "subject": held}
    case = lead.post("deviations", performed_at=NOW, title="A scraper broke.", hold=touched)["id"]
    exercise = lead.post(
        "recalls",
        performed_at=NOW,
        is_exercise=True,
        hazard="label",
        because="Once a year.",
        determined_at=NOW,
        strategy=STRATEGY,
        password=PASSWORD,
    )["id"]
    lead.post(f"recalls/{exercise}/scopes", performed_at=NOW, lots=[lot])
    unreleased = _received(lead, "L4")
    shipped = {"customer": customer, "quantity": "1", "unit": "KGM", "already_happened": True}
    lead.post("movements/shipped", performed_at=NOW, lot=unreleased, **shipped)
    noticed = lead.post(
        "notices-arrived",
        performed_at=NOW,
        partner=supplier,
        supplier=supplier,
        came_by="e-mail",
        came_at=NOW,
        said="We recall L2.",
        codes=["L2"],
    )["id"]
    lead.post("recall-plans", performed_at=NOW, password=PASSWORD, **PLAN)
    public = lead.post(f"recalls/{exercise}/notices", performed_at=NOW, means="public", why="A wrong date.")[
        "id"
    ]
    rule = lead.post(
        "local-rules",
        code="LR",
        name="A rule",
        quantity="water activity",
        unit="C62",
        upper="0.6",
        authority="Food office",
        citation="Letter",
        in_force_from="2026-01-01",
    )["id"]
    allergens = lead.post("allergen-lists/from-file", example="codex")["list"]["id"]
    stated = lead.post(
        "allergen-statements",
        performed_at=NOW,
        material=rows_id("materials", "ICS"),
        says=ALLERGENS_SAID,
        document="Sheet 4",
        document_day="2026-01-05",
        in_force_from="2026-01-05",
    )["id"]
    composition = lead.post(
        "compositions",
        code="C-ICS",
        name="Icing sugar",
        material=rows_id("materials", "ICS"),
        document={
            "water": "0",
            "water_uncertainty": "0.2",
            "tolerance": "0.2",
            "dissolved": [{"solute": "sucrose", "grams": "100"}],
        },
        method="label",
        source="The maker's sheet",
        provenance="read",
        in_force_from="2026-01-01",
    )["id"]
    area = lead.post("areas", code="A", name="Kitchen")["id"]
    check = Check.objects.order_by("-id")[0].pk
    meter = rows_id("instruments", "AW1")
    verified = lead.post("instrument-verifications", performed_at=NOW, instrument=meter, **said(VERIFICATION))
    probe = lead.post(
        "instruments",
        code="T1",
        name="Probe",
        kind="thermometer",
        unit="CEL",
        verify_every_days=7,
        range_lower="-20",
        range_upper="200",
    )
    due_instruments.sweep()
    relief = lead.post("compliance-reliefs", performed_at=NOW, password=PASSWORD, **relief_from(days=0))["id"]
    reliefs.sweep()
    inspected = _inspected(lead, lot)
    inspections_due.sweep()
    labels = _labelled(lead, running)
    balance = lead.post("instruments", code="B1", name="Bench balance", kind="balance", unit="KGM")
    document = lead.post("documents", kind="batch-record", subject=running)["id"]
    file = io.BytesIO(PNG)
    file.name = "scan.png"
    attached = lead._answer(lead.client.post(lead.base + "attachments", _form(movement, file)))["id"]
    logged = io.BytesIO(b"seconds,value\n0,61.5\n60,62.0\n120,61.0\n")
    logged.name = "kettle.csv"
    series = lead._answer(
        lead.client.post(lead.base + "series", {"performed_at": NOW, "unit": "CEL", "file": logged})
    )["id"]
    sold = _sold(lead, released)
    operator = house.operator.person
    cleaning, cleaned, shown, freed = _changed_over(lead)
    proposed = _proposed(lead, supplier)
    ids: dict[str, Any] = {
        "allergen-lists": allergens,
        "allergen-statements": stated,
        "areas": area,
        "area": area,
        "attachments": attached,
        "batches": running,
        "batch": running,
        "relief": relief,
        "disclosure": lead.post(
            "disclosures",
            performed_at=NOW,
            subject=running,
            part="recipe",
            given_to="Office",
            because="Asked.",
        )["id"],
        "entrance": lead.get("entrances")["results"][0]["id"],
        "inspector": Asking(house.establishment, "petra", PASSWORD).person,
        "legal_hold": _kept(lead, running),
        "start": lead.get(f"batches/{running}/starts")["results"][0]["id"],
        "step": step,
        "changeovers": cleaned,
        "changeover_verification": shown,
        "changeover_release": freed,
        "cleaning-procedures": lead.post("cleaning-procedures", code="D2", name="Again", draft=CLEANING)[
            "id"
        ],
        "cleaning-procedure-versions": cleaning["id"],
        "procedure_version": cleaning["id"],
        "found_empty": lead.post(f"storage-places/{place}/found-empty", performed_at=NOW, is_clean=True)[
            "id"
        ],
        "from_batch": running,
        "to_material": rows_id("materials", "FIL"),
        "to_recipe_version": house.recipe_versions["FIL"]["id"],
        "check": check,
        "blade_point": house.points["CP-BLADE-1"],
        "control_point": house.points["CP-BLADE-1"],
        "control-points": "CP-BLADE-1",
        "check-sheets": lead.post("check-sheets", performed_at=NOW, day="2026-03-02", lines_each=1)["id"],
        "compositions": composition,
        "deviations": case,
        "deviation": case,
        "recalls": exercise,
        "recall": exercise,
        "notices-arrived": noticed,
        "notice": public,
        "recall-questions": lead.get("recall-questions")["results"][0]["id"],
        "documents": document,
        "equipment": rows_id("equipment", "K1"),
        "instruments": probe["id"],
        "instrument": meter,
        "weighed_with": balance["id"],
        "instrument-verifications": verified["id"],
        "keys": Token.objects.filter(person=operator)[0].pk,
        "local-rules": rule,
        "lots": lot,
        "lot": lot,
        "held_lot": held,
        "released_lot": released,
        "materials": rows_id("materials", "ICS"),
        "material": rows_id("materials", "ICS"),
        "product": rows_id("materials", "FIL"),
        "products": rows_id("materials", "FIL"),
        "suppliers": supplier,
        "customers": customer,
        "movement": movement,
        "movements": movement,
        "partners": supplier,
        "partner": supplier,
        "supplier": supplier,
        "customer": customer,
        "carrier": supplier,
        "people": operator,
        "proposed-receipts": proposed,
        "person": operator,
        "part": first,
        "from_part": first,
        "to_part": second,
        "plans": rows_id("plan", "HOUSE"),
        "plan-versions": house.plan_version["id"],
        "recipes": rows_id("recipe", "FIL"),
        "recipe-versions": house.recipe_versions["FIL"]["id"],
        "recipe_version": house.recipe_versions["FIL"]["id"],
        "records": movement,
        "target": movement,
        "series": series,
        "roles": Membership.objects.filter(person=operator)[0].pk,
        "storage-places": place,
        "from_place": place,
        "to_place": place,
        "in_place": place,
        "subject": lot,
        "establishment": HOUSE,
        **sold,
        **labels,
        **inspected,
    }
    return {name: str(value) for name, value in ids.items()}


def _sold(lead: Asking, lot: str) -> dict[str, Any]:
    """A stall and web orders, something sold, an order whose buyer is kept and one whose buyer is forgotten."""
    stall, web = rows_id("partners", "STALL"), rows_id("partners", "WEB")
    some = {"quantity": "1", "unit": "GRM"}
    noted = lead.post("at-outlets", performed_at=NOW, what="sold", outlet=stall, lot=lot, **some)["id"]
    kept, gone = (
        lead.post(
            "web-orders",
            performed_at=NOW,
            number=number,
            outlet=web,
            lines=[{"lot": lot, **some}],
            buyer=BUYER,
        )["id"]
        for number in ("W-1", "W-2")
    )
    lead.post("buyers-forgotten", performed_at=NOW, order=gone, because="Asked for it.")
    return {
        "outlets": stall,
        "outlet": stall,
        "web_outlet": web,
        "at-outlets": noted,
        "web-orders": kept,
        "order": kept,
    }


def _labelled(lead: Asking, batch: str) -> dict[str, Any]:
    """An approved label, another that can be approved, a packing check, and an assessment."""
    begun = {"material": rows_id("materials", "FIL"), "draft": LABEL}
    approved, label = (lead.post("labels", code=code, name="Tub", **begun)["id"] for code in ("LA", "LB"))
    signed = {"performed_at": NOW, "password": PASSWORD}
    version = lead.post(f"labels/{approved}/versions", draft_version=1, **signed)["id"]
    check = {"batch": batch, "moment": "end", "label_version": version, "counts": PACKED}
    stated = lead.post(
        "stated-parts",
        code="P-CHO",
        name="Chocolate",
        material=rows_id("materials", "CHO"),
        source="The maker's sheet",
        provenance="read",
        in_force_from="2026-01-01",
        **STATED_PARTS,
    )
    return {
        "stated-parts": stated["id"],
        "labels": label,
        "label-versions": version,
        "label_version": version,
        "packing-checks": lead.post("packing-checks", performed_at=NOW, **check)["id"],
        "contact-assessments": lead.post(
            "contact-assessments",
            material=rows_id("materials", "FIL"),
            allergens=["almond"],
            because="Rinse water of the grinder, ten runs.",
            until="2027-01-01",
            **signed,
        )["id"],
    }


def _kept(lead: Asking, batch: Any) -> Any:
    """What a lead says of keeping; the hold on the batch is answered."""
    signed = {"performed_at": NOW, "password": PASSWORD, "because": "We like to know."}
    lead.post("retention/markets", jurisdictions=["EU", "US"], **signed)
    lead.post("retention/periods", group="everything", years=10, **signed)
    return lead.post("retention/holds", subject=batch, **signed)["id"]


def _inspected(lead: Asking, lot: str) -> dict[str, Any]:
    """Two visits: one that is over, its finding closed, and one that goes on, its finding answered and another not."""
    came = {"performed_at": NOW, "by_whom": "authority", "body": "Food office", "why": "routine"}
    over, now = (f"inspections/{lead.post('inspections', visitors=[VISITOR], **came)['id']}" for _ in "ab")
    taken = {"performed_at": NOW, "lot": lot, "quantity": "1", "unit": "GRM", "counter": "none"}
    samples = [lead.post(f"{visit}/samples", **taken)["id"] for visit in (over, now)]
    told = {"performed_at": NOW, "outcome": "in-order", "text": "Nothing found."}
    lead.post(f"{over}/samples/{samples[0]}/results", **told)
    found = {"performed_at": NOW, "text": "A lamp is broken.", "due_on": "2026-03-16"}
    findings = [lead.post(f"{visit}/findings", **found)["id"] for visit in (over, now, now)]
    for visit, finding in zip((over, now), findings, strict=False):
        lead.post(f"{visit}/findings/{finding}/answers", performed_at=NOW, text="Mended.")
    signed = {"performed_at": NOW, "because": "It burns.", "password": PASSWORD}
    lead.post(f"{over}/findings/{findings[0]}/closing", by="house", **signed)
    lead.post(f"{over}/end", performed_at=NOW, outcome="Well kept.")
    note = lead.post(f"{now}/notes", performed_at=NOW, what="shown", text="The log.")["id"]
    return {
        "inspections": now.rpartition("/")[2],
        "inspection_note": note,
        "samples": samples[1],
        "findings": findings[1],
        "record": note,
        "taken_before": note,
        "accompanied_by": note,
    }


def _changed_over(lead: Asking) -> tuple[dict[str, Any], Any, Any, Any]:
    """A procedure's version, and two changeovers by it: one that is ready to be released, and one released."""
    procedure = lead.post("cleaning-procedures", code="DRY", name="Vacuumed", draft=CLEANING)["id"]
    version = lead.post(
        f"cleaning-procedures/{procedure}/versions", performed_at=NOW, draft_version=1, password=PASSWORD
    )
    found: list[tuple[Any, Any]] = []
    for code, hour in (("D1", 10), ("M1", 11)):
        times = [f"2026-03-03T{hour}:{minute}:00+01:00" for minute in ("00", "10", "20", "30")]
        made = lead.post(
            "changeovers",
            performed_at=times[0],
            ended_at=times[2],
            equipment=[rows_id("equipment", code)],
            to_material=rows_id("materials", "FIL"),
            procedure_version=version["id"],
            steps=[{"step": "VAC", "done_at": times[1]}],
            clearance={"product": True, "packaging": True, "labels": True, "none_issued": True},
        )["id"]
        look = lead.post(
            f"changeovers/{made}/verifications", performed_at=times[2], method="visual", outcome="clean"
        )
        found.append((made, look["id"]))
    released = lead.post(f"changeovers/{made}/releases", performed_at=times[3], password=PASSWORD)["id"]
    return version, found[0][0], found[0][1], released


def _proposed(lead: Asking, supplier: str) -> str:
    """Three lines of a despatch: one is confirmed, one declined, and one awaits an answer."""
    lines = "document,item,lot,quantity\n" + "".join(f"D-1,ICS,P-{n},5 kg\n" for n in range(3))
    sent = lead.post_file("proposed-receipts", "note.csv", lines, supplier=supplier)
    came, declined, waits = (each["id"] for each in sent["new"])
    lead.post(f"proposed-receipts/{declined}/declined", performed_at=NOW, because="Never came.")
    lead.post(f"proposed-receipts/{came}/confirmed", performed_at=NOW)
    return str(waits)


def said(body: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in body.items() if value is not None}


def _received(lead: Asking, supplier_code: str) -> str:
    moved = lead.post(
        "movements/received",
        performed_at=NOW,
        material=rows_id("materials", "ICS"),
        supplier=rows_id("partners", "PANTRY"),
        supplier_code=supplier_code,
        quantity="5",
        unit="KGM",
    )
    return str(moved["lot"])


def _form(target: str, file: io.BytesIO) -> dict[str, Any]:
    return {"performed_at": NOW, "target": target, "file": file}


def rows_kept() -> dict[str, int]:
    """How many rows each of our tables has, asked in one statement."""
    tables = [
        model._meta.db_table
        for model in apps.get_models()
        if model._meta.app_label in OURS and model._meta.managed
    ]
    asked = " UNION ALL ".join(f"SELECT '{table}', count(*) FROM {table}" for table in sorted(tables))
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":  # starting workers takes ten times as long as counting
            cursor.execute("SET max_parallel_workers_per_gather = 0")
        cursor.execute(asked)
        return dict(cursor.fetchall())


@contextmanager
def undone() -> Iterator[None]:
    """What happens inside leaves nothing behind."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)
