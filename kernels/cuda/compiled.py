"""Machine code of kernels: compiled by numba's public functions for the card, and kept between runs.

What is kept lies in a folder of its own beside that of the processor's kernels, named by a hash of all kernel sources
and of every package that takes part: numba's own cache would give stale code where a called function in another file
changes.
"""

from __future__ import annotations

import importlib
import re
import sys
import warnings
from collections.abc import Callable
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
from numba import cuda

from .. import kept_code
from ..devices import DeviceError
from .found import HOW_TO_INSTALL, reason, versions

RECIPROCAL = {"arcp"}
"""Quotients and roots within two units in the last place and no denormals, several times faster; nothing is reordered,
and what is not finite stays so."""

_PACKAGES = ("numba", "numba-cuda", "llvmlite", "numpy", "cuda-core", "nvidia-nvvm", "nvidia-nvjitlink")


def source_digest() -> str:
    """Return the hash (16 hexadecimal digits) of the code of all kernels and of the versions of what compiles them."""
    here = Path(__file__).parent
    digest = kept_code.digest_of((*sorted(here.parent.glob("*.py")), *sorted(here.glob("*.py"))))
    digest.update(sys.version.encode())
    for package in _PACKAGES:
        try:
            digest.update(f"{package} {version(package)}".encode())
        except PackageNotFoundError:
            digest.update(package.encode())
    return str(digest.hexdigest()[:16])


@cache
def folder() -> Path | None:
    """Return where the code of kernels for cards is kept; None where nothing is writable."""
    return kept_code.find_folder(f"cuda-{source_digest()}")


def machine_code(
    name: str, function: Callable[..., Any], signature: tuple[Any, ...], generation: tuple[int, ...]
) -> tuple[bytes, str]:
    """Return the code of a kernel for some types and a generation of cards, and its name in it.

    Raises DeviceError where it cannot be compiled.
    """
    where, fixed = folder(), fixed_in(function)
    if where is None or fixed is None:
        return _compiled(name, function, signature, generation)
    key = (name, fixed, str(signature), tuple(generation))
    path = kept_code.path_of(where, f"cuda.{name}", key)
    code: tuple[bytes, str] | None = kept_code.kept(path, key)
    if code is None:
        code = _compiled(name, function, signature, generation)
        kept_code.keep(path, key, code)
    return code


def fixed_in(function: Any) -> str | None:
    """Return in words what a function was made with: its own closure's values, and those of what it calls.

    None for a value that words cannot tell from others: such a function's code is not kept.
    """
    function = getattr(function, "py_func", function)
    words = [function.__qualname__]
    for cell in function.__closure__ or ():
        value = cell.cell_contents
        if value is None or isinstance(value, (int, float, str, tuple, np.generic)):
            words.append(repr(value))
        elif callable(value) and hasattr(getattr(value, "py_func", value), "__closure__"):
            inner = fixed_in(value)
            if inner is None:
                return None
            words.append(inner)
        else:
            return None
    return f"({' '.join(words)})"


def _compiled(
    name: str, function: Callable[..., Any], signature: tuple[Any, ...], generation: tuple[int, ...]
) -> tuple[bytes, str]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            compiling: Any = cuda
            given = compiling.compile_ptx(function, signature, cc=tuple(generation[:2]), fastmath=RECIPROCAL)
        ptx: str = given[0]
        entry = re.search(r"\.entry\s+([\w$]+)", ptx)
        if entry is None:
            raise ValueError("numba gave no kernel")
        return _assembled(ptx, generation), entry[1]
    except Exception as error:  # what compilers raise has no common base
        raise DeviceError(
            f"numba cannot compile {name} for the card ({versions()}): {reason(error)}. {HOW_TO_INSTALL}"
        ) from error


def _assembled(ptx: str, generation: tuple[int, ...]) -> bytes:
    """Return machine code; where the package that makes it is missing, what the driver makes it from by itself."""
    try:
        core: Any = importlib.import_module("cuda.core")
        options = core.ProgramOptions(arch=f"sm_{generation[0]}{generation[1]}")
        program = core.Program(ptx, code_type="ptx", options=options)
    except (ImportError, AttributeError):
        return ptx.encode() + b"\0"
    return bytes(program.compile("cubin").code)
