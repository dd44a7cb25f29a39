"""Steering: move the hue and saturation of keyed pixels, by the matte, with luma kept.

Three ways to move the colour, all in the BT.709 Cb/Cr plane of the display-referred signal:

* :func:`turn` rotates the hue and scales the saturation. Neutral stays neutral.
* :func:`shift` adds a step in proportion to luma, weighted by chroma so that neutral stays neutral.
* :func:`mix_primaries` applies a 3×3 whose rows sum to one in linear light, then restores luma.

:func:`keep` brings natural skin back under a grade. A pixel whose matte is exactly 0 leaves with the very bits
it came with, NaN included; alpha passes through.
"""

from __future__ import annotations

import math

import numpy as np

from .arrays import Floats, as_picture, as_plane, output, with_alpha
from .balance import adapt_px, adapt_run, run_length
from .colour import (
    CB_SCALE,
    CR_SCALE,
    G_FROM_CB,
    G_FROM_CR,
    HALF,
    ONE,
    SCRATCH,
    TINY,
    TWO,
    ZERO,
    F,
    Transfer,
    atan2_px,
    clamp,
    flat_matrix,
    luma_px,
    smoothstep,
    transfer,
    ycbcr_px,
)
from .devices import on_devices
from .errors import ValueRangeError
from .jit import inline, strip_kernel, subroutine
from .stream import RUN, is_non_temporal, store_fence, write_runs
from .strips import PictureInto, over_rows

_SIXTH, _24TH, _120TH = F(1 / 6), F(1 / 24), F(1 / 120)


# --- turn ---------------------------------------------------------------------------------------------------


@inline
def turn_px(r, g, b, m, c, s):
    """Rotate Cb/Cr by the angle whose scaled cosine and sine are c and s, as far as the matte m says."""
    _, cb, cr = ycbcr_px(r, g, b)
    db = m * (c * cb - s * cr - cb)
    dr = m * (s * cb + c * cr - cr)
    keyed = m > ZERO
    return (
        r + CR_SCALE * dr if keyed else r,
        g + (G_FROM_CB * db + G_FROM_CR * dr) if keyed else g,
        b + CB_SCALE * db if keyed else b,
    )


@inline
def turn_split_px(r, g, b, m, inverse_alpha, lit_c, lit_s, dark_c, dark_s, low, slope, cc, cs, even_red, even_yellow):
    """Turn as turn_px does, with another turn in the shadows and hues drawn toward the direction (cc, cs).

    The share of the lit side is a smooth step of luma from low over 1/slope. Deviations up to 25° from the
    direction shrink by even_red (below it) or even_yellow (above it); the pull fades out at 50°.
    """
    y, cb, cr = ycbcr_px(r, g, b)
    t = smoothstep((y * inverse_alpha - low) * slope)
    c = dark_c + t * (lit_c - dark_c)
    s = dark_s + t * (lit_s - dark_s)
    along = cb * cc + cr * cs
    across = cr * cc - cb * cs
    deviation = atan2_px(across, along)
    reach = clamp(TWO - abs(deviation) * _PULL, ZERO, ONE)
    pull = even_red if deviation < ZERO else even_yellow
    a = -pull * reach * deviation
    q = a * a
    sine = a * (ONE - q * _SIXTH + q * q * _120TH)
    cosine = ONE - q * HALF + q * q * _24TH
    ec = c * cosine - s * sine
    es = s * cosine + c * sine
    return turn_px(r, g, b, m, ec, es)


_PULL = F(1 / math.radians(25))


@subroutine
def turn_row(row, matte, out, n, p):
    """Turn a row of pixels of n components by their matte."""
    for x in range(matte.shape[0]):
        r, g, b = turn_px(row[n * x], row[n * x + 1], row[n * x + 2], matte[x], *p)
        out[n * x] = r
        out[n * x + 1] = g
        out[n * x + 2] = b
        if n == 4:
            out[n * x + 3] = row[n * x + 3]


@strip_kernel
def _turn_strips(image, matte, out, alpha, p, y0, y1):
    scratch, non_temporal = np.empty(4 * RUN, np.float32), is_non_temporal(out)
    for y in range(y0, y1):
        row, to = image[y].reshape(-1), out[y % out.shape[0]].reshape(-1)
        if alpha is None:
            write_runs(turn_row, row, matte[y], to, 3, scratch, non_temporal, p)
        else:
            write_runs(turn_row, row, matte[y], to, 4, scratch, non_temporal, p)
    store_fence(non_temporal)


@inline
def _turn_split_row(row, matte, out, n, p):
    premultiplied, constants = p
    for x in range(matte.shape[0]):
        inverse = ONE
        if n == 4:
            alpha = row[n * x + 3]
            inverse = ONE / alpha if premultiplied * alpha > TINY else ONE
        r, g, b = turn_split_px(row[n * x], row[n * x + 1], row[n * x + 2], matte[x], inverse, *constants)
        out[n * x] = r
        out[n * x + 1] = g
        out[n * x + 2] = b
        if n == 4:
            out[n * x + 3] = row[n * x + 3]


@strip_kernel
def _turn_split_strips(image, matte, out, alpha, p, y0, y1):
    scratch, non_temporal = np.empty(4 * RUN, np.float32), is_non_temporal(out)
    for y in range(y0, y1):
        row, to = image[y].reshape(-1), out[y % out.shape[0]].reshape(-1)
        if alpha is None:
            write_runs(_turn_split_row, row, matte[y], to, 3, scratch, non_temporal, p)
        else:
            write_runs(_turn_split_row, row, matte[y], to, 4, scratch, non_temporal, p)
    store_fence(non_temporal)


@on_devices
def turn(
    image: Floats,
    matte: Floats,
    angle: float,
    saturation: float = 1.0,
    *,
    shadow_angle: float = 0.0,
    shadow_saturation: float = 1.0,
    shadow_luma: float = 0.25,
    shadow_softness: float = 0.2,
    even_redder: float = 0.0,
    even_yellower: float = 0.0,
    centre: float = 123.0,
    premultiplied: bool = False,
    out: Floats | None = None,
    into: PictureInto | None = None,
) -> Floats:
    """Turn the hue of keyed pixels and scale their saturation; luma is kept within 1e-5.

    (Cb, Cr) → (1 − m) · (Cb, Cr) + m · s · R(θ) · (Cb, Cr), with m the matte, s the saturation and R(θ) the rotation
    by the angle; R′, G′ and B′ follow with Y′ kept.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′(A).
    :param matte: float32 (H, W), 0 to 1.
    :param angle: degrees, counter-clockwise in Cb/Cr: for skin, positive goes toward yellow.
    :param saturation: factor on chroma, 0 or more.
    :param shadow_angle, shadow_saturation: a further turn and factor on the dark side of a soft split at
        ``shadow_luma`` (luma 0 to 1), ``shadow_softness`` wide, for light of two colours on one face.
    :param even_redder, even_yellower: 0 to 0.5; draw hues on that side of ``centre`` (degrees) toward it.
    :param premultiplied: the colour of a 4-channel picture is multiplied by its alpha. Turning is not affected
        by that; the split by luma is.
    :param into: takes the picture strip by strip as it is made; what is returned are its last rows alone then.
    :returns: float32, shape of the image. :raises PictureError: wrong arrays.

    Source: rotation in the colour-difference plane of BT.709-6; common practice for hue correction.

    >>> skin = np.full((1, 2, 3), (0.7, 0.5, 0.4), np.float32)
    >>> print(turn(skin, np.array([[1, 0]], np.float32), angle=10).round(3))
    [[[0.678 0.51  0.368]
      [0.7   0.5   0.4  ]]]
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    out = output(out, image.shape, image, matte) if into is None else into.ring(image.shape)
    lit = rotation(angle, saturation)
    if (shadow_angle, shadow_saturation, even_redder, even_yellower) == (0, 1, 0, 0):
        over_rows(_turn_strips, image.shape[0], image, matte, out, with_alpha(image), lit, into=into)
        return out
    dark = rotation(angle + shadow_angle, saturation * shadow_saturation)
    p = split_constants(lit, dark, shadow_luma, shadow_softness, even_redder, even_yellower, centre)
    over_rows(
        _turn_split_strips, image.shape[0], image, matte, out, with_alpha(image), (F(premultiplied), p), into=into
    )
    return out


def split_constants(
    lit: tuple[np.float32, np.float32],
    dark: tuple[np.float32, np.float32],
    shadow_luma: float,
    shadow_softness: float,
    even_redder: float,
    even_yellower: float,
    centre: float,
) -> tuple[np.float32, ...]:
    """Return what :func:`turn_split_px` takes after the matte and 1 / alpha, from the turns of both sides."""
    width = max(shadow_softness, 1e-3)
    middle = math.radians(centre)
    split = (F(shadow_luma - width / 2), F(1 / width))
    return *lit, *dark, *split, F(math.cos(middle)), F(math.sin(middle)), F(even_redder), F(even_yellower)


def rotation(angle: float, saturation: float) -> tuple[np.float32, np.float32]:
    """Return the scaled cosine and sine that :func:`turn_px` takes; the angle in degrees."""
    a = math.radians(angle)
    return F(saturation * math.cos(a)), F(saturation * math.sin(a))


# --- shift --------------------------------------------------------------------------------------------------

_NEUTRAL_RATIO = F(1 / 0.06)


@inline
def shift_px(r, g, b, m, du, dv):
    """Add (du, dv) · luma to Cb and Cr, by the matte and only as far as the pixel has a colour of its own."""
    y, cb, cr = ycbcr_px(r, g, b)
    chroma = math.sqrt(cb * cb + cr * cr)
    weight = smoothstep(chroma / (y if y > TINY else TINY) * _NEUTRAL_RATIO)
    k = m * weight * (y if y > ZERO else ZERO)
    db = k * du
    dr = k * dv
    keyed = m > ZERO
    return (
        r + CR_SCALE * dr if keyed else r,
        g + (G_FROM_CB * db + G_FROM_CR * dr) if keyed else g,
        b + CB_SCALE * db if keyed else b,
    )


@inline
def _shift_row(row, matte, out, n, p):
    for x in range(matte.shape[0]):
        r, g, b = shift_px(row[n * x], row[n * x + 1], row[n * x + 2], matte[x], *p)
        out[n * x] = r
        out[n * x + 1] = g
        out[n * x + 2] = b
        if n == 4:
            out[n * x + 3] = row[n * x + 3]


@strip_kernel
def _shift_strips(image, alpha, matte, out, p, y0, y1):
    scratch, non_temporal = np.empty(4 * RUN, np.float32), is_non_temporal(out)
    for y in range(y0, y1):
        if alpha is None:
            write_runs(_shift_row, image[y].reshape(-1), matte[y], out[y].reshape(-1), 3, scratch, non_temporal, p)
        else:
            write_runs(_shift_row, image[y].reshape(-1), matte[y], out[y].reshape(-1), 4, scratch, non_temporal, p)
    store_fence(non_temporal)


def shift(image: Floats, matte: Floats, du: float, dv: float, out: Floats | None = None) -> Floats:
    """Move the luma-normalised chroma (Cb/Y′, Cr/Y′) of keyed pixels by (du, dv); luma is kept.

    (Cb, Cr) → (Cb, Cr) + m · w · Y′ · (du, dv), with m the matte and w the weight of the pixel's chroma.

    :param image: float32 (H, W, 3 or 4). :param matte: float32 (H, W), 0 to 1.
    :param du, dv: steps of Cb/Y′ and Cr/Y′. The step is weighted by the pixel's own chroma, 0 for a neutral
        and full from a chroma of 6 % of luma up.
    :returns: float32, shape of the image. :raises PictureError: wrong arrays.

    >>> skin = np.full((1, 1, 3), (0.7, 0.5, 0.4), np.float32)
    >>> print(shift(skin, np.ones((1, 1), np.float32), 0.0, -0.05).round(3))
    [[[0.658 0.513 0.4  ]]]
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    out = output(out, image.shape, image, matte)
    over_rows(_shift_strips, image.shape[0], image, with_alpha(image), matte, out, (F(du), F(dv)))
    return out


# --- 3×3 in linear light ------------------------------------------------------------------------------------


@inline
def _relit_px(r, g, b, nr, ng, nb, m):
    """Put the luma of the source back into a mixed pixel, and blend by the matte."""
    lost = luma_px(r, g, b) - luma_px(nr, ng, nb)
    keyed = m > ZERO
    return (
        r + m * (nr + lost - r) if keyed else r,
        g + m * (ng + lost - g) if keyed else g,
        b + m * (nb + lost - b) if keyed else b,
    )


@inline
def mix_px(r, g, b, m, matrix, dec, enc):
    """Decode, multiply, encode, put the luma of the source back, and blend by the matte."""
    nr, ng, nb = adapt_px(r, g, b, dec, matrix, enc)
    return _relit_px(r, g, b, nr, ng, nb, m)


@inline
def _alpha_px(alpha, premultiplied):
    """The alpha to divide by: 1 where the colour is not premultiplied, or nothing is there."""
    return alpha if premultiplied * alpha > TINY else ONE


@subroutine
def _straighten_run(pixels, straight, premultiplied):
    """Divide the colour of a run of pixels of four components by their alpha."""
    for x in range(straight.shape[0] // 4):
        inverse = ONE / _alpha_px(pixels[4 * x + 3], premultiplied)
        straight[4 * x] = pixels[4 * x] * inverse
        straight[4 * x + 1] = pixels[4 * x + 1] * inverse
        straight[4 * x + 2] = pixels[4 * x + 2] * inverse
        straight[4 * x + 3] = pixels[4 * x + 3]


@inline
def _relight_row(pixels, matte, out, n, premultiplied):
    """Finish a run whose mixed pixels lie in out."""
    for x in range(matte.shape[0]):
        alpha = ONE
        if n == 4:
            alpha = _alpha_px(pixels[n * x + 3], premultiplied)
        inverse = ONE / alpha
        m = matte[x]
        r = pixels[n * x]
        g = pixels[n * x + 1]
        b = pixels[n * x + 2]
        nr, ng, nb = _relit_px(r * inverse, g * inverse, b * inverse, out[n * x], out[n * x + 1], out[n * x + 2], m)
        keyed = m > ZERO
        out[n * x] = nr * alpha if keyed else r
        out[n * x + 1] = ng * alpha if keyed else g
        out[n * x + 2] = nb * alpha if keyed else b
        if n == 4:
            out[n * x + 3] = pixels[n * x + 3]


@strip_kernel
def _mix_strips(image, matte, out, premultiplied, matrix, dec, enc, y0, y1):
    width, n = image.shape[1], image.shape[2]
    scratch = np.empty((4, SCRATCH), np.float32)
    length = run_length(n, dec, enc)
    for y in range(y0, y1):
        row, to = image[y].reshape(-1), out[y].reshape(-1)
        for x0 in range(0, width, length):
            x1 = min(x0 + length, width)
            pixels, result, share = row[n * x0 : n * x1], to[n * x0 : n * x1], matte[y][x0:x1]
            if n == 3:
                adapt_run(pixels, result, n, scratch, dec, matrix, enc)
                _relight_row(pixels, share, result, 3, premultiplied)
            else:
                straight = scratch[3][: n * (x1 - x0)]
                _straighten_run(pixels, straight, premultiplied)
                adapt_run(straight, result, n, scratch, dec, matrix, enc)
                _relight_row(pixels, share, result, 4, premultiplied)


def mix_primaries(
    image: Floats,
    matte: Floats,
    matrix: object,
    transfer_name: str = "bt1886",
    *,
    premultiplied: bool = False,
    out: Floats | None = None,
) -> Floats:
    """Multiply keyed pixels by a 3×3 in linear light and put their luma back.

    :param image: float32 (H, W, 3 or 4). :param matte: float32 (H, W), 0 to 1.
    :param matrix: 3×3; where its rows sum to one, neutral stays neutral (see :func:`neutral_keeping`).
    :param transfer_name: how the signal decodes to light, a key of :data:`.colour.TRANSFERS`.
    :returns: float32, shape of the image.
    :raises ValueRangeError: the matrix or the name. :raises PictureError: wrong arrays.

    >>> grey = np.full((1, 1, 3), 0.5, np.float32)
    >>> rows_sum_to_one = [[0.9, 0.1, 0], [0, 1, 0], [0, 0.1, 0.9]]
    >>> print(mix_primaries(grey, np.ones((1, 1), np.float32), rows_sum_to_one).round(4))
    [[[0.5 0.5 0.5]]]
    """
    image = as_picture(image)
    matte = as_plane(matte, like=image.shape[:2])
    out = output(out, image.shape, image, matte)
    curve: Transfer = transfer(transfer_name)
    flat = flat_matrix(matrix)
    over_rows(_mix_strips, image.shape[0], image, matte, out, F(premultiplied), flat, curve.decode, curve.encode)
    return out


def neutral_keeping(red: float, blue: float) -> np.ndarray:
    """Return the 3×3 (rows sum to one) that adds ``red`` · (R − G) to red and ``blue`` · (B − (R + G)/2) to blue."""
    return np.array([[1 + red, -red, 0.0], [0.0, 1.0, 0.0], [-blue / 2, -blue / 2, 1 + blue]])


def solve_neutral_keeping(
    angle: float, ratio: float, to_angle: float, to_ratio: float, transfer_name: str = "bt1886", luma: float = 0.5
) -> np.ndarray:
    """Find the neutral-keeping 3×3 that carries one skin colour onto another.

    :param angle, ratio: hue (degrees) and chroma/luma of the colour before; ``to_angle``, ``to_ratio`` after.
    :param luma: the luma at which the colour is taken.
    :returns: 3×3 float64.
    :raises ValueRangeError: no such matrix was found (the step is too wide).

    Newton's method on (angle, ratio) with a numeric Jacobian, in float64.

    >>> matrix = solve_neutral_keeping(130, 0.25, 123, 0.25)
    >>> print(matrix.sum(axis=1).round(6))
    [1. 1. 1.]
    """
    curve = transfer(transfer_name)
    source = _skin_rgb(angle, ratio, luma)
    goal = _ratio_vector(to_angle, to_ratio)

    def landed(x: np.ndarray) -> np.ndarray:
        matrix = neutral_keeping(x[0], x[1])
        rgb = np.array([_curved(curve.decode, v) for v in source])
        out = np.array([_curved(curve.encode, v) for v in matrix @ rgb])
        y = 0.2126 * out[0] + 0.7152 * out[1] + 0.0722 * out[2]
        return np.array([(out[2] - y) / 1.8556, (out[0] - y) / 1.5748]) / luma

    x = np.zeros(2)
    for _ in range(40):
        error = landed(x) - goal
        if np.abs(error).max() < 1e-9:
            return neutral_keeping(x[0], x[1])
        step = 1e-6
        jacobian = np.stack([(landed(x + step * e) - landed(x - step * e)) / (2 * step) for e in np.eye(2)], axis=1)
        if not np.isfinite(jacobian).all() or abs(np.linalg.det(jacobian)) < 1e-12:
            break
        move = -np.linalg.solve(jacobian, error)
        x = x + move * min(1.0, 0.5 / max(float(np.abs(move).max()), 1e-12))
    raise ValueRangeError(
        f"No neutral-keeping 3×3 carries {angle:.1f}°, ratio {ratio:.3f} to {to_angle:.1f}°, ratio {to_ratio:.3f}: "
        "use the turn, or ask for a smaller step."
    )


def _curved(constants: tuple[np.float32, ...], v: float) -> float:
    cut, slope, before, scale, exponent, gain, after = (float(c) for c in constants[:7])
    magnitude = abs(v)
    curve = ((magnitude + before) * scale) ** exponent * gain - after
    return math.copysign(magnitude * slope if magnitude <= cut else curve, v)


def _ratio_vector(angle: float, ratio: float) -> np.ndarray:
    a = math.radians(angle)
    return ratio * np.array([math.cos(a), math.sin(a)])


def _skin_rgb(angle: float, ratio: float, luma: float) -> np.ndarray:
    cb, cr = _ratio_vector(angle, ratio) * luma
    green = luma - (0.0722 * 1.8556 * cb + 0.2126 * 1.5748 * cr) / 0.7152
    return np.array([luma + 1.5748 * cr, green, luma + 1.8556 * cb])


# --- keep ---------------------------------------------------------------------------------------------------

_MOST_GAIN, _FLOOR = F(4.0), F(0.02)


@inline
def keep_px(r, g, b, nr, ng, nb, m, amount, saturation):
    """Draw the Cb/Cr of a graded pixel toward the natural pixel's, scaled to the graded luma; keep that luma."""
    y, cb, cr = ycbcr_px(r, g, b)
    ny, ncb, ncr = ycbcr_px(nr, ng, nb)
    gain = clamp((y + _FLOOR) / ((ny if ny > ZERO else ZERO) + _FLOOR), ZERO, _MOST_GAIN)
    ncb = ncb * gain
    ncr = ncr * gain
    natural = math.sqrt(ncb * ncb + ncr * ncr)
    graded = math.sqrt(cb * cb + cr * cr)
    own = graded / (natural if natural > TINY else TINY)
    own = own if own < _MOST_GAIN else _MOST_GAIN
    scale = own + saturation * (ONE - own)
    k = m * amount
    db = k * (ncb * scale - cb)
    dr = k * (ncr * scale - cr)
    keyed = k > ZERO
    return (
        r + CR_SCALE * dr if keyed else r,
        g + (G_FROM_CB * db + G_FROM_CR * dr) if keyed else g,
        b + CB_SCALE * db if keyed else b,
    )


@inline
def _keep_row(row, natural, matte, out, n, k, p):
    for x in range(matte.shape[0]):
        r, g, b = keep_px(
            row[n * x],
            row[n * x + 1],
            row[n * x + 2],
            natural[k * x],
            natural[k * x + 1],
            natural[k * x + 2],
            matte[x],
            *p,
        )
        out[n * x] = r
        out[n * x + 1] = g
        out[n * x + 2] = b
        if n == 4:
            out[n * x + 3] = row[n * x + 3]


@strip_kernel
def _keep_strips(graded, natural, matte, out, p, y0, y1):
    for y in range(y0, y1):
        g = graded[y].reshape(-1)
        n = natural[y].reshape(-1)
        o = out[y].reshape(-1)
        if graded.shape[2] == 3 and natural.shape[2] == 3:
            _keep_row(g, n, matte[y], o, 3, 3, p)
        elif graded.shape[2] == 3:
            _keep_row(g, n, matte[y], o, 3, 4, p)
        elif natural.shape[2] == 3:
            _keep_row(g, n, matte[y], o, 4, 3, p)
        else:
            _keep_row(g, n, matte[y], o, 4, 4, p)


def keep(
    graded: Floats,
    natural: Floats,
    matte: Floats,
    amount: float = 0.6,
    saturation: float = 1.0,
    out: Floats | None = None,
) -> Floats:
    """Bring natural skin back under a grade: its hue, and its saturation as asked, at the luma of the grade.

    :param graded: float32 (H, W, 3 or 4), the graded picture; its luma and alpha are kept.
    :param natural: float32 (H, W, 3 or 4), the corrected picture before the grade.
    :param matte: float32 (H, W), 0 to 1, where the skin is.
    :param amount: 0 to 1, how far; at 1 the skin takes no colour from the grade.
    :param saturation: 0 to 1, how much of the natural saturation returns with the hue.
    :returns: float32, shape of ``graded``. :raises PictureError: wrong arrays.

    >>> graded = np.full((1, 1, 3), (0.3, 0.5, 0.7), np.float32)
    >>> natural = np.full((1, 1, 3), (0.7, 0.5, 0.4), np.float32)
    >>> everywhere = np.ones((1, 1), np.float32)
    >>> print(keep(graded, natural, everywhere, amount=1.0).round(2))
    [[[0.62 0.44 0.35]]]
    """
    graded = as_picture(graded, "graded picture")
    natural = as_picture(natural, "natural picture")
    matte = as_plane(matte, like=graded.shape[:2])
    as_plane(natural[..., 0], "natural picture", like=graded.shape[:2])
    out = output(out, graded.shape, graded, natural, matte)
    over_rows(_keep_strips, graded.shape[0], graded, natural, matte, out, (F(amount), F(saturation)))
    return out
