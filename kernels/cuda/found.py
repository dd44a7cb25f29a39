"""Finding cards: one clear sentence for each way in which there is none."""

from __future__ import annotations

import contextlib
import importlib
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from ..devices import DeviceError

HOW_TO_INSTALL = (
    "It needs a graphics card that runs CUDA, its driver and numba's package for it: pip install 'inkarnat[cuda]', or "
    "'numba-cuda[cu12]' for a driver of CUDA 12."
)
_OLDEST = (5, 0)
"""The oldest generation of cards that CUDA 12 knows, by compute capability."""


def find_card(index: int = 0) -> tuple[Any, str]:
    """Return the module ``numba.cuda`` and the name of a card.

    Raises DeviceError where numba-cuda is missing or does not fit, there is no such card, or its driver is too old.
    """
    try:
        cuda: Any = importlib.import_module("numba.cuda")
        here = cuda.is_available()
    except Exception as error:  # what a package or a driver that does not fit raises has no common base
        raise DeviceError(f"The graphics card cannot be used: {reason(error)}. {HOW_TO_INSTALL}") from None
    if not here:
        raise DeviceError(f"There is no graphics card that numba can use{_why_not(cuda)}. {HOW_TO_INSTALL}")
    try:
        cards = [card.id for card in cuda.gpus] if hasattr(cuda.gpus, "lst") else list(range(len(cuda.gpus)))
        if index not in cards:
            raise DeviceError(f"There is no graphics card cuda:{index}: there {_count(len(cards))}, from cuda:0 on.")
        cuda.select_device(index)
        device = cuda.get_current_device() if hasattr(cuda, "get_current_device") else cuda.gpus[index]
        name = getattr(device, "name", "simulated card")
        generation = tuple(getattr(device, "compute_capability", _OLDEST))
    except DeviceError:
        raise
    except Exception as error:
        raise DeviceError(f"The graphics card cannot be used: {reason(error)}. {HOW_TO_INSTALL}") from None
    if generation < _OLDEST:
        found, wanted = (".".join(map(str, pair)) for pair in (generation, _OLDEST))
        raise DeviceError(f"The graphics card {name} is too old: it is of generation {found}, and {wanted} is needed.")
    return cuda, name.decode() if isinstance(name, bytes) else str(name)


def compile_first(launch: Callable[[], None]) -> None:
    """Launch for the first time. Raises DeviceError where numba cannot compile for the card."""
    try:
        launch()
    except DeviceError:
        raise
    except Exception as error:  # the compiler's errors have no common base either
        raise DeviceError(f"numba cannot compile for the card: {reason(error)}. {HOW_TO_INSTALL}") from error


def software(cuda: Any) -> str:
    """Return the versions of what works on a card, in words."""
    parts = [versions()]
    with contextlib.suppress(Exception):
        parts.append("CUDA " + ".".join(str(number) for number in cuda.runtime.get_version()))
    return ", ".join(parts)


def versions() -> str:
    """Return the versions of the packages that have to fit."""
    packages = ("numba", "numba-cuda", "numpy")
    return ", ".join(f"{package} {found}" for package in packages if (found := _version(package)))


def reason(error: Exception) -> str:
    """Say in one line why an error came; with the versions where two packages do not fit."""
    line = next((line for line in str(error).splitlines() if line.strip()), type(error).__name__).strip().rstrip(".")
    if isinstance(error, AttributeError | ImportError) and "numpy" in line:
        found = [f"{package} {_version(package) or 'missing'}" for package in ("numba-cuda", "numba", "numpy")]
        line = f"{', '.join(found[:-1])} and {found[-1]} do not fit ({line}); install a newer numba-cuda, or numpy<2.5"
    elif "INSUFFICIENT_DRIVER" in line or "driver version is insufficient" in line:
        line = f"its driver is too old ({line}); install a newer driver, or numba-cuda for the CUDA version it knows"
    return line


def _why_not(cuda: Any) -> str:
    """Say what the driver gave as the reason, where it gave one."""
    try:
        error = cuda.cuda_error()
    except Exception as raised:
        error = raised
    return "" if error is None else f" ({reason(error if isinstance(error, Exception) else Exception(str(error)))})"


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return ""


def _count(cards: int) -> str:
    return "is 1" if cards == 1 else f"are {cards}"
