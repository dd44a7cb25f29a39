"""Codes: integer code values of files and video planes, to float pictures and back, keeping what did not change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, as_picture, as_plane, output, scratch
from .colour import HUGE, ZERO, F, clamp, luma_row, ycbcr_matrix
from .devices import on_device_in_use, on_devices
from .errors import PictureError, ValueRangeError
from .jit import inline, strip_kernel, subroutine
from .rows import copy_row
from .steer import rotation, turn_px
from .strips import RING, STRIP, Stage, over_rows, over_stages, thread_count

Codes = NDArray[Any]
"""uint8 or uint16."""
Planes = tuple[Codes, ...]
"""Y′, Cb, Cr (or R′, G′, B′) and perhaps alpha, each uint8 or uint16 (rows, columns)."""

SUBSAMPLING = {"4:4:4": (1, 1), "4:2:2": (2, 1), "4:2:0": (2, 2), "4:1:1": (4, 1), "4:4:0": (1, 2)}
"""Luma columns and rows for one chroma sample, by name."""

SITING = {"left": (True, False), "centre": (False, False), "corner": (True, True)}
"""Whether chroma sits on the first luma column and on the first luma row of its group, by name."""


@dataclass(frozen=True)
class Coding:
    """How three planes of integer codes stand for R′G′B′.

    :ivar bits: 8 to 16 bits a sample; 8 is stored in uint8, more in uint16 (low bits).
    :ivar studio: 16 to 235 and 16 to 240 at 8 bits (True), or every code (False).
    :ivar standard: "601", "709", "2020", or "rgb" for planes that hold R′, G′, B′ themselves.
    :ivar subsampling: a key of :data:`SUBSAMPLING`.
    :ivar siting: a key of :data:`SITING`; counts only along an axis that is sub-sampled. "left" is what H.264
        and BT.709 video use, "centre" JPEG, "corner" BT.2020.

    Raises ValueRangeError for a value that is not allowed.

    Source: BT.709-6 items 3.4 and 4.2, BT.2020-2 tables 3 and 5, ITU-T H.273 equations for full range.
    """

    bits: int = 8
    studio: bool = True
    standard: str = "709"
    subsampling: str = "4:2:0"
    siting: str = "left"

    def __post_init__(self) -> None:
        if not 8 <= self.bits <= 16:
            raise ValueRangeError(f"Code values must have 8 to 16 bits, not {self.bits}.")
        if self.subsampling not in SUBSAMPLING:
            known = ", ".join(SUBSAMPLING)
            raise ValueRangeError(f"Sub-sampling {self.subsampling!r} is unknown: use one of {known}.")
        if self.siting not in SITING:
            raise ValueRangeError(f"Chroma siting {self.siting!r} is unknown: use one of {', '.join(SITING)}.")
        if self.standard == "rgb" and self.subsampling != "4:4:4":
            raise ValueRangeError(f"Planes of the standard rgb must be 4:4:4, not {self.subsampling}.")
        self._forward()

    @property
    def dtype(self) -> type[np.uint8] | type[np.uint16]:
        """The type of the planes."""
        return np.uint8 if self.bits == 8 else np.uint16

    @property
    def top(self) -> int:
        """The highest code value."""
        return (1 << self.bits) - 1

    def shapes(self, height: int, width: int) -> list[tuple[int, int]]:
        """Return the shapes of the three planes of a (height, width) picture; odd sizes round up."""
        across, down = SUBSAMPLING[self.subsampling]
        chroma = (-(-height // down), -(-width // across))
        return [(height, width), chroma, chroma]

    @property
    def offsets(self) -> tuple[int, int]:
        """The code of black in the first plane, and the code of zero in the other two."""
        if self.standard == "rgb":
            return self._black, self._black
        return self._black, 1 << (self.bits - 1)

    @property
    def limits(self) -> tuple[int, int]:
        """The lowest and highest code for picture content: 1 to 254 at 8 bits in studio range (BT.709-6 item 4.5)."""
        unit = 1 << (self.bits - 8)
        return (unit, self.top - unit) if self.studio else (0, self.top)

    @property
    def _black(self) -> int:
        return 16 << (self.bits - 8) if self.studio else 0

    def _forward(self) -> NDArray[np.float64]:
        """The 3×3 matrix from R′G′B′ to code values above the offsets."""
        unit = 1 << (self.bits - 8)
        luma = 219 * unit if self.studio else self.top
        chroma = 224 * unit if self.studio else self.top
        if self.standard == "rgb":
            return np.eye(3) * luma
        return np.diag([luma, chroma, chroma]) @ ycbcr_matrix(self.standard)

    def encoding(self) -> tuple[np.float32, ...]:
        """The 3×3 matrix from R′G′B′ to codes, nine numbers in row order."""
        return tuple(F(v) for v in self._forward().ravel())

    def decoding(self) -> tuple[np.float32, ...]:
        """The 3×3 matrix from codes above the offsets to R′G′B′, nine numbers in row order."""
        return tuple(F(v) for v in np.linalg.inv(self._forward()).ravel())


# --- dither -------------------------------------------------------------------------------------------------

_WORD = 0xFFFFFFFF
_NOISE_SCALE, _NOISE_HALF = F(0.98 / (1 << 24)), F(0.49)
_ROUND = F(0.5)


@inline
def noise_px(x, y, salt):
    """White noise within ±0.49 from the position alone; a value on a code, or 0.01 beside it, stays on that code.

    The arithmetic is that of a 32-bit multiply-and-shift hash, in integers that cannot overflow 63 bits.
    """
    h = (x * 0x1B873593 + y * 0x19D699A5 + salt * 0x2545F491) & _WORD
    h = h ^ (h >> 15)
    h = (h * 0x2C1B3C6D) & _WORD
    h = h ^ (h >> 12)
    h = (h * 0x297A2D39) & _WORD
    h = h ^ (h >> 15)
    return F(h >> 8) * _NOISE_SCALE - _NOISE_HALF


@inline
def _quantise_row(row, out, y, top, dither):
    for x in range(out.shape[0]):
        v = row[x] * top + _ROUND
        v = v + noise_px(x, y, 0) if dither else v
        out[x] = np.int32(clamp(v, ZERO, top))


@strip_kernel
def _quantise_strips(image, out, top, dither, y0, y1):
    for y in range(y0, y1):
        if dither:
            _quantise_row(image[y], out[y], y, top, True)
        else:
            _quantise_row(image[y], out[y], y, top, False)


@strip_kernel
def _dequantise_strips(codes, out, top, y0, y1):
    for y in range(y0, y1):
        row = codes[y]
        result = out[y]
        for x in range(row.shape[0]):
            result[x] = F(row[x]) / top


def _check_bits(bits: int) -> np.float32:
    if not 1 <= bits <= 16:
        raise ValueRangeError(f"Code values must have 1 to 16 bits, not {bits}.")
    return F((1 << bits) - 1)


def quantise(image: Floats, bits: int, dither: bool = True) -> Codes:
    """Turn floats into full-range integer codes, 0 to 2^bits − 1; values outside 0…1 are limited, NaN becomes 0.

    code = round(in · (2^bits − 1)), within 0 and 2^bits − 1.

    :param image: float32 of any shape with at least two axes, rows first.
    :param bits: 1 to 16; up to 8 are returned in uint8, more in uint16.
    :param dither: add noise within ±0.49 code that depends on the position alone. It keeps slow gradients free of
        steps and leaves values that already lie on a code where they are.
    :raises ValueRangeError: bits.

    >>> quantise(np.array([[0.0, 0.2, 1.0, 1.5]], np.float32), 8)
    array([[  0,  51, 255, 255]], dtype=uint8)
    """
    top = _check_bits(bits)
    flat = np.ascontiguousarray(image, np.float32).reshape(image.shape[0], -1)
    out = np.empty(flat.shape, np.uint8 if bits <= 8 else np.uint16)
    over_rows(_quantise_strips, flat.shape[0], flat, out, top, bool(dither))
    return out.reshape(image.shape)


def dequantise(codes: Codes, bits: int) -> Floats:
    """Turn full-range integer codes into floats, 2^bits − 1 becoming 1.0: the inverse of :func:`quantise`.

    out = code / (2^bits − 1).

    :param codes: uint8 or uint16 of any shape with at least two axes. :returns: float32, same shape.
    :raises ValueRangeError: bits.

    >>> dequantise(np.array([[0, 51, 255]], np.uint8), 8)
    array([[0. , 0.2, 1. ]], dtype=float32)
    """
    top = _check_bits(bits)
    flat = np.ascontiguousarray(codes).reshape(codes.shape[0], -1)
    out = np.empty(flat.shape, np.float32)
    over_rows(_dequantise_strips, flat.shape[0], flat, out, top)
    return out.reshape(codes.shape)


# --- planes to picture --------------------------------------------------------------------------------------

_PAD = 2
MARGIN = 2 * _PAD
"""Samples of chroma beside those of a run that it is interpolated from."""


def spread_weights(factor: int, on_first: bool) -> tuple[NDArray[np.int64], Floats]:
    """Where the four taps begin and what they weigh, for each of ``factor`` luma positions in a chroma group.

    Source: the cubic of Catmull and Rom (1974), exact for slopes and parabolas, its −½ … ½ form of Keys (1981).
    """
    centre = 0.0 if on_first else (factor - 1) / 2
    place = (np.arange(factor) - centre) / factor
    first = np.floor(place)
    t = place - first
    weights = np.stack(
        [
            ((-0.5 * t + 1.0) * t - 0.5) * t,
            (1.5 * t - 2.5) * t * t + 1.0,
            ((-1.5 * t + 2.0) * t + 0.5) * t,
            (0.5 * t - 0.5) * t * t,
        ],
        axis=1,
    )
    return first.astype(np.int64) - 1, weights.astype(np.float32)


@inline
def _blend_rows(a, b, c, d, w, out):
    w0, w1, w2, w3 = w[0], w[1], w[2], w[3]
    for x in range(a.shape[0]):
        out[x] = w0 * F(a[x]) + w1 * F(b[x]) + w2 * F(c[x]) + w3 * F(d[x])


@inline
def _pad_row(row, left, width):
    """Repeat the first and last of ``width`` values, which begin at ``left``, over the rest of the row."""
    for x in range(left):
        row[x] = row[left]
    for x in range(left + width, row.shape[0]):
        row[x] = row[left + width - 1]


@inline
def _near(plane, y):
    """y, or the first or last row of a plane beyond its ends."""
    return min(max(y, 0), plane.shape[0] - 1)


@inline
def _chroma_row(plane, y, down, starts, weights, c0, c1, out):
    """Columns c0 to c1 of chroma at the height of luma row y, and :data:`_PAD` more at both ends."""
    phase = y % down
    first = y // down + starts[phase]
    left, right = max(c0 - _PAD, 0), min(c1 + _PAD, plane.shape[1])
    begin = left - (c0 - _PAD)
    _blend_rows(
        plane[_near(plane, first), left:right],
        plane[_near(plane, first + 1), left:right],
        plane[_near(plane, first + 2), left:right],
        plane[_near(plane, first + 3), left:right],
        weights[phase],
        out[begin : begin + right - left],
    )
    _pad_row(out, begin, right - left)


@inline
def _spread_pair(even, odd, w, out):
    a0, a1, a2, a3 = w[0, 0], w[0, 1], w[0, 2], w[0, 3]
    b0, b1, b2, b3 = w[1, 0], w[1, 1], w[1, 2], w[1, 3]
    for x in range(out.shape[0] // 2):
        out[2 * x] = a0 * even[x] + a1 * even[x + 1] + a2 * even[x + 2] + a3 * even[x + 3]
        out[2 * x + 1] = b0 * odd[x] + b1 * odd[x + 1] + b2 * odd[x + 2] + b3 * odd[x + 3]


@inline
def _spread_any(row, starts, w, out):
    factor = starts.shape[0]
    for x in range(out.shape[0]):
        phase = x % factor
        taps = row[_PAD + x // factor + starts[phase] :]
        out[x] = w[phase, 0] * taps[0] + w[phase, 1] * taps[1] + w[phase, 2] * taps[2] + w[phase, 3] * taps[3]


@inline
def _spread_row(row, starts, weights, out):
    """Bring a padded row of chroma to luma width."""
    if starts.shape[0] == 1:
        for x in range(out.shape[0]):
            out[x] = row[_PAD + x]
    elif starts.shape[0] == 2:
        _spread_pair(row[_PAD + starts[0] :], row[_PAD + starts[1] :], weights, out)
    else:
        _spread_any(row, starts, weights, out)


@inline
def _decode_row(luma, cb, cr, out, n, black, zero, m):
    m00, m01, m02, m10, m11, m12, m20, m21, m22 = m
    for x in range(luma.shape[0]):
        y = F(luma[x]) - black
        b = cb[x] - zero
        r = cr[x] - zero
        out[n * x] = m00 * y + m01 * b + m02 * r
        out[n * x + 1] = m10 * y + m11 * b + m12 * r
        out[n * x + 2] = m20 * y + m21 * b + m22 * r


@inline
def _alpha_row(alpha, out, top):
    for x in range(alpha.shape[0]):
        out[4 * x + 3] = F(alpha[x]) / top


@inline
def _wide_chroma(planes, y, c0, c1, tables, narrow, wide_b, wide_r):
    """Columns c0 to c1 of both rows of chroma, at luma row y and luma width."""
    across, down = tables
    for k in range(2):
        _chroma_row(planes[1 + k], y, down[0].shape[0], down[0], down[1], c0, c1, narrow)
        _spread_row(narrow, across[0], across[1], wide_r if k else wide_b)


@inline
def decoded_run(planes, y, x0, x1, tables, p, narrow, wide_b, wide_r, out):
    """R′G′B′ of row y between two columns, the first of them that of a group of chroma, by :func:`decoding_of`.

    ``narrow`` is scratch memory for the samples of a row of chroma and :data:`MARGIN` more, the wide ones for luma's.
    """
    black, zero, _, m = p
    factor = tables[0][0].shape[0]
    c0, c1 = x0 // factor, (x1 + factor - 1) // factor
    count = (c1 - c0) * factor
    _wide_chroma(planes, y, c0, c1, tables, narrow[: c1 - c0 + MARGIN], wide_b[:count], wide_r[:count])
    _decode_row(planes[0][y, x0:x1], wide_b, wide_r, out, 3, black, zero, m)


@strip_kernel
def _decode_strips(planes, alpha, out, tables, p, y0, y1):
    black, zero, top, m = p
    width = planes[1].shape[1]
    narrow = np.empty(width + MARGIN, np.float32)
    wide_b = np.empty(width * tables[0][0].shape[0], np.float32)
    wide_r = np.empty(width * tables[0][0].shape[0], np.float32)
    for y in range(y0, y1):
        _wide_chroma(planes, y, 0, width, tables, narrow, wide_b, wide_r)
        if out.shape[2] == 3:
            _decode_row(planes[0][y], wide_b, wide_r, out[y].reshape(-1), 3, black, zero, m)
        else:
            _decode_row(planes[0][y], wide_b, wide_r, out[y].reshape(-1), 4, black, zero, m)
            _alpha_row(alpha[y], out[y].reshape(-1), top)


def checked_planes(planes: Planes, coding: Coding) -> Planes:
    """Return planes that fit a coding, each C-contiguous. Raises PictureError where they do not."""
    if len(planes) not in (3, 4):
        raise PictureError(f"A coded picture has three planes, or four with alpha, not {len(planes)}.")
    height, width = np.shape(planes[0])
    shapes = [*coding.shapes(height, width), (height, width)][: len(planes)]
    for plane, shape, name in zip(planes, shapes, ("first", "second", "third", "alpha"), strict=False):
        if plane.shape != shape or plane.dtype != coding.dtype or 0 in shape:
            raise PictureError(
                f"The {name} plane of {coding.bits}-bit {coding.subsampling} codes must be "
                f"{np.dtype(coding.dtype)} {shape}, not {plane.dtype} {plane.shape}."
            )
    return tuple(np.ascontiguousarray(plane) for plane in planes)


@on_device_in_use
def planes_to_picture(planes: Planes, coding: Coding, out: Floats | None = None) -> Floats:
    """Turn planes of integer codes into an R′G′B′ picture; nothing is limited, codes beyond white stay above 1.

    Chroma is brought to full size by a cubic through the neighbouring samples at their true place. One bad
    code reaches no farther than two chroma samples.

    :param planes: three or four (alpha, all codes from 0 to 1) arrays of ``coding.dtype`` and
        ``coding.shapes(height, width)``.
    :returns: float32 (H, W, 3), or (H, W, 4) where there is alpha.
    :raises PictureError: planes that do not fit the coding.

    Source: see :class:`Coding`; up-sampling by Keys, "Cubic convolution interpolation", 1981.

    >>> planes = [np.full((1, 1), code, np.uint8) for code in (235, 128, 128)]
    >>> print(planes_to_picture(planes, Coding(subsampling="4:4:4")).round(5))
    [[[1. 1. 1.]]]
    """
    planes = checked_planes(planes, coding)
    height, width = planes[0].shape
    out = output(out, (height, width, len(planes)))
    over_rows(_decode_strips, height, planes[:3], planes[-1], out, *decoding_of(coding))
    return out


class CodedPicture:
    """An R′G′B′ picture that still lies in planes: who can reads it from there, row by row.

    As an array it is the picture of :func:`planes_to_picture`, made at every look. It never lies on a device.

    :ivar planes: three, C-contiguous. :ivar coding: what they mean. :ivar shape: of the picture, (H, W, 3).

    Raises PictureError for planes that do not fit the coding.

    >>> coding = Coding(subsampling="4:2:0")
    >>> coded = CodedPicture(tuple(np.full(shape, 128, np.uint8) for shape in coding.shapes(2, 4)), coding)
    >>> coded.shape, np.asarray(coded).shape, coded.luma.shape
    ((2, 4, 3), (2, 4, 3), (2, 4, 1))
    """

    dtype = np.dtype(np.float32)
    ndim = 3

    def __init__(self, planes: Planes, coding: Coding) -> None:
        self.planes, self.coding = checked_planes(planes[:3], coding), coding
        height, width = self.planes[0].shape
        self.shape = (height, width, 3)
        self._luma: Floats | None = None

    @property
    def nbytes(self) -> int:
        """Bytes of the picture as an array."""
        return 12 * self.shape[0] * self.shape[1]

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        """Return the picture."""
        array = planes_to_picture(self.planes, self.coding)
        return array if dtype is None else array.astype(dtype, copy=False)

    def __getitem__(self, key: Any) -> Any:
        """Return a part of the picture."""
        return np.asarray(self)[key]

    @property
    def luma(self) -> Floats:
        """Luma of the picture: float32 (H, W, 1). It stays; a step that makes it on its way has filled it."""
        if self._luma is None:
            room = self.room_for_luma()
            over_rows(_luma_strips, self.shape[0], self.planes, room, *decoding_of(self.coding))
        return self.room_for_luma()

    def room_for_luma(self) -> Floats:
        """Return the memory of luma, for a stage that fills it before others look."""
        if self._luma is None:
            self._luma = output(None, (*self.shape[:2], 1))
        return self._luma


def seen_by_luma(picture: Any, name: str = "picture") -> Floats:
    """Return what luma is read of: that of a coded picture, float32 (H, W, 1), else the picture, checked.

    >>> seen_by_luma(np.zeros((2, 4, 3))).shape
    (2, 4, 3)
    """
    return picture.luma if isinstance(picture, CodedPicture) else as_picture(picture, name)


@strip_kernel
def _luma_strips(planes, out, tables, p, y0, y1):
    """Luma of a picture in planes."""
    width, chroma = planes[0].shape[1], planes[1].shape[1]
    row, narrow = np.empty(3 * width, np.float32), np.empty(chroma + MARGIN, np.float32)
    wide = np.empty((2, chroma * tables[0][0].shape[0]), np.float32)
    for y in range(y0, y1):
        decoded_run(planes, y, 0, width, tables, p, narrow, wide[0], wide[1], row)
        luma_row(row, out[y].reshape(-1), 3)


def decoding_of(coding: Coding) -> tuple[Any, Any]:
    """Return what the row loops need to know of a coding to turn its planes into R′G′B′: tables and numbers."""
    across, down = SUBSAMPLING[coding.subsampling]
    first_column, first_row = SITING[coding.siting]
    black, zero = coding.offsets
    tables = spread_weights(across, first_column), spread_weights(down, first_row)
    return tables, (F(black), F(zero), F(coding.top), coding.decoding())


# --- picture to planes --------------------------------------------------------------------------------------


def gather_weights(factor: int, on_first: bool) -> tuple[int, Floats]:
    """Where the taps of one chroma sample begin and what they weigh: a triangle about it, or the mean of its group."""
    if on_first:
        ramp = np.arange(1, factor + 1)
        return 1 - factor, (np.concatenate([ramp, ramp[-2::-1]]) / factor**2).astype(np.float32)
    return 0, np.full(factor, 1 / factor, np.float32)


@inline
def tidy_px(v):
    """NaN becomes 0, infinities the largest half-float number."""
    return clamp(v if v == v else ZERO, -HUGE, HUGE)


@inline
def _encode_row(before, after, n, fresh, m, luma, cb, cr):
    """Codes above the offsets of ``after``, or of its difference to ``before``, which has three components."""
    m00, m01, m02, m10, m11, m12, m20, m21, m22 = m
    for x in range(luma.shape[0]):
        r = tidy_px(after[n * x] if fresh else after[n * x] - before[3 * x])
        g = tidy_px(after[n * x + 1] if fresh else after[n * x + 1] - before[3 * x + 1])
        b = tidy_px(after[n * x + 2] if fresh else after[n * x + 2] - before[3 * x + 2])
        luma[x] = m00 * r + m01 * g + m02 * b
        cb[x] = m10 * r + m11 * g + m12 * b
        cr[x] = m20 * r + m21 * g + m22 * b


@inline
def _encode_any(before, after, kind, m, luma, cb, cr):
    """The codes of a row by what is to be encoded."""
    if kind == _RECODED:
        _encode_row(before, before, 3, True, m, luma, cb, cr)
    elif kind == _FRESH:
        if after.shape[0] == 3 * luma.shape[0]:
            _encode_row(after, after, 3, True, m, luma, cb, cr)
        else:
            _encode_row(after, after, 4, True, m, luma, cb, cr)
    elif after.shape[0] == 3 * luma.shape[0]:
        _encode_row(before, after, 3, False, m, luma, cb, cr)
    else:
        _encode_row(before, after, 4, False, m, luma, cb, cr)


@inline
def code_px(old, v, low, high):
    """The code of a value; one that does not change keeps even a value outside the limits."""
    least = old if old < low else low
    most = old if old > high else high
    return np.int32(clamp(v, least, most) + _ROUND)


@inline
def _add_row(codes, change, out, x0, y, salt, low, high, dither):
    """Add a change to codes and round; a code that does not change keeps even a value outside the limits."""
    for x in range(out.shape[0]):
        old = F(codes[x])
        v = old + change[x]
        v = v + noise_px(x0 + x, y, salt) if dither else v
        out[x] = code_px(old, v, low, high)


@inline
def _gather_row(row, factor, weights, out):
    """Bring a row of full-width chroma, from the first tap on, to chroma width."""
    if factor == 1:
        for x in range(out.shape[0]):
            out[x] = weights[0] * row[x]
    elif factor == 2 and weights.shape[0] == 3:
        w0, w1, w2 = weights[0], weights[1], weights[2]
        for x in range(out.shape[0]):
            out[x] = w0 * row[2 * x] + w1 * row[2 * x + 1] + w2 * row[2 * x + 2]
    elif factor == 2:
        w0, w1 = weights[0], weights[1]
        for x in range(out.shape[0]):
            out[x] = w0 * row[2 * x] + w1 * row[2 * x + 1]
    else:
        for x in range(out.shape[0]):
            total = ZERO
            for t in range(weights.shape[0]):
                total += weights[t] * row[factor * x + t]
            out[x] = total


@inline
def _accumulate(row, weight, total, first):
    for x in range(row.shape[0]):
        total[x] = weight * row[x] + (ZERO if first else total[x])


@inline
def _owned_luma(old, change, new, x0, y, low, high, dither):
    if dither:
        _add_row(old, change, new, x0, y, 0, low, high, True)
    else:
        _add_row(old, change, new, x0, y, 0, low, high, False)


@inline
def _finish_chroma(total, factor, start, weights, old, new, change, x0, y, salt, p):
    """A row of chroma codes from column x0 on, from a row of luma width with its ends repeated."""
    low, high, dither = p
    _gather_row(total[weights.shape[0] + start :], factor, weights, change)
    if dither:
        _add_row(old, change, new, x0, y, salt, low, high, True)
    else:
        _add_row(old, change, new, x0, y, salt, low, high, False)


_FRESH, _CHANGED, _RECODED = 0, 1, 2
"""What is encoded: a picture, its difference to planes, or planes of another coding."""


@strip_kernel
def _encode_strips(kind, planes, after, tables, decoding, old, new, across, down, m, p, y0, y1):
    """Rows y0 to y1 count chroma rows; the luma rows of a chroma row's group are written with it.

    ``old`` are the codes to which what is encoded is added: whole planes, or a row that stands for all of one.
    ``after`` is the whole picture, or a ring in which row y lies at y modulo its rows.
    """
    low, high, dither = p
    factor_x, start_x, weights_x = across
    factor_y, start_y, weights_y = down
    height, width = new[0].shape
    pad = weights_x.shape[0]
    luma = np.empty(width, np.float32)
    cb = np.empty(width, np.float32)
    cr = np.empty(width, np.float32)
    total_b = np.empty(factor_x * new[1].shape[1] + 2 * pad, np.float32)
    total_r = np.empty(factor_x * new[1].shape[1] + 2 * pad, np.float32)
    change = np.empty(new[1].shape[1], np.float32)
    before = np.empty(3 * width, np.float32)
    narrow = np.empty(planes[1].shape[1] + MARGIN, np.float32)
    wide_b = np.empty(planes[1].shape[1] * tables[0][0].shape[0], np.float32)
    wide_r = np.empty(planes[1].shape[1] * tables[0][0].shape[0], np.float32)
    for j in range(y0, y1):
        for t in range(weights_y.shape[0]):
            place = j * factor_y + start_y + t
            y = min(max(place, 0), height - 1)
            if kind != _FRESH:
                decoded_run(planes, y, 0, width, tables, decoding, narrow, wide_b, wide_r, before)
            _encode_any(before, after[y % after.shape[0]].reshape(-1), kind, m, luma, cb, cr)
            _accumulate(cb, weights_y[t], total_b[pad : pad + width], t == 0)
            _accumulate(cr, weights_y[t], total_r[pad : pad + width], t == 0)
            if j * factor_y <= place and place < min((j + 1) * factor_y, height):
                _owned_luma(old[0][y if kind == _CHANGED else 0], luma, new[0][y], 0, y, low, high, dither)
        k = j if kind == _CHANGED else 0
        _pad_row(total_b, pad, width)
        _pad_row(total_r, pad, width)
        _finish_chroma(total_b, factor_x, start_x, weights_x, old[1][k], new[1][j], change, 0, j, 1, p)
        _finish_chroma(total_r, factor_x, start_x, weights_x, old[2][k], new[2][j], change, 0, j, 2, p)


_BLOCK, _RIM = 128, 8
"""Columns looked at together for what is turned, and how many beside them are worked as well: multiples of each factor,
and as far as a sample of chroma reaches."""


@subroutine
def _note_turned(matte, turned):
    """Note which blocks of a row a matte touches."""
    for at in range(turned.shape[0]):
        part, some = matte[at * _BLOCK : (at + 1) * _BLOCK], np.int32(0)
        for x in range(part.shape[0]):
            some += np.int32(part[x] != ZERO)
        turned[at] = turned[at] or some != 0


@inline
def _turn_row(row, matte, fresh, turn, m, luma, cb, cr):
    """Codes above the offsets of a turned row, or of the change that the turn makes."""
    m00, m01, m02, m10, m11, m12, m20, m21, m22 = m
    c, s = turn
    for x in range(luma.shape[0]):
        red, green, blue = row[3 * x], row[3 * x + 1], row[3 * x + 2]
        r, g, b = turn_px(red, green, blue, matte[x], c, s)
        r = tidy_px(r if fresh else r - red)
        g = tidy_px(g if fresh else g - green)
        b = tidy_px(b if fresh else b - blue)
        luma[x] = m00 * r + m01 * g + m02 * b
        cb[x] = m10 * r + m11 * g + m12 * b
        cr[x] = m20 * r + m21 * g + m22 * b


@inline
def _close_run(total, left, width, at_left, at_right):
    """Beyond a run that ends where the frame does lies what is at its end, beyond any other lies no change."""
    first, last = total[left] if at_left else ZERO, total[left + width - 1] if at_right else ZERO
    for x in range(left):
        total[x] = first
    for x in range(left + width, total.shape[0]):
        total[x] = last


@strip_kernel
def _turn_strips(changes, planes, matte, turn, tables, decoding, old, new, across, down, m, p, y0, y1):
    """Planes of the picture of other planes, its hue turned by a matte: as :func:`_encode_strips` makes them of it.

    ``matte`` is a whole one or a ring in which row y lies at y modulo its rows. Where ``changes`` tells that ``old``
    are the very planes that are read, what the matte does not touch is copied.
    """
    low, high, dither = p
    factor_x, start_x, weights_x = across
    factor_y, start_y, weights_y = down
    height, width = new[0].shape
    pad = weights_x.shape[0]
    rows = np.empty((3, width), np.float32)
    totals = np.empty((2, factor_x * new[1].shape[1] + 2 * pad), np.float32)
    change = np.empty(new[1].shape[1], np.float32)
    before = np.empty(3 * width, np.float32)
    narrow = np.empty(planes[1].shape[1] + MARGIN, np.float32)
    wide = np.empty((2, planes[1].shape[1] * tables[0][0].shape[0]), np.float32)
    turned = np.empty((width + _BLOCK - 1) // _BLOCK, np.bool_)
    for j in range(y0, y1):
        for at in range(turned.shape[0]):
            turned[at] = not changes
        top, below = j * factor_y, min((j + 1) * factor_y, height)
        if changes:
            for t in range(weights_y.shape[0]):
                _note_turned(matte[min(max(top + start_y + t, 0), height - 1) % matte.shape[0]], turned)
            for y in range(top, below):
                copy_row(new[0][y], old[0][y])
            copy_row(new[1][j], old[1][j])
            copy_row(new[2][j], old[2][j])
        k, at = j if changes else 0, 0
        while at < turned.shape[0]:
            if not turned[at]:
                at += 1
                continue
            x0 = max(at * _BLOCK - _RIM, 0)
            while at < turned.shape[0] and turned[at]:
                at += 1
            x1 = min(at * _BLOCK + _RIM, width)
            count, d0, d1 = x1 - x0, x0 // factor_x, (x1 + factor_x - 1) // factor_x
            luma, cb, cr = rows[0, :count], rows[1, :count], rows[2, :count]
            total_b = totals[0, : factor_x * (d1 - d0) + 2 * pad]
            total_r = totals[1, : factor_x * (d1 - d0) + 2 * pad]
            for t in range(weights_y.shape[0]):
                place = top + start_y + t
                y = min(max(place, 0), height - 1)
                decoded_run(planes, y, x0, x1, tables, decoding, narrow, wide[0], wide[1], before)
                row = matte[y % matte.shape[0], x0:x1]
                if changes:
                    _turn_row(before, row, False, turn, m, luma, cb, cr)
                else:
                    _turn_row(before, row, True, turn, m, luma, cb, cr)
                _accumulate(cb, weights_y[t], total_b[pad : pad + count], t == 0)
                _accumulate(cr, weights_y[t], total_r[pad : pad + count], t == 0)
                if top <= place and place < below:
                    own = old[0][y if changes else 0, x0:x1]
                    _owned_luma(own, luma, new[0][y, x0:x1], x0, y, low, high, dither)
            _close_run(total_b, pad, count, x0 == 0, x1 == width)
            _close_run(total_r, pad, count, x0 == 0, x1 == width)
            step = change[: d1 - d0]
            _finish_chroma(total_b, factor_x, start_x, weights_x, old[1][k, d0:d1], new[1][j, d0:d1], step, d0, j, 1, p)
            _finish_chroma(total_r, factor_x, start_x, weights_x, old[2][k, d0:d1], new[2][j, d0:d1], step, d0, j, 2, p)


_NOTHING = np.zeros((1, 1, 3), np.float32)


def _encode(
    kind: int,
    size: tuple[int, int],
    after: Floats,
    planes: Planes | None,
    source: Coding,
    coding: Coding,
    dither: bool,
    out: Planes | None = None,
) -> Planes:
    new, given = _encoding(kind, size, after, planes, source, coding, dither, out)
    over_rows(_encode_strips, new[1].shape[0], *given)
    return new


def _encoding(
    kind: int,
    size: tuple[int, int],
    after: Floats,
    planes: Planes | None,
    source: Coding,
    coding: Coding,
    dither: bool,
    out: Planes | None,
) -> tuple[Planes, tuple[Any, ...]]:
    """Return new planes, and what the strip kernel is given to fill them."""
    across, down = SUBSAMPLING[coding.subsampling]
    first_column, first_row = SITING[coding.siting]
    shapes = coding.shapes(*size)
    black, zero = coding.offsets
    old = planes
    if kind != _CHANGED:
        flat = zip(shapes, (black, zero, zero), strict=True)
        old = tuple(np.full((1, shape[1]), value, coding.dtype) for shape, value in flat)
    planes = old if planes is None else planes
    assert old is not None
    assert planes is not None
    new = tuple(np.empty(shape, coding.dtype) for shape in shapes) if out is None else _planes_out(out, shapes, coding)
    p = (F(coding.limits[0]), F(coding.limits[1]), bool(dither))
    taps = (across, *gather_weights(across, first_column)), (down, *gather_weights(down, first_row))
    return new, (kind, planes[:3], after, *decoding_of(source), old[:3], new, *taps, coding.encoding(), p)


def _planes_out(out: Planes, shapes: list[tuple[int, int]], coding: Coding) -> Planes:
    """Return planes that are to be filled after checking them. Raises PictureError."""
    for plane, shape in zip(out, shapes, strict=True):
        if plane.shape != shape or plane.dtype != coding.dtype or not plane.flags.c_contiguous:
            raise PictureError(
                f"`out` must hold C-contiguous planes of {np.dtype(coding.dtype)} {shape}, not {plane.dtype} "
                f"{plane.shape}."
            )
    return out


class IntoPlanes:
    """Takes a picture strip by strip as it is made, and turns it into planes: :class:`.strips.PictureInto`.

    The planes are those of :func:`change_to_planes` where ``before`` is given, else those of :func:`picture_to_planes`.

    :param out: three planes of ``coding`` to fill, C-contiguous. :param before: the planes as they were read.

    Raises PictureError for planes that do not fit the coding.

    >>> from inkarnat.kernels import steer
    >>> coding = Coding(8, standard="709", subsampling="4:2:0")
    >>> planes = tuple(np.full(shape, 120, np.uint8) for shape in coding.shapes(2, 2))
    >>> skin, matte = planes_to_picture(planes, coding), np.ones((2, 2), np.float32)
    >>> new = tuple(np.empty_like(plane) for plane in planes)
    >>> strips = steer.turn(skin, matte, 180.0, into=IntoPlanes(coding, new, planes, dither=False))
    >>> [int(plane[0, 0]) for plane in new]  # luma is kept, chroma lies on the other side of 128
    [120, 136, 136]
    """

    def __init__(self, coding: Coding, out: Planes, before: Planes | None = None, dither: bool = True) -> None:
        self.coding, self.out, self.dither = coding, out[:3], dither
        self.size: tuple[int, int] = out[0].shape
        _planes_out(self.out, coding.shapes(*self.size), coding)
        self.before = None if before is None else checked_planes(before[:3], coding)

    def ring(self, shape: tuple[int, ...]) -> Floats:
        """Return the rows in which a picture of this shape is made; see :class:`.strips.PictureInto`."""
        if shape[:2] != self.size:
            raise PictureError(f"The picture {shape} and the planes {self.size} must have the same size.")
        return scratch((min(shape[0], STRIP * (thread_count() + 2)), *shape[1:]))

    def stage(self, ring: Floats) -> Stage:
        """Return the stage that takes the rows of the ring."""
        kind = _FRESH if self.before is None else _CHANGED
        _, given = _encoding(kind, self.size, ring, self.before, self.coding, self.coding, self.dither, self.out)
        return self._stage(_encode_strips, given, len(ring))

    def takes(self, picture: CodedPicture) -> bool:
        """Tell whether :meth:`turned` makes these planes of a picture: a change must be one of its own planes."""
        before = picture.planes if self.before is None else self.before
        return all(own is its for own, its in zip(before, picture.planes, strict=True))

    def turned(self, picture: CodedPicture, matte: Floats, turn: tuple[np.float32, np.float32]) -> Stage:
        """Return the stage that takes a matte, whole or a ring, and turns a picture by it as :func:`.steer.turn` does.

        The picture's rows are read from its planes, and what the matte does not touch is copied where it may be.
        """
        kind = _FRESH if self.before is None else _CHANGED
        _, given = _encoding(kind, self.size, _NOTHING, self.before, picture.coding, self.coding, self.dither, self.out)
        given = (kind == _CHANGED, picture.planes, matte, turn, *given[3:])
        return self._stage(_turn_strips, given, len(matte))

    def turn(self, picture: CodedPicture, matte: Floats, angle: float, saturation: float = 1.0) -> None:
        """Fill the planes with a picture turned by a whole matte, which need not be made: see :func:`.steer.turn`.

        Raises PictureError for a matte of another size.
        """
        matte = as_plane(matte, like=self.size)
        over_stages((self.turned(picture, matte, rotation(angle, saturation)),))

    def _stage(self, kernel: Any, given: tuple[Any, ...], rows: int) -> Stage:
        """Return a stage over the rows of chroma, which reads a ring of so many rows."""
        height = self.size[0]
        down = SUBSAMPLING[self.coding.subsampling][1]

        def keeps(y1: Any) -> Any:
            over = y1 - rows  # rows up to there are written over; a row of chroma reads down - 1 rows before its own
            return np.where(over > 0, (over + down - 2) // down + 1, 0)

        strip = max(1, rows // RING // down)
        waits = keeps if rows < height else None
        return Stage(kernel, given, len(self.out[1]), strip, lambda y1: y1 * down, max(1, 8 // down), waits)


def alpha_to_plane(picture: Floats, coding: Coding) -> Codes:
    """Return the plane of a picture's alpha, all codes for 0 to 1; opaque where it has none.

    :param picture: float32 (H, W, 3 or 4). :returns: ``coding.dtype`` (H, W).

    >>> opaque = np.ones((1, 2, 3), np.float32)
    >>> alpha_to_plane(opaque, Coding(bits=10))
    array([[1023, 1023]], dtype=uint16)
    """
    if picture.shape[2] < 4:
        return np.full(picture.shape[:2], coding.top, coding.dtype)
    codes: Codes = quantise(picture[:, :, 3], coding.bits, dither=False).astype(coding.dtype)
    return codes


@on_devices
def change_to_planes(
    after: Floats, planes: Planes, coding: Coding, dither: bool = True, out: Planes | None = None
) -> Planes:
    """Return the planes plus the change of the picture that they stand for to another.

    Codes of unchanged pixels stay as they are.

    :param after: what :func:`planes_to_picture` made of the planes, corrected: float32 (H, W, 3 or 4). NaN counts as
        unchanged, and alpha does not count.
    :param planes: the planes as they were read. Alpha, where there is any, passes through as it was read.
    :param dither: spread the rounding error by position; a change below 0.01 code is none either way.
    :param out: three planes that receive the codes, C-contiguous.
    :returns: new planes, limited to ``coding.limits`` where they changed.
    :raises PictureError: shapes that do not agree.

    A luma code depends on its own pixel, a chroma code on its own group of pixels and, where chroma is sited on
    the first column or row, on their next neighbours.

    >>> coding = Coding(subsampling="4:4:4")
    >>> planes = [np.full((1, 2), code, np.uint8) for code in (126, 128, 128)]
    >>> picture = planes_to_picture(planes, coding)
    >>> picture[0, 1] += 0.1
    >>> luma, cb, cr = change_to_planes(picture, planes, coding)
    >>> luma, cb
    (array([[126, 148]], dtype=uint8), array([[128, 128]], dtype=uint8))
    """
    planes = checked_planes(planes, coding)
    after = as_picture(after, "picture after")
    if after.shape[:2] != planes[0].shape:
        raise PictureError(f"The picture {after.shape} and the planes {planes[0].shape} must have the same size.")
    return _encode(_CHANGED, after.shape[:2], after, planes, coding, coding, dither, out) + planes[3:]


@on_devices
def picture_to_planes(
    picture: Floats, coding: Coding, dither: bool = True, alpha: bool = False, out: Planes | None = None
) -> Planes:
    """Turn an R′G′B′ picture into planes of integer codes, limited to ``coding.limits``; NaN becomes black.

    :param picture: float32 (H, W, 3 or 4).
    :param alpha: return a fourth plane, all codes for 0 to 1; opaque where the picture has no alpha.
    :param out: three planes that receive the codes, C-contiguous.
    :returns: three or four arrays of ``coding.dtype``.
    :raises PictureError: wrong array.

    Source: see :class:`Coding`. Chroma is the triangle-weighted mean about its site ("left", "corner") or the
    mean of its group ("centre"): common practice, no source.

    >>> white = np.ones((2, 2, 3), np.float32)
    >>> [plane.tolist() for plane in picture_to_planes(white, Coding(bits=10))]
    [[[940, 940], [940, 940]], [[512]], [[512]]]
    """
    picture = as_picture(picture)
    planes = _encode(_FRESH, picture.shape[:2], picture, None, coding, coding, dither, out)
    return (*planes, alpha_to_plane(picture, coding)) if alpha else planes


def recode(planes: Planes, source: Coding, coding: Coding, dither: bool = True, out: Planes | None = None) -> Planes:
    """Turn planes of one coding into those of another: as by way of a picture, which is never whole in memory.

    :param planes: of ``source``, without alpha. :param out: three planes that receive the codes, C-contiguous.
    :returns: three arrays of ``coding.dtype``.
    :raises PictureError: planes that do not fit their coding.

    >>> eight, ten = Coding(subsampling="4:4:4"), Coding(bits=10, subsampling="4:4:4")
    >>> white = [np.full((1, 1), code, np.uint8) for code in (235, 128, 128)]
    >>> [plane.tolist() for plane in recode(white, eight, ten)]
    [[[940]], [[512]], [[512]]]
    """
    planes = checked_planes(planes[:3], source)
    return _encode(_RECODED, planes[0].shape, _NOTHING, planes, source, coding, dither, out)
