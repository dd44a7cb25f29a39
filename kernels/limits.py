"""Limits: the share of a picture's pixels whose signal lies beyond the limits of EBU R 103."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture
from .colour import luma

TOLERANCE = (-44 / 876, 1 + 44 / 876)
"""R, G, B and luma: 10-bit codes 20 to 984, 8-bit codes 5 to 246, which is 5 % beyond black and white.

Source: EBU R 103, versions 2.0 (2016) and 3.0 (2020); the figures also in EBU QC item 0051B."""

PREFERRED_LUMA = (-0.01, 1.03)
"""Luma: −1 % to 103 %. Source: EBU R 103, version 1.1 (2000), from memory."""

CODES = ((4 - 64) / 876, (1019 - 64) / 876)
"""The lowest and highest 10-bit codes of video, 4 and 1019. Source: BT.709-6, section 4."""

MOST_BEYOND = 0.01
"""Up to 1 % of the picture's area may lie beyond the limits. Source: EBU R 103, all versions."""

_ROUNDING = 1e-5
"""A code at the limit is within it, though it is not exact as a float32."""


@dataclass(frozen=True)
class LimitShares:
    """Shares of the finite pixels, 0 to 1.

    :ivar preferred: luma beyond −1 … 103 %, or red, green or blue beyond −5 … 105 %.
    :ivar tolerance: red, green, blue or luma beyond −5 … 105 %.
    :ivar codes: red, green or blue beyond what video codes can hold: it will be clipped.
    """

    preferred: float
    tolerance: float
    codes: float

    @property
    def within(self) -> bool:
        """Whether at most 1 % of the picture lies beyond the tolerance."""
        return self.tolerance <= MOST_BEYOND


def shares_beyond(image: Floats) -> LimitShares:
    """Return how much of a picture lies beyond the limits of EBU R 103.

    :param image: float32 (H, W, 3 or 4), R′G′B′, black at 0, white at 1. Pixels that are not finite count nothing.
    :raises PictureError: wrong array.

    Single pixels are counted as they are, without the low-pass filter that the recommendation allows before
    measuring, so that fine overshoots count here and may pass there.

    >>> picture = np.array([[[0.5, 0.5, 0.5], [1.2, 1.2, 1.2]]], np.float32)
    >>> shares_beyond(picture)
    LimitShares(preferred=0.5, tolerance=0.5, codes=0.5)
    """
    image = as_picture(image)
    signal = image[..., :3]
    finite = np.isfinite(signal[..., 0]) & np.isfinite(signal[..., 1]) & np.isfinite(signal[..., 2])
    count = max(int(finite.sum()), 1)
    level = luma(image)
    component = _beyond(signal, TOLERANCE)
    preferred = component | _beyond_plane(level, PREFERRED_LUMA)

    def share(beyond: NDArray[np.bool_]) -> float:
        return int((beyond & finite).sum()) / count

    return LimitShares(share(preferred), share(component), share(_beyond(signal, CODES)))


def _beyond(signal: Floats, limits: tuple[float, float]) -> NDArray[np.bool_]:
    red, green, blue = (_beyond_plane(signal[..., k], limits) for k in range(3))
    either: NDArray[np.bool_] = red | green | blue
    return either


def _beyond_plane(plane: Floats, limits: tuple[float, float]) -> NDArray[np.bool_]:
    low, high = np.float32(limits[0] - _ROUNDING), np.float32(limits[1] + _ROUNDING)
    with np.errstate(invalid="ignore"):
        beyond: NDArray[np.bool_] = (plane < low) | (plane > high)
    return beyond
