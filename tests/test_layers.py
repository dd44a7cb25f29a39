"""Layers: imports point downwards only, and the words of the project stay its own."""

from __future__ import annotations

import ast
import functools
import re
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LAYERS = ("kernels", "nodes", "host_adapters")
SOURCES = {layer: sorted((ROOT / layer).rglob("*.py")) for layer in LAYERS}

IMPORT_NAMES = {
    "colour-science": "colour",
    "pillow": "PIL",
    "openimageio": "OpenImageIO",
    "opencolorio": "PyOpenColorIO",
    "opencv-python-headless": "cv2",
    "scikit-image": "skimage",
}
"""The import names of those dependencies whose package is named otherwise."""


@dataclass(frozen=True)
class Import:
    """One imported name: ``from <module> import <name>`` or ``import <module>``, its module absolute."""

    module: str
    name: str
    lazy: bool
    line: int

    @property
    def top(self) -> str:
        """The first part of the module's name."""
        return self.module.partition(".")[0]


@functools.cache
def imports(source: Path) -> tuple[Import, ...]:
    """Return every import of a file, relative ones resolved; lazy ones lie inside a function or TYPE_CHECKING."""
    package = ("inkarnat", *source.relative_to(ROOT).parent.parts)

    def visit(node: ast.AST, lazy: bool) -> Iterator[Import]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.Import):
                yield from (Import(alias.name, "", lazy, child.lineno) for alias in child.names)
            elif isinstance(child, ast.ImportFrom):
                above = package[: len(package) - child.level + 1] if child.level else ()
                module = ".".join([*above, *([child.module] if child.module else [])])
                yield from (Import(module, alias.name, lazy, child.lineno) for alias in child.names)
            inside = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda) or (
                isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test)
            )
            yield from visit(child, lazy or inside)

    return tuple(visit(ast.parse(source.read_text(encoding="utf-8")), False))


def parametrised(*layers: str) -> pytest.MarkDecorator:
    files = [source for layer in layers for source in SOURCES[layer]]
    return pytest.mark.parametrize("source", files, ids=[str(source.relative_to(ROOT)) for source in files])


def from_outside(source: Path) -> list[Import]:
    """The imports of a file that are neither of the standard library nor of the project."""
    return [item for item in imports(source) if item.top != "inkarnat" and item.top not in sys.stdlib_module_names]


def from_the_project(source: Path) -> list[Import]:
    return [item for item in imports(source) if item.top == "inkarnat"]


def test_the_layers_are_found():
    assert all(len(files) >= 3 for files in SOURCES.values())


@parametrised("kernels")
def test_kernels_import_numpy_numba_and_each_other(source):
    allowed = {"numpy", "numba"} | ({"llvmlite"} if source.name in ("jit.py", "stream.py", "hand_out.py") else set())
    for item in from_outside(source):
        if source.name == "kept_code.py":
            allowed = allowed | {"platformdirs"}
        assert item.top in allowed, f"{source.name}:{item.line} imports {item.module}"
    for item in from_the_project(source):
        assert item.module.startswith("inkarnat.kernels"), f"{source.name}:{item.line} imports {item.module}"


@parametrised("nodes")
def test_nodes_import_kernels_and_each_other(source):
    for item in from_outside(source):
        assert item.top == "numpy" or (item.top in ("colour", "PIL") and item.lazy), (
            f"{source.name}:{item.line} imports {item.module}; colour-science and Pillow only inside functions"
        )
    for item in from_the_project(source):
        assert item.module.startswith(("inkarnat.kernels", "inkarnat.nodes")), (
            f"{source.name}:{item.line} imports {item.module}"
        )


@parametrised("host_adapters")
def test_adapters_know_no_single_node_module(source):
    """They take the public names of ``inkarnat.nodes``; of its modules only the declarations and the samples."""
    modules = {path.stem for path in SOURCES["nodes"]} - {"__init__", "declare", "sample"}
    for item in from_the_project(source):
        where = f"{source.relative_to(ROOT)}:{item.line}"
        if item.module.startswith("inkarnat.nodes."):
            assert item.module in ("inkarnat.nodes.declare", "inkarnat.nodes.sample"), f"{where} imports {item.module}"
        if item.module == "inkarnat.nodes":
            assert item.name not in modules, f"{where} imports the module {item.name} of nodes"
            assert not item.name.startswith("_"), f"{where} imports the private {item.name}"


@parametrised("host_adapters")
def test_adapters_import_declared_dependencies_only(source):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [name for extra, names in project["optional-dependencies"].items() if extra != "test" for name in names]
    packages = [re.split(r"[^\w.-]", name)[0] for name in (*project["dependencies"], *extras)]
    allowed = {IMPORT_NAMES.get(package, package.replace("-", "_")) for package in packages}
    for item in from_outside(source):
        assert item.top in allowed, f"{source.relative_to(ROOT)}:{item.line} imports {item.module}"


# --- rooms --------------------------------------------------------------------------------------------------

FLOORS = {
    "commands": 5,
    **{"bench": 4, "desk": 4, "farm": 4, "report": 4},
    "shots": 3,
    **{"graphs": 2, "openfx": 2},
    **{"describe": 1, "detect": 1, "media": 1, "warm_up": 1, "workshop": 1},
    **{"locks": 0, "logs": 0, "made": 0, "second_look": 0, "sequences": 0, "transforms": 0, "writes": 0},
    "headless": 5,
}
"""The rooms of ``host_adapters`` by floor; a room imports from floors below its own alone.

Those of one floor do not know each other, except on the ground, which everybody may import. ``headless`` holds the
names of an earlier version and imports nothing by itself.
"""

APART = {"openfx": {"media", "graphs", "shots", "detect", "workshop"}}
"""What a room keeps away from although it lies below: a host's process gets no library that reads files."""


def room_of(parts: Sequence[str]) -> str:
    """The room that a path or module below ``host_adapters`` belongs to."""
    return parts[0].removesuffix(".py")


def up(source: Path, item: Import) -> str:
    """Say how an import leads up or sideways; an empty string where it leads down."""
    place = ".".join((item.module, item.name)).removeprefix("inkarnat.host_adapters").strip(".")
    parts = source.relative_to(ROOT / "host_adapters").parts
    if not item.module.startswith("inkarnat.host_adapters") or parts == ("__init__.py",):
        return ""
    own, other = room_of(parts), room_of(place.split("."))
    if own == other or (FLOORS[own] > FLOORS[other] and other not in APART.get(own, ())):
        return ""
    if FLOORS[own] == FLOORS[other] == 0:
        return ""
    return f"{source.relative_to(ROOT)}:{item.line}: {own} imports {place}"


def test_every_room_has_its_floor():
    folder = ROOT / "host_adapters"
    rooms = {room_of(path.relative_to(folder).parts) for path in SOURCES["host_adapters"]} - {"__init__"}
    assert rooms == set(FLOORS)


@parametrised("host_adapters")
def test_rooms_import_downwards_only(source):
    assert not list(filter(None, (up(source, item) for item in from_the_project(source))))


def test_ways_up_and_sideways_are_seen():
    def seen(place: str, module: str, name: str) -> bool:
        source = ROOT / "host_adapters" / place
        return bool(up(source, Import(f"inkarnat.host_adapters{module}", name, False, 1)))

    assert seen("graphs/outputs.py", "", "commands")
    assert seen("graphs/outputs.py", ".commands.console", "warn")
    assert seen("media/clips.py", ".graphs.graph", "Graph")
    assert seen("graphs/runner.py", ".shots", "carry")
    assert seen("shots/carry.py", ".desk.state", "State")
    assert seen("desk/server.py", ".farm.run", "run")
    assert seen("openfx/render.py", ".media.pictures", "read_picture")
    assert not seen("openfx/render.py", ".writes", "atomic")
    assert not seen("shots/carry.py", ".graphs.graph", "Graph")
    assert not seen("writes.py", ".sequences", "SequencePattern")
    assert not seen("commands/correct.py", "", "workshop")


def test_the_import_reader_reads_every_form(tmp_path, monkeypatch):
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    source = tmp_path / "nodes" / "x.py"
    source.parent.mkdir()
    source.write_text(
        "import numpy as np\nfrom . import declare\nfrom ..kernels import steer\nfrom ..kernels.errors import E\n"
        "def f():\n    import colour\n"
    )
    assert [(item.module, item.name, item.lazy) for item in imports(source)] == [
        ("numpy", "", False),
        ("inkarnat.nodes", "declare", False),
        ("inkarnat.kernels", "steer", False),
        ("inkarnat.kernels.errors", "E", False),
        ("colour", "", True),
    ]


# Written in two parts so that this file does not break its own rule.
UNWANTED = re.compile(
    "|".join(["proto" + "type", "issue" + r"s? #?\d", "TO" + "DO", "FIX" + "ME", r"\bX" + r"XX\b"]), re.I
)
TEXTS = (".py", ".c", ".h", ".md", ".toml", ".csv", ".yaml", ".yml", ".json", ".html", ".css", ".js", ".txt", ".cfg")


def test_no_file_speaks_of_unfinished_work():
    texts = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "pyproject.toml", ROOT / ".ci" / "run"]
    for folder in (*LAYERS, "tests", "test_images"):
        texts += [path for path in (ROOT / folder).rglob("*") if path.suffix in TEXTS]
    found = []
    for path in filter(Path.is_file, texts):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if match := UNWANTED.search(line):
                found.append(f"{path.relative_to(ROOT)}:{number}: {match.group()}")
    assert not found, "\n".join(found)


@parametrised(*LAYERS)
def test_every_file_opens_with_one_line_that_says_what_lives_there(source):
    description = ast.get_docstring(ast.parse(source.read_text(encoding="utf-8")))
    assert description, "no docstring"
    first, _, rest = description.partition("\n")
    assert first.endswith(".")
    assert not rest or rest.startswith("\n"), "the first line has to stand alone"
