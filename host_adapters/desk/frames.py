"""Frames of a video, small and compressed, for going through it by hand: filled while nothing else is to be done.

A frame in the midst of a long run of frames that build on one another takes as long as all of them before it. So a
decoder of its own goes through the clip once, in order, whenever no hand moves.
"""

from __future__ import annotations

import contextlib
import io
import time
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ..media.clips import Clip
from .background import Background

MOST_BYTES = 60 << 20
_QUALITY = 92
_LOW, _SPAN = 16, 219
"""Codes of black, and from black to white, as 8-bit video has them (BT.709-6): what lies a little beyond survives."""
_QUIET = 0.8
"""Seconds without a movement after which frames are filled in."""


class Frames(Background):
    """Small pictures of a clip by frame, each a JPEG without subsampling, filled in while no hand moves.

    :param shrink: makes the small picture.
    """

    name = "frames"

    def __init__(
        self, open_clip: Callable[[], Clip], frames: Sequence[int], shrink: Callable[[Floats], Floats]
    ) -> None:
        super().__init__(open_clip, frames)
        self.shrink = shrink
        self._kept: dict[int, bytes] = {}
        self._bytes = 0
        self._moved = 0.0

    def stir(self) -> None:
        """Say that a hand moves: filling waits."""
        self._moved = time.monotonic()

    def find(self, frame: int) -> Floats | None:
        """Return a frame, float32 (H, W, 3), to 8 bits; None where it is not there yet."""
        from PIL import Image

        kept = self._kept.get(frame)
        if kept is None:
            return None
        codes = np.asarray(Image.open(io.BytesIO(kept)))
        return (codes.astype(np.float32) - np.float32(_LOW)) * np.float32(1 / _SPAN)

    @property
    def share(self) -> float:
        """How much of the clip is there."""
        return len(self._kept) / len(self.frames)

    def _put(self, frame: int, picture: Floats) -> None:
        from PIL import Image

        codes: NDArray[np.uint8] = np.rint(np.clip(picture[..., :3] * _SPAN + _LOW, 0, 255)).astype(np.uint8)
        file = io.BytesIO()
        Image.fromarray(codes).save(file, "JPEG", quality=_QUALITY, subsampling=0)
        self._kept[frame] = file.getvalue()
        self._bytes += len(self._kept[frame])

    def _go_through(self, clip: Clip) -> None:
        for frame in self.frames:
            while time.monotonic() - self._moved < _QUIET and not self._closed.is_set():
                self._closed.wait(_QUIET / 4)
            if self._closed.is_set() or self._bytes > MOST_BYTES:
                return
            with contextlib.suppress(InkarnatError):  # a frame that cannot be read is told where it is asked for
                self._put(frame, self.shrink(clip.read(frame)))
