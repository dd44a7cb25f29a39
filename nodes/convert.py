"""Convert: another transfer function or other primaries, there and back without a loss."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels import balance as kernel
from ..kernels import colour as colour_kernel
from ..kernels.arrays import as_picture
from .balance import TRANSFERS, colour_science
from .declare import Node, Picture, choice

Doubles = NDArray[np.float64]

_WHITE_NITS = 203.0
_WHITE_HLG = 0.75

FURTHER_TRANSFERS = {
    "gamma22": "Power 2.2.",
    "gamma26": "Power 2.6: digital cinema (SMPTE ST 428-1).",
    "pq": "BT.2100 PQ (SMPTE ST 2084); linear 1.0 is the reference white of 203 cd/m² (BT.2408).",
    "hlg": "BT.2100 HLG camera curve; linear 1.0 is the reference white at 75 % signal (BT.2408).",
    "acescct": "ACEScct logarithmic encoding (S-2016-001).",
}

PRIMARIES = {
    "bt709": "BT.709, also sRGB.",
    "bt2020": "BT.2020, also BT.2100.",
    "p3_d65": "P3 primaries with the white D65 (SMPTE EG 432-1).",
    "p3_dci": "P3 primaries with the digital cinema white (SMPTE RP 431-2).",
    "bt601_525": "BT.601 with 525 lines (SMPTE ST 170).",
    "bt601_625": "BT.601 with 625 lines (EBU Tech 3213).",
    "acescg": "ACEScg, AP1 primaries (S-2014-004).",
    "aces2065": "ACES2065-1, AP0 primaries (SMPTE ST 2065-1).",
}

_SPACES = {
    "bt709": "ITU-R BT.709",
    "bt2020": "ITU-R BT.2020",
    "p3_d65": "P3-D65",
    "p3_dci": "DCI-P3",
    "bt601_525": "SMPTE C",
    "bt601_625": "ITU-R BT.470 - 625",
    "acescg": "ACEScg",
    "aces2065": "ACES2065-1",
}


@functools.lru_cache(maxsize=64)
def primaries_matrix(source: str, target: str) -> tuple[tuple[float, ...], ...]:
    """Return the 3×3 matrix from one set of primaries to another in linear light, whites adapted by Bradford.

    :param source, target: keys of :data:`PRIMARIES`.

    Source: the standards named there, through colour-science; SMPTE RP 177 for the derivation.
    """
    to_xyz, white = _rgb_to_xyz(source)
    from_xyz, other_white = _rgb_to_xyz(target)
    adaptation = colour_science().adaptation.matrix_chromatic_adaptation_VonKries(white, other_white, "Bradford")
    matrix = np.linalg.inv(from_xyz) @ adaptation @ to_xyz
    return tuple(tuple(float(v) for v in row) for row in matrix)


def _rgb_to_xyz(name: str) -> tuple[Doubles, Doubles]:
    science = colour_science()
    space = science.RGB_COLOURSPACES[_SPACES[name]]
    matrix = science.models.normalised_primary_matrix(space.primaries, space.whitepoint)
    return matrix, science.xy_to_XYZ(space.whitepoint)


@dataclass(frozen=True)
class ConvertColour(Node):
    """Convert the picture from one transfer function and set of primaries to another, through linear light.

    Nothing is clamped; values below 0 follow the curves mirrored about 0, so a conversion there and back returns the
    picture. Equal settings on both sides return it bit-identical.
    """

    name = "convert_colour"
    label = "Convert colour"
    group = "light"
    pixelwise = True

    from_transfer: str = choice("bt709", TRANSFERS | FURTHER_TRANSFERS, "Transfer function of the picture.")
    to_transfer: str = choice("bt709", TRANSFERS | FURTHER_TRANSFERS, "Transfer function to convert to.")
    from_primaries: str = choice("bt709", PRIMARIES, "Primaries of the picture.")
    to_primaries: str = choice("bt709", PRIMARIES, "Primaries to convert to.")

    def process(self, image: Picture) -> Picture:
        """Return the converted picture."""
        image = as_picture(image)
        same_primaries = self.from_primaries == self.to_primaries
        if same_primaries and self.from_transfer == self.to_transfer:
            return image.copy()
        matrix = np.eye(3) if same_primaries else primaries_matrix(self.from_primaries, self.to_primaries)
        known = colour_kernel.TRANSFERS
        before = self.from_transfer if self.from_transfer in known else "linear"
        after = self.to_transfer if self.to_transfer in known else "linear"
        if before != self.from_transfer:
            image = _through(image, _further(self.from_transfer)[0])
        result = kernel.adapt(image, matrix, before, to_transfer=after)
        if after != self.to_transfer:
            result = _through(result, _further(self.to_transfer)[1])
        return result

    def inverse(self) -> ConvertColour:
        """Return the conversion that takes the result back."""
        return ConvertColour(self.to_transfer, self.from_transfer, self.to_primaries, self.from_primaries)


# --- transfer functions that colour-science holds -----------------------------------------------------------

Function = Callable[[Doubles], Doubles]


def _further(name: str) -> tuple[Function, Function]:
    """Return the functions from signal to linear light and back."""
    models = colour_science().models
    white_hlg = float(models.oetf_inverse_BT2100_HLG(_WHITE_HLG))
    pairs: dict[str, tuple[Function, Function]] = {
        "gamma22": (lambda v: v**2.2, lambda l: l ** (1 / 2.2)),
        "gamma26": (lambda v: v**2.6, lambda l: l ** (1 / 2.6)),
        "pq": (
            lambda v: models.eotf_ST2084(v) / _WHITE_NITS,
            lambda l: models.eotf_inverse_ST2084(l * _WHITE_NITS),
        ),
        "hlg": (
            lambda v: models.oetf_inverse_BT2100_HLG(v) / white_hlg,
            lambda l: models.oetf_BT2100_HLG(l * white_hlg),
        ),
    }
    if name == "acescct":
        return models.log_decoding_ACEScct, models.log_encoding_ACEScct
    decode, encode = pairs[name]
    return _mirrored(decode), _mirrored(encode)


def _mirrored(function: Function) -> Function:
    """Continue a function of positive values below 0 by symmetry about the origin."""
    return lambda values: np.copysign(function(np.abs(values)), values)


def _through(image: NDArray[np.float32], function: Function) -> NDArray[np.float32]:
    """Send the colour of a picture through a function, 64 rows at a time to keep float64 copies small."""
    out = image.copy()
    with np.errstate(all="ignore"):
        for y in range(0, image.shape[0], 64):
            rows = image[y : y + 64, :, :3].astype(np.float64)
            out[y : y + 64, :, :3] = function(rows)
    return out
