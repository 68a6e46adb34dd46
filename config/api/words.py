"""The words that may end the ``type`` of a problem besides the kinds: what refusals and constraints are called."""

import re
from functools import cache
from pathlib import Path

from django.apps import apps
from django.conf import settings

from config.api import constraints

SAID = re.compile(r'\bcode ?= ?"([a-z]+(?:-[a-z]+)*)"')


@cache
def known() -> frozenset[str]:
    """Read once from the source of our own apps, so that no list beside it can lack a word."""
    ours = [Path(app.path) for app in apps.get_app_configs() if Path(app.path).parent == settings.BASE_DIR]
    said = (SAID.findall(file.read_text()) for folder in ours for file in folder.rglob("*.py"))
    return frozenset(word for words in said for word in words) | constraints.codes()
