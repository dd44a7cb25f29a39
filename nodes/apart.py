"""Faces apart: how far from each other the faces in one key end, which one correction turns alike."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..kernels.angles import wrapped
from ..kernels.arrays import as_plane
from .declare import Matte, Picture
from .face import FaceMatte
from .limits import beyond
from .sample import Sample
from .solve import ReadingError, Warned, measure_skin
from .verdict import COMMAND

_EACH_THEIR_OWN = (
    "--subject gives each person their own.",
    "Give each person a key of their own: a person on the desk, a further effect in a host.",
)


def faces_apart(final: Picture, matte: Matte, faces: Sequence[FaceMatte], surface: int = COMMAND) -> tuple[Warned, ...]:
    """Say how far apart the faces in one key end, nothing where they lie together or fewer than two can be read.

    :param final: the corrected picture, float32 (H, W, 3 or 4). :param matte: of the key, float32 (H, W).
    :param faces: those known on the frame. :param surface: for the words, COMMAND or CONTROL.
    :raises PictureError: wrong arrays.

    >>> faces_apart(np.zeros((90, 160, 3), np.float32), np.ones((90, 160), np.float32), ())
    ()
    """
    matte, angles = as_plane(matte), []
    for face in faces if sum(each.keyed > 0.5 for each in faces) > 1 else ():
        inside = _middle(face, matte.shape)
        if face.keyed > 0.5 and inside is not None:
            with contextlib.suppress(ReadingError):
                angles.append(measure_skin(final, np.where(inside, matte, np.float32(0))).angle)
    off = sorted(wrapped(angle - angles[0]) for angle in angles)
    if not off or not beyond("faces apart", off[-1] - off[0]):
        return ()
    text = (
        f"The faces in this key end from {angles[0] + off[0]:.0f}° to {angles[0] + off[-1]:.0f}°, as one correction "
        f"turns them alike. Where one is not meant, such as a picture on a wall, mark the one that is. "
        f"{_EACH_THEIR_OWN[surface]}"
    )
    return (Warned("faces apart", off[-1] - off[0], text),)


def _middle(face: FaceMatte, shape: tuple[int, ...]) -> NDArray[np.bool_] | None:
    """Return the pixels of a known face's middle, None where it lies outside the frame."""
    aspect = shape[1] / shape[0]
    places = np.array(face.landmarks, np.float64) * (aspect, 1)
    (x, y), reach = places.mean(axis=0), float(np.ptp(places, axis=0).max())
    box = np.clip([(x - reach) / aspect, y - 1.3 * reach, (x + reach) / aspect, y + 1.1 * reach], 0, 1)
    if not (box[0] < box[2] and box[1] < box[3]):
        return None
    return Sample.face(*map(float, box)).mask(shape[0], shape[1])
