"""Files that hold more than one picture, or more than a picture keeps: what is read, what is said, what is kept."""

from __future__ import annotations

import io
import struct
import zlib
from fractions import Fraction

import av
import footage
import numpy as np
import OpenImageIO as oiio
import pytest
import rich_footage
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.nodes import RangeKey, SteerSkin
from PIL import Image

GREY = np.full((24, 32, 3), 0.4, np.float32)


def parts(path, named):
    """An EXR of several parts, each with channels R, G and B of one value, or the channels given."""
    specs = []
    for name, _, channels in named:
        spec = oiio.ImageSpec(32, 24, len(channels), "half")
        spec.channelnames = channels
        spec.attribute("oiio:subimagename", name)
        specs.append(spec)
    target = oiio.ImageOutput.create(str(path))
    assert target.open(str(path), tuple(specs)), target.geterror()
    for number, (_, value, channels) in enumerate(named):
        if number:
            assert target.open(str(path), specs[number], "AppendSubimage"), target.geterror()
        assert target.write_image(np.full((24, 32, len(channels)), value, np.float32))
    assert target.close(), target.geterror()
    return path


def copied(source, target, **chosen):
    with open_clip(source, **chosen) as clip, open_writer(target, clip) as writer:
        for number in clip.frames:
            writer.write(number, clip.read(number))
    return " ".join(writer.notes)


# --- parts and layers (public reports: OpenImageIO 2608, "Missing channels in multipart EXR", and 3593, "OIIO only
# read the Normal channel from a 3-passes EXR file") ---------------------------------------------------------

RGB = ("R", "G", "B")
PASSES = [("depth", 0.9, ("Z",)), ("normal", 0.1, RGB), ("albedo", 0.2, RGB), ("beauty", 0.3, RGB)]


@pytest.mark.parametrize(("part", "value"), [("beauty", 0.3), ("albedo", 0.2), ("BEAUTY", 0.3), ("2", 0.1)])
def test_a_part_is_chosen_by_name_or_number(tmp_path, part, value):
    parts(tmp_path / "plate.exr", PASSES)
    clip = open_clip(f"{tmp_path / 'plate.exr'}:part={part}")
    np.testing.assert_allclose(clip.read(1), value, atol=1e-3)
    assert clip.path == tmp_path / "plate.exr"


def test_without_a_choice_the_first_part_with_colour_is_read_and_the_others_are_named(tmp_path):
    clip = open_clip(parts(tmp_path / "plate.exr", PASSES))
    np.testing.assert_allclose(clip.read(1), 0.1, atol=1e-3)
    assert len(clip.notes) == 1
    for word in ("part normal of 4", "depth, normal, albedo, beauty", "plate.exr:part=beauty"):
        assert word in clip.notes[0]


def test_a_part_or_layer_that_is_not_there_is_refused_with_those_that_are(tmp_path):
    parts(tmp_path / "plate.exr", PASSES)
    with pytest.raises(InputError, match=r"no part 'skin'.*depth, normal, albedo, beauty"):
        open_clip(f"{tmp_path / 'plate.exr'}:part=skin")
    with pytest.raises(InputError, match="no layer 'skin'"):
        open_clip(f"{tmp_path / 'plate.exr'}:part=beauty:layer=skin")
    with pytest.raises(InputError, match="it is a picture"):
        open_clip(f"{tmp_path / 'plate.exr'}:video=2")


LAYERS = [f"{layer}.{c}" for layer in ("beauty", "diffuse") for c in "RGB"]


def layered(path):
    spec = oiio.ImageSpec(32, 24, 6, "half")
    spec.channelnames = LAYERS
    target = oiio.ImageOutput.create(str(path))
    assert target.open(str(path), spec)
    assert target.write_image(np.broadcast_to(np.linspace(0.1, 0.6, 6, dtype=np.float32), (24, 32, 6)).copy())
    target.close()
    return path


@pytest.mark.parametrize(("layer", "first"), [(None, 0.1), ("beauty", 0.1), ("diffuse", 0.4)])
def test_a_layer_is_chosen_and_every_name_is_kept_on_the_way_out(tmp_path, layer, first):
    source = layered(tmp_path / "plate.exr")
    choice = f":layer={layer}" if layer else ""
    clip = open_clip(f"{source}{choice}")
    assert clip.read(1)[0, 0, 0] == pytest.approx(first, abs=1e-3)
    copied(f"{source}{choice}", tmp_path / "out.exr")
    for path in (source, tmp_path / "out.exr"):
        read = oiio.ImageInput.open(str(path))
        names, pixels = list(read.spec().channelnames), read.read_image("float")
        assert sorted(names) == sorted(LAYERS)
        values = {name: pixels[0, 0, i] for i, name in enumerate(names)}
        np.testing.assert_allclose([values[name] for name in LAYERS], np.linspace(0.1, 0.6, 6), atol=1e-3)


def test_a_sequence_of_parts_and_the_command_line_take_the_choice(tmp_path):
    for number in (1, 2):
        parts(tmp_path / f"shot.{number:04d}.exr", PASSES)
    clip = open_clip(f"{tmp_path / 'shot.%04d.exr'}:part=beauty")
    assert list(clip.frames) == [1, 2]
    np.testing.assert_allclose(clip.read(2), 0.3, atol=1e-3)
    graph(tmp_path)
    done = run(
        *("render", tmp_path / "g.json", "--in", f"plate={tmp_path / 'shot.%04d.exr'}:part=beauty"),
        *("--out", f"result={tmp_path / 'out.%04d.exr'}", "--jobs", "2"),
    )
    assert done.exit_code == 0, done.stderr
    picture, info = read_picture(tmp_path / "out.0002.exr")
    np.testing.assert_allclose(picture, 0.3, atol=2e-3)
    assert info.part == "beauty"


def graph(folder):
    steps = Step.of("key", RangeKey(), image="plate"), Step.of("steer", SteerSkin(), image="plate", matte="key")
    Graph.of(*steps, result="steer").save(folder / "g.json")


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


# --- deep images (public report: OpenImageIO 961, "DeepData populated with bogus values?") ------------------


def deep(path):
    spec = oiio.ImageSpec(32, 24, 5, "float")
    spec.channelnames, spec.deep = (*"RGBA", "Z"), True
    data = oiio.DeepData()
    data.init(32 * 24, 5, oiio.TypeDesc("float"), spec.channelnames)
    for pixel in range(32 * 24):
        data.set_samples(pixel, 2)
        for sample in range(2):
            for channel in range(5):
                data.set_deep_value(pixel, channel, sample, 0.25 + sample)
    target = oiio.ImageOutput.create(str(path))
    assert target.open(str(path), spec), target.geterror()
    assert target.write_deep_image(data), target.geterror()
    target.close()
    return path


def test_a_deep_image_is_refused_with_the_way_on(tmp_path):
    deep(tmp_path / "plate.exr")
    with pytest.raises(InputError, match="holds deep samples, several a pixel: flatten it first"):
        read_picture(tmp_path / "plate.exr")
    done = run("measure", tmp_path / "plate.exr", "--add", "box:.1,.1,.9,.9")
    assert done.exit_code == 3
    assert "flatten it first" in done.stderr


# --- pages and frames ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("suffix", "word"), [("tif", "page"), ("gif", "frame"), ("png", "frame")])
def test_further_pages_and_frames_are_noted_in_one_line(tmp_path, suffix, word):
    pages = [Image.new("RGB", (32, 24), (90 + 40 * i, 120, 140)) for i in range(3)]
    pages[0].save(tmp_path / f"a.{suffix}", save_all=True, append_images=pages[1:])
    notes = open_clip(tmp_path / f"a.{suffix}").notes
    assert len(notes) == 1
    assert f"{word} 1 of 3 is read and the others are left out" in notes[0]
    pages[0].save(tmp_path / f"b.{suffix}")
    assert open_clip(tmp_path / f"b.{suffix}").notes == ()


# --- second pictures of a clip ------------------------------------------------------------------------------


def test_a_picture_stream_is_chosen_and_the_other_one_carried_on(tmp_path):
    source = tmp_path / "take.mkv"
    rich_footage.make(source)
    with open_clip(source) as clip:
        assert (clip.width, clip.height) == (64, 48)
        assert f"holds 2 picture streams: 1 is read; name another as {source}:video=2" in clip.notes[0]
    with open_clip(f"{source}:video=2") as clip:
        assert (clip.width, clip.height, clip.notes) == (32, 32, ())
        assert len(list(clip)) == 25
    copied(f"{source}:video=2", tmp_path / "out.mkv")
    with av.open(str(tmp_path / "out.mkv")) as container:
        assert [(s.width, s.height) for s in container.streams.video] == [(32, 32), (64, 48)]
    with pytest.raises(InputError, match="no picture stream 3: it has 2"):
        open_clip(f"{source}:video=3")
    with pytest.raises(InputError, match="from 1"):
        open_clip(f"{source}:video=0")


def test_the_default_flag_decides_which_picture_is_read(tmp_path):
    with av.open(str(tmp_path / "a.mkv"), "w") as container:
        streams = []
        for size, flag in (((32, 32), 0), ((64, 48), 1)):
            stream = container.add_stream("ffv1", rate=25)
            stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
            stream.disposition = flag
            streams.append(stream)
        for number in range(3):
            for stream in streams:
                frame = av.VideoFrame(stream.width, stream.height, "yuv420p")
                frame.pts, frame.time_base = number, Fraction(1, 25)
                container.mux(stream.encode(frame))
        for stream in streams:
            container.mux(stream.encode(None))
    assert open_clip(tmp_path / "a.mkv").width == 64
    assert open_clip(f"{tmp_path / 'a.mkv'}:video=1").width == 32


# --- depth and alpha ----------------------------------------------------------------------------------------


def half_tiff(path, values):
    spec = oiio.ImageSpec(32, 24, 3, "half")
    spec.attribute("tiff:half", 1)
    target = oiio.ImageOutput.create(str(path))
    assert target.open(str(path), spec)
    assert target.write_image(values)
    target.close()


def test_half_tiff_stays_half_and_keeps_what_lies_beyond_one(tmp_path):
    values = np.linspace(-0.5, 4, 24 * 32 * 3, dtype=np.float32).reshape(24, 32, 3).astype(np.float16)
    half_tiff(tmp_path / "a.tif", values)
    assert copied(tmp_path / "a.tif", tmp_path / "b.tif") == ""
    read = oiio.ImageInput.open(str(tmp_path / "b.tif"))
    assert str(read.spec().format) == "half"
    assert np.array_equal(read.read_image("half").view(np.uint16), values.view(np.uint16))


def test_eight_bit_tiff_stays_eight_bit_and_keeps_its_codes(tmp_path):
    codes = np.random.default_rng(0).integers(0, 256, (24, 32, 3), np.uint8)
    Image.fromarray(codes).save(tmp_path / "a.tif")
    assert copied(tmp_path / "a.tif", tmp_path / "b.tif") == ""
    with Image.open(tmp_path / "b.tif") as picture:
        assert np.array_equal(np.asarray(picture), codes)


def test_what_is_cut_off_is_said(tmp_path):
    write_picture(tmp_path / "a.exr", GREY)
    assert "what lies below 0 or above 1 is cut off" in copied(tmp_path / "a.exr", tmp_path / "b.png")
    assert copied(tmp_path / "a.exr", tmp_path / "b.exr") == ""


def test_alpha_that_is_dropped_is_said(tmp_path):
    rgba = np.dstack([GREY, np.full((24, 32), 0.5, np.float32)])
    spec = oiio.ImageSpec(32, 24, 4, "uint16")
    spec.attribute("oiio:BitsPerSample", 10)
    target = oiio.ImageOutput.create(str(tmp_path / "a.dpx"))
    assert target.open(str(tmp_path / "a.dpx"), spec)
    assert target.write_image(rgba)
    target.close()
    assert "not carried on: alpha" in copied(tmp_path / "a.dpx", tmp_path / "b.dpx")
    write_picture(tmp_path / "a.png", rgba)
    assert "not carried on: alpha" in copied(tmp_path / "a.png", tmp_path / "b.jpg")
    assert copied(tmp_path / "a.png", tmp_path / "b.tif") == ""


def test_a_still_with_alpha_becomes_a_clip_without_a_word_of_mattes(tmp_path):
    write_picture(tmp_path / "a.png", np.dstack([GREY, np.full((24, 32), 0.5, np.float32)]))
    notes = copied(tmp_path / "a.png", tmp_path / "b.mp4")
    assert "not carried on: alpha" in notes
    assert "matte" not in notes
    assert not VideoReader(tmp_path / "b.mp4").info.pixel_format.alpha
    copied(tmp_path / "a.png", tmp_path / "b.mov")
    assert VideoReader(tmp_path / "b.mov").info.pixel_format.alpha


def test_alpha_of_a_clip_that_is_dropped_is_said(tmp_path):
    footage.make(tmp_path / "a.mov", "prores_ks", "yuva444p10le", 2, options={"profile": "4444"})
    assert "not carried on: alpha" in copied(tmp_path / "a.mov", tmp_path / "b.mp4")
    with av.open(str(tmp_path / "c.webm"), "w") as container:
        stream = container.add_stream("libvpx-vp9", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        stream.metadata["alpha_mode"] = "1"
        container.mux(stream.encode(av.VideoFrame(64, 48, "yuv420p")))
        container.mux(stream.encode(None))
    assert any("has alpha, which is not read" in note for note in VideoReader(tmp_path / "c.webm").info.notes)


def test_jpeg_to_jpeg_says_that_it_is_lossy(tmp_path):
    Image.new("RGB", (32, 24), (200, 140, 120)).save(tmp_path / "a.jpg")
    assert "JPEG is lossy" in copied(tmp_path / "a.jpg", tmp_path / "b.jpg")
    assert copied(tmp_path / "a.jpg", tmp_path / "b.png") == ""


# --- what stills say of their colours -----------------------------------------------------------------------


def test_a_png_keeps_its_chunks_of_colour_and_loses_them_where_colours_were_converted(tmp_path):
    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    memory = io.BytesIO()
    Image.new("RGB", (32, 24), (200, 140, 120)).save(memory, "png")
    data = memory.getvalue()
    (tmp_path / "a.png").write_bytes(data[:33] + chunk(b"cICP", bytes([12, 13, 0, 1])) + data[33:])
    copied(tmp_path / "a.png", tmp_path / "b.png")
    assert b"cICP" + bytes([12, 13, 0, 1]) in (tmp_path / "b.png").read_bytes()
    picture, info = read_picture(tmp_path / "a.png")
    write_picture(tmp_path / "c.png", picture, info, tags=(9, 16))
    assert b"cICP" + bytes([9, 16, 0, 1]) in (tmp_path / "c.png").read_bytes()
    write_picture(tmp_path / "d.png", picture, info, tags=(2, 2))
    assert b"cICP" not in (tmp_path / "d.png").read_bytes()


def test_primaries_that_a_png_cannot_get_here_are_said(tmp_path):
    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    memory = io.BytesIO()
    Image.new("RGB", (32, 24), (200, 140, 120)).save(memory, "png")
    data, gamma = memory.getvalue(), chunk(b"gAMA", struct.pack(">I", 45455))
    for name, red in (("a", 68000), ("b", 64000)):
        rest = (32000, 26500, 69000, 15000, 6000) if red == 68000 else (33000, 30000, 60000, 15000, 6000)
        points = chunk(b"cHRM", struct.pack(">8I", 31270, 32900, red, *rest))
        (tmp_path / f"{name}.png").write_bytes(data[:33] + gamma + points + data[33:])
    assert "the primaries of its cHRM chunk" in copied(tmp_path / "a.png", tmp_path / "c.png")
    assert copied(tmp_path / "b.png", tmp_path / "d.png") == ""  # those of BT.709, which is what no chunk means
    assert b"gAMA" in (tmp_path / "d.png").read_bytes()
