"""Tags: numbers, points and curves by which files name colour spaces, and the short names they stand for here."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .balance import colour_science
from .convert import PRIMARIES, Space, decode, primaries_of

UNSPECIFIED = 2

_TRANSFERS = {
    **{"bt709": 1, "bt1886": 1, "gamma22": 4, "linear": 8, "srgb": 13, "pq": 16, "gamma26": 17, "hlg": 18},
    **{"ITU-R BT.2020": 14, "ITU-R BT.709": 1, "sRGB": 13, "Display P3": 13},
}
_PRIMARIES = {
    **{"bt709": 1, "bt601_625": 5, "bt601_525": 6, "bt2020": 9, "p3_dci": 11, "p3_d65": 12},
    **{"ITU-R BT.2020": 9, "ITU-R BT.709": 1, "sRGB": 1, "Display P3": 12, "P3-D65": 12},
}
_OTHER_TRANSFERS = {4: "gamma22", 8: "linear", 16: "pq", 17: "gamma26", 18: "hlg"}
_OTHER_PRIMARIES = {9: "bt2020", 11: "p3_dci", 12: "p3_d65"}


def space_tags(space: Space) -> tuple[int, int]:
    """Return the ITU-T H.273 numbers of a space's primaries and transfer: 2, unspecified, where it has none.

    >>> space_tags(Space(transfer="bt709", primaries="bt709"))
    (1, 1)
    """
    return _PRIMARIES.get(space.primaries, UNSPECIFIED), _TRANSFERS.get(space.transfer, UNSPECIFIED)


def tagged_space(primaries: int, transfer: int) -> str | None:
    """Return the name of the space that tags state where it is another than BT.709's signal, or else None.

    :param primaries, transfer: numbers of ITU-T H.273.

    >>> tagged_space(9, 16)
    'pq:bt2020'
    """
    curve, gamut = _OTHER_TRANSFERS.get(transfer), _OTHER_PRIMARIES.get(primaries)
    if gamut is not None and transfer == _SRGB:
        curve = "srgb"
    return None if curve is None and gamut is None else f"{curve or 'bt709'}:{gamut or 'bt709'}"


_SRGB = 13
"""Beside BT.709's primaries it is read as the working signal; beside others the curve counts."""

_WORDS = {
    "range": {1: "studio range", 2: "full range"},
    "matrix": {0: "R′G′B′", 1: "BT.709", 5: "BT.601", 6: "BT.601", 7: "SMPTE 240M", 9: "BT.2020"},
    "primaries": {
        **{1: "BT.709", 4: "BT.470 M", 5: "BT.601, 625 lines", 6: "BT.601, 525 lines", 7: "SMPTE 240M", 8: "film"},
        **{9: "BT.2020", 10: "CIE XYZ", 11: "P3 with the cinema's white", 12: "P3 with D65", 22: "EBU Tech 3213"},
    },
    "transfer": {
        **{1: "BT.709", 4: "power 2.2", 5: "power 2.8", 6: "BT.601", 7: "SMPTE 240M", 8: "linear", 13: "sRGB"},
        **{14: "BT.2020, 10 bit", 15: "BT.2020, 12 bit", 16: "PQ", 17: "power 2.6", 18: "HLG"},
    },
}


def tag_in_words(field: str, number: int) -> str:
    """Return what a number of ITU-T H.273 says.

    :param field: "range", "matrix", "primaries" or "transfer".

    >>> tag_in_words("transfer", 1)
    'BT.709'
    """
    return _WORDS[field].get(number, f"number {number} of ITU-T H.273")


# --- points and curves --------------------------------------------------------------------------------------

_NEAR = 2e-3
"""How far a stated point may lie from a known one, in CIE x and y: profiles round, and white is given by its name."""


def named_primaries(points: Sequence[float]) -> str | None:
    """Return the name of primaries, a short one or else a registered one; None for unknown ones.

    :param points: CIE x and y of red, green, blue and white.

    >>> named_primaries([0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290])
    'bt709'
    """
    wanted = np.asarray(points, np.float64).reshape(4, 2)
    for name in PRIMARIES:
        if np.abs(primaries_of(name) - wanted).max() < _NEAR:
            return name
    registered = colour_science().RGB_COLOURSPACES
    return next((str(n) for n in registered if np.abs(primaries_of(n) - wanted).max() < _NEAR), None)


def adapted_primaries(name: str) -> NDArray[np.float64]:
    """Return the XYZ of red, green and blue under D50, by Bradford, as ICC profiles hold them; one in each row."""
    science = colour_science()
    points = primaries_of(name)
    matrix = science.models.normalised_primary_matrix(points[:3], points[3])
    white, d50 = science.xy_to_XYZ(points[3]), np.array([0.9642, 1.0, 0.8249])
    adapt = science.adaptation.matrix_chromatic_adaptation_VonKries(white, d50, "Bradford")
    adapted: NDArray[np.float64] = (adapt @ matrix).T
    return adapted


def primaries_of_profile(colorants: Sequence[Sequence[float]]) -> str | None:
    """Return the name of the primaries that an ICC profile was made of; None for unknown ones.

    :param colorants: XYZ of red, green and blue under D50. Source: ICC.1:2022, 6.3 and annex E.

    >>> primaries_of_profile([[0.4360, 0.2225, 0.0139], [0.3851, 0.7169, 0.0971], [0.1431, 0.0606, 0.7139]])
    'bt709'
    """
    wanted = np.asarray(colorants, np.float64)
    for name in (*PRIMARIES, *colour_science().RGB_COLOURSPACES):
        if np.abs(adapted_primaries(name) - wanted).max() < _NEAR:
            return str(name)
    return None


_CURVES = ("srgb", "bt709", "linear", "gamma22", "gamma26", "bt1886")


def curve_of_profile(signal: NDArray[np.float64], lightness: NDArray[np.float64]) -> str | None:
    """Return the name of the transfer function that a profile's greys follow most closely; None where none is near.

    :param signal: greys from 0 to 1. :param lightness: the CIE L* that a profile gives them.

    >>> signal = np.linspace(0, 1, 64)
    >>> light = signal**2.4
    >>> lightness = np.where(light > 216 / 24389, 116 * np.cbrt(light) - 16, light * 24389 / 27)  # CIE L*
    >>> curve_of_profile(signal, lightness)
    'bt1886'
    """
    distances = {name: float(np.abs(_lightness(name, signal) - lightness).max()) for name in _CURVES}
    nearest = min(distances, key=lambda name: distances[name])
    return nearest if distances[nearest] < _SAME_LIGHTNESS else None


_SAME_LIGHTNESS = 1.2
"""L* is read in whole steps of 100/255; the curves of BT.709 and sRGB lie 5 apart."""


def _lightness(curve: str, signal: NDArray[np.float64]) -> NDArray[np.float64]:
    light = decode(curve, np.repeat(signal[:, np.newaxis], 3, axis=1))[:, 0]
    result: NDArray[np.float64] = colour_science().colorimetry.lightness_CIE1976(np.clip(light, 0, 1) * 100)
    return result
