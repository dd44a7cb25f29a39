"""Packaging: the list of packages, the top level of the tree, types, version and command."""

from __future__ import annotations

import hashlib
import importlib
import importlib.metadata
import importlib.resources
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DETECT = ROOT / "host_adapters" / "detect"
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LAYERS = ("kernels", "nodes", "host_adapters")
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "kernels",
    "nodes",
    "host_adapters",
    "tests",
    "test_images",
    ".ci",
    ".gitignore",
}


def folders_with_code() -> list[str]:
    """Every folder of the three layers that holds a Python file, as a package name."""
    folders = {source.parent.relative_to(ROOT) for layer in LAYERS for source in (ROOT / layer).rglob("*.py")}
    return sorted(".".join(("inkarnat", *folder.parts)) for folder in folders)


def test_every_folder_is_packaged():
    """An editable installation hides a forgotten sub-package; a plain one does not have it."""
    assert sorted(PYPROJECT["tool"]["setuptools"]["packages"]) == folders_with_code()


@pytest.mark.parametrize("package", folders_with_code())
def test_every_package_can_be_imported(package):
    module = importlib.import_module(package)
    assert module.__file__ is not None, f"{package} has no __init__.py"
    assert Path(module.__file__).name == "__init__.py"


def test_inkarnat_is_a_namespace():
    assert importlib.import_module("inkarnat").__file__ is None
    mapping = PYPROJECT["tool"]["setuptools"]["package-dir"]
    assert mapping == {f"inkarnat.{layer}": layer for layer in LAYERS}


@pytest.mark.parametrize("layer", LAYERS)
def test_types_are_offered(layer):
    assert importlib.resources.files(f"inkarnat.{layer}").joinpath("py.typed").is_file()


def test_the_top_level_holds_what_it_should():
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    if listing.returncode != 0:
        pytest.skip("the tree is not a git checkout")
    present = {name.partition("/")[0] for name in listing.stdout.split("\0") if name and (ROOT / name).exists()}
    assert present == TOP_LEVEL


def test_readme_and_the_check_of_a_checkout_run_the_same_tests():
    """Both run everything: what is marked ``large`` is left out by whoever asks for that, never by itself."""
    commands = set()
    for name in ("README.md", ".ci/run"):
        text = (ROOT / name).read_text(encoding="utf-8")
        (words,) = re.findall(r"python -m pytest\b([^\n`]*)", text)
        commands.add(words.replace("-p no:cacheprovider", "").strip())
    assert commands == {"-n auto"}
    assert not re.search(r"(^|\s)-[mk]\b", PYPROJECT["tool"]["pytest"]["ini_options"]["addopts"])


def test_one_distribution_alone_owns_opencv():
    """Two wheels that bring ``cv2`` overwrite each other; the headless one alone needs no libGL."""
    owners = set(importlib.metadata.packages_distributions().get("cv2", ()))
    assert owners == {"opencv-python-headless"}
    asked = {
        name
        for wanted in (PYPROJECT["project"]["dependencies"], *PYPROJECT["project"]["optional-dependencies"].values())
        for name in wanted
        if "opencv" in name
    }
    assert asked == {"opencv-python-headless>=4.10"}


def test_no_newer_numba_than_was_tried_is_taken():
    """Kernels use a few names of numba that are not public: a version comes in when it has been tried."""
    (numba,) = (name for name in PYPROJECT["project"]["dependencies"] if name.startswith("numba"))
    assert "<" in numba


def test_the_installed_version_is_that_of_the_tree():
    assert importlib.metadata.version("inkarnat") == PYPROJECT["project"]["version"]


def test_the_licence_travels_along():
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "Apache License" in text
    assert "Version 2.0, January 2004" in text
    assert PYPROJECT["project"]["license"] == "Apache-2.0 AND MIT"  # MIT: the face detector's file
    texts = {path.name: path.read_text(encoding="utf-8") for path in DETECT.glob("*.txt")}
    for network in (*DETECT.glob("*.onnx"), *DETECT.glob("*.tflite")):
        digest = hashlib.sha256(network.read_bytes()).hexdigest()
        ((name, text),) = ((name, text) for name, text in texts.items() if digest in text)
        assert network.name in text
        assert "Permission is hereby granted" in text or "Apache License" in text
        assert f"host_adapters/detect/{name}" in PYPROJECT["project"]["license-files"]
        assert f"*{network.suffix}" in PYPROJECT["tool"]["setuptools"]["package-data"]["inkarnat.host_adapters.detect"]
    # A build in the checkout leaves a second description of the package behind, which lists no licence.
    installed = importlib.metadata.distributions(name="inkarnat")
    assert any(path.name == "LICENSE" for package in installed for path in package.files or [])


def test_the_command_is_installed():
    (command,) = importlib.metadata.entry_points(group="console_scripts", name="inkarnat")
    assert callable(command.load())
