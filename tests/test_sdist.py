"""The source archive holds all that its own tests need."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def test_the_sdist_holds_every_file_of_the_tree(tmp_path):
    """So that it can run its own tests: conftest, fixtures, the test host, the documents."""
    listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True)
    if listing.returncode != 0:
        pytest.skip("the tree is not a git checkout")
    clone = tmp_path / "clone"
    subprocess.run(["git", "clone", "-q", "--no-hardlinks", ROOT, clone], check=True)
    words = [sys.executable, "-m", "build", "--sdist", "--no-isolation", "--outdir", tmp_path, clone]
    subprocess.run(words, check=True, capture_output=True, env={**os.environ, "PYTHONPATH": ""})
    with tarfile.open(next(tmp_path.glob("*.tar.gz"))) as archive:
        held = {name.partition("/")[2] for name in archive.getnames()}
    committed = subprocess.run(["git", "ls-files", "-z"], cwd=clone, capture_output=True, text=True, check=True)
    assert not set(filter(None, committed.stdout.split("\0"))) - held
