"""The text in which a learned skin key travels inside a graph: small, checked on reading, kept readable for ever."""

from __future__ import annotations

import base64
import binascii
import functools
import math
import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels.qualify import GRID

_FORMAT = "1."
_HEAD = struct.Struct("<2d10d6B")
_LONGEST = 400_000
_FARTHEST = 1e3


class ModelError(ValueError):
    """The text of a learned key cannot be read."""


@dataclass(frozen=True, eq=False)
class SkinModel:
    """What a skin key has learned.

    :ivar centre: Cb/Y′ and Cr/Y′ of the samples. :ivar compact: float64 (10,), one Gaussian and its cut.
    :ivar table: float32 of shape ``GRID``, or None where only the compact form is known.
    """

    centre: tuple[float, float]
    compact: NDArray[np.float64]
    table: NDArray[np.float32] | None = None

    @property
    def middle(self) -> float:
        """Luma of the middle of the learned skin."""
        return float(self.compact[2])

    def to_text(self) -> str:
        """Write the model as text: centre and compact form in full, the table at 8 bits, cropped and deflated."""
        levels = np.zeros(GRID, np.uint8) if self.table is None else np.rint(self.table * 255).astype(np.uint8)
        used = np.argwhere(levels > 0)
        low = used.min(axis=0) if used.size else np.zeros(3, np.int64)
        high = used.max(axis=0) + 1 if used.size else np.zeros(3, np.int64)
        crop = levels[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
        head = _HEAD.pack(*self.centre, *self.compact, *(int(v) for v in (*low, *high)))
        return _FORMAT + base64.b64encode(zlib.compress(head + crop.tobytes(), 9)).decode("ascii")


@functools.lru_cache(maxsize=32)
def read_model(text: str) -> SkinModel:
    """Read what :meth:`SkinModel.to_text` wrote. Raises ModelError for anything else."""
    if not text.startswith(_FORMAT) or len(text) > _LONGEST:
        raise ModelError("It is not a learned key: learn it again from samples.")
    try:
        packed = base64.b64decode(text[len(_FORMAT) :], validate=True)
        engine = zlib.decompressobj()
        data = engine.decompress(packed, _HEAD.size + math.prod(GRID) + 1)
        if not engine.eof or engine.unused_data:
            raise ModelError("The learned key is cut short or too long: learn it again from samples.")
        numbers = _HEAD.unpack_from(data)
    except (binascii.Error, zlib.error, struct.error, ValueError) as error:
        if isinstance(error, ModelError):
            raise
        raise ModelError("The learned key is damaged: learn it again from samples.") from None
    return _checked(numbers, data[_HEAD.size :])


def _checked(numbers: tuple[float, ...], body: bytes) -> SkinModel:
    centre = (numbers[0], numbers[1])
    compact = np.array(numbers[2:12], np.float64)
    low, high = (np.array(numbers[a:b], np.int64) for a, b in ((12, 15), (15, 18)))
    size = high - low
    if (
        not (np.abs(compact) < _FARTHEST).all()
        or not 0 < math.hypot(*centre) < 100
        or (high > GRID).any()
        or (size < 0).any()
        or int(np.prod(size)) != len(body)
        or not _is_covariance(compact)
    ):
        raise ModelError("The learned key is damaged: learn it again from samples.")
    table = np.zeros(GRID, np.float32)
    place = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    table[place] = np.frombuffer(body, np.uint8).reshape(tuple(size)) / np.float32(255)
    table.setflags(write=False)
    return SkinModel(centre, compact, table if body else None)


def _is_covariance(compact: NDArray[np.float64]) -> bool:
    _, _, _, aa, at, ay, tt, ty, yy, cut = compact
    values = np.linalg.eigvalsh(np.array([[aa, at, ay], [at, tt, ty], [ay, ty, yy]]))
    return bool(values.min() > 1e-9 and values.max() < _FARTHEST and cut > 0)
