"""Whose wrong passwords count together: the address that a web server before this one noted, if it is believed."""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from axes.helpers import get_client_ip_address
from django.test import RequestFactory

from ledger.passwords import address_before_proxy

PROXY = "10.0.0.2"


def asked(noted: str | None) -> Any:
    more = {} if noted is None else {"HTTP_X_FORWARDED_FOR": noted}
    return RequestFactory().get("/", REMOTE_ADDR=PROXY, **more)


@pytest.mark.parametrize(
    ("noted", "address"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("203.0.113.9, 192.0.2.7", "192.0.2.7"),  # the first is what the client made up
        ("2001:db8::7", "2001:db8::7"),
        (None, PROXY),
        ("", PROXY),
        ("192.0.2.7, nonsense", PROXY),
    ],
)
def test_the_last_address_noted_is_the_one_that_asked(noted: str | None, address: str) -> None:
    assert address_before_proxy(asked(noted)) == address


def test_without_a_web_server_before_it_what_a_client_notes_is_not_believed() -> None:
    assert get_client_ip_address(asked("192.0.2.7")) == PROXY


@pytest.mark.parametrize(("said", "believed"), [("yes", "True"), ("", "False")])
def test_the_environment_says_whether_there_is_one(said: str, believed: str, tmp_path: Path) -> None:
    code = "from config import settings as s; print(hasattr(s, 'SECURE_PROXY_SSL_HEADER'), s.BEHIND_PROXY)"
    ran = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"BEHIND_PROXY": said, "DATA_DIR": str(tmp_path)},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stdout.split() == [believed, believed]
