"""The pixel functions as code for a graphics card: same results in numba's simulator, no float64 in what is compiled.

The simulator runs a kernel's threads as Python threads, so plain Python and numpy scalars take every step; compiled
code on the processor is what they must agree with. Where libnvvm is found, the same functions are compiled for a card.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest
from inkarnat.kernels import balance, colour, qualify, steer, tone

F = np.float32


def numbers(*values: float) -> tuple[np.float32, ...]:
    return tuple(F(value) for value in values)


CURVE = colour.TRANSFERS["bt709"]
MATRIX = numbers(1.02, -0.01, 0.0, 0.03, 0.95, 0.02, -0.02, 0.01, 1.1)
RANGE = numbers(0.34, 0.11, 16.7, -0.01, 0.38, 33.3, 0.02, 1.06, 16.7)
CDL = (numbers(1.1, 1, 0.9), numbers(0.01, 0, -0.02), numbers(1.2, 1, 0.8), F(1.1))
SPLIT = numbers(1.25, 1.03, 0.16, 0.9, -0.2, 0.15, 5.0, -0.54, 0.84, 0.4, 0.2)

SOURCES = {
    "range_px": (qualify.range_px, 3, RANGE),
    "turn_px": (steer.turn_px, 4, numbers(1.03, 0.16)),
    "turn_split_px": (steer.turn_split_px, 4, SPLIT),
    "shift_px": (steer.shift_px, 4, numbers(0.03, -0.02)),
    "mix_px": (steer.mix_px, 4, (MATRIX, CURVE.decode, CURVE.encode)),
    "keep_px": (steer.keep_px, 7, numbers(0.6, 0.9)),
    "adapt_px": (balance.adapt_px, 3, (CURVE.decode, MATRIX, CURVE.encode)),
    "cdl_px": (tone.cdl_px, 3, (*CDL, True)),
    "cdl_px, not clamped": (tone.cdl_px, 3, (*CDL, False)),
}
"""Name → pixel function, how many values of the pixels it takes (the last of four is a matte), and its parameters."""

TOLERANCE = 1e-6


def pixels(count: int) -> np.ndarray:
    """Values to try: skin and its surroundings, far above white and below black; the fourth is a matte with 0 and 1."""
    rng = np.random.default_rng(12)
    values = rng.uniform(-0.1, 1.2, (96, count)).astype(np.float32)
    values[:48, :3] = numbers(0.62, 0.46, 0.37) * rng.uniform(0.3, 1.4, (48, 3)).astype(np.float32)
    values[48:52, :3] *= 4
    if count == 4:
        values[:, 3] = np.clip(values[:, 3], 0, 1)
    elif count == 7:
        values[:, 6] = np.clip(values[:, 6], 0, 1)
    return values


IN_THE_SIMULATOR = """
import sys
import numpy as np
import test_gpu_sources as tests
from numba import cuda

assert not hasattr(tests.qualify.range_px, "py_func"), "plain Python is wanted here"

def kernel(source, values, parameters, out):
    at = cuda.grid(1)
    if at < values.shape[0]:
        out[at] = source(*values[at], *parameters)

found = {}
for name, (source, count, parameters) in tests.SOURCES.items():
    values = tests.pixels(count)
    out = np.zeros((len(values), 3) if name != "range_px" else len(values), np.float32)
    cuda.jit(kernel)[-(-len(values) // 32), 32](source, values, parameters, out)
    found[name] = out
np.savez(sys.argv[1], **found)
"""


@pytest.fixture(scope="module")
def simulated(tmp_path_factory):
    """What the pixel functions and the kernel give in the simulator, by name."""
    path = tmp_path_factory.mktemp("simulator") / "found.npz"
    here = str(Path(__file__).parent)
    environment = {"NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1"}
    environment["PYTHONPATH"] = os.pathsep.join([here, os.environ.get("PYTHONPATH", "")])
    child = subprocess.run(
        [sys.executable, "-c", IN_THE_SIMULATOR, str(path)],
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert child.returncode == 0, child.stderr
    return dict(np.load(path))


@pytest.mark.parametrize("name", SOURCES)
def test_the_simulator_gives_what_the_processor_gives(simulated, name):
    source, count, parameters = SOURCES[name]

    @numba.njit(error_model="numpy")
    def compiled(*given):  # Python itself calls no piece
        return source(*given)

    expected = np.array([compiled(*values, *parameters) for values in pixels(count)], np.float32)
    assert np.ptp(expected) > 0.1, "the values must tell right from wrong"
    np.testing.assert_allclose(simulated[name], expected, rtol=TOLERANCE, atol=TOLERANCE)


# --- what is compiled for a card ------------------------------------------------------------------------------


class _SomeCard:
    """Stands in for the card that is asked which generation to compile called functions for."""

    compute_capability = (8, 0)


def compile_for_a_card(function, signature, monkeypatch, **options) -> str:
    """Return the PTX of a function, or skip where the library that makes it is missing."""
    from numba import cuda

    monkeypatch.setattr("numba.cuda.dispatcher.get_current_device", _SomeCard)
    try:
        cuda.cudadrv.nvvm.NVVM()
    except Exception as error:
        pytest.skip(f"libnvvm is needed to compile for a card: {str(error).splitlines()[0]}")
    return cuda.compile_ptx(function, signature, cc=(8, 0), **options)[0]


def type_of(value):
    from numba import types

    if isinstance(value, bool):
        return types.boolean
    return types.UniTuple(types.float32, len(value)) if isinstance(value, tuple) else types.float32


@pytest.mark.parametrize("name", SOURCES)
def test_a_pixel_function_compiles_for_a_card_without_float64(name, monkeypatch):
    source, count, parameters = SOURCES[name]
    signature = tuple(type_of(value) for value in (*numbers(*[0.0] * count), *parameters))
    ptx = compile_for_a_card(source.py_func, signature, monkeypatch, device=True)
    assert ".f32" in ptx
    assert ".f64" not in ptx
