"""The renderer seen from outside: what the process asks the system for while it draws a hostile page, C libraries included.

By strace, where it is on the machine and may be used; `test_paper` hears the same of Python alone everywhere.
"""

import re
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from tests.reports.test_paper import HOSTILE_PAGE

pytestmark = pytest.mark.pdf
ROOT = Path(__file__).parents[2]
CHILD = """
import os, sys
from datetime import UTC, datetime
from reports import paper
when = datetime(2026, 3, 2, tzinfo=UTC)
paper.draw("<html lang='en'><p>what is packaged is in memory from here on", identifier="0", made_at=when)
page = sys.stdin.read()
os.access("/drawing-begins", os.F_OK)
made = paper.draw(page, identifier="0", made_at=when)
open(sys.argv[1]).close() if len(sys.argv) > 1 else None
os.access("/drawing-ends", os.F_OK)
assert made.startswith(b"%PDF-")
"""
OPENED = re.compile(r'\b(?:open|openat|openat2)\((?:[^,"]+, )?"([^"]*)".*\) = \d+')
OF_FONTS = re.compile(r"^(.*/)?weasyprint-|fontconfig|fonts|/site-packages/weasyprint/")
"""The packaged fonts as the text library is given them, that library's own list of fonts, and the renderer's own style."""


def traced(page: str, *beside: str) -> list[str]:
    """Every call for a file or the network between beginning and end of drawing."""
    with subprocess.Popen(
        [
            "strace",
            "-f",
            "-e",
            "trace=%file,%network",
            "-o",
            "|cat >&2",
            sys.executable,
            "-c",
            CHILD,
            *beside,
        ],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        _nothing, told = child.communicate(page)
    assert child.returncode == 0, told[-2000:]
    return told.split("/drawing-begins", 1)[1].split("/drawing-ends", 1)[0].splitlines()[1:]


@cache
def may_trace() -> bool:
    if shutil.which("strace") is None:
        return False
    return (
        subprocess.run(["strace", "-o", "/dev/null", "true"], capture_output=True, check=False).returncode
        == 0
    )


needs_strace = pytest.mark.skipif(not may_trace(), reason="strace is not on this machine, or may not be used")


@cache
def calls() -> tuple[str, ...]:
    return tuple(traced(HOSTILE_PAGE))


def opened(lines: tuple[str, ...] | list[str]) -> set[str]:
    return {found[1] for line in lines if (found := OPENED.search(line))}


@needs_strace
def test_no_socket_is_made_and_nobody_is_called() -> None:
    networking = ("socket(", "connect(", "sendto(", "sendmsg(", "bind(", "getaddrinfo(")
    assert [line for line in calls() if any(call in line for call in networking)] == []


@needs_strace
def test_only_fonts_and_the_renderers_own_files_are_opened() -> None:
    files = opened(calls())
    assert files  # what is packaged is given to the text library as files
    assert {each for each in files if not OF_FONTS.search(each)} == set()


@needs_strace
def test_no_file_that_the_page_names_is_so_much_as_looked_at() -> None:
    assert [line for line in calls() if re.search(r"hostname|passwd|/etc/[a-z]\.css", line)] == []


@needs_strace
def test_the_trace_sees_what_is_opened() -> None:
    """The tests above could not fail if it saw nothing."""
    assert "/etc/hostname" in opened(traced("<html lang='en'><p>x", "/etc/hostname"))
