"""Starter plans that ship with the service: a place to begin, with the site's own work still to be done."""

from importlib.resources import files
from typing import Any

from config.api.refusals import Unknown
from haccp.plan_documents.reading import from_yaml

_FOLDER = files("haccp").joinpath("starter_plans")


def starter_plans() -> tuple[str, ...]:
    """The names of the starter plans."""
    return tuple(
        sorted(file.name.removesuffix(".yaml") for file in _FOLDER.iterdir() if ".yaml" in file.name)
    )


def starter_plan(name: str) -> dict[str, Any]:
    """A starter plan as a document. Raises Unknown."""
    if name not in starter_plans():
        raise Unknown(f"There is no starter plan {name[:40]!r}; there are {', '.join(starter_plans())}.")
    return from_yaml(_FOLDER.joinpath(f"{name}.yaml").read_bytes())
