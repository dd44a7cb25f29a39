"""The farm: chunks, processes, segments of video and clusters, with the bits of a single process."""

from __future__ import annotations

import contextlib
import json
import pickle
import time
import tracemalloc
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import pytest
from farm_shots import GRAPH, contents, make_sequence, make_video, named, reference, start
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.host_adapters.farm import local
from inkarnat.host_adapters.farm.chunks import MOST, Job, chunk_size, cut
from inkarnat.host_adapters.farm.run import frames_text, join_videos, render_part, run
from inkarnat.host_adapters.graphs.rendering import render_files
from inkarnat.host_adapters.media.clips import open_clip, parse_frames
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.host_adapters.writes import OutputError


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    """A sequence of 30 frames and a video of 30 with sound."""
    folder = tmp_path_factory.mktemp("shot")
    GRAPH.save(folder / "graph.json")
    return folder, make_sequence(folder / "in", range(1, 31)), make_video(folder / "plate.mkv", 30)


def farmed(plate: str, outputs: dict[str, str], engine=local.here, frames=None, **options):
    with open_clip(plate) as clip:
        job = Job.of(GRAPH, {"plate": clip}, outputs, options.pop("codec", None))
        return run(job, {"plate": clip}, frames or clip.frames, engine, **options)


# --- chunks -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["1-100000", "1-100000,150000-250000x2"])
def test_a_hundred_thousand_frames_are_read_and_cut_at_once_and_never_listed(text):
    def read_and_cut() -> int:
        frames = parse_frames(text)
        assert frames_text(frames) == text
        return sum(len(chunk.frames) for chunk in cut(frames, chunk_size(len(frames), 1)))

    began = time.process_time()
    assert read_and_cut() == len(parse_frames(text)) >= 100_000
    assert time.process_time() - began < 1
    tracemalloc.start()
    read_and_cut()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 200_000


@given(st.sets(st.integers(-1000, 1000), min_size=1, max_size=60).map(sorted), st.integers(1, 20))
def test_chunks_are_all_frames_once_in_order_and_can_be_written(frames, size):
    chunks = list(cut(frames, size))
    assert [frame for chunk in chunks for frame in chunk.frames] == frames
    for chunk in chunks:
        assert list(parse_frames(str(chunk))) == list(chunk.frames)


@pytest.mark.parametrize(
    ("total", "least", "size"), [(1, 1, 1), (100, 1, 2), (100, 12, 12), (10_000, 12, 157), (10**6, 1, MOST)]
)
def test_the_size_of_a_chunk_depends_on_the_run_alone(total, least, size):
    assert chunk_size(total, least) == size


def test_a_job_can_be_sent_to_another_process_and_knows_what_its_bits_depend_on(shot):
    _, plate, video = shot
    with open_clip(plate) as clip, open_clip(video) as other:
        job = Job.of(GRAPH, {"plate": clip}, {"result": "a.mov"})
        assert pickle.loads(pickle.dumps(job)) == job
        assert Job.of(GRAPH, {"plate": clip}, {"result": "elsewhere/b.mov"}).identity == job.identity
        assert Job.of(GRAPH, {"plate": other}, {"result": "a.mov"}).identity != job.identity
        assert Job.of(GRAPH, {"plate": clip}, {"result": "a.mov"}, "ffv1").identity != job.identity


def test_memory_bounds_the_processes():
    """400 MB and a dozen pictures of 16 bytes a pixel for each: for UHD 1.99 GB."""
    uhd = SimpleNamespace(width=3840, height=2160)
    each = 400 * 2**20 + 12 * 3840 * 2160 * 16
    for fitting in (1, 3, 8):
        assert local.affordable(8, uhd, available=int(each * fitting / 0.8) + 1000) == fitting
    assert local.affordable(8, uhd, available=0) == 1
    assert local.affordable(2, SimpleNamespace(width=64, height=48), available=2**36) == 2


# --- the same bits ------------------------------------------------------------------------------------------


def test_processes_give_the_bits_of_one(shot, tmp_path):
    _, plate, _ = shot
    outputs = {"result": "out.%04d.png", "matte": "matte.mkv"}
    for name in ("one", "many"):
        (tmp_path / name).mkdir()
    reference(plate, {name: str(tmp_path / "one" / file) for name, file in outputs.items()})
    report = farmed(plate, {name: str(tmp_path / "many" / file) for name, file in outputs.items()}, local.processes(2))
    assert report.done == list(range(1, 31))
    assert contents(tmp_path / "many") == contents(tmp_path / "one")


def test_a_frame_lasts_as_long_wherever_reading_began(tmp_path):
    """24 frames a second are no whole number of milliseconds: after a jump the library tells a cut duration."""
    video = make_video(tmp_path / "plate.mkv", 30)
    assert [frame.original.duration for frame in VideoReader(video)] == [42] * 30
    for number in (20, 28, 5):
        with VideoReader(video) as reader:
            assert reader.frame(number).original.duration == 42


@pytest.mark.parametrize(("codec", "suffix"), [("ffv1", ".mkv"), ("prores", ".mov"), ("dnxhr", ".mov")])
@pytest.mark.parametrize("frames", ["1-30", "4-30", "2-30x2"])
def test_joined_video_is_that_of_one_process_bit_for_bit(shot, tmp_path, codec, suffix, frames):
    """Codecs of single frames: the whole file is the same, sound and all."""
    _, _, video = shot
    chosen = parse_frames(frames)
    if codec == "dnxhr":
        video = make_video(tmp_path / "plate.mov", 30, "prores", Fraction(30000, 1001), sound=False, size=(128, 256))
    one, many = tmp_path / f"one{suffix}", tmp_path / f"many{suffix}"
    reference(video, {"result": str(one)}, frames=chosen, codec=codec)
    farmed(video, {"result": str(many)}, frames=chosen, codec=codec)
    assert many.read_bytes() == one.read_bytes()
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(("codec", "suffix"), [("h264", ".mp4"), ("hevc", ".mov"), ("h264", ".mkv")])
def test_joined_video_of_other_codecs_has_the_same_frames_at_the_same_times(shot, tmp_path, codec, suffix):
    _, _, video = shot
    one, many = tmp_path / f"one{suffix}", tmp_path / f"many{suffix}"
    source = make_video(tmp_path / "silent.mkv", 30, sound=False) if suffix == ".mp4" else video
    reference(source, {"result": str(one)}, codec=codec)
    farmed(source, {"result": str(many)}, codec=codec)
    first, second = _decoded(one), _decoded(many)
    assert [time for time, _ in first] == [time for time, _ in second]
    assert len(second) == 30
    for (_, picture), (_, other) in zip(first, second, strict=True):
        # Noise under a lossy codec: the frame itself is far nearer than any other one.
        assert abs(picture - other).mean() < 16
    assert abs(first[3][1] - second[4][1]).mean() > 25
    assert _sound(one) == _sound(many)
    assert bool(_sound(one)) == (source == video)


def _decoded(path: Path):
    import av

    with av.open(str(path)) as source:
        return [(frame.time, frame.to_ndarray(format="rgb24").astype(int)) for frame in source.decode(video=0)]


def _sound(path: Path):
    import av

    with av.open(str(path)) as source:
        streams = source.streams.audio
        return [(packet.pts, bytes(packet)) for packet in source.demux(streams[0]) if packet.size] if streams else []


def test_pictures_become_a_video_with_the_frames_that_did_not_fail(tmp_path):
    plate = make_sequence(tmp_path / "in", range(1, 31))
    (tmp_path / "in" / "in.0001.png").write_bytes(b"nothing")
    (tmp_path / "in" / "in.0014.png").write_bytes(b"nothing")
    plate_frames = parse_frames("1-30")
    with pytest.raises(Exception, match=r"in\.0001\.png"):
        open_clip(plate)
    (tmp_path / "in" / "in.0001.png").write_bytes((tmp_path / "in" / "in.0002.png").read_bytes())
    clip = open_clip(plate)
    (tmp_path / "in" / "in.0001.png").write_bytes(b"nothing")
    for name, call in (
        ("one", lambda out: render_files(GRAPH, {"plate": clip}, out, plate_frames)),
        (
            "many",
            lambda out: run(Job.of(GRAPH, {"plate": clip}, out), {"plate": clip}, plate_frames, local.processes(1)),
        ),
    ):
        (tmp_path / name).mkdir()
        if name == "many":
            # Workers open the sequence themselves and look at its first picture.
            (tmp_path / "in" / "in.0001.png").write_bytes((tmp_path / "in" / "in.0002.png").read_bytes())
        report = call({"result": str(tmp_path / name / "out.mkv")})
        assert 14 in report.failed
    assert len(_decoded(tmp_path / "one" / "out.mkv")) == 28
    assert len(_decoded(tmp_path / "many" / "out.mkv")) == 29


def test_parts_can_be_rendered_anywhere_and_joined(shot, tmp_path):
    _, _, video = shot
    one, many = tmp_path / "one.mkv", tmp_path / "many.mkv"
    reference(video, {"result": str(one)})
    with open_clip(video) as clip:
        job, clips = Job.of(GRAPH, {"plate": clip}, {"result": str(many)}), {"plate": clip}
        for part in ("19-30", "1-7", "8-18"):
            render_part(job, clips, parse_frames(part))
        report = join_videos(job, clips, clip.frames)
    assert report.done == list(range(1, 31))
    assert many.read_bytes() == one.read_bytes()
    assert not list(tmp_path.glob(".*"))


def test_a_part_that_is_missing_is_named_when_joining(shot, tmp_path):
    _, _, video = shot
    with open_clip(video) as clip:
        job, clips = Job.of(GRAPH, {"plate": clip}, {"result": str(tmp_path / "out.mkv")}), {"plate": clip}
        for part in ("1-7", "19-30"):
            render_part(job, clips, parse_frames(part))
        report = join_videos(job, clips, clip.frames)
        assert list(report.failed) == list(range(8, 19))
        assert len(_decoded(tmp_path / "out.mkv")) == 19
        render_part(job, clips, parse_frames("8-18"))
        assert not join_videos(job, clips, clip.frames).failed
    assert len(_decoded(tmp_path / "out.mkv")) == 30


def test_wrong_outputs_are_refused_before_any_work(shot, tmp_path):
    _, plate, video = shot
    for source, output, words in [
        (video, video, "is an input as well"),
        (plate, plate, "is an input as well"),
        (plate, str(tmp_path / "one.png"), "holds one picture, and there are 30 frames"),
        (plate, str(tmp_path / "no" / "out.%04d.png"), "the folder does not exist"),
    ]:
        with pytest.raises(OutputError, match=words):
            farmed(source, {"result": output}, lambda *_: pytest.fail("work began"))
    assert not list(tmp_path.iterdir())


# --- a cluster ----------------------------------------------------------------------------------------------


def test_a_cluster_gives_the_same_bits_and_names_a_damaged_frame(shot, tmp_path):
    pytest.importorskip("distributed")
    plate = make_sequence(tmp_path / "in", range(1, 31))
    (tmp_path / "in" / "in.0020.png").write_bytes(b"nothing")
    outputs = {"result": "out.%04d.png", "matte": "matte.mkv"}
    for name in ("one", "many"):
        (tmp_path / name).mkdir()
    reference(plate, {name: str(tmp_path / "one" / file) for name, file in outputs.items()})
    words = ["farm", str(shot[0] / "graph.json"), "--in", f"plate={plate}"]
    words += named({name: str(tmp_path / "many" / file) for name, file in outputs.items()})
    done = start(*words, "--workers", "2", "--json")
    assert done.returncode == 4, done.stderr
    assert "Traceback" not in done.stderr
    report = json.loads(done.stdout)
    assert report["done"] == 29
    assert [item["frame"] for item in report["failed"]] == [20]
    many = {name: data for name, data in contents(tmp_path / "many").items() if not name.startswith(".matte.mkv.seg")}
    assert many == contents(tmp_path / "one")


def test_a_frame_that_kills_the_workers_of_a_cluster_is_given_up(shot, tmp_path):
    pytest.importorskip("distributed")
    folder, plate, _ = shot
    words = ["farm", str(folder / "graph.json"), "--in", f"plate={plate}", "--frames", "1-4"]
    words += ["--out", f"result={tmp_path / 'out.%04d.png'}", "--workers", "2", "--retries", "0", "--json"]
    done = start(*words, env={"DEADLY_FRAME": "3"})
    assert done.returncode == 4, done.stderr
    report = json.loads(done.stdout)
    assert report["done"] == 3
    assert [(item["frame"], "every worker" in item["reason"]) for item in report["failed"]] == [(3, True)]
    assert sorted(path.name for path in tmp_path.glob("out.*.png")) == [f"out.{n:04d}.png" for n in (1, 2, 4)]


def test_a_scheduler_that_is_not_there_is_named(shot, tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    from inkarnat.host_adapters.farm import cluster

    _, plate, _ = shot
    monkeypatch.setattr(cluster, "_PATIENCE", 2.0)
    engine = cluster.dask("tcp://127.0.0.1:1", 1, 1)
    with pytest.raises(cluster.ClusterError, match=r"scheduler tcp://127\.0\.0\.1:1 cannot be used"):
        farmed(plate, {"result": str(tmp_path / "out.%04d.png")}, engine)


def test_workers_without_the_card_that_is_asked_for_are_found_before_the_first_frame(shot, tmp_path):
    """Two real workers without a card: said once, worked on the processor; the bits are those of one machine."""
    distributed = pytest.importorskip("distributed")
    folder, plate, _ = shot
    reference(plate, {"result": str(tmp_path / "one.%04d.png")})
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local:
        words = ["farm", str(folder / "graph.json"), "--in", f"plate={plate}", "--scheduler", local.scheduler_address]
        words += ["--out", f"result={tmp_path / 'many.%04d.png'}", "--device", "cuda:7", "--json"]
        done = start(*words)
    assert done.returncode == 0, done.stderr
    assert "No worker of tcp://" in done.stderr
    assert "can use cuda:7" in done.stderr
    assert done.stderr.count("works on the processor") == 1
    one, many = ([path.read_bytes() for path in sorted(tmp_path.glob(f"{name}.*.png"))] for name in ("one", "many"))
    assert one == many
    assert len(one) > 1


def test_a_farm_on_which_only_some_workers_have_the_card_is_refused(monkeypatch):
    pytest.importorskip("distributed")
    from inkarnat.host_adapters.farm import cluster

    found = {"tcp://a:1": "", "tcp://b:1": "There is no graphics card."}
    client = SimpleNamespace(run=lambda asked, device: {worker: found[worker] for worker in found})
    monkeypatch.setattr(cluster, "_client", lambda *_: contextlib.nullcontext(client))
    told: list[str] = []
    with pytest.raises(cluster.ClusterError, match=r"1 of 2 workers cannot use cuda:0.*tcp://b:1.*no graphics card"):
        cluster.settled("tcp://s:1", "cuda:0", told.append)
    found["tcp://b:1"] = ""
    assert cluster.settled("tcp://s:1", "cuda:0", told.append) == "cuda:0"
    assert cluster.settled("tcp://s:1", "cpu", told.append) == "cpu"
    assert told == []
