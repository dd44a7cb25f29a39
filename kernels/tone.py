"""Tone: a monotone curve through points, and the ASC colour decision list (slope, offset, power, saturation)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture, output
from .colour import ONE, SCRATCH, ZERO, F, clamp, keep_alpha, luma_px, planes_of, power_px, raise_run
from .devices import on_devices
from .errors import ValueRangeError
from .jit import inline, strip_kernel, subroutine
from .stream import RUN, first_run, is_non_temporal, store_fence, write
from .strips import over_rows

Doubles = NDArray[np.float64]


# --- the curve ----------------------------------------------------------------------------------------------


def knots(points: Sequence[Sequence[float]]) -> tuple[Doubles, Doubles]:
    """Return the curve's points as two float64 arrays, ordered by their first coordinate.

    :param points: at least two (input, output) pairs; no two inputs closer than 1e-6.
    :raises ValueRangeError: fewer than two points, a value that is not finite, or two points at one input.
    """
    given = np.asarray(points, np.float64)
    if given.ndim != 2 or given.shape[0] < 2 or given.shape[1] != 2 or not np.isfinite(given).all():
        raise ValueRangeError(f"A curve needs at least two finite points (input, output), not {given.tolist()}.")
    given = given[np.argsort(given[:, 0], kind="stable")]
    x, y = given[:, 0], given[:, 1]
    close = np.flatnonzero(np.diff(x) < 1e-6)
    if close.size:
        raise ValueRangeError(
            f"Two curve points share the input {x[close[0]]:g}: a curve has one output for each input, remove one."
        )
    return x, y


def slopes(x: Doubles, y: Doubles) -> Doubles:
    """Return the slope at every knot for which the cubic between knots never overshoots them.

    :param x: float64 (N,), rising. :param y: float64 (N,). :returns: float64 (N,).

    Inner slopes start as those of the parabola through three knots, end slopes as the end secants, so that the
    straight ends keep rising; slopes at a turning point are 0 and the pair of each segment is brought into the
    circle of radius 3 (in secants), which keeps the cubic monotone.
    Source: F. N. Fritsch and R. E. Carlson, "Monotone piecewise cubic interpolation", SIAM J. Numer. Anal. 17,
    1980, section 4, region S2.
    """
    step = np.diff(x)
    secant = np.diff(y) / step
    slope = np.empty_like(x)
    slope[0], slope[-1] = secant[0], secant[-1]
    slope[1:-1] = (step[1:] * secant[:-1] + step[:-1] * secant[1:]) / (step[1:] + step[:-1])
    slope[1:-1][secant[:-1] * secant[1:] <= 0] = 0.0
    for k, limit in enumerate(3 * np.abs(secant)):
        length = np.hypot(slope[k], slope[k + 1])
        if length > limit:
            slope[k : k + 2] *= limit / length
    return slope


def segments_of(points: Sequence[Sequence[float]]) -> Floats:
    """Return float32 (N + 1, 5): the start of every segment, its output there and the three further coefficients.

    The first segment (below the first knot) and the last (above the last knot) are straight.
    """
    x, y = knots(points)
    slope = slopes(x, y)
    step = np.diff(x)
    secant = np.diff(y) / step
    table = np.zeros((len(x) + 1, 5))
    table[1:, :3] = np.stack([x, y, slope], axis=1)
    table[0] = table[1]
    table[1:-1, 3] = (3 * secant - 2 * slope[:-1] - slope[1:]) / step
    table[1:-1, 4] = (slope[:-1] + slope[1:] - 2 * secant) / step**2
    return table.astype(np.float32)


@inline
def cubic_px(t, level, slope, square, cube):
    """A segment of the curve, ``t`` from its start."""
    return level + t * (slope + t * (square + t * cube))


@inline
def _curve_row(row, out, segments):
    # From left to right every segment overwrites the values at and above its start: on a row in the nearest cache
    # that is several times faster than searching each value's segment and gathering its coefficients.
    start, level, slope = segments[0, 0], segments[0, 1], segments[0, 2]
    for x in range(row.shape[0]):
        out[x] = level + (row[x] - start) * slope
    for k in range(1, segments.shape[0]):
        start, level, slope = segments[k, 0], segments[k, 1], segments[k, 2]
        square, cube = segments[k, 3], segments[k, 4]
        for x in range(row.shape[0]):
            t = row[x] - start
            value = cubic_px(t, level, slope, square, cube)
            out[x] = value if t >= ZERO else out[x]


@subroutine
def _write_curve(row, out, n, segments, finished, non_temporal):
    """Send a row through the curve and write it, run by run."""
    length = 2 * RUN
    for start in range(n * first_run(out, n, length), row.shape[0], n * length):
        x0, x1 = max(start, 0), min(start + n * length, row.shape[0])
        values, run = row[x0:x1], finished[: x1 - x0]
        _curve_row(values, run, segments)
        if n == 4:
            keep_alpha(values, run)
        write(out[x0:x1], run, non_temporal)


@strip_kernel
def _curve_strips(image, out, segments, y0, y1):
    non_temporal, finished = is_non_temporal(out), np.empty(8 * RUN, np.float32)
    for y in range(y0, y1):
        _write_curve(image[y].reshape(-1), out[y].reshape(-1), image.shape[2], segments, finished, non_temporal)
    store_fence(non_temporal)


@on_devices
def curve(image: Floats, points: Sequence[Sequence[float]], out: Floats | None = None) -> Floats:
    """Send every component through one monotone cubic curve, straight beyond its ends.

    :param image: float32 (H, W, 3 or 4); alpha passes through. Values beyond the end points follow the end slopes.
    :param points: (input, output) pairs in signal units, in any order: see :func:`knots`.
    :returns: float32, same shape. The cubic itself is evaluated for every value: there is no table to interpolate.
    :raises ValueRangeError: unusable points. :raises PictureError: wrong array.

    Source: Fritsch and Carlson 1980, see :func:`slopes`.

    >>> picture = np.array([[[0.25, 0.5, 1.5]]], np.float32)
    >>> curve(picture, [(0, 0), (0.5, 0.75), (1, 1)])[0, 0, 1].item()
    0.75
    """
    segments = segments_of(points)
    image = as_picture(image)
    out = output(out, image.shape, image)
    over_rows(_curve_strips, image.shape[0], image, out, segments)
    return out


# --- the colour decision list -------------------------------------------------------------------------------


@inline
def _sloped_px(v, slope, offset, clamped):
    v = v * slope + offset
    return clamp(v, ZERO, ONE) if clamped else v


@inline
def _saturated_px(r, g, b, saturation, clamped):
    y = luma_px(r, g, b)
    r, g, b = y + saturation * (r - y), y + saturation * (g - y), y + saturation * (b - y)
    return (clamp(r, ZERO, ONE), clamp(g, ZERO, ONE), clamp(b, ZERO, ONE)) if clamped else (r, g, b)


@inline
def cdl_px(r, g, b, slope, offset, power, saturation, clamped):
    """ASC CDL v1.2 of one pixel: clamped to 0 … 1 after slope and offset and after the saturation, or not at all.

    Without clamping, values above 1 are raised to the power too, and values below 0 stay as they are. A power of 1
    changes nothing.
    """
    r, g, b = (
        _sloped_px(r, slope[0], offset[0], clamped),
        _sloped_px(g, slope[1], offset[1], clamped),
        _sloped_px(b, slope[2], offset[2], clamped),
    )
    r = r if power[0] == ONE else power_px(r, power[0])
    g = g if power[1] == ONE else power_px(g, power[1])
    b = b if power[2] == ONE else power_px(b, power[2])
    return _saturated_px(r, g, b, saturation, clamped)


@inline
def _slope_row(row, values, n, slope, offset, clamped):
    """Lay a run of pixels down by component, after slope and offset."""
    red, green, blue, alpha = planes_of(values)
    for x in range(red.shape[0]):
        red[x] = _sloped_px(row[n * x], slope[0], offset[0], clamped)
        green[x] = _sloped_px(row[n * x + 1], slope[1], offset[1], clamped)
        blue[x] = _sloped_px(row[n * x + 2], slope[2], offset[2], clamped)
        if n == 4:
            alpha[x] = row[n * x + 3]


@inline
def _saturate_row(values, out, n, saturation, clamped):
    """Put a run together again, with its saturation."""
    red, green, blue, alpha = planes_of(values)
    for x in range(red.shape[0]):
        r, g, b = _saturated_px(red[x], green[x], blue[x], saturation, clamped)
        out[n * x] = r
        out[n * x + 1] = g
        out[n * x + 2] = b
        if n == 4:
            out[n * x + 3] = alpha[x]


@subroutine
def _write_cdl(row, out, n, slope, offset, power, saturation, clamped, scratch, non_temporal):
    """Work a row and write it, run by run."""
    width = row.shape[0] // n
    for start in range(first_run(out, n, RUN), width, RUN):
        x0 = max(start, 0)
        count = min(start + RUN, width) - x0
        given, values, finished = row[n * x0 : n * (x0 + count)], scratch[0][: 4 * count], scratch[1]
        if n == 3:
            _slope_row(given, values, 3, slope, offset, clamped)
        else:
            _slope_row(given, values, 4, slope, offset, clamped)
        for k in range(3):
            if power[k] != ONE:
                raise_run(values[k * count : (k + 1) * count], scratch[1], power[k])
        if n == 3:
            _saturate_row(values, finished, 3, saturation, clamped)
        else:
            _saturate_row(values, finished, 4, saturation, clamped)
        write(out[n * x0 : n * (x0 + count)], finished, non_temporal)


@strip_kernel
def _cdl_strips(image, out, slope, offset, power, saturation, clamped, y0, y1):
    non_temporal, scratch = is_non_temporal(out), np.empty((2, SCRATCH), np.float32)
    for y in range(y0, y1):
        row, to = image[y].reshape(-1), out[y].reshape(-1)
        _write_cdl(row, to, image.shape[2], slope, offset, power, saturation, clamped, scratch, non_temporal)
    store_fence(non_temporal)


def _triple(values: Sequence[float], name: str, low: float, above: bool = False) -> tuple[np.float32, ...]:
    given = tuple(float(v) for v in values)
    rule = f"above {low:g}" if above else f"{low:g} or more"
    if len(given) != 3 or not all(np.isfinite(v) and (v > low if above else v >= low) for v in given):
        span = "finite" if low == -np.inf else rule
        raise ValueRangeError(f"CDL {name} must be three numbers (red, green, blue), each {span}, not {given}.")
    return tuple(F(v) for v in given)


def cdl_constants(
    slope: Sequence[float], offset: Sequence[float], power: Sequence[float], saturation: float
) -> tuple[tuple[np.float32, ...], tuple[np.float32, ...], tuple[np.float32, ...], np.float32]:
    """Return what :func:`cdl_px` takes after the pixel. Raises ValueRangeError for a number out of range."""
    p = (_triple(slope, "slope", 0.0), _triple(offset, "offset", -np.inf), _triple(power, "power", 0.0, above=True))
    if not (np.isfinite(saturation) and saturation >= 0):
        raise ValueRangeError(f"CDL saturation must be 0 or more, not {saturation}.")
    return *p, F(saturation)


@on_devices
def cdl(
    image: Floats,
    slope: Sequence[float],
    offset: Sequence[float],
    power: Sequence[float],
    saturation: float = 1.0,
    clamp: bool = True,
    out: Floats | None = None,
) -> Floats:
    """Apply an ASC colour decision list: (value·slope + offset)^power, then saturation about BT.709 luma.

    :param image: float32 (H, W, 3 or 4); alpha passes through.
    :param slope: three factors, 0 or more. :param offset: three numbers. :param power: three numbers above 0.
    :param saturation: 0 or more.
    :param clamp: True limits to 0…1 where the specification does, and turns NaN into 0; False limits nothing and
        leaves values below 0 out of the power.
    :returns: float32, same shape. :raises ValueRangeError: a number out of range. :raises PictureError: wrong array.

    Source: American Society of Cinematographers, Color Decision List (ASC CDL) specification 1.2.

    >>> picture = np.full((1, 1, 3), 0.5, np.float32)
    >>> print(cdl(picture, slope=(1.2, 1, 1), offset=(-0.05, 0, 0), power=(0.9, 1, 1)).round(6))
    [[[0.583884 0.5      0.5     ]]]
    """
    p = cdl_constants(slope, offset, power, saturation)
    image = as_picture(image)
    out = output(out, image.shape, image)
    over_rows(_cdl_strips, image.shape[0], image, out, *p, bool(clamp))
    return out
