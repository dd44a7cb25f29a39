"""The camera: noise, casts, chroma sub-sampling and code values, from clean light to a picture as delivered."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...kernels.codes import Coding, picture_to_planes, planes_to_picture
from ...kernels.colour import apply_matrix, encode
from .paint import LINEAR_TO_XYZ, XYZ_TO_LINEAR, Array, random_stream

Matrix = NDArray[np.float64]


def skin_cast(green: float = 0.30, blue: float = 0.12) -> Matrix:
    """Return a 3×3 for linear light that leaves every grey as it is and drains the red from skin.

    The balance is right and yet skin looks green and blue: red takes part of green, green a little of red, blue
    some of both. Each row sums to 1, so neutrals stay. :param green: 0 (no cast) to 1. :param blue: 0 to 1.
    """
    return np.array(
        [
            [1 - green, green, 0.0],
            [0.25 * green, 1 - 0.25 * green, 0.0],
            [0.5 * blue, 0.5 * blue, 1 - blue],
        ]
    )


# D65 lies at 6504 K and .0032 above the Planckian locus (colour-science gives 6504.3 K, +.00321).
_D65_MIRED, _D65_DUV = 1e6 / 6504.3, 0.00321
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def _planckian_uv(mired: float) -> Matrix:
    """CIE 1960 u, v of a black body. Source: M. Krystek 1985; 1000 to 15000 K, error below 8e-5 (from memory)."""
    t = 1e6 / mired
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t * t) / (1 + 8.42420235e-4 * t + 7.08145163e-7 * t * t)
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t * t) / (1 - 2.89741816e-5 * t + 1.61456053e-7 * t * t)
    return np.array([u, v])


def _beside_locus(mired: float, duv: float) -> Matrix:
    along = _planckian_uv(mired + 0.5) - _planckian_uv(mired - 0.5)
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    result: Matrix = _planckian_uv(mired) + duv * across * np.sign(across[1])
    return result


def light_change(mired: float, duv: float) -> Matrix:
    """Return the 3×3 for linear BT.709 light that an uncompensated change of the light makes.

    :param mired: change of 10⁶/colour temperature from D65; positive is warmer. −80 to 400.
    :param duv: change of the distance from the Planckian locus in CIE 1960 u, v; positive is greener.
    :returns: float64 (3, 3), the identity for (0, 0). White keeps its luminance.

    Source: Bradford transform (Lam 1985; ICC.1, annex E), white on the locus of :func:`_planckian_uv`.
    """
    white = LINEAR_TO_XYZ.sum(axis=1)
    total = white[0] + 15 * white[1] + 3 * white[2]
    uv = np.array([4 * white[0], 6 * white[1]]) / total
    uv = uv + _beside_locus(_D65_MIRED + mired, _D65_DUV + duv) - _beside_locus(_D65_MIRED, _D65_DUV)
    u, v = uv
    changed = np.array([1.5 * u / v, 1.0, (2 - 0.5 * u) / v - 5])
    scale = np.diag((_BRADFORD @ changed) / (_BRADFORD @ white))
    result: Matrix = XYZ_TO_LINEAR @ np.linalg.inv(_BRADFORD) @ scale @ _BRADFORD @ LINEAR_TO_XYZ
    return result


_NOISE_OF = np.array([1.25, 1.0, 1.45], np.float32)
"""Noise of red, green and blue: a sensor's colour matrix amplifies red and blue (common practice, no source)."""


def _with_noise(light: Array, seed: int, noise: float) -> Array:
    """Photon noise that grows with the root of the light, over a constant floor of three tenths."""
    grain = random_stream(seed, "camera").standard_normal(light.shape, np.float32)
    level = np.sqrt(np.float32(0.5 * noise * noise) * np.maximum(light, 0) + np.float32((0.3 * noise) ** 2))
    result: Array = light + grain * level * _NOISE_OF
    return result


def camera(
    light: Array,
    seed: int = 0,
    *,
    cast: object = None,
    balance: object = None,
    noise: float = 0.008,
    subsampled: bool = True,
    bits: int = 10,
    transfer: str = "bt1886",
    gain: float = 1.0,
) -> Array:
    """Return the R′G′B′ picture that a camera delivers of the light.

    :param light: linear BT.709, float32 (H, W, 3). :param seed: of the noise.
    :param balance: 3×3 of an error in white balance, see :func:`light_change`; None for none.
    :param cast: 3×3 of an error that greys do not show, see :func:`skin_cast`; None for none. After ``balance``.
    :param noise: standard deviation in linear light at half of white, about; 0 for none.
    :param subsampled: 4:2:0 chroma sited as in BT.709 video, else 4:4:4.
    :param bits: 8 or more code bits in studio range. :param transfer: a key of ``kernels.colour.TRANSFERS``.
    :param gain: factor on the light before everything else.
    :returns: float32 (H, W, 3): code values turned back into R′G′B′; light below 0 and above 1 is cut before.
    :raises ValueRangeError: unusable matrix, unknown transfer function or bits.
    """
    seen = np.asarray(light, np.float32) * np.float32(gain)
    for matrix in (balance, cast):
        seen = seen if matrix is None else apply_matrix(seen, matrix)
    if noise:
        seen = _with_noise(seen, seed, noise)
    signal = encode(np.clip(seen, 0, 1), transfer)
    coding = Coding(bits=bits, subsampling="4:2:0" if subsampled else "4:4:4")
    return planes_to_picture(picture_to_planes(signal, coding, dither=False), coding)
