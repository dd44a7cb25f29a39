"""Doubt: the signs that a matte of skin wants a look, from the matte, its picture and the faces in it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..kernels import face as drawn
from ..kernels import join, learn, skin
from ..kernels.arrays import as_picture, as_plane
from .declare import Matte, Picture
from .face import FaceMatte
from .limits import LIMITS, beyond
from .solve import Warned

_SOFT, _FLAT, _COVER, _DOUBT = 1.73 / 0.12, 2.5 / 0.25, -1.95 / 0.35, -3.68
_SOFT_ALONE, _FLAT_ALONE, _DOUBT_ALONE = 1.83 / 0.12, 2.94 / 0.25, -8.74
"""Log-odds that a matte's F1 lies below .6 rather than above .8: ridge logistic regression on 285 mattes of 18 real
pictures, classes weighed alike, with a face known and without. Left one picture out it warned of .94 of the bad and .02
of the good ones; on 24 pictures never seen before, of .85 of 55 bad and .02 of 259 good ones."""
_HALF_OPEN, _NO_EDGE, _LITTLE_FACE = 0.35, 0.25, 0.6


def judge_matte(matte: Matte, image: Picture | None = None, faces: Sequence[FaceMatte] = ()) -> tuple[Warned, ...]:
    """Return the signs that a matte of skin wants a look.

    :param matte: float32 (H, W). :param image: float32 (H, W, 3 or 4), the picture it was made from; without it only
        the matte's size is judged. :param faces: the faces known in it.
    :raises PictureError: wrong arrays.
    """
    matte = as_plane(matte)
    area = float(matte.sum(dtype=np.float64)) / matte.size
    if area < (LIMITS["too little"].check or 0.0):
        text = f"The key finds only {area:.2%} of the frame: widen it, or add a sample on the lit skin."
        return (Warned("too little", area, text),)
    if image is None:
        if not beyond("leak", area):
            return ()
        text = f"The key covers {area:.0%} of the frame: it has leaked, unless the face fills it. "
        return (Warned("leak", area, text + "Subtract the surroundings."),)
    signs, covers = matte_signs(matte, image, faces)
    found = []
    doubt = doubt_of(signs)
    if beyond("doubtful", doubt):
        found.append(Warned("doubtful", doubt, _doubtful(signs)))
    for face, cover in zip(faces, covers, strict=True):
        if cover is not None and face.keyed > 0.5 and beyond("left behind", 1 - cover[0]):
            text = f"part of this face is left behind: {1 - cover[0]:.0%} of it, {cover[1]}. Add a sample there."
            found.append(Warned("left behind", 1 - cover[0], text[0].upper() + text[1:]))
    return tuple(found)


def doubt_of(signs: skin.Signs) -> float:
    """Return how likely a matte is bad rather than good, 0 to 1."""
    odds = _SOFT_ALONE * signs.soft + _FLAT_ALONE * signs.flat + _DOUBT_ALONE
    if signs.cover is not None:
        odds = _SOFT * signs.soft + _FLAT * signs.flat + _COVER * signs.cover + _DOUBT
    return 1 / (1 + math.exp(-odds))


def _doubtful(signs: skin.Signs) -> str:
    """Say why a matte is doubted, the weightiest reason first."""
    reasons = [
        (
            signs.soft / _HALF_OPEN,
            f"{signs.soft:.0%} of it is half open: add a sample on skin that is grey in the matte",
        ),
        (
            signs.flat / _NO_EDGE,
            f"{signs.flat:.0%} of its edge runs where the picture shows none: subtract what is no skin there, or draw "
            "a region round the person",
        ),
    ]
    if signs.cover is not None:
        reasons.append(
            (
                (1 - signs.cover) / (1 - _LITTLE_FACE),
                f"it finds {signs.cover:.0%} of the face: add a sample on the rest",
            )
        )
    told = [text for weight, text in sorted(reasons, key=lambda r: -r[0]) if weight >= 1] or [max(reasons)[1]]
    return f"The matte is in doubt: {'; '.join(told)}."


Cover = tuple[float, str]
"""How much of a face is keyed, 0 to 1, and where the rest lies, in words."""


def matte_signs(
    matte: Matte, image: Picture, faces: Sequence[FaceMatte] = ()
) -> tuple[skin.Signs, tuple[Cover | None, ...]]:
    """Return the figures by which a matte can be doubted, and how much of each face is keyed."""
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    frame = learn.reduce_frame(image, *(np.zeros(matte.shape, np.bool_),) * 2)
    shape = frame.luma.shape
    small = join.on_grid(matte, shape)
    cells = drawn.cells_of(image) if faces else None
    cuts = [drawn.cut(cells, f.landmarks, shape) if cells and f.presence > 0 else None for f in faces]
    signs = skin.signs_of(small, frame.luma, frame.u, frame.v, [cut for cut in cuts if cut is not None])
    return signs, tuple(None if cut is None else _cover(small, cut) for cut in cuts)


def _cover(matte: Matte, cut: drawn.FaceCut) -> Cover | None:
    core = cut.core
    if not core.any():
        return None
    missing = core & (matte[cut.window.slices] <= 0.5)
    if not missing.any():
        return 1.0, ""
    across, down = float(cut.across[missing].mean()), float(cut.down[missing].mean()) - 0.42
    side = "on its right in the picture" if across > 0 else "on its left in the picture"
    height = "above" if down < 0 else "below"
    return 1 - float(missing.sum() / core.sum()), side if abs(across) > abs(down) else height
