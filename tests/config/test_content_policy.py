"""What a browser may load: this service's own files only (W3C Content Security Policy Level 3)."""

import re
from typing import Any

import pytest
from django.contrib.staticfiles import finders

pytestmark = pytest.mark.django_db
INLINE = re.compile(r"<script(?![^>]*\ssrc=)|<style|\sstyle=|\son[a-z]+=|javascript:", re.IGNORECASE)
LOADED = re.compile(r'<(?:script[^>]*src|link[^>]*href)="([^"]+)"')


def policy_of(answer: Any) -> dict[str, str]:
    parts = (part.strip().split(" ", 1) for part in answer["Content-Security-Policy"].split(";"))
    return dict(parts)  # type: ignore[arg-type]


@pytest.mark.parametrize("path", ["/sign-in", "/api/docs/", "/api/health", "/nowhere"])
def test_nothing_is_loaded_from_elsewhere_or_from_the_page_itself(client: Any, path: str) -> None:
    policy = policy_of(client.get(path))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"


@pytest.mark.parametrize("path", ["/sign-in", "/api/docs/"])
def test_a_page_has_no_script_and_no_style_of_its_own(client: Any, path: str) -> None:
    """What the policy would block."""
    assert not INLINE.search(client.get(path).content.decode())


def test_pages_of_who_is_signed_in_have_none_either(client: Any, make_person: Any) -> None:
    client.force_login(make_person(), backend="django.contrib.auth.backends.ModelBackend")
    for path in ("/", "/password"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert not INLINE.search(answer.content.decode())


def test_all_that_the_api_documentation_loads_is_served_here(client: Any) -> None:
    loaded = LOADED.findall(client.get("/api/docs/").content.decode())
    files = [path for path in loaded if path.startswith("/static/")]
    assert len(files) == 5  # two scripts, two styles, the icon
    assert all(finders.find(path.removeprefix("/static/")) for path in files)
    (script,) = set(loaded) - set(files)
    answer = client.get("/api/docs/" + script if script.startswith("?") else script)
    assert (answer.status_code, answer["Content-Type"].split(";")[0]) == (200, "application/javascript")
    assert "/api/v1/openapi.json" in answer.content.decode()
