"""Balance: signal to linear light, a 3×3 matrix, and back to signal, in one pass."""

from __future__ import annotations

import numpy as np

from .arrays import Floats, as_picture, output
from .colour import (
    apply_matrix,
    decode_px,
    decode_run,
    encode_px,
    encode_run,
    flat_matrix,
    join_run,
    part_run,
    planes_of,
)
from .colour import transfer as find_transfer
from .jit import inline, sheet
from .stream import RUN
from .strips import over_rows


@inline
def mixed_px(r, g, b, m):
    """Multiply one pixel, as a column, by the matrix m (nine numbers in row order)."""
    return m[0] * r + m[1] * g + m[2] * b, m[3] * r + m[4] * g + m[5] * b, m[6] * r + m[7] * g + m[8] * b


@inline
def adapt_px(r, g, b, decoding, m, encoding):
    """Decode one pixel, multiply it by the matrix m and encode it."""
    r, g, b = mixed_px(decode_px(r, *decoding), decode_px(g, *decoding), decode_px(b, *decoding), m)
    return encode_px(r, *encoding), encode_px(g, *encoding), encode_px(b, *encoding)


@inline
def _mix_run(values, m):
    """Multiply a run of pixels, laid down by component, by a matrix in place."""
    red, green, blue, _ = planes_of(values)
    for x in range(red.shape[0]):
        red[x], green[x], blue[x] = mixed_px(red[x], green[x], blue[x], m)


@sheet
def _adapt_sheet(image, out, decoding, m, encoding, y0, y1):
    width, n = image.shape[1], image.shape[2]
    room = np.empty((2, 4 * RUN), np.float32)
    for y in range(y0, y1):
        row, to = image[y].reshape(-1), out[y].reshape(-1)
        for x0 in range(0, width, RUN):
            x1 = min(x0 + RUN, width)
            values, colour = room[0][: 4 * (x1 - x0)], room[0][: 3 * (x1 - x0)]
            part_run(row[n * x0 : n * x1], values, n)
            decode_run(colour, room[1], decoding)
            _mix_run(values, m)
            encode_run(colour, room[1], encoding)
            join_run(values, to[n * x0 : n * x1], n)


def adapt(
    image: Floats,
    matrix: object,
    transfer: str = "bt709",
    out: Floats | None = None,
    to_transfer: str | None = None,
) -> Floats:
    """Multiply every pixel by a 3×3 matrix in linear light: decode, multiply, encode.

    :param image: float32 (H, W, 3 or 4); alpha passes through. Nothing is clamped: values outside 0…1 follow the
        transfer function, odd about 0.
    :param matrix: 3×3, finite; its rows give the outputs.
    :param transfer: a key of :data:`.colour.TRANSFERS`: what the signal is decoded with.
    :param to_transfer: what it is encoded with; None takes the same.
    :returns: float32, same shape; the identity matrix returns values of 0…1 within 1e-6.
    :raises ValueRangeError: unknown transfer function or unusable matrix. :raises PictureError: wrong array.

    Source: BT.709-6, BT.1886, IEC 61966-2-1 through :mod:`.colour`.
    """
    to_transfer = transfer if to_transfer is None else to_transfer
    decoding, encoding = find_transfer(transfer).decode, find_transfer(to_transfer).encode
    if transfer == to_transfer == "linear":
        return apply_matrix(image, matrix, out)
    m = flat_matrix(matrix)
    image = as_picture(image)
    out = output(out, image.shape, image)
    over_rows(_adapt_sheet, image.shape[0], image, out, decoding, m, encoding)
    return out
