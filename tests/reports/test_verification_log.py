"""The register of instruments on paper: what was never verified stands out.

That measuring instruments are calibrated and that it is recorded: 21 CFR 117.165(a)(1), read in a stored copy.
"""

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from haccp import verifications
from haccp.models import Instrument
from ledger.models import Establishment, Person
from reports import jobs, rendering, verification_log
from tests.conftest import NOON
from tests.haccp.conftest import *  # noqa: F403 - instruments

pytestmark = pytest.mark.django_db
DAYS = {"first": "2020-01-01", "last": "2027-12-31"}
ICE = {"unit": "CEL", "as_found": "0.1", "tolerance": "0.5", "covers_lower": "0", "covers_upper": "0"}


@pytest.fixture
def log(establishment: Establishment, lead: Person) -> Callable[..., Any]:
    def do(language: str = "en") -> Any:
        job = jobs.ask(
            establishment=establishment, asked_by=lead, kind="verification-log", about=DAYS, language=language
        )
        return jobs.read(job)[0]

    return do


@pytest.fixture
def thermometer(make_instrument: Callable[..., Instrument]) -> Instrument:
    return make_instrument(code="T-9", kind="thermometer", unit="CEL", range_lower=None, range_upper=None)


def in_ice(act: Callable[..., Any], thermometer: Instrument, **said: str) -> None:
    act = act(at=NOON - timedelta(days=1))
    verifications.record(act=act, instrument=thermometer, method="ice-point", standard="Ice", said=ICE | said)


@pytest.mark.parametrize(("language", "words"), [("en", "never verified"), ("es", "nunca verificado")])
def test_what_was_never_verified_stands_out_in_the_register(
    log: Callable[..., Any], thermometer: Instrument, language: str, words: str
) -> None:
    page = rendering.to_html(log(language), for_paper=True)
    assert f'<strong class="out-of-order">{words}</strong>' in page


def test_what_was_verified_and_what_is_not_in_use_do_not(
    log: Callable[..., Any], thermometer: Instrument, act: Callable[..., Any], make_instrument: Any
) -> None:
    in_ice(act, thermometer)
    make_instrument(code="T-OLD", kind="thermometer", unit="CEL", in_use=False)
    document = log()
    assert {each.code: each.now for each in document.register} == {"T-9": "verified", "T-OLD": ""}
    assert "out-of-order" not in rendering.to_html(document, for_paper=True)


def test_what_failed_stands_out(
    log: Callable[..., Any], thermometer: Instrument, act: Callable[..., Any]
) -> None:
    in_ice(act, thermometer, as_found="3")
    assert '<strong class="out-of-order">failed</strong>' in rendering.to_html(log(), for_paper=True)


def test_a_range_of_no_width_is_one_number_and_one_that_nobody_gave_is_none(
    log: Callable[..., Any], thermometer: Instrument, act: Callable[..., Any]
) -> None:
    in_ice(act, thermometer)
    (line,), (register,) = log().verifications, log().register
    assert (line.should, line.covers, register.span) == ("0 °C", "0 °C", "")
    assert verification_log._span("-5", None, "°C") == "-5 – … °C"


def test_data_name_the_state_by_its_code(log: Callable[..., Any], thermometer: Instrument) -> None:
    (register,) = json.loads(rendering.to_json(log()))["register"]
    assert register["state"] == "never-verified"
