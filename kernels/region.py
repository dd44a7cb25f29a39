"""Regions: soft-edged mattes drawn from geometry, and the joining of two mattes into one.

Positions are normalised to the frame: x to the right, y down, (0, 0) the top-left corner. Sizes and feathers
count in frame heights. The feather straddles the edge: the matte is 0.5 on it and runs along a smoothstep from
1 (half a feather inside) to 0 (half a feather outside), exactly; a feather is never narrower than one pixel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .arrays import Floats, as_plane, output
from .colour import HALF, ONE, TINY, ZERO, F, clamp, smoothstep
from .devices import on_devices
from .errors import PictureError, ValueRangeError
from .jit import inline, strip_kernel
from .strips import over_rows

Point = tuple[float, float]


def _frame(shape: tuple[int, int]) -> tuple[int, int]:
    height, width = (int(size) for size in shape)
    if height < 1 or width < 1:
        raise PictureError(f"A region needs a frame of at least one pixel, not {width}×{height}.")
    return height, width


def _finite(name: str, *values: float) -> None:
    if not all(math.isfinite(value) for value in values):
        raise ValueRangeError(f"The region's {name} must be finite, not {', '.join(f'{v:g}' for v in values)}.")


def _feather(feather: float, height: int) -> float:
    """The feather in pixels, one at least."""
    _finite("feather", feather)
    if feather < 0:
        raise ValueRangeError(f"The region's feather must be 0 or more frame heights, not {feather:g}.")
    return max(feather * height, 1.0)


def _placed(
    shape: tuple[int, int], centre: Point, size: Point, rotation: float, feather: float
) -> tuple[np.float32, ...]:
    """Centre, half size, cosine and sine of the rotation and 1 / feather, in pixels, as the strip kernels take them."""
    height, width = _frame(shape)
    _finite("centre", *centre)
    _finite("size", *size)
    _finite("rotation", rotation)
    if min(size) <= 0:
        raise ValueRangeError(f"The region's size must be above 0 frame heights, not {size[0]:g}×{size[1]:g}.")
    turn = math.radians(rotation)
    return tuple(
        F(value)
        for value in (
            centre[0] * width - 0.5,
            centre[1] * height - 0.5,
            size[0] * height / 2,
            size[1] * height / 2,
            math.cos(turn),
            math.sin(turn),
            1 / _feather(feather, height),
        )
    )


@inline
def _edge_px(distance, sharpness):
    """Matte of a signed distance (negative inside) and of 1 / feather."""
    return smoothstep(HALF - distance * sharpness)


@inline
def _larger(a, b):
    return a if a > b else b


@inline
def _turned_px(x, y, p):
    """Pixel (x, y) seen from the region's centre along its own axes; a positive rotation is counter-clockwise."""
    dx = F(x) - p[0]
    dy = F(y) - p[1]
    return p[4] * dx - p[5] * dy, p[5] * dx + p[4] * dy


@inline
def _ellipse_row(row, y, p):
    half_width, half_height = p[2], p[3]
    deepest = -(half_width if half_width < half_height else half_height)
    for x in range(row.shape[0]):
        across, down = _turned_px(x, y, p)
        a, b = across / half_width, down / half_height
        radial = np.sqrt(a * a + b * b)
        a, b = a / half_width, b / half_height
        gradient = np.sqrt(a * a + b * b)
        distance = radial * (radial - ONE) / _larger(gradient, TINY)
        row[x] = _edge_px(_larger(distance, deepest) if radial > ZERO else deepest, p[6])


@strip_kernel
def _ellipse_strips(out, p, y0, y1):
    for y in range(y0, y1):
        _ellipse_row(out[y], y, p)


def ellipse(shape: tuple[int, int], centre: Point, size: Point, rotation: float = 0.0, feather: float = 0.0) -> Floats:
    """Draw an ellipse.

    :param shape: (H, W) of the matte. :param centre: (x, y), normalised to the frame.
    :param size: full width and height in frame heights, above 0. :param rotation: degrees, counter-clockwise.
    :param feather: width of the soft edge in frame heights, 0 or more.
    :returns: float32 (H, W), 0 to 1. :raises ValueRangeError: a number out of range. :raises PictureError: shape.

    The distance from the edge is exact for a circle and along both axes, and of first order elsewhere:
    G. Taubin, "Distance approximations for rasterizing implicit curves", ACM Trans. Graphics 13(1), 1994.

    >>> disc = ellipse((90, 160), (0.5, 0.5), (0.5, 0.5), feather=0.1)
    >>> float(disc[45, 80]), float(disc[45, 10])
    (1.0, 0.0)
    """
    p = _placed(shape, centre, size, rotation, feather)
    out = np.empty(_frame(shape), np.float32)
    over_rows(_ellipse_strips, out.shape[0], out, p)
    return out


@inline
def _box_row(row, y, p):
    for x in range(row.shape[0]):
        across, down = _turned_px(x, y, p)
        a, b = abs(across) - p[2], abs(down) - p[3]
        outer_a, outer_b = _larger(a, ZERO), _larger(b, ZERO)
        outside = np.sqrt(outer_a * outer_a + outer_b * outer_b)
        inside = _larger(a, b)
        row[x] = _edge_px(outside + (inside if inside < ZERO else ZERO), p[6])


@strip_kernel
def _box_strips(out, p, y0, y1):
    for y in range(y0, y1):
        _box_row(out[y], y, p)


def box(shape: tuple[int, int], centre: Point, size: Point, rotation: float = 0.0, feather: float = 0.0) -> Floats:
    """Draw a box, with the parameters of :func:`ellipse`; its distance from the edge is exact (round corners).

    >>> box((3, 6), (0.5, 0.5), (1.0, 1.0))[1]
    array([0. , 0.5, 1. , 1. , 0.5, 0. ], dtype=float32)
    """
    p = _placed(shape, centre, size, rotation, feather)
    out = np.empty(_frame(shape), np.float32)
    over_rows(_box_strips, out.shape[0], out, p)
    return out


@inline
def _nearer_row(nearest, x0, y, edge):
    """Keep the smaller squared distance of each pixel, from x0 on, to one edge as _edges lays it out."""
    for x in range(nearest.shape[0]):
        dx = F(x + x0) - edge[0]
        dy = F(y) - edge[1]
        along = clamp((dx * edge[2] + dy * edge[3]) * edge[4], ZERO, ONE)
        dx = dx - along * edge[2]
        dy = dy - along * edge[3]
        squared = dx * dx + dy * dy
        nearest[x] = squared if squared < nearest[x] else nearest[x]


@inline
def _flip_row(sign):
    for x in range(sign.shape[0]):
        sign[x] = -sign[x]


@inline
def _polygon_row(row, nearest, sharpness):
    for x in range(row.shape[0]):
        row[x] = _edge_px(row[x] * np.sqrt(nearest[x]), sharpness)


@strip_kernel
def _polygon_strips(out, edges, reach, sharpness, y0, y1):
    """Even-odd inside and outside by flipping the sign right of each crossing, distances only near an edge."""
    width = out.shape[1]
    nearest = np.empty(width, np.float32)
    for y in range(y0, y1):
        row = out[y]
        for x in range(width):
            row[x] = ONE
            nearest[x] = reach * reach
        for index in range(edges.shape[0]):
            edge = edges[index]
            start, end = edge[1], edge[5]
            if min(start, end) <= F(y) < max(start, end):
                crossing = math.ceil(edge[0] + (F(y) - edge[1]) / edge[3] * edge[2])
                _flip_row(row[min(max(crossing, 0), width) :])
            if min(start, end) - reach <= F(y) <= max(start, end) + reach:
                left, right = min(edge[0], edge[0] + edge[2]) - reach, max(edge[0], edge[0] + edge[2]) + reach
                x0, x1 = min(max(math.floor(left), 0), width), min(max(math.ceil(right) + 1, 0), width)
                _nearer_row(nearest[x0:x1], x0, y, edge)
        _polygon_row(row, nearest, sharpness)


def _edges(points: Sequence[Point], height: int, width: int) -> Floats:
    """Return each edge as start x, y, direction x, y, 1 / length² and end y, in pixels.

    The end is kept beside the direction because it must be the very number that the next edge starts from: or a
    row through a corner could be crossed twice or not at all.
    """
    corners = (np.array(points, np.float64) * (width, height) - 0.5).astype(np.float32)
    ends = np.roll(corners, -1, axis=0)
    along = ends.astype(np.float64) - corners
    length = (along**2).sum(axis=1)
    inverse = np.divide(1.0, length, out=np.zeros_like(length), where=length > 0)
    return np.ascontiguousarray(np.column_stack([corners, along, inverse, ends[:, 1]]), np.float32)


def polygon(shape: tuple[int, int], points: Sequence[Point], feather: float = 0.0) -> Floats:
    """Draw a polygon; where its outline crosses itself, what is inside twice is outside (even-odd rule).

    :param shape: (H, W) of the matte. :param points: three or more corners (x, y), normalised to the frame.
    :param feather: width of the soft edge in frame heights, 0 or more.
    :returns: float32 (H, W), 0 to 1. :raises ValueRangeError: a number out of range. :raises PictureError: shape.

    Distances are exact. The cost grows with the number of corners whose edges lie within half a feather of a row.

    >>> triangle = polygon((8, 8), [(0, 0), (1, 0), (0, 1)])
    >>> float(triangle[1, 1]), float(triangle[7, 7])
    (1.0, 0.0)
    """
    height, width = _frame(shape)
    corners = [(float(x), float(y)) for x, y in points]
    if len(corners) < 3:
        raise ValueRangeError(f"A polygon needs at least 3 corners, not {len(corners)}: add corners.")
    _finite("corners", *(value for corner in corners for value in corner))
    feather_px = _feather(feather, height)
    out = np.empty((height, width), np.float32)
    reach = F(feather_px / 2 + 1)
    over_rows(_polygon_strips, height, out, _edges(corners, height, width), reach, F(1 / feather_px))
    return out


# --- joining two mattes -------------------------------------------------------------------------------------


@inline
def multiplied_px(a, b):
    """The product of two values, limited to 0 … 1."""
    return clamp(a, ZERO, ONE) * clamp(b, ZERO, ONE)


@inline
def _multiply_row(out, first, second):
    for x in range(out.shape[0]):
        out[x] = multiplied_px(first[x], second[x])


@inline
def larger_px(a, b):
    """The larger of two values, limited to 0 … 1."""
    return _larger(clamp(a, ZERO, ONE), clamp(b, ZERO, ONE))


@inline
def _maximum_row(out, first, second):
    for x in range(out.shape[0]):
        out[x] = larger_px(first[x], second[x])


@inline
def smaller_px(a, b):
    """The smaller of two values, limited to 0 … 1."""
    a, b = clamp(a, ZERO, ONE), clamp(b, ZERO, ONE)
    return a if a < b else b


@inline
def _minimum_row(out, first, second):
    for x in range(out.shape[0]):
        out[x] = smaller_px(first[x], second[x])


@inline
def left_px(a, b):
    """What one value leaves of another, limited to 0 … 1."""
    return clamp(a, ZERO, ONE) * (ONE - clamp(b, ZERO, ONE))


@inline
def _subtract_row(out, first, second):
    for x in range(out.shape[0]):
        out[x] = left_px(first[x], second[x])


@inline
def differing_px(a, b):
    """The difference of two values, limited to 0 … 1."""
    return abs(clamp(a, ZERO, ONE) - clamp(b, ZERO, ONE))


@inline
def _difference_row(out, first, second):
    for x in range(out.shape[0]):
        out[x] = differing_px(first[x], second[x])


@inline
def likelier_px(a, b):
    """The share a⁴/(a⁴ + b⁴) of two values, limited to 0 … 1."""
    a, b = clamp(a, ZERO, ONE), clamp(b, ZERO, ONE)
    a, b = a * a, b * b
    a, b = a * a, b * b
    total = a + b
    share = a / (total if total > ZERO else ONE)
    return share if total > ZERO else ONE


@inline
def _likelier_row(out, first, second):
    for x in range(out.shape[0]):
        out[x] = likelier_px(first[x], second[x])


@strip_kernel
def _join_strips(first, second, out, operation, y0, y1):
    for y in range(y0, y1):
        if operation == 0:
            _multiply_row(out[y], first[y], second[y])
        elif operation == 1:
            _maximum_row(out[y], first[y], second[y])
        elif operation == 2:
            _minimum_row(out[y], first[y], second[y])
        elif operation == 3:
            _subtract_row(out[y], first[y], second[y])
        elif operation == 4:
            _difference_row(out[y], first[y], second[y])
        else:
            _likelier_row(out[y], first[y], second[y])


OPERATIONS = ("multiply", "maximum", "minimum", "subtract", "difference", "likelier")
"""How :func:`join` can put two mattes together."""


@on_devices
def join(first: Floats, second: Floats, operation: str, out: Floats | None = None) -> Floats:
    """Join two mattes: a·b, the larger, the smaller, a·(1 − b), |a − b| or the share a⁴/(a⁴ + b⁴).

    :param first, second: float32 (H, W), limited to 0…1; NaN counts as 0.
    :param operation: one of :data:`OPERATIONS`.
    :returns: float32 (H, W), 0 to 1; a share is 1 where both are 0.
    :raises ValueRangeError: unknown operation. :raises PictureError: sizes differ.

    The shares of both orders add up to 1. A matte times its shares against every other matte gives mattes that add up
    to at most 1: as if each pair drew lots by likelihood, no two mattes can both win every draw.

    >>> first, second = np.full((1, 1), 0.5, np.float32), np.full((1, 1), 0.25, np.float32)
    >>> [float(join(first, second, operation)[0, 0]) for operation in ("multiply", "maximum", "subtract")]
    [0.125, 0.5, 0.375]
    """
    if operation not in OPERATIONS:
        raise ValueRangeError(f"Joining mattes by {operation!r} is unknown: use one of {', '.join(OPERATIONS)}.")
    first = as_plane(first, "first matte")
    second = as_plane(second, "second matte", first.shape)
    out = output(out, first.shape, first, second)
    over_rows(_join_strips, first.shape[0], first, second, out, OPERATIONS.index(operation))
    return out
