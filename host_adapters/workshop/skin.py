"""Skin colour from pigments: melanin over blood, as a reflectance spectrum and as linear light."""

from __future__ import annotations

import functools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .paint import XYZ_TO_LINEAR, Array, linear_to_lab


class SkinDepth(NamedTuple):
    """How much of the two pigments a skin holds, in absorbance: melanin at 550 nm and blood at 560 nm."""

    melanin: float
    blood: float


SKIN_DEPTHS: dict[str, SkinDepth] = {
    "very light": SkinDepth(0.40, 0.36),
    "light": SkinDepth(0.56, 0.42),
    "intermediate": SkinDepth(0.78, 0.43),
    "tan": SkinDepth(1.00, 0.43),
    "brown": SkinDepth(1.75, 0.43),
    "dark": SkinDepth(2.90, 0.38),
}
"""One skin for each of the six classes of the individual typology angle, from the lightest to the darkest."""

# Wavelength in nm; molar extinction of oxygenated and of deoxygenated haemoglobin in 1/(cm·mol/l), from the open
# tissue-optics literature (Prahl's compilation, from memory); X, Y, Z weights: CIE 1931 2° observer times
# illuminant D65, for a spectrum that runs straight between these wavelengths and a white with Y = 1.
_SPECTRUM = np.array(
    [
        (380, 112736, 115000, 0.000052, 0.000001, 0.000243),
        (390, 166000, 167748, 0.000279, 0.000008, 0.001319),
        (400, 266232, 223296, 0.001190, 0.000033, 0.005650),
        (410, 467000, 304000, 0.004161, 0.000116, 0.019864),
        (420, 480360, 407560, 0.012271, 0.000387, 0.059107),
        (430, 246072, 528600, 0.023787, 0.001033, 0.116423),
        (440, 102580, 413280, 0.033645, 0.002314, 0.169295),
        (450, 62816, 103292, 0.036384, 0.004223, 0.192330),
        (460, 44480, 23389, 0.031821, 0.006721, 0.182690),
        (470, 33209, 16156, 0.021435, 0.010104, 0.140502),
        (480, 26629, 14550, 0.010722, 0.015193, 0.089481),
        (490, 23684, 16684, 0.003661, 0.022031, 0.049949),
        (500, 20933, 20862, 0.000758, 0.033958, 0.028790),
        (510, 20035, 25773, 0.001367, 0.051429, 0.016396),
        (520, 24202, 31590, 0.006737, 0.070475, 0.008238),
        (530, 39957, 39036, 0.016855, 0.086492, 0.004352),
        (540, 52157, 46000, 0.028939, 0.094253, 0.002106),
        (550, 43016, 53412, 0.042531, 0.097073, 0.000912),
        (560, 32613, 53788, 0.056242, 0.093880, 0.000393),
        (570, 44496, 45072, 0.069694, 0.086971, 0.000203),
        (580, 50104, 37020, 0.081707, 0.077792, 0.000146),
        (590, 14400, 28324, 0.086948, 0.064500, 0.000099),
        (600, 3200, 14677, 0.089557, 0.053557, 0.000068),
        (610, 1506, 9444, 0.084201, 0.042608, 0.000033),
        (620, 942, 6509, 0.070166, 0.031542, 0.000015),
        (630, 610, 5149, 0.051386, 0.021323, 0.000005),
        (640, 442, 4345, 0.035417, 0.013905, 0.000002),
        (650, 368, 3750, 0.021991, 0.008329, 0.000000),
        (660, 320, 3227, 0.012804, 0.004747, 0.000000),
        (670, 298, 2817, 0.006979, 0.002558, 0.000000),
        (680, 277, 2407, 0.003538, 0.001287, 0.000000),
        (690, 284, 2100, 0.001619, 0.000586, 0.000000),
        (700, 290, 1794, 0.000797, 0.000288, 0.000000),
        (710, 319, 1560, 0.000411, 0.000148, 0.000000),
        (720, 348, 1325, 0.000187, 0.000067, 0.000000),
        (730, 397, 1220, 0.000097, 0.000035, 0.000000),
        (740, 446, 1116, 0.000050, 0.000018, 0.000000),
        (750, 516, 1332, 0.000021, 0.000008, 0.000000),
        (760, 586, 1548, 0.000009, 0.000003, 0.000000),
        (770, 648, 1312, 0.000005, 0.000002, 0.000000),
        (780, 710, 1075, 0.000002, 0.000001, 0.000000),
    ]
)

# Fitted to published reflectances of skin (the tests state how near each is reached): the part of the light that
# the surface returns, the steepness of melanin, the saturation of the blood bands, the absorbance of bare skin.
_SURFACE, _MELANIN_STEEPNESS, _BLOOD_SATURATION = 0.0336, 2.4218, 2.0e4
_BARE_WAVELENGTHS = (380, 420, 460, 500, 560, 620, 700, 780)
_BARE_ABSORBANCE = (0.05, 0.2424, 0.1853, 0.2265, 0.3406, 0.2718, 0.157, 0.1711)
_OXYGENATION = 0.75

WAVELENGTHS: NDArray[np.float64] = _SPECTRUM[:, 0]
"""Wavelengths of :func:`skin_reflectance`, in nm: 380 to 780 in steps of 10."""


def skin_reflectance(melanin: float | NDArray[np.float64], blood: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the diffuse reflectance of skin, 0 to 1, at :data:`WAVELENGTHS`.

    :param melanin: absorbance of melanin at 550 nm, 0.1 (hardly any) to 4 (very much); any shape.
    :param blood: absorbance of blood at 560 nm, 0.02 to 1.3; same shape.
    :returns: float64, the given shape and one axis of 41 wavelengths.

    Apparent absorbance: light enters through the surface and dims exponentially in bare skin, melanin (a power
    law) and blood (three quarters oxygenated), whose strong bands saturate because vessels screen themselves.
    """
    oxygenated, deoxygenated = _SPECTRUM[:, 1], _SPECTRUM[:, 2]
    extinction = _OXYGENATION * oxygenated + (1 - _OXYGENATION) * deoxygenated
    bands = 1 - np.exp(-extinction / _BLOOD_SATURATION)
    bands /= bands[WAVELENGTHS == 560]
    slope = (WAVELENGTHS / 550) ** -_MELANIN_STEEPNESS
    bare = np.interp(WAVELENGTHS, _BARE_WAVELENGTHS, _BARE_ABSORBANCE)
    pigments = np.asarray(melanin)[..., None] * slope + np.asarray(blood)[..., None] * bands
    reflectance: NDArray[np.float64] = _SURFACE + (1 - _SURFACE) * np.exp(-(bare + pigments))
    return reflectance


_MELANIN_STEPS = np.linspace(0.1, 4.0, 40)
_BLOOD_STEPS = np.linspace(0.02, 1.3, 33)


@functools.cache
def _colour_table() -> Array:
    melanin, blood = np.meshgrid(_MELANIN_STEPS, _BLOOD_STEPS, indexing="ij")
    # einsum and not a matrix product: its sum runs in one fixed order on every processor.
    xyz = np.einsum("mbw,wx->mbx", skin_reflectance(melanin, blood), _SPECTRUM[:, 3:6])
    result: Array = np.einsum("mbx,cx->mbc", xyz, XYZ_TO_LINEAR).astype(np.float32)
    return result


def _place(value: Array, steps: NDArray[np.float64]) -> tuple[NDArray[np.int32], Array]:
    position = np.clip((value - np.float32(steps[0])) / np.float32(steps[1] - steps[0]), 0, len(steps) - 1.001)
    whole = position.astype(np.int32)
    return whole, (position - whole)[..., None].astype(np.float32)


def _between(table: Array, at: NDArray[np.int32], part: Array) -> Array:
    first = table.take(at, axis=0)
    result: Array = first + (table.take(at + 1, axis=0) - first) * part
    return result


def skin_colour(melanin: Array | float, blood: Array | float) -> Array:
    """Return the colour of skin under D65 as linear BT.709 reflectance, white at 1.

    :param melanin: float32, see :func:`skin_reflectance`; held within its range. :param blood: same shape.
    :returns: float32, the given shape and an axis of three; interpolated in a table of 40 by 33 spectra.
    """
    melanin, blood = np.broadcast_arrays(np.float32(melanin), np.float32(blood))
    table = _colour_table().reshape(-1, 3)
    (row, down), (column, across) = _place(melanin, _MELANIN_STEPS), _place(blood, _BLOOD_STEPS)
    corner = row * len(_BLOOD_STEPS) + column
    near, far = (_between(table, at, across) for at in (corner, corner + len(_BLOOD_STEPS)))
    result: Array = near + (far - near) * down
    return result


def typology_angle(depth: SkinDepth) -> float:
    """Return the individual typology angle in degrees: atan((L* − 50) / b*), high for light skin.

    Source: A. Chardon, I. Cretois, C. Hourseau, "Skin colour typology and suntanning pathways", 1991 (from memory).
    """
    lightness, _, yellow = linear_to_lab(skin_colour(*depth))
    return float(np.degrees(np.arctan2(lightness - 50, yellow)))
