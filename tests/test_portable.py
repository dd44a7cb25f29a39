"""Without what Linux alone has: every module is imported and a picture corrected; no other system is shut out."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
from inkarnat.host_adapters.media.pictures import read_picture, write_picture

HIDE = """
import builtins, importlib, io, os, pkgutil, sys
for name in ("fcntl", "resource", "pwd", "grp", "termios"):
    sys.modules[name] = None
for name in ("sched_getaffinity", "sched_setaffinity", "pwrite", "pread", "posix_fallocate", "posix_fadvise"):
    if hasattr(os, name):
        delattr(os, name)

def without_proc(opened):
    def opening(file, *rest, **named):
        if str(file).startswith(("/proc", "/sys")):
            raise FileNotFoundError(2, "No such file or directory", file)
        return opened(file, *rest, **named)
    return opening

builtins.open = without_proc(builtins.open)
io.open = without_proc(io.open)
"""
"""What macOS or Windows do not have, taken away before anything of ours is imported."""

IMPORT = """
count = 0
for layer in ("kernels", "nodes", "host_adapters"):
    package = importlib.import_module(f"inkarnat.{layer}")
    for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        importlib.import_module(found.name)
        count += 1
print(count)
"""

CORRECT = """
from inkarnat.host_adapters.commands.cli import cli
cli.main(["correct", "in.png", "-o", "out.png", "--add", "box:.2,.2,.8,.8", "--graph-out", "o.json"])
"""


def run(code: str, folder) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", HIDE + code]
    return subprocess.run(
        command, cwd=folder, env=os.environ | {"INKARNAT_THREADS": "1"}, capture_output=True, text=True, timeout=300
    )


def test_every_module_is_imported(tmp_path):
    done = run(IMPORT, tmp_path)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 120


def test_a_picture_is_corrected_under_locks_that_are_not_there(tmp_path):
    grain = np.random.default_rng(1).normal(0, 0.01, (36, 64, 3))
    write_picture(tmp_path / "in.png", (np.array([0.72, 0.52, 0.43]) + grain).astype(np.float32), None, bits=8)
    done = run(CORRECT, tmp_path)
    assert done.returncode == 0, done.stderr
    assert read_picture(tmp_path / "out.png")[0].shape == (36, 64, 3)
    assert not [name for name in os.listdir(tmp_path) if name.endswith(".lock")]
