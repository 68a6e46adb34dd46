import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from rest_framework.test import APIClient

PROBLEM = json.loads((Path(__file__).parent / "problem.schema.json").read_text())


class Asking(APIClient):
    """Asks the small API; every answer that says no must be a problem as RFC 9457 has it."""

    def request(self, **kwargs: Any) -> Any:
        answer = super().request(**kwargs)
        if answer.status_code >= 400 and kwargs["PATH_INFO"].startswith("/api/"):
            assert answer["Content-Type"] == "application/problem+json"
            if kwargs["REQUEST_METHOD"] != "HEAD":
                jsonschema.validate(answer.json(), PROBLEM, format_checker=jsonschema.FormatChecker())
                assert answer.json()["status"] == answer.status_code
        return answer

    def send(self, path: str, body: str | bytes) -> Any:
        return self.post(f"/api/v1/{path}", body, content_type="application/json")


@pytest.fixture
def ask(settings: Any) -> Asking:
    settings.ROOT_URLCONF = "tests.config.urls"
    return Asking(raise_request_exception=False)
