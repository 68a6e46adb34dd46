"""Labels of caramels and lemon drops, approved by the lead, and packing seen at a table."""

import io
import itertools
from collections.abc import Callable
from copy import deepcopy
from datetime import datetime, timedelta
from typing import Any

import pytest

from batches.models import Batch, Material
from haccp.labels import packing, versions
from haccp.models import Label, LabelVersion, PackingCheck
from ledger import attachments, signatures
from ledger.acts import Act
from ledger.models import Entry, Person
from tests.conftest import NOON
from tests.haccp.conftest import MORNING
from tests.scene import PNG

BEFORE = MORNING - timedelta(days=7)
COUNTS = {"issued": "500", "applied": "412", "spoiled": "6", "returned": "82"}
CARAMELS: dict[str, Any] = {
    "languages": ["en"],
    "name": {"en": "Salted butter caramels"},
    "contains": ["milk"],
    "may_contain": [{"allergen": "almond", "reason": "Same table."}],
    "ingredients": [
        {"name": {"en": "sugar"}, "material": "SUG"},
        {"name": {"en": "butter (*milk*)"}, "allergens": ["milk"]},
    ],
    "net_quantity": {"quantity": "100", "unit": "GRM"},
    "unpacked": True,
}
_numbers = itertools.count(1)


@pytest.fixture
def attach(act: Callable[..., Act], lead: Person) -> Callable[[], str]:
    """A picture hangs on some record of the house; its SHA-256."""

    def do() -> str:
        target = Entry.objects.filter(establishment=act(lead).establishment).latest("id")
        made = attachments.attach(
            act=act(lead), target=target, file=io.BytesIO(PNG), file_name="bag.png", media_type="image/png"
        )
        return made.sha256

    return do


@pytest.fixture
def make_label(
    act: Callable[..., Act], lead: Person, products: dict[str, Material], attach: Callable[[], str]
) -> Callable[..., Label]:
    """A draft of a label for caramels that can be approved, unless said otherwise."""

    def do(code: str = "", material: Material | None = None, **document: Any) -> Label:
        artwork = {} if document.get("unpacked") else {"unpacked": False, "artwork": {"sha256": attach()}}
        return versions.draft(
            act=act(lead, at=BEFORE),
            code=code or f"L-{next(_numbers)}",
            name="Bag of 100 g",
            material=material or products["SBC"],
            document=deepcopy(CARAMELS) | artwork | document,
        )

    return do


@pytest.fixture
def approve(act: Callable[..., Act], lead: Person) -> Callable[..., LabelVersion]:
    def do(label: Label, at: datetime = BEFORE, **values: Any) -> LabelVersion:
        return versions.approve(act=act(lead, at=at), label=label, proof=signatures.Proof(lead), **values)

    return do


@pytest.fixture
def revise(
    act: Callable[..., Act], lead: Person, approve: Callable[..., LabelVersion]
) -> Callable[..., LabelVersion]:
    """The next version of a label, changed in some places."""

    def do(version: LabelVersion, at: datetime = BEFORE, **document: Any) -> LabelVersion:
        label = Label.objects.get(pk=version.label_id)
        changed = versions.redraft(
            act=act(lead, at=at), label=label, values={"draft": label.draft | document}
        )
        return approve(changed, at=at)

    return do


@pytest.fixture
def label_version(make_label: Callable[..., Label], approve: Callable[..., LabelVersion]) -> LabelVersion:
    """The caramels' label, approved a week ago: milk contained, almond possible."""
    return approve(make_label())


@pytest.fixture
def see(act: Callable[..., Act]) -> Callable[..., PackingCheck]:
    """At noon the labels of a roll are seen and counted: in order, unless said otherwise."""

    def do(batch: Batch, version: LabelVersion | None, at: datetime = NOON, **values: Any) -> PackingCheck:
        said_act = values.pop("said_act", None) or act(at=at)
        usual: dict[str, Any] = {"moment": "end", "counts": COUNTS}
        return packing.record(act=said_act, batch=batch, label_version=version, **(usual | values))

    return do
