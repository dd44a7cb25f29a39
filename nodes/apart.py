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
from .sample import Sample
from .solve import ReadingError, Warned, measure_skin
from .verdict import COMMAND, apart_findings


def hues_of_faces(final: Picture, matte: Matte, faces: Sequence[FaceMatte]) -> tuple[float, float] | None:
    """Return the hues of the reddest and the yellowest face in one key, None where fewer than two can be read.

    :param final: the corrected picture, float32 (H, W, 3 or 4). :param matte: of the key, float32 (H, W).
    :param faces: those known on the frame. :raises PictureError: wrong arrays.

    >>> hues_of_faces(np.zeros((90, 160, 3), np.float32), np.ones((90, 160), np.float32), ()) is None
    True
    """
    matte, angles = as_plane(matte), []
    for face in faces if sum(each.keyed > 0.5 for each in faces) > 1 else ():
        inside = _middle(face, matte.shape)
        if face.keyed > 0.5 and inside is not None:
            with contextlib.suppress(ReadingError):
                angles.append(measure_skin(final, np.where(inside, matte, np.float32(0))).angle)
    off = [wrapped(angle - angles[0]) for angle in angles]
    return (angles[0] + min(off), angles[0] + max(off)) if len(off) > 1 else None


def faces_apart(faces: tuple[float, float] | None, surface: int = COMMAND) -> tuple[Warned, ...]:
    """Say how far apart the faces in one key end, where that is worth a word and the judge has none for it.

    :param faces: see :func:`hues_of_faces`. :param surface: for the words, COMMAND or CONTROL.

    >>> faces_apart((120.0, 122.0)), [each.sign for each in faces_apart((120.0, 130.0))]
    ((), ['faces apart'])
    """
    if faces is None or list(apart_findings(faces, "faces in one key")):
        return ()
    told = apart_findings(faces, "faces apart")
    return tuple(Warned("faces apart", faces[1] - faces[0], each.words(surface)) for each in told)


def _middle(face: FaceMatte, shape: tuple[int, ...]) -> NDArray[np.bool_] | None:
    """Return the pixels of a known face's middle, None where it lies outside the frame."""
    aspect = shape[1] / shape[0]
    places = np.array(face.landmarks, np.float64) * (aspect, 1)
    (x, y), reach = places.mean(axis=0), float(np.ptp(places, axis=0).max())
    box = np.clip([(x - reach) / aspect, y - 1.3 * reach, (x + reach) / aspect, y + 1.1 * reach], 0, 1)
    if not (box[0] < box[2] and box[1] < box[3]):
        return None
    return Sample.face(*map(float, box)).mask(shape[0], shape[1])
