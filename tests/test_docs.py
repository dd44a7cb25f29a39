"""Examples in docstrings: each is run and gives what it says."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest


def modules() -> list[str]:
    """The name of every module of the three layers, without importing it."""
    names = []
    for layer in ("kernels", "nodes", "host_adapters"):
        package = importlib.import_module(f"inkarnat.{layer}")
        names.append(package.__name__)
        names += [module.name for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")]
    return [name for name in names if not name.endswith("__main__")]


@pytest.mark.parametrize("name", modules())
def test_examples_in_docstrings(name):
    module = importlib.import_module(name)
    result = doctest.testmod(module, optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    assert result.failed == 0
    # numba's wrappers hide examples from doctest: one inside a compiled function would never run.
    hidden = [
        f"{name}.{key}"
        for key, value in vars(module).items()
        if hasattr(value, "py_func") and ">>>" in (value.py_func.__doc__ or "")
    ]
    assert not hidden
