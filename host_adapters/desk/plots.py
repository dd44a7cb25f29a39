"""Plots: the traces of the scopes as grey planes, on which the page draws its scales and handles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...kernels import measure, plot
from ...kernels.arrays import Floats
from ...kernels.gaussian import gaussian

Grey = NDArray[np.uint8]

LOW, HIGH = -0.10, 1.13
"""Levels at the lower and the upper edge of a level plot."""

ENDS = (0.5, 99.5)
"""Percentiles that stand for the darkest and the brightest of a picture."""

_FAINT = 2.0
"""Density that just shows, in parts per million of the pixels in a cell of 1/512 of the side."""


def chroma_plot(image: Floats, matte: Floats | None, side: int, rim: float) -> Grey:
    """Return the trace in the BT.709 Cb/Cr plane, uint8 (side, side), neutral in the middle, +Cr up.

    :param rim: the chroma at the middle of each edge.
    """
    scale = side / 2 / rim
    counts = plot.chroma_counts(image, matte, side, scale)
    total = max(int(counts.sum()), 1)
    density = gaussian((counts * (1e6 / total * (side / 512) ** 2)).astype(np.float32), max(0.6, 0.4 * scale / 224))
    return _grey(plot.log_brightness(density, _FAINT, max(float(density.max()), 40 * _FAINT)))


def level_plot(image: Floats, matte: Floats | None, width: int, height: int, signal: str = "luma") -> Grey:
    """Return the trace of a level, column by column, uint8 (height, width), from :data:`LOW` up to :data:`HIGH`.

    :param signal: "luma", "r", "g" or "b".
    """
    columns = min(width, image.shape[1])
    counts = plot.level_counts(image, matte, (height, columns), signal, LOW, HIGH)
    pixels = image.shape[0] * image.shape[1] / columns * plot.PIXEL
    fullest = max(float(counts.sum(axis=0).max()) / pixels, 1e-6)
    share = (counts * (height / 400 / pixels / fullest)).astype(np.float32)
    share = np.ascontiguousarray(share[:, np.arange(width) * columns // width])
    return _grey(plot.log_brightness(gaussian(share, max(0.5, 0.4 * height / (HIGH - LOW) / 219)), 0.003, 0.25))


def level_ends(image: Floats, matte: Floats | None) -> tuple[float, float]:
    """Return the darkest and the brightest luma, leaving out half a percent at either end."""
    low, high = measure.luma_percentiles(image, matte, ENDS)
    return float(low), float(high)


def _grey(brightness: Floats) -> Grey:
    grey: Grey = np.rint(np.clip(brightness, 0, 1) * 255).astype(np.uint8)
    return grey
