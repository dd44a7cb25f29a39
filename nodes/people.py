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
_LARGE, _DECIDED, _ON_PERSONS = 0.01, 0.62, 0.6
"""How much of a frame surely shows bare skin at least, what part that is of all that may, and how likely persons are
there: a map that hesitates saw fur, food or wood. See bench/RESULTS.md, "Skin without a face"."""
_SMALL, _MOST = 0.05, 12
"""Pieces below this part of the largest teach nothing, nor do more than so many."""

Pieces = tuple[NDArray[np.bool_], ...]


def sure_skin(people: People | None) -> Pieces:
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
    if people is None or bare is None or (bare >= _SURE).mean() < _LARGE:
        return ()
    if float(persons_of(people)[bare >= _SURE].mean(dtype=np.float64)) < _ON_PERSONS:
        return ()
    return sure_pieces(bare, _DECIDED)


def sure_pieces(bare: Matte, decided: float, most: int = _MOST) -> Pieces:
    """Return the largest pieces of a map of bare skin that are sure, bool (h, w) each, the largest first.

    :param decided: what part of all that may be skin has to be sure; otherwise there is none. :param most: how many.

    >>> bare = np.zeros((90, 160), np.float32)
    >>> bare[20:60, 40:80], bare[20:60, 80:100] = 0.9, 0.5
    >>> len(sure_pieces(bare, 0.6)), len(sure_pieces(bare, 0.7))
    (1, 0)
    """
    sure = bare >= _SURE
    if not sure.any() or sure.sum() < decided * (bare >= _LIKELY).sum():
        return ()
    labels, area = join.pieces(sure)
    order = np.argsort(-area[1:], kind="stable")[:most] + 1
    return tuple(labels == label for label in order if area[label] >= _SMALL * area[order[0]])
