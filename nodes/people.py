"""What is seen of people in a picture: where persons are, and where their skin is bare."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..kernels.arrays import as_plane
from ..kernels.errors import PictureError
from .declare import Matte

People = NDArray[np.float32]
"""How likely each place of a picture shows a person, float32 (h, w) of any size, 0 to 1; or (h, w, 2), where the second
plane tells how likely it shows bare skin, whosesoever."""


def persons_of(people: People) -> Matte:
    """Return how likely each place shows a person. Raises PictureError for an array of another shape.

    >>> persons_of(np.ones((9, 16, 2), np.float32)).shape
    (9, 16)
    """
    if np.ndim(people) == 3 and np.shape(people)[2] != 2:
        raise PictureError(f"A map of people has the shape (h, w) or (h, w, 2), not {np.shape(people)}.")
    return as_plane(people[..., 0] if np.ndim(people) == 3 else people, "map of persons")


def bare_skin_of(people: People) -> Matte | None:
    """Return how likely each place shows bare skin; None where only persons were looked for.

    >>> bare_skin_of(np.ones((9, 16), np.float32)) is None
    True
    """
    return as_plane(people[..., 1], "map of bare skin") if np.ndim(people) == 3 else None
