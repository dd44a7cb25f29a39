"""Examples in docstrings: every public function of the nodes and every node has one, and each gives what it says."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil

import inkarnat.nodes
import pytest
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
EXPLAINED = {name: thing for name, thing in PUBLIC.items() if inspect.isfunction(thing)} | NODES


@pytest.mark.parametrize("name", EXPLAINED)
def test_every_public_function_and_node_carries_an_example(name):
    examples = doctest.DocTestParser().get_examples(EXPLAINED[name].__doc__ or "")
    assert examples
    assert any(example.want for example in examples), "an example that gives nothing shows nothing"


def test_examples_are_found_where_they_are_run():
    """Doctest looks at what a module defines itself: fewer examples than there are written would be run by nobody."""
    finder = doctest.DocTestFinder(exclude_empty=True)
    run = sum(len(test.examples) for name in modules() for test in finder.find(importlib.import_module(name)))
    written = sum(len(doctest.DocTestParser().get_examples(thing.__doc__ or "")) for thing in EXPLAINED.values())
    assert run >= written > 100


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
