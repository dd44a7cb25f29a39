"""Damage, breaks, changes of size, empty slots, missing timestamps: what is given, what is said, how it is counted."""

from __future__ import annotations

import functools
import itertools
import re
from fractions import Fraction

import av
import footage
import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.host_adapters.media.video_write import VideoWriter
from inkarnat.nodes import RangeKey, SteerSkin

FRAMES = 60
B_FRAMES = {"bf": "8", "b_strategy": "0", "x264-params": "b-adapt=0:scenecut=0:threads=1:keyint=36:min-keyint=36"}
CLOSED = {"x265-params": "log-level=error:bframes=4:keyint=24:min-keyint=24:open-gop=0:scenecut=0:pools=1"}
OPEN = {"x265-params": "log-level=error:bframes=4:keyint=24:min-keyint=24:open-gop=1:scenecut=0:pools=1"}


@functools.cache
def texture():
    return np.random.default_rng(0).integers(60, 140, (240, 640)).astype(np.uint8)


def moving(path, codec="libx264", options=B_FRAMES, frames=FRAMES, size=(320, 240), rate=Fraction(25)):
    """A clip of a texture that moves, so that each frame needs those before it."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate, options=options)
        (stream.width, stream.height), stream.pix_fmt = size, "yuv420p"
        context = stream.codec_context
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = footage.BT709
        for number in range(frames):
            frame = av.VideoFrame(*size, "yuv420p")
            footage.view(frame.planes[0], 8)[:] = texture()[: size[1], 3 * number : 3 * number + size[0]]
            for plane in frame.planes[1:]:
                footage.view(plane, 8)[:] = 128
            frame.pts, frame.time_base = number, 1 / rate
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def packets(path):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        found = [(p.pts, p.size, p.is_keyframe, p.pos) for p in container.demux(stream) if p.size]
    order = sorted(pts for pts, *_ in found)
    return [(order.index(pts) + 1, size, key, pos) for pts, size, key, pos in found]


def harm(path, target, number, length=400, part=1 / 3):
    """Change some bytes inside the packet of a frame."""
    size, pos = next((size, pos) for shown, size, _, pos in packets(path) if shown == number)
    data = bytearray(path.read_bytes())
    at = pos + int(size * part)
    length = min(length, size - int(size * part) - 1)
    data[at : at + length] = np.random.default_rng(1).integers(0, 256, length, np.uint8).tobytes()
    target.write_bytes(bytes(data))
    return target


def truth(path):
    with av.open(str(path)) as container:
        return [footage.view(f.planes[0], 8).copy() for f in container.decode(video=0)]


def differing(reader, whole):
    """The numbers of the frames that are given and are not those of the undamaged clip; and all that are given."""
    given = {}
    for number in range(1, reader.info.frames + 1):
        try:
            given[number] = reader.frame(number).original.planes[0]
        except InputError:
            continue
    return {n for n, plane in given.items() if not np.array_equal(plane, whole[n - 1])}, set(given)


HEAD = {"part": 0.0, "length": 60}
"""Damage to the head of a packet; inside the coded samples of HEVC no decoder can see any: they have no sums."""
CASES = [
    *(("libx264", B_FRAMES, 37, {}), ("libx264", B_FRAMES, 10, {})),
    *(("libx265", CLOSED, 31, HEAD), ("libx265", OPEN, 31, HEAD)),
]


@pytest.mark.large
@pytest.mark.parametrize(("codec", "options", "number", "how"), CASES)
def test_no_frame_that_damage_may_reach_is_called_good(tmp_path, codec, options, number, how):
    """An H.264 clip with 8 B-frames whose bytes were changed at frame 37: frames shown before it depend on it."""
    whole = moving(tmp_path / "whole.mp4", codec, options)
    reference = truth(whole)
    key = max(n for n, _, is_key, _ in packets(whole) if is_key and n <= number)
    if key == number:
        number = next(n for n, size, is_key, _ in packets(whole) if n > key and size > 2000)
    bad = harm(whole, tmp_path / "bad.mp4", number, **how)
    stopped = VideoReader(bad)
    wrong, given = differing(stopped, reference)
    assert wrong == set()
    assert given == set(range(1, max(given) + 1))
    assert max(given) < number
    with pytest.raises(InputError, match=rf"cannot be decoded from frame {max(given) + 1} on.*--damaged mark or drop"):
        list(VideoReader(bad))
    dropped = VideoReader(bad, damaged="drop")
    wrong, given = differing(dropped, reference)
    assert wrong == set()
    entry = min((n for n, _, is_key, _ in packets(whole) if is_key and n > number), default=FRAMES + 1)
    assert set(range(entry, FRAMES + 1)) <= given  # clean again from the next entry point on
    marked = VideoReader(bad, damaged="mark")
    wrong, all_given = differing(marked, reference)
    assert wrong or len(all_given) < FRAMES
    assert wrong <= marked.suspect
    assert all_given >= given
    assert marked.suspect == VideoReader(bad, damaged="mark").survey()
    assert min(marked.suspect) == max(n for n in given if n < min(marked.suspect)) + 1


def test_frames_of_their_own_are_left_out_alone(tmp_path):
    options = {"slicecrc": "1", "level": "3", "g": "1"}
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv422p10le", frames=12, rate=Fraction(25), options=options)
    before = [frame.original.planes for frame in VideoReader(tmp_path / "a.mkv")]
    bad = harm(tmp_path / "a.mkv", tmp_path / "b.mkv", 5, length=40, part=0.5)
    reader = VideoReader(bad, damaged="drop")
    given = {frame.number: frame.original.planes for frame in reader}
    assert sorted(given) == [1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12]
    assert all(np.array_equal(a, b) for n, planes in given.items() for a, b in zip(planes, before[n - 1], strict=True))


def test_a_frame_after_damage_is_found_by_seeking_too(tmp_path):
    whole = moving(tmp_path / "whole.mp4")
    bad = harm(whole, tmp_path / "bad.mp4", 10)
    reference = truth(whole)
    assert np.array_equal(VideoReader(bad, damaged="drop").frame(50).original.planes[0], reference[49])


# --- on the command line ------------------------------------------------------------------------------------


def render(folder, source, *more):
    steps = Step.of("key", RangeKey(), image="plate"), Step.of("steer", SteerSkin(), image="plate", matte="key")
    Graph.of(*steps, result="steer").save(folder / "g.json")
    words = ["render", folder / "g.json", "--in", f"plate={source}", "--out", f"result={folder / 'out.mkv'}", *more]
    return CliRunner().invoke(cli, [str(word) for word in words])


def said(done, word):
    return [line for line in done.stderr.splitlines() if word in line]


def test_each_way_is_one_line_a_range_and_exit_code_4(tmp_path):
    whole = moving(tmp_path / "whole.mp4")
    bad = harm(whole, tmp_path / "bad.mp4", 10)
    suspect = sorted(VideoReader(bad, damaged="mark").survey())
    first, last = suspect[0], suspect[-1]
    assert suspect == list(range(first, last + 1))
    stop = render(tmp_path, bad)
    assert stop.exit_code == 4
    assert len(said(stop, "failed")) == 1
    assert f"frames {first}–{FRAMES} failed: {bad} cannot be decoded from frame {first} on" in stop.stderr
    assert len(list(VideoReader(tmp_path / "out.mkv"))) == first - 1
    mark = render(tmp_path, bad, "--damaged", "mark")
    assert mark.exit_code == 4
    assert len(said(mark, "suspect")) == 1
    assert f"frames {first}–{last} of {bad} are suspect" in mark.stderr
    assert len(list(VideoReader(tmp_path / "out.mkv"))) == FRAMES
    drop = render(tmp_path, bad, "--damaged", "drop")
    assert drop.exit_code == 4
    assert f"frames {first}–{last} failed" in drop.stderr
    assert len(said(drop, "failed")) == 1
    assert len(list(VideoReader(tmp_path / "out.mkv"))) == FRAMES - len(suspect)
    good = render(tmp_path, whole, "--damaged", "mark")
    assert good.exit_code == 0
    assert not said(good, "suspect")


def test_processes_name_the_same_ranges(tmp_path):
    bad = harm(moving(tmp_path / "whole.mp4"), tmp_path / "bad.mp4", 10)
    alone, several = (
        render(tmp_path, bad, "--damaged", "mark"),
        render(tmp_path, bad, "--damaged", "mark", "--jobs", "2"),
    )
    assert alone.exit_code == several.exit_code == 4
    assert said(alone, "suspect") == said(several, "suspect")


# --- breaks -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", [0.35, 0.6, 0.9])
def test_a_cut_matroska_file_is_known_by_its_stated_length(tmp_path, part):
    """Without a stated duration of the stream nothing but the length of its segment tells that a file was cut."""
    footage.make(tmp_path / "a.mkv", "ffv1", frames=24, rate=Fraction(25), sound="pcm_s16le")
    data = (tmp_path / "a.mkv").read_bytes()
    data = data.replace(b"DURATION", b"DURATIOX")  # as other writers do, who put no such tag
    (tmp_path / "b.mkv").write_bytes(data)
    assert len(list(VideoReader(tmp_path / "b.mkv"))) == 24
    (tmp_path / "c.mkv").write_bytes(data[: int(len(data) * part)])
    reader = VideoReader(tmp_path / "c.mkv")
    given: list[int] = []
    with pytest.raises(InputError, match="the file breaks off"):
        given.extend(frame.number for frame in reader)
    assert given == list(range(1, len(given) + 1))
    done = render(tmp_path, tmp_path / "c.mkv")
    assert done.exit_code == 4
    assert len(said(done, "failed")) == 1


# --- changes of size ----------------------------------------------------------------------------------------


def test_a_change_of_size_is_called_so_and_no_good_frame_is_lost(tmp_path):
    for number, size in enumerate(((64, 48), (96, 64))):
        moving(tmp_path / f"{number}.mp4", options={"bf": "2", "x264-params": "threads=1"}, frames=8, size=size)
    stream = b""
    for number in range(2):
        with av.open(str(tmp_path / f"{number}.mp4")) as container:
            video = container.streams.video[0]
            plain = av.BitStreamFilterContext("h264_mp4toannexb", video)
            for packet in container.demux(video):
                stream += b"".join(bytes(p) for p in (plain.filter(packet) if packet.size else []))
    (tmp_path / "joined.h264").write_bytes(stream)
    (tmp_path / "joined.mpg").write_bytes(stream)
    reader = VideoReader(tmp_path / "joined.h264")
    given = [reader.frame(number).original.planes[0] for number in range(1, 9)]
    assert all(np.array_equal(a, b) for a, b in zip(given, truth(tmp_path / "0.mp4"), strict=True))
    messages = set()
    for number in (9, 10, 12):
        with pytest.raises(InputError, match="changes to 96×64 yuv420p at frame 9, from 64×48") as caught:
            reader.frame(number)
        messages.add(str(caught.value))
    assert len(messages) == 1
    done = render(tmp_path, tmp_path / "joined.h264")
    assert done.exit_code == 4
    assert len(said(done, "failed")) == 1
    assert re.search(r"frames 9–16 failed: .* changes to 96×64", done.stderr)
    assert len(list(VideoReader(tmp_path / "out.mkv"))) == 8


# --- clips without timestamps, empty slots, odd rates -------------------------------------------------------


def raw(path, target):
    """The bare stream of an H.264 clip: no container, no timestamps."""
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        plain = av.BitStreamFilterContext("h264_mp4toannexb", video)
        parts = [bytes(p) for packet in container.demux(video) if packet.size for p in plain.filter(packet)]
    target.write_bytes(b"".join(parts))
    return target


def test_a_clip_without_timestamps_is_counted_by_its_frames(tmp_path):
    whole = moving(tmp_path / "a.mp4", frames=40)
    bare, reference = raw(whole, tmp_path / "a.h264"), truth(whole)
    reader = VideoReader(bare)
    assert (reader.info.frames, reader.info.rate) == (40, 25)
    for number in (1, 17, 40, 20, 3):
        assert np.array_equal(reader.frame(number).original.planes[0], reference[number - 1])
    with pytest.raises(InputError, match="has no frame 41: it has 40"):
        reader.frame(41)
    done = render(tmp_path, bare, "--frames", "20-30")
    assert done.exit_code == 0, done.stderr
    assert len(list(VideoReader(tmp_path / "out.mkv"))) == 11


def timed(path, times):
    """A clip of frames of their own whose packets carry times in thousandths that are given."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for number, time in enumerate(times):
            frame = av.VideoFrame(64, 48, "yuv420p")
            footage.view(frame.planes[0], 8)[:] = 60 + number
            frame.pts = number
            for packet in stream.encode(frame):
                packet.pts = packet.dts = time
                packet.time_base = Fraction(1, 1000)
                container.mux(packet)
    return path


@pytest.mark.parametrize("times", [[0] * 24, [40 * max(0, n - (n > 17) - (n > 18)) for n in range(24)]])
def test_frames_that_carry_one_time_are_all_read_and_written_in_order(tmp_path, times):
    reader, own = VideoReader(timed(tmp_path / "a.mkv", times)), [60 + n for n in range(24)]
    assert [int(frame.original.planes[0][0, 0]) for frame in reader] == own
    assert [int(reader.frame(n).original.planes[0][0, 0]) for n in (20, 19, 24, 18, 2)] == [79, 78, 83, 77, 61]
    assert any("carry one and the same time; they are taken one after the other, 25 a second" in note
               for note in reader.info.notes) == (times[-1] == 0)  # fmt: skip
    with VideoWriter(tmp_path / "b.mp4", reader.info, "h264") as writer:
        for frame in reader:
            writer.write(frame.number, frame.picture, frame.original)
    written = list(VideoReader(tmp_path / "b.mp4"))
    later = [after.time - before.time for before, after in itertools.pairwise(written)]
    assert len(written) == 24
    assert min(later) > 0
    assert written[-1].time == Fraction(23 if times[-1] == 0 else 21, 25)


def test_raw_dv_has_the_rate_of_its_pictures(tmp_path):
    footage.make(tmp_path / "a.dv", "dvvideo", "yuv420p", frames=5, size=(720, 576), rate=Fraction(25))
    assert VideoReader(tmp_path / "a.dv", interlaced=True).info.rate == 25
    footage.make(tmp_path / "b.dv", "dvvideo", "yuv411p", frames=5, size=(720, 480), rate=Fraction(30000, 1001))
    rate = VideoReader(tmp_path / "b.dv", interlaced=True).info.rate
    assert rate == Fraction(30000, 1001)


def test_empty_slots_of_avi_are_told_from_a_break(tmp_path):
    with av.open(str(tmp_path / "a.avi"), "w") as container:
        stream = container.add_stream("mjpeg", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuvj420p"
        for number in (0, 1, 2, 3, 6, 7, 8, 10, 11):
            frame = av.VideoFrame(64, 48, "yuvj420p")
            footage.view(frame.planes[0], 8)[:] = 60 + number
            frame.pts, frame.time_base = number, Fraction(1, 25)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    reader = VideoReader(tmp_path / "a.avi")
    assert (reader.info.frames, reader.info.rate) == (9, 25)
    assert any("has 3 empty slots" in note for note in reader.info.notes)
    assert [frame.time * 25 for frame in reader] == [0, 1, 2, 3, 6, 7, 8, 10, 11]
    with VideoReader(tmp_path / "a.avi") as again, VideoWriter(tmp_path / "b.mkv", again.info, "ffv1") as writer:
        for frame in again:
            writer.write(frame.number, frame.picture, frame.original)
    times = [float(frame.time) for frame in VideoReader(tmp_path / "b.mkv")]
    np.testing.assert_allclose(times, np.array([0, 1, 2, 3, 6, 7, 8, 10, 11]) / 25, atol=1e-3)
    data = (tmp_path / "a.avi").read_bytes()
    (tmp_path / "c.avi").write_bytes(data[: int(len(data) * 0.7)])
    with pytest.raises(InputError, match="the file breaks off"):
        list(VideoReader(tmp_path / "c.avi"))


@pytest.mark.parametrize("codec", ["prores", "h264", "hevc", "dnxhr"])
def test_the_last_frame_of_a_varying_rate_lasts_as_long_as_it_did(tmp_path, codec):
    times = [0, 1001, 2002, 4004, 7007, 8008]
    size = (512, 128) if codec == "dnxhr" else (64, 48)
    footage.make(tmp_path / "a.mp4", "libx264", size=size, pts=times, time_base=Fraction(1, 24000), options={"bf": "0"})
    with VideoReader(tmp_path / "a.mp4") as reader, VideoWriter(tmp_path / "b.mov", reader.info, codec) as writer:
        for frame in reader:
            writer.write(frame.number, frame.picture, frame.original)

    def lasting(path):
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            last = max((p for p in container.demux(stream) if p.size), key=lambda p: p.pts)
            return float(last.duration * last.time_base), float(stream.duration * stream.time_base)

    before, after = lasting(tmp_path / "a.mp4"), lasting(tmp_path / "b.mov")
    assert before == pytest.approx((1001 / 24000, 9009 / 24000), abs=1e-4)
    assert after[1] == pytest.approx(before[1], abs=1e-4)
    if codec not in ("h264", "hevc"):  # those decode in another order
        assert after[0] == pytest.approx(before[0], abs=1e-4)
