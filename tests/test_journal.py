"""The journal, the locks on outputs, the sweeping of leftovers, and resuming from all of them."""

from __future__ import annotations

import json
import multiprocessing
import os

import pytest
from farm_shots import GRAPH, contents, make_sequence, reference
from inkarnat.host_adapters import made
from inkarnat.host_adapters.farm import local
from inkarnat.host_adapters.farm.chunks import Job
from inkarnat.host_adapters.farm.journal import Journal, Stamp, submitted
from inkarnat.host_adapters.farm.run import run
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.made import journal_path
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.writes import Lock, OutputError, locked, sweep
from inkarnat.nodes import Cdl

FRAMES = range(1, 31)


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shot")
    plate = make_sequence(folder / "in", FRAMES)
    (folder / "whole").mkdir()
    reference(plate, outputs_in(folder / "whole"))
    return plate, contents(folder / "whole")


def outputs_in(folder):
    return {"result": str(folder / "out.%04d.png"), "matte": str(folder / "matte.mkv")}


def render(plate, folder, *, resume=True, graph=GRAPH, frames=None, outputs=None, stop_after=None):
    """Run in this process and return the frames that were worked on; ``stop_after`` breaks off by Ctrl-C."""
    worked = []

    def spy(job, chunks, tell):
        def note(event):
            tell(event)
            worked.append(event)
            if len(worked) == stop_after:
                raise KeyboardInterrupt

        local.here(job, chunks, note)

    with open_clip(plate) as clip:
        job = Job.of(graph, {"plate": clip}, outputs or outputs_in(folder))
        report = run(job, {"plate": clip}, frames or clip.frames, spy, resume=resume)
    assert not report.failed
    assert report.kept == len(report.done) - len({event.frame for event in worked if hasattr(event, "frame")})
    return {event.frame for event in worked if hasattr(event, "frame")}


# --- the journal --------------------------------------------------------------------------------------------


def test_lines_are_only_added_and_can_be_read_by_people(shot, tmp_path):
    plate, _ = shot
    render(plate, tmp_path, frames=range(1, 3), outputs={"result": str(tmp_path / "out.%04d.png")})
    path = journal_path(tmp_path / "out.%04d.png")
    before = path.read_text()
    entries = [json.loads(line) for line in before.splitlines()]
    assert [next(iter(entry)) for entry in entries] == ["run", "plate", "frame", "plate", "frame", "ended"]
    assert entries[2]["files"]["result"] == vars(Stamp.of(tmp_path / "out.0001.png"))
    render(plate, tmp_path, frames=range(1, 4), outputs={"result": str(tmp_path / "out.%04d.png")})
    assert path.read_text().startswith(before)


def test_a_line_that_was_cut_off_is_passed_over_and_ended(tmp_path):
    path, stamp = tmp_path / "j", Stamp(3, "abc")
    with Journal(path, "one") as journal:
        journal.open(frames="1-3")
        journal.write(frame=1, files={"result": stamp})
    with path.open("ab") as file:
        file.write(b'{"frame": 2, "fi')
    with Journal(path, "one") as journal:
        assert journal.read()
        assert journal.frames == {("result", 1): stamp}
        journal.open(frames="1-3")
        journal.write(frame=3, files={"result": stamp})
    again = Journal(path, "one")
    again.read()
    assert set(again.frames) == {("result", 1), ("result", 3)}


@pytest.mark.parametrize(
    "junk", [b"\xff\xfe\n", b"[]\n", b'{"frame": "x", "files": {"a": 1}}\n', b'{"files": []}\n', b"1\n"]
)
def test_junk_in_a_journal_does_no_harm(tmp_path, junk):
    path = tmp_path / "j"
    with Journal(path, "one") as journal:
        journal.open(frames="1")
    with path.open("ab") as file:
        file.write(junk)
    journal = Journal(path, "one")
    assert journal.read()
    assert not journal.frames


# --- resuming -----------------------------------------------------------------------------------------------


def test_what_is_complete_is_skipped(shot, tmp_path):
    plate, expected = shot
    assert render(plate, tmp_path) == set(FRAMES)
    assert contents(tmp_path) == expected
    assert render(plate, tmp_path) == set()
    assert contents(tmp_path) == expected


def test_a_picture_that_was_changed_or_removed_is_made_anew(shot, tmp_path):
    plate, expected = shot
    outputs = {"result": str(tmp_path / "out.%04d.png")}
    pictures = {name: data for name, data in expected.items() if name.startswith("out.")}
    render(plate, tmp_path, outputs=outputs)
    (tmp_path / "out.0003.png").unlink()
    damaged = bytearray((tmp_path / "out.0009.png").read_bytes())
    damaged[100] ^= 1
    (tmp_path / "out.0009.png").write_bytes(damaged)
    assert render(plate, tmp_path, outputs=outputs) == {3, 9}
    assert contents(tmp_path) == pictures


@pytest.mark.parametrize("events", [1, 7, 12, 13, 14, 26, 33])
def test_a_run_stopped_after_any_event_is_resumed(shot, tmp_path, events):
    plate, expected = shot
    with pytest.raises(KeyboardInterrupt):
        render(plate, tmp_path, stop_after=events)
    assert not list(tmp_path.glob(".*.lock"))
    worked = render(plate, tmp_path)
    assert contents(tmp_path) == expected
    assert worked == (set() if events == 33 else set(range(1 + 12 * (events // 13), 31)))


def test_what_another_graph_made_is_not_taken(shot, tmp_path):
    plate, expected = shot
    other = Graph.of(Step.of("grade", Cdl(slope=(0.5, 0.5, 0.5)), image="plate"), result="grade")
    outputs = {"result": str(tmp_path / "out.%04d.png")}
    render(plate, tmp_path, graph=other, outputs=outputs)
    assert render(plate, tmp_path, outputs=outputs) == set(FRAMES)
    assert contents(tmp_path) == {name: data for name, data in expected.items() if name.startswith("out.")}


def test_without_a_journal_everything_is_made_anew_and_that_is_told(shot, tmp_path, caplog):
    plate, expected = shot
    outputs = {"result": str(tmp_path / "out.%04d.png")}
    pictures = {name: data for name, data in expected.items() if name.startswith("out.")}
    render(plate, tmp_path, outputs=outputs)
    assert "journal" not in caplog.text
    journal_path(tmp_path / "out.%04d.png").unlink()
    assert render(plate, tmp_path, outputs=outputs) == set(FRAMES)
    assert "journal" in caplog.text
    assert "is missing, so all 30 frames are rendered" in caplog.text
    assert contents(tmp_path) == pictures


@pytest.mark.parametrize("older", [False, True], ids=["now", "earlier version"])
@pytest.mark.parametrize(
    ("output", "first", "second"),
    [
        ("result", "out.####.png", "out.%04d.png"),
        ("result", "out.%04d.png", "out.####.png"),
        ("matte", "link.mkv", "matte.mkv"),
        ("matte", "matte.mkv", "link.mkv"),
    ],
)
def test_a_run_goes_on_under_any_spelling_of_its_output(shot, tmp_path, output, first, second, older):
    """There is one journal for all of them; earlier versions called theirs as the output was spelled."""
    plate, _ = shot
    (tmp_path / "link.mkv").symlink_to(tmp_path / "matte.mkv")
    frames = range(1, 5)
    render(plate, tmp_path, outputs={output: str(tmp_path / first)}, frames=frames)
    (journal,) = tmp_path.glob("*.journal.jsonl")
    if older:
        journal.rename(tmp_path / f"{first}.journal.jsonl")
    assert not render(plate, tmp_path, outputs={output: str(tmp_path / second)}, frames=frames)
    assert older or [*tmp_path.glob("*.journal.jsonl")] == [journal]
    for frame in frames if output == "result" else [None]:
        file = tmp_path / ("matte.mkv" if frame is None else f"out.{frame:04d}.png")
        assert frame is None or made.is_journalled(file, frame)
        assert not submitted([tmp_path / second])(file, frame)  # it is complete: nobody's leave is asked for nothing
        file.write_bytes(b"cut off")
        assert submitted([tmp_path / second])(file, frame)


def test_a_longer_range_takes_what_a_shorter_one_made(shot, tmp_path):
    plate, expected = shot
    outputs = {"result": str(tmp_path / "out.%04d.png")}
    render(plate, tmp_path, outputs=outputs, frames=range(1, 11))
    assert render(plate, tmp_path, outputs=outputs) == set(range(11, 31))
    assert contents(tmp_path) == {name: data for name, data in expected.items() if name.startswith("out.")}


# --- locks and leftovers ------------------------------------------------------------------------------------


def test_a_lock_names_its_holder_and_goes_with_it(tmp_path):
    output = tmp_path / "a.mov"
    with Lock(output):
        assert json.loads((tmp_path / ".a.mov.lock").read_text())["pid"] == os.getpid()
        with pytest.raises(OutputError, match=f"process {os.getpid()} on .*: wait for it"), Lock(output):
            pass
        with Lock(tmp_path / "b.mov"):
            pass
    assert not list(tmp_path.iterdir())


def _hold(path, told):
    with Lock(path):
        told.send("held")
        told.recv()


def test_all_spellings_of_a_sequence_have_one_lock(tmp_path):
    """Spelled otherwise, or for other digits, they are the same files; one run may hold several of them."""
    (tmp_path / "link").symlink_to(tmp_path)
    with locked([tmp_path / "a.####.png", tmp_path / "a.%d.png", tmp_path / "link" / "a.%04d.png"]):
        for other in ("a.%04d.png", "a.#.png", "link/a.####.png"):
            with pytest.raises(OutputError, match="another run"), Lock(tmp_path / other):
                pass
        with Lock(tmp_path / "b.####.png"), Lock(tmp_path / "a.#.mov"), Lock(tmp_path / "a.#.json"):
            pass
    assert not list(tmp_path.glob(".*.lock"))


def test_the_lock_of_a_killed_process_is_taken_over(tmp_path):
    ours, theirs = multiprocessing.Pipe()
    holder = multiprocessing.get_context("spawn").Process(target=_hold, args=(tmp_path / "a.mov", theirs))
    holder.start()
    assert ours.recv() == "held"
    with pytest.raises(OutputError, match=f"process {holder.pid} on"), Lock(tmp_path / "a.mov"):
        pass
    holder.kill()
    holder.join()
    assert (tmp_path / ".a.mov.lock").exists()
    with Lock(tmp_path / "a.mov"):
        pass
    assert not list(tmp_path.iterdir())


def test_the_lock_of_another_machine_is_respected(tmp_path):
    lock = tmp_path / ".a.mov.lock"
    lock.write_text('{"pid": 12, "host": "farm-17"}')
    with pytest.raises(OutputError, match=r"process 12 on farm-17.*if it has ended, remove .*\.a\.mov\.lock"):
        Lock(tmp_path / "a.mov").__enter__()
    assert lock.exists()


@pytest.mark.parametrize("content", ["", "{", "[]", '{"pid": 1}'])
def test_an_unreadable_lock_that_nobody_holds_is_taken_over(tmp_path, content):
    (tmp_path / ".a.mov.lock").write_text(content)
    with Lock(tmp_path / "a.mov"):
        pass


def test_leftovers_of_these_outputs_are_swept_and_no_other_file(tmp_path):
    long = "x" * 90
    left = [
        ".out.0007.0123456789ab.png",
        ".out.-007.0123456789ab.png",
        ".clip.0123456789ab.mkv",
        f".{long[:80]}.0123456789ab.exr",
    ]
    kept = [
        "out.0007.png", ".out.0007.0123456789ab.exr", ".out.0007.0123456789AB.png", ".other.0007.0123456789ab.png",
        ".out.0007.0123456789abc.png", ".clips.0123456789ab.mkv", ".clip.lock", "clip.0123456789ab.mkv",
    ]  # fmt: skip
    for name in (*left, *kept):
        (tmp_path / name).touch()
    outputs = [tmp_path / "out.%04d.png", tmp_path / "clip.mkv", tmp_path / f"{long}.%04d.exr"]
    assert sweep(outputs) == len(left)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(kept)


def test_every_way_of_rendering_sweeps_and_locks(shot, tmp_path):
    plate, expected = shot
    left = tmp_path / ".out.0004.0123456789ab.png"
    left.touch()
    reference(plate, outputs_in(tmp_path))
    assert contents(tmp_path) == expected
    with locked([tmp_path / "matte.mkv"]), pytest.raises(OutputError, match="another run"):
        reference(plate, outputs_in(tmp_path))
