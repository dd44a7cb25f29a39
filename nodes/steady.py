"""Steady matte: take the flicker out of a matte over time, without trailing behind what moves."""

from __future__ import annotations

from dataclasses import dataclass

from ..kernels import steady as kernel
from ..kernels.arrays import Floats
from .declare import Matte, Node, Picture, number, whole


@dataclass(frozen=True)
class SteadyMatte(Node):
    """A matte freed of flicker by the frames before and after, wherever the guide picture shows the same there.

    Where something moved, the other frames do not count, so edges do not trail. Without a guide every frame counts
    everywhere. Beyond the ends of a clip its first and last frames stand in.

    >>> import numpy as np
    >>> matte = np.full((3, 2, 2), 0.5, np.float32)  # the frame before, this one, the one after
    >>> SteadyMatte(frames=1).frames_needed()
    (1, 1)
    """

    name = "steady_matte"
    label = "Steady matte"
    group = "matte"

    frames: int = whole(2, 0, 5, "How many frames to look at on either side; 0 leaves the matte as it is.")
    tolerance: float = number(
        0.03,
        0.001,
        1,
        "Colour difference up to which another frame shows the same; more steadies more.",
        shown=(0.005, 0.2),
    )
    decay: float = number(0.1, 0, 1, "How much less a frame counts for each frame of distance.")

    def frames_needed(self) -> tuple[int, int]:
        """Return the frames on either side."""
        return self.frames, self.frames

    def process(self, matte: Matte, guide: Picture | None = None, *, out: Floats | None = None) -> Matte:
        """Return the steadied matte; ``guide`` is the picture it was made from.

        Where ``frames`` is above 0, matte and guide are tuples over the frames needed, in order. A single matte stands
        for itself and comes back limited to 0…1.
        """
        mattes = matte if isinstance(matte, tuple) else (matte,)
        guides = guide if guide is None or isinstance(guide, tuple) else (guide,)
        return kernel.steady(mattes, guides, self.tolerance, self.decay, out)
