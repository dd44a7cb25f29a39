"""Balance: signal to linear light, a 3×3 matrix, and back to signal, in one pass."""

from __future__ import annotations

from .arrays import Floats, as_picture, output
from .colour import apply_matrix, decode_px, encode_px, flat_matrix
from .colour import transfer as find_transfer
from .jit import inline, sheet
from .strips import over_rows


@inline
def adapt_px(r, g, b, decoding, m, encoding):
    """Decode one pixel, multiply it by the matrix m (nine numbers in row order) and encode it."""
    r = decode_px(r, *decoding)
    g = decode_px(g, *decoding)
    b = decode_px(b, *decoding)
    return (
        encode_px(m[0] * r + m[1] * g + m[2] * b, *encoding),
        encode_px(m[3] * r + m[4] * g + m[5] * b, *encoding),
        encode_px(m[6] * r + m[7] * g + m[8] * b, *encoding),
    )


@inline
def _adapt_row(row, out, n, decoding, m, encoding):
    for x in range(out.shape[0] // n):
        r, g, b = adapt_px(row[n * x], row[n * x + 1], row[n * x + 2], decoding, m, encoding)
        out[n * x] = r
        out[n * x + 1] = g
        out[n * x + 2] = b
        if n == 4:
            out[n * x + 3] = row[n * x + 3]


@sheet
def _adapt_sheet(image, out, decoding, m, encoding, y0, y1):
    for y in range(y0, y1):
        if image.shape[2] == 3:
            _adapt_row(image[y].reshape(-1), out[y].reshape(-1), 3, decoding, m, encoding)
        else:
            _adapt_row(image[y].reshape(-1), out[y].reshape(-1), 4, decoding, m, encoding)


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
