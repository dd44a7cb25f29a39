"""Balance: take the colour of the light out of the picture, by temperature and tint or from a neutral sample."""

from __future__ import annotations

import functools
import importlib
import importlib.metadata
import math
import sys
import warnings
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..kernels import balance as kernel
from ..kernels import colour as colour_kernel
from ..kernels.arrays import Floats, as_picture, copied
from ..kernels.errors import InkarnatError
from .declare import Node, Picture, choice, number
from .sample import Sample

TRANSFERS = {
    "bt709": "Inverse of the BT.709 camera curve: what most camera video was recorded with.",
    "bt1886": "The BT.1886 display curve (power 2.4): pictures finished for a television screen.",
    "srgb": "The sRGB curve (IEC 61966-2-1): photographs and computer pictures.",
    "linear": "None: the picture already holds linear light.",
}

D65_XY = (0.3127, 0.3290)
"""Chromaticity of the white of BT.709 (item 1.4 of BT.709-6)."""

_CLIPPED, _DARK = 0.98, 0.02
_MOST_CLIPPED = 0.05
_COOLEST, _WARMEST = 25000.0, 2200.0
_MOST_DUV = 0.025


class BalanceError(InkarnatError, ValueError):
    """A sample or picture from which no balance can be read."""


def colour_science() -> ModuleType:
    """Import colour-science on first use (it takes a second), without its remarks on packages it could also use."""
    known = sys.modules.get(_KEPT_AS) or sys.modules.get("colour")
    if known is not None and hasattr(known, _TELLS_IT):
        return known
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    module: ModuleType = colour
    return module if hasattr(module, _TELLS_IT) else _beside_another_colour()


_KEPT_AS, _TELLS_IT = "inkarnat.colour_science", "RGB_COLOURSPACES"


def _beside_another_colour() -> ModuleType:
    """Import colour-science where a host has a module ``colour`` of its own, which stays what it is for the host."""

    def taken() -> dict[str, ModuleType]:
        names = [name for name in sys.modules if name == "colour" or name.startswith("colour.")]
        return {name: sys.modules.pop(name) for name in names}

    theirs = taken()
    sys.path.insert(0, str(importlib.metadata.distribution("colour-science").locate_file("")))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            ours = importlib.import_module("colour")
    finally:
        del sys.path[0]
        sys.modules.pop("colour", None)
        sys.modules.update(theirs)
    sys.modules[_KEPT_AS] = ours
    _answer_for(sys.modules["colour"], ours)
    return ours


def _answer_for(theirs: ModuleType, ours: ModuleType) -> None:
    """Let a host's module answer with ours where it lacks a name: colour-science imports some of it late, by name."""
    before = getattr(theirs, "__getattr__", None)

    def answer(name: str) -> Any:
        try:
            return before(name) if before else getattr(ours, name)
        except AttributeError:
            return getattr(ours, name)

    theirs.__getattr__ = answer  # type: ignore[method-assign]


def mired(kelvin: float) -> float:
    """Return the reciprocal colour temperature in mired, 10⁶ / kelvin. Raises BalanceError for 0 K or less.

    >>> mired(5000.0)
    200.0
    """
    if not (math.isfinite(kelvin) and kelvin > 0):
        raise BalanceError(f"A colour temperature must be above 0 K, not {kelvin:g}.")
    return 1e6 / kelvin


# --- light and matrix ---------------------------------------------------------------------------------------


@functools.lru_cache(maxsize=1)
def _white() -> tuple[float, float]:
    """Return mired and Duv of the BT.709 white."""
    return _mired_and_duv(np.array(D65_XY))


def _mired_and_duv(xy: NDArray[np.float64]) -> tuple[float, float]:
    science = colour_science()
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a colour that is no light's is refused by its figures
        kelvin, duv = science.temperature.uv_to_CCT_Ohno2013(science.xy_to_UCS_uv(xy))
    return 1e6 / float(kelvin), float(duv)


@functools.lru_cache(maxsize=1)
def _rgb_to_xyz() -> NDArray[np.float64]:
    science = colour_science()
    primaries = science.RGB_COLOURSPACES["ITU-R BT.709"].primaries
    matrix: NDArray[np.float64] = science.models.normalised_primary_matrix(primaries, D65_XY)
    return matrix


def light(temperature: float, tint: float) -> tuple[float, float]:
    """Return the chromaticity x, y of the light that a balance of these settings turns into neutral.

    :param temperature: mired; positive warms the picture, so the light is that much cooler than the white of BT.709.
    :param tint: Duv; positive turns the picture toward magenta, so the light is that much greener.

    Source: Y. Ohno, "Practical use and calculation of CCT and Duv", Leukos 10, 2014, through colour-science.
    """
    science = colour_science()
    white, duv = _white()
    uv = science.temperature.CCT_to_uv_Ohno2013(np.array([1e6 / (white - temperature), duv + tint]))
    x, y = science.UCS_uv_to_xy(uv)
    return float(x), float(y)


@functools.lru_cache(maxsize=1024)
def balance_matrix(temperature: float, tint: float) -> tuple[tuple[float, ...], ...]:
    """Return the 3×3 matrix of a balance in linear BT.709 light: Bradford adaptation from its light to D65.

    :param temperature: mired. :param tint: Duv. See :func:`light`. The matrix keeps the luminance of neutrals lit by
        that light as the adaptation does: a light of luminance 1 becomes white.

    Source: K. M. Lam 1985 (Bradford), as in ICC.1 annex E, through colour-science.
    """
    science = colour_science()
    to_xyz = _rgb_to_xyz()
    source = science.xy_to_XYZ(light(temperature, tint))
    adaptation = science.adaptation.matrix_chromatic_adaptation_VonKries(source, science.xy_to_XYZ(D65_XY), "Bradford")
    matrix = np.linalg.inv(to_xyz) @ adaptation @ to_xyz
    return tuple(tuple(float(v) for v in row) for row in matrix)


@dataclass(frozen=True)
class Balance(Node):
    """Expose the picture, warm or cool it and turn it toward green or magenta, as a change of its light.

    Temperature moves along the Planckian locus at the white's own distance from it, which is close to daylight;
    tint moves across. A Bradford matrix carries the change out in linear light, and the exposure, a doubling for each
    stop, with it. Nothing is clamped. Neutral
    settings return the picture bit-identical.

    >>> grey = np.full((2, 2, 3), 0.5, np.float32)
    >>> round(float(Balance(exposure=1.0).process(grey)[0, 0, 0]), 3)
    0.719
    """

    name = "balance"
    label = "Balance"
    group = "balance"
    pixelwise = True
    reads_signal = True

    temperature: float = number(
        0.0, -400, 120, "Lower cools toward blue, higher warms toward amber.", unit="mired", shown=(-150, 100)
    )
    tint: float = number(
        0.0,
        -0.05,
        0.05,
        "Across the temperature: lower turns toward green, higher toward magenta.",
        unit="Duv",
        shown=(-0.03, 0.03),
    )
    transfer: str = choice("bt709", TRANSFERS, "How the picture's signal becomes linear light.")
    exposure: float = number(
        0.0, -8, 8, "Below 0 darkens, above 0 brightens: light doubled for each stop.", unit="stops", shown=(-3, 3)
    )

    def is_identity(self) -> bool:
        """Tell whether the settings are neutral."""
        return self.temperature == 0 and self.tint == 0 and self.exposure == 0

    def process(self, image: Picture, *, out: Floats | None = None) -> Picture:
        """Return the balanced picture."""
        if self.is_identity():
            return copied(as_picture(image), out)
        return kernel.adapt(image, self.matrix(), self.transfer, out=out)

    def kelvin(self) -> float:
        """Return the colour temperature of the light that comes out neutral."""
        return 1e6 / (_white()[0] - self.temperature)

    def matrix(self) -> tuple[tuple[float, ...], ...]:
        """Return the 3×3 matrix of the settings in linear BT.709 light."""
        matrix = balance_matrix(self.temperature, self.tint)
        if self.exposure == 0:
            return matrix
        return tuple(tuple(v * 2.0**self.exposure for v in row) for row in matrix)


# --- solving ------------------------------------------------------------------------------------------------


def solve_balance(image: Picture, neutral: Sample | None = None, transfer: str = "bt709") -> Balance:
    """Return the balance that turns a neutral sample grey; without a sample, a suggestion from the picture's edges.

    :param image: float32 (H, W, 3 or 4), R′G′B′. Pixels that are not finite are left out.
    :param neutral: a place that shows something grey or white, neither clipped nor black.
    :param transfer: see :class:`Balance`.
    :raises BalanceError: the sample is clipped, too dark, without a finite pixel or strongly coloured; or the
        picture has no edges to judge by. :raises PictureError: wrong array. :raises ValueRangeError: unknown transfer.

    The sample's mean is taken in linear light; its temperature and Duv (Ohno 2014) give the settings directly, which
    map it to R = G = B. The suggestion is the grey-edge method: the p-norm (p = 6) of the colour derivatives at
    σ = 2 pixels of the picture reduced to at most 640 pixels on its long side.
    Source: J. van de Weijer, T. Gevers, A. Gijsenij, "Edge-based color constancy", IEEE Trans. Image Process. 16, 2007.

    >>> from inkarnat.nodes import Sample
    >>> warm = np.full((90, 160, 3), (0.55, 0.5, 0.45), np.float32)  # a grey card in warm light
    >>> solve_balance(warm, Sample.box(0, 0, 1, 1)).temperature < 0
    True
    """
    colour_kernel.transfer(transfer)
    image = as_picture(image)
    if neutral is None:
        return _settings(
            _grey_edge(image, transfer), transfer, "The edges of the picture are", "Give a neutral sample."
        )
    pixels = image[neutral.mask(*image.shape[:2])][:, :3]
    mean = _patch_mean(pixels, transfer, f"Neutral sample {neutral}")
    return _settings(mean, transfer, f"Neutral sample {neutral} is", "Choose something grey or white.")


def _patch_mean(pixels: NDArray[np.float32], transfer: str, name: str) -> NDArray[np.float64]:
    """Return the linear mean of a patch (N, 3), or raise BalanceError where it cannot be trusted."""
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    if not len(pixels):
        raise BalanceError(f"{name} holds no finite pixel. Choose another place.")
    clipped, dark = (pixels >= _CLIPPED).any(axis=1), (pixels <= _DARK).any(axis=1)
    if clipped.mean() > _MOST_CLIPPED:
        raise BalanceError(
            f"{name} is clipped: {clipped.mean():.0%} of its pixels have a component of {_CLIPPED:g} or more, "
            f"at most {_MOST_CLIPPED:.0%} may. Choose a darker grey."
        )
    if dark.mean() > _MOST_CLIPPED:
        raise BalanceError(
            f"{name} is too dark: {dark.mean():.0%} of its pixels have a component of {_DARK:g} or less, "
            f"at most {_MOST_CLIPPED:.0%} may. Choose a brighter grey."
        )
    usable = pixels[~clipped & ~dark]
    mean: NDArray[np.float64] = colour_kernel.decode(usable[None], transfer)[0].mean(axis=0, dtype=np.float64)
    return mean


def _settings(rgb: NDArray[np.float64], transfer: str, what: str, fix: str) -> Balance:
    """Return the balance for a light of linear R, G, B, or raise BalanceError where that is no light's colour."""
    xyz = _rgb_to_xyz() @ rgb
    temperature, duv = _mired_and_duv(xyz[:2] / xyz.sum())
    kelvin = 1e6 / temperature
    white, white_duv = _white()
    if not (_WARMEST <= kelvin <= _COOLEST and abs(duv - white_duv) <= _MOST_DUV):
        red, green, blue = rgb / rgb.max()
        raise BalanceError(
            f"{what} strongly coloured (linear red, green, blue {red:.2f}, {green:.2f}, {blue:.2f}): a light lies "
            f"between {_WARMEST:g} and {_COOLEST:g} K and within {_MOST_DUV:g} Duv of daylight. {fix}"
        )
    return Balance(temperature=white - temperature, tint=duv - white_duv, transfer=transfer)


def _grey_edge(image: NDArray[np.float32], transfer: str) -> NDArray[np.float64]:
    """Return the colour of the light as the 6-norm of its edges, in linear R, G, B."""
    linear, usable = _reduced(image, transfer)
    smooth, slope = _gaussian(2.0)
    whole = _filtered(_filtered(usable, smooth, 0), smooth, 1) > 1 - 1e-6
    across = _filtered(_filtered(linear, smooth, 0), slope, 1)
    down = _filtered(_filtered(linear, slope, 0), smooth, 1)
    edges = np.hypot(across, down)[whole[..., 0]]
    largest = float(edges.max(initial=0.0))
    if largest < 1e-5:
        raise BalanceError(
            "The picture has no edges between well exposed tones to judge the light by. Give a neutral sample."
        )
    return np.asarray(((edges / largest) ** 6).mean(axis=0) ** (1 / 6))


def _reduced(image: NDArray[np.float32], transfer: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return linear light (h, w, 3) in block means of at most 640 on the long side, and 1 where all of it is usable."""
    signal = image[..., :3]
    usable: NDArray[np.bool_] = np.all(np.isfinite(signal) & (signal < _CLIPPED) & (signal > 0), axis=2)
    linear = colour_kernel.decode(np.where(usable[..., None], signal, np.float32(0)), transfer)
    block = max(1, -(-max(usable.shape) // 640))
    block = min(block, *usable.shape)
    height, width = (side // block for side in usable.shape)
    crop = np.s_[: height * block, : width * block]
    means: NDArray[np.float64] = linear[crop].reshape(height, block, width, block, 3).mean((1, 3), dtype=np.float64)
    whole: NDArray[np.bool_] = np.all(usable[crop].reshape(height, block, width, block), axis=(1, 3))
    return means, whole.astype(np.float64)[..., None]


def _gaussian(sigma: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a Gaussian and its derivative, sampled out to 4 sigma."""
    x = np.arange(-round(4 * sigma), round(4 * sigma) + 1)
    smooth = np.exp(-0.5 * (x / sigma) ** 2)
    smooth /= smooth.sum()
    return smooth, x / sigma**2 * smooth


def _filtered(planes: NDArray[np.float64], taps: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Correlate planes (H, W, N) with taps along one axis; the outermost pixel continues beyond the edge."""
    radius = len(taps) // 2
    margins = [(0, 0)] * 3
    margins[axis] = (radius, radius)
    padded = np.pad(planes, margins, mode="edge")
    length = planes.shape[axis]
    result = np.zeros_like(planes)
    for k, tap in enumerate(taps):
        part = padded[k : k + length] if axis == 0 else padded[:, k : k + length]
        result += tap * part
    return result
