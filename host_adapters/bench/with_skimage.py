"""The filters of scikit-image on a matte; its colour conversions have fixed matrices of another standard."""

from __future__ import annotations

from typing import Any

import skimage.filters
import skimage.morphology

from .peers import BLURS, GROWS, Rows, Scene

filters: Any = skimage.filters
morphology: Any = skimage.morphology
"""Without their annotations, of which only some are there."""


def rows(scene: Scene) -> Rows:
    """Return the rows."""
    matte, made = scene.matte, Rows()
    for sigma in BLURS:
        made[f"blur σ {sigma:g}"] = lambda sigma=sigma: filters.gaussian(matte, sigma, mode="nearest")  # type: ignore[misc]
    for radius in GROWS:
        side = 2 * radius + 1
        square = morphology.footprint_rectangle((side, side), decomposition="separable")
        made[f"grow r {radius}"] = lambda square=square: morphology.dilation(matte, square)  # type: ignore[misc]
    return made
