"""The base of every page: who is here, where one can go, what to beware of."""

import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.http import HttpResponse
from django.template.loader import render_to_string
from django.test import RequestFactory
from django.urls import path

OMAR = SimpleNamespace(is_authenticated=True, name="Omar <Stove>")
STYLE = (Path(__file__).parents[2] / "config/static/pages.css").read_text()


def _view(request: Any) -> HttpResponse:
    return HttpResponse()


urlpatterns = [path("batches/", _view, name="batches"), path("sign-out/", _view, name="sign-out")]


@pytest.fixture
def page(settings: Any) -> str:
    settings.ROOT_URLCONF = __name__
    return shown(user=OMAR, establishment={"name": "Lindenhof Sweets"}, messages=[])


def shown(**context: Any) -> str:
    return render_to_string("base_page.html", {"request": RequestFactory().get("/batches/"), **context})


def test_a_page_leads_only_where_there_is_something(page: str) -> None:
    nav = re.search(r"<nav.*?</nav>", page, re.S)
    assert nav is not None
    assert re.findall(r"<a .*?</a>", nav[0]) == ['<a href="/batches/" aria-current="page">Batches</a>']


def test_a_page_says_where_one_is_and_as_whom(page: str) -> None:
    assert "Lindenhof Sweets" in page
    assert "Omar &lt;Stove&gt;" in page


def test_signing_out_is_a_form_that_posts(page: str) -> None:
    assert '<form class="sign-out" method="post" action="/sign-out/">' in page


def test_who_is_not_signed_in_sees_no_ways_and_no_sign_out() -> None:
    page = shown(user=SimpleNamespace(is_authenticated=False))
    assert "<nav" not in page
    assert "Sign out" not in page


def test_every_page_warns_and_defers() -> None:
    page = shown()
    assert "Hot sugar sticks and burns at every working temperature" in page
    assert "Every limit defers to local regulation." in page


@pytest.mark.parametrize(
    ("level", "word"), [("error", "Not done:"), ("warning", "Look:"), ("success", "Done:")]
)
def test_a_message_says_in_a_word_what_it_is(level: str, word: str) -> None:
    class Message(str):
        level_tag = level

    assert f"{word}</strong> Lot 7" in shown(messages=[Message("Lot 7")])


def test_a_page_fetches_nothing_from_elsewhere(page: str) -> None:
    assert not re.search(r"https?://|//[a-z]", page + STYLE)


def test_what_is_pressed_is_at_least_48_pixels_high() -> None:
    assert "--press: 48px" in STYLE
    for rule in ("button, .button", "nav a", "input, select, textarea", ".choice"):
        body = re.search(rf"^{re.escape(rule)} {{(.*?)}}", STYLE, re.S | re.M)
        assert body is not None
        assert "min-height: var(--press)" in body[1], rule


@pytest.mark.parametrize(
    "name", ["within", "outside", "undecided", "awaiting", "released", "held", "rejected"]
)
def test_each_state_has_a_shape_of_its_own(name: str) -> None:
    shapes = dict(re.findall(r"\.(?:result|state)\.(\w+)::before { content: \"(\S) \" }", STYLE))
    assert list(shapes.values()).count(shapes[name]) == 1
