"""How a picture gets to a screen: its size, the light that its signal stands for, and its form on the way."""

from __future__ import annotations

import functools
import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats
from ...kernels.codes import quantise
from ...nodes import ConvertColour
from .errors import DeskError

SCREENS: dict[str, str] = {
    "srgb": "BT.709, shown as sRGB: its codes go to the screen unchanged.",
    "2.2": "BT.709 as a display of gamma 2.2 shows it, converted to sRGB.",
    "2.4": "BT.709 as a display of BT.1886 (gamma 2.4, black at 0) shows it, converted to sRGB.",
}
"""The ways to show BT.709 video on a screen that expects sRGB. The primaries of both are the same."""

GAMUTS = ("srgb", "display-p3")
"""The primaries that a page takes colours in: those of sRGB, or those of a wide screen, which hold colours beyond."""

MOVING_QUALITY = 85
_BITS = 12


def pixels(picture: Floats, shrink: int = 1, screen: str = "srgb", gamut: str = "srgb") -> NDArray[np.uint8]:
    """Return a picture as the page paints it: uint8 (H, W, 3), rounded without dither.

    :param shrink: the page shows the picture this many times smaller, so one pixel stands for a square of that side.
    :param screen: one of :data:`SCREENS`. :param gamut: one of :data:`GAMUTS`. Raises DeskError for another.
    """
    for what, given, known in (("screen", screen, SCREENS), ("gamut", gamut, GAMUTS)):
        if given not in known:
            raise DeskError(f"There is no {what} {given!r}: choose one of {', '.join(known)}.")
    if gamut != "srgb":
        codes = quantise(_widened(picture, screen), 8, dither=False)
    elif screen == "srgb":
        codes = quantise(picture, 8, dither=False)[..., :3]
    else:
        codes = _table(float(screen))[quantise(picture, _BITS, dither=False)[..., :3]]
    codes = np.ascontiguousarray(codes)
    if shrink > 1:
        from PIL import Image

        codes = np.asarray(Image.fromarray(codes).reduce(shrink))
    return codes


def _widened(picture: Floats, screen: str) -> Floats:
    """Return the picture in the signal of a P3 screen, which has the curve of sRGB; colours beyond BT.709 survive.

    Source of the primaries: SMPTE EG 432-1, as `convert_colour` has them.
    """
    transfer = {"srgb": "srgb", "2.2": "gamma22", "2.4": "bt1886"}[screen]
    node = ConvertColour(from_transfer=transfer, from_primaries="bt709", to_transfer="srgb", to_primaries="p3_d65")
    return node.process(np.ascontiguousarray(picture[..., :3], np.float32))


@functools.lru_cache(maxsize=4)
def _table(gamma: float) -> NDArray[np.uint8]:
    """The sRGB codes that give the light of a display of this gamma. Sources: IEC 61966-2-1, BT.1886 with black 0."""
    light = np.linspace(0, 1, 1 << _BITS) ** gamma
    encoded = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    table: NDArray[np.uint8] = np.rint(encoded * 255).astype(np.uint8)
    return table


def opaque(codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return pixels with an opaque fourth component, as a canvas takes them."""
    result = np.full((*codes.shape[:2], 4), 255, np.uint8)
    result[..., :3] = codes
    return result


def encoded(codes: NDArray[np.uint8], form: str) -> bytes:
    """Return pixels as a PNG, without loss, or as a JPEG for while things move. Raises DeskError for another form."""
    from PIL import Image

    options: dict[str, Any] = {
        "png": {"compress_level": 1},
        "jpeg": {"quality": MOVING_QUALITY, "subsampling": 0},
    }.get(form, {})
    if not options:
        raise DeskError(f"A picture comes as raw, png or jpeg, not {form!r}.")
    file = io.BytesIO()
    Image.fromarray(codes).save(file, form.upper(), **options)
    return file.getvalue()
