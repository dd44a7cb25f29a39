"""The helper process: it leaves code for others, it ends with what it helps, and without it all goes on."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from inkarnat.host_adapters import warm_up
from inkarnat.host_adapters.bench.frames import skin_frame
from inkarnat.host_adapters.commands import correct
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.kernels import jit, strips
from inkarnat.nodes import NODES, FaceMatte, JoinFaces, with_faces
from inkarnat.nodes.learning import told_by
from numba import typeof
from test_faces import boat_builders

pytestmark = pytest.mark.skipif(jit.CACHE_FOLDER is None, reason="nothing is compiled or kept")

HELP = "from inkarnat.host_adapters import warm_up\nwarm_up.strips.set_thread_count(2)\n"


def in_process(code: str, cache: Path) -> str:
    child = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"INKARNAT_CACHE_DIR": str(cache)},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert child.returncode in (0, -9), child.stderr
    return child.stdout


@pytest.fixture
def started(monkeypatch) -> list[subprocess.Popen[bytes]]:
    """The helpers that this process starts, where two cores may be used."""
    children: list[subprocess.Popen[bytes]] = []
    start = subprocess.Popen

    def popen(*arguments, **named):
        children.append(start(*arguments, **named))
        return children[-1]

    monkeypatch.setattr(warm_up.subprocess, "Popen", popen)
    with strips.threads(2):
        yield children


def is_there(pid: int) -> bool:
    """Tell whether a process runs; one that ended and was not yet waited for does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_what_the_helper_compiled_others_find(tmp_path):
    helped = (
        HELP + "import time\nwarm_up.LATER = {'work': (('blend',),)}\nfolder = warm_up.jit.CACHE_FOLDER\n"
        "with warm_up.helped('work'):\n"
        "    end = time.monotonic() + 60\n"
        "    while len([*folder.rglob('*.code')]) < 2 and time.monotonic() < end: time.sleep(0.05)  # one hands out\n"
        "    time.sleep(1)\n"
    )
    in_process(helped, tmp_path)
    use = (
        "from inkarnat.host_adapters import warm_up\nwarm_up.compile_first_uses(['blend'])\n"
        "own = [kernel for kernel in warm_up.jit.STRIP_KERNELS if 'hand_out' not in kernel.__module__]\n"
        "used = [kernel for kernel in own if kernel.signatures]  # one thread and several hand out in two ways\n"
        "print(len(used), sum(sum(kernel.stats.cache_misses.values()) for kernel in used))"
    )
    used, compiled = map(int, in_process(use, tmp_path).split())
    assert used >= 1
    assert compiled == 0


def test_the_helper_ends_with_what_it_helps(started):
    with warm_up.helped("warm"):
        assert started[0].poll() is None
    assert started[0].returncode is not None
    with pytest.raises(ValueError, match="in the work"), warm_up.helped("warm"):
        raise ValueError("in the work")
    assert started[1].returncode is not None


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks processes up as Linux shows them")
def test_the_helper_ends_when_its_process_is_gone(tmp_path):
    code = (
        HELP + "import os, signal, subprocess\nstart = subprocess.Popen\n"
        "def popen(*a, **k):\n    child = start(*a, **k)\n    print(child.pid, flush=True)\n    return child\n"
        "warm_up.subprocess.Popen = popen\n"
        "with warm_up.helped('warm'):\n    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    pid = int(in_process(code, tmp_path))
    end = time.monotonic() + 60
    while is_there(pid) and time.monotonic() < end:
        time.sleep(0.05)
    assert not is_there(pid)


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-ins are shell scripts")
@pytest.mark.parametrize("does", ["exit 1", "exec sleep 600", "kill -9 $$"])
def test_a_helper_that_fails_or_hangs_harms_nothing(started, monkeypatch, tmp_path, does):
    program = tmp_path / "python3"
    program.write_text(f"#!/bin/sh\n{does}\n")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))
    began = time.monotonic()
    with warm_up.helped("correct"):
        time.sleep(0.2)
    assert started[0].returncode is not None
    assert time.monotonic() - began < 30


def test_a_helper_that_cannot_start_harms_nothing(started, monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python3"))
    with warm_up.helped("correct"):
        pass
    assert started == []


@pytest.mark.parametrize("program", ["/opt/host/bin/host", "", None])
def test_the_hosts_own_program_is_never_started(started, monkeypatch, program):
    monkeypatch.setattr(sys, "executable", program)
    with warm_up.helped("correct"):
        assert started == []


def test_nobody_helps_on_one_core_or_where_nothing_is_kept_or_left(started, monkeypatch):
    with strips.threads(1), warm_up.helped("correct"):
        assert started == []
    with warm_up.helped("blend"):
        assert started == []
    monkeypatch.setattr(jit, "CACHE_FOLDER", None)
    with warm_up.helped("correct"):
        assert started == []


@pytest.mark.parametrize("work", ["correct", "demo"])
@pytest.mark.parametrize(("cores", "helpers"), [(2, 1), (3, 2), (16, 2)])
def test_there_is_a_helper_for_each_further_core_that_has_enough_to_do(monkeypatch, cores, helpers, work):
    lists = []
    monkeypatch.setattr(warm_up, "_started", lists.append)
    monkeypatch.setattr(warm_up, "_can_help", lambda: True)
    with strips.threads(cores), warm_up.helped(work):
        pass
    assert len(lists) == helpers
    names = [name for names in lists for name in names]
    assert sorted(names) == sorted(set(names)), "nothing is compiled by both"
    assert set(names) >= set(warm_up.LATER[work][0]), "two do more than one"


def test_what_is_left_to_helpers_can_be_run():
    left = [name for lists in (*warm_up.LATER.values(), *warm_up._SHARED.values()) for names in lists for name in names]
    assert set(left) <= {*NODES, *warm_up.PARTLY}
    assert set(warm_up.LATER) - set(NODES) == {"correct", "demo", "desk", "warm"}
    for channels in (3, 4):
        for work in warm_up.PARTLY.values():
            work(channels)
    for name in dict.fromkeys(name for name in left if name in NODES):
        warm_up.first_use(NODES[name])


def test_helpers_compile_what_joins_a_key_with_a_face(monkeypatch):
    """On another picture, a whole join asks for no kernel and no types that the helpers' piece of work leaves out."""
    asked: set[tuple[object, ...]] = set()
    pack = strips.pack

    def packed(kernel, arguments, block):
        asked.add((kernel, *(str(typeof(argument)) for argument in arguments)))
        pack(kernel, arguments, block)

    monkeypatch.setattr(strips, "pack", packed)
    warm_up.PARTLY["joined_face"](3)
    compiled, asked = asked, set()
    picture = skin_frame(480, 270)
    face = FaceMatte((0.42, 0.4), (0.56, 0.4), (0.49, 0.52), (0.44, 0.62), (0.54, 0.62))
    matte, join = np.full((270, 480), 0.75, np.float32), JoinFaces(likeness=1.0)
    with strips.threads(2):
        joined = with_faces(matte, picture, (face,), join)
    assert len(asked) > 15
    assert not asked - compiled
    assert joined.min() < 0.5 < joined.max()
    assert np.array_equal(joined, join.process(matte, told_by((face,), picture), picture)), "seen whole, the same bits"
    for helpers in (*(warm_up.LATER[work] for work in ("correct", "demo")), *warm_up._SHARED.values()):
        assert {"joined_face", "judged_face"} <= {name for names in helpers for name in names}


def test_the_desk_waits_for_its_helpers_where_it_is_cold(monkeypatch):
    from inkarnat.host_adapters.desk import server

    class Stopped(Exception):
        pass

    class Other:
        def wait(self):
            order.append("waited")

    @contextlib.contextmanager
    def helped(work):
        order.append(work)
        yield [Other(), Other()]

    class Desk:
        @property
        def session(self):
            raise Stopped

    order: list[str] = []
    monkeypatch.setattr(warm_up, "helped", helped)
    for kept, expected in ((0, ["desk", "waited", "waited"]), (warm_up.FIRST_KERNELS["desk"], [])):
        order.clear()
        monkeypatch.setattr(warm_up, "kernels_kept", lambda kept=kept: kept)
        with pytest.raises(Stopped):
            server._warmed(Desk())
        assert order == expected


@pytest.mark.parametrize("cold", [True, False])
def test_a_correction_is_helped_where_nothing_is_compiled_yet(started, monkeypatch, tmp_path, cold):
    from click.testing import CliRunner

    monkeypatch.setattr(jit, "is_cold", lambda: cold)
    CliRunner().invoke(correct.command, [str(tmp_path / "none.png"), "-o", str(tmp_path / "out.png")])
    assert len(started) == cold
    assert all(child.returncode is not None for child in started)


@pytest.mark.parametrize("arguments", [[], ["--json"]])
def test_a_helped_correction_says_first_that_it_compiles(started, monkeypatch, tmp_path, arguments):
    from click.testing import CliRunner
    from inkarnat.host_adapters.commands import console

    told = []
    monkeypatch.setattr(jit, "is_cold", lambda: True)
    monkeypatch.setattr(console, "warn_if_cold", lambda work="": told.append(len(started)))
    CliRunner().invoke(correct.command, [str(tmp_path / "none.png"), "-o", str(tmp_path / "out.png"), *arguments])
    assert told == ([] if arguments else [0])
    assert len(started) == 1


COUNT = """
import sys
from inkarnat.host_adapters.commands.cli import main
from inkarnat.kernels import jit
sys.argv = ["inkarnat", *sys.argv[1:]]
try:
    main()
finally:
    print("USED", sum(len(kernel.signatures) for kernel in jit.STRIP_KERNELS))
"""


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")
@pytest.mark.parametrize("work", ["correct", "warm"])
def test_as_many_kernels_are_foretold_as_are_used(work, tmp_path):
    """What `compiled 12 of about 38 kernels` promises: whatever is used is compiled or loaded, once for each kind."""
    still = tmp_path / "face.png"
    write_picture(still, boat_builders()[0], bits=8)
    words = ("warm",) if work == "warm" else ("correct", str(still), "-o", str(tmp_path / "out.png"))
    child = subprocess.run([sys.executable, "-c", COUNT, *words], capture_output=True, text=True, timeout=600)
    assert child.returncode == 0, child.stderr
    used = int(child.stdout.rpartition("USED")[2])
    assert 0.9 * used <= warm_up.FIRST_KERNELS[work] <= 1.1 * used, used
