"""A matte and what follows it in a few sweeps: key, clean up, follow the picture, blur, level, steer.

Step by step, every filter writes a plane that the next one reads, and memory sets the pace. Here each row of the
picture goes through all the steps while it is warm. Only what a step must know of a pixel's surroundings is gathered
first, on a reduced grid and in a sweep of its own: the means by which specks and pinholes are told, the coefficients
of the guided filter, a wide blur. Rows are worked by the functions of :mod:`.qualify`, :mod:`.soften` and
:mod:`.steer`, in their order: the bits are those of the single steps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from . import soften
from .arrays import Floats, as_picture, as_plane, check_size, output
from .colour import ONE, ZERO, F, luma_row
from .errors import ValueRangeError
from .jit import inline, part, sheet
from .qualify import Edge, edge_row, range_row
from .soften import (
    GUIDE_HIGHEST,
    cells_row,
    copy_row,
    enlarged_row,
    fir_across,
    fir_down,
    guided_row,
    levels_row,
    limit_row,
    pad_row,
    partly_guided_row,
    pinholes_row,
    specks_row,
)
from .steer import rotation, turn_row
from .strips import STRIP, over_rows


@dataclass(frozen=True)
class Softening:
    """How a matte is softened, in pixels of its own grid; a step at 0 is left out. The steps run in this order.

    :ivar specks, pinholes: sides of the largest that vanish or close, see :func:`.soften.remove_specks`.
    :ivar follow: 0 to 1, how much of the matte gives way to the one that follows the picture; needs a picture.
    :ivar radius, epsilon: of that guided filter, see :func:`.soften.guided`. :ivar sigma: of the Gaussian.
    :ivar floor, ceiling: levels that become 0 and 1, see :func:`.soften.levels`; (0, 1) leaves them alone.
    """

    specks: float = 0.0
    pinholes: float = 0.0
    follow: float = 0.0
    radius: float = 0.0
    epsilon: float = 4e-4
    sigma: float = 0.0
    floor: float = 0.0
    ceiling: float = 1.0

    @property
    def levelled(self) -> bool:
        """Whether the levels change anything."""
        return (self.floor, self.ceiling) != (0, 1)


# --- a row of the matte -------------------------------------------------------------------------------------

_PLANE, _EDGE, _RANGES = 0, 1, 2
_NOTHING = np.zeros((1, 1), np.float32)
_NO_PICTURE = np.zeros((1, 1, 3), np.float32)
_NO_TAPS = np.ones(1, np.float32)
_NO_TAPS.flags.writeable = False  # as the taps of a blur are, so that one sheet serves both
_NO_RANGES = (ZERO,) * 9
_ROOM = 7


class Source(NamedTuple):
    """Where rows of a matte come from; made by :func:`from_plane`, :func:`from_edge` and :func:`from_ranges`.

    From ``specks`` on it holds what the steps that are ready need; a factor of 0 leaves a step out.
    """

    kind: int
    image: Floats
    plane: Floats
    key_slope: Floats
    key_offset: Floats
    key_factor: int
    ranges: tuple[np.float32, ...]
    specks: Floats = _NOTHING
    specks_factor: int = 0
    pinholes: Floats = _NOTHING
    pinholes_factor: int = 0
    slope: Floats = _NOTHING
    offset: Floats = _NOTHING
    follow_factor: int = 0
    follow: np.float32 = ONE


def from_plane(matte: Floats, guide: Floats | None = None) -> Source:
    """Take the matte from a plane, float32 (H, W); it follows ``guide``, float32 (H, W, 3 or 4), where asked to.

    :raises PictureError: wrong arrays.
    """
    matte = as_plane(matte)
    if guide is None:
        return Source(_PLANE, _NO_PICTURE, matte, _NOTHING, _NOTHING, 1, _NO_RANGES)
    guide = as_picture(guide, "guide")
    check_size("guide", guide.shape[:2], "the matte", matte.shape)
    return Source(_PLANE, guide, matte, _NOTHING, _NOTHING, 1, _NO_RANGES)


def from_edge(image: Floats, edge: Edge) -> Source:
    """Take the matte from a learned key of the picture, see :func:`.qualify.learned_edge`."""
    return Source(_EDGE, as_picture(image), _NOTHING, edge.slope, edge.offset, edge.factor, _NO_RANGES)


def from_ranges(image: Floats, constants: tuple[np.float32, ...]) -> Source:
    """Take the matte from ranges of the picture's colour, see :func:`.qualify.range_constants`."""
    return Source(_RANGES, as_picture(image), _NOTHING, _NOTHING, _NOTHING, 1, constants)


@part
def _enlarge(low, out, room, factor, margin, y):
    """Fill row y of the full grid from a reduced plane; ``room`` (2, …) holds a reduced and an enlarged row."""
    count = low.shape[1] - 2 * margin
    enlarged_row(low, out, room[0][: count + 2], room[1][: count * factor], factor, margin, y)


@part
def _luma(image, out, y):
    if image.shape[2] == 3:
        luma_row(image[y].reshape(-1), out, 3)
    else:
        luma_row(image[y].reshape(-1), out, 4)


@inline
def _key(source, y, out, room):
    """Row y as the key or the given plane has it, 0 to 1."""
    if source.kind == _PLANE:
        limit_row(out, source.plane[y], ZERO, ONE)
        return
    row = source.image[y].reshape(-1)
    if source.kind == _EDGE:
        slope, offset = room[2][: out.shape[0]], room[3][: out.shape[0]]
        _enlarge(source.key_slope, slope, room, source.key_factor, 0, y)
        _enlarge(source.key_offset, offset, room, source.key_factor, 0, y)
        if source.image.shape[2] == 3:
            edge_row(row, slope, offset, out, 3)
        else:
            edge_row(row, slope, offset, out, 4)
    elif source.image.shape[2] == 3:
        range_row(row, out, 3, source.ranges)
    else:
        range_row(row, out, 4, source.ranges)


@part
def _matte_row(source, y, out, room):
    """Row y after every step that is ready; ``room`` (7, …) is scratch. No step writes the row that it reads."""
    width = out.shape[0]
    first, second, grey = room[2][:width], room[3][:width], room[4][:width]
    now, then = room[5][:width], room[6][:width]
    _key(source, y, now, room)
    if source.specks_factor:
        _enlarge(source.specks, first, room, source.specks_factor, 0, y)
        specks_row(then, now, first)
        now, then = then, now
    if source.pinholes_factor:
        _enlarge(source.pinholes, first, room, source.pinholes_factor, 0, y)
        pinholes_row(then, now, first)
        now, then = then, now
    if not source.follow_factor:
        copy_row(out, now)
        return
    _enlarge(source.slope, first, room, source.follow_factor, 0, y)
    _enlarge(source.offset, second, room, source.follow_factor, 0, y)
    _luma(source.image, grey, y)
    if source.follow == ONE:
        guided_row(out, first, second, grey)
    else:
        partly_guided_row(out, first, second, grey, now, source.follow)


# --- gathering ----------------------------------------------------------------------------------------------


@sheet
def _gather_sheet(source, height, width, low, low_guide, factor, margin, guided, y0, y1):
    """Means of the matte over cells of the reduced grid and, where wanted, of the picture's luma."""
    room = np.empty((_ROOM, width + 16), np.float32)
    rows, greys = np.empty((factor, width), np.float32), np.empty((factor, width), np.float32)
    total, spare = np.empty(width + 16, np.float32), np.empty(width + 16, np.float32)
    cells = low.shape[1] - 2 * margin
    total, spare = total[: cells * factor], spare[: cells * factor]
    for cell in range(y0, y1):
        y = (cell - margin) * factor
        count = factor if margin else min(factor, height - y)
        for j in range(count):
            _matte_row(source, min(max(y + j, 0), height - 1), rows[j], room)
        cells_row(rows[:count], low[cell], total, spare, factor, margin, margin)
        if guided:
            grey = room[4][:width]
            for j in range(count):
                _luma(source.image, grey, y + j)
                limit_row(greys[j], grey, ZERO, GUIDE_HIGHEST)
            cells_row(greys[:count], low_guide[cell], total, spare, factor, 0, 0)


def _gather(source: Source, shape: tuple[int, int], factor: int, margin: int = 0, guided: bool = False) -> Any:
    height, width = (-(-size // factor) + 2 * margin for size in shape)
    low = np.empty((height, width), np.float32)
    guide = np.empty((height, width), np.float32) if guided else _NOTHING
    strip = max(8, STRIP // factor)
    over_rows(_gather_sheet, height, source, *shape, low, guide, factor, margin, guided, strip=strip)
    return low, guide


def _share(source: Source, radius: float, shape: tuple[int, int]) -> tuple[Floats, int]:
    """Return the mean of the matte all round on a reduced grid, and its factor; nothing and 0 without a radius."""
    if radius <= 0:
        return _NOTHING, 0
    factor = soften.factor_for(radius)
    low, _ = _gather(source, shape, factor)
    return soften.box_mean(low, radius / factor), factor


def _ready(source: Source, steps: Softening, shape: tuple[int, int]) -> Source:
    """Gather what the steps before the blur need, each from the steps before it."""
    share, factor = _share(source, soften.speck_radius(steps.specks), shape)
    source = source._replace(specks=share, specks_factor=factor)
    share, factor = _share(source, soften.pinhole_radius(steps.pinholes), shape)
    source = source._replace(pinholes=share, pinholes_factor=factor)
    if steps.follow > 0:
        factor = soften.factor_for(steps.radius)
        low, guide = _gather(source, shape, factor, guided=True)
        slope, offset = soften.guided_coefficients(low, guide, steps.radius / factor, steps.epsilon)
        source = source._replace(slope=slope, offset=offset, follow_factor=factor, follow=F(steps.follow))
    return source


# --- finishing ----------------------------------------------------------------------------------------------


class _Ending(NamedTuple):
    """What follows the steps of a source: the blur (taps of a direct one, or a reduced plane), levels, a turn."""

    taps: Floats
    blurred: Floats
    blur_factor: int
    levelled: bool
    floor: np.float32
    span: np.float32
    turns: bool
    rotation: tuple[np.float32, np.float32]


@inline
def _blurred(source, ending, y, first, height, out, ring, row, padded, room):
    """Row y after the blur; ``first`` tells that the ring holds no row yet."""
    reach = ending.taps.shape[0] - 1
    if ending.blur_factor:
        _enlarge(ending.blurred, out, room, ending.blur_factor, 1, y)
    elif reach:
        for at in range(max(y - reach, 0) if first else y + reach, min(y + reach, height - 1) + 1):
            _matte_row(source, at, ring[at % ring.shape[0]], room)
        fir_down(ring, row, ending.taps, y, height)
        pad_row(padded, row, reach)
        fir_across(padded, out, ending.taps)
    else:
        _matte_row(source, y, out, room)


@sheet
def _finish_sheet(source, ending, image, out, matte, keep, height, width, y0, y1):
    reach = ending.taps.shape[0] - 1
    room = np.empty((_ROOM, width + 16), np.float32)
    ring = np.empty((2 * reach + 1, width), np.float32)
    row, padded = np.empty(width, np.float32), np.empty(width + 2 * reach, np.float32)
    soft, own = np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(y0, y1):
        _blurred(source, ending, y, y == y0, height, soft, ring, row, padded, room)
        done = matte[y] if keep else own
        if ending.levelled:
            levels_row(done, soft, ending.floor, ending.span)
        else:
            copy_row(done, soft)
        if ending.turns:
            if image.shape[2] == 3:
                turn_row(image[y].reshape(-1), done, out[y].reshape(-1), 3, ending.rotation)
            else:
                turn_row(image[y].reshape(-1), done, out[y].reshape(-1), 4, ending.rotation)


_TALL = 4 * STRIP
"""Rows of a strip with a direct blur: each strip works the rows in reach of its ends once more."""


def _blur(source: Source, steps: Softening, shape: tuple[int, int]) -> tuple[Floats, Floats, int]:
    """Return the taps of a direct blur, or the blurred matte on a reduced grid and its factor."""
    factor = soften.blur_factor(steps.sigma)
    if factor > 1:
        low, _ = _gather(source, shape, factor, margin=1)
        return _NO_TAPS, soften.gaussian(low, soften.reduced_sigma(steps.sigma, factor)), factor
    return soften.gaussian_taps(steps.sigma) if steps.sigma >= soften.LEAST_SIGMA else _NO_TAPS, _NOTHING, 0


def _finish(
    source: Source,
    steps: Softening,
    image: Floats,
    out: Floats,
    matte: Floats | None,
    shape: tuple[int, int],
    turned: tuple[float, float] | None = None,
) -> None:
    levels = (steps.levelled, F(steps.floor), soften.levels_span(steps.floor, steps.ceiling))
    source = _ready(source, steps, shape)
    taps, blurred, factor = _blur(source, steps, shape)
    ending = _Ending(taps, blurred, factor, *levels, turned is not None, rotation(*(turned or (0.0, 1.0))))
    strip = _TALL if taps.shape[0] > 1 else STRIP
    keep = matte is not None
    arguments = (source, ending, image, out, matte if keep else _NOTHING, keep, *shape)
    over_rows(_finish_sheet, shape[0], *arguments, strip=strip)


def soften_matte(source: Source, steps: Softening, out: Floats | None = None) -> Floats:
    """Return the softened matte: the bits of the single functions of :mod:`.soften`, one after the other.

    :param source: of the matte; a pixel that is not finite counts as 0.
    :param out: receives the matte, float32 (H, W).
    :returns: float32 (H, W), 0 to 1; exactly 0 where the matte is 0 in reach of every step.
    :raises ValueRangeError: a size out of range, equal levels, or following without a picture.
    :raises PictureError: wrong arrays.
    """
    _check(source, steps)
    shape = size_of(source)
    out = output(out, shape, source.plane, source.image)
    _finish(source, steps, _NO_PICTURE, _NO_PICTURE, out, shape)
    return out


def turn_skin(
    image: Floats,
    source: Source,
    steps: Softening,
    angle: float,
    saturation: float = 1.0,
    out: Floats | None = None,
    matte: Floats | None = None,
) -> Floats:
    """Soften a matte and turn the picture's hue by it: the bits of :func:`soften_matte`, then :func:`.steer.turn`.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′(A); luma is kept within 1e-5.
    :param angle: degrees, counter-clockwise in Cb/Cr. :param saturation: factor on chroma, 0 or more.
    :param out: receives the picture. :param matte: receives the softened matte, float32 (H, W), where it is wanted.
    :returns: float32, shape of the image. Bit-identical to the image where the softened matte is 0.
    :raises ValueRangeError, PictureError: as :func:`soften_matte`.
    """
    _check(source, steps)
    image = as_picture(image)
    shape = image.shape[:2]
    check_size("picture", shape, "the matte", size_of(source))
    out = output(out, image.shape, image, source.plane, source.image)
    if matte is not None:
        matte = output(matte, shape, image, source.plane, source.image, name="matte")
    _finish(source, steps, image, out, matte, shape, (angle, saturation))
    return out


def size_of(source: Source) -> tuple[int, int]:
    """Return height and width of a source's matte."""
    rows, columns = (source.plane if source.kind == _PLANE else source.image).shape[:2]
    return rows, columns


def _check(source: Source, steps: Softening) -> None:
    if not 0 <= steps.follow <= 1:
        raise ValueRangeError(f"The share that follows must lie from 0 to 1, not {steps.follow:g}.")
    if steps.follow and source.image is _NO_PICTURE:
        raise ValueRangeError("A matte can only follow a picture: give a guide, or leave following at 0.")
