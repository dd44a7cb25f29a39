"""Plates known by their content: what is rendered again when they are delivered anew, and what is not."""

from __future__ import annotations

import json
import os
import shutil

import numpy as np
import pytest
from farm_shots import GRAPH, contents, make_sequence, make_video, noise
from inkarnat.host_adapters.farm import local, plates
from inkarnat.host_adapters.farm.chunks import Done, Job
from inkarnat.host_adapters.farm.journal import Journal
from inkarnat.host_adapters.farm.run import run
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.made import journal_path
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.nodes import RangeKey, SteadyMatte

FRAMES = range(1, 13)
STEADY = Graph.of(
    Step.of("key", RangeKey(), image="plate"), Step.of("steady", SteadyMatte(frames=1), matte="key", guide="plate"),
    matte="steady",
)  # fmt: skip


def render(plate, outputs, graph=GRAPH, resume=True, stop_after=None):
    """Run in this process and return the frames that were worked on."""
    worked = []

    def spy(job, chunks, tell):
        def note(event):
            tell(event)
            if isinstance(event, Done):
                worked.append(event.frame)
                if len(worked) == stop_after:
                    raise KeyboardInterrupt

        local.here(job, chunks, note)

    with open_clip(plate) as clip:
        job = Job.of(graph, {"plate": clip}, outputs)
        report = run(job, {"plate": clip}, clip.frames, spy, resume=resume)
    assert not report.failed
    return set(worked)


@pytest.fixture
def told(caplog):
    def said():
        lines = [record.getMessage() for record in caplog.records]
        caplog.clear()
        return lines

    return said


def replace_keeping_times(path, change):
    """Deliver a file anew under its old name, with its old times, as copying tools can."""
    before = os.stat(path)
    change(path)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def letterboxed(path):
    """Other content in the middle of the picture alone: the same size, the same first and last 64 KiB."""
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 4000] = bytes(4000)
    path.write_bytes(data)


@pytest.fixture
def dpx(tmp_path):
    """DPX frames of more than 128 KiB, so that their ends say nothing of their middle."""
    (tmp_path / "in").mkdir()
    for frame in FRAMES:
        write_picture(tmp_path / "in" / f"in.{frame:04d}.dpx", noise(frame, 180, 320), None, bits=10)
    return tmp_path / "in" / "in.%04d.dpx"


def test_redelivered_frames_are_rendered_again_and_counted(dpx, tmp_path, told):
    outputs = {"result": str(tmp_path / "out.%04d.png")}
    assert render(dpx, outputs) == set(FRAMES)
    before = contents(tmp_path)
    for frame in (3, 8):
        replace_keeping_times(dpx.with_name(f"in.{frame:04d}.dpx"), letterboxed)
    assert render(dpx, outputs) == {3, 8}
    assert told() == ["note: 2 plates changed since (3 and 8): 2 frames that had been complete are rendered again."]
    changed = {name for name, data in contents(tmp_path).items() if data != before[name] and "out" in name}
    assert changed == {"out.0003.png", "out.0008.png"}
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    render(dpx, {"result": str(fresh / "out.%04d.png")})
    assert all(data == (tmp_path / name).read_bytes() for name, data in contents(fresh).items())


def test_neighbours_of_a_redelivered_frame_are_rendered_again(dpx, tmp_path, told):
    outputs = {"matte": str(tmp_path / "matte.%04d.png")}
    render(dpx, outputs, STEADY)
    replace_keeping_times(dpx.with_name("in.0001.dpx"), letterboxed)
    replace_keeping_times(dpx.with_name("in.0007.dpx"), letterboxed)
    assert render(dpx, outputs, STEADY) == {1, 2, 6, 7, 8}
    assert "2 plates changed since (1 and 7): 5 frames" in told()[0]
    assert render(dpx, outputs, STEADY) == set()


def test_a_stop_among_neighbours_leaves_none_stale(dpx, tmp_path):
    """The neighbour that was not reached is known to be made from the plate as it was before."""
    outputs = {"matte": str(tmp_path / "matte.%04d.png")}
    render(dpx, outputs, STEADY)
    replace_keeping_times(dpx.with_name("in.0006.dpx"), letterboxed)
    with pytest.raises(KeyboardInterrupt):
        render(dpx, outputs, STEADY, stop_after=1)
    assert render(dpx, outputs, STEADY) == {6, 7}
    assert render(dpx, outputs, STEADY) == set()


def test_the_same_content_again_is_hashed_once_and_nothing_rendered(dpx, tmp_path, told, monkeypatch):
    outputs = {"result": str(tmp_path / "out.%04d.png")}
    render(dpx, outputs)
    for frame in FRAMES:
        path = dpx.with_name(f"in.{frame:04d}.dpx")
        shutil.copy(path, tmp_path / "copy")
        os.replace(tmp_path / "copy", path)
    assert render(dpx, outputs) == set()
    assert told() == []
    monkeypatch.setattr(plates, "content_of", lambda *_: pytest.fail("what looks the same is not read"))
    assert render(dpx, outputs) == set()


def test_what_another_machine_read_is_hashed(dpx, tmp_path, monkeypatch):
    outputs = {"result": str(tmp_path / "out.%04d.png")}
    with monkeypatch.context() as there:
        there.setattr(plates.socket, "gethostname", lambda: "farm-17")
        render(dpx, outputs)
    replace_keeping_times(dpx.with_name("in.0005.dpx"), letterboxed)
    hashed = []
    read = plates.content_of
    monkeypatch.setattr(plates, "content_of", lambda path, *more: hashed.append(path) or read(path, *more))
    assert render(dpx, outputs) == {5}
    assert len(set(hashed)) == len(FRAMES)


@pytest.mark.parametrize("ways", [("result",), ("result", "matte")])
def test_a_clip_with_other_content_in_the_middle_is_rendered_again(tmp_path, told, ways):
    clip = tmp_path / "in.mkv"
    make_video(clip, 30, sound=False, size=(96, 128))
    outputs = {"result": str(tmp_path / "out.%04d.png"), "matte": str(tmp_path / "matte.mkv")}
    outputs = {name: outputs[name] for name in ways}
    render(clip, outputs)
    assert render(clip, outputs) == set()
    data = bytearray(clip.read_bytes())
    assert len(data) > 3 * 65536
    middle = len(data) // 2
    data[middle : middle + 64] = bytes(64)
    replace_keeping_times(clip, lambda path: path.write_bytes(data))
    with open_clip(clip) as opened:
        job = Job.of(GRAPH, {"plate": opened}, outputs)
        worked = []
        run(job, {"plate": opened}, opened.frames, lambda *given: worked.append(list(given[1])) or local.here(
            given[0], iter(worked[-1]), given[2]), resume=True)  # fmt: skip
    assert {frame for chunk in worked[-1] for frame in chunk.frames} == set(range(1, 31))
    assert told()[0].startswith("note: the clip was replaced since: 30 frames that had been complete are rendered")


def test_a_clip_that_was_copied_back_is_not_rendered_again(tmp_path, told):
    clip = tmp_path / "in.mkv"
    make_video(clip, 24, sound=False)
    outputs = {"result": str(tmp_path / "out.%04d.png"), "matte": str(tmp_path / "matte.mkv")}
    render(clip, outputs)
    shutil.copy(clip, tmp_path / "copy.mkv")
    os.replace(tmp_path / "copy.mkv", clip)
    assert render(clip, outputs) == set()
    assert told() == []


def test_segments_of_a_stopped_run_are_dropped_where_their_plates_changed(dpx, tmp_path, told):
    outputs = {"result": str(tmp_path / "out.mkv")}
    with pytest.raises(KeyboardInterrupt):
        render(dpx, outputs, stop_after=12)
    segments = len(list((tmp_path / ".out.mkv.segments").glob("*.json")))
    whole = render(dpx, outputs)
    replace_keeping_times(dpx.with_name("in.0002.dpx"), letterboxed)
    assert render(dpx, outputs) == set(FRAMES)
    assert "12 frames" in told()[-1]
    assert segments + len(whole) > 0


def test_a_graph_of_another_kind_says_whose_journal_that_is(dpx, tmp_path, told):
    outputs = {"matte": str(tmp_path / "matte.%04d.png")}
    render(dpx, outputs, STEADY)
    assert render(dpx, outputs) == set(FRAMES)
    assert (
        "belongs to another job: its graph, codec, device or version differs, so all 12 frames are rendered"
        in told()[0]
    )


# --- journals of the first version ----------------------------------------------------------------------------


@pytest.fixture
def first_version(tmp_path):
    """A run whose journal is as version 0.1.0 wrote it."""
    plate = make_sequence(tmp_path / "in", FRAMES)
    outputs = {"result": str(tmp_path / "out.%04d.png")}
    render(plate, outputs)
    path = journal_path(tmp_path / "out.%04d.png")
    with open_clip(plate) as clip:
        job = Job.of(GRAPH, {"plate": clip}, outputs)
    old = []
    for line in path.read_text().splitlines():
        entry = json.loads(line)
        entry.pop("plates", None)
        if "plate" not in entry:
            old.append(entry | ({"run": job.older[0]} if "run" in entry else {}))
    path.write_text("".join(json.dumps(entry) + "\n" for entry in old))
    return plate, outputs


def test_a_journal_of_the_first_version_goes_on(first_version, told):
    plate, outputs = first_version
    assert render(plate, outputs) == set()
    assert told() == []


def test_a_journal_of_the_first_version_takes_no_plate_that_came_later(first_version, tmp_path, told):
    plate, outputs = first_version
    middle = tmp_path / "in" / "in.0006.png"
    expected = contents(tmp_path)
    write_picture(middle, noise(600), None, bits=8)
    assert render(plate, outputs) == {6}
    assert told() == ["note: their plates were touched since: 1 frame that had been complete is rendered again."]
    assert contents(tmp_path)["out.0006.png"] != expected["out.0006.png"]
    journal = Journal(journal_path(tmp_path / "out.%04d.png"), "none")
    assert journal.read()


def test_the_first_versions_identity_is_told_as_it_was(tmp_path):
    """Worked out here as that version did: version, graph, size and ends of each file, codec."""
    import hashlib

    path = tmp_path / "in.png"
    write_picture(path, np.full((4, 4, 3), 0.5, np.float32))
    data = path.read_bytes()
    ends = hashlib.sha256(data[:65536] + data[max(0, len(data) - 65536) :]).hexdigest()
    content = ["0.1.0", GRAPH.to_dict(), {"plate": [[len(data), ends]]}, None]
    expected = hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:32]
    with open_clip(path) as clip:
        assert Job.of(GRAPH, {"plate": clip}, {"result": str(tmp_path / "out.png")}).older == (expected,)
    assert read_picture(path)[0].shape == (4, 4, 3)
