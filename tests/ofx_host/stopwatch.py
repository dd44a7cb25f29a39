"""Renders of one effect in a host written in C, which costs nothing itself, inside this process."""

from __future__ import annotations

import contextlib
import ctypes
import functools
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from inkarnat.host_adapters.openfx import bundle

from .bundles import built, folder

_COMPONENTS = {4: b"OfxImageComponentRGBA", 3: b"OfxImageComponentRGB", 1: b"OfxImageComponentAlpha"}


@functools.cache
def _library() -> Any:
    made = folder() / "stopwatch.so"
    bundle.compile_c(Path(__file__).with_name("stopwatch.c"), made, shared=True)
    library = ctypes.CDLL(str(made))
    library.render_once.restype = ctypes.c_double
    library.set_number.argtypes = [ctypes.c_char_p, ctypes.c_double]
    library.connect_clip.argtypes = [ctypes.c_char_p, ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int]
    return library


class Stopwatch:
    """One effect with float pixels, (rows, columns, components) each, the lowest row first."""

    def __init__(self, name: str, pixels: Mapping[str, np.ndarray], settings: Mapping[str, float]) -> None:
        height, width = pixels["Output"].shape[:2]
        assert _library().open_effect(str(built()).encode(), f"org.inkarnat.{name}".encode(), width, height)
        for control, value in settings.items():
            assert _library().set_number(control.encode(), value) == 0, control
        self._kept = pixels
        for clip, array in pixels.items():
            words = (clip.encode(), array.ctypes.data, _COMPONENTS[array.shape[2]], array.strides[0])
            assert _library().connect_clip(*words) == 0, clip

    def render(self) -> float:
        """Render into the pixels of Output, and return the seconds that it took."""
        took: float = _library().render_once()
        assert took >= 0, "the render failed"
        return took

    def close(self) -> None:
        _library().close_effect()


@contextlib.contextmanager
def stopwatch(name: str, pixels: Mapping[str, np.ndarray], settings: Mapping[str, float]) -> Iterator[Stopwatch]:
    """Give one effect of the bundle, ready to render; there is one at a time in a process."""
    watch = Stopwatch(name, pixels, settings)
    try:
        yield watch
    finally:
        watch.close()
