"""A table, a cleaning procedure, and a changeover of it after which everything was shown."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from batches.cleaning_breaks import standing_breaks
from batches.models import Equipment, Material
from haccp.changeovers import procedures, recording, releasing, verifying
from haccp.models import (
    Changeover,
    ChangeoverRelease,
    ChangeoverVerification,
    CleaningProcedureVersion,
)
from ledger import people, signatures
from ledger.acts import Act
from ledger.models import Establishment, Person
from tests.conftest import NOON
from tests.haccp.changeovers.procedures import WET
from tests.haccp.changeovers.test_findings import SWAB

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
BEGUN, ENDED = NOON, NOON + 50 * MINUTE
SHOWN, FREED = NOON + 55 * MINUTE, NOON + HOUR
CLEARED = {"product": True, "packaging": True, "labels": True, "none_issued": True}


@pytest.fixture
def table(establishment: Establishment) -> Equipment:
    return Equipment.objects.create(establishment=establishment, code="T-1", name="Table", kind="table")


@pytest.fixture
def supervisor(act: Callable[..., Act], lead: Person, make_person: Callable[..., Person]) -> Person:
    person = make_person("Sven Shift", initials="SS")
    people.give_role(act=act(lead), person=person, role="supervisor", from_day=date(2020, 1, 1))
    return person


@pytest.fixture
def approve(act: Callable[..., Act], lead: Person) -> Callable[..., CleaningProcedureVersion]:
    """A procedure, approved a week before; the same code again is its next version."""

    def do(document: dict[str, Any], code: str = "WET") -> CleaningProcedureVersion:
        from haccp.models import CleaningProcedure

        known = CleaningProcedure.objects.filter(code=code).first()
        if known is None:
            known = procedures.draft(act=act(lead), code=code, name=f"Cleaning {code}", document=document)
        else:
            procedures.redraft(act=act(lead), procedure=known, values={"draft": document})
        said = act(lead, at=NOON - timedelta(days=7))
        return procedures.approve(act=said, procedure=known, proof=signatures.Proof(lead))

    return do


@pytest.fixture
def wet_version(approve: Callable[..., CleaningProcedureVersion]) -> CleaningProcedureVersion:
    return approve(WET)


def ticked(version: CleaningProcedureVersion) -> list[recording.Ticked]:
    """Every step of the procedure, ten minutes apart."""
    codes = [step["code"] for step in version.document["steps"]]
    return [{"step": code, "done_at": BEGUN + 10 * MINUTE * (at + 1)} for at, code in enumerate(codes)]


@pytest.fixture
def change_over(
    act: Callable[..., Act],
    table: Equipment,
    wet_version: CleaningProcedureVersion,
    products: dict[str, Material],
) -> Callable[..., Changeover]:
    """The table is washed down for lemon drops, whole and dry, from noon until ten to one."""

    def do(said_act: Act | None = None, **values: Any) -> Changeover:
        version = values.get("procedure_version", wet_version)
        usual: dict[str, Any] = {
            "equipment": [table],
            "procedure_version": version,
            "to_material": products["LMD"],
            "steps": ticked(version),
            "dry_before_start": True,
            "clearance": CLEARED,
            "ended_at": ENDED,
        }
        return recording.record(act=said_act or act(at=BEGUN), **(usual | values))

    return do


@pytest.fixture
def show(act: Callable[..., Act]) -> Callable[..., ChangeoverVerification]:
    """A look at five to one, or a swab for an allergen, good unless said otherwise."""

    def do(
        changeover: Changeover,
        method: str = "visual",
        allergen: str = "",
        said_act: Act | None = None,
        equipment: Equipment | None = None,
        **said: str,
    ) -> ChangeoverVerification:
        usual = {"outcome": "clean"} if method == "visual" else SWAB if method == "swab" else {}
        return verifying.record(
            act=said_act or act(at=SHOWN),
            changeover=changeover,
            method=method,
            allergen=allergen,
            equipment=equipment,
            said=usual | said,
        )

    return do


@pytest.fixture
def show_all(show: Callable[..., ChangeoverVerification]) -> Callable[..., None]:
    """Everything that washing down asks for."""

    def do(changeover: Changeover) -> None:
        show(changeover)
        show(changeover, "swab", "milk")
        show(changeover, "swab", "hazelnut")

    return do


@pytest.fixture
def free(act: Callable[..., Act], supervisor: Person) -> Callable[..., ChangeoverRelease]:
    """The supervisor releases it at one."""

    def do(changeover: Changeover, said_act: Act | None = None, **values: Any) -> ChangeoverRelease:
        said = said_act or act(supervisor, at=FREED)
        proof = signatures.Proof(said.performed_by)
        return releasing.release(act=said, changeover=changeover, proof=proof, **values)

    return do


@pytest.fixture
def changed_over(change_over: Callable[..., Changeover], show_all: Callable[..., None]) -> Changeover:
    """Done and shown, not released."""
    made = change_over()
    show_all(made)
    return made


@pytest.fixture
def breaks() -> Callable[[Equipment], list[Any]]:
    """The cleaning breaks of a piece of equipment that count."""
    return lambda equipment: standing_breaks([equipment])
