"""What people of the demo's firm typed, or took over as their own: what a document in another language shows as it is.

Read from the sources of the story and of the scene, and from the files that ship as examples, never from records: what
the service itself puts together and keeps there is no typed text.
"""

import ast
import csv
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import yaml
from django.conf import settings

ROOT = Path(settings.BASE_DIR)
SOURCES = (
    "reports/demo/*.py",
    "haccp/api/recall_plans.py",
    "tests/scene.py",
    "tests/reports/asked_kinds.py",
    "tests/reports/every_kind.py",
)
EXAMPLES = ("haccp/starter_plans/*.yaml", "reports/requirements/requirements.yaml")
TABLES = "batches/samples/bring_in/*.csv"


@cache
def typed() -> str:
    """All of it as one text."""
    return "\n".join(" ".join(each.split()) for each in _texts())


def _texts() -> Iterator[str]:
    for pattern in SOURCES:
        for path in ROOT.glob(pattern):
            yield from _strings(ast.parse(path.read_text()))
    for pattern in EXAMPLES:
        for path in ROOT.glob(pattern):
            yield from _leaves(yaml.safe_load(path.read_text()))
    for path in ROOT.glob(TABLES):
        with path.open() as file:
            yield from (cell for row in csv.reader(file) for cell in row)


def _strings(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def _leaves(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        yield from map(str, value)
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    for each in parts:
        yield from _leaves(each)
    if not isinstance(value, dict | list) and value is not None:
        yield str(value)
