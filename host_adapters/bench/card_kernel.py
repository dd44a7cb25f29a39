"""The key and the steering as one kernel for a graphics card, made of the processor's own pixel functions."""

from __future__ import annotations

# mypy: disable-error-code="attr-defined, no-untyped-call, no-untyped-def"
import numpy as np
from numba import cuda

from ...kernels.qualify import range_px
from ...kernels.steer import turn_px

BLOCK = 256
"""Threads of a block, and its pixels."""

_WORDS = 3 * BLOCK
_F = np.float32


@cuda.jit
def key_and_steer(image, matte, out, p):
    """Key flat RGB by ranges and turn what is keyed: one thread for each pixel.

    A block fetches its pixels in the order of memory and hands them out from its shared memory, so that neighbouring
    threads read and write neighbouring words. ``p`` holds the nine numbers of ``range_px`` and the two of ``turn_px``.
    """
    tile = cuda.shared.array(_WORDS, _F)
    thread = cuda.threadIdx.x
    first = cuda.blockIdx.x * BLOCK
    start, end = 3 * first, 3 * matte.size
    for step in range(3):
        at = thread + step * BLOCK
        if start + at < end:
            tile[at] = image[start + at]
    cuda.syncthreads()
    if first + thread < matte.size:
        r, g, b = tile[3 * thread], tile[3 * thread + 1], tile[3 * thread + 2]
        m = range_px(r, g, b, p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], p[8])
        matte[first + thread] = m
        r, g, b = turn_px(r, g, b, m, p[9], p[10])
        tile[3 * thread] = r
        tile[3 * thread + 1] = g
        tile[3 * thread + 2] = b
    cuda.syncthreads()
    for step in range(3):
        at = thread + step * BLOCK
        if start + at < end:
            out[start + at] = tile[at]
