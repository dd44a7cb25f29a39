"""Measured skins and test colours from published spectra, as signals; and colour differences by colour-science."""

from __future__ import annotations

import importlib
import warnings
from functools import cache
from typing import Any

import numpy as np
import references

SOURCES = {
    "chart dark skin": "ISO 17321-1 spectra, as kept by colour-science",
    "chart light skin": "ISO 17321-1 spectra, as kept by colour-science",
    "TCS13": "CIE 13.3 spectra (skin of light complexion), as kept by colour-science",
    "TCS15": "JIS Z 8726 spectra (skin of Asian complexion), as kept by colour-science",
    "CES15": "CIE 224 spectra (human skin), as kept by colour-science",
    "CES18": "CIE 224 spectra (human skin), as kept by colour-science",
}


@cache
def colour_science() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return importlib.import_module("colour")


def _reflectance(name: str) -> Any:
    if name.startswith("chart "):
        return colour_science().SDS_COLOURCHECKERS["ISO 17321-1"][name.removeprefix("chart ")]
    if name.startswith("TCS"):
        return colour_science().quality.SDS_TCS["CIE 2024"][name]
    cfi2017 = importlib.import_module("colour.quality.cfi2017")
    samples = cfi2017.load_TCS_CIE2017(colour_science().SpectralShape(380, 780, 5))
    return samples.to_sds()[int(name.removeprefix("CES")) - 1]


@cache
def skin_signal(name: str) -> tuple[float, float, float]:
    """R′G′B′ (BT.709 primaries, inverse of BT.1886) of a patch under D65, a perfect white at 1, in float64."""
    library = colour_science()
    observer = "CIE 1931 2 Degree Standard Observer"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # spectra are resampled to the observer's spacing
        xyz = library.sd_to_XYZ(_reflectance(name), library.MSDS_CMFS[observer], library.SDS_ILLUMINANTS["D65"]) / 100
    light = library.XYZ_to_RGB(xyz, "ITU-R BT.709", library.CCS_ILLUMINANTS[observer]["D65"])
    red, green, blue = references.encode(light, "bt1886")
    return float(red), float(green), float(blue)


def colour_difference(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """CIE ΔE00 of two BT.1886 signals (…, 3), negative light cut: by colour-science (CIE 142-2001, D65)."""
    labs = []
    for signal in (first, second):
        light = references.decode(np.maximum(np.asarray(signal, np.float64)[..., :3], 0), "bt1886")
        space = colour_science().RGB_COLOURSPACES["ITU-R BT.709"]
        labs.append(colour_science().XYZ_to_Lab(light @ space.matrix_RGB_to_XYZ.T, space.whitepoint))
    return np.asarray(colour_science().delta_E(labs[0], labs[1], method="CIE 2000"))
