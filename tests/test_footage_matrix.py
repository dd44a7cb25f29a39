"""Footage in and out over codec, depth, range and matrix, beside an independent decoder; colour spaces and flags."""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
import json
import subprocess
import sys
from dataclasses import dataclass
from fractions import Fraction

import av
import footage
import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs import colour_spaces, outputs
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner, render
from inkarnat.host_adapters.media import colour_tags
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.host_adapters.media.video_write import VideoWriter, advance_timecode
from inkarnat.host_adapters.writes import OutputError
from inkarnat.nodes import ParamError, RangeKey, SteerSkin, Vectorscope
from inkarnat.nodes.declare import Node, Picture

# Skin light and dark, primaries, a grey, near white.
PATCHES = np.array(
    [(0.6, 0.42, 0.36), (0.25, 0.18, 0.15), (0.75, 0, 0), (0, 0.75, 0), (0, 0, 0.75), (0.4, 0.4, 0.4), (0.9, 0.9, 0.88)]
)
KR_KB = {1: (0.2126, 0.0722), 6: (0.299, 0.114), 9: (0.2627, 0.0593)}
"""By ITU-T H.273 number: BT.709-6, BT.601-7, BT.2020-2."""
TILE = 32


def truth(rgb, matrix, full, bits):
    """Code values by the equations of the standards in KR_KB and ITU-T H.273, in float64."""
    kr, kb = KR_KB[matrix]
    y = rgb @ (kr, 1 - kr - kb, kb)
    cb, cr = (rgb[..., 2] - y) / (2 - 2 * kb), (rgb[..., 0] - y) / (2 - 2 * kr)
    unit, top = 1 << (bits - 8), (1 << bits) - 1
    if full:
        return [np.rint(v) for v in (top * y, top * cb + 128 * unit, top * cr + 128 * unit)]
    return [np.rint(v) for v in ((16 + 219 * y) * unit, (128 + 224 * cb) * unit, (128 + 224 * cr) * unit)]


def chart(path, codec, pixel_format, matrix, full, options=None, size=None):
    """Write a clip of the patches side by side and return its R′G′B′ picture in float64."""
    width, height = size or (TILE * len(PATCHES), TILE)
    rgb = np.repeat(PATCHES, -(-width // len(PATCHES)), axis=0)[:width][np.newaxis].repeat(height, axis=0)
    codes = truth(rgb, matrix, full, footage.depth(pixel_format))
    shape = av.VideoFormat(pixel_format, width, height).components
    flat = [plane[:: height // c.height or 1, :: width // c.width or 1] for plane, c in zip(codes, shape, strict=False)]
    tags = (2 if full else 1, matrix, 1, 1)
    footage.make(path, codec, pixel_format, 2, (width, height), tags=tags, flat=flat, options=options or {})
    return rgb


def centres(picture):
    """The middle of each patch: chroma of a neighbour and ringing stay out."""
    count, width = len(PATCHES), picture.shape[1]
    tile = -(-width // count)
    return np.array(
        [picture[8:-8, i * tile + 12 : min((i + 1) * tile, width) - 12, :3].mean((0, 1)) for i in range(count)]
    )


# --- in -----------------------------------------------------------------------------------------------------

QUIET = {"x265-params": "log-level=error:bframes=0"}
IN = [
    ("ffv1", "mkv", "yuv420p", {}, 0),
    ("ffv1", "mkv", "yuv422p10le", {}, 0),
    ("ffv1", "mkv", "yuv444p12le", {}, 0),
    ("libx264", "mp4", "yuv420p", {"qp": "0"}, 0),
    ("libx264", "mp4", "yuv422p10le", {"crf": "4"}, 2),
    ("libx265", "mp4", "yuv420p10le", QUIET | {"crf": "4"}, 2),
    ("libvpx-vp9", "webm", "yuv420p", {"lossless": "1"}, 0),
    ("libsvtav1", "mp4", "yuv420p10le", {"crf": "4", "preset": "12", "svtav1-params": "avif=0"}, 4),
    ("prores_ks", "mov", "yuv422p10le", {}, 2),
    ("prores_ks", "mov", "yuv444p10le", {"profile": "4444"}, 2),
    ("dnxhd", "mov", "yuv422p10le", {"profile": "dnxhr_hqx"}, 2),
]


STUDIO_ALONE = ("prores_ks", "dnxhd", "libsvtav1")
"""Codecs that are written in studio range alone."""


@pytest.mark.large
@pytest.mark.parametrize(
    ("codec", "suffix", "pixel_format", "options", "lossy", "full"),
    [(*file, full) for file in IN for full in (False, True) if not (full and file[0] in STUDIO_ALONE)],
)
@pytest.mark.parametrize("matrix", KR_KB, ids=["709", "601", "2020"])
def test_patches_come_in_within_stated_codes(tmp_path, codec, suffix, pixel_format, options, lossy, full, matrix):
    path = tmp_path / f"a.{suffix}"
    size = (512, 128) if codec == "dnxhd" else (256, 64) if codec == "libsvtav1" else None
    rgb = chart(path, codec, pixel_format, matrix, full, options, size)
    reader = VideoReader(path)
    assert reader.info.coding.studio is not full
    assert reader.info.coding.standard == {1: "709", 6: "601", 9: "2020"}[matrix]
    codes = (1 << footage.depth(pixel_format)) - 1
    # Rounding three codes to whole numbers moves R′G′B′ by up to about 1.2 codes of 219 in 255.
    allowed = (1.4 + lossy) / codes * (1 if full else 255 / 219)
    assert np.abs(centres(reader.frame(2).picture) - centres(rgb)).max() < allowed


@pytest.mark.large
@pytest.mark.parametrize("pixel_format", ["yuv444p", "yuv420p", "yuv444p10le", "yuv444p12le"])
@pytest.mark.parametrize("full", [False, True], ids=["studio", "full"])
@pytest.mark.parametrize("matrix", KR_KB, ids=["709", "601", "2020"])
def test_an_independent_decoder_sees_the_same_colours(tmp_path, pixel_format, full, matrix):
    """libswscale through a filter, told matrix and range. It shifts to 16 bits, so its white is 255 or 1023 shifted."""
    chart(tmp_path / "a.mkv", "ffv1", pixel_format, matrix, full)
    bits = footage.depth(pixel_format)
    name = {1: "bt709", 6: "smpte170m", 9: "bt2020"}[matrix]
    how = f"in_color_matrix={name}:in_range={'full' if full else 'limited'}:out_range=full"
    with av.open(str(tmp_path / "a.mkv")) as container:
        stream = container.streams.video[0]
        graph = av.filter.Graph()
        chain = [
            graph.add_buffer(template=stream),
            graph.add("scale", f"{how}:flags=accurate_rnd+full_chroma_int+bicubic"),
            graph.add("format", "gbrp16le"),
            graph.add("buffersink"),
        ]
        for first, second in itertools.pairwise(chain):
            first.link_to(second)
        graph.configure()
        graph.push(next(container.decode(stream)))
        green, blue, red = (footage.view(plane, 16).astype(float) for plane in graph.pull().planes)
    white = ((1 << bits) - 1) << (16 - bits) if full else 255 << 8
    theirs = centres(np.dstack([red, green, blue]) / white)
    ours = centres(np.clip(VideoReader(tmp_path / "a.mkv").frame(1).picture, 0, 1))
    assert np.abs(theirs - ours).max() < 0.3 / 1023


# --- out ----------------------------------------------------------------------------------------------------


@pytest.mark.large
@pytest.mark.parametrize("codec", ["prores", "prores4444", "dnxhr", "h264", "hevc", "ffv1"])
@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p10le"])
@pytest.mark.parametrize("full", [False, True], ids=["studio", "full"])
@pytest.mark.parametrize("matrix", KR_KB, ids=["709", "601", "2020"])
def test_patches_go_out_within_stated_codes_and_stay_tagged(tmp_path, codec, pixel_format, full, matrix):
    rgb = chart(tmp_path / "a.mkv", "ffv1", pixel_format, matrix, full, size=(512, 128))
    target = tmp_path / ("b.mkv" if codec == "ffv1" else "b.mov")
    with VideoReader(tmp_path / "a.mkv") as reader, VideoWriter(target, reader.info, codec) as writer:
        for frame in reader:
            writer.write(frame.number, frame.picture, frame.original)
    result = VideoReader(target)
    assert result.info.tags[1:] == (matrix, 1, 1)
    assert result.info.coding.studio or full
    assert np.abs(centres(result.frame(2).picture) - centres(rgb)).max() < 3 / 255


@pytest.mark.parametrize("suffix", ["mov", "mkv", "mp4"])
def test_every_sound_stream_is_copied_bit_for_bit(tmp_path, suffix):
    source, target = tmp_path / f"a.{suffix}", tmp_path / f"b.{suffix}"
    footage.make(tmp_path / "one.mov", "libx264", frames=30, sound="aac")
    footage.make(tmp_path / "two.mov", "libx264", frames=30, sound="alac" if suffix != "mkv" else "pcm_s16le")
    join(source, tmp_path / "one.mov", tmp_path / "two.mov")
    with VideoReader(source) as reader, VideoWriter(target, reader.info, "h264") as writer:
        assert reader.info.sound == 2
        for frame in reader:
            writer.write(frame.number, frame.picture, frame.original)
    assert sound_hashes(source) == sound_hashes(target)
    assert len(sound_hashes(source)) == 2


def join(target, *sources):
    """The picture of the first clip and the sound of all."""
    with av.open(str(target), "w") as container:
        opened = [av.open(str(source)) for source in sources]
        wanted = [opened[0].streams.video[0], *(clip.streams.audio[0] for clip in opened)]
        copies = [container.add_stream_from_template(stream) for stream in wanted]
        for stream, copy in zip(wanted, copies, strict=True):
            for packet in stream.container.demux(stream) if stream.type == "audio" else list(opened[0].demux(stream)):
                if packet.dts is not None:
                    packet.stream = copy
                    container.mux(packet)
            if stream is wanted[0]:
                opened[0].seek(0)
        for clip in opened:
            clip.close()


def sound_hashes(path):
    """A hash of all packets of each sound stream."""
    hashes = {}
    with av.open(str(path)) as container:
        for packet in container.demux(*container.streams.audio):
            if packet.size:
                hashes.setdefault(packet.stream.index, hashlib.sha256()).update(bytes(packet))
    return [value.hexdigest() for value in hashes.values()]


@pytest.mark.parametrize(
    ("start", "frames", "rate", "expected"),
    [
        ("01:00:00:00", 25, Fraction(25), "01:00:01:00"),
        ("00:59:59:23", 1, Fraction(24000, 1001), "01:00:00:00"),
        ("23:59:59:24", 1, Fraction(25), "00:00:00:00"),
        # SMPTE ST 12-1: numbers 00 and 01 are dropped at each minute that is not a multiple of ten.
        ("00:00:59;29", 1, Fraction(30000, 1001), "00:01:00;02"),
        ("00:09:59;29", 1, Fraction(30000, 1001), "00:10:00;00"),
        ("00:00:00;00", 17982, Fraction(30000, 1001), "00:10:00;00"),
        ("00:00:00;00", 1800, Fraction(30000, 1001), "00:01:00;02"),
        ("00:00:59;59", 1, Fraction(60000, 1001), "00:01:00;04"),
        ("01:00:00;00", 107892, Fraction(30000, 1001), "02:00:00;00"),
        ("no timecode", 5, Fraction(25), "no timecode"),
    ],
)
def test_timecode_counts_on(start, frames, rate, expected):
    assert advance_timecode(start, frames, rate) == expected


def test_drop_frame_counting_meets_every_number_once_in_ten_minutes():
    rate = Fraction(30000, 1001)
    seen = [advance_timecode("00:00:00;00", frames, rate) for frames in range(17983)]
    assert len(set(seen)) == 17983
    assert seen == sorted(seen)
    assert not any(code[6:] in ("00;00", "00;01") and code[4] != "0" for code in seen)


def test_a_part_of_a_clip_keeps_its_place_in_the_timecode(tmp_path):
    footage.make(tmp_path / "a.mov", "prores_ks", "yuv422p10le", 12, rate=Fraction(25), timecode="10:00:00:20")
    with VideoReader(tmp_path / "a.mov") as reader, VideoWriter(tmp_path / "b.mov", reader.info) as writer:
        for frame in reader.frames(7):
            writer.write(frame.number, frame.picture, frame.original)
    assert VideoReader(tmp_path / "b.mov").info.timecode == "10:00:01:01"


def test_two_frames_at_one_time_are_written_one_after_the_other(tmp_path):
    footage.make(tmp_path / "a.mov", "prores_ks", "yuv422p10le", 4, rate=Fraction(25), time_base=Fraction(1, 25000))
    with VideoReader(tmp_path / "a.mov") as reader, VideoWriter(tmp_path / "b.mov", reader.info) as writer:
        for frame in reader:
            pts = frame.original.pts if frame.number != 3 else 1000
            writer.write(frame.number, frame.picture, dataclasses.replace(frame.original, pts=pts))
        with pytest.raises(OutputError, match="comes after a later one"):
            writer.write(2, frame.picture, frame.original)
    assert not (tmp_path / "b.mov").exists()


def test_interlaced_frames_are_refused_or_taken_whole_with_a_note(tmp_path):
    footage.make(tmp_path / "a.mov", "libx264", options={"flags": "+ildct", "x264-params": "tff=1"})
    refused = run("measure", tmp_path / "a.mov", "--add", "box:.1,.1,.2,.2")
    assert refused.exit_code == 3
    assert "is interlaced (frame 1): de-interlace it first" in refused.stderr
    taken = run("measure", tmp_path / "a.mov", "--add", "box:.1,.1,.2,.2", "--fields", "whole")
    assert "its interlaced frames are taken whole" in taken.stderr


@dataclass(frozen=True)
class Ahead(Node):
    """Shows its own frame of the eleven that it asks for."""

    name, label, group = "ahead", "Ahead", "light"

    def frames_needed(self) -> tuple[int, int]:
        return (0, 10)

    def process(self, image: Picture) -> Picture:
        return image[0].copy()


def test_no_frame_is_decoded_twice_behind_a_node_that_looks_far_ahead(tmp_path, monkeypatch):
    footage.make(tmp_path / "a.mkv", "ffv1", frames=30)
    clip, asked = open_clip(tmp_path / "a.mkv"), []
    read = clip._read
    monkeypatch.setattr(clip, "_read", lambda frame: asked.append(frame) or read(frame))
    with open_writer(tmp_path / "b.mkv", clip) as writer:
        render(
            Graph.of(Step.of("n", Ahead(), image="plate"), result="n"), {"plate": clip}, {"result": writer}, clip.frames
        )
    assert sorted(set(asked)) == list(range(1, 31))
    assert len(asked) <= 30 + 10 + 1  # beyond its end the last frame stands in
    first, second = (VideoReader(tmp_path / name) for name in ("a.mkv", "b.mkv"))
    for before, after in zip(first, second, strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(before.original.planes, after.original.planes, strict=True))


# --- colour spaces ------------------------------------------------------------------------------------------

STEER = Graph.of(
    Step.of("key", RangeKey(), image="plate"),
    Step.of("steer", SteerSkin(angle=5), image="plate", matte="key"),
    Step.of("scope", Vectorscope(), image="steer"),
    result="steer",
    matte="key",
    scope="scope",
)
LOG = "ACEScct:ACEScg:codes"


@pytest.mark.parametrize("space", ["pq", "hlg", "bt2020", "display p3", LOG, "acescct"])
def test_what_is_not_keyed_keeps_its_bits_in_any_space(make_picture, same_bits, space):
    picture = np.clip(make_picture(), 0.02, 0.98)
    graph = colour_spaces.convert_around(STEER, space)
    given = Runner(graph).run_frame(1, {"plate": picture})
    untouched = given["matte"] == 0
    assert 0.02 < untouched.mean() < 0.999
    same_bits(given["result"][untouched], picture[untouched])
    assert (given["result"] != picture).any()


def test_a_graph_in_a_space_is_the_conversion_by_hand(make_picture):
    picture = np.clip(make_picture(), 0.02, 0.98)
    node = colour_spaces.enter_space("hlg")
    working = node.process(picture)
    inside = Runner(STEER).run_frame(1, {"plate": working})
    given = Runner(colour_spaces.convert_around(STEER, "hlg")).run_frame(1, {"plate": picture})
    for name, expected in (("working", working), ("matte", inside["matte"]), ("scope", inside["scope"])):
        np.testing.assert_array_equal(given[name], expected)
    np.testing.assert_allclose(given["result"], node.inverse().process(inside["result"]), atol=1e-5)
    other = Runner(colour_spaces.convert_around(STEER, "hlg", "bt709")).run_frame(1, {"plate": picture})
    np.testing.assert_array_equal(other["result"], inside["result"])


def test_a_graph_that_converts_itself_is_not_converted_again():
    graph = colour_spaces.convert_around(STEER, "pq")
    assert Graph.from_dict(json.loads(json.dumps(graph.to_dict()))) == graph
    assert colour_spaces.convert_around(STEER, None) is STEER
    for given, wanted in (("pq", None), ("hlg", "bt709"), ("srgb", None)):
        around = colour_spaces.convert_around(STEER, given, wanted)
        assert colour_spaces.without_conversions(around)[0] == STEER
        assert colour_spaces.convert_around(*colour_spaces.without_conversions(around)) == around
    assert colour_spaces.without_conversions(STEER) == (STEER, None, None)
    with pytest.raises(GraphError, match="converts its footage itself"):
        colour_spaces.convert_around(graph, "pq")
    with pytest.raises(ParamError, match="Did you mean 'hlg'"):
        colour_spaces.convert_around(STEER, "hlgg")


@pytest.mark.parametrize("space", ["hlg", LOG])
@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p10le"])
def test_where_nothing_is_keyed_the_codes_come_out_as_they_went_in(tmp_path, space, pixel_format):
    footage.make(tmp_path / "a.mkv", "ffv1", pixel_format, 2, tags=(1, 9, 9, 18))
    clip, nothing = open_clip(tmp_path / "a.mkv"), RangeKey(luma_from=3.9, luma_to=4.0)
    graph = Graph.of(
        Step.of("key", nothing, image="plate"),
        Step.of("steer", SteerSkin(angle=20), image="plate", matte="key"),
        result="steer",
    )
    runner = Runner(colour_spaces.convert_around(graph, space))
    with open_writer(tmp_path / "b.mkv", clip) as writer:
        for frame, picture in clip:
            writer.write(frame, runner.run_frame(frame, {"plate": picture})["result"])
    before, after = VideoReader(tmp_path / "a.mkv"), VideoReader(tmp_path / "b.mkv")
    assert before.info.tags == after.info.tags
    for first, second in zip(before, after, strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(first.original.planes, second.original.planes, strict=True))


def test_another_output_space_is_written_and_tagged(tmp_path):
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv422p10le", 2)
    graph = Graph.of(Step.of("steer", RangeKey(), image="plate"), result="plate", matte="steer")
    graph = colour_spaces.convert_around(graph, None, "pq")
    clip = open_clip(tmp_path / "a.mkv")
    tags = colour_spaces.output_tags(graph, dict(graph.outputs)["result"])
    assert tags == (9, 16)
    with open_writer(tmp_path / "b.mkv", clip, tags=tags) as writer:
        for frame, picture in clip:
            writer.write(frame, Runner(graph).run_frame(frame, {"plate": picture}, ["result"])["result"])
    result = VideoReader(tmp_path / "b.mkv")
    assert result.info.tags == (1, 9, 9, 16)
    back = colour_spaces.enter_space("pq").process(result.frame(1).picture)
    assert np.abs(back - clip.read(1))[4:-4, 4:-4].mean() < 0.004


# --- matte in alpha -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "codec"), [("b.mov", "prores4444"), ("b.mkv", "ffv1")])
@pytest.mark.parametrize("pixel_format", ["yuv422p10le", "yuva444p10le"])
def test_the_matte_goes_into_the_alpha(tmp_path, name, codec, pixel_format):
    footage.make(tmp_path / "a.mkv", "ffv1", pixel_format, 2, (64, 48))
    clip = open_clip(tmp_path / "a.mkv")
    matte = np.linspace(0, 1, 64, dtype=np.float32)[np.newaxis].repeat(48, axis=0)
    writer = open_writer(tmp_path / name, clip, alpha=True)
    picture, alpha = outputs.MatteInAlpha(writer).parts()
    with writer:
        for frame in clip.frames:
            alpha.write(frame, matte)
            picture.write(frame, clip.read(frame))
    result = VideoReader(tmp_path / name)
    assert result.info.pixel_format.alpha
    found = result.frame(2)
    assert np.abs(found.picture[..., 3] - matte).max() < 1.5 / 1023
    if codec == "ffv1":
        source = VideoReader(tmp_path / "a.mkv").frame(2).original.planes
        assert all(np.array_equal(a, b) for a, b in zip(found.original.planes[:3], source[:3], strict=True))


def test_a_codec_without_alpha_is_refused(tmp_path):
    footage.make(tmp_path / "a.mkv", "ffv1")
    with pytest.raises(OutputError, match="holds no alpha for the matte: use prores4444 or ffv1"):
        open_writer(tmp_path / "b.mov", open_clip(tmp_path / "a.mkv"), "h264", alpha=True)
    assert [path.name for path in tmp_path.iterdir()] == ["a.mkv"]


@pytest.mark.parametrize("name", ["m.png", "m.tif", "m.exr"])
def test_pictures_take_the_matte_as_well(tmp_path, make_picture, matte, name):
    picture = np.clip(make_picture(), 0, 1)
    write_picture(tmp_path / "plate.tif", picture)
    writer = open_writer(tmp_path / name, open_clip(tmp_path / "plate.tif"), alpha=True)
    colour, alpha = outputs.MatteInAlpha(writer).parts()
    with writer:
        colour.write(1, picture)
        alpha.write(1, matte)
    found, _ = read_picture(tmp_path / name)
    assert np.abs(found - np.dstack([picture, matte])).max() < 1e-3
    for suffix in ("jpg", "dpx"):
        with pytest.raises(OutputError, match="holds no alpha for the matte"):
            open_writer(tmp_path / f"m.{suffix}", open_clip(tmp_path / "plate.tif"), alpha=True)


def test_a_picture_that_is_no_video_signal_is_named(tmp_path, make_picture):
    write_picture(tmp_path / "plate.exr", make_picture())
    assert "give --input-space linear" in colour_tags.space_notes(open_clip(tmp_path / "plate.exr"), None)[0]
    assert colour_tags.space_notes(open_clip(tmp_path / "plate.exr"), "linear") == ()


# --- a cut transport stream ---------------------------------------------------------------------------------


@pytest.mark.parametrize("codec", ["libx264", "mpeg2video"])
def test_a_transport_stream_cut_inside_a_packet_is_noticed(tmp_path, codec):
    footage.make(tmp_path / "a.ts", codec, frames=30, size=(320, 240))
    whole = [frame.picture for frame in VideoReader(tmp_path / "a.ts")]
    assert len(whole) == 30
    content = (tmp_path / "a.ts").read_bytes()
    (tmp_path / "b.ts").write_bytes(content[: len(content) // 376 * 188 + 100])
    reader, good = VideoReader(tmp_path / "b.ts"), []
    with pytest.raises(Exception, match=r"cannot be decoded from frame \d+ on .the file breaks off") as caught:
        good.extend(frame.picture for frame in reader)
    assert f"from frame {len(good) + 1} on" in str(caught.value)
    assert 5 < len(good) == reader.info.frames - 1
    assert all(np.array_equal(a, b) for a, b in zip(good, whole, strict=False))


# --- the verbs ----------------------------------------------------------------------------------------------


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


@pytest.fixture
def take(tmp_path):
    """A clip without tags that shows skin on the right of a grey wall, with a graph that steers it."""
    codes = [np.full((48, 64), 400), np.full((48, 32), 512), np.full((48, 32), 512)]
    for plane, code in zip(codes, (560, 450, 600), strict=True):
        plane[12:36, plane.shape[1] // 2 :] = code
    footage.make(tmp_path / "take.mkv", "ffv1", "yuv422p10le", 3, tags=(0, 2, 2, 2), flat=codes)
    Graph.of(
        Step.of("key", RangeKey(), image="plate"),
        Step.of("steer", SteerSkin(angle=5), image="plate", matte="key"),
        result="steer",
        matte="key",
    ).save(tmp_path / "look.json")
    return tmp_path


def test_render_says_what_it_assumes_and_can_be_told_otherwise(take):
    source, target = take / "take.mkv", take / "out.mov"
    words = ["render", take / "look.json", "--in", f"plate={source}", "--out", f"result={target}"]
    done = run(*words)
    assert done.exit_code == 0, done.stderr
    for part in ("BT.601 is assumed from its 48 lines", "studio range is assumed", "as ProRes 422 HQ, 10 bit 4:2:2"):
        assert part in done.stderr
    told = run(*words, "--matrix", "2020", "--range", "studio", "--siting", "centre", "--json")
    assert told.exit_code == 0
    assert "assumed" not in told.stderr
    assert VideoReader(target).info.coding.standard == "2020"


def test_correct_in_another_space_keeps_untouched_codes_and_its_graph_does_the_same(take):
    source, skin = take / "take.mkv", "box:.6,.35,.9,.65"
    words = ["correct", source, "-o", take / "a.mkv", "--add", skin, "--input-space", "hlg:bt709"]
    done = run(*words, "--graph-out", take / "g.json", "--target-angle", "128", "--matrix", "709")
    assert done.exit_code == 0, done.stderr
    again = run(
        *("render", take / "g.json", "--in", f"plate={source}", "--out", f"result={take / 'b.mkv'}", "--matrix", "709")
    )
    assert again.exit_code == 0, again.stderr
    first, second, before = (VideoReader(take / name).frame(2) for name in ("a.mkv", "b.mkv", "take.mkv"))
    assert all(np.array_equal(a, b) for a, b in zip(first.original.planes, second.original.planes, strict=True))
    wall = (slice(None), slice(0, 12))
    for a, b in zip(first.original.planes, before.original.planes, strict=True):
        assert np.array_equal(a[wall], b[wall])
    assert not np.array_equal(first.original.planes[2], before.original.planes[2])
    reading = run("measure", take / "a.mkv", "--add", skin, "--input-space", "hlg:bt709", "--json", "--matrix", "709")
    assert json.loads(reading.stdout)["readings"][0]["angle"] == pytest.approx(128, abs=0.6)
    kept = run("measure", source, "--graph", take / "g.json", "--json", "--matrix", "709")
    plain = run("measure", source, "--add", skin, "--input-space", "hlg:bt709", "--json", "--matrix", "709")
    before, alone = (json.loads(done.stdout)["readings"][0] for done in (kept, plain))
    assert before["as_shot"]["angle"] == pytest.approx(alone["angle"], abs=0.05)


def test_a_clip_that_says_hlg_is_named_with_the_mend(tmp_path):
    footage.make(tmp_path / "a.mov", "libx264", "yuv420p10le", 2, tags=(1, 9, 9, 18))
    done = run("measure", tmp_path / "a.mov", "--add", "box:.1,.1,.2,.2")
    assert "says that it holds hlg:bt2020" in done.stderr
    assert "give --input-space hlg:bt2020" in done.stderr


def test_correct_puts_the_matte_into_alpha_and_refuses_to_write_it_twice(take):
    words = ["correct", take / "take.mkv", "--add", "box:.6,.35,.9,.65", "--matte-in-alpha"]
    done = run(*words, "-o", take / "a.mov")
    assert done.exit_code == 0, done.stderr
    assert "ProRes 4444, 10 bit 4:4:4" in done.stderr
    alpha = VideoReader(take / "a.mov").frame(1).picture[..., 3]
    assert alpha[20:28, 40:56].min() > 0.9
    assert alpha[:, :12].max() < 0.1
    twice = run(*words, "-o", take / "b.mov", "--matte-out", take / "m.mov")
    assert twice.exit_code == 2
    assert "the matte is written once" in twice.stderr
    assert (
        run("render", take / "look.json", "--in", f"plate={take / 'take.mkv'}", "--out", "matte+result=x.mov").exit_code
        == 2
    )


# --- bad footage on the command line ------------------------------------------------------------------------


def cut(path, part):
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * part)])


BAD = {
    "nothing.mov": (lambda path: path.write_bytes(b""), 3, "is empty (0 bytes)"),
    "text.mp4": (lambda path: path.write_text("the boat is planked in larch"), 3, "cannot be read as video"),
    "missing.mov": (lambda path: None, 3, "does not exist"),
    "sound.mov": (lambda path: sound_alone(path), 3, "has no video stream"),
    "planes.tif": (
        lambda path: footage.make(path.with_suffix(".mkv")) and path.with_suffix(".mkv").rename(path),
        3,
        "",
    ),
}


def sound_alone(path):
    with av.open(str(path), "w") as container:
        footage._add_sound(container, container.add_stream("pcm_s16le", rate=48000), 0.1)


@pytest.mark.parametrize("name", BAD)
def test_a_bad_clip_is_one_line_and_exit_code_3(take, name):
    make, code, words = BAD[name]
    make(take / name)
    (take / "out.mov").write_bytes(b"an earlier take")
    done = run("render", take / "look.json", "--in", f"plate={take / name}", "--out", f"result={take / 'out.mov'}")
    assert done.exit_code == code
    assert words in done.stderr
    assert name in done.stderr
    assert len([line for line in done.stderr.splitlines() if "error:" in line]) == 1
    assert (take / "out.mov").read_bytes() == b"an earlier take"


def test_a_clip_that_breaks_off_is_done_up_to_there_with_exit_code_4(take):
    footage.make(take / "long.mkv", "ffv1", frames=40)
    cut(take / "long.mkv", 0.6)
    done = run("render", take / "look.json", "--in", f"plate={take / 'long.mkv'}", "--out", f"result={take / 'b.mkv'}")
    assert done.exit_code == 4
    good = len(list(VideoReader(take / "b.mkv")))
    assert 5 < good < 39
    assert f"cannot be decoded from frame {good + 1} on" in done.stderr
    assert f"{good} frames in" in done.stdout
    for first, second in zip(VideoReader(take / "b.mkv"), range(1, good + 1), strict=True):
        assert first.number == second


@pytest.mark.parametrize(
    ("target", "words"),
    [
        ("take.mkv", "is an input"),
        ("none/out.mov", "folder does not exist"),
        ("out.webp", "an output needs one of"),
    ],
)
def test_an_output_that_cannot_be_is_one_line_and_exit_code_5(take, target, words):
    before = (take / "take.mkv").read_bytes()
    done = run("render", take / "look.json", "--in", f"plate={take / 'take.mkv'}", "--out", f"result={take / target}")
    assert done.exit_code == 5
    assert words in done.stderr
    assert (take / "take.mkv").read_bytes() == before


def test_a_full_disk_in_the_middle_keeps_the_earlier_clip(take):
    """The size of files is limited in a process of its own: the write fails behind the frames that are in work."""
    footage.make(take / "long.mkv", "ffv1", "yuv422p10le", frames=60, size=(320, 240), tags=(1, 1, 1, 1))
    (take / "out.mkv").write_bytes(b"an earlier take")
    code = (
        "import resource, signal, sys\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))\n"
        "from inkarnat.host_adapters.commands.cli import main\n"
        f"sys.argv = ['inkarnat', 'render', {str(take / 'look.json')!r}, '--in', 'plate={take / 'long.mkv'}', "
        f"'--out', 'result={take / 'out.mkv'}', '--overwrite']\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 5, done.stderr
    assert "cannot be written: the file would be larger than is allowed here" in done.stderr
    assert (take / "out.mkv").read_bytes() == b"an earlier take"
    assert not list(take.glob(".out*"))
