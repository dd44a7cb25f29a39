"""What is seen of people in a picture: where persons are, and where their skin is bare."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..kernels import join
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


_SURE, _LIKELY = 0.8, 0.3
"""From which likelihood on a place surely shows bare skin, and from which it may."""
_LARGE, _DECIDED, _ON_PERSONS = 0.01, 0.45, 0.6
"""How much of a frame surely shows bare skin at least, what part that is of all that may, and how likely persons are
there: a map that hesitates saw fur, food or wood. See bench/RESULTS.md, "Skin without a face"."""
_SMALL, _MOST = 0.05, 12
"""Pieces below this part of the largest teach nothing, nor do more than so many."""


def sure_skin(people: People | None) -> tuple[NDArray[np.bool_], ...]:
    """Return the pieces of a picture that surely show bare skin, bool (h, w) each; none where its map is not sure.

    This alone decides whether skin is sought by its look where nothing is marked and no face is known.

    :param people: what is seen of people in a picture; without a map of bare skin nothing is sure.

    >>> seen = np.zeros((90, 160, 2), np.float32)
    >>> seen[..., 0], seen[20:60, 40:80, 1] = 1, 0.9
    >>> [int(piece.sum()) for piece in sure_skin(seen)]
    [1600]
    >>> sure_skin(seen[..., 0]), sure_skin(0.5 * seen)
    ((), ())
    """
    bare = None if people is None else bare_skin_of(people)
    if people is None or bare is None:
        return ()
    sure = bare >= _SURE
    if sure.mean() < _LARGE or sure.sum() < _DECIDED * (bare >= _LIKELY).sum():
        return ()
    if float(persons_of(people)[sure].mean(dtype=np.float64)) < _ON_PERSONS:
        return ()
    labels, area = join.pieces(sure)
    order = np.argsort(-area[1:], kind="stable")[:_MOST] + 1
    return tuple(labels == label for label in order if area[label] >= _SMALL * area[order[0]])
