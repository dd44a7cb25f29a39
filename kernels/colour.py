"""Colour: Y′CbCr, transfer functions and 3×3 matrices, as scalar pixel functions and whole-picture calls.

Pictures are float32 R′G′B′ with BT.709 primaries unless a function says otherwise. The scalar functions take
and return float32, use only + − × ÷ sqrt, comparisons and conditional expressions, and hold no float64 literal:
that keeps them vector code on a processor and legal device code on a graphics card.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .arrays import Floats, as_picture, output
from .errors import PictureError, ValueRangeError
from .jit import inline, strip_kernel, subroutine
from .stream import RUN, first_run, is_non_temporal, store_fence, write
from .strips import over_rows

F = np.float32

ZERO, HALF, ONE, TWO, THREE = F(0), F(0.5), F(1), F(2), F(3)
TINY = F(1e-12)
HUGE = F(65504.0)

# BT.709-6, item 3.2 and 3.3: luma and colour-difference coefficients.
KR, KG, KB = F(0.2126), F(0.7152), F(0.0722)
CB_SCALE, CR_SCALE = F(1.8556), F(1.5748)
CB_INVERSE, CR_INVERSE = F(1 / 1.8556), F(1 / 1.5748)
G_FROM_CB, G_FROM_CR = F(-0.0722 * 1.8556 / 0.7152), F(-0.2126 * 1.5748 / 0.7152)

KR_KB = {"601": (0.299, 0.114), "709": (0.2126, 0.0722), "2020": (0.2627, 0.0593)}
"""Luma coefficients Kr and Kb by standard: BT.601-7, BT.709-6 and BT.2020-2."""


# --- scalars ------------------------------------------------------------------------------------------------


@inline
def clamp(x, low, high):
    """Limit x to low … high; NaN becomes low."""
    x = x if x > low else low
    return x if x < high else high


@inline
def smoothstep(t):
    """Cubic 3t² − 2t³ of t limited to 0 … 1; NaN becomes 0."""
    t = clamp(t, ZERO, ONE)
    return t * t * (THREE - TWO * t)


@inline
def is_finite3(r, g, b):
    """Tell whether all three are finite: the difference of an infinity or NaN with itself is not zero."""
    return (r - r) + (g - g) + (b - b) == ZERO


@inline
def is_finite(luma):
    """Tell whether a pixel is finite from its luma, whose weights are all above 0: what is not finite goes into it."""
    return luma - luma == ZERO


@inline
def clean_px(r, g, b):
    """The pixel and 1, or black and 0 where a component is not finite or absurdly large."""
    good = abs(r) + abs(g) + abs(b) < HUGE
    return (r if good else ZERO), (g if good else ZERO), (b if good else ZERO), (ONE if good else ZERO)


@inline
def luma_px(r, g, b):
    """BT.709 luma Y′ of R′G′B′."""
    return KR * r + KG * g + KB * b


@inline
def ycbcr_px(r, g, b):
    """BT.709 Y′CbCr of R′G′B′; Y′ 0…1, Cb and Cr −0.5…0.5."""
    y = KR * r + KG * g + KB * b
    return y, (b - y) * CB_INVERSE, (r - y) * CR_INVERSE


_HALF_PI, _PI = F(math.pi / 2), F(math.pi)
_AT0, _AT1, _AT2, _AT3 = F(0.999999328), F(-0.333263745), F(0.198798722), F(-0.134804056)
_AT4, _AT5, _AT6 = F(0.0837415565), F(-0.0368986292), F(0.00782548295)


# Polynomials are added up in pairs and fours: hardly more steps than one after the other, and most at the same time.


@inline
def atan2_px(y, x):
    """Angle of (x, y) in radians, −π … π; Chebyshev polynomial, largest error 8e-7."""
    ax = abs(x)
    ay = abs(y)
    longer = ax if ax > ay else ay
    shorter = ay if ax > ay else ax
    q = shorter / (longer if longer > TINY else TINY)
    s = q * q
    square = s * s
    high = (_AT4 + s * _AT5) + square * _AT6
    a = q * (((_AT0 + s * _AT1) + square * (_AT2 + s * _AT3)) + (square * square) * high)
    a = _HALF_PI - a if ay > ax else a
    a = _PI - a if x < ZERO else a
    return -a if y < ZERO else a


_SQRT_HALF_BITS, _MANTISSA_BITS = np.int32(0x3F3504F3), np.int32(23)
_SIGN, _MAGNITUDE = np.int32(-(2**31)), np.int32(2**31 - 1)
_LG0, _LG1, _LG2, _LG3 = F(2.88539007), F(0.961800759), F(0.576584542), F(0.434255933)


@inline
def log2_px(x):
    """Base-2 logarithm of a positive float32 (√½ … √2 by its area tangent, error 1e-7); of others, something finite."""
    bits = F(x).view(np.int32)
    exponent = np.int32(bits - _SQRT_HALF_BITS) >> _MANTISSA_BITS
    m = np.int32(bits - np.int32(exponent << _MANTISSA_BITS)).view(np.float32)
    s = (m - ONE) / (m + ONE)
    q = s * s
    return F(exponent) + s * (_LG0 + q * (_LG1 + q * (_LG2 + q * _LG3)))


_EX0, _EX1, _EX2 = F(2.88539010), F(0.115523923), F(-0.000920360245)
_LOWEST, _HIGHEST = F(-126), F(127)
_WHOLE = F(3 << 22)
"""Added to a small number it leaves the nearest whole number in the last bits, and taken off again that number."""


@inline
def exp2_px(x):
    """2 to the power x, x limited to −126 … 127 (a quotient on −½ … ½, relative error 9e-8)."""
    x = clamp(x, _LOWEST, _HIGHEST)
    whole = x + _WHOLE
    f = x - (whole - _WHOLE)
    square = f * f
    p = ONE + (f + f) / ((_EX0 + square * (_EX1 + square * _EX2)) - f)
    return np.int32(np.int32(F(whole).view(np.int32) << _MANTISSA_BITS) + F(p).view(np.int32)).view(np.float32)


@inline
def raising_px(x, exponent):
    """Base-2 logarithm of a power of x > 0."""
    return exponent * log2_px(x if x > ZERO else ZERO)


@inline
def raised_px(x, power):
    """A power of x where x > 0; others stay, NaN too."""
    return power if x > ZERO else x


@inline
def power_px(x, exponent):
    """x to the power exponent for x > 0; others stay, NaN too."""
    return raised_px(x, exp2_px(raising_px(x, exponent)))


@inline
def quotient_px(u, n0, n1, n2, n3, n4, n5, d1, d2, d3, d4):
    """Quotient of two polynomials, of the fifth and the fourth degree: the curve of a transfer function near 0 … 1."""
    square = u * u
    numerator = (n0 + u * n1) + square * ((n2 + u * n3) + square * (n4 + u * n5))
    denominator = (ONE + u * d1) + square * ((d2 + u * d3) + square * d4)
    return numerator / denominator


@inline
def magnitude_bits(v):
    """The bits of |v| as a whole number, which grows with |v|; that of NaN is the largest."""
    return np.int32(F(v).view(np.int32) & _MAGNITUDE)


@inline
def joined_px(v, curve, cut, slope):
    """Join the pieces of a transfer function: v·slope up to cut, the curve beyond, with the sign of v; NaN stays."""
    magnitude = abs(v)
    result = curve if magnitude > cut else magnitude * slope
    return np.int32(F(result).view(np.int32) | np.int32(F(v).view(np.int32) & _SIGN)).view(np.float32)


@inline
def curving_px(v, c):
    """Base-2 logarithm of the power in the curve of a Transfer with the constants c."""
    return c[4] * log2_px((abs(v) + c[2]) * c[3])


@inline
def curved_px(v, logarithm, c):
    """A transfer function beyond the limit, from what curving_px gave."""
    return joined_px(v, exp2_px(logarithm) * c[5] - c[6], c[0], c[1])


@inline
def near_decoded_px(v, c):
    """decode_px for |v| up to the limit."""
    return joined_px(v, quotient_px(abs(v), *c[8:]), c[0], c[1])


@inline
def near_encoded_px(l, c):
    """encode_px for |l| up to the limit: the root of l spreads the dark end, where the curve bends most."""
    return joined_px(l, quotient_px(F(math.sqrt(abs(l))), *c[8:]), c[0], c[1])


@inline
def decode_px(v, c):
    """Signal to linear light with the constants c of a Transfer."""
    far = curved_px(v, curving_px(v, c), c)
    return near_decoded_px(v, c) if abs(v) <= c[7] else far


@inline
def encode_px(l, c):
    """Linear light to signal with the constants c of a Transfer."""
    far = curved_px(l, curving_px(l, c), c)
    return near_encoded_px(l, c) if abs(l) <= c[7] else far


# --- transfer functions -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Transfer:
    """A transfer function: its constants for decode_px (to linear light) and for encode_px (to signal), its inverse.

    Both are odd in v: v·slope up to cut, ((|v| + before)·scale)^exponent·gain − after beyond. Their constants are cut,
    slope, before, scale, exponent, gain, after, the limit up to which a quotient stands for the curve, and the ten
    numbers of quotient_px. Where none does, the limit is −1.
    """

    decode: tuple[np.float32, ...]
    encode: tuple[np.float32, ...]


_POWER_ALONE = (-1.0, *10 * (0.0,))
_NOTHING_CURVED = (float("inf"), *10 * (0.0,))


def _transfer(
    signal_cut: float,
    slope: float,
    offset: float,
    exponent: float,
    decode: tuple[float, ...] = _POWER_ALONE,
    encode: tuple[float, ...] = _POWER_ALONE,
) -> Transfer:
    to_light = (signal_cut, 1 / slope, offset, 1 / (1 + offset), exponent, 1.0, 0.0)
    to_signal = (signal_cut / slope, slope, 0.0, 1.0, 1 / exponent, 1 + offset, offset)
    return Transfer(tuple(F(v) for v in (*to_light, *decode)), tuple(F(v) for v in (*to_signal, *encode)))


# The exact constants of the BT.709 curve (α = 1.09929682680944, β = 0.018053968510807), as BT.2020-2 table 4
# gives them for 12-bit systems, make the two pieces meet without a step.
_ALPHA, _BETA = 1.09929682680944, 0.018053968510807

# From cut to limit a quotient takes half the time of a power. Each is the one of least relative error from the curve
# (decoding: of the signal; encoding: of the root of the light), rounded so that 1 gives 1; its error stands beside it.
# BT.1886 bends all the way down to 0, where none comes near it.
_DECODE_709 = (  # 6.3e-8
    *(2.0, 0.00478270324, 0.127719879, 1.14158416, 3.74411178, 3.79597449, 0.80872798),
    *(4.33723688, 3.76977515, 0.522218645, -0.00632969243),
)
_ENCODE_709 = (  # 4.0e-8
    *(4.0, -0.0965735093, -0.294919968, 19.5666275, 68.0389023, 40.0363007, 2.93703318),
    *(19.4469795, 63.6383095, 42.149601, 3.95247984),
)
_DECODE_SRGB = (  # 1.8e-7
    *(1.5, 0.000834147271, 0.0417919457, 0.707939088, 4.40918922, 8.30805302, 3.21346211),
    *(6.51997995, 7.92620039, 1.27590644, -0.0408180468),
)
_ENCODE_SRGB = (  # 3.0e-7
    *(2.5, -0.0517207086, 0.144361913, 48.9346466, 274.324707, 254.677994, 27.1934452),
    *(38.6838684, 237.761642, 281.745026, 46.032814),
)

TRANSFERS: dict[str, Transfer] = {
    "bt709": _transfer(4.5 * _BETA, 4.5, _ALPHA - 1, 1 / 0.45, _DECODE_709, _ENCODE_709),
    "bt1886": _transfer(0.0, 1.0, 0.0, 2.4),
    "srgb": _transfer(0.04045, 12.92, 0.055, 2.4, _DECODE_SRGB, _ENCODE_SRGB),
    "linear": _transfer(float("inf"), 1.0, 0.0, 1.0, _NOTHING_CURVED, _NOTHING_CURVED),
}
"""Transfer functions by name: BT.709-6 OETF and its inverse, BT.1886 (black at 0), IEC 61966-2-1, none."""


def transfer(name: str) -> Transfer:
    """Return a transfer function by name; raises ValueRangeError that lists the known names.

    >>> transfer("srgb") is TRANSFERS["srgb"]
    True
    """
    try:
        return TRANSFERS[name]
    except KeyError:
        raise ValueRangeError(f"Transfer function {name!r} is unknown: use one of {', '.join(TRANSFERS)}.") from None


# --- row loops and strip kernels -----------------------------------------------------------------------------------


SCRATCH = 12 * RUN + 144
"""Numbers in a row of scratch for the longest run: rows a multiple of 4096 bytes apart would wait for each other."""


@inline
def planes_of(values):
    """Return the parts of a run that is laid down by component: red, green, blue and, of no use to some, alpha."""
    count = values.shape[0] // 4
    return values[:count], values[count : 2 * count], values[2 * count : 3 * count], values[3 * count :]


@inline
def _part_row(row, values, n):
    red, green, blue, alpha = planes_of(values)
    for x in range(red.shape[0]):
        red[x] = row[n * x]
        green[x] = row[n * x + 1]
        blue[x] = row[n * x + 2]
        if n == 4:  # to read whole pixels is faster than to leave every fourth number out
            alpha[x] = row[n * x + 3]


@subroutine
def part_run(row, values, n):
    """Lay a run of pixels of n components down by component; four times as many values as pixels."""
    if n == 3:
        _part_row(row, values, 3)
    else:
        _part_row(row, values, 4)


@subroutine
def keep_alpha(row, out):
    """Give a run of pixels of four components back the alpha it had."""
    for x in range(out.shape[0]):
        out[x] = row[x] if x & 3 == 3 else out[x]


# A number takes the quotient or the power by its own size, so that its bits do not depend on its neighbours; a run
# within the limit, as most are, is spared the power. Logarithms in one loop, what they lead to in the next: a loop with
# half the steps has more values in work at the same time, and both together take half as long as one.


@inline
def _near_row(near_px, values, out, c):
    """Send a run through ``near_px`` as if nothing lay beyond the limit, and tell whether something does."""
    largest = np.int32(0)
    for x in range(out.shape[0]):
        bits = magnitude_bits(values[x])
        largest = bits if bits > largest else largest
        out[x] = near_px(values[x], c)
    return largest > magnitude_bits(c[7])


@subroutine
def _decode_near(values, out, c):
    return _near_row(near_decoded_px, values, out, c)


@subroutine
def _encode_near(values, out, c):
    return _near_row(near_encoded_px, values, out, c)


@inline
def _far_row(values, out, logs, c, all_of_it):
    for x in range(out.shape[0]):
        far = curved_px(values[x], logs[x], c)
        out[x] = far if all_of_it or not abs(values[x]) <= c[7] else out[x]


@subroutine
def _curve_far(values, out, logs, c):
    """Decode or encode what lies beyond the limit."""
    for x in range(out.shape[0]):
        logs[x] = curving_px(values[x], c)
    if c[7] < ZERO:
        _far_row(values, out, logs, c, True)
    else:
        _far_row(values, out, logs, c, False)


@inline
def decode_run(values, out, logs, c):
    """Decode a run of numbers into another array; ``logs`` is scratch for as many."""
    if c[7] < ZERO or _decode_near(values, out, c):
        _curve_far(values, out, logs, c)


@inline
def encode_run(values, out, logs, c):
    """Encode a run of numbers into another array; ``logs`` is scratch for as many."""
    if c[7] < ZERO or _encode_near(values, out, c):
        _curve_far(values, out, logs, c)


@subroutine
def raise_run(values, logs, exponent):
    """Raise values above 0 to a power in place; ``logs`` is scratch for as many or more."""
    for x in range(values.shape[0]):
        logs[x] = raising_px(values[x], exponent)
    for x in range(values.shape[0]):
        values[x] = raised_px(values[x], exp2_px(logs[x]))


@strip_kernel
def _transfer_strips(image, out, decodes, constants, y0, y1):
    size, n = image.shape[1] * image.shape[2], image.shape[2]
    logs = np.empty(SCRATCH, np.float32)
    for y in range(y0, y1):
        row, to = image[y].reshape(-1), out[y].reshape(-1)
        for x0 in range(0, size, 8 * RUN):
            x1 = min(x0 + 8 * RUN, size)
            if decodes:
                decode_run(row[x0:x1], to[x0:x1], logs, constants)
            else:
                encode_run(row[x0:x1], to[x0:x1], logs, constants)
            if n == 4:
                keep_alpha(row[x0:x1], to[x0:x1])


@inline
def mixed_px(r, g, b, m):
    """Multiply one pixel, as a column, by the matrix m (nine numbers in row order)."""
    return m[0] * r + m[1] * g + m[2] * b, m[3] * r + m[4] * g + m[5] * b, m[6] * r + m[7] * g + m[8] * b


@inline
def _mix_row(values, out, n, m):
    for x in range(values.shape[0] // n):
        r, g, b = mixed_px(values[n * x], values[n * x + 1], values[n * x + 2], m)
        out[n * x] = r
        out[n * x + 1] = g
        out[n * x + 2] = b
        if n == 4:
            out[n * x + 3] = values[n * x + 3]


@subroutine
def mix_run(values, out, n, m):
    """Multiply a run of pixels of n components by a matrix."""
    if n == 3:
        _mix_row(values, out, 3, m)
    else:
        _mix_row(values, out, 4, m)


@subroutine
def _write_multiplied(row, out, n, m, finished, non_temporal):
    """Multiply a row by a matrix and write it, run by run."""
    for start in range(n * first_run(out, n, RUN), row.shape[0], n * RUN):
        x0, x1 = max(start, 0), min(start + n * RUN, row.shape[0])
        mix_run(row[x0:x1], finished[: x1 - x0], n, m)
        write(out[x0:x1], finished, non_temporal)


@strip_kernel
def _matrix_strips(image, out, m, y0, y1):
    finished, non_temporal = np.empty(4 * RUN, np.float32), is_non_temporal(out)
    for y in range(y0, y1):
        _write_multiplied(image[y].reshape(-1), out[y].reshape(-1), image.shape[2], m, finished, non_temporal)
    store_fence(non_temporal)


@inline
def luma_row(row, out, n):
    """Luma of a row of pixels of n components."""
    for x in range(out.shape[0]):
        out[x] = luma_px(row[n * x], row[n * x + 1], row[n * x + 2])


@subroutine
def luma_run(image, out, y, x0):
    """Luma of row y of a picture, from column x0 on; one of a single component is luma itself."""
    row, x1 = image[y].reshape(-1), x0 + out.shape[0]
    if image.shape[2] == 1:
        for x in range(out.shape[0]):
            out[x] = row[x0 + x]
    elif image.shape[2] == 3:
        luma_row(row[3 * x0 : 3 * x1], out, 3)
    else:
        luma_row(row[4 * x0 : 4 * x1], out, 4)


@strip_kernel
def _luma_strips(image, out, y0, y1):
    for y in range(y0, y1):
        if image.shape[2] == 3:
            luma_row(image[y].reshape(-1), out[y], 3)
        else:
            luma_row(image[y].reshape(-1), out[y], 4)


def light_of(signal: float) -> float:
    """Return the light before a BT.709 camera, by the exact constants: for single numbers, as no kernel is compiled.

    Source: BT.709-6 item 1.2 (inverted), constants of BT.2020-2 table 4.

    >>> round(light_of(0.408848), 3)
    0.18
    """
    return signal / 4.5 if signal < 4.5 * _BETA else float(((signal + _ALPHA - 1) / _ALPHA) ** (1 / 0.45))


# --- whole pictures -----------------------------------------------------------------------------------------


def decode(image: Floats, name: str, out: Floats | None = None) -> Floats:
    """Turn signal into linear light.

    :param image: float32 (H, W, 3 or 4); alpha passes through. Values outside 0…1 follow the curve, odd about 0.
    :param name: a key of :data:`TRANSFERS`: "bt709", "bt1886", "srgb" or "linear".
    :returns: float32, same shape.
    :raises ValueRangeError: unknown name. :raises PictureError: wrong array.

    Source: BT.709-6 item 1.2 (inverted), BT.1886 annex 1 with Lw = 1 and Lb = 0, IEC 61966-2-1.

    >>> print(decode(np.full((1, 1, 3), 0.5, np.float32), "bt1886").round(4))
    [[[0.1895 0.1895 0.1895]]]
    """
    constants = transfer(name).decode
    image = as_picture(image)
    out = output(out, image.shape, image)
    over_rows(_transfer_strips, image.shape[0], image, out, True, constants)
    return out


def encode(image: Floats, name: str, out: Floats | None = None) -> Floats:
    """Turn linear light into signal: the inverse of :func:`decode`, with the same parameters and sources.

    >>> print(encode(np.full((1, 1, 3), 0.18, np.float32), "bt709").round(4))
    [[[0.4088 0.4088 0.4088]]]
    """
    constants = transfer(name).encode
    image = as_picture(image)
    out = output(out, image.shape, image)
    over_rows(_transfer_strips, image.shape[0], image, out, False, constants)
    return out


def flat_matrix(matrix: object) -> tuple[np.float32, ...]:
    """Return a 3×3 matrix as nine float32 in row order, the form in which strip kernels take it.

    Raises ValueRangeError for another shape or a value that is not finite.
    """
    given = np.asarray(matrix, np.float64)
    if given.shape != (3, 3) or not np.isfinite(given).all():
        raise ValueRangeError(f"A colour matrix must be 3×3 and finite, not of shape {given.shape}: {given.tolist()}.")
    return tuple(F(v) for v in given.ravel())


def apply_matrix(image: Floats, matrix: object, out: Floats | None = None) -> Floats:
    """Multiply every pixel's three components, as a column, by a 3×3 matrix (rows give outputs).

    :param image: float32 (H, W, 3 or 4); alpha passes through.
    :returns: float32, same shape. :raises ValueRangeError: the matrix is not 3×3 and finite.

    >>> picture = np.array([[[0.25, 0.5, 0.75]]], np.float32)
    >>> apply_matrix(picture, [[0, 0, 1], [0, 1, 0], [1, 0, 0]])
    array([[[0.75, 0.5 , 0.25]]], dtype=float32)
    """
    m = flat_matrix(matrix)
    image = as_picture(image)
    out = output(out, image.shape, image)
    over_rows(_matrix_strips, image.shape[0], image, out, m)
    return out


def ycbcr_matrix(standard: str = "709") -> np.ndarray:
    """Return the 3×3 float64 matrix from R′G′B′ to Y′CbCr (Cb, Cr within ±0.5).

    Y′ = Kr R′ + (1 − Kr − Kb) G′ + Kb B′, Cb = (B′ − Y′) / (2 − 2 Kb), Cr = (R′ − Y′) / (2 − 2 Kr).

    :param standard: "601", "709" or "2020". :raises ValueRangeError: another name.

    Source: BT.601-7 item 2.5, BT.709-6 items 3.2 and 3.3, BT.2020-2 table 4 (non-constant luminance).

    >>> print(ycbcr_matrix("709").round(4))
    [[ 0.2126  0.7152  0.0722]
     [-0.1146 -0.3854  0.5   ]
     [ 0.5    -0.4542 -0.0458]]
    """
    if standard not in KR_KB:
        raise ValueRangeError(f"Y′CbCr standard {standard!r} is unknown: use one of {', '.join(KR_KB)}.")
    kr, kb = KR_KB[standard]
    kg = 1 - kr - kb
    blue, red = 2 * (1 - kb), 2 * (1 - kr)
    return np.array([[kr, kg, kb], [-kr / blue, -kg / blue, 0.5], [0.5, -kg / red, -kb / red]])


def rgb_to_ycbcr(image: Floats, standard: str = "709", out: Floats | None = None) -> Floats:
    """Turn R′G′B′ into Y′CbCr (Y′ 0…1, Cb and Cr ±0.5): see :func:`ycbcr_matrix`. Shapes as :func:`apply_matrix`.

    >>> print(rgb_to_ycbcr(np.array([[[1, 0, 0], [1, 1, 1]]], np.float32)).round(4) + 0.0)
    [[[ 0.2126 -0.1146  0.5   ]
      [ 1.      0.      0.    ]]]
    """
    return apply_matrix(image, ycbcr_matrix(standard), out)


def luma(image: Floats, out: Floats | None = None) -> Floats:
    """Return BT.709 luma Y′ as a float32 (H, W) plane.

    Y′ = 0.2126 R′ + 0.7152 G′ + 0.0722 B′.

    Source: BT.709-6 item 3.2. :raises PictureError: wrong array.

    >>> print(luma(np.array([[[1, 0, 0], [0, 1, 0], [0, 0, 1]]], np.float32)).round(4))
    [[0.2126 0.7152 0.0722]]
    """
    image = as_picture(image)
    out = output(out, image.shape[:2], image)
    over_rows(_luma_strips, image.shape[0], image, out)
    return out


# --- alpha --------------------------------------------------------------------------------------------------


@inline
def _alpha_row(row, to, divide):
    """Multiply the colour of a row by its alpha or, with the literal ``divide``, divide it; alpha 0 counts as 1."""
    for x in range(row.shape[0] // 4):
        alpha = row[4 * x + 3]
        factor = alpha if alpha > TINY else ONE
        if divide:
            factor = ONE / factor
        to[4 * x] = row[4 * x] * factor
        to[4 * x + 1] = row[4 * x + 1] * factor
        to[4 * x + 2] = row[4 * x + 2] * factor
        to[4 * x + 3] = alpha


@strip_kernel
def _unpremultiply_strips(image, out, y0, y1):
    for y in range(y0, y1):
        _alpha_row(image[y].reshape(-1), out[y].reshape(-1), True)


@strip_kernel
def _premultiply_strips(image, y0, y1):
    for y in range(y0, y1):
        row = image[y].reshape(-1)
        _alpha_row(row, row, False)


def unpremultiply(image: Floats, out: Floats | None = None) -> Floats:
    """Divide the colour of a four-channel picture by its alpha, where that is above 0; others pass unchanged.

    :param image: float32 (H, W, 3 or 4). :returns: float32, same shape. :raises PictureError: wrong array.

    >>> print(unpremultiply(np.array([[[0.5, 0.25, 0, 0.5]]], np.float32)))
    [[[1.  0.5 0.  0.5]]]
    """
    image = as_picture(image)
    if image.shape[2] == 3:
        return image
    out = output(out, image.shape, image)
    over_rows(_unpremultiply_strips, image.shape[0], image, out)
    return out


def premultiply(image: Floats) -> None:
    """Multiply the colour of a picture by its alpha, in place; where alpha is 0 it stays.

    :param image: float32 (H, W, 3 or 4), C-contiguous; three components stay as they are.
    :raises PictureError: another array.

    The way back from :func:`unpremultiply`.

    >>> picture = np.array([[[1, 0.5, 0, 0.5]]], np.float32)
    >>> premultiply(picture)
    >>> print(picture)
    [[[0.5  0.25 0.   0.5 ]]]
    """
    if image.dtype != np.float32 or not image.flags.c_contiguous or image.ndim != 3:
        raise PictureError(f"The picture must be C-contiguous float32, not {image.dtype} {image.shape}.")
    if image.shape[2] == 4:
        over_rows(_premultiply_strips, image.shape[0], image)


@strip_kernel
def _opaque_strips(image, seen, y0, y1):
    for y in range(y0, y1):
        row = image[y].reshape(-1)
        clear = 0
        for x in range(image.shape[1]):
            clear += row[4 * x + 3] != ONE
        seen[y] = clear


def is_opaque(image: Floats) -> bool:
    """Tell whether the alpha of a picture is 1 everywhere, or not there at all. Raises PictureError: wrong array.

    >>> is_opaque(np.ones((1, 1, 3), np.float32)), is_opaque(np.zeros((1, 1, 4), np.float32))
    (True, False)
    """
    image = as_picture(image)
    if image.shape[2] == 3:
        return True
    clear = np.empty(image.shape[0], np.int64)
    over_rows(_opaque_strips, image.shape[0], image, clear)
    return not clear.any()
