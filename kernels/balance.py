"""Balance: signal to linear light, a 3×3 matrix, and back to signal, in one pass."""

from __future__ import annotations

import numpy as np

from .arrays import Floats, as_picture, output
from .colour import (
    SCRATCH,
    ZERO,
    apply_matrix,
    decode_px,
    decode_run,
    encode_px,
    encode_run,
    flat_matrix,
    keep_alpha,
    mix_run,
    mixed_px,
)
from .colour import transfer as find_transfer
from .devices import on_devices
from .jit import inline, strip_kernel, subroutine
from .stream import RUN
from .strips import over_rows


@inline
def adapt_px(r, g, b, decoding, m, encoding):
    """Decode one pixel, multiply it by the matrix m and encode it."""
    r, g, b = mixed_px(decode_px(r, decoding), decode_px(g, decoding), decode_px(b, decoding), m)
    return encode_px(r, encoding), encode_px(g, encoding), encode_px(b, encoding)


@inline
def run_length(n, decoding, encoding):
    """How many pixels of n components to adapt at once: begun seldom, but memory idles in long runs of long loops."""
    return 4 * RUN if n == 3 and min(decoding[7], encoding[7]) > ZERO else RUN


@subroutine
def adapt_run(pixels, out, n, scratch, decoding, m, encoding):
    """Decode a run of pixels of n components, multiply it by a matrix and encode it; ``scratch`` is (3, SCRATCH)."""
    light, mixed = scratch[0][: pixels.shape[0]], scratch[2][: pixels.shape[0]]
    decode_run(pixels, light, scratch[1], decoding)
    mix_run(light, mixed, n, m)
    encode_run(mixed, out, scratch[1], encoding)
    if n == 4:
        keep_alpha(pixels, out)


@strip_kernel
def _adapt_strips(image, out, decoding, m, encoding, y0, y1):
    n = image.shape[2]
    scratch = np.empty((3, SCRATCH), np.float32)
    length = n * run_length(n, decoding, encoding)
    for y in range(y0, y1):
        row, to = image[y].reshape(-1), out[y].reshape(-1)
        for start in range(0, row.shape[0], length):
            end = min(start + length, row.shape[0])
            adapt_run(row[start:end], to[start:end], n, scratch, decoding, m, encoding)


@on_devices
def adapt(
    image: Floats,
    matrix: object,
    transfer: str = "bt709",
    out: Floats | None = None,
    to_transfer: str | None = None,
) -> Floats:
    """Multiply every pixel by a 3×3 matrix in linear light: decode, multiply, encode.

    In linear light, with D the decoding and E the encoding transfer function of each component:
    out = E(M · D(in)).

    :param image: float32 (H, W, 3 or 4); alpha passes through. Nothing is clamped: values outside 0…1 follow the
        transfer function, odd about 0.
    :param matrix: 3×3, finite; its rows give the outputs.
    :param transfer: a key of :data:`.colour.TRANSFERS`: what the signal is decoded with.
    :param to_transfer: what it is encoded with; None takes the same.
    :returns: float32, same shape; the identity matrix returns values of 0…1 within 1e-6.
    :raises ValueRangeError: unknown transfer function or unusable matrix. :raises PictureError: wrong array.

    Source: BT.709-6, BT.1886, IEC 61966-2-1 through :mod:`.colour`.

    >>> grey = np.full((1, 1, 3), 0.5, np.float32)
    >>> warmer = adapt(grey, np.diag([1.2, 1.0, 0.8]), "linear")
    >>> print(warmer.round(3))
    [[[0.6 0.5 0.4]]]
    """
    to_transfer = transfer if to_transfer is None else to_transfer
    decoding, encoding = find_transfer(transfer).decode, find_transfer(to_transfer).encode
    if transfer == to_transfer == "linear":
        return apply_matrix(image, matrix, out)
    m = flat_matrix(matrix)
    image = as_picture(image)
    out = output(out, image.shape, image)
    over_rows(_adapt_strips, image.shape[0], image, out, decoding, m, encoding)
    return out
