"""Rows of planes: copied, padded, added, scaled and limited, as the filters of mattes need them."""

from __future__ import annotations

import numpy as np

from .colour import clamp
from .errors import ValueRangeError
from .jit import inline, subroutine

_LARGEST = 4096.0
BLOCK, BOX_BLOCK = 512, 240
"""Columns worked at once down a plane. Rows of sums that are added to in place must not lie multiples of 4096 bytes
apart: they would wait for each other."""
ZERO_INT, ONE_INT = np.int64(0), np.int64(1)
"""Numbers of one type: a literal would have what is called with it compiled for that number alone."""


def within(name: str, value: float, low: float = 0.0, high: float = _LARGEST) -> float:
    """Return a number after checking that it lies in its range; raises ValueRangeError with its name."""
    if not low <= value <= high:
        raise ValueRangeError(f"The {name} must lie from {low:g} to {high:g}, not {value:g}.")
    return float(value)


@inline
def copy_row(out, a):
    """Copy a row."""
    for x in range(out.shape[0]):
        out[x] = a[x]


@inline
def fill_row(out, value):
    """Fill a row with one value."""
    for x in range(out.shape[0]):
        out[x] = value


@inline
def add_row(out, a):
    """Add a row to another."""
    for x in range(out.shape[0]):
        out[x] = out[x] + a[x]


@inline
def sum2_row(out, a, b):
    """Write the sum of two rows."""
    for x in range(out.shape[0]):
        out[x] = a[x] + b[x]


@inline
def add_scaled_row(out, a, weight):
    """Add a row times a number to another."""
    for x in range(out.shape[0]):
        out[x] = out[x] + weight * a[x]


@inline
def add_ends_row(out, a, b, weight):
    """Add the weighted sum of two rows to a row."""
    for x in range(out.shape[0]):
        out[x] = out[x] + weight * (a[x] + b[x])


@inline
def pad_row(padded, row, margin):
    """Lay the row into the middle of a longer one and repeat its ends on both sides."""
    width = row.shape[0]
    copy_row(padded[margin : margin + width], row)
    for x in range(margin):
        padded[x] = row[0]
        padded[margin + width + x] = row[width - 1]


@inline
def near_row(plane, y):
    """y, or beyond the frame the row of the plane that lies nearest."""
    return min(max(y, 0), plane.shape[0] - 1)


@inline
def scale_row(out, a, k):
    """Write a row times a number."""
    for x in range(out.shape[0]):
        out[x] = k * a[x]


@inline
def ring_at(ring, y, height):
    """Where row y of a plane lies of which a ring holds the last rows; beyond the frame, its nearest row."""
    return min(max(y, 0), height - 1) % ring.shape[0]


@inline
def sum4_row(out, a, b, c, d):
    """Write the sum of four rows."""
    for x in range(out.shape[0]):
        out[x] = (a[x] + b[x]) + (c[x] + d[x])


@inline
def _sum2_row_into(out, a, b):
    for x in range(out.shape[0]):
        out[x] = out[x] + (a[x] + b[x])


@inline
def limit_row(out, a, low, high):
    """Limit a row to low … high; NaN becomes low."""
    for x in range(out.shape[0]):
        out[x] = clamp(a[x], low, high)


@subroutine
def lerp_row(out, a, b, t):
    """Write the row between two others, ``t`` of the way from the first."""
    for x in range(out.shape[0]):
        out[x] = a[x] + t * (b[x] - a[x])


@inline
def end_of(a, b, largest):
    """The larger of two values, or the smaller; ``largest`` is a literal."""
    return (a if a > b else b) if largest else (a if a < b else b)


@inline
def mix_row(out, other, t):
    """Move a row ``t`` of the way to another."""
    for x in range(out.shape[0]):
        out[x] = out[x] + t * (other[x] - out[x])


@inline
def product_row(out, a, b):
    """Write the product of two rows."""
    for x in range(out.shape[0]):
        out[x] = a[x] * b[x]
