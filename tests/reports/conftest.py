from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(autouse=True)
def _sample_templates(settings: Any) -> None:
    """The made-up document's template is found beside these tests."""
    here = str(Path(__file__).parent / "templates")
    settings.TEMPLATES = [{**settings.TEMPLATES[0], "DIRS": [here]}]
