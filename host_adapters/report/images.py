"""Images: the pictures, mattes and scopes of a report, ready to stand inside the page."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats
from ...nodes import ShowMatte, Skin, Vectorscope, Waveform

_SCOPE = 512
_WAVEFORM = (512, 320)
_WIDTHS = ((4, 1280), (12, 960), (1000, 640))
"""Up to how many clips, pictures are how many pixels wide: a page of many clips stays light."""


@dataclass(frozen=True)
class Image:
    """An image inside the page: its data as a URI and its size in pixels."""

    uri: str
    width: int
    height: int


@dataclass(frozen=True)
class Images:
    """The images of one clip."""

    before: Image
    after: Image
    matte: Image
    keyed: Image
    scope_before: Image
    scope_after: Image
    waveform_before: Image
    waveform_after: Image


def draw_images(before: Floats, after: Floats, matte: Floats, clips: int, target: Skin) -> Images:
    """Draw the images of a clip: the pictures reduced, the scopes of the keyed pixels about the target.

    :param before, after: float32 (H, W, 3 or 4) as they are seen. :param matte: float32 (H, W).
    :param clips: how many clips the page shows.
    """
    width = next(width for most, width in _WIDTHS if clips <= most)
    scope = Vectorscope(size=_SCOPE, zoom="2", bias=round(target.angle - Vectorscope.angle, 3))
    waveform = Waveform(width=_WAVEFORM[0], height=_WAVEFORM[1])

    def matte_image(picture: Floats, view: str) -> Image:
        return _jpeg(ShowMatte(view=view).process(picture, matte), width // 2)

    return Images(
        before=_jpeg(before, width),
        after=_jpeg(after, width),
        matte=matte_image(after, "matte"),
        keyed=matte_image(after, "dimmed"),
        scope_before=_png(scope.process(before, matte)),
        scope_after=_png(scope.process(after, matte)),
        waveform_before=_png(waveform.process(before, matte)),
        waveform_after=_png(waveform.process(after, matte)),
    )


def _codes(picture: Floats) -> NDArray[np.uint8]:
    signal = np.nan_to_num(picture[..., :3], nan=0.0, posinf=1.0, neginf=0.0)
    codes: NDArray[np.uint8] = np.rint(np.clip(signal, 0, 1) * 255).astype(np.uint8)
    return codes


def _jpeg(picture: Floats, width: int) -> Image:
    from PIL import Image as Pillow

    drawn = Pillow.fromarray(_codes(picture))
    if drawn.width > width:
        height = max(round(drawn.height * width / drawn.width), 1)
        drawn = drawn.resize((width, height), Pillow.Resampling.LANCZOS)
    data = io.BytesIO()
    drawn.save(data, "JPEG", quality=88, optimize=True)
    return _inline(data, "jpeg", drawn.width, drawn.height)


def _png(picture: Floats) -> Image:
    from PIL import Image as Pillow

    # Scopes have few hues: 256 colours without dithering look the same and weigh a third.
    drawn = Pillow.fromarray(_codes(picture)).quantize(256, dither=Pillow.Dither.NONE)
    data = io.BytesIO()
    drawn.save(data, "PNG", optimize=True)
    return _inline(data, "png", drawn.width, drawn.height)


def _inline(data: io.BytesIO, kind: str, width: int, height: int) -> Image:
    return Image(f"data:image/{kind};base64,{base64.b64encode(data.getvalue()).decode()}", width, height)
