"""Examples in docstrings: nodes, public functions of the nodes, and kernels in use; each gives what it says."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import pkgutil
from pathlib import Path
from types import ModuleType

import inkarnat.nodes
import numpy as np
import pytest
from inkarnat.kernels import arrays
from inkarnat.nodes import NODES


def modules() -> list[str]:
    """The name of every module of the three layers, without importing it."""
    names = []
    for layer in ("kernels", "nodes", "host_adapters"):
        package = importlib.import_module(f"inkarnat.{layer}")
        names.append(package.__name__)
        names += [module.name for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")]
    return [name for name in names if not name.endswith("__main__")]


PUBLIC = {name: getattr(inkarnat.nodes, name) for name in inkarnat.nodes.__all__}

MACHINERY = {"devices", "jit", "kept_code", "strips", "tiles"}
"""Modules of the kernels that make no picture: they compile kernels, keep them, share them out and send them away."""


def kernels_in_use() -> dict[str, object]:
    """The functions of kernels on which a node or an adapter calls, by ``module.name``."""
    root = Path(importlib.import_module("inkarnat.kernels").__path__[0]).parent
    used = set()
    for source in [*(root / "nodes").glob("*.py"), *(root / "host_adapters").rglob("*.py")]:
        tree = ast.parse(source.read_text(encoding="utf-8"))
        whole = {}
        for line in ast.walk(tree):
            if isinstance(line, ast.ImportFrom) and line.module and "kernels" in line.module.split("."):
                below = line.module.partition("kernels")[2].lstrip(".")
                for name in line.names:
                    used.add((below, name.name))
                    if not below:
                        whole[name.asname or name.name] = name.name
        for line in ast.walk(tree):
            if isinstance(line, ast.Attribute) and isinstance(line.value, ast.Name) and line.value.id in whole:
                used.add((whole[line.value.id], line.attr))
    found = {}
    for module, name in sorted(used):
        if module and "." not in module and module not in MACHINERY and module != "cuda":
            thing = getattr(importlib.import_module(f"inkarnat.kernels.{module}"), name, None)
            if inspect.isfunction(thing):
                found[f"{module}.{name}"] = thing
    return found


KERNELS = kernels_in_use()
EXPLAINED = {name: thing for name, thing in PUBLIC.items() if inspect.isfunction(thing)} | NODES | KERNELS


class Finder(doctest.DocTestFinder):
    """Finds the examples of wrapped functions too, such as kernels that work on several devices."""

    def _from_module(self, module: ModuleType, object: object) -> bool:
        own = inspect.isfunction(object) and object.__module__ == module.__name__
        return own or super()._from_module(module, object)


def run_examples(module: ModuleType) -> doctest.TestResults:
    """Run every example that a module defines."""
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    with np.printoptions(legacy=False):  # colour-science, once imported, has numpy print as it did years ago
        for test in Finder(exclude_empty=True).find(module):
            runner.run(test)
    return runner.summarize()


def test_examples_hold_whatever_another_library_made_of_printing():
    with np.printoptions(legacy="1.13"):
        assert run_examples(arrays).failed == 0


def test_the_kernels_in_use_are_found():
    """Were the walk to miss them, none would need an example."""
    assert len(KERNELS) > 90
    assert {"steer.turn", "qualify.learned_key", "region.ellipse", "codes.quantise"} <= set(KERNELS)


@pytest.mark.parametrize("name", EXPLAINED)
def test_every_public_function_node_and_kernel_in_use_carries_an_example(name):
    examples = doctest.DocTestParser().get_examples(EXPLAINED[name].__doc__ or "")
    assert examples
    assert any(example.want for example in examples), "an example that gives nothing shows nothing"


def test_examples_are_found_where_they_are_run():
    """Doctest looks at what a module defines itself: fewer examples than there are written would be run by nobody."""
    finder = Finder(exclude_empty=True)
    run = sum(len(test.examples) for name in modules() for test in finder.find(importlib.import_module(name)))
    written = sum(len(doctest.DocTestParser().get_examples(thing.__doc__ or "")) for thing in EXPLAINED.values())
    assert run >= written > 300


@pytest.mark.parametrize("name", modules())
def test_examples_in_docstrings(name):
    module = importlib.import_module(name)
    assert run_examples(module).failed == 0
    # numba's wrappers hide examples from doctest: one inside a compiled function would never run.
    hidden = [
        f"{name}.{key}"
        for key, value in vars(module).items()
        if hasattr(value, "py_func") and ">>>" in (value.py_func.__doc__ or "")
    ]
    assert not hidden
