"""Convert: another transfer function, other primaries or a registered colour space, there and back without a loss."""

from __future__ import annotations

import functools
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels import balance as kernel
from ..kernels import colour as colour_kernel
from ..kernels import tables
from ..kernels.arrays import Floats, as_picture, checked, copied, output
from ..kernels.errors import PictureError
from .balance import TRANSFERS, colour_science
from .declare import Node, ParamError, Picture, choice, nearest, text

Doubles = NDArray[np.float64]
Function = Callable[[Doubles], Doubles]

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


_USUAL_PRIMARIES = {"pq": "bt2020", "hlg": "bt2020", "acescct": "acescg", "gamma26": "p3_dci"}
"""Primaries that a transfer function usually comes with, where they are not BT.709."""

_ALSO_CALLED = {
    "itu-r bt.2100 pq": "pq",
    "st 2084": "pq",
    "itu-r bt.2100 hlg": "hlg",
    "arib std-b67": "hlg",
    "itu-r bt.709": "bt709",
    "itu-r bt.1886": "bt1886",
    "srgb": "srgb",
    "acescct": "acescct",
}
"""Registered names of transfer functions that have a short name here."""

_CODES = "codes"

_ONE_WAY = {"ACESproxy", "DICOM GSDF"}
"""Registered curves that round to whole codes or end above black, so that no picture comes back through them."""


@dataclass(frozen=True)
class Space:
    """What the numbers of a picture mean: a transfer function, primaries, and which scale the function counts on.

    :ivar transfer: a key of the tables here, or the registered name of a curve in colour-science.
    :ivar primaries: a key of :data:`PRIMARIES`, or the registered name of a colour space.
    :ivar codes: the curve is defined on the whole scale of code values while 0 to 1 of the picture is studio range.
    """

    transfer: str = "bt709"
    primaries: str = "bt709"
    codes: bool = False

    @classmethod
    def parse(cls, name: str) -> Space:
        """Read a name such as ``hlg``, ``pq:p3_d65``, ``Display P3`` or ``CURVE:PRIMARIES:codes``.

        A part is a short name of the tables here or, in any case, a name registered in colour-science: of a colour
        space (curve and primaries in one) or of a curve, which then needs its primaries. Raises ParamError.
        """
        transfer, *rest = [part.strip() for part in name.split(":")]
        codes = rest[-1:] == [_CODES]
        rest = rest[: len(rest) - codes]
        if len(rest) > 1 or not transfer:
            raise ParamError(
                f"Colour space {name!r} must be written NAME, CURVE:PRIMARIES or CURVE:PRIMARIES:{_CODES}."
            )
        if not rest:
            return cls(*_named(transfer, name), codes)
        return cls(_curve(transfer, name), _primaries(rest[0], name), codes)

    def __str__(self) -> str:
        return ":".join((self.transfer, self.primaries, *([_CODES] if self.codes else [])))


WORKING = Space()
"""The signal that the skin line is read in: BT.709."""


def _named(name: str, given: str) -> tuple[str, str]:
    """Return the transfer function and primaries that a single name stands for."""
    short = _ALSO_CALLED.get(name.casefold(), name.casefold())
    if short in TRANSFERS | FURTHER_TRANSFERS:
        return short, _USUAL_PRIMARIES.get(short, "bt709")
    if short in PRIMARIES:
        return "linear", short
    spaces = _spaces()
    if name.casefold() in spaces:
        return (spaces[name.casefold()],) * 2
    if name.casefold() in _curves():
        raise ParamError(f"Colour space {given!r} is a curve alone: add its primaries, {name}:PRIMARIES.")
    raise ParamError(_unknown("Colour space", given, [*_SHORT, *spaces.values()]))


_SHORT = (*TRANSFERS, *FURTHER_TRANSFERS, *PRIMARIES)


def _unknown(what: str, name: str, known: list[str]) -> str:
    fix = nearest(name, known) or f"Use one of {', '.join(_SHORT)}, or a name registered in colour-science."
    return f"{what} {name!r} is unknown. {fix}"


def _curves() -> dict[str, str]:
    """The registered curves that can be followed both ways, by their names in small letters."""
    science = colour_science()
    both = set(science.CCTF_DECODINGS) & set(science.CCTF_ENCODINGS) | set(science.LOG_DECODINGS)
    return {name.casefold(): name for name in both - _ONE_WAY}


def _spaces() -> dict[str, str]:
    """The registered colour spaces, by their names in small letters."""
    return {name.casefold(): name for name in colour_science().RGB_COLOURSPACES if name not in _ONE_WAY}


def _curve(name: str, given: str) -> str:
    short = _ALSO_CALLED.get(name.casefold(), name.casefold())
    if short in TRANSFERS | FURTHER_TRANSFERS:
        return short
    known = _spaces() | _curves()
    if name.casefold() not in known:
        raise ParamError(_unknown(f"In the colour space {given!r}, the curve", name, list(known.values())))
    return known[name.casefold()]


def _primaries(name: str, given: str) -> str:
    if name.casefold() in PRIMARIES:
        return name.casefold()
    known = _spaces()
    if name.casefold() not in known:
        raise ParamError(
            _unknown(f"In the colour space {given!r}, the set of primaries", name, [*PRIMARIES, *known.values()])
        )
    return known[name.casefold()]


@functools.lru_cache(maxsize=64)
def primaries_matrix(source: str, target: str) -> tuple[tuple[float, ...], ...]:
    """Return the 3×3 matrix from one set of primaries to another in linear light, whites adapted by Bradford.

    :param source, target: keys of :data:`PRIMARIES`, or registered names of colour spaces.

    Source: the standards named there, through colour-science; SMPTE RP 177 for the derivation.
    """
    to_xyz, white = _rgb_to_xyz(source)
    from_xyz, other_white = _rgb_to_xyz(target)
    adaptation = colour_science().adaptation.matrix_chromatic_adaptation_VonKries(white, other_white, "Bradford")
    matrix = np.linalg.inv(from_xyz) @ adaptation @ to_xyz
    return tuple(tuple(float(v) for v in row) for row in matrix)


def primaries_of(name: str) -> Doubles:
    """Return CIE x and y of red, green, blue and white, (4, 2), of a key of :data:`PRIMARIES` or a registered name."""
    space = colour_science().RGB_COLOURSPACES[_SPACES.get(name, name)]
    points: Doubles = np.vstack([space.primaries, space.whitepoint])
    return points


def decode(curve: str, values: Doubles) -> Doubles:
    """Return the linear light of a signal (N, 3), by the short or registered name of its transfer function."""
    return _quiet(_further(curve)[0])(values)


def _rgb_to_xyz(name: str) -> tuple[Doubles, Doubles]:
    science = colour_science()
    space = science.RGB_COLOURSPACES[_SPACES.get(name, name)]
    matrix = science.models.normalised_primary_matrix(space.primaries, space.whitepoint)
    return matrix, science.xy_to_XYZ(space.whitepoint)


@dataclass(frozen=True)
class ConvertColour(Node):
    """Convert the picture from one transfer function and set of primaries to another, through linear light.

    Nothing is clamped; values below 0 follow the curves mirrored about 0, so a conversion there and back returns the
    picture. Equal settings on both sides return it bit-identical.

    >>> ConvertColour().is_identity()
    True
    >>> white = np.ones((2, 2, 3), np.float32)
    >>> bool((ConvertColour().process(white) == white).all())
    True
    """

    name = "convert_colour"
    label = "Convert colour"
    group = "light"
    pixelwise = True

    from_transfer: str = choice("bt709", TRANSFERS | FURTHER_TRANSFERS, "Transfer function of the picture.")
    to_transfer: str = choice("bt709", TRANSFERS | FURTHER_TRANSFERS, "Transfer function to convert to.")
    from_primaries: str = choice("bt709", PRIMARIES, "Primaries of the picture.")
    to_primaries: str = choice("bt709", PRIMARIES, "Primaries to convert to.")
    from_space: str = text("", "Colour space of the picture by its registered name, instead of the two above.")
    to_space: str = text("", "Colour space to convert to by its registered name, instead of the two above.")

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in ("from_space", "to_space"):
            if getattr(self, name):
                object.__setattr__(self, name, str(Space.parse(getattr(self, name))))

    def spaces(self) -> tuple[Space, Space]:
        """Return the colour space of the picture and that of the result."""
        source = Space.parse(self.from_space) if self.from_space else Space(self.from_transfer, self.from_primaries)
        target = Space.parse(self.to_space) if self.to_space else Space(self.to_transfer, self.to_primaries)
        return source, target

    def output_space(self) -> str:
        """Return the colour space that is converted to."""
        return str(self.spaces()[1])

    def is_identity(self) -> bool:
        """Tell whether both sides are the same."""
        source, target = self.spaces()
        return source == target

    def process(self, image: Picture, *, out: Floats | None = None) -> Picture:
        """Return the converted picture."""
        image = as_picture(image)
        return _convert(image, *self.spaces(), checked(out, image.shape, image))

    def inverse(self) -> ConvertColour:
        """Return the conversion that takes the result back."""
        return ConvertColour(
            self.to_transfer,
            self.from_transfer,
            self.to_primaries,
            self.from_primaries,
            self.to_space,
            self.from_space,
        )


@dataclass(frozen=True)
class ReturnColour(ConvertColour):
    """Convert a corrected picture back to where it came from; pixels that nothing touched get their first bits back.

    ``before`` is the picture as the correction got it, ``original`` the same before it was converted. Where the
    corrected picture still has the bits of ``before``, the result has those of ``original``; all other pixels are
    converted.

    >>> white = np.ones((2, 2, 3), np.float32)
    >>> bool((ReturnColour().process(white, white, white) == white).all())
    True
    """

    name = "return_colour"
    label = "Return colour"

    def is_identity(self) -> bool:
        """Say no: where nothing touched the picture, the result is the original and not the picture."""
        return False

    def process(  # type: ignore[override]
        self, image: Picture, before: Picture, original: Picture, *, out: Floats | None = None
    ) -> Picture:
        """Return the picture in its first colour space."""
        image, before, original = as_picture(image), as_picture(before), as_picture(original)
        if not image.shape == before.shape == original.shape:
            raise PictureError(
                f"The picture {image.shape}, the one before {before.shape} and the original {original.shape} must "
                "have the same size and channels."
            )
        out = output(out, original.shape, image, before, original)
        np.copyto(out, original)
        spaces = self.spaces()
        for y in range(0, image.shape[0], _ROWS):
            rows = slice(y, y + _ROWS)
            now, then = image[rows].view(np.uint32), before[rows].view(np.uint32)
            touched = (now[..., :3] != then[..., :3]).any(axis=2)
            if touched.any():
                out[rows][touched] = _convert(image[rows], *spaces)[touched]
            out[rows][..., 3:] = image[rows][..., 3:]
        return out


def enter_space(name: str, working: Space = WORKING) -> ConvertColour:
    """Return the conversion from a colour space, by any name that :meth:`Space.parse` reads, to the working signal.

    :param working: BT.709, or another transfer function with its primaries.

    >>> enter_space("bt709").is_identity()
    True
    """
    return _between(Space.parse(name), working)


def leave_space(name: str, working: Space = WORKING) -> ConvertColour:
    """Return the conversion from the working signal to a colour space, by any name that :meth:`Space.parse` reads.

    >>> leave_space("bt709").is_identity()
    True
    """
    return _between(working, Space.parse(name))


def return_to_space(name: str, working: Space = WORKING) -> ReturnColour:
    """Return the way back after :func:`enter_space`, which keeps the bits of untouched pixels.

    >>> type(return_to_space("srgb")).__name__
    'ReturnColour'
    """
    return ReturnColour(**dict(leave_space(name, working).config()["params"]))


def _between(source: Space, target: Space) -> ConvertColour:
    """Return a conversion that says as much as it can with the declared choices."""
    params: dict[str, str] = {}
    for side, space in (("from", source), ("to", target)):
        if space.transfer in TRANSFERS | FURTHER_TRANSFERS and space.primaries in PRIMARIES and not space.codes:
            params |= {f"{side}_transfer": space.transfer, f"{side}_primaries": space.primaries}
        else:
            params[f"{side}_space"] = str(space)
    return ConvertColour(**params)


_ROWS = 64
"""Rows that are converted at a time, to keep float64 copies small."""


def _convert(image: Picture, source: Space, target: Space, out: Floats | None = None) -> Picture:
    if source == target:
        return copied(image, out)
    same_primaries = source.primaries == target.primaries
    matrix = np.eye(3) if same_primaries else primaries_matrix(source.primaries, target.primaries)
    before, after = _kernel_transfer(source), _kernel_transfer(target)
    if before is None:
        image = tables.through_table(image, _decoding_table(source))
    if after is not None:
        return kernel.adapt(image, matrix, before or "linear", out=out, to_transfer=after)
    result = kernel.adapt(image, matrix, before or "linear", to_transfer="linear")
    return tables.through_table(result, _encoding_table(target), out)


def _kernel_transfer(space: Space) -> str | None:
    """The transfer function where the kernels have it in themselves."""
    return space.transfer if space.transfer in colour_kernel.TRANSFERS and not space.codes else None


@functools.lru_cache(maxsize=8)
def _decoding_table(space: Space) -> NDArray[np.float32]:
    decode = _quiet(_further(space.transfer)[0])
    return tables.table_of((lambda v: decode(_STUDIO_LOW + v * _STUDIO_SPAN)) if space.codes else decode)


@functools.lru_cache(maxsize=8)
def _encoding_table(space: Space) -> NDArray[np.float32]:
    encode = _quiet(_further(space.transfer)[1])
    return tables.table_of((lambda l: (encode(l) - _STUDIO_LOW) / _STUDIO_SPAN) if space.codes else encode)


def _quiet(function: Function) -> Function:
    """Leave out remarks on numbers outside a curve's own range: its results tell."""

    def run(values: Doubles) -> Doubles:
        with np.errstate(all="ignore"), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return np.asarray(function(values))

    return run


_STUDIO_LOW, _STUDIO_SPAN = 64 / 1023, 876 / 1023
"""Studio range on the whole scale of 10-bit codes (BT.709-6 item 4.5)."""


# --- transfer functions that colour-science holds -----------------------------------------------------------


def _further(name: str) -> tuple[Function, Function]:
    """Return the functions from signal to linear light and back."""
    science = colour_science()
    models = science.models
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
    if name in pairs:
        decode, encode = pairs[name]
        return _mirrored(decode), _mirrored(encode)
    if name in colour_kernel.TRANSFERS:
        return _of_kernel(name)
    if name in science.RGB_COLOURSPACES:
        space = science.RGB_COLOURSPACES[name]
        return _continued(space.cctf_decoding or _as_is), _continued(space.cctf_encoding or _as_is)
    return (
        _continued(functools.partial(science.cctf_decoding, function=name)),
        _continued(functools.partial(science.cctf_encoding, function=name)),
    )


def _continued(function: Function) -> Function:
    """Where a function has no value below 0, continue it there by symmetry about the origin."""

    def whole(values: Doubles) -> Doubles:
        result = np.asarray(function(values))
        open_ended = np.isnan(result) & (values < 0)
        if open_ended.any():
            result = np.where(open_ended, -np.asarray(function(np.abs(values))), result)
        return result

    return whole


def _as_is(values: Doubles) -> Doubles:
    return values


def _of_kernel(name: str) -> tuple[Function, Function]:
    """The kernel's own curves as functions of float64."""

    def decode(values: Doubles) -> Doubles:
        rows = np.ascontiguousarray(values, np.float32).reshape(-1, 1, 3)
        return kernel.adapt(rows, np.eye(3), name, to_transfer="linear").reshape(values.shape).astype(np.float64)

    def encode(values: Doubles) -> Doubles:
        rows = np.ascontiguousarray(values, np.float32).reshape(-1, 1, 3)
        return kernel.adapt(rows, np.eye(3), "linear", to_transfer=name).reshape(values.shape).astype(np.float64)

    return decode, encode


def _mirrored(function: Function) -> Function:
    """Continue a function of positive values below 0 by symmetry about the origin."""
    return lambda values: np.copysign(function(np.abs(values)), values)
