"""Doubt: the signs that a matte of skin wants a look, from the matte, its picture and the faces in it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..kernels import face as drawn
from ..kernels import join, learn, measure, skin
from ..kernels.angles import wrapped
from ..kernels.arrays import as_picture, as_plane
from ..kernels.colour import rgb_to_ycbcr
from .declare import Matte, Picture
from .face import FaceMatte
from .limits import LIMITS, beyond
from .sample import Sample
from .solve import ReadingError, Warned, measure_skin
from .verdict import LeftBehind

_SOFT, _FLAT, _COVER, _BEYOND, _DOUBT = 6.96, 9.33, -5.12, 5.51, -0.05
USUAL_REACH = 4.0
"""Log-odds that a matte's F1 lies below .6 rather than above .8 where a face is known, the keyed area beyond so many
faces in doublings: ridge logistic regression on 452 mattes of 33 real pictures, classes weighed alike, then moved so
that few right mattes are doubted. Each picture judged by what was fitted on the others, with the signs "no edge" and
"beyond the faces": .92 of 95 bad mattes are warned of (.83 to .98, pictures drawn anew), and .045 of 357 good ones (.02
to .07)."""
_HALF_OPEN, _NO_EDGE, _LITTLE_FACE = 0.35, 0.25, 0.6


MATTE_SIGNS = (
    "too little",
    "leak",
    "leak at the rim",
    "ragged",
    "half open",
    "doubtful",
    "no edge",
    "left behind",
    "beyond the faces",
)
"""The signs that :func:`judge_matte` finds: on any frame, without what was learned."""

LEARNED_SIGNS = ("look-alike", "missed", "far from skin", "two lights")
"""The signs that :meth:`.LearnedKey.warnings` finds beside them where a key is learned."""


def judge_matte(matte: Matte, image: Picture | None = None, faces: Sequence[FaceMatte] = ()) -> tuple[Warned, ...]:
    """Return the signs that a matte of skin wants a look.

    :param matte: float32 (H, W). :param image: float32 (H, W, 3 or 4), the picture it was made from. :param faces: the
        faces known in it. Without a picture or a face the matte's own form is judged: how much of the frame and of its
        rim it covers, how ragged and how half open it is.
    :raises PictureError: wrong arrays.

    >>> matte = np.zeros((90, 160), np.float32)
    >>> matte[30:60, 60:100] = 1
    >>> judge_matte(matte)
    ()
    """
    matte = as_plane(matte)
    area = float(matte.sum(dtype=np.float64)) / matte.size
    if area < (LIMITS["too little"].check or 0.0):
        text = f"The key finds only {area:.2%} of the frame: widen it, or add a sample on the lit skin."
        return (Warned("too little", area, text),)
    if image is None:
        return _of_form(matte, area)
    if not faces:
        return _of_form(matte, area, image)
    signs, covers = matte_signs(matte, image, faces)
    if signs.cover is None:
        return _of_form(matte, area, image)
    found = []
    reach = reach_of(matte, faces)
    doubt = doubt_of(signs.soft, signs.flat, signs.cover, reach)
    if beyond("beyond the faces", reach):
        found.append(_beyond(reach))
    elif beyond("doubtful", doubt):
        found.append(Warned("doubtful", doubt, _doubtful(signs.soft, signs.flat, signs.cover)))
    elif has_no_edge(signs):
        found.append(_no_edge(signs.rim))
    for face, cover in zip(faces, covers, strict=True):
        if cover is not None and face.keyed > 0.5 and beyond("left behind", 1 - cover[0]):
            text = f"part of this face is left behind: {1 - cover[0]:.0%} of it, {cover[1]}. Add a sample there."
            found.append(Warned("left behind", 1 - cover[0], text[0].upper() + text[1:]))
    return tuple(found)


def _beyond(reach: float) -> Warned:
    text = (
        f"The key covers {reach:.1f} times the area of the known faces (at most "
        f"{LIMITS['beyond the faces'].check:g} is usual): clothes or a wall of the skin's colour may be keyed, "
        "unless much skin is bare. Subtract them, or draw a region round the person."
    )
    return Warned("beyond the faces", reach, text)


def reach_of(matte: Matte, faces: Sequence[FaceMatte]) -> float:
    """Return the keyed area in areas of the known faces, from the longer of what eyes and mouth span: they may turn."""
    height, width = matte.shape
    squares = 0.0
    for face in faces:
        (x0, y0), (x1, y1), (mx, my) = face.left_eye, face.right_eye, face.mouth
        pupils = math.hypot((x1 - x0) * width, (y1 - y0) * height)
        down = math.hypot(((x0 + x1) / 2 - mx) * width, ((y0 + y1) / 2 - my) * height)
        squares += max(pupils, down) ** 2 if face.presence > 0 else 0.0
    known = float(max(_FACE_SQUARES * squares / (width * height), 1e-9))
    keyed: float = float(matte.sum(dtype=np.float64)) / matte.size
    return keyed / known


_FACE_SQUARES = 5.0
"""Area of a face in squares of the distance between eyes, or from eyes to mouth where that is longer: chosen near 5.5,
the median of the detector's boxes on 33 pictures of real people, which hold some hair."""

_PLAIN_STEP, _UNSURE, _ALONG_THE_RIM = 0.12, 0.585, 1.15
"""Median step of luma along an edge that the picture shows, soft share from which a matte is unsure for all that, and
how far it may run along the frame, in sides of a square of its area. Without a known face, on 18 real pictures the form
alone warns of 14 of 14 bad mattes and 12 of 58 good ones, with these of 14 and 0; of 91
generated bad ones of all, and of 106 good ones of at most 9.
From .08 to .16 the step tells the same within one matte."""


def has_no_edge(signs: skin.Signs) -> bool:
    """Tell whether a matte ends where the picture hardly changes: beside it lies something of its colour and light."""
    return signs.rim < (LIMITS["no edge"].check or 0.0)


def _no_edge(rim: float) -> Warned:
    text = (
        f"The matte is in doubt: the picture changes by only {rim:.2f} stops along its edge, so hair, a hat or haze of "
    )
    return Warned(
        "no edge", rim, text + "the skin's colour may be keyed. Subtract it, or draw a region round the person."
    )


def is_plain(matte: Matte, image: Picture) -> bool:
    """Tell whether a matte is sure and its edge runs where the picture shows one: then its form says little."""
    keyed = matte > 0.5
    if _rim(keyed) > _ALONG_THE_RIM * math.sqrt(max(int(keyed.sum()), 1)):
        return False
    signs, _ = matte_signs(matte, image)
    return signs.contrast >= _PLAIN_STEP and signs.soft <= _UNSURE


def _of_form(matte: Matte, area: float, image: Picture | None = None) -> tuple[Warned, ...]:
    """Return the signs that a matte alone gives: it leaks, is ragged or half open.

    :param image: where its edge is plain, only a leak over most of the frame counts.
    """
    soft = measure.soft_share(matte)
    keyed = matte > 0.5
    side = math.sqrt(max(int(keyed.sum()), 1))  # of a square as large: against it lengths mean the same at any size
    found = []
    if beyond("leak", area):
        text = f"The key covers {area:.0%} of the frame: it has leaked, unless the face fills it. Narrow it, or "
        found.append(Warned("leak", area, text + "subtract the surroundings."))
    elif beyond("leak at the rim", rim := _rim(keyed) / side):
        found.append(
            Warned(
                "leak",
                rim,
                f"The key runs along the frame's top and sides for {rim:.1f} times the side of a square of its area "
                f"(at most {LIMITS['leak at the rim'].check:g} is usual): it has leaked, unless the frame cuts the "
                "face. Subtract the surroundings, or sample skin alone.",
            )
        )
    if beyond("ragged", edge := _edge(keyed) / side):
        found.append(
            Warned(
                "ragged",
                edge,
                f"The key's edge is {edge:.0f} times as long as the side of a square of its area (at most "
                f"{LIMITS['ragged'].check:g} is usual): it takes specks of the surroundings along, unless there are "
                "many people. Subtract the surroundings, or narrow the key.",
            )
        )
    if beyond("half open", soft):
        text = f"{soft:.0%} of the matte is half open: the key is unsure. Add a sample, or narrow the key."
        found.append(Warned("half open", soft, text))
    if image is None:
        return tuple(found)
    if has_no_edge(signs := matte_signs(matte, image)[0]):
        return (*found, _no_edge(signs.rim))
    return () if found and not beyond("leak", area) and is_plain(matte, image) else tuple(found)


def _rim(keyed: NDArray[np.bool_]) -> int:
    """Return how many pixels of the frame's top and sides are keyed: skin leaves it at the bottom as a rule."""
    return int(keyed[0].sum()) + int(keyed[1:, 0].sum()) + int(keyed[1:, -1].sum())


def _edge(keyed: NDArray[np.bool_]) -> int:
    """Return how many pairs of neighbours the edge of the keyed area parts."""
    return int((keyed[:, 1:] != keyed[:, :-1]).sum()) + int((keyed[1:] != keyed[:-1]).sum())


def doubt_of(soft: float, flat: float, cover: float, reach: float = 0.0) -> float:
    """Return how likely a matte with a known face is bad rather than good, 0 to 1, from its :class:`.skin.Signs`.

    :param reach: its area in areas of the known faces.
    """
    beyond = max(math.log2(max(reach, 1e-6) / USUAL_REACH), 0.0)
    return 1 / (1 + math.exp(-(_SOFT * soft + _FLAT * flat + _COVER * cover + _BEYOND * beyond + _DOUBT)))


def _doubtful(soft: float, flat: float, cover: float) -> str:
    """Say why a matte is doubted, the weightiest reason first."""
    reasons = [
        (soft / _HALF_OPEN, f"{soft:.0%} of it is half open: add a sample on skin that is grey in the matte"),
        (
            flat / _NO_EDGE,
            f"{flat:.0%} of its edge runs where the picture shows none: subtract what is no skin there, or draw a "
            "region round the person",
        ),
        ((1 - cover) / (1 - _LITTLE_FACE), f"it finds {cover:.0%} of the face: add a sample on the rest"),
    ]
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


# --- faces --------------------------------------------------------------------------------------------------


def left_behind(light: Picture, final: Picture, matte: Matte, face: Sample) -> LeftBehind | None:
    """Return the part of a face's middle whose colour is that of the rest of it and that is not keyed.

    :param light, final: float32 (H, W, 3 or 4), with the light alone corrected, and in the end. :param matte: float32
        (H, W). :param face: the sample of the face: see :meth:`Sample.face`.
    :returns: None where nothing of it is left, or too little to be read.
    :raises PictureError: wrong arrays.

    >>> skin = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> matte = np.ones((90, 160), np.float32)
    >>> matte[:, 80:] = 0  # half of the face is not keyed
    >>> round(left_behind(skin, skin, matte, Sample.face(0.4, 0.2, 0.6, 0.8)).share, 1)
    0.5
    """
    matte = as_plane(matte, like=as_picture(light).shape[:2])
    inside = face.mask(*matte.shape)
    missed = np.where(matte < 0.5, inside.astype(np.float32), np.float32(0))
    try:
        whole = measure_skin(light, inside.astype(np.float32))
        ends = measure_skin(final, missed)
    except ReadingError:
        return None
    y, cb, cr = rgb_to_ycbcr(np.ascontiguousarray(light[inside][None, :, :3]))[0].T
    off = np.abs(wrapped(np.degrees(np.arctan2(cr, cb)) - whole.angle))
    skin_too = (off < _SAME_SKIN) & (np.hypot(cb, cr) > whole.ratio * y / 2) & (y > _DARKEST)
    return LeftBehind(float((skin_too & (matte[inside] < 0.5)).sum()) / max(int(skin_too.sum()), 1), ends.angle)


_SAME_SKIN, _DARKEST = 20.0, 0.06
"""Degrees of hue within which two parts of a face are the same skin, and luma below which its hue says nothing."""


def worst_left_behind(found: Sequence[LeftBehind | None]) -> LeftBehind | None:
    """Return the face of which most is left behind, None without any.

    >>> worst_left_behind([None, LeftBehind(0.4, 123.0), LeftBehind(0.1, 124.0)]).share
    0.4
    """
    known = [each for each in found if each is not None]
    return max(known, key=lambda each: each.share, default=None)
