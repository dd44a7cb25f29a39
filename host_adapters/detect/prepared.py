"""Pictures as networks look at them: limited, smaller, and a dark one brightened."""

from __future__ import annotations

import numpy as np

from ...nodes.declare import Picture

_BRIGHT, _DARKEST = 0.8, 0.05
"""To what level a dark picture is brightened, and what is dark beyond help."""
_BRIGHTER = 0.02
"""Part of a picture that is brighter than the level by which it counts as dark."""


def limited(picture: Picture) -> Picture:
    """Return the colours of a picture, float32 (H, W, 3), limited to 0 … 1; NaN becomes 0.

    >>> limited(np.array([[[np.nan, 2.0, -1.0, 1.0]]], np.float32))
    array([[[0., 1., 0.]]], dtype=float32)
    """
    colour = np.ascontiguousarray(np.clip(picture[..., :3], 0, 1), np.float32)
    return np.nan_to_num(colour, copy=False) if np.isnan(colour.min(initial=1)) else colour


def reduced(picture: Picture, long_side: int) -> Picture:
    """Return a picture whose sides are a whole number of times smaller, its longer one still at least so long.

    Every further look at it costs the less.

    >>> reduced(np.zeros((1080, 1920, 3), np.float32), 900).shape
    (540, 960, 3)
    """
    import cv2

    rows, columns = picture.shape[:2]
    factor = min(max(rows, columns) // long_side, rows, columns)
    if factor < 2:
        return picture
    return np.asarray(
        cv2.resize(picture, (columns // factor, rows // factor), interpolation=cv2.INTER_AREA), np.float32
    )


def brightened(picture: Picture) -> Picture:
    """Return a picture, 0 to 1, as networks look at it: a dark one brightened, a bright one as it is."""
    darker = int((1 - _BRIGHTER) * (picture.size - 1))
    if np.count_nonzero(picture < _BRIGHT) <= darker:  # most are: told sooner than the level is found
        return picture
    bright = max(float(np.partition(picture, darker, axis=None)[darker]), _DARKEST)
    return np.asarray(np.clip(picture * np.float32(_BRIGHT / bright), 0, 1), np.float32)
