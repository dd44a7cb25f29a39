"""Images: the pictures, faces, mattes and scopes of a report, ready to stand inside the page."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...kernels.angles import wrapped
from ...kernels.arrays import Floats
from ...kernels.colour import rgb_to_ycbcr
from ...kernels.gaussian import gaussian
from ...nodes import ShowMatte, Vectorscope, Waveform
from ..detect.faces import available, find_faces

_SIZES = ((1, 1280, 512), (4, 1120, 512), (12, 720, 384), (1000, 400, 288))
"""Up to how many clips, pictures and scopes are how many pixels wide: a page of many clips stays light."""
_FACE = (132, 165)
_FULL_SCALE = 9.0
"""Degrees, beyond the first, from the target to where the difference shows its strongest colour."""
_REDDER, _YELLOWER = np.array([0.25, 0.48, 1.0], np.float32), np.array([1.0, 0.58, 0.1], np.float32)
"""The two ends of the difference: blue and orange, which no common weakness of colour vision confuses."""


@dataclass(frozen=True)
class Image:
    """An image inside the page: its data as a URI and its size in pixels."""

    uri: str
    width: int
    height: int


@dataclass(frozen=True)
class Images:
    """The images of one clip: three befores, the same of the face with its difference from the target, evidence."""

    as_shot: Image
    before: Image
    after: Image
    face_before: Image
    face_after: Image
    face_off: Image
    matte: Image
    keyed: Image
    scope_before: Image
    scope_after: Image
    waveform_after: Image


def draw_images(pictures: Mapping[str, Floats], matte: Floats, clips: int, target: float) -> Images:
    """Draw the images of a clip: the pictures reduced, the scopes of the keyed pixels about the target.

    :param pictures: ``as_shot``, ``light_only`` and ``final``, float32 (H, W, 3 or 4) as they are seen.
    :param matte: float32 (H, W). :param clips: how many clips the page shows. :param target: degrees.
    """
    width, size = next((width, size) for most, width, size in _SIZES if clips <= most)
    before, after = pictures["light_only"], pictures["final"]
    scope = Vectorscope(size=size, zoom="2", bias=round(target - Vectorscope.angle, 3))
    waveform = Waveform(width=size, height=max(size * 5 // 8, 192))
    box = face_box(before, matte)

    def matte_image(picture: Floats, view: str) -> Image:
        return _picture(ShowMatte(view=view).process(picture, matte), width // 2)

    return Images(
        as_shot=_picture(pictures["as_shot"], width),
        before=_picture(before, width),
        after=_picture(after, width),
        face_before=_face(before, box),
        face_after=_face(after, box),
        face_off=_face(off_target(after, matte, target), box),
        matte=matte_image(after, "matte"),
        keyed=matte_image(after, "dimmed"),
        scope_before=_scope(scope.process(before, matte)),
        scope_after=_scope(scope.process(after, matte)),
        waveform_after=_scope(waveform.process(after, matte)),
    )


Box = tuple[int, int, int, int]


def face_box(picture: Floats, matte: Floats) -> Box:
    """Return left, top, right, bottom of the face to show, in pixels: a face that is keyed, or what is keyed."""
    height, width = matte.shape
    boxes = []
    if available():
        for face in find_faces(picture):
            x0, y0, x1, y1 = (round(v * side) for v, side in zip(face.box, (width, height) * 2, strict=True))
            boxes.append((float(matte[y0 : y1 + 1, x0 : x1 + 1].sum()), (x0, y0, x1, y1)))
    keyed, box = max(boxes, default=(0.0, (0, 0, width, height)))
    if keyed < 1:
        rows, columns = (np.nonzero((matte > 0.5).any(axis=axis))[0] for axis in (1, 0))
        if len(rows) and len(columns):
            box = int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
    return _with_margin(box, width, height)


def _with_margin(box: Box, width: int, height: int) -> Box:
    """Return a box in the shape of the face images round another one, inside the frame where it fits."""
    left, top, right, bottom = box
    tall = max(bottom - top, (right - left) * _FACE[1] / _FACE[0], 8) * 1.35
    tall = min(tall, height, width * _FACE[1] / _FACE[0])
    wide = tall * _FACE[0] / _FACE[1]
    x = min(max((left + right - wide) / 2, 0), width - wide)
    y = min(max((top + bottom - tall) / 2, 0), height - tall)
    return round(x), round(y), max(round(x + wide), round(x) + 1), max(round(y + tall), round(y) + 1)


def off_target(picture: Floats, matte: Floats, target: float) -> Floats:
    """Return a grey picture in which keyed skin shows how far its hue lies from the target.

    Orange is yellower, blue is redder.

    :param picture: float32 (H, W, 3 or 4). :param target: degrees.
    """
    ycc = rgb_to_ycbcr(np.ascontiguousarray(picture[..., :3]))
    soft = max(picture.shape[0] / 180, 0.8)  # grain is no colour of skin
    y, cb, cr = (np.nan_to_num(np.ascontiguousarray(ycc[..., k])) for k in range(3))
    cb, cr = (gaussian(plane, soft) for plane in (cb, cr)) if min(y.shape) > 16 else (cb, cr)
    off = wrapped(np.degrees(np.arctan2(cr, cb)) - np.float32(target))
    sure = np.clip(np.hypot(cb, cr) / np.maximum(y, 0.05) / 0.08, 0, 1)
    amount = (np.clip((np.abs(off) - 1) / _FULL_SCALE, 0, 1) * matte * sure)[..., None]
    grey = np.repeat((0.25 + 0.6 * np.clip(y, 0, 1))[..., None], 3, axis=2)
    colour = np.where((off > 0)[..., None], _YELLOWER, _REDDER) * (0.55 + 0.45 * np.clip(y, 0, 1))[..., None]
    shown: Floats = (grey + (colour - grey) * amount).astype(np.float32)
    return shown


def _codes(picture: Floats) -> NDArray[np.uint8]:
    signal = np.nan_to_num(picture[..., :3], nan=0.0, posinf=1.0, neginf=0.0)
    codes: NDArray[np.uint8] = np.rint(np.clip(signal, 0, 1) * 255).astype(np.uint8)
    return codes


def _face(picture: Floats, box: Box) -> Image:
    from PIL import Image as Pillow

    left, top, right, bottom = box
    drawn = Pillow.fromarray(np.ascontiguousarray(_codes(picture[top:bottom, left:right])))
    return _webp(drawn.resize(_FACE, Pillow.Resampling.LANCZOS), 84)


def _picture(picture: Floats, width: int) -> Image:
    from PIL import Image as Pillow

    drawn = Pillow.fromarray(_codes(picture))
    if drawn.width > width:
        height = max(round(drawn.height * width / drawn.width), 1)
        drawn = drawn.resize((width, height), Pillow.Resampling.LANCZOS)
    return _webp(drawn, 84)


def _scope(picture: Floats) -> Image:
    from PIL import Image as Pillow

    return _webp(Pillow.fromarray(_codes(picture)), 80)


def _webp(drawn: object, quality: int) -> Image:
    from PIL.Image import Image as Pillow

    assert isinstance(drawn, Pillow)
    data = io.BytesIO()
    drawn.save(data, "WEBP", quality=quality, method=4)
    return Image(f"data:image/webp;base64,{base64.b64encode(data.getvalue()).decode()}", drawn.width, drawn.height)
