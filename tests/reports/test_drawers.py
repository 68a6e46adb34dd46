"""Many PDFs at once: each finished one with its place, and a child that dies is told instead of waited for."""

import subprocess
import sys
from datetime import UTC, datetime
from typing import Any

import pytest

from reports import drawers
from reports.drawers import NotDrawn, Sheet

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


def sheet(text: str) -> Sheet:
    return Sheet(f"<html lang='en'><title>{text}</title><body class='a4'><p>{text}</p>", "0" * 32, NOW)


@pytest.mark.pdf
def test_each_sheet_comes_back_with_its_place() -> None:
    drawn = dict(drawers.draw_all([sheet("one"), sheet("two"), sheet("three")], most=2))
    assert sorted(drawn) == [0, 1, 2]
    assert all(pdf.startswith(b"%PDF-") for pdf in drawn.values())


@pytest.mark.pdf
def test_what_cannot_be_drawn_is_said_in_the_drawers_own_words() -> None:
    with pytest.raises(NotDrawn, match="Error"):
        list(drawers.draw_all([Sheet("<p>", "\ud800", NOW)], most=1))


def test_a_child_that_dies_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def begin(self: Any) -> Any:
        return subprocess.Popen(
            [sys.executable, "-c", "pass"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    monkeypatch.setattr(drawers._Child, "_begin", begin)
    with pytest.raises(NotDrawn, match="ended before it was done"):
        list(drawers.draw_all([sheet("one")], most=1))
