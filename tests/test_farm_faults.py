"""Faults on the farm: killed processes, full disks, lost and damaged inputs, rights, odd names, slow disks.

INKARNAT_TRIES sets how often the tests with random points are tried; the figures are printed.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import pickle
import random
import resource
import signal
import socket
import tempfile
import threading
import time
from pathlib import Path

import pytest
from farm_shots import GRAPH, contents, make_sequence, named, noise, reference, start
from inkarnat.host_adapters.farm import local
from inkarnat.host_adapters.farm.chunks import Chunk, Failed, Job, work
from inkarnat.host_adapters.farm.run import run
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.writes import OutputError, locked

TRIES = int(os.environ.get("INKARNAT_TRIES", "1"))
FRAMES = range(1, 31)


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    """A sequence, the graph, and what an undisturbed run makes of them: pictures and a video of the matte."""
    folder = tmp_path_factory.mktemp("shot")
    plate = make_sequence(folder / "in", FRAMES)
    GRAPH.save(folder / "graph.json")
    (folder / "whole").mkdir()
    reference(plate, outputs_in(folder / "whole"))
    return folder, plate, contents(folder / "whole")


def outputs_in(folder: Path) -> dict[str, str]:
    return {"result": str(folder / "out.%04d.png"), "matte": str(folder / "matte.mkv")}


def arguments(shot, target: Path, *more: str) -> list[str]:
    folder, plate, _ = shot
    return ["render", str(folder / "graph.json"), "--in", f"plate={plate}", *named(outputs_in(target)), *more]


def test_the_parent_is_killed_at_random_points_and_the_run_resumed(shot, tmp_path):
    """Killed by SIGKILL, resumed at once: the same files, bit for bit, and nothing else."""
    slow = {"SLOW_DISK": "0.02"}
    (tmp_path / "first").mkdir()
    began = time.monotonic()
    assert start(*arguments(shot, tmp_path / "first", "--jobs", "2"), env=slow).returncode == 0
    whole = time.monotonic() - began
    assert contents(tmp_path / "first") == shot[2]
    survived, at_work = 0, 0
    for number in range(TRIES):
        target = tmp_path / f"try-{number}"
        target.mkdir()
        killed = start(*arguments(shot, target, "--jobs", "2"), env=slow, wait=False)
        time.sleep(random.Random(number).uniform(0.1 * whole, whole))
        killed.kill()
        killed.communicate()
        at_work += killed.returncode == -signal.SIGKILL
        resumed = start(*arguments(shot, target, "--jobs", "2", "--resume"))
        assert resumed.returncode == 0, resumed.stderr
        assert contents(target) == shot[2], f"try {number}"
        survived += 1
    print(f"parent killed: {TRIES} tries, {at_work} of them before the run had ended, {survived} survived, 0 lost")


def test_workers_are_killed_at_random_points(shot, tmp_path):
    """The chunk of a killed worker is worked on again; the run ends as if nothing had been."""
    _, plate, expected = shot
    kills = 0
    for number in range(TRIES):
        target = tmp_path / f"try-{number}"
        target.mkdir()
        killer = _Killer(number)
        with open_clip(plate) as clip:
            job = Job.of(GRAPH, {"plate": clip}, outputs_in(target))
            killer.start()
            report = run(job, {"plate": clip}, clip.frames, local.processes(2, retries=20))
            killer.stop()
        assert report.done == list(FRAMES)
        assert not report.failed
        assert contents(target) == expected, f"try {number}"
        kills += killer.kills
    assert kills
    print(f"workers killed: {TRIES} runs, {kills} kills, {TRIES} survived, 0 lost")


class _Killer(threading.Thread):
    """Kills one worker after another at random moments."""

    def __init__(self, seed: int) -> None:
        super().__init__(daemon=True)
        self.random, self.kills, self.ended = random.Random(seed), 0, threading.Event()

    def run(self) -> None:
        while not self.ended.wait(self.random.uniform(0.1, 0.8)) and self.kills < 3:
            for process in multiprocessing.active_children()[:1]:
                process.kill()
                self.kills += 1

    def stop(self) -> None:
        self.ended.set()
        self.join()


def test_a_deadly_frame_is_given_up_and_the_rest_done(shot, tmp_path):
    done = start(*arguments(shot, tmp_path, "--jobs", "2", "--json"), env={"DEADLY_FRAME": "7"})
    assert done.returncode == 4, done.stderr
    report = json.loads(done.stdout)
    assert report["done"] == len(FRAMES) - 1
    assert [(item["frame"], "died 3 times" in item["reason"]) for item in report["failed"]] == [(7, True)]
    pictures = {name: data for name, data in contents(tmp_path).items() if name.endswith(".png")}
    assert pictures == {name: data for name, data in shot[2].items() if name.endswith(".png") and "0007" not in name}
    assert start(*arguments(shot, tmp_path, "--resume")).returncode == 0
    assert contents(tmp_path) == shot[2]


def test_a_fault_of_the_program_comes_home_with_its_traceback(shot, tmp_path):
    words = [*arguments(shot, tmp_path, "--jobs", "2", "--json"), "--frames", "3"]
    quiet = start(*words, env={"FAULT": "no such thing"})
    assert quiet.returncode == 4, quiet.stderr
    reason = json.loads(quiet.stdout)["error"]["message"]
    assert "died 3 times, by a fault of the program: TypeError: no such thing" in reason
    assert "Traceback" not in quiet.stderr
    loud = start("-v", *words, env={"FAULT": "no such thing"})
    assert "faulty_work" in loud.stderr
    assert "Traceback" in loud.stderr


def test_a_failed_frame_is_told_with_its_traceback(tmp_path):
    """What a cluster's worker returns, however far away it is."""
    plate = make_sequence(tmp_path / "in", range(1, 4))
    (tmp_path / "in" / "in.0002.png").write_bytes(b"damaged")
    with open_clip(plate) as clip:
        job = Job.of(GRAPH, {"plate": clip}, {"result": str(tmp_path / "out.%04d.png")})
        told = []
        work(job, Chunk((1, 2, 3)), told.append)
    (failed,) = [event for event in told if isinstance(event, Failed)]
    assert failed.frame == 2
    assert "pictures.py" in failed.trace
    assert failed.reason in failed.trace
    assert pickle.loads(pickle.dumps(failed)) == failed


def test_the_disk_is_full_in_the_middle(tmp_path):
    """The limit on the size of files stands in for the disk: frames that do not fit any more end the run."""
    plate = make_sequence(tmp_path / "in", range(1, 13), lambda frame: noise(frame) * (frame > 6))
    GRAPH.save(tmp_path / "graph.json")
    whole, target = tmp_path / "whole", tmp_path / "target"
    whole.mkdir()
    target.mkdir()
    reference(plate, {"result": str(whole / "out.%04d.png")})
    words = ["render", str(tmp_path / "graph.json"), "--in", f"plate={plate}", "--out"]
    words += [f"result={target / 'out.%04d.png'}", "--resume"]

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (6000, 6000))

    # Numba must not have to write its cache under this limit: the reference has compiled everything.
    full = start(*words, "--jobs", "2", preexec_fn=limit)
    assert full.returncode == 5, full.stderr
    assert "cannot be written" in full.stderr
    left = contents(target)
    assert left
    assert left.items() <= contents(whole).items()
    assert start(*words).returncode == 0
    assert contents(target) == contents(whole)


def test_an_input_vanishes_while_the_run_goes_on(shot, tmp_path):
    plate = make_sequence(tmp_path / "in", range(1, 9))
    target = tmp_path / "target"
    target.mkdir()
    gone = tmp_path / "in" / "in.0006.png"
    with open_clip(plate) as clip:
        job = Job.of(GRAPH, {"plate": clip}, outputs_in(target))
        report = run(job, {"plate": clip}, clip.frames, local.here, progress=lambda frame: gone.unlink(missing_ok=True))
    assert report.done == [1, 2, 3, 4, 5, 7, 8]
    assert "in.0006.png does not exist" in report.failed[6]


def test_a_damaged_frame_in_the_middle(tmp_path):
    plate = make_sequence(tmp_path / "in", range(1, 9))
    damaged = tmp_path / "in" / "in.0004.png"
    damaged.write_bytes(damaged.read_bytes()[:300])
    GRAPH.save(tmp_path / "graph.json")
    target = tmp_path / "target"
    target.mkdir()
    words = ["render", str(tmp_path / "graph.json"), "--in", f"plate={plate}", *named(outputs_in(target))]
    done = start(*words, "--jobs", "2", "--json")
    assert done.returncode == 4, done.stderr
    report = json.loads(done.stdout)
    assert report["done"] == 7
    assert [item["frame"] for item in report["failed"]] == [4]
    assert "in.0004.png" in done.stderr
    assert len(list(open_clip(target / "matte.mkv").frames)) == 7


def test_an_output_that_must_not_be_written(shot):
    _, plate, _ = shot
    target = Path(tempfile.mkdtemp())
    target.chmod(0o555)
    try:
        with open_clip(plate) as clip:
            job = Job.of(GRAPH, {"plate": clip}, outputs_in(target))
            with _as_nobody(), pytest.raises(OutputError, match="writing there is not allowed"):
                run(job, {"plate": clip}, clip.frames, local.here)
        assert not list(target.iterdir())
    finally:
        target.rmdir()


@contextlib.contextmanager
def _as_nobody():
    """Rights mean nothing to the administrator: give the test another user where it runs as one."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_second_run_on_the_same_output_is_refused(shot, tmp_path):
    refusal = f"is being written by another run (process {os.getpid()} on {socket.gethostname()}): wait for it"
    with locked([tmp_path / "matte.mkv"]):
        for more in ([], ["--jobs", "2", "--resume"]):
            second = start(*arguments(shot, tmp_path, *more))
            assert second.returncode == 5, second.stderr
            assert refusal in second.stderr
        assert [path.name for path in tmp_path.iterdir()] == [".matte.mkv.lock"]
    assert not list(tmp_path.iterdir())


def test_stopping_leaves_complete_frames_only(shot, tmp_path):
    running = start(
        *arguments(shot, tmp_path, "--jobs", "2"), env={"SLOW_DISK": "0.2"}, wait=False, start_new_session=True
    )
    deadline = time.monotonic() + 60
    while len(list(tmp_path.glob("out.*.png"))) < 5 and time.monotonic() < deadline:
        time.sleep(0.02)
    os.killpg(running.pid, signal.SIGINT)
    _, errors = running.communicate(timeout=120)
    assert running.returncode == 130, errors
    assert errors.strip().endswith("inkarnat: stopped.")
    left = {name: data for name, data in contents(tmp_path).items() if not name.startswith(".matte.mkv.segments")}
    assert 5 <= len(left) < len(FRAMES)
    assert left.items() <= shot[2].items()
    assert start(*arguments(shot, tmp_path, "--resume")).returncode == 0
    assert contents(tmp_path) == shot[2]


def test_names_with_spaces_and_letters_of_any_language_and_links(shot, tmp_path):
    folder, plate, expected = shot
    real = tmp_path / "Бот № 7 – 船大工"
    real.mkdir()
    (tmp_path / "in link").symlink_to(Path(plate).parent)
    (tmp_path / "out link").symlink_to(real)
    outputs = outputs_in(tmp_path / "out link")
    words = ["render", str(folder / "graph.json"), "--in", f"plate={tmp_path / 'in link' / 'in.%04d.png'}"]
    done = start(*words, *named(outputs), "--jobs", "2")
    assert done.returncode == 0, done.stderr
    assert contents(real) == expected


def test_a_clock_that_jumps_changes_nothing(shot, tmp_path):
    """Neither journal nor lock knows a time: old and future time stamps of files are of no account."""
    folder, plate, expected = shot
    assert start(*arguments(shot, tmp_path, "--jobs", "2", "--frames", "1-12")).returncode == 0
    for number, path in enumerate([*tmp_path.iterdir(), *Path(plate).parent.iterdir()]):
        os.utime(path, (0, 0) if number % 2 else (4e9, 4e9))
    done = start(*arguments(shot, tmp_path, "--resume", "--json"), env={"DEADLY_FRAME": "5"})
    # Frame 5 would kill the run, were it read again for the picture; the video of all frames needs it.
    assert done.returncode == -signal.SIGKILL
    (tmp_path / "matte.mkv").unlink()
    words = ["render", str(folder / "graph.json"), "--in", f"plate={plate}", "--out"]
    words += [f"result={tmp_path / 'out.%04d.png'}", "--resume"]
    assert start(*words, env={"DEADLY_FRAME": "5"}).returncode == 0
    pictures = {name: data for name, data in contents(tmp_path).items() if name.startswith("out.")}
    assert pictures == {name: data for name, data in expected.items() if name.startswith("out.")}
