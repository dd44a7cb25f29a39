"""Old names: what scripts imported from version 0.1.0 is there for one release more, and warns."""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys

import pytest
from inkarnat import nodes
from inkarnat.host_adapters import headless
from inkarnat.host_adapters.graphs.graph import Graph

NAMES = {
    "cli": ("cli", "main"),
    "clips": ("open_clip", "open_writer", "parse_frames", "Frames", "SequencePattern", "FrameRangeError"),
    "colour_spaces": ("convert_around", "in_working", "space_notes", "output_tags"),
    "commands.render": ("render_files", "check_range", "command"),
    "commands.warm": ("command", "warm_node", "warm_solvers"),
    "errors": ("GraphError", "NodeError", "FramesError", "exit_code"),
    "faces": ("find_faces", "seed", "Face", "FaceError", "available", "face_samples"),
    "files": ("InputError", "OutputError", "atomic", "check_input", "check_output"),
    "graph": ("Graph", "Step"),
    "locks": ("locked", "sweep"),
    "people": ("People", "Person"),
    "pictures": ("read_picture", "write_picture"),
    "runner": ("Runner", "render"),
    "video": ("VideoReader", "VideoWriter", "VideoInfo", "CODECS", "READ_SUFFIXES"),
}
"""Names that version 0.1.0 had, by their modules below ``inkarnat.host_adapters.headless``."""


def old(module: str):
    name = f"{headless.__name__}.{module}"
    sys.modules.pop(name, None)
    with pytest.warns(DeprecationWarning, match="has moved to inkarnat.host_adapters"):
        return importlib.import_module(name)


@pytest.mark.parametrize("module", NAMES)
def test_names_are_found_where_they_were(module):
    found = old(module)
    for name in NAMES[module]:
        assert hasattr(found, name), name
    with pytest.raises(AttributeError, match="no attribute 'not_there'"):
        _ = found.not_there


def test_a_name_is_the_thing_itself():
    assert old("graph").Graph is Graph
    from inkarnat.host_adapters.headless.graph import Graph as same

    assert same is Graph
    assert pickle.loads(b"cinkarnat.host_adapters.headless.graph\nGraph\n.") is Graph


@pytest.mark.parametrize("module", [name for name, places in headless.MOVED.items() if places])
def test_every_place_is_there(module):
    for place in headless.MOVED[module]:
        importlib.import_module(f"inkarnat.host_adapters.{place}")


def test_a_module_that_never_was():
    with pytest.raises(ModuleNotFoundError, match="never"):
        importlib.import_module(f"{headless.__name__}.never")


def test_the_command_line_starts_by_its_old_name():
    done = subprocess.run(
        [sys.executable, "-m", "inkarnat.host_adapters.headless.cli", "--version"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("inkarnat ")
    assert "DeprecationWarning" in done.stderr
    assert "inkarnat.host_adapters.commands.cli" in done.stderr


@pytest.mark.parametrize(("old", "now"), [("Lesson", "LearnedKey"), ("Wishes", "CorrectionOptions")])
def test_an_old_name_of_a_class_works_for_one_release_more(old, now):
    with pytest.warns(DeprecationWarning, match=now):
        assert getattr(nodes, old) is getattr(nodes, now)
