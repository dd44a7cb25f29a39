"""Between caches and memory: the bits of ordinary writing wherever a picture lies; calling ahead does no harm."""

from __future__ import annotations

import numba
import numpy as np
import pytest
from inkarnat.kernels import jit, memory, steer, stream, tone
from inkarnat.kernels.jit import strip_kernel

SHAPE = (1030, 1366)
"""Large enough with three channels, and with rows that begin anywhere in a cache line."""

CDL = ((1.1, 1.0, 0.9), (0.01, 0.0, -0.02), (1.1, 0.9, 1.0), 0.9)
WORKS = {
    "turn": lambda image, matte, out: steer.turn(image, matte, 8, 1.1, out=out),
    "split": lambda image, matte, out: steer.turn(image, matte, 8, shadow_angle=3, even_redder=0.2, out=out),
    "shift": lambda image, matte, out: steer.shift(image, matte, 0.02, -0.03, out=out),
    "mix": lambda image, matte, out: steer.mix_primaries(image, matte, steer.neutral_keeping(0.05, 0.02), out=out),
    "curve": lambda image, _, out: tone.curve(image, [(0, 0.02), (0.4, 0.5), (1, 0.98)], out=out),
    "cdl": lambda image, _, out: tone.cdl(image, *CDL, out=out),
}


@strip_kernel
def write_rows(values, out, non_temporal, y0, y1):
    for y in range(y0, y1):
        stream.write(out[y], values[y], non_temporal)
    stream.store_fence(non_temporal)


@strip_kernel
def run_of(out, n, length):
    return stream.first_run(out, n, length)


def room_at(shape, start):
    """An array of zeros, ``start`` bytes behind the beginning of a cache line, and the bytes on both sides."""
    size = int(np.prod(shape)) * 4
    room = np.zeros(size + 192, np.uint8)
    first = -room.ctypes.data % 64 + 64 + start
    return room[first : first + size].view(np.float32).reshape(shape), (room[:first], room[first + size :])


@pytest.mark.slice
@pytest.mark.parametrize("start", [0, 4, 12, 16, 60, 2])
@pytest.mark.parametrize("width", [1, 3, 15, 16, 17, 31, 100])
def test_every_place_and_length_is_written_and_nothing_beside(start, width):
    values = np.arange(1, 3 * width + 1, dtype=np.float32).reshape(3, width)
    values[1, width // 2] = np.nan
    out, beside = room_at(values.shape, start)
    write_rows(values, out, True, 0, 3)
    np.testing.assert_array_equal(out.view(np.int32), values.view(np.int32))
    assert not any(room.any() for room in beside)


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="takes minutes where nothing is compiled")
@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize("work", WORKS.values(), ids=WORKS)
def test_a_large_picture_has_the_bits_of_its_parts(work, channels):
    random = np.random.default_rng(5)
    image = random.uniform(-0.1, 1.2, (*SHAPE, channels)).astype(np.float32)
    image[::97, ::89] = np.nan
    matte = np.clip(random.uniform(-1, 1.4, SHAPE), 0, 1).astype(np.float32)
    out, beside = room_at(image.shape, 20)
    assert out.size >= stream.FAR
    work(image, matte, out)
    for half in (slice(0, 500), slice(500, None)):
        assert image[half].size < stream.FAR
        expected = work(image[half], matte[half], None)
        np.testing.assert_array_equal(out[half].view(np.int32), expected.view(np.int32))
    assert not any(room.any() for room in beside)


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="arrays begin anywhere then")
@pytest.mark.parametrize(("channels", "step"), [(3, 4), (4, 16)])
def test_all_runs_but_the_first_begin_where_a_line_of_memory_does(channels, step):
    for start in range(0, 64, step):
        row, _ = room_at((1000 * channels,), start)
        begin = run_of(row, channels, stream.RUN)
        assert -stream.RUN < begin <= 0
        second = begin + stream.RUN if begin else 0
        assert (row.ctypes.data + 4 * channels * second) % 64 == 0


def test_new_pictures_begin_where_a_line_of_memory_does():
    for shape in ((720, 1280, 3), (719, 1277, 3), (1080, 1920, 4)):
        assert memory.RESULTS.lent(shape).ctypes.data % (4 * stream.LINE) == 0


def read_ahead(row, first, last):
    stream.prefetch(row, first, last)
    return row.sum()


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")
def test_memory_is_called_for():
    """LLVM's language reference: `llvm.prefetch`, to be read (0), to stay near (3), data (1)."""
    compiled = numba.njit(read_ahead)
    compiled(np.zeros(64, np.float32), 0, 64)
    (code,) = compiled.inspect_llvm().values()
    assert "@llvm.prefetch.p0" in code
    assert "i32 0, i32 3, i32 1)" in code


@pytest.mark.slice
@pytest.mark.parametrize(
    ("first", "last"), [(0, 64), (0, 0), (64, 128), (1 << 40, (1 << 40) + 64), (-(1 << 40), -(1 << 40) + 64)]
)
def test_memory_that_is_not_there_may_be_called_for(first, last):
    compiled = numba.njit(read_ahead)
    assert compiled(np.ones(64, np.float32), first, last) == 64
