"""The colour part alone in OpenColorIO: the turn baked into a 33³ look-up, read by tetrahedra."""

from __future__ import annotations

from typing import Any

import numpy as np
import PyOpenColorIO as ocio

from .peers import EVERYWHERE, Rows, Scene
from .plan import Plan

SIDE = 33


def rows(scene: Scene) -> Rows:
    """Return the row; the processor works in place on a packed picture, so it is given a copy that it keeps."""
    processor, image, own = _processor(Plan.of(scene)), scene.image, np.empty_like(scene.image)

    def everywhere() -> Any:
        np.copyto(own, image)
        processor.applyRGB(own)
        return own

    return {EVERYWHERE: everywhere}


def _processor(plan: Plan) -> Any:
    step = np.linspace(0, 1, SIDE, dtype=np.float32)
    red, green, blue = np.meshgrid(step, step, step, indexing="ij")
    corners = np.stack([red, green, blue], axis=-1).reshape(-1, 3) @ plan.turn.T
    look_up = ocio.Lut3DTransform(SIDE)
    look_up.setData(corners.reshape(-1))
    look_up.setInterpolation(ocio.INTERP_TETRAHEDRAL)
    return ocio.Config.CreateRaw().getProcessor(look_up).getDefaultCPUProcessor()
