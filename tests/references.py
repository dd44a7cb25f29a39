"""Slow, obvious float64 oracles in plain numpy, each written straight from its published formula."""

from __future__ import annotations

import numpy as np

KR_KB = {"601": (0.299, 0.114), "709": (0.2126, 0.0722), "2020": (0.2627, 0.0593)}
ALPHA, BETA = 1.09929682680944, 0.018053968510807  # BT.2020-2 table 4, unrounded


def luma(rgb: np.ndarray, standard: str = "709") -> np.ndarray:
    """Y′ of R′G′B′ (…, 3): BT.601-7, BT.709-6 or BT.2020-2 weights."""
    kr, kb = KR_KB[standard]
    rgb = np.asarray(rgb, np.float64)
    return kr * rgb[..., 0] + (1 - kr - kb) * rgb[..., 1] + kb * rgb[..., 2]


def ycbcr(rgb: np.ndarray, standard: str = "709") -> np.ndarray:
    """Y′CbCr of R′G′B′ (…, 3), Cb and Cr within ±0.5."""
    kr, kb = KR_KB[standard]
    rgb = np.asarray(rgb, np.float64)
    y = luma(rgb, standard)
    return np.stack([y, (rgb[..., 2] - y) / (2 * (1 - kb)), (rgb[..., 0] - y) / (2 * (1 - kr))], axis=-1)


def angle(rgb: np.ndarray, standard: str = "709") -> np.ndarray:
    """Hue angle of R′G′B′ (…, 3) in degrees, 0 to 360, counter-clockwise from +Cb in the Cb/Cr plane."""
    _, cb, cr = np.moveaxis(ycbcr(rgb, standard), -1, 0)
    return np.degrees(np.arctan2(cr, cb)) % 360


def decode(signal: np.ndarray, name: str) -> np.ndarray:
    """Linear light of a signal, odd about 0: BT.709-6 inverted, BT.1886 with black at 0, IEC 61966-2-1."""
    signal = np.asarray(signal, np.float64)
    v = np.abs(signal)
    if name == "bt709":
        light = np.where(v > 4.5 * BETA, ((v + ALPHA - 1) / ALPHA) ** (1 / 0.45), v / 4.5)
    elif name == "bt1886":
        light = v**2.4
    elif name == "srgb":
        light = np.where(v > 0.04045, ((v + 0.055) / 1.055) ** 2.4, v / 12.92)
    elif name == "linear":
        light = v
    return np.sign(signal) * light


def encode(light: np.ndarray, name: str) -> np.ndarray:
    """Signal of linear light, odd about 0: the inverse of :func:`decode`."""
    light = np.asarray(light, np.float64)
    v = np.abs(light)
    if name == "bt709":
        signal = np.where(v > BETA, ALPHA * v**0.45 - (ALPHA - 1), 4.5 * v)
    elif name == "bt1886":
        signal = v ** (1 / 2.4)
    elif name == "srgb":
        signal = np.where(v > 0.04045 / 12.92, 1.055 * v ** (1 / 2.4) - 0.055, 12.92 * v)
    elif name == "linear":
        signal = v
    return np.sign(light) * signal


def typology_angle(lightness: float, b: float) -> float:
    """Individual typology angle in degrees: arctan((L* − 50) / b*) (Chardon 1991, from memory)."""
    return float(np.degrees(np.arctan2(lightness - 50, b)))


def read_matte(path):
    """The first channel of a picture file, as OpenImageIO alone reads it."""
    import OpenImageIO as oiio

    return oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT)[..., 0]
