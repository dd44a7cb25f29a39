"""The pixel functions on a graphics card: one measured run of key and steering beside the card's own copy rate."""

from __future__ import annotations

import contextlib
import importlib
import statistics
from collections.abc import Callable
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from ...kernels import qualify, steer
from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from .frames import skin_frame

HOW_TO_INSTALL = (
    "It needs an NVIDIA card with its driver and numba's package for it: pip install 'numba-cuda[cu13]' "
    "(cu12 for a driver of CUDA 12)."
)
LARGEST_DIFFERENCES = (1e-3, 1e-6)
"""How far matte and picture may be from the processor's. The card joins a multiplication and an addition into one
rounding; the hue of a nearly grey pixel magnifies that in the matte, and turning a nearly grey pixel hides it again."""

_HUE, _CHROMA, _LUMA, _FADE = (105.0, 141.0), (0.02, 0.35), (0.08, 1.0), 0.06
_ANGLE, _SATURATION = 9.0, 1.05


class CardError(InkarnatError, RuntimeError):
    """There is no usable graphics card, or it does not compute what the processor computes."""


@dataclass(frozen=True)
class CardRun:
    """What was measured on a card: medians, per frame.

    Bytes are those that must be read and written at least: 24 for each pixel of a copy, 28 where a matte is written
    too. :ivar ratio: of the two rates. :ivar alone_ms: one frame in a launch of its own, from start to end.
    :ivar matte_difference, result_difference: the largest difference from the processor's.
    """

    card: str
    software: str
    size: tuple[int, int]
    frames: int
    copy_ms: float
    copy_bytes_per_second: float
    key_and_steer_ms: float
    key_and_steer_bytes_per_second: float
    ratio: float
    alone_ms: float
    matte_difference: float
    result_difference: float

    def as_dict(self) -> dict[str, Any]:
        """Return the run as JSON data."""
        return asdict(self)


def measure_card(width: int = 3840, height: int = 2160, frames: int = 8, rounds: int = 20) -> CardRun:
    """Key (plain ranges) and steer pictures on the card, check them against the processor's, and time both and a copy.

    All frames lie in the card's memory, more than its caches hold, and go through in one launch; the copy is the
    card's own, of the same frames. Raises CardError without a card or where the results differ.
    """
    cuda, card = find_card()
    picture = skin_frame(width, height)
    pixels = width * height
    source = cuda.device_array(3 * pixels * frames, np.float32)
    target, mattes = cuda.device_array_like(source), cuda.device_array(pixels * frames, np.float32)
    for frame in range(frames):
        source[3 * pixels * frame : 3 * pixels * (frame + 1)].copy_to_device(picture.reshape(-1))
    numbers = cuda.to_device(kernel_numbers())

    def launch(count: int) -> None:
        run_kernel(source[: 3 * count], mattes[:count], target[: 3 * count], numbers)

    compile_first(lambda: launch(pixels * frames))
    last = pixels * (frames - 1)
    differences = differences_from_processor(picture, mattes[last:].copy_to_host(), target[3 * last :].copy_to_host())
    copy = _milliseconds(cuda, lambda: target.copy_to_device(source), rounds) / frames
    both = _milliseconds(cuda, lambda: launch(pixels * frames), rounds) / frames
    copy_rate, rate = 24 * pixels / copy * 1000, 28 * pixels / both * 1000
    return CardRun(
        card=card,
        software=_software(cuda),
        size=(width, height),
        frames=frames,
        copy_ms=copy,
        copy_bytes_per_second=copy_rate,
        key_and_steer_ms=both,
        key_and_steer_bytes_per_second=rate,
        ratio=rate / copy_rate,
        alone_ms=_milliseconds(cuda, lambda: launch(pixels), rounds),
        matte_difference=differences[0],
        result_difference=differences[1],
    )


def find_card() -> tuple[Any, str]:
    """Return the module ``numba.cuda`` and the name of the card. Raises CardError where there is none."""
    try:
        cuda: Any = importlib.import_module("numba.cuda")
    except ImportError as error:
        raise CardError(f"numba cannot reach a graphics card: {error}. {HOW_TO_INSTALL}") from None
    try:
        name = cuda.get_current_device().name if cuda.is_available() else None
    except Exception as error:  # the driver's errors have no common base
        raise CardError(f"The graphics card cannot be used: {_first_line(error)}. {HOW_TO_INSTALL}") from None
    if name is None:
        raise CardError(f"There is no graphics card that numba can use. {HOW_TO_INSTALL}")
    return cuda, name.decode() if isinstance(name, bytes) else str(name)


def compile_first(launch: Callable[[], None]) -> None:
    """Launch for the first time. Raises CardError where numba cannot compile for the card."""
    try:
        launch()
    except Exception as error:  # the compiler's errors have no common base either
        raise CardError(f"numba cannot compile for the card: {_first_line(error)}. {HOW_TO_INSTALL}") from error


def _first_line(error: Exception) -> str:
    return next((line for line in str(error).splitlines() if line.strip()), type(error).__name__).strip()


def _software(cuda: Any) -> str:
    parts = []
    for package in ("numba", "numba-cuda"):
        with contextlib.suppress(PackageNotFoundError):
            parts.append(f"{package} {version(package)}")
    if hasattr(cuda, "runtime"):
        parts.append("CUDA " + ".".join(str(number) for number in cuda.runtime.get_version()))
    return ", ".join(parts)


def run_kernel(image: Any, matte: Any, out: Any, numbers: Any) -> None:
    """Launch the kernel over flat RGB, (3 · N,), with a thread for each of the N pixels of ``matte``."""
    from .card_kernel import BLOCK, key_and_steer

    key_and_steer[-(-matte.size // BLOCK), BLOCK](image, matte, out, numbers)


def kernel_numbers() -> Floats:
    """Return the kernel's parameters, float32 (11,): those of the range key and those of the turn."""
    ranges = qualify.range_constants(_HUE, _CHROMA, _LUMA, _FADE)
    return np.array([*ranges, *steer.rotation(_ANGLE, _SATURATION)], np.float32)


def differences_from_processor(picture: Floats, matte: Floats, result: Floats) -> tuple[float, float]:
    """Return by how much a matte and a picture made by the kernel differ from the processor's at most.

    Raises CardError above :data:`LARGEST_DIFFERENCES`, or where a value is not a number.
    """
    own_matte = qualify.range_key(picture, _HUE, _CHROMA, _LUMA, _FADE)
    own_result = steer.turn(picture, own_matte, _ANGLE, _SATURATION)
    differences = tuple(
        float(np.abs(found.reshape(own.shape) - own).max()) for found, own in ((matte, own_matte), (result, own_result))
    )
    if not all(difference <= most for difference, most in zip(differences, LARGEST_DIFFERENCES, strict=True)):
        raise CardError(
            f"The card's results differ from the processor's by {differences[0]:.2g} (matte) and {differences[1]:.2g} "
            f"(picture), and {LARGEST_DIFFERENCES[0]:g} and {LARGEST_DIFFERENCES[1]:g} are allowed for rounding: "
            "its times would mean nothing."
        )
    return differences[0], differences[1]


def _milliseconds(cuda: Any, work: Callable[[], Any], rounds: int) -> float:
    """Return the median time between the card's own marks before and after the work, after two rounds to warm up."""
    times = []
    for _ in range(rounds + 2):
        start, end = cuda.event(), cuda.event()
        start.record()
        work()
        end.record()
        end.synchronize()
        times.append(cuda.event_elapsed_time(start, end))
    return float(statistics.median(times[2:]))
