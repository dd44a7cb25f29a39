"""Background: going through a clip once for the desk, while whatever else there is to do goes before."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Sequence
from typing import ClassVar

from ...kernels.errors import InkarnatError
from ..media.clips import Clip

_NICENESS = 15


class Background:
    """Goes through a clip once, in a thread and by a decoder of its own. Nothing is looked at before :meth:`start`.

    :cvar name: of the thread. :param open_clip: opens the clip once more. :param frames: of the clip.
    """

    name: ClassVar[str]

    def __init__(self, open_clip: Callable[[], Clip], frames: Sequence[int]) -> None:
        self.open_clip, self.frames = open_clip, frames
        self._closed = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin, once."""
        if self._thread is None and len(self.frames) > 1:
            self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
            self._thread.start()

    @property
    def is_running(self) -> bool:
        """Whether it was begun."""
        return self._thread is not None

    def wait(self, seconds: float) -> None:
        """Wait until it has ended."""
        if self._thread is not None:
            self._thread.join(seconds)

    def close(self) -> None:
        """End it."""
        self._closed.set()
        self.wait(5)

    def _run(self) -> None:
        with contextlib.suppress(AttributeError, OSError):  # where threads can be nice on their own
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICENESS)
        with contextlib.suppress(InkarnatError), self.open_clip() as clip:
            self._go_through(clip)

    def _go_through(self, clip: Clip) -> None:
        """Do the work, until it is done or closed. An error of ours ends it; frames that fail are told elsewhere."""
        raise NotImplementedError
