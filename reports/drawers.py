"""Many PDFs at once, drawn by processes of their own, as many as there are cores.

A process of its own because the library that draws keeps the memory of a large document for good, and because one
interpreter uses one core. It is a plain child that reads and writes files: what runs this may itself be a child that
must have none of the multiprocessing kind. Each draws walled in as ever (``reports.paper``).
"""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from queue import SimpleQueue
from tempfile import TemporaryDirectory
from typing import IO, Any


class NotDrawn(RuntimeError):
    """A child ended, or could not draw; its own words are in the message."""


@dataclass(frozen=True)
class Sheet:
    """A page to draw: HTML as it stands on paper, and what ``paper.draw`` asks besides.

    ``files``: name, content and description of each that hangs in it.
    """

    html: str
    identifier: str
    made_at: datetime
    files: tuple[tuple[str, bytes, str], ...] = ()
    variant: str = "pdf/a-3u"


def draw_all(sheets: Iterable[Sheet], *, most: int | None = None) -> Iterator[tuple[int, bytes]]:
    """The place of each sheet and its PDF, as they are finished. Raises NotDrawn.

    ``most``: so many processes, otherwise one a core. ``sheets`` may be made while the first are drawn.
    """
    number = most or os.cpu_count() or 1
    with TemporaryDirectory() as folder, _children(number) as free, ThreadPoolExecutor(number) as pool:
        asked = [pool.submit(_draw, free, Path(folder), place, sheet) for place, sheet in enumerate(sheets)]
        for done in as_completed(asked):
            yield done.result()


def _draw(free: "SimpleQueue[_Child]", folder: Path, place: int, sheet: Sheet) -> tuple[int, bytes]:
    child = free.get()
    try:
        return place, child.draw(folder / str(place), sheet)
    finally:
        free.put(child)


@contextmanager
def _children(number: int) -> Iterator["SimpleQueue[_Child]"]:
    free: SimpleQueue[_Child] = SimpleQueue()
    with ExitStack() as running:
        for _each in range(number):
            free.put(running.enter_context(_Child()))
        yield free


class _Child:
    """One drawing process; begun with its first sheet, so that a single document begins a single one."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> "_Child":
        return self

    def __exit__(self, *raised: object) -> None:
        if self._process is not None:
            self._stream(self._process.stdin).close()
            self._process.wait()

    def draw(self, at: Path, sheet: Sheet) -> bytes:
        at.mkdir()
        answer = self._ask(json.dumps(_written(at, sheet)))
        if answer != "drawn":
            raise NotDrawn(answer or "The drawing process ended before it was done.")
        content = (at / "pdf").read_bytes()
        shutil.rmtree(at)
        return content

    def _ask(self, line: str) -> str:
        if self._process is None:
            self._process = self._begin()
        try:
            self._stream(self._process.stdin).write(line + "\n")
            self._stream(self._process.stdin).flush()
        except BrokenPipeError:
            return ""
        return self._stream(self._process.stdout).readline().strip()

    def _begin(self) -> "subprocess.Popen[str]":
        here = Path(__file__).resolve().parent.parent
        return subprocess.Popen(
            [sys.executable, "-m", "reports.drawers"],
            cwd=here,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    @staticmethod
    def _stream(stream: IO[str] | None) -> IO[str]:
        assert stream is not None
        return stream


def _written(at: Path, sheet: Sheet) -> dict[str, Any]:
    """The sheet as files below ``at``, and what the child is told of them."""
    (at / "html").write_text(sheet.html, encoding="utf-8")
    for place, (_name, content, _description) in enumerate(sheet.files):
        (at / str(place)).write_bytes(content)
    return {
        "at": str(at),
        "identifier": sheet.identifier,
        "made_at": sheet.made_at.isoformat(),
        "files": [(name, description) for name, _content, description in sheet.files],
        "variant": sheet.variant,
    }


def _drawn(said: dict[str, Any]) -> bytes:
    """What ``_written`` told, in the child."""
    from reports import paper

    at = Path(said["at"])
    return paper.draw(
        (at / "html").read_text(encoding="utf-8"),
        identifier=said["identifier"],
        made_at=datetime.fromisoformat(said["made_at"]),
        attachments=[
            (name, (at / str(place)).read_bytes(), description)
            for place, (name, description) in enumerate(said["files"])
        ],
        variant=said["variant"],
    )


def _serve() -> None:
    """The child: draws what each line asks for until there are no more."""
    for line in sys.stdin:
        said: dict[str, Any] = json.loads(line)
        try:
            (Path(said["at"]) / "pdf").write_bytes(_drawn(said))
            answer = "drawn"
        except Exception as error:
            answer = f"{type(error).__name__}: {error}".replace("\n", " ")
        print(answer, flush=True)


if __name__ == "__main__":
    _serve()
