"""Cuts: whether the clip at the desk is cut, looked for in the background, as only one frame is judged at a time."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence

from ...kernels.errors import InkarnatError
from ...nodes import Warned
from ..media.clips import Clip
from ..shots.drift import LOOKED_AT, CutFinder
from ..shots.sampling import spread
from .frames import be_nice


class Cuts:
    """Looks once for a cut in a clip, by a decoder of its own.

    :param open_clip: opens the clip once more. :param frames: of the clip. :param told: called where one was found.
        Nothing is looked at before :meth:`start`.
    """

    def __init__(self, open_clip: Callable[[], Clip], frames: Sequence[int], told: Callable[[], None]) -> None:
        self.open_clip, self.frames, self.told = open_clip, frames, told
        self.first: int | None = None
        self._closed = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to look, once."""
        if self._thread is None and len(self.frames) > 1:
            self._thread = threading.Thread(target=self._run, name="cuts", daemon=True)
            self._thread.start()

    def wait(self, seconds: float) -> None:
        """Wait until it has ended."""
        if self._thread is not None:
            self._thread.join(seconds)

    def close(self) -> None:
        """End looking."""
        self._closed.set()
        self.wait(5)

    def warnings(self) -> tuple[Warned, ...]:
        """Say where the clip is cut, where that is known."""
        if self.first is None:
            return ()
        message = f"There is a cut at frame {self.first}, and one correction goes across it: this frame alone is read. "
        return (Warned("cut", float(self.first), message + "Look at the matte on both sides, or cut the clip."),)

    def _run(self) -> None:
        be_nice()
        with contextlib.suppress(InkarnatError), self.open_clip() as clip:
            finder = CutFinder(clip.read, self.frames)
            for frame in spread(self.frames, LOOKED_AT):
                if self._closed.is_set():
                    return
                with contextlib.suppress(InkarnatError):  # a frame that cannot be read is told where it is asked for
                    finder.see(frame, clip.read(frame))
            self.first = finder.first()
        if self.first is not None and not self._closed.is_set():
            self.told()
