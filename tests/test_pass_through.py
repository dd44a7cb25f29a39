"""What lies beside the picture comes out as it went in, or is named; judged by readers that are not the package's."""

from __future__ import annotations

import struct
from dataclasses import replace
from fractions import Fraction

import av
import footage
import numpy as np
import probe
import pytest
import rich_footage
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media import video_write
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.host_adapters.media.video_write import VideoWriter
from inkarnat.nodes import RangeKey, SteerSkin

OUTPUTS = {"mkv": "ffv1", "mov": "prores", "mp4": "h264"}


def copy(source, target, codec=None, frames=None):
    """Write a clip anew through the package and return the notes of the writer."""
    with VideoReader(source) as reader, VideoWriter(target, reader.info, codec) as writer:
        for frame in reader:
            if frames is None or frame.number in frames:
                writer.write(frame.number, frame.picture, frame.original)
    return " ".join(writer.notes)


@pytest.fixture(scope="module", params=["mkv", "mov", "mp4"])
def rich(tmp_path_factory, request):
    path = tmp_path_factory.mktemp("rich") / f"take.{request.param}"
    rich_footage.make(path)
    return path


WORDS = {  # what the note says of a thing that a container cannot hold
    "video 2": "picture stream 'witness'",
    "audio 1": "sound 'Ton'",
    "audio 2": "sound 'Remarks'",
    "subtitle 1": "subtitles 'Words'",
    "attachment 1": "attachment 'note.txt'",
    "cover 1": "cover picture",
    "reel": "reel name A001C002",
}
KNOWN_LOSSES = {
    ("mkv", "mov"): {"audio 2 comment", "subtitle 1", "attachment 1"},
    ("mkv", "mp4"): {"subtitle 1", "attachment 1", "reel"},
    ("mov", "mkv"): {"subtitle 1"},
    ("mov", "mp4"): {"reel"},
    ("mp4", "mkv"): {"subtitle 1"},
    ("mp4", "mov"): {"audio 2 comment", "subtitle 1 forced"},
}
"""By suffix in and out: all that is lost. Matroska takes no timed text of MP4 and the other way round; QuickTime has no
flags but the default one, and no attachments; MP4 has no reel names."""


@pytest.mark.parametrize("suffix", OUTPUTS)
def test_all_that_is_not_picture_comes_out_or_is_named(rich, tmp_path, suffix):
    target = tmp_path / f"out.{suffix}"
    notes = copy(rich, target, OUTPUTS[suffix])
    before, after = probe.described(rich), probe.described(target)
    lost = set()
    for thing, value in before.items():
        if thing.endswith("codec") or value in (None, "", False, []):
            continue
        got = after.get(thing)
        if thing.endswith("language") and got != value:
            got = {"ger": "deu", "fre": "fra"}.get(got, got)
        if got != value:
            lost.add(thing)
    lost = {" ".join(thing.split()[:2]) if f"{' '.join(thing.split()[:2])} there" in lost else thing for thing in lost}
    assert lost == KNOWN_LOSSES.get((rich.suffix[1:], suffix), set())
    for thing in lost:
        kind = " ".join(thing.split()[:2])
        assert WORDS.get(kind, thing) in notes
        if len(thing.split()) == 3:
            assert f"the flag {thing.split()[2]} of {WORDS[kind]}" in notes
    assert ("not carried on" in notes) == bool(lost)
    for kind in ("audio", "subtitle"):
        if f"{kind} 1" not in lost:
            assert probe.packet_hashes(rich, kind) == probe.packet_hashes(target, kind)
    assert probe.packet_hashes(rich, "video")[1:] == probe.packet_hashes(target, "video")[1:]


@pytest.mark.skipif(probe.FFPROBE is None, reason="ffprobe is not installed")
@pytest.mark.parametrize("suffix", OUTPUTS)
def test_ffprobe_sees_the_same_streams_and_chapters(rich, tmp_path, suffix):
    target = tmp_path / f"out.{suffix}"
    notes = copy(rich, target, OUTPUTS[suffix])
    sides = [probe.ffprobe(path) for path in (rich, target)]
    times = [[(c["start_time"], c["end_time"], c["tags"]["title"]) for c in side["chapters"]] for side in sides]
    assert times[0] == times[1]
    kinds = [[s["codec_type"] for s in side["streams"] if s["codec_type"] in ("video", "audio")] for side in sides]
    assert kinds[0] == kinds[1] or "cover picture" in notes
    assert {s["sample_aspect_ratio"] for s in sides[1]["streams"][:1]} == {"4:3"}


def test_a_part_of_a_clip_keeps_its_own_chapters(tmp_path):
    rich_footage.make(tmp_path / "a.mkv")
    copy(tmp_path / "a.mkv", tmp_path / "b.mkv", frames=range(11, 26))
    assert probe.described(tmp_path / "b.mkv")["chapters"] == [(0.0, 0.6, "Planks")]


def test_the_command_line_names_once_what_was_not_carried_on(tmp_path):
    rich_footage.make(tmp_path / "a.mkv")
    steps = Step.of("key", RangeKey(), image="plate"), Step.of("steer", SteerSkin(), image="plate", matte="key")
    Graph.of(*steps, result="steer").save(tmp_path / "g.json")
    files = "--in", f"plate={tmp_path / 'a.mkv'}", "--out", f"result={tmp_path / 'b.mov'}"
    words = ["render", tmp_path / "g.json", *files]
    done = CliRunner().invoke(cli, [str(word) for word in words])
    assert done.exit_code == 0, done.stderr
    lines = [line for line in done.stderr.splitlines() if "not carried on" in line]
    assert len(lines) == 1


# --- pixel aspect (public report: PyAV 764, "SAR and DAR not written to output stream") ---------------------


@pytest.mark.parametrize("aspect", [Fraction(4, 3), Fraction(32, 27), Fraction(10, 11), Fraction(1)])
def test_pixel_aspect_is_written_into_matroska(tmp_path, aspect):
    rich_footage.make(tmp_path / "a.mov", aspect=aspect)
    copy(tmp_path / "a.mov", tmp_path / "b.mkv", "ffv1")
    assert probe.sums_are_right(tmp_path / "b.mkv")
    track = probe.tracks(tmp_path / "b.mkv")[0]
    if aspect == 1:
        assert 0x54B0 not in track
    else:
        width, height = (probe.whole(track[name]) for name in (0x54B0, 0x54BA))
        assert Fraction(width, height) / Fraction(64, 48) == aspect
        assert probe.whole(track.get(0x54B2, b"\0")) in (0, 3)
    assert track[0x536E] == b"main picture"
    with av.open(str(tmp_path / "b.mkv")) as container:
        assert Fraction(container.streams.video[0].sample_aspect_ratio or 1) == aspect
        assert sum(1 for _ in container.decode(video=0)) == 25


# --- display matrices ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["mov", "mkv"])
@pytest.mark.parametrize("turned", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
def test_all_eight_display_matrices_are_shown_and_carried_on(tmp_path, suffix, turned, mirrored):
    """The truth: a point moves by the matrix as QuickTime defines it, (x, y) to (a x + c y, b x + d y), y down."""
    source = tmp_path / f"a.{suffix}"
    angle = np.radians(turned)
    a, b = round(np.cos(angle)), round(np.sin(angle))
    numbers = [(-a if mirrored else a), b, (b if mirrored else -b), a]
    matrix = [v << 16 for v in (numbers[0], numbers[1], 0, numbers[2], numbers[3], 0, 0, 0)] + [1 << 30]
    marked(source, matrix)
    shown = VideoReader(source).frame(1).picture
    corner = np.array([-1, -1])  # the marked corner of the stored picture, from its middle
    x, y = corner[0] * numbers[0] + corner[1] * numbers[2], corner[0] * numbers[1] + corner[1] * numbers[3]
    height, width = shown.shape[:2]
    assert (width, height) == ((64, 48) if numbers[0] else (48, 64))
    bright = shown[(slice(0, 12) if y < 0 else slice(-12, None)), (slice(0, 12) if x < 0 else slice(-12, None))]
    assert bright.mean() > 0.7
    assert shown.mean() < 0.35
    copy(source, tmp_path / "b.mkv", "ffv1")
    sides = [probe.described(path)["display matrix"] for path in (source, tmp_path / "b.mkv")]
    assert sides[0] == sides[1]
    planes = [VideoReader(path).frame(1).original.planes for path in (source, tmp_path / "b.mkv")]
    assert all(np.array_equal(p, q) for p, q in zip(*planes, strict=True))


def marked(path, matrix):
    """A dark clip with one bright corner, at the top left of the stored picture."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1" if path.suffix == ".mkv" else "libx264", rate=25, options={"qp": "0"})
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        context = stream.codec_context
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = footage.BT709
        stream.set_display_matrix(matrix)
        frame = av.VideoFrame(64, 48, "yuv420p")
        for plane, value in zip(frame.planes, (60, 128, 128), strict=True):
            footage.view(plane, 8)[:] = value
        footage.view(frame.planes[0], 8)[:16, :16] = 210
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


# --- place of chroma ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tag", "matrix", "taken"), [("left", 9, "left"), ("center", 1, "centre"), ("topleft", 1, "corner")]
)
@pytest.mark.parametrize("codec", ["ffv1", "h264", "hevc"])
def test_the_place_of_chroma_is_read_and_kept(tmp_path, codec, tag, matrix, taken):
    source = tmp_path / "a.mkv"
    options = {"chroma_sample_location": tag}
    footage.make(source, "ffv1", "yuv420p10le", tags=(1, matrix, 1, 1), options=options)
    assert VideoReader(source).info.coding.siting == taken
    copy(source, tmp_path / "b.mkv", codec)
    track = probe.tracks(tmp_path / "b.mkv")[0]
    places = probe.whole(track[0x55B7]), probe.whole(track[0x55B8])
    assert places == {"left": (1, 2), "center": (2, 2), "topleft": (1, 1)}[tag]  # RFC 9559, ChromaSitingHorz and Vert
    assert VideoReader(tmp_path / "b.mkv").info.coding.siting == taken


def test_a_clip_that_does_not_say_where_its_chroma_sits_stays_so(tmp_path):
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv420p10le", tags=(1, 9, 9, 1), options={})
    assert 0x55B7 not in probe.tracks(tmp_path / "a.mkv")[0]
    copy(tmp_path / "a.mkv", tmp_path / "b.mkv", "ffv1")
    assert 0x55B7 not in probe.tracks(tmp_path / "b.mkv")[0]


# --- mastering display and light level ----------------------------------------------------------------------

PRIMARIES = (34000, 16000, 13250, 34500, 7500, 3000, 15635, 16450)
"""P3 with the white D65 in units of 0.00002 (SMPTE EG 432-1, ST 2086)."""
HDR = (
    "log-level=error:master-display=G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(10000000,50)"
    ":max-cll=900,400"
)


@pytest.mark.parametrize(("suffix", "codec"), [("mp4", "hevc"), ("mov", "prores"), ("mkv", "ffv1"), ("mkv", "hevc")])
def test_mastering_display_and_light_level_are_kept(tmp_path, suffix, codec):
    source, target = tmp_path / "a.mp4", tmp_path / f"b.{suffix}"
    footage.make(source, "libx265", "yuv420p10le", tags=(1, 9, 9, 16), options={"x265-params": HDR})
    assert copy(source, target, codec) == ""
    if suffix == "mkv":
        track = probe.tracks(target)[0]
        values = [struct.unpack(">d", track[name])[0] for name in range(0x55D1, 0x55DB)]
        np.testing.assert_allclose(values, [*(v / 50000 for v in PRIMARIES), 1000, 0.005], rtol=1e-12)
        assert (probe.whole(track[0x55BC]), probe.whole(track[0x55BD])) == (900, 400)
    else:
        red, green, blue, white = pairs(PRIMARIES)
        assert struct.unpack(">8H2I", probe.sample_box(target, "mdcv")) == (*green, *blue, *red, *white, 10000000, 50)
        assert struct.unpack(">2H", probe.sample_box(target, "clli")) == (900, 400)
    with av.open(str(target)) as container:
        sides = {item.type.name for item in next(container.decode(video=0)).side_data}
    assert {"MASTERING_DISPLAY_METADATA", "CONTENT_LIGHT_LEVEL"} <= sides


def pairs(values):
    return [values[i : i + 2] for i in range(0, len(values), 2)]


# --- four letters of HEVC -----------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["mp4", "mov"])
def test_hevc_keeps_the_four_letters_that_players_ask_for(tmp_path, suffix):
    source, target = tmp_path / "a.mp4", tmp_path / f"b.{suffix}"
    footage.make(source, "libx265", "yuv420p10le", options={"x265-params": "log-level=error"})
    with av.open(str(source)) as container:
        assert container.streams.video[0].codec_context.codec_tag == "hev1"
    copy(source, target, "hevc")
    with av.open(str(target)) as container:
        assert container.streams.video[0].codec_context.codec_tag == "hev1"
    footage.make(tmp_path / "c.mkv", "ffv1", "yuv420p10le")
    copy(tmp_path / "c.mkv", target, "hevc")
    again = tmp_path / "again.mp4"
    copy(target, again, "hevc")
    for path in (target, again):
        with av.open(str(path)) as container:
            assert container.streams.video[0].codec_context.codec_tag == "hvc1"


# --- sound --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["mkv", "mov", "mp4"])
def test_sound_of_transport_streams_and_plain_samples_goes_into_every_container(tmp_path, suffix):
    """AAC of a transport stream has a head of 7 bytes on each packet (ISO/IEC 13818-7, ADTS), which files leave out."""
    footage.make(tmp_path / "a.ts", "libx264", frames=20, rate=Fraction(25), sound="aac")
    assert copy(tmp_path / "a.ts", tmp_path / f"a.{suffix}", OUTPUTS[suffix]) == ""
    before, after = (footage.packets(tmp_path / name, "audio") for name in ("a.ts", f"a.{suffix}"))
    assert [data[7:] for _, data in before] == [data for _, data in after]
    footage.make(tmp_path / "b.mkv", "ffv1", frames=20, rate=Fraction(25), sound="pcm_s16le")
    assert copy(tmp_path / "b.mkv", tmp_path / f"c.{suffix}", OUTPUTS[suffix]) == ""
    sound = [
        b"".join(data for _, data in footage.packets(tmp_path / name, "audio")) for name in ("b.mkv", f"c.{suffix}")
    ]
    assert sound[0] == sound[1]


@pytest.mark.parametrize("codec", ["prores", "ffv1"])
def test_both_numbers_of_the_matrix_of_601_are_kept_or_said_with_the_other(tmp_path, codec):
    footage.make(tmp_path / "a.mkv", "ffv1", "yuv422p10le", tags=(1, 5, 5, 1), options={})
    target = tmp_path / ("b.mov" if codec == "prores" else "b.mkv")
    copy(tmp_path / "a.mkv", target, codec)
    assert VideoReader(target).info.tags[1] == {"prores": 6, "ffv1": 5}[codec]


def test_a_picture_alone_is_not_searched_for_more(tmp_path, monkeypatch):
    """The input is opened to describe it and to decode it; where something lies beside the picture, once more."""
    footage.make(tmp_path / "alone.mov", "libx264", frames=3)
    rich_footage.make(tmp_path / "rich.mov")
    opened, real = [], av.open
    monkeypatch.setattr(
        av, "open", lambda file, *more, **named: (opened.append(str(file)), real(file, *more, **named))[1]
    )
    for name in ("alone", "rich"):
        source = tmp_path / f"{name}.mov"
        assert "metadata" not in copy(source, tmp_path / f"{name}-out.mov")
        assert opened.count(str(source)) == 2 if name == "alone" else opened.count(str(source)) > 2


def test_metadata_of_a_picture_alone_that_an_output_cannot_hold_are_named(tmp_path, monkeypatch):
    footage.make(tmp_path / "a.mkv", "ffv1", frames=2)
    with VideoReader(tmp_path / "a.mkv") as reader:
        like = replace(reader.info, metadata={"CAMERA_MOOD": "calm"})
        with VideoWriter(tmp_path / "b.mkv", like) as writer:
            for frame in reader:
                writer.write(frame.number, frame.picture, frame.original)
    assert not VideoReader(tmp_path / "b.mkv").info.beside
    assert copy(tmp_path / "b.mkv", tmp_path / "c.mp4") == ""
    monkeypatch.setattr(video_write, "mux_options", lambda suffix, metadata: {})  # MP4 without a table for names
    assert "metadata CAMERA_MOOD" in copy(tmp_path / "b.mkv", tmp_path / "d.mp4")
