"""What a clip's colours mean: tags of streams and containers, profiles, chunks and attributes, and their conflicts."""

from __future__ import annotations

import io
import struct
import zlib
from fractions import Fraction

import av
import colour
import footage
import numpy as np
import probe
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.desk.folder import Folder
from inkarnat.host_adapters.desk.session import Session
from inkarnat.host_adapters.detect import person
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.colour_tags import meaning_of, space_notes
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.host_adapters.media.video_write import VideoWriter
from inkarnat.nodes import STATUSES, named_primaries, primaries_of_profile, tag_in_words
from PIL import Image

UNSAID = (0, 2, 2, 2)


def retagged(path, target, tags):
    """Copy a clip packet by packet into a container that states other tags."""
    with av.open(str(path)) as source, av.open(str(target), "w") as container:
        stream = source.streams.video[0]
        copy = container.add_stream_from_template(stream, opaque=True)
        context = copy.codec_context
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = tags
        for packet in source.demux(stream):
            if packet.size:
                packet.stream = copy
                container.mux(packet)


# --- video --------------------------------------------------------------------------------------------------

QUIET = {"x265-params": "log-level=error:bframes=0"}
ENCODERS = [
    ("prores_ks", "yuv422p10le", {}, "mov", "prores"),
    ("libx265", "yuv420p10le", QUIET, "mp4", "hevc"),
    ("libx264", "yuv420p", {"bf": "0"}, "mp4", "h264"),
    ("ffv1", "yuv420p10le", {}, "mkv", "ffv1"),
]


@pytest.mark.parametrize(("encoder", "pixel_format", "options", "suffix", "codec"), ENCODERS)
@pytest.mark.parametrize(("transfer", "name"), [(16, "pq"), (18, "hlg")])
def test_colour_that_only_the_container_states_is_known(
    tmp_path, encoder, pixel_format, options, suffix, codec, transfer, name
):
    plain, source, target = (tmp_path / f"{n}.{suffix}" for n in "abc")
    footage.make(plain, encoder, pixel_format, tags=UNSAID, options=options)
    retagged(plain, source, (1, 9, 9, transfer))
    info = VideoReader(source).info
    assert info.coding.standard == "2020"
    assert info.tags == (1, 9, 9, transfer)
    assert not any("does not say which matrix" in note for note in info.notes)
    with open_clip(source) as clip:
        assert meaning_of(clip).space == f"{name}:bt2020"
        assert f"says that it holds {name}:bt2020" in space_notes(clip, None)[0]
    with VideoReader(source) as reader, VideoWriter(target, reader.info, codec) as writer:
        for frame in reader:
            writer.write(frame.number, frame.picture, frame.original)
    with av.open(str(target)) as container:
        context = container.streams.video[0].codec_context
        assert (int(context.colorspace), int(context.color_primaries), int(context.color_trc)) == (9, 9, transfer)


def test_a_stream_goes_before_its_container_and_the_conflict_is_said(tmp_path):
    footage.make(tmp_path / "a.mp4", "libx264", tags=(1, 1, 1, 1), options={"bf": "0"})
    retagged(tmp_path / "a.mp4", tmp_path / "b.mp4", (1, 9, 9, 16))
    container = probe.sample_box(tmp_path / "b.mp4", "colr")
    assert struct.unpack(">3H", container[4:10]) == (9, 16, 9)
    info = VideoReader(tmp_path / "b.mp4").info
    assert info.tags == (1, 1, 1, 1)
    for field, inner, outer in (("matrix", "BT.709", "BT.2020"), ("transfer", "BT.709", "PQ")):
        assert any(
            f"for its {field} the stream says {inner} and the container {outer}; the stream's is taken" in note
            for note in info.notes
        )


def test_a_clip_without_any_tags_says_so_and_stays_untagged(tmp_path):
    footage.make(tmp_path / "a.mp4", "libx264", tags=UNSAID, options={"bf": "0"})
    info = VideoReader(tmp_path / "a.mp4").info
    assert any("does not say which matrix it uses: BT.601 is assumed" in note for note in info.notes)
    with open_clip(tmp_path / "a.mp4") as clip:
        assert meaning_of(clip).space is None
        assert "does not say" in meaning_of(clip).line()


# --- stills -------------------------------------------------------------------------------------------------


def chunk(kind, data):
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(path, *chunks):
    """A PNG with chunks behind its header (PNG Third Edition, 5.6)."""
    memory = io.BytesIO()
    Image.new("RGB", (32, 24), (200, 140, 120)).save(memory, "png")
    data = memory.getvalue()
    path.write_bytes(data[:33] + b"".join(chunks) + data[33:])
    return path


def profile(space, gamma=None):
    """An ICC profile of version 4 with a matrix and one curve (ICC.1:2022, 8.3.3), made of colour-science's figures."""
    known = colour.RGB_COLOURSPACES[space]
    white, d50 = colour.xy_to_XYZ(known.whitepoint), np.array([0.9642, 1.0, 0.8249])
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, d50, "Bradford")
    matrix = adapt @ colour.models.normalised_primary_matrix(known.primaries, known.whitepoint)

    def fixed(values):
        return struct.pack(f">{len(values)}i", *(round(float(v) * 65536) for v in values))

    def point(values):
        return b"XYZ \0\0\0\0" + fixed(values)

    def text(words):
        data = words.encode("utf-16-be")
        return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(data), 28) + data

    srgb = [2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045]
    curve = b"para\0\0\0\0" + (
        struct.pack(">HH", 0, 0) + fixed([gamma]) if gamma else struct.pack(">HH", 3, 0) + fixed(srgb)
    )
    tags = {b"desc": text("made for a test"), b"cprt": text("none"), b"wtpt": point(d50)}
    tags |= {name: point(matrix[:, i]) for i, name in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))}
    tags |= {b"chad": b"sf32\0\0\0\0" + fixed(adapt.ravel()), b"rTRC": curve, b"gTRC": curve, b"bTRC": curve}
    at, table, body = 128 + 4 + 12 * len(tags), b"", b""
    for name, data in tags.items():
        data += bytes(-len(data) % 4)
        table += struct.pack(">4sII", name, at + len(body), len(data))
        body += data
    head = struct.pack(
        ">I4xI4s4s4s12x4sI4s", at + len(body), 0x04300000, b"mntr", b"RGB ", b"XYZ ", b"acsp", 0, b"\0\0\0\0"
    )
    head += bytes(20) + fixed(d50)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


CHROMATICITIES = struct.pack(">8I", 31270, 32900, 68000, 32000, 26500, 69000, 15000, 6000)
"""cHRM of white, red, green and blue for P3 with D65 (SMPTE EG 432-1), in units of 0.00001."""
GAMMA = chunk(b"gAMA", struct.pack(">I", 45455))


@pytest.mark.parametrize(
    ("chunks", "space", "source"),
    [
        ([chunk(b"cICP", bytes([12, 13, 0, 1]))], "srgb:p3_d65", "cICP chunk"),
        ([chunk(b"cICP", bytes([9, 16, 0, 1]))], "pq:bt2020", "cICP chunk"),
        ([chunk(b"cICP", bytes([9, 18, 0, 1]))], "hlg:bt2020", "cICP chunk"),
        ([chunk(b"cICP", bytes([1, 13, 0, 1]))], None, "cICP chunk"),
        (
            [chunk(b"gAMA", struct.pack(">I", 45455)), chunk(b"cHRM", CHROMATICITIES)],
            "srgb:p3_d65",
            "gAMA and cHRM chunks",
        ),
        ([chunk(b"gAMA", struct.pack(">I", 100000))], "linear:bt709", "gAMA chunk"),
        ([GAMMA], None, "gAMA chunk"),
        ([chunk(b"sRGB", b"\0")], None, "sRGB chunk"),
    ],
)
def test_chunks_of_png_are_understood(tmp_path, chunks, space, source):
    meaning = meaning_of(open_clip(png(tmp_path / "a.png", *chunks)))
    assert meaning.space == space
    assert meaning.held.source == source
    assert source in meaning.line()


@pytest.mark.parametrize(
    ("name", "gamma", "space"),
    [
        ("Display P3", None, "srgb:p3_d65"),
        ("sRGB", None, None),
        ("ITU-R BT.2020", 2.4, "bt1886:bt2020"),
        ("ITU-R BT.709", 1.0, "linear:bt709"),
        ("P3-D65", 2.2, "gamma22:p3_d65"),
    ],
)
@pytest.mark.parametrize("suffix", ["png", "jpg", "tif"])
def test_icc_profiles_are_understood(tmp_path, name, gamma, space, suffix):
    path = tmp_path / f"a.{suffix}"
    Image.new("RGB", (32, 24), (200, 140, 120)).save(path, icc_profile=profile(name, gamma))
    meaning = meaning_of(open_clip(path))
    assert (meaning.space, meaning.held.source) == (space, "ICC profile")


def test_an_icc_profile_that_is_not_known_is_named_and_not_guessed(tmp_path):
    Image.new("RGB", (32, 24)).save(tmp_path / "a.png", icc_profile=profile("Display P3", 3.1))
    meaning = meaning_of(open_clip(tmp_path / "a.png"))
    assert meaning.space is None
    assert "made for a test" in meaning.line()
    Image.new("RGB", (32, 24)).save(tmp_path / "b.tif", icc_profile=b"no profile at all")
    assert "damaged" in meaning_of(open_clip(tmp_path / "b.tif")).line()


def test_the_more_specific_statement_of_a_still_holds_and_the_other_is_said(tmp_path):
    icc = chunk(b"iCCP", b"test\0\0" + zlib.compress(profile("Display P3")))
    meaning = meaning_of(open_clip(png(tmp_path / "a.png", chunk(b"cICP", bytes([9, 16, 0, 1])), icc)))
    assert meaning.space == "pq:bt2020"
    assert "its ICC profile says srgb:p3_d65" in meaning.line()


def test_chromaticities_of_exr_are_understood(tmp_path):
    import OpenImageIO as oiio

    def write(path, points):
        spec = oiio.ImageSpec(32, 24, 3, "half")
        if points is not None:
            spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), points)
        target = oiio.ImageOutput.create(str(path))
        assert target.open(str(path), spec)
        assert target.write_image(np.full((24, 32, 3), 0.3, np.float32))
        target.close()
        return open_clip(path)

    aces = np.vstack([colour.RGB_COLOURSPACES["ACEScg"].primaries, colour.RGB_COLOURSPACES["ACEScg"].whitepoint])
    clip = write(tmp_path / "a.exr", tuple(float(v) for v in aces.ravel()))
    assert meaning_of(clip).space == "linear:acescg"
    assert "linear:acescg" in space_notes(clip, None)[0]
    clip = write(tmp_path / "b.exr", None)
    assert meaning_of(clip).space == "linear:bt709"
    assert "if it holds linear light" in space_notes(clip, None)[0]
    clip = write(tmp_path / "c.exr", (0.5, 0.4, 0.3, 0.5, 0.2, 0.1, 0.3, 0.3))
    assert meaning_of(clip).space is None
    assert "its primaries lie at 0.5, 0.4" in meaning_of(clip).line()


def test_names_of_primaries_agree_with_colour_science():
    for name in ("ITU-R BT.709", "ITU-R BT.2020", "P3-D65", "DCI-P3", "ACEScg", "ACES2065-1", "ProPhoto RGB"):
        space = colour.RGB_COLOURSPACES[name]
        found = named_primaries(np.vstack([space.primaries, space.whitepoint]).ravel())
        assert found is not None
        assert primaries_of_profile(np.full((3, 3), 0.5)) is None
    assert tag_in_words("transfer", 16) == "PQ"  # ITU-T H.273, table 3


# --- on the command line ------------------------------------------------------------------------------------


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_auto_applies_what_the_still_states_and_says_it_once(tmp_path):
    Image.new("RGB", (64, 48), (200, 140, 120)).save(tmp_path / "a.png", icc_profile=profile("Display P3"))
    words = ["measure", tmp_path / "a.png", "--add", "box:.1,.1,.9,.9", "--json"]
    auto, given = run(*words, "--input-space", "auto"), run(*words, "--input-space", "srgb:p3_d65")
    plain = run(*words)
    assert auto.exit_code == given.exit_code == plain.exit_code == 0, auto.stderr
    assert auto.stdout == given.stdout != plain.stdout
    assert len([line for line in auto.stderr.splitlines() if "srgb:p3_d65" in line]) == 1
    assert "by its ICC profile" in auto.stderr
    assert "give --input-space srgb:p3_d65, or auto" in plain.stderr


def test_auto_leaves_plain_footage_as_it_is(tmp_path):
    footage.make(tmp_path / "a.mkv", "ffv1", rate=Fraction(25))
    words = ["measure", tmp_path / "a.mkv", "--add", "box:.1,.1,.9,.9", "--json"]
    auto, plain = run(*words, "--input-space", "auto"), run(*words)
    assert (auto.exit_code, auto.stdout) == (plain.exit_code, plain.stdout)
    assert "read as it is" in auto.stderr


# --- what is judged of it -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def graded_in_light(tmp_path_factory):
    """A clip of skin on blue cloth that says it holds PQ, and the same without a word."""
    folder = tmp_path_factory.mktemp("graded")
    picture = np.full((96, 128, 3), (0.3, 0.36, 0.5), np.float32)
    picture[24:72, 32:96] = (0.62, 0.48, 0.4)
    picture += np.random.default_rng(3).normal(0, 0.004, picture.shape).astype(np.float32)
    codes = np.rint(picture * 255).astype(np.uint8)
    for name, (primaries, transfer) in {"plain": (1, 1), "told": (9, 16), "again": (9, 16)}.items():
        with av.open(str(folder / f"{name}.mkv"), "w") as container:
            stream = container.add_stream("ffv1", rate=24)
            stream.width, stream.height, stream.pix_fmt = 128, 96, "yuv444p"
            context = stream.codec_context
            context.color_range, context.colorspace, context.color_primaries, context.color_trc = (
                1,
                1,
                primaries,
                transfer,
            )
            for _ in range(2):
                frame = av.VideoFrame.from_ndarray(codes, "rgb24").reformat(format="yuv444p", dst_colorspace="ITU709")
                container.mux(stream.encode(frame))
            container.mux(stream.encode())
    return folder


def verdict(*words):
    done = run(*words)
    assert done.exit_code == 0, done.stderr
    return next(line for line in done.stdout.splitlines() if line.partition(":")[0] in STATUSES)


SKIN = ("--add", "box:.3,.3,.7,.7")


@pytest.fixture
def no_look(monkeypatch):
    """Let nobody look for persons: a plain field is none, whatever is marked on it."""
    monkeypatch.setattr(person, "available", lambda: False)


def test_footage_that_is_not_read_as_it_says_is_not_judged(graded_in_light, no_look, tmp_path):
    """The line of BT.709 means nothing in PQ: no status praises or doubts skin by it until somebody has spoken."""
    told, plain, film, graph = (graded_in_light / "told.mkv", graded_in_light / "plain.mkv", *map(
        tmp_path.joinpath, ("film.mkv", "film.json")
    ))  # fmt: skip
    correcting = ("correct", "-o", film, "--graph-out", graph, *SKIN)
    for words in (("measure", told, *SKIN), (*correcting, told), ("measure", told, "--graph", graph)):
        said = verdict(*words)
        assert said.startswith("not judged:")
        assert "holds pq:bt2020 (its tags), and it is read as BT.709. Give --input-space" in said
    carried = run("carry", graph, "--from", told, "--to", graded_in_light / "again.mkv", "-o", tmp_path / "takes")
    assert "not judged" in carried.stdout
    assert not verdict("measure", plain, *SKIN).startswith("not judged:")
    assert not verdict("measure", told, *SKIN, "--input-space", "bt709").startswith("not judged:")
    assert verdict(*correcting, told, "--input-space", "bt709").startswith("holds:")
    for words in (
        ("measure", told, "--graph", graph),
        ("render", graph, "--in", f"plate={told}", "--out", f"result={film}"),
        ("stills", told, "--graph", graph, "-o", tmp_path / "stills"),
    ):
        done = run(*words)
        assert done.exit_code == 0, done.stderr
        assert "it is read as BT.709" not in done.stderr, "the graph remembers what was said"
    assert verdict("measure", told, "--graph", graph).startswith("holds:")


def test_the_desk_does_not_judge_it_either(graded_in_light, no_look, own_state_folder):
    for name, status in (("told.mkv", "not judged"), ("plain.mkv", "holds")):
        opened = Session(Folder(graded_in_light), name)
        try:
            opened.mark(1, "", "skin", "box", [[0.3, 0.3], [0.7, 0.7]])
            opened.solve("everything", 1)
            read = opened.reading(1)
            assert read["verdict"]["status"] == status, read["words"]
            assert ("holds pq:bt2020" in read["words"]) == (name == "told.mkv")
        finally:
            opened.close()
