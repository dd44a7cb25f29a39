"""Compiled code on disk: whatever happens to it, functions work, and what went wrong is told once."""

from __future__ import annotations

import logging
import os
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.kernels import jit, kept_code
from inkarnat.kernels.kept_code import KeptCode, repair
from inkarnat.nodes import Cdl

pytestmark = pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")


def twice(folder: Path):
    """A compiled function whose code is kept in a folder."""

    def doubled(x):
        return x * 2

    function = jit._dispatcher(jit._Entry, doubled)
    function._cache = KeptCode(doubled, folder)
    return function


def used(function) -> tuple[int, int]:
    """Call it and return how often its code was loaded and compiled."""
    assert function(3.0) == 6.0
    return sum(function.stats.cache_hits.values()), sum(function.stats.cache_misses.values())


@pytest.fixture
def told(caplog):
    """What was told so far, with nothing told before."""
    kept_code._told.clear()
    with caplog.at_level(logging.WARNING, "inkarnat"):
        yield lambda: [record.getMessage() for record in caplog.records]
    kept_code._told.clear()


def only_file(folder: Path) -> Path:
    (path,) = folder.iterdir()
    assert path.suffix == kept_code.SUFFIX
    return path


def test_code_is_kept_and_found(tmp_path, told):
    assert used(twice(tmp_path)) == (0, 1)
    assert used(twice(tmp_path)) == (1, 0)
    only_file(tmp_path)
    assert told() == []


def _other(path: Path) -> None:
    """Put the whole and valid code of another function in its place."""
    other = path.parent / "other"
    other.mkdir()

    def halved(x):
        return x / 2

    function = jit._dispatcher(jit._Entry, halved)
    function._cache = KeptCode(halved, other)
    function(3.0)
    os.replace(only_file(other), path)
    other.rmdir()


def _with_sum(path: Path, body: bytes) -> None:
    path.write_bytes(kept_code._MARK + kept_code.hashlib.sha256(body).digest() + body)


def _flipped(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(data)


DAMAGES = {
    "empty": lambda path: path.write_bytes(b""),
    "cut off in the mark": lambda path: path.write_bytes(path.read_bytes()[:9]),
    "cut off in the code": lambda path: path.write_bytes(path.read_bytes()[:-1000]),
    "one bit of the code": lambda path: _flipped(path, -2000),
    "one bit of the checksum": lambda path: _flipped(path, 30),
    "zeros": lambda path: path.write_bytes(bytes(path.stat().st_size)),
    "another program's file": lambda path: path.write_bytes(b"\x80\x05." * 900),
    "the code of another function": _other,
    "a pickle that ends too soon": lambda path: _with_sum(path, b"\x80\x05("),
    "a pickle of something else": lambda path: _with_sum(path, kept_code.dumps({"a": 1})),
    "a folder": lambda path: (path.unlink(), path.mkdir()),
}
if hasattr(os, "mkfifo"):
    DAMAGES["a pipe that nobody writes to"] = lambda path: (path.unlink(), os.mkfifo(path))


@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES.keys())
def test_damaged_code_is_compiled_anew_once(tmp_path, told, damage):
    used(twice(tmp_path))
    damage(only_file(tmp_path))
    assert used(twice(tmp_path)) == (0, 1)
    (message,) = told()
    assert str(tmp_path) in message
    assert "damaged" in message
    assert "warm --repair" in message
    assert used(twice(tmp_path)) == (1, 0), "what was compiled is kept again"
    assert len(told()) == 1


def test_several_damaged_files_are_told_once(tmp_path, told):
    used(twice(tmp_path))
    function = twice(tmp_path)
    function(np.ones(3, np.float32))
    for path in tmp_path.iterdir():
        path.write_bytes(b"")
    function = twice(tmp_path)
    assert function(3.0) == 6.0
    assert function(np.ones(3, np.float32)).tolist() == [2, 2, 2]
    assert len(told()) == 1


def test_a_folder_that_takes_nothing_more_stops_nobody(tmp_path, told, monkeypatch):
    def full(self, data):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    assert used(twice(tmp_path)) == (0, 1)
    (message,) = told()
    assert str(tmp_path) in message
    assert "No space left on device" in message
    assert list(tmp_path.iterdir()) == [], "no half file is left"


def test_a_folder_that_went_away_is_made_again(tmp_path, told):
    folder = tmp_path / "code"
    used(twice(folder))
    shutil.rmtree(folder)
    assert used(twice(folder)) == (0, 1)
    assert used(twice(folder)) == (1, 0)
    assert told() == []


def test_threads_that_compile_the_same_at_once_leave_one_whole_file(tmp_path, told):
    functions = [twice(tmp_path) for _ in range(6)]
    threads = [threading.Thread(target=function, args=(3.0,)) for function in functions]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    only_file(tmp_path)
    assert used(twice(tmp_path)) == (1, 0)
    assert told() == []


def test_what_another_process_compiles_is_waited_for(tmp_path, told):
    path = tmp_path / "a.code"
    program = (
        "import sys, time\nfrom pathlib import Path\nfrom inkarnat.kernels import kept_code\n"
        f"path = Path({str(path)!r})\n"
        "with kept_code.claimed(path):\n"
        "    print('claimed', flush=True)\n    sys.stdin.read()\n"
        "    kept_code.keep(path, 'key', 'its code')\n"
    )
    child = subprocess.Popen([sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert child.stdout.readline() == b"claimed\n"
    began = time.monotonic()
    threading.Timer(0.3, child.stdin.close).start()
    with kept_code.claimed(path):
        assert kept_code.kept(path, "key") == "its code"
        assert time.monotonic() - began > 0.25
    child.wait()
    assert [each.name for each in tmp_path.iterdir()] == ["a.code"], "claims are given up"
    assert told() == []


@pytest.mark.parametrize("ends", ["os.kill(os.getpid(), 9)", "raise SystemExit"])
def test_nobody_waits_for_a_process_that_ended(tmp_path, ends):
    path = tmp_path / "a.code"
    program = (
        "import os\nfrom pathlib import Path\nfrom inkarnat.kernels import kept_code\n"
        f"with kept_code.claimed(Path({str(path)!r})):\n    {ends}\n"
    )
    subprocess.run([sys.executable, "-c", program])
    began = time.monotonic()
    with kept_code.claimed(path):
        assert time.monotonic() - began < 5
    assert list(tmp_path.iterdir()) == []


def test_a_stopped_process_holds_nobody_up(tmp_path, monkeypatch):
    monkeypatch.setattr(kept_code, "_LONGEST", 0.2)
    path, inside = tmp_path / "a.code", []
    with kept_code.claimed(path):
        other = threading.Thread(target=lambda: [inside.append(1) for _ in [kept_code.claimed(path).__enter__()]])
        other.start()
        other.join(20)
        assert inside == [1]


def test_without_locks_each_compiles_for_itself(tmp_path, monkeypatch):
    def refused(*_):
        raise OSError("no locks here")

    monkeypatch.setattr("fcntl.flock", refused)
    assert used(twice(tmp_path)) == (0, 1)
    with kept_code.claimed(tmp_path / "no folder" / "a.code"):
        pass


def test_what_cannot_be_compiled_is_claimed_by_nobody(tmp_path):
    with pytest.raises(ZeroDivisionError), kept_code.claimed(tmp_path / "a.code"):
        raise ZeroDivisionError
    with kept_code.claimed(tmp_path / "a.code"):
        pass


def test_repair_keeps_what_is_whole_and_removes_the_rest(tmp_path):
    used(twice(tmp_path))
    whole = only_file(tmp_path)
    (tmp_path / "a.code").write_bytes(b"damaged")
    (tmp_path / ".b.0123.tmp").write_bytes(b"cut off")
    (tmp_path / "c.nbi").write_bytes(b"of another kind")
    (tmp_path / "openfx-blend").touch()
    found = repair(tmp_path)
    assert found.kept == 1
    assert set(found.dropped) == {"a.code", ".b.0123.tmp", "c.nbi"}
    assert not found.left
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([whole.name, "openfx-blend"])
    assert used(twice(tmp_path)) == (1, 0)


# --- the program --------------------------------------------------------------------------------------------


def program(*words: str, cache: Path, **named) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "inkarnat.host_adapters.commands.cli", *words]
    surroundings = os.environ | {"INKARNAT_CACHE_DIR": str(cache), "INKARNAT_THREADS": "1"}
    return subprocess.run(command, env=surroundings, capture_output=True, text=True, timeout=300, **named)


@pytest.fixture
def still(tmp_path, make_picture):
    write_picture(tmp_path / "in.png", make_picture(24, 32))
    Graph.of(Step.of("grade", Cdl(slope=(0.5, 0.5, 0.5)), image="plate"), result="grade").save(tmp_path / "g.json")
    return tmp_path


@pytest.fixture
def cache(tmp_path):
    """A copy of the code that is kept, with what the tests here need in it."""
    if jit.CACHE_FOLDER is None:
        pytest.skip("nothing is kept on disk here")
    folder = tmp_path / "cache"
    folder.mkdir(mode=0o700)
    shutil.copytree(jit.CACHE_FOLDER, folder / jit.CACHE_FOLDER.name)
    return folder


def rendered(still: Path, cache: Path, **named) -> subprocess.CompletedProcess[str]:
    words = ("render", "g.json", "--in", "plate=in.png", "--out", f"result={len(list(still.glob('*.png')))}.png")
    return program(*words, cache=cache, cwd=still, **named)


def test_a_damaged_cache_stops_no_render(still, cache):
    assert rendered(still, cache).returncode == 0
    for path in cache.glob("*/*cdl*"):
        path.write_bytes(path.read_bytes()[:-200])
    again = rendered(still, cache)
    assert again.returncode == 0, again.stderr
    assert again.stderr.count("note: compiled code in") == 1
    assert str(cache) in again.stderr
    quiet = rendered(still, cache)
    assert quiet.returncode == 0
    assert "compiled" not in quiet.stderr
    pictures = [read_picture(still / f"{number}.png")[0] for number in (1, 2, 3)]
    assert all((picture == pictures[0]).all() for picture in pictures)


@pytest.mark.skipif(sys.platform == "win32", reason="needs limits on file sizes")
def test_a_full_disk_under_the_cache_stops_no_render(still, cache):
    import resource

    for path in cache.glob("*/*cdl*"):
        path.unlink()
    limited = rendered(still, cache, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (8000, 8000)))
    assert limited.returncode == 0, limited.stderr
    assert limited.stderr.count("note: compiled code cannot be kept in") == 1
    assert str(cache) in limited.stderr
    assert read_picture(still / "1.png")[0].shape == (24, 32, 3)


def test_a_cache_that_is_no_folder_stops_no_render_and_is_named(still, tmp_path):
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where a folder would have to be")
    result = rendered(still, blocked)
    assert result.returncode == 0, result.stderr
    assert f"compiled code cannot be kept in {blocked}" in result.stderr
    assert "INKARNAT_CACHE_DIR" in result.stderr
