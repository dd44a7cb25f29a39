"""Video: decoded planes, colours, timestamps and sound through real encoders, and clear errors for what goes wrong."""

from __future__ import annotations

import importlib
import subprocess
import sys
import threading
from dataclasses import replace
from fractions import Fraction

import footage
import numpy as np
import pytest
from inkarnat.host_adapters.media import (
    video_decode,
    video_encode,
    video_format,
    video_read,
    video_room,
    video_write,
)
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.host_adapters.media.video_write import VideoWriter
from inkarnat.host_adapters.writes import OutputError
from inkarnat.kernels import strips

QUIET = {"x265-params": "log-level=error"}
FULL601 = (2, 5, 1, 1)
LOSSLESS = ("yuv420p", "yuv422p", "yuv444p", "yuv411p", "yuv440p", "yuv420p10le", "yuv422p10le", "yuv444p12le")


def copy(source, target, codec=None, change=None, **options):
    """Read every frame and write it again, changed or not; return the reader's info."""
    with VideoReader(source) as reader, VideoWriter(target, reader.info, codec, **options) as writer:
        for frame in reader:
            picture = frame.picture if change is None else change(frame.picture.copy())
            writer.write(frame.number, picture, frame.original)
        return reader.info


def planes_of(path):
    return [frame.original.planes for frame in VideoReader(path)]


def same_planes(first, second):
    return all(np.array_equal(a, b) for a, b in zip(first, second, strict=True))


# --- decoding -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pixel_format", [*LOSSLESS, "yuva444p10le", "gbrp10le"])
def test_planes_come_as_they_were_encoded(tmp_path, pixel_format):
    rgb = pixel_format.startswith("gbr")
    written = footage.make(tmp_path / "a.mkv", "ffv1", pixel_format, tags=(2, 0, 1, 1) if rgb else footage.BT709)
    for planes, expected in zip(planes_of(tmp_path / "a.mkv"), written, strict=True):
        assert same_planes(planes, [expected[i] for i in (2, 0, 1)] if rgb else expected)


PATCHES = [(0.6, 0.42, 0.36), (0.25, 0.18, 0.15), (0.75, 0.0, 0.0), (0.0, 0.0, 0.75), (0.9, 0.9, 0.9)]
KR_KB = {1: (0.2126, 0.0722), 5: (0.299, 0.114), 6: (0.299, 0.114), 9: (0.2627, 0.0593)}


def truth_codes(rgb, matrix, full, bits):
    """Y′CbCr codes by the equations of BT.601-7, BT.709-6, BT.2020-2 and ITU-T H.273, in float64."""
    kr, kb = KR_KB[matrix]
    y = kr * rgb[0] + (1 - kr - kb) * rgb[1] + kb * rgb[2]
    cb, cr = (rgb[2] - y) / (2 - 2 * kb), (rgb[0] - y) / (2 - 2 * kr)
    unit = 1 << (bits - 8)
    top = (1 << bits) - 1
    if full:
        return [round(v) for v in (top * y, top * cb + 128 * unit, top * cr + 128 * unit)]
    return [round(v) for v in ((16 + 219 * y) * unit, (128 + 224 * cb) * unit, (128 + 224 * cr) * unit)]


PATCH_FILES = [
    ("ffv1", "mkv", "yuv420p", 0),
    ("ffv1", "mkv", "yuv444p10le", 0),
    ("libx264", "mp4", "yuv420p", 2),
    ("libx264", "mp4", "yuv422p10le", 4),
    ("libx265", "mp4", "yuv420p10le", 4),
    ("prores_ks", "mov", "yuv422p10le", 4),
    ("libvpx-vp9", "webm", "yuv420p", 2),
    ("mjpeg", "avi", "yuvj422p", 3),
]
PATCH_CASES = [
    (*file, full, matrix)
    for file in PATCH_FILES
    for full in (False, True)
    for matrix in (1, 6, 9)
    if not (file[0] == "prores_ks" and full)  # ProRes is studio range
    and (file[0] != "mjpeg" or (full and matrix == 6))  # MJPEG is full-range BT.601
]


@pytest.mark.large
@pytest.mark.parametrize(("codec", "suffix", "pixel_format", "lossy", "full", "matrix"), PATCH_CASES)
def test_patches_through_codecs_depths_ranges_and_matrices(tmp_path, codec, suffix, pixel_format, lossy, full, matrix):
    bits = footage.depth(pixel_format)
    for patch in PATCHES:
        path = tmp_path / f"a.{suffix}"
        tags = (2 if full else 1, 5 if codec == "mjpeg" else matrix, 1, 1)
        options = {**QUIET, "crf": "4"} if codec in ("libx264", "libx265") else {}
        truth = truth_codes(patch, matrix, full, bits)
        footage.make(path, codec, pixel_format, frames=3, tags=tags, flat=truth, options=options)
        reader = VideoReader(path)
        assert (reader.info.coding.studio, reader.info.notes) == (not full, ())
        picture = next(iter(reader)).picture
        tolerance = (1.5 + lossy) * (1.2 if full else 1.4) * 1.8 / (1 << bits)
        assert np.abs(picture - np.float32(patch)).max() < tolerance


def test_an_independent_decode_agrees(tmp_path):
    # swscale's own conversion, for the one case it is trusted with: 8 bit, BT.709, studio range, 4:4:4.
    av = importlib.import_module("av")
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv444p")
    picture = VideoReader(tmp_path / "a.mkv").frame(1).picture
    with av.open(str(tmp_path / "a.mkv")) as container:
        frame = next(container.decode(video=0))
        reference = frame.to_ndarray(format="rgb24", src_colorspace="ITU709", dst_colorspace="ITU709")
    assert np.abs(np.clip(picture, 0, 1) * 255 - reference).max() < 1.6


@pytest.mark.parametrize(("lines", "expected"), [(576, "601"), (720, "709")])
def test_untagged_clips_go_by_their_height_with_a_note(tmp_path, lines, expected):
    footage.make(tmp_path / "a.mkv", frames=1, size=(64, lines), tags=(0, 2, 2, 2))
    info = VideoReader(tmp_path / "a.mkv").info
    assert (info.coding.standard, info.coding.studio) == (expected, True)
    assert f"BT.{expected} is assumed" in info.notes[0]
    assert "studio range is assumed" in info.notes[1]
    assert info.tags == (0, 2, 2, 2)
    told = VideoReader(tmp_path / "a.mkv", standard="2020", studio=False, siting="centre").info
    assert (told.coding.standard, told.coding.studio, told.coding.siting) == ("2020", False, "centre")
    assert told.notes == ()
    assert told.tags[:2] == (2, 9)


@pytest.mark.parametrize("pixel_format", ["nv12", "yuyv422", "rgb24"])
def test_other_layouts_are_taken_apart_without_loss(pixel_format):
    av = importlib.import_module("av")
    known = video_format.PixelFormat.parse(video_format.REPACK[pixel_format])
    random = np.random.default_rng(0)
    planar = av.VideoFrame(32, 16, known.name)
    for plane in planar.planes:
        footage.view(plane, 8)[:] = random.integers(16, 236, (plane.height, plane.width))
    for extent in (0, 1, 2):
        planar.color_range = extent
        packed = planar.reformat(format=pixel_format, src_color_range=extent or None, dst_color_range=extent or None)
        packed.color_range = extent
        assert same_planes(video_format.planes_of(packed, known), video_format.planes_of(planar, known))


# --- numbers, times and order -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("codec", "name", "pixel_format", "options"),
    [
        ("libx264", "a.mp4", "yuv420p", {"g": "24"}),
        ("libx264", "a.mkv", "yuv420p", {"g": "24"}),
        ("libx264", "a.ts", "yuv420p", {"g": "24"}),
        ("libx265", "a.mov", "yuv420p10le", {**QUIET, "g": "24"}),
        ("prores_ks", "a.mov", "yuv422p10le", {}),
        ("libvpx-vp9", "a.webm", "yuv420p", {}),
        ("mjpeg", "a.avi", "yuvj420p", {}),
    ],
)
def test_any_frame_by_its_number(tmp_path, codec, name, pixel_format, options):
    tags = FULL601 if codec == "mjpeg" else footage.BT709
    footage.make(tmp_path / name, codec, pixel_format, frames=60, options=options, tags=tags)
    reader = VideoReader(tmp_path / name)
    frames = list(reader)
    assert (reader.info.frames, len(frames), reader.info.rate) == (60, 60, footage.FILM)
    for number in (40, 3, 57, 41, 42, 60, 1, 33):
        found = reader.frame(number)
        assert (found.number, found.time) == (number, frames[number - 1].time)
        assert np.array_equal(found.picture, frames[number - 1].picture)
    assert [frame.number for frame in reader.frames(38)] == list(range(38, 61))
    for wrong in (0, -1, 61, 10_000):
        with pytest.raises(InputError, match=f"no frame {wrong}"):
            reader.frame(wrong)


@pytest.mark.parametrize(("between", "openings"), [("120", [1, 1, 1, 1, 2, 3, 3]), ("10", [1, 1, 2, 3, 4, 5, 5])])
def test_a_clip_is_opened_anew_only_where_that_spares_decoding(tmp_path, monkeypatch, between, openings):
    """Forward within one run of frames it is decoded on; every frame is the one that comes in order."""
    footage.make(tmp_path / "a.mp4", "libx264", frames=60, options={"g": between, "keyint_min": between, "bf": "2"})
    in_order = planes_of(tmp_path / "a.mp4")
    opened, begin = [], video_read.Decoder._open
    monkeypatch.setattr(video_read.Decoder, "_open", lambda decoder: (opened.append(1), begin(decoder))[1])
    with VideoReader(tmp_path / "a.mp4") as reader:
        for number, expected in zip((1, 12, 35, 58, 20, 16, 17), openings, strict=True):
            assert same_planes(reader.frame(number).original.planes, in_order[number - 1])
            assert len(opened) == expected, number


@pytest.mark.parametrize("suffix", ["mov", "mp4"])
def test_a_varying_rate_keeps_its_timestamps(tmp_path, suffix):
    times = [0, 40, 80, 150, 155, 300, 301]
    footage.make(
        tmp_path / f"a.{suffix}", "libx264", frames=7, rate=Fraction(25), time_base=Fraction(1, 1000), pts=times
    )
    copy(tmp_path / f"a.{suffix}", tmp_path / f"b.{suffix}")
    first, second = ([frame.time for frame in VideoReader(tmp_path / f"{n}.{suffix}")] for n in "ab")
    assert first == [Fraction(time, 1000) for time in times]
    assert second == first


@pytest.mark.parametrize("rate", [Fraction(24000, 1001), Fraction(25), Fraction(30000, 1001), Fraction(60)])
@pytest.mark.parametrize(
    ("source", "codec", "target"), [("mov", "prores_ks", "mov"), ("mkv", "ffv1", "mov"), ("mp4", "libx264", "mp4")]
)
def test_the_rate_stays_exact(tmp_path, rate, source, codec, target):
    pixel_format = "yuv422p10le" if codec == "prores_ks" else "yuv420p"
    footage.make(tmp_path / f"a.{source}", codec, pixel_format, frames=30, rate=rate)
    copy(tmp_path / f"a.{source}", tmp_path / f"b.{target}")
    info = VideoReader(tmp_path / f"b.{target}").info
    assert (info.rate, info.frames) == (rate, 30)
    times = [frame.time for frame in VideoReader(tmp_path / f"b.{target}")]
    assert times == [number / rate for number in range(30)]


# --- writing back -------------------------------------------------------------------------------------------


@pytest.mark.large
@pytest.mark.parametrize("pixel_format", [*LOSSLESS, "yuva444p10le", "gbrp10le", "bgr0"])
def test_an_untouched_clip_keeps_every_code_through_ffv1(tmp_path, pixel_format):
    rgb = pixel_format[0] in "gb"
    footage.make(tmp_path / "a.mkv", "ffv1", pixel_format, tags=(2, 0, 1, 1) if rgb else footage.BT709)
    info = copy(tmp_path / "a.mkv", tmp_path / "b.mkv")
    again = VideoReader(tmp_path / "b.mkv").info
    assert (again.coding, again.pixel_format, again.tags) == (info.coding, info.pixel_format, info.tags)
    for first, second in zip(planes_of(tmp_path / "a.mkv"), planes_of(tmp_path / "b.mkv"), strict=True):
        assert same_planes(first, second)


@pytest.mark.parametrize(
    ("codec", "pixel_format", "name", "turn"),
    [
        ("ffv1", "yuv420p", "b.mkv", 0),
        ("ffv1", "yuva444p10le", "b.mkv", 0),
        ("ffv1", "gbrp10le", "b.mkv", 0),
        ("ffv1", "yuv420p", "b.mov", 0),
        ("ffv1", "yuva444p10le", "b.mov", 0),
        ("libx264", "yuv420p", "b.mov", 90),
        ("libx264", "yuv420p", "b.mkv", 90),
    ],
)
def test_a_frame_that_nobody_touched_becomes_what_its_picture_becomes(tmp_path, codec, pixel_format, name, turn):
    source = tmp_path / ("a.mp4" if turn else "a.mkv")
    footage.make(source, codec, pixel_format, turn=turn, tags=(2, 0, 1, 1) if pixel_format[0] == "g" else footage.BT709)
    (tmp_path / "by_picture").mkdir()
    copy(source, tmp_path / "by_picture" / name)
    with VideoReader(source) as reader, VideoWriter(tmp_path / name, reader.info) as writer:
        for frame in reader:
            writer.write(frame.number, writer.coded(frame, frame.original))
    assert (tmp_path / name).read_bytes() == (tmp_path / "by_picture" / name).read_bytes()


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p10le", "yuv444p12le"])
def test_only_what_was_touched_changes(tmp_path, pixel_format):
    def brighten(picture):
        picture[:20, :20] *= np.float32(1.2)
        return picture

    footage.make(tmp_path / "a.mkv", "ffv1", pixel_format)
    copy(tmp_path / "a.mkv", tmp_path / "b.mkv", change=brighten)
    for first, second in zip(planes_of(tmp_path / "a.mkv"), planes_of(tmp_path / "b.mkv"), strict=True):
        for old, new in zip(first, second, strict=True):
            edge = 20 * old.shape[0] // 48 + 1, 20 * old.shape[1] // 64 + 1
            assert np.array_equal(old[edge[0] :], new[edge[0] :])
            assert np.array_equal(old[:, edge[1] :], new[:, edge[1] :])
        assert (first[0][:20, :20] != second[0][:20, :20]).mean() > 0.9


@pytest.mark.parametrize(
    ("suffix", "source", "expected"),
    [
        ("mov", "yuv420p", ("prores", "ProRes 422 HQ, 10 bit 4:2:2")),
        ("mov", "yuv444p10le", ("prores", "ProRes 4444, 10 bit 4:4:4")),
        ("mov", "yuva444p10le", ("prores", "ProRes 4444, 10 bit 4:4:4")),
        ("mp4", "yuv420p", ("h264", "H.264, 8 bit 4:2:0")),
        ("mp4", "yuv420p10le", ("h264", "H.264, 10 bit 4:2:0")),
        ("mkv", "yuv422p10le", ("ffv1", "FFV1, lossless, 10 bit 4:2:2")),
    ],
)
def test_the_suffix_chooses_the_codec(tmp_path, suffix, source, expected):
    footage.make(tmp_path / "a.mkv", "ffv1", source)
    with VideoReader(tmp_path / "a.mkv") as reader, VideoWriter(tmp_path / f"b.{suffix}", reader.info) as writer:
        assert writer.label == expected[1]
        for frame in reader:
            writer.write(frame.number, frame.picture, frame.original)
    again = VideoReader(tmp_path / f"b.{suffix}")
    assert again.info.codec == expected[0]
    assert again.info.coding.standard == "709"
    for first, second in zip(VideoReader(tmp_path / "a.mkv"), again, strict=True):
        assert np.abs(first.picture - second.picture)[..., :3].mean() < 0.01


@pytest.mark.large
@pytest.mark.parametrize("codec", list(video_write.CODECS))
@pytest.mark.parametrize("full", [False, True])
def test_every_codec_keeps_the_colours(tmp_path, codec, full):
    size = (256, 128)  # the least that DNxHR takes
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv444p", 3, size, tags=(2 if full else 1, 1, 1, 1), flat=(120, 110, 150))
    target = tmp_path / ("b.mkv" if codec == "ffv1" else "b.mov")
    copy(tmp_path / "a.mkv", target, codec)
    source, result = VideoReader(tmp_path / "a.mkv"), VideoReader(target)
    assert result.info.coding.studio is (not full or video_write.CODECS[codec].studio_only)
    difference = result.frame(2).picture[..., :3] - source.frame(2).picture
    assert np.abs(difference.mean(axis=(0, 1))).max() < 1.5 / 255


@pytest.mark.parametrize("codec", ["h264", "hevc", "prores"])
def test_a_clip_of_one_frame(tmp_path, codec):
    footage.make(tmp_path / "a.mkv", "ffv1", frames=1)
    for _ in range(5):
        copy(tmp_path / "a.mkv", tmp_path / "b.mov", codec)
        assert [frame.time for frame in VideoReader(tmp_path / "b.mov")] == [0]


def test_sound_is_copied_bit_for_bit(tmp_path):
    for sound, suffix in (("aac", "mp4"), ("pcm_s16le", "mov"), ("aac", "mkv")):
        footage.make(tmp_path / f"a.{suffix}", "libx264", frames=40, sound=sound)
        copy(tmp_path / f"a.{suffix}", tmp_path / f"b.{suffix}")
        assert footage.packets(tmp_path / f"a.{suffix}", "audio") == footage.packets(tmp_path / f"b.{suffix}", "audio")


def test_a_part_of_a_clip_keeps_its_own_sound(tmp_path):
    footage.make(tmp_path / "a.mov", "prores_ks", "yuv422p10le", 48, rate=Fraction(24), sound="pcm_s16le")
    with VideoReader(tmp_path / "a.mov") as reader, VideoWriter(tmp_path / "b.mov", reader.info) as writer:
        for number in range(13, 37):
            frame = reader.frame(number)
            writer.write(number, frame.picture, frame.original)
    result = VideoReader(tmp_path / "b.mov")
    assert [frame.time for frame in result] == [Fraction(n, 24) for n in range(24)]
    every, part = (footage.packets(tmp_path / name, "audio") for name in ("a.mov", "b.mov"))
    kept = [data for time, data in every if Fraction(12, 24) <= time < Fraction(36, 24)]
    assert b"".join(data for _, data in part) == b"".join(kept)
    assert part[0][0] < Fraction(1024, 48000)


def test_turned_clips_are_read_upright_and_stay_turned(tmp_path):
    lossless = {"qp": "0"}
    footage.make(tmp_path / "plain.mp4", "libx264", options=lossless)
    upright = VideoReader(tmp_path / "plain.mp4").frame(1).picture
    for turn in (90, -90, 180):
        footage.make(tmp_path / "a.mp4", "libx264", turn=turn, options=lossless)
        reader = VideoReader(tmp_path / "a.mp4")
        picture = reader.frame(1).picture
        assert np.array_equal(picture, np.rot90(upright, turn // 90))
        assert picture.shape[:2] == (reader.info.height, reader.info.width)
        copy(tmp_path / "a.mp4", tmp_path / "b.mp4")
        again = VideoReader(tmp_path / "b.mp4")
        assert again.info.turns == reader.info.turns
        assert np.abs(again.frame(1).picture - picture).mean() < 0.01


def test_timecode_and_metadata_are_kept(tmp_path):
    footage.make(tmp_path / "a.mov", "prores_ks", "yuv422p10le", timecode="01:02:03:04")
    copy(tmp_path / "a.mov", tmp_path / "b.mov")
    assert VideoReader(tmp_path / "b.mov").info.timecode == "01:02:03:04"


@pytest.mark.parametrize("size", [(63, 47), (61, 48), (64, 45)])
def test_odd_sizes(tmp_path, size):
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv420p", size=size)
    copy(tmp_path / "a.mkv", tmp_path / "b.mkv")
    assert VideoReader(tmp_path / "b.mkv").frame(1).picture.shape == (size[1], size[0], 3)
    for first, second in zip(planes_of(tmp_path / "a.mkv"), planes_of(tmp_path / "b.mkv"), strict=True):
        assert same_planes(first, second)


@pytest.mark.parametrize("codec", ["prores", "prores4444"])
@pytest.mark.parametrize("size", [(63, 47), (64, 45)])
def test_odd_sizes_fit_what_editing_programs_take(tmp_path, size, codec):
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv444p10le", size=size)
    with VideoReader(tmp_path / "a.mkv") as reader, VideoWriter(tmp_path / "b.mov", reader.info, codec) as writer:
        before = [frame.picture for frame in reader]
        for number, picture in enumerate(before, 1):
            writer.write(number, picture)
    after = [frame.picture for frame in VideoReader(tmp_path / "b.mov")]
    assert len(after) == len(before)
    for first, second in zip(before, after, strict=True):
        assert second.shape == (size[1], size[0], 3)
        # Its quantiser and, in 4:2:2, half the columns of chroma; a shifted or sheared picture differs everywhere.
        assert np.median(np.abs(first - second)) < 0.02


def test_a_codec_that_takes_no_odd_size_is_named_with_one_that_does(tmp_path):
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv420p", size=(63, 47))
    with VideoReader(tmp_path / "a.mkv") as reader, VideoWriter(tmp_path / "b.mp4", reader.info, "h264") as writer:
        first = next(iter(reader))
        with pytest.raises(OutputError, match=r"odd size, here 63 × 47; choose prores or ffv1 in a \.mov or \.mkv"):
            writer.write(first.number, first.picture)
    assert [path.name for path in tmp_path.iterdir()] == ["a.mkv"]


def test_a_matte_becomes_a_grey_clip_without_sound(tmp_path):
    footage.make(tmp_path / "a.mp4", "libx264", sound="aac")
    matte = np.tile(np.linspace(0, 1, 64, dtype=np.float32), (48, 1))
    with VideoReader(tmp_path / "a.mp4") as reader, VideoWriter(tmp_path / "m.mkv", reader.info, matte=True) as writer:
        for frame in reader:
            writer.write(frame.number, matte, frame.original)
    result = VideoReader(tmp_path / "m.mkv")
    assert result.info.sound == 0
    picture = result.frame(1).picture
    assert np.abs(picture - matte[..., None]).max() < 1.01 / 219


@pytest.mark.parametrize(
    ("codec", "suffix"), [("prores", ".mov"), ("prores4444", ".mov"), ("dnxhr", ".mov"), ("ffv1", ".mkv")]
)
def test_the_bits_of_intra_codecs_do_not_depend_on_the_encoder_s_threads(tmp_path, picture, monkeypatch, codec, suffix):
    large, configure, files = np.tile(np.clip(picture, 0, 1), (4, 6, 1))[:144, :256], VideoWriter._configure, []
    for threads in (1, 2, 7):

        def configured(writer, context, *given, threads=threads):
            configure(writer, context, *given)
            context.thread_count = threads

        monkeypatch.setattr(VideoWriter, "_configure", configured)
        path = tmp_path / f"{threads}{suffix}"
        write_moving(path, large, 5, codec)
        files.append(path.read_bytes())
    assert files[0] == files[1] == files[2]
    assert VideoReader(path).info.frames == 5


def write_moving(path, picture, frames, codec):
    size = picture.shape[1], picture.shape[0]
    with VideoWriter(path, None, codec, size=size, rate=Fraction(25)) as writer:
        for number in range(1, frames + 1):
            writer.write(number, np.ascontiguousarray(np.roll(picture, number, axis=1)))


@pytest.mark.parametrize(("codec", "suffix"), [("ffv1", ".mkv"), ("prores", ".mov"), ("h264", ".mp4")])
def test_encoders_that_take_turns_write_what_one_writes(tmp_path, picture, codec, suffix):
    large, files = np.tile(np.clip(picture, 0, 1), (4, 6, 1))[:144, :256], []
    for cores in (1, 2, 8, 40):
        path = tmp_path / f"{cores}{suffix}"
        with strips.threads(cores):
            write_moving(path, large, 19, codec)
        files.append(path.read_bytes())
    assert len(set(files)) == 1
    assert not encoding_threads()


def encoding_threads():
    return [thread for thread in threading.enumerate() if thread.name.startswith("inkarnat-encode")]


def test_a_frame_that_one_of_several_encoders_refuses_ends_the_clip(tmp_path, picture, monkeypatch):
    """The error comes where a later frame is written, or at the end; nothing stays, no thread either."""
    large = np.tile(np.clip(picture, 0, 1), (4, 6, 1))[:144, :256]
    real = video_encode.Encoding._encode

    def refused(encoding, frame):
        if frame.pts == 3:
            raise ValueError("no room")
        return real(encoding, frame)

    monkeypatch.setattr(video_encode.Encoding, "_encode", refused)
    for frames in (4, 30):
        with strips.threads(16), pytest.raises(OutputError, match="no room"):
            write_moving(tmp_path / "a.mkv", large, frames, "ffv1")
        assert not list(tmp_path.iterdir())
        assert not encoding_threads()


def test_a_clip_from_pictures(tmp_path, picture):
    small = np.clip(picture, 0, 1)[:36, :52]
    with VideoWriter(tmp_path / "a.mkv", codec="ffv1", size=(52, 36), rate=Fraction(25)) as writer:
        for number in range(1001, 1011):
            writer.write(number, small)
    reader = VideoReader(tmp_path / "a.mkv")
    assert (reader.info.frames, reader.info.rate) == (10, 25)
    assert np.abs(reader.frame(10).picture - small).max() < 2 / 65535
    with VideoWriter(tmp_path / "a.mp4", size=(52, 36), rate=Fraction(25)) as writer:
        for number in range(1, 4):
            writer.write(number, small)
    info = VideoReader(tmp_path / "a.mp4").info
    assert (info.coding.standard, info.coding.studio, info.notes) == ("709", True, ())


# --- inputs that go wrong -----------------------------------------------------------------------------------


def read_until_break(path):
    """Return how many good frames a clip gives, and the error after them."""
    frames = []
    with pytest.raises(InputError) as caught:
        frames.extend(VideoReader(path))
    return len(frames), str(caught.value)


@pytest.mark.parametrize(
    ("codec", "name", "pixel_format"),
    [
        ("ffv1", "a.mkv", "yuv420p"),
        ("mjpeg", "a.avi", "yuvj420p"),
        ("libx264", "a.mp4", "yuv420p"),
        ("prores_ks", "a.mov", "yuv422p10le"),
    ],
)
def test_a_cut_clip_gives_its_good_frames_and_names_the_first_bad_one(tmp_path, codec, name, pixel_format):
    whole, cut = tmp_path / name, tmp_path / f"cut_{name}"
    tags = FULL601 if codec == "mjpeg" else footage.BT709
    footage.make(whole, codec, pixel_format, frames=40, tags=tags, options={"g": "4"} if codec == "libx264" else {})
    if name in ("a.mp4", "a.mov"):
        footage.index_first(whole, tmp_path / f"index_first_{name}")
        whole = tmp_path / f"index_first_{name}"
    frames = list(VideoReader(whole))
    cut.write_bytes(whole.read_bytes()[: int(whole.stat().st_size * 0.6)])
    good, message = read_until_break(cut)
    assert 5 < good < 39
    assert f"from frame {good + 1} on" in message
    reader = VideoReader(cut)
    assert reader.info.frames == (good + 1 if name == "a.avi" else 40), "what the file promises, where it does"
    assert np.array_equal(reader.frame(good).picture, frames[good - 1].picture)
    for number in (good + 1, reader.info.frames):
        with pytest.raises(InputError, match=f"from frame {good + 1} on"):
            reader.frame(number)


def test_what_is_no_video_is_refused(tmp_path):
    path = tmp_path / "a.mp4"
    with pytest.raises(InputError, match="does not exist"):
        VideoReader(path)
    path.write_bytes(b"")
    with pytest.raises(InputError, match="is empty"):
        VideoReader(path)
    path.write_text("words " * 1000)
    with pytest.raises(InputError, match="cannot be read as video"):
        VideoReader(path)
    footage.make(tmp_path / "b.mp4", "libx264")
    path.write_bytes((tmp_path / "b.mp4").read_bytes()[:900])
    with pytest.raises(InputError, match=r"a\.mp4"):
        VideoReader(path)


def test_a_file_with_sound_alone_has_no_video(tmp_path):
    av = importlib.import_module("av")
    with av.open(str(tmp_path / "a.mov"), "w") as container:
        footage._add_sound(container, container.add_stream("pcm_s16le", rate=48000), 0.2)
    with pytest.raises(InputError, match="no video stream"):
        VideoReader(tmp_path / "a.mov")


def test_grey_and_unknown_formats_are_refused(tmp_path):
    footage.make(tmp_path / "a.mkv", "ffv1", "gray", tags=(2, 2, 2, 2))
    with pytest.raises(InputError, match=r"gray.*give the one in colour"):
        VideoReader(tmp_path / "a.mkv")
    footage.make(tmp_path / "b.mkv", "ffv1", "yuv410p")
    with pytest.raises(InputError, match="yuv410p"):
        VideoReader(tmp_path / "b.mkv")
    footage.make(tmp_path / "c.mkv", "ffv1", tags=(1, 7, 1, 1))
    with pytest.raises(InputError, match=r"number 7 of ITU-T H\.273"):
        VideoReader(tmp_path / "c.mkv")
    assert VideoReader(tmp_path / "c.mkv", standard="709").info.coding.standard == "709"


def test_interlaced_clips_are_refused_unless_told_otherwise(tmp_path):
    footage.make(tmp_path / "a.mkv", "libx264", options={"flags": "+ildct", "x264-params": "tff=1"})
    with pytest.raises(InputError, match=r"is interlaced.*de-interlace it first"):
        VideoReader(tmp_path / "a.mkv")
    assert len(list(VideoReader(tmp_path / "a.mkv", interlaced=True))) == 6


# --- outputs that go wrong ----------------------------------------------------------------------------------


@pytest.fixture
def clip(tmp_path):
    footage.make(tmp_path / "a.mp4", "libx264", sound="aac")
    return VideoReader(tmp_path / "a.mp4")


def test_wrong_outputs_are_refused_at_once(tmp_path, clip):
    cases = {
        "none/b.mov": "folder does not exist",
        "a.mp4": "is an input as well",
        "a.mp4/b.mov": "part of the path is a file",
        "b.xyz": r"'\.xyz'.*\.mov",
    }
    for name, message in cases.items():
        with pytest.raises(OutputError, match=message):
            VideoWriter(tmp_path / name, clip.info)
    with pytest.raises(OutputError, match="'vc9' is unknown: use one of prores"):
        VideoWriter(tmp_path / "b.mov", clip.info, "vc9")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4"]


def test_a_missing_encoder_is_named(tmp_path, clip, monkeypatch):
    monkeypatch.setitem(video_write.CODECS, "h264", video_write.Encoder("H.264", "no_such_library", ("yuv420p",), {}))
    with pytest.raises(OutputError, match=r"H\.264 cannot be written.*without no_such_library"):
        VideoWriter(tmp_path / "b.mp4", clip.info)


def test_a_codec_that_the_container_cannot_hold(tmp_path, clip):
    (tmp_path / "b.mp4").write_text("old")
    with pytest.raises(OutputError, match="choose another codec or suffix"):
        copy(tmp_path / "a.mp4", tmp_path / "b.mp4", "prores")
    assert (tmp_path / "b.mp4").read_text() == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4", "b.mp4"]


def write_two(path, info, numbers, frame):
    with VideoWriter(path, info) as writer:
        for number in numbers:
            writer.write(number, frame.picture)


def test_frames_out_of_order_and_none_at_all(tmp_path, clip):
    frame = clip.frame(1)
    with pytest.raises(OutputError, match="frame 1 comes after"):
        write_two(tmp_path / "b.mp4", clip.info, (2, 1), frame)
    with pytest.raises(OutputError, match="no frame"):
        write_two(tmp_path / "b.mp4", clip.info, (), frame)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4"]


def test_a_failed_run_leaves_the_earlier_clip(tmp_path, clip):
    (tmp_path / "b.mp4").write_text("old")

    def fail(picture):
        raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        copy(tmp_path / "a.mp4", tmp_path / "b.mp4", change=fail)
    assert (tmp_path / "b.mp4").read_text() == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4", "b.mp4"]


FULL_DISK = """
import resource, sys
from pathlib import Path
from inkarnat.host_adapters.writes import OutputError
from inkarnat.kernels import strips
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.host_adapters.media.video_write import VideoWriter
source, target, limit = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
target.write_text("old")
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
try:
    with VideoReader(source) as reader, VideoWriter(target, reader.info) as writer:
        for frame in reader:
            writer.write(frame.number, frame.picture, frame.original)
except OutputError as error:
    print(error)
    assert target.read_text() == "old"
    assert sorted(p.name for p in target.parent.iterdir()) == sorted([source.name, target.name])
else:
    sys.exit("written to a full disk")
"""


# H.264 comes out some hundred bytes longer or shorter from run to run, the other codecs do not.
@pytest.mark.parametrize(
    ("suffix", "short"), [("mov", 20_000), ("mov", 10), ("mp4", 1_000), ("mkv", 20_000), ("mkv", 10)]
)
def test_a_full_disk_is_noticed_and_the_earlier_clip_survives(tmp_path, suffix, short):
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv422p", frames=30)
    copy(tmp_path / "a.mkv", tmp_path / f"b.{suffix}")
    limit = (tmp_path / f"b.{suffix}").stat().st_size - short
    arguments = [sys.executable, "-c", FULL_DISK, str(tmp_path / "a.mkv"), str(tmp_path / f"b.{suffix}"), str(limit)]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert f"b.{suffix} cannot be written: the file would be larger" in done.stdout


def test_dnxhr_of_mere_noise_is_what_the_encoder_makes_with_all_its_memory(tmp_path, monkeypatch):
    """Noise over the whole range is the most that can be asked of a codec with a fixed size for every frame."""
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv422p10le", frames=1, size=(256, 128))
    noise = np.random.default_rng(0).random((128, 256, 3), np.float32)
    copy(tmp_path / "a.mkv", tmp_path / "b.mov", "dnxhr", change=lambda picture: noise)
    own = replace(video_write.CODECS["dnxhr"], options={"profile": "dnxhr_hqx"})
    monkeypatch.setitem(video_write.CODECS, "dnxhr", own)
    copy(tmp_path / "a.mkv", tmp_path / "c.mov", "dnxhr", change=lambda picture: noise)
    assert (tmp_path / "b.mov").read_bytes() == (tmp_path / "c.mov").read_bytes()


@pytest.mark.parametrize(("codec", "settings"), [("h264", b"rc_lookahead=2 "), ("hevc", b"rc-lookahead=3 ")])
def test_where_memory_is_tight_encoders_look_ahead_at_few_frames(tmp_path, monkeypatch, codec, settings):
    """Both encoders write into the stream how they were set; decoding by slices gives the same codes."""
    footage.make(tmp_path / "a.mkv", "libx264", frames=8, options={"bf": "3"})
    copy(tmp_path / "a.mkv", tmp_path / "b.mp4", codec)
    usual = [frame.original.planes[0] for frame in VideoReader(tmp_path / "a.mkv")]
    for module in (video_decode, video_write):
        monkeypatch.setattr(module, "is_tight", lambda width, height: True)
    monkeypatch.setattr(video_write, "frames_ahead", lambda *size: video_room.frames_ahead(3840, 2160, *size[2:]))
    copy(tmp_path / "a.mkv", tmp_path / "c.mp4", codec)
    assert settings not in (tmp_path / "b.mp4").read_bytes()
    assert settings in (tmp_path / "c.mp4").read_bytes()
    assert b"bframes=2 " in (tmp_path / "c.mp4").read_bytes()
    found = [frame.original.planes[0] for frame in VideoReader(tmp_path / "a.mkv")]
    assert len(found) == 8
    for one, other in zip(found, usual, strict=True):
        np.testing.assert_array_equal(one, other)


def test_memory_is_tight_where_frames_are_large_and_cores_few():
    for cores, size, expected in ((2, (3840, 2160), True), (2, (1920, 1080), False), (8, (3840, 2160), False)):
        with strips.threads(cores):
            assert video_room.is_tight(*size) is expected
    assert video_room.frames_ahead(2560, 1440, deep=False, least=2) == 6
    assert video_room.frames_ahead(3840, 2160, deep=True, least=3) == 3


def test_large_frames_that_are_worked_on_leave_prores_fewer_threads(tmp_path, monkeypatch):
    """On two cores 3840×2160 gets one thread, as each takes 170 MB; untouched and smaller frames get all."""
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv420p", frames=1, size=(320, 180))
    with strips.threads(2):
        assert video_room.threads_for(3840, 2160) == 1
        assert video_room.threads_for(1920, 1080) == 0
    asked: list[tuple[int, int]] = []
    monkeypatch.setattr(video_write, "threads_for", lambda *size: (asked.append(size), 1)[1])
    with VideoReader(tmp_path / "a.mkv") as reader:
        (frame,) = list(reader)
        for given, expected in ((frame, []), (frame.picture, [(320, 180)])):
            with VideoWriter(tmp_path / "b.mov", reader.info) as writer:
                writer.write(1, writer.coded(given, frame.original))
                assert asked == expected
    assert writer.pixel_format.name == "yuv422p10le"
