"""Clips: pictures, sequences and video through one door, frame numbers, gaps, and outputs like their inputs."""

from __future__ import annotations

import pickle
import threading
from fractions import Fraction

import footage
import numpy as np
import pytest
import references
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.host_adapters.media import clips, pictures
from inkarnat.host_adapters.media.clips import FrameRangeError, open_clip, open_writer, parse_frames
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.writes import OutputError


def shade(number, height=24, width=32):
    """A picture that tells its own number."""
    picture = np.full((height, width, 3), number / 256, np.float32)
    picture[: height // 2] = 0.5
    return picture


def sequence(folder, numbers, name="shot.{:04d}.exr"):
    for number in numbers:
        pictures.write_picture(folder / name.format(number), shade(number))


# --- frame numbers ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("7", [7]),
        ("1-5", [1, 2, 3, 4, 5]),
        ("1-9x3", [1, 4, 7]),
        ("1,5,9", [1, 5, 9]),
        ("1-100x50, 5,9", [1, 5, 9, 51]),
        ("5,1-3,2-6", [1, 2, 3, 4, 5, 6]),
        ("-3--1", [-3, -2, -1]),
        ("-2-1", [-2, -1, 0, 1]),
        ("1001-1003", [1001, 1002, 1003]),
    ],
)
def test_frame_ranges(text, expected):
    frames = parse_frames(text)
    assert list(frames) == expected
    assert len(frames) == len(expected)
    assert (frames[0], frames[-1]) == (expected[0], expected[-1])
    assert all(number in frames for number in expected)
    assert 999_999 not in frames


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "not understood"),
        ("a-b", "'a-b' is not understood"),
        ("1-", "'1-' is not understood"),
        ("1,,2", "'' is not understood"),
        ("10-1", "runs backwards; write 1-10"),
        ("1-10x0", "step in '1-10x0' must be 1 or more"),
        ("1.5", "'1.5' is not understood"),
        ("1" * 12, "not understood"),
    ],
)
def test_frame_ranges_that_cannot_be_read(text, message):
    with pytest.raises(FrameRangeError, match=message):
        parse_frames(text)


def test_long_ranges_are_not_listed():
    frames = parse_frames("1-900000000")
    assert len(frames) == 900_000_000
    assert 450_000_000 in frames
    assert next(iter(frames)) == 1
    assert frames.parts == (range(1, 900_000_001),)


@given(st.lists(st.tuples(st.integers(-50, 50), st.integers(0, 40), st.integers(1, 7)), min_size=1, max_size=4))
def test_frame_ranges_agree_with_a_plain_set(parts):
    text = ",".join(f"{first}-{first + length}x{step}" for first, length, step in parts)
    expected = sorted({n for first, length, step in parts for n in range(first, first + length + 1, step)})
    assert list(parse_frames(text)) == expected


# --- sequences ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pattern", ["shot.%04d.exr", "shot.####.exr"])
def test_a_sequence_by_either_pattern(tmp_path, pattern):
    sequence(tmp_path, range(1001, 1005))
    clip = open_clip(tmp_path / pattern)
    assert clip.frames == range(1001, 1005)
    assert (clip.width, clip.height, clip.missing, clip.notes) == (32, 24, (), ())
    assert [number for number, _ in clip] == [1001, 1002, 1003, 1004]
    sequence(tmp_path, [7])
    assert np.array_equal(open_clip(tmp_path / pattern).read(7), shade(7).astype(np.float16).astype(np.float32))


def test_gaps_are_named(tmp_path):
    sequence(tmp_path, [1, 2, 4, 5, 9])
    clip = open_clip(tmp_path / "shot.%04d.exr")
    assert clip.frames == range(1, 10)
    assert clip.missing == (3, 6, 7, 8)
    assert "lacks frames 3 and 6–8" in clip.notes[0]
    with pytest.raises(InputError, match=r"shot\.0006\.exr does not exist"):
        clip.read(6)
    with pytest.raises(InputError, match="no frame 10: it runs from 1 to 9"):
        clip.read(10)


def test_every_second_frame_is_no_gap(tmp_path):
    sequence(tmp_path, [1, 3, 5, 7])
    clip = open_clip(tmp_path / "shot.%04d.exr")
    assert (clip.frames, clip.missing) == (range(1, 8, 2), ())


def test_padding_negative_numbers_and_strangers(tmp_path):
    sequence(tmp_path, [-2, -1, 0, 9, 10], name="a.{:d}.png")
    sequence(tmp_path, [3], name="a.{:04d}.png")
    sequence(tmp_path, [5], name="ab.{:d}.png")
    assert open_clip(tmp_path / "a.%d.png").frames == range(-2, 11)
    assert open_clip(tmp_path / "a.####.png").frames == range(3, 4)
    sequence(tmp_path, [12345], name="a.{:04d}.png")
    assert open_clip(tmp_path / "a.%04d.png").frames == range(3, 12346)


def test_a_sequence_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match=r"No file is named like .*shot\.%04d\.exr"):
        open_clip(tmp_path / "shot.%04d.exr")
    with pytest.raises(InputError, match="check the folder's name"):
        open_clip(tmp_path / "none" / "shot.%04d.exr")


def test_a_literal_sign_in_a_name(tmp_path):
    pictures.write_picture(tmp_path / "take #1.png", shade(3))
    assert open_clip(tmp_path / "take #1.png").frames == range(1, 2)


def test_a_sequence_writes_a_sequence_with_its_metadata(tmp_path):
    oiio = pytest.importorskip("OpenImageIO")
    for number in (1, 2):
        spec = oiio.ImageSpec(8, 6, 3, "half")
        spec.attribute("smpte:TimeCode", oiio.TypeDesc("timecode"), (number, 0))
        spec.attribute("framesPerSecond", oiio.TypeDesc("rational"), (24000, 1001))
        target = oiio.ImageOutput.create(str(tmp_path / "a.0001.exr"))
        target.open(str(tmp_path / f"a.{number:04d}.exr"), spec)
        target.write_image(np.zeros((6, 8, 3), np.float32))
        target.close()
    clip = open_clip(tmp_path / "a.####.exr")
    assert clip.rate == footage.FILM
    with open_writer(tmp_path / "b.%03d.exr", like=clip) as writer:
        for number, picture in clip:
            writer.write(number, picture, picture)
    for number in (1, 2):
        info = pictures.read_picture(tmp_path / f"b.{number:03d}.exr")[1]
        assert info.metadata["smpte:TimeCode"][1] == (number, 0)
        assert info.bits == 16


def test_a_sequence_never_overwrites_itself(tmp_path):
    sequence(tmp_path, [1, 2])
    clip = open_clip(tmp_path / "shot.%04d.exr")
    with pytest.raises(OutputError, match="is an input as well"):
        open_writer(tmp_path / "shot.####.exr", like=clip)
    with pytest.raises(OutputError, match="folder does not exist"):
        open_writer(tmp_path / "none" / "shot.####.exr", like=clip)


# --- single pictures and video ------------------------------------------------------------------------------


def test_a_single_picture(tmp_path):
    pictures.write_picture(tmp_path / "a.png", shade(64), bits=8)
    clip = open_clip(tmp_path / "a.png")
    assert (clip.frames, clip.rate, clip.info.bits) == (range(1, 2), None, 8)
    first = clip.read(1)
    first[:] = 0
    assert clip.read(1).max() == pytest.approx(0.5, abs=0.01), "what was read may be changed"
    with pytest.raises(InputError, match="no frame 2"):
        clip.read(2)
    with open_writer(tmp_path / "b.png", like=clip) as writer:
        writer.write(1, clip.read(1))
        with pytest.raises(OutputError, match=r"holds one picture.*b\.%04d\.png"):
            writer.write(2, clip.read(1))
    assert pictures.read_picture(tmp_path / "b.png")[1].bits == 8
    assert np.array_equal(pictures.read_picture(tmp_path / "b.png")[0], clip.read(1))


def test_a_video_keeps_its_codes_without_being_given_them(tmp_path):
    options = {"level": "3", "slicecrc": "1", "g": "1"}  # as the writer sets them: then equal planes are equal packets
    footage.make(tmp_path / "a.mkv", "ffv1", frames=12, sound="aac", options=options)
    with open_clip(tmp_path / "a.mkv") as clip:
        assert (clip.frames, clip.rate) == (range(1, 13), footage.FILM)
        with open_writer(tmp_path / "b.mkv", like=clip) as writer:
            held = {}
            for number in clip.frames:  # a node that looks two frames ahead
                for ahead in range(number, min(number + 3, 13)):
                    if ahead not in held:
                        held[ahead] = clip.read(ahead)
                writer.write(number, held.pop(number), None)
    assert footage.packets(tmp_path / "a.mkv", "video") == footage.packets(tmp_path / "b.mkv", "video")
    assert footage.packets(tmp_path / "a.mkv", "audio") == footage.packets(tmp_path / "b.mkv", "audio")


def test_what_a_frame_came_as_is_read_again_when_forgotten(tmp_path):
    footage.make(tmp_path / "a.mkv", "ffv1", frames=20)
    clip = open_clip(tmp_path / "a.mkv")
    first = clip.origin(1)
    for number in clip.frames:
        clip.read(number)
    again = clip.origin(1)
    assert again is not first
    assert all(np.array_equal(a, b) for a, b in zip(first.planes, again.planes, strict=True))


def test_video_to_sequence_and_back(tmp_path):
    footage.make(tmp_path / "a.mov", "prores_ks", "yuv422p10le")
    clip = open_clip(tmp_path / "a.mov")
    with open_writer(tmp_path / "f.%04d.dpx", like=clip) as writer:
        for number, picture in clip:
            writer.write(number, picture)
    frames = open_clip(tmp_path / "f.%04d.dpx")
    assert frames.frames == range(1, 7)
    with open_writer(tmp_path / "b.mov", like=frames, rate=clip.rate) as writer:
        for number, picture in frames:
            writer.write(number, picture)
    result = open_clip(tmp_path / "b.mov")
    assert (result.rate, len(result.frames)) == (clip.rate, 6)
    within = np.clip(clip.read(3), 0, 1)
    assert np.abs(np.clip(result.read(3), 0, 1) - within).mean() < 0.01


def test_a_rate_is_assumed_with_a_note(tmp_path):
    sequence(tmp_path, [1, 2, 3], name="a.{:d}.png")
    clip = open_clip(tmp_path / "a.%d.png")
    with open_writer(tmp_path / "a.mp4", like=clip) as writer:
        assert "24 frames a second" in writer.notes[0]
        for number, picture in clip:
            writer.write(number, picture)
    assert open_clip(tmp_path / "a.mp4").rate == Fraction(24)


@pytest.mark.parametrize("name", ["m.%04d.png", "m.mov", "m.mkv"])
def test_mattes(tmp_path, name):
    footage.make(tmp_path / "a.mp4", "libx264", sound="aac")
    clip = open_clip(tmp_path / "a.mp4")
    matte = np.tile(np.linspace(0, 1, 64, dtype=np.float32), (48, 1))
    with open_writer(tmp_path / name, like=clip, kind="matte") as writer:
        for number, picture in clip:
            writer.write(number, matte, picture)
    if name.endswith("png"):
        assert np.abs(references.read_matte(tmp_path / "m.0003.png") - matte).max() < 1e-4
    else:
        result = open_clip(tmp_path / name)
        assert result.info.sound == 0
        assert np.abs(result.read(3) - matte[..., None]).max() < 0.02


def test_assumptions_reach_the_video(tmp_path):
    footage.make(tmp_path / "a.mkv", tags=(0, 2, 2, 2))
    assert "BT.601 is assumed" in open_clip(tmp_path / "a.mkv").notes[0]
    assert open_clip(tmp_path / "a.mkv", standard="709", studio=True).notes == ()


def test_clips_travel_to_other_processes(tmp_path):
    footage.make(tmp_path / "a.mkv", tags=(0, 2, 2, 2))
    sequence(tmp_path, [1, 2])
    for clip in (
        open_clip(tmp_path / "a.mkv", standard="2020"),
        open_clip(tmp_path / "shot.%04d.exr"),
        open_clip(tmp_path / "shot.0001.exr"),
    ):
        there = pickle.loads(pickle.dumps(clip))
        assert there.info.width == clip.info.width
        assert np.array_equal(there.read(1), clip.read(1))
        origin = pickle.loads(pickle.dumps(clip.origin(1)))
        assert type(origin) is type(clip.origin(1))


def test_threads_may_read_the_same_clip(tmp_path):
    footage.make(tmp_path / "a.mp4", "libx264", frames=20)
    clip = open_clip(tmp_path / "a.mp4")
    expected = dict(clip)
    wrong = []

    def read(numbers):
        wrong.extend(n for n in numbers if not np.array_equal(clip.read(n), expected[n]))

    workers = [threading.Thread(target=read, args=(range(start, 21, 3),)) for start in (1, 2, 3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert wrong == []


def test_files_of_unknown_kinds(tmp_path):
    (tmp_path / "a.bmpx").write_text("words " * 100)
    with pytest.raises(InputError, match=r"a\.bmpx is not a readable picture"):
        open_clip(tmp_path / "a.bmpx")
    with pytest.raises(InputError, match="is a folder"):
        open_clip(tmp_path)
    with pytest.raises(OutputError, match=r"'\.bmpx': an output needs one of \.exr"):
        open_writer(tmp_path / "b.bmpx")
    assert clips.SequencePattern.parse("a.png") is None


def test_an_aborted_video_leaves_nothing(tmp_path):
    footage.make(tmp_path / "a.mkv", "ffv1")
    clip = open_clip(tmp_path / "a.mkv")
    writer = open_writer(tmp_path / "b.mkv", like=clip)
    writer.write(1, clip.read(1))
    writer.abort()
    with pytest.raises(OutputError, match="no frame"), open_writer(tmp_path / "b.mkv", like=clip):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["a.mkv"]
