"""The ratio filter before a key: chroma over luma, smoothed harder in shadow."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture, scratch
from .clean import CLOSE_STRIP
from .codes import MARGIN, CodedPicture, decoded_run, decoding_of
from .colour import ONE, ZERO, F, is_finite3, luma_row, part_run, smoothstep, ycbcr_px
from .gaussian import NO_TAPS, blur_factor, fir_row, gaussian, reduced_sigma, taps_of
from .jit import inline, strip_kernel, subroutine
from .resample import as_factor, cells_row, doubled_row, halved_row, sum_cells
from .rows import ONE_INT, ZERO_INT, add_row, copy_row, end_of, near_row, sum4_row, within
from .stream import is_non_temporal, store_fence, write
from .strips import STRIP, Stage, over_stages

_LINES = 360
_RATIO_BIAS = F(0.03)
_SHADOW, _SHADOW_FADE = F(0.09), F(0.18)
TAPS_BELOW = 6.0
"""σ from which planes are blurred one by one, as any wide blur."""
_HALVED_CHROMA_FROM = 1.75
"""σ from which chroma is blurred of the halved plane: the difference stays below 0.005, a step of 8 bits."""


@subroutine
def _clean_row(out, row, n):
    """The colour of a row of pixels of n components; one that is not finite counts as black."""
    for x in range(out.shape[0] // 3):
        r, g, b = row[n * x], row[n * x + 1], row[n * x + 2]
        good = is_finite3(r, g, b)
        out[3 * x] = r if good else ZERO
        out[3 * x + 1] = g if good else ZERO
        out[3 * x + 2] = b if good else ZERO


@subroutine
def _add_pixels(total, image, y, count):
    """Add up some rows of pixels, in pairs where they are four."""
    if count == 4:
        first, second = image[y].reshape(-1), image[y + 1].reshape(-1)
        sum4_row(total, first, second, image[y + 2].reshape(-1), image[y + 3].reshape(-1))
        return
    copy_row(total, image[y].reshape(-1))
    for j in range(1, count):
        add_row(total, image[y + j].reshape(-1))


@subroutine
def _all_finite(row):
    bad = np.int32(0)
    for x in range(row.shape[0]):
        bad += np.int32(row[x] - row[x] != ZERO)
    return bad == 0


@subroutine
def _ycbcr_row(means, share, luma, cb, cr):
    red, green, blue = means[0], means[1], means[2]
    for x in range(luma.shape[0]):
        luma[x], cb[x], cr[x] = ycbcr_px(share * red[x], share * green[x], share * blue[x])


@subroutine
def _means_row(image, y, count, sums, planes, total, spare, factor, means):
    """Means of red, green and blue over cells of some rows of a picture, but for what is returned: a factor for all."""
    width, n = image.shape[1], image.shape[2]
    sums = sums[: n * width]
    _add_pixels(sums, image, y, count)
    part_run(sums, planes.reshape(-1), n)
    if factor > 1 and width == means.shape[1] * factor:
        for k in range(3):
            sum_cells(planes[k], means[k], factor)
        return ONE / F(count) / F(factor)
    for k in range(3):
        cells_row(planes[k : k + 1], ONE_INT, means[k], total, spare, factor, ZERO_INT, ZERO_INT, ZERO_INT, width)
    return ONE / F(count)


@strip_kernel
def _split_strips(image, luma, cb, cr, sound, factor, y0, y1):
    """Y′, Cb and Cr of cells, and of each of their rows whether it is sound: a pixel that is not finite is black."""
    height, width = image.shape[0], image.shape[1]
    sums = np.empty(image.shape[2] * width, np.float32)
    clean = np.empty((factor, width, 3), np.float32)
    planes = np.empty((4, width), np.float32)
    total, spare = np.empty(luma.shape[1] * factor, np.float32), np.empty(luma.shape[1] * factor, np.float32)
    means = np.empty((3, luma.shape[1]), np.float32)
    for row in range(y0, y1):
        y = row * factor
        count = min(factor, height - y)
        share = _means_row(image, y, count, sums, planes, total, spare, factor, means)
        sound[row] = _all_finite(means.reshape(-1))
        if not sound[row]:
            for j in range(count):
                if image.shape[2] == 3:
                    _clean_row(clean[j].reshape(-1), image[y + j].reshape(-1), 3)
                else:
                    _clean_row(clean[j].reshape(-1), image[y + j].reshape(-1), 4)
            share = _means_row(clean, ZERO_INT, count, sums, planes, total, spare, factor, means)
        _ycbcr_row(means, share, luma[row], cb[row], cr[row])


@strip_kernel
def _split_planes_strips(planes, tables, p, grey, luma, cb, cr, sound, factor, y0, y1):
    """The same of a picture in planes, whose pixels are all finite; ``grey`` receives the luma of each."""
    height, width = planes[0].shape
    chroma, non_temporal = planes[1].shape[1], is_non_temporal(grey)
    pixels, lumas = np.empty((factor, width, 3), np.float32), np.empty(width, np.float32)
    narrow, wide = np.empty(chroma + MARGIN, np.float32), np.empty((2, chroma * tables[0][0].shape[0]), np.float32)
    sums, parts = np.empty(3 * width, np.float32), np.empty((4, width), np.float32)
    total, spare = np.empty(luma.shape[1] * factor, np.float32), np.empty(luma.shape[1] * factor, np.float32)
    means = np.empty((3, luma.shape[1]), np.float32)
    for row in range(y0, y1):
        y = row * factor
        count = min(factor, height - y)
        for j in range(count):
            of_row = pixels[j].reshape(-1)
            decoded_run(planes, y + j, 0, width, tables, p, narrow, wide[0], wide[1], of_row)
            luma_row(of_row, lumas, 3)
            write(grey[y + j].reshape(-1), lumas, non_temporal)
        share = _means_row(pixels, ZERO_INT, count, sums, parts, total, spare, factor, means)
        sound[row] = True
        _ycbcr_row(means, share, luma[row], cb[row], cr[row])
    store_fence(non_temporal)


@inline
def ratio_px(luma, cb, cr):
    """The ratios chroma / luma of a pixel, with a bias that keeps black from them."""
    inverse = ONE / (end_of(luma, ZERO, True) + _RATIO_BIAS)
    return cb * inverse, cr * inverse


@subroutine
def _ratio_row(luma, cb, cr, u, v):
    for x in range(luma.shape[0]):
        u[x], v[x] = ratio_px(luma[x], cb[x], cr[x])


@strip_kernel
def _ratio_strips(planes, low, halves, y0, y1):
    """The ratios chroma / luma, or these halved; where ``low`` has four planes, the halved chroma as well."""
    luma, cb, cr = planes[0], planes[1], planes[2]
    u, v = np.empty((4, luma.shape[1]), np.float32), np.empty((4, luma.shape[1]), np.float32)
    padded = np.empty(2 * low.shape[2] + 2, np.float32)
    ready = 2 * y0 - 3
    for row in range(y0, y1):
        if not halves:
            _ratio_row(luma[row], cb[row], cr[row], low[0, row], low[1, row])
            continue
        for y in range(ready, 2 * row + 1):
            near = near_row(luma, y)
            _ratio_row(luma[near], cb[near], cr[near], u[y % 4], v[y % 4])
        ready = 2 * row + 1
        a, b, c, d = ready - 4, ready - 3, ready - 2, ready - 1
        halved_row(u[a % 4], u[b % 4], u[c % 4], u[d % 4], low[0, row], padded)
        halved_row(v[a % 4], v[b % 4], v[c % 4], v[d % 4], low[1, row], padded)
        for k in range(2, low.shape[0]):
            plane = planes[k - 1]
            a, b, c, d = near_row(plane, a), near_row(plane, b), near_row(plane, c), near_row(plane, d)
            halved_row(plane[a], plane[b], plane[c], plane[d], low[k, row], padded)


@inline
def shadow_px(luma, cb, cr, u, v):
    """The chroma of a pixel where it is light, the smoother ratio times luma where it is dark."""
    light = smoothstep((luma - _SHADOW) / _SHADOW_FADE)
    base = end_of(luma, ZERO, True) + _RATIO_BIAS
    dark_cb, dark_cr = u * base, v * base
    return dark_cb + light * (cb - dark_cb), dark_cr + light * (cr - dark_cr)


@subroutine
def _shadow_row(luma, cb, cr, u, v):
    for x in range(luma.shape[0]):
        cb[x], cr[x] = shadow_px(luma[x], cb[x], cr[x], u[x], v[x])


@strip_kernel
def _shadow_strips(planes, low, halved, taps_luma, taps_chroma, taps_ratio, out, y0, y1):
    """Blur luma, chroma and the ratios; the ratio takes over in shadow. ``out`` receives the three planes."""
    width = planes.shape[2]
    taps = len(taps_luma) + len(taps_chroma) + len(taps_ratio)
    row, padded = np.empty(width + 2, np.float32), np.empty(width + 2 * taps, np.float32)
    scratch, ratio = np.empty((2, width + 2), np.float32), np.empty((2, width), np.float32)
    first, last = (y0 // 2, (y1 - 1) // 2 + 2) if halved else (y0, y1 - 1)
    blurred = np.empty((low.shape[0], last + 1 - first, low.shape[2]), np.float32)
    for k in range(low.shape[0]):
        for y in range(first, last + 1):
            fir_row(low[k], blurred[k, y - first], taps_ratio if k < 2 else taps_chroma, y, row, padded)
    for y in range(y0, y1):
        for k in range(3 if low.shape[0] == 2 else 1):
            fir_row(planes[k], out[k, y], taps_chroma if k else taps_luma, y, row, padded)
        for k in range(low.shape[0]):
            to = ratio[k] if k < 2 else out[k - 1, y]
            if halved:
                doubled_row(blurred[k], y // 2 + 1 - first, to, scratch[0], scratch[1], y, ZERO_INT)
            else:
                copy_row(to, blurred[k, y - first])
        _shadow_row(out[0, y], out[1, y], out[2, y], ratio[0], ratio[1])


def _split(image: Floats | CodedPicture, factor: int) -> tuple[Stage, Floats, NDArray[np.bool_]]:
    """Return what finds Y′, Cb and Cr of cells, where, and where it tells of rows of cells whether they are finite."""
    shape = (-(-image.shape[0] // factor), -(-image.shape[1] // factor))
    planes, sound = scratch((3, *shape)), np.empty(shape[0], np.bool_)
    kernel: Any = _split_strips
    given: tuple[Any, ...] = (image, *planes, sound, factor)
    if isinstance(image, CodedPicture):
        grey = image.room_for_luma()
        kernel, given = _split_planes_strips, (image.planes, *decoding_of(image.coding), grey, *given[1:])
    return Stage(kernel, given, shape[0], max(8, 2 * STRIP // factor)), planes, sound


class RatioPlan(NamedTuple):
    """How planes are smoothed. Three numbers each are those of luma, chroma and ratio.

    :ivar sigmas: of the Gaussians, in pixels of the planes. :ivar halved: which are blurred of a halved plane.
    :ivar left: σ on the grid on which each is blurred.
    """

    sigmas: tuple[float, float, float]
    halved: tuple[bool, bool, bool]
    left: tuple[float, ...]


@lru_cache(maxsize=64)
def ratio_plan(height: int, factor: int = 1, light: float = 1.2, shadow: float = 3.5, luma: float = 0.7) -> RatioPlan:
    """Return how planes ``factor`` times coarser than a picture of this height are smoothed. Raises ValueRangeError."""
    for name, sigma in (("light", light), ("shadow", shadow), ("luma", luma)):
        within(f"σ of `{name}`", sigma, 0.0, 40.0)
    scale = height / _LINES / as_factor(factor)
    sigmas = (luma * scale, light * scale, shadow * scale)
    halves = blur_factor(sigmas[2]) > 1
    halved = (False, halves and sigmas[1] >= _HALVED_CHROMA_FROM, halves)
    left = tuple(reduced_sigma(sigma, 2) if half else sigma for sigma, half in zip(sigmas, halved, strict=True))
    return RatioPlan(sigmas, halved, left)


def ratio_stages(
    image: Floats | CodedPicture, factor: int = 1, light: float = 1.2, shadow: float = 3.5, luma: float = 0.7
) -> tuple[list[Stage], Floats, NDArray[np.bool_]]:
    """Return what makes the planes of :func:`ratio_prefilter`, and where.

    :returns: stages; float32 (3, ⌈H / factor⌉, ⌈W / factor⌉); and bool (⌈H / factor⌉), of which the first stage tells
        whether all pixels of a row of cells are finite.
    """
    image = image if isinstance(image, CodedPicture) else as_picture(image)
    sigmas, (_, softer, halves), left = ratio_plan(image.shape[0], factor, light, shadow, luma)
    split, planes, sound = _split(image, factor)
    low = scratch((4 if softer else 2, *(-(-size // 2) + 2 if halves else size for size in planes.shape[1:])))
    needs = (lambda y1: 2 * y1) if halves else None
    stages = [split, Stage(_ratio_strips, (planes, low, halves), low.shape[1], CLOSE_STRIP, needs)]
    taps = tuple(taps_of(sigma) for sigma in left)
    if max(left) >= TAPS_BELOW:
        over_stages(stages)
        stages, taps = [], (NO_TAPS,) * 3
        planes = np.stack([gaussian(plane, sigmas[min(k, 1)]) for k, plane in enumerate(planes)])
        low = np.stack([gaussian(plane, left[2 if k < 2 else 1]) for k, plane in enumerate(low)])
    out, reach = scratch(planes.shape), max(len(row) for row in taps)

    def needs_of_shadow(y1: Any) -> Any:
        return (y1 - 1) // 2 + 2 + reach if halves else y1 + reach

    arguments = (planes, low, halves, *taps, out)
    stages.append(Stage(_shadow_strips, arguments, planes.shape[1], 2 * CLOSE_STRIP, needs_of_shadow))
    return stages, out, sound


def ratio_prefilter(
    image: Floats,
    factor: int = 1,
    light: float = 1.2,
    shadow: float = 3.5,
    luma: float = 0.7,
) -> tuple[Floats, Floats, Floats]:
    """Return Y′, Cb and Cr smoothed for a key: the darker, the more of the RATIO chroma / luma is smoothed.

    Noise in the ratio grows as 1 / Y′. In the light the chroma itself is blurred by ``light``; in shadow
    Cb / (Y′ + 0.03) is blurred by ``shadow`` and multiplied by luma again, so that shading does not blur with it.
    The two are mixed by smoothstep((Y′ − 0.09) / 0.18). Chroma blurred by 1.75 pixels or more and a ratio blurred by
    2.5 or more are halved first, see :func:`gaussian`.

    :param image: float32 (H, W, 3 or 4), R′G′B′; a pixel that is not finite counts as black.
    :param factor: 1, 2, 4 or 8: how much coarser the planes are than the picture.
    :param light, shadow, luma: σ in pixels of a picture 360 lines high (0 to 40); scaled to this picture's height,
        so that proxies and full size agree.
    :returns: three float32 (⌈H / factor⌉, ⌈W / factor⌉). :raises ValueRangeError: factor or σ. :raises PictureError.

    No published source; the figures were found by trial on mattes of skin.

    >>> luma, cb, cr = ratio_prefilter(np.full((36, 64, 3), (0.6, 0.45, 0.4), np.float32))
    >>> print(luma[18, 32].round(3), cb[18, 32].round(3), cr[18, 32].round(3))
    0.478 -0.042 0.077
    """
    stages, planes, _ = ratio_stages(image, factor, light, shadow, luma)
    over_stages(stages)
    return planes[0], planes[1], planes[2]
