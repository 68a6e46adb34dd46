"""Asking with bad input, and looking at what came of it: the answer, the rows, the log."""

import json
import logging
from collections.abc import Callable, Iterator
from typing import Any

from django.urls import URLPattern, get_resolver
from jsonschema import Draft202012Validator
from rest_framework.test import APIClient

from config.api.schema import PROBLEM
from tests.scene import Scene, rows_kept, undone

PROBLEMS = Draft202012Validator(PROBLEM)


class Asked:
    """The lead's client. Every refusal is a problem answer, and no table has a row more after it."""

    def __init__(self, scene: Scene):
        self.scene, self.warnings = scene, Warnings()
        self.client = APIClient(raise_request_exception=False)
        self.client.credentials(HTTP_AUTHORIZATION=f"Bearer {scene.key}")
        self.rows = rows_kept()

    def ask(self, method: str, path: str, content: Any = None, **more: Any) -> Any:
        """The answer to ``content`` (bytes, or what JSON can hold); what it did is undone."""
        if content is not None and not isinstance(content, bytes):
            content = json.dumps(content).encode()
        said = {"content_type": "application/json", "HTTP_IF_MATCH": '"1"'} | more
        with undone():
            answer = self.client.generic(method.upper(), self.scene.address(path), content or b"", **said)
            if not 200 <= answer.status_code < 300:
                self.must_be_a_problem(method, answer)
                assert rows_kept() == self.rows, "a refusal wrote something"
        return answer

    @staticmethod
    def must_be_a_problem(method: str, answer: Any) -> None:
        assert 400 <= answer.status_code < 500, (answer.status_code, answer.content[:300])
        assert answer["Content-Type"] == "application/problem+json"
        if method == "head":
            return
        body = answer.json()
        PROBLEMS.validate(body)
        assert body["status"] == answer.status_code
        assert body["detail"]

    def got_past_the_checks(self) -> list[str]:
        """What only the database refused since it was asked last, without naming the field."""
        kept, self.warnings.kept = self.warnings.kept, []
        return kept


class Warnings(logging.Handler):
    """Keeps the errors that the API's problem answers warn of."""

    def __init__(self) -> None:
        super().__init__()
        self.kept: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if "got past the checks" in record.getMessage() and record.exc_info:
            self.kept.append(str(record.exc_info[1]))


def each(cases: Any, look: Callable[..., None]) -> None:
    """Look at each case; tell of all that are wrong, not only of the first."""
    wrong, tried = [], 0
    for case in cases:
        tried += 1
        try:
            look(*case)
        except AssertionError as error:
            wrong.append((*(str(part)[:300] for part in case), str(error)[:500]))
    assert not wrong, "\n".join(map(str, wrong))
    assert tried, "nothing was tried"


def routes(pattern: Any = None, before: str = "/") -> Iterator[tuple[str, Any]]:
    """Every address of the API, and its view."""
    for each_ in (pattern or get_resolver()).url_patterns:
        address = before + str(each_.pattern)
        if isinstance(each_, URLPattern):
            yield address, each_.callback
        else:
            yield from routes(each_, address)
