"""Faults that happen: full disks, damaged media, two writers. What stood there stays, and what is said is true."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import threading
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.locks import Lock
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.host_adapters.sequences import InputError
from inkarnat.host_adapters.shots.people import People, Person
from inkarnat.host_adapters.writes import OutputError, write_text
from inkarnat.kernels.errors import InkarnatError
from inkarnat.nodes import Cdl


def skin(seed: int = 1, height: int = 36, width: int = 64) -> np.ndarray:
    grain = np.random.default_rng(seed).normal(0, 0.02, (height, width, 3))
    return (np.array([0.72, 0.52, 0.43]) + grain).astype(np.float32)


# --- full disks -------------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path):
    """A folder on a disk of 256 KiB of its own, where this user may mount one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("no disk can be mounted here; limits on file sizes are tested beside this")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder: Path, left: int) -> None:
    """Leave so many KiB free."""
    free = os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize // 1024
    (folder / "filling").write_bytes(bytes(1024 * max(free - left, 0)))


@pytest.mark.parametrize("left", [0, 4, 8, 16, 24])
def test_a_full_disk_is_named_and_what_stood_there_stays(small_disk, monkeypatch, left):
    monkeypatch.chdir(small_disk)
    rng = np.random.default_rng(1)
    write_picture("in.png", rng.random((60, 64, 3), np.float32), None, bits=8)
    Graph.of(Step.of("grade", Cdl(slope=(0.9, 1, 1)), image="plate"), result="grade").save("g.json")
    words = ["render", "g.json", "--in", "plate=in.png", "--out", "result=out.png"]
    assert CliRunner().invoke(cli, words).exit_code == 0
    stood = Path("out.png").read_bytes()
    fill(small_disk, left)
    before = {path.name: path.read_bytes() for path in small_disk.iterdir() if path.suffix != ".jsonl"}
    result = CliRunner().invoke(cli, words)
    said = result.stderr
    if result.exit_code == 0:
        assert left >= 16
        assert read_picture("out.png")[0].shape == (60, 64, 3)
    else:
        assert result.exit_code == 5
        assert said.count("inkarnat: error:") == 1
        assert "out.png cannot be written" in said
        assert "the disk is full" in said or "room on the disk" in said
        assert "fault of the program" not in said
    assert Path("out.png").read_bytes() == stood
    after = {path.name: path.read_bytes() for path in small_disk.iterdir() if path.suffix != ".jsonl"}
    assert after == before, "nothing is left behind"


LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
from inkarnat.host_adapters.commands.cli import main
sys.argv[1:2] = []
main()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs limits on file sizes")
@pytest.mark.parametrize("most", [0, 700])
def test_at_whatever_byte_there_is_no_more_room(tmp_path, monkeypatch, most):
    """Of picture, graph and lock: one clear error, exit 5, and the files of the run before as they were."""
    write_picture(tmp_path / "in.png", skin(), None, bits=8)
    words = ["correct", "in.png", "--add", "box:.2,.2,.8,.8", "-o", "out.png", "--graph-out", "o.json"]
    env = os.environ | {"INKARNAT_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    monkeypatch.chdir(tmp_path)
    first = CliRunner().invoke(cli, words)
    assert first.exit_code == 0, first.stderr
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.suffix != ".jsonl"}
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(most), *words], cwd=tmp_path, env=env, timeout=120, capture_output=True,
        text=True,
    )  # fmt: skip
    assert done.returncode == 5, done.stderr
    assert done.stderr.count("inkarnat: error:") == 1
    assert "cannot be written" in done.stderr
    assert "larger than is allowed here" in done.stderr or "room on the disk" in done.stderr
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.suffix != ".jsonl"} == before


# --- damaged media ----------------------------------------------------------------------------------------------

KINDS = (".png", ".jpg", ".tif", ".dpx", ".exr", ".mov", ".mkv", ".mp4")
MUTATIONS = 200


def mutated(data: bytes, rng: random.Random) -> bytes:
    """Damage a file in one of the ways that happen: cut off, bits turned, a block of zeros, a piece twice or gone."""
    way = rng.randrange(6)
    at = rng.randrange(len(data))
    if way == 0:
        return data[:at]
    if way == 1:
        changed = bytearray(data)
        for _ in range(rng.randrange(1, 9)):
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
        return bytes(changed)
    length = rng.randrange(1, 512)
    if way == 2:
        return data[:at] + bytes(min(length, len(data) - at)) + data[at + length :]
    if way == 3:
        return data[:at] + data[at : at + length] + data[at:]
    if way == 4:
        return data[:at] + data[at + length :]
    head = bytearray(data)
    for place in range(min(64, len(head))):
        if rng.random() < 0.1:
            head[place] = rng.randrange(256)
    return bytes(head)


@pytest.fixture(scope="module")
def media(tmp_path_factory):
    folder = tmp_path_factory.mktemp("media")
    for kind in KINDS:
        path = folder / f"whole{kind}"
        if kind in (".mov", ".mkv", ".mp4"):
            with open_writer(path, rate=Fraction(24)) as writer:
                for number in (1, 2, 3):
                    writer.write(number, skin(number))
        else:
            write_picture(path, skin(), None)
    return folder


def look_at(paths: list[Path]) -> list[str]:
    """Read every frame of files and return what came of each: its shape, or why not. Run in a process of its own."""
    found = []
    for path in paths:
        try:
            with open_clip(path) as clip:
                shapes = {clip.read(frame).shape for frame in list(clip.frames)[:4]}
            found.append(f"read {sorted(shapes)}")
        except InkarnatError as error:
            found.append(f"{type(error).__name__} {error}")
    return found


LOOK = """
import sys, json
sys.path.insert(0, {tests!r})
from pathlib import Path
from test_faults import look_at
print(json.dumps(look_at([Path(line) for line in sys.stdin.read().splitlines()])))
"""


@pytest.mark.large
@pytest.mark.parametrize("kind", KINDS)
def test_damaged_media_are_read_or_named_and_never_end_the_process(media, tmp_path, kind):
    import json

    whole = (media / f"whole{kind}").read_bytes()
    rng = random.Random(f"seed {kind}")
    paths = []
    for number in range(MUTATIONS):
        paths.append(tmp_path / f"{number}{kind}")
        paths[-1].write_bytes(mutated(whole, rng))
    done = subprocess.run(
        [sys.executable, "-c", LOOK.format(tests=str(Path(__file__).parent))], input="\n".join(map(str, paths)),
        capture_output=True, text=True, timeout=200, env=os.environ | {"INKARNAT_THREADS": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    found = json.loads(done.stdout)
    assert len(found) == MUTATIONS
    for path, said in zip(paths, found, strict=True):
        if not said.startswith("read"):
            assert said.startswith("InputError"), said
            assert path.name in said, f"the file is not named: {said}"
    assert any(said.startswith("InputError") for said in found), "nothing was damaged"


# --- two writers ------------------------------------------------------------------------------------------------


def test_people_who_are_added_at_once_are_all_there(tmp_path):
    path = tmp_path / "people.json"
    names = [f"Person {number}" for number in range(12)]
    errors = []

    def add(name):
        try:
            person = Person(122.0, 0.2, 0.5, 0.0, name=name)
            People.change(path, lambda people: people.adding(person), may_lack=True)
        except InkarnatError as error:
            errors.append(error)

    threads = [threading.Thread(target=add, args=(name,)) for name in names]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not errors
    assert sorted(person.name for person in People.load(path).known) == sorted(names)
    assert [found.name for found in tmp_path.iterdir()] == ["people.json"]


def test_a_lock_is_waited_for_and_then_named(tmp_path):
    path = tmp_path / "people.json"
    held = threading.Event()
    free = threading.Event()

    def hold():
        with Lock(path):
            held.set()
            free.wait(10)

    holder = threading.Thread(target=hold)
    holder.start()
    held.wait(10)
    busy = Lock(path, "being changed by another run").within(0.2)
    with pytest.raises(OutputError, match=rf"being changed by another run \(process {os.getpid()} on"):
        busy.__enter__()
    threading.Timer(0.2, free.set).start()
    with Lock(path).within(10):
        pass
    holder.join()


def test_an_error_inside_the_lock_is_not_taken_for_its_being_held(tmp_path):
    with pytest.raises(OutputError, match="folder does not exist"), Lock(tmp_path / "a").within(5):
        write_text(tmp_path / "gone" / "b.json", "{}", "graph")
    assert not list(tmp_path.iterdir())


def test_a_missing_input_is_the_inputs_fault(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        open_clip(tmp_path / "none.png")
