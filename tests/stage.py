"""Where the scene is played: once in a process, whoever asks for it."""

import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from django.test import override_settings

from tests.scene import Scene, played, undone


class Stage:
    """The scene, played once in a process and lent to one module after the other, to each as it was played.

    Playing takes seconds, and dozens of modules ask for it. ``clear`` it before anything else touches the database.
    """

    def __init__(self, folder: Path, blocker: Any):
        self.folder, self.blocker = folder, blocker
        self._kept, self._played, self._scene = ExitStack(), folder, None
        self._lent, self._is_out = 0, False

    @contextmanager
    def lent(self) -> Iterator[Scene]:
        with self.blocker.unblock():
            scene = self._scene or self._play()
            here = shutil.copytree(self._played, self._next_folder())
            self._is_out = True
            with override_settings(MEDIA_ROOT=here / "files", SIGNING_KEYS=here / "keys"), undone():
                yield replace(scene, ids=dict(scene.ids))
            self._is_out = False

    def _play(self) -> Scene:
        self._played = self._next_folder()
        self._played.mkdir()
        self._scene = scene = self._kept.enter_context(played(self._played))
        return scene

    def _next_folder(self) -> Path:
        self._lent += 1
        return self.folder / str(self._lent)

    def clear(self) -> None:
        """Nothing of it stays; not while a module has it."""
        if self._scene is not None and not self._is_out:
            with self.blocker.unblock():
                self._kept.close()
            self._scene = None
