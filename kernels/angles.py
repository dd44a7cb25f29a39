"""Angles in degrees: the short way round."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Degrees = TypeVar("Degrees", float, NDArray[np.floating])


def wrapped(degrees: Degrees) -> Degrees:
    """Return angles, a number or an array, as the same angles from −180 up to 180 degrees.

    >>> wrapped(350.0), wrapped(-190.0), wrapped(123.0)
    (-10.0, 170.0, 123.0)
    """
    return (degrees + 180) % 360 - 180
