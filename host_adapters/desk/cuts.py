"""Cuts: whether the clip at the desk is cut, looked for in the background, as only one frame is judged at a time."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence

from ...kernels.errors import InkarnatError
from ...nodes import Warned
from ..media.clips import Clip
from ..shots.drift import LOOKED_AT, CutFinder
from ..shots.sampling import spread
from .background import Background


class Cuts(Background):
    """Looks once for a cut in a clip.

    :param told: called where one was found.
    """

    name = "cuts"

    def __init__(self, open_clip: Callable[[], Clip], frames: Sequence[int], told: Callable[[], None]) -> None:
        super().__init__(open_clip, frames)
        self.told = told
        self.first: int | None = None

    def warnings(self) -> tuple[Warned, ...]:
        """Say where the clip is cut, where that is known."""
        if self.first is None:
            return ()
        message = f"There is a cut at frame {self.first}, and one correction goes across it: this frame alone is read. "
        return (Warned("cut", float(self.first), message + "Look at the matte on both sides, or cut the clip."),)

    def _run(self) -> None:
        super()._run()
        if self.first is not None and not self._closed.is_set():
            self.told()

    def _go_through(self, clip: Clip) -> None:
        finder = CutFinder(clip.read, self.frames)
        for frame in spread(self.frames, LOOKED_AT):
            if self._closed.is_set():
                return
            with contextlib.suppress(InkarnatError):  # a frame that cannot be read is told where it is asked for
                finder.see(frame, clip.read(frame))
        self.first = finder.first()
