"""Pictures and files: round trips through real files, metadata, clear errors, and outputs that are whole or absent."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
import time

import numpy as np
import pytest
import references
from inkarnat.host_adapters import writes
from inkarnat.host_adapters.graphs.errors import exit_code
from inkarnat.host_adapters.media import pictures
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.writes import OutputError

SUFFIXES = (".exr", ".dpx", ".tif", ".png", ".jpg")


@pytest.fixture
def small():
    """A smooth picture within 0 to 1, 48 rows of 64 pixels."""
    y, x = np.mgrid[0:48, 0:64] / 64
    return np.stack([0.2 + 0.7 * x, 0.3 + 0.5 * y, 0.5 + 0.3 * np.sin(6 * x)], axis=-1).astype(np.float32)


def library():
    return importlib.import_module("OpenImageIO")


def write_raw(path, pixels, kind, names=None, attributes=()):
    """Write a file with OpenImageIO alone."""
    oiio = library()
    spec = oiio.ImageSpec(pixels.shape[1], pixels.shape[0], pixels.shape[2], kind)
    if names:
        spec.channelnames = names
    for attribute in attributes:
        spec.attribute(*attribute)
    target = oiio.ImageOutput.create(str(path))
    assert target.open(str(path), spec)
    assert target.write_image(np.ascontiguousarray(pixels))
    target.close()


# --- round trips --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("suffix", "bits", "error"),
    [
        (".exr", 16, 2**-11),
        (".exr", 32, 0),
        (".dpx", 8, 1.0 / 255),
        (".dpx", 10, 0.5001 / 1023),
        (".dpx", 12, 0.501 / 4095),
        (".dpx", 16, 0.51 / 65535),
        (".tif", 8, 1.0 / 255),
        (".tif", 16, 0.51 / 65535),
        (".tif", 32, 0),
        (".png", 8, 1.0 / 255),
        (".png", 16, 0.51 / 65535),
        (".jpg", 8, 0.03),
    ],
)
def test_round_trip_and_second_generation(tmp_path, small, suffix, bits, error):
    first, second = tmp_path / f"a{suffix}", tmp_path / f"b{suffix}"
    pictures.write_picture(first, small, bits=bits)
    picture, info = pictures.read_picture(first)
    assert picture.dtype == np.float32
    assert picture.flags.c_contiguous
    assert np.abs(picture - small).max() <= error
    assert info.bits == bits
    pictures.write_picture(second, picture, bits=bits)
    again = pictures.read_picture(second)[0]
    assert np.abs(again - picture).max() <= (0.03 if suffix == ".jpg" else 0)


@pytest.mark.parametrize(("suffix", "bits"), [(".exr", 16), (".dpx", 10), (".tif", 16), (".png", 16), (".jpg", 8)])
def test_depth_without_an_input(tmp_path, small, suffix, bits):
    path = tmp_path / f"a{suffix}"
    pictures.write_picture(path, small)
    assert pictures.read_picture(path)[1].bits == bits


@pytest.mark.parametrize(
    ("given", "bits", "output", "expected"),
    [
        (".png", 8, ".png", 8),
        (".png", 16, ".png", 16),
        (".exr", 16, ".png", 16),
        (".jpg", 8, ".png", 8),
        (".exr", 32, ".exr", 32),
        (".png", 8, ".exr", 16),
        (".dpx", 16, ".dpx", 16),
        (".dpx", 12, ".tif", 16),
        (".tif", 32, ".tif", 32),
        (".tif", 8, ".tif", 8),
    ],
)
def test_depth_like_the_input(tmp_path, small, given, bits, output, expected):
    pictures.write_picture(tmp_path / f"a{given}", small, bits=bits)
    picture, info = pictures.read_picture(tmp_path / f"a{given}")
    pictures.write_picture(tmp_path / f"b{output}", picture, like=info)
    assert pictures.read_picture(tmp_path / f"b{output}")[1].bits == expected


def test_codes_are_full_range_as_the_library_reads_them(tmp_path):
    # The codes in the files themselves, read by OpenImageIO and OpenCV.
    cv2 = importlib.import_module("cv2")
    every = (np.arange(1024, dtype=np.float32) / 1023).reshape(8, 128, 1).repeat(3, axis=2)
    pictures.write_picture(tmp_path / "a.dpx", every)
    read = library().ImageInput.open(str(tmp_path / "a.dpx")).read_image("uint16")
    assert np.array_equal(read[..., 0].ravel() >> 6, np.arange(1024))
    bytes_ = (np.arange(256, dtype=np.float32) / 255).reshape(8, 32, 1).repeat(3, axis=2)
    pictures.write_picture(tmp_path / "a.png", bytes_, bits=8)
    assert np.array_equal(cv2.imread(str(tmp_path / "a.png"))[..., 0].ravel(), np.arange(256))


def test_floats_keep_nan_and_numbers_beyond_one(tmp_path, small, same_bits):
    small[0, 0] = [np.nan, -0.5, 7.25]
    small[1, 1] = np.inf
    for bits in (16, 32):
        pictures.write_picture(tmp_path / "a.exr", small, bits=bits)
        read = pictures.read_picture(tmp_path / "a.exr")[0]
        assert np.isnan(read[0, 0, 0])
        assert read[0, 0, 1:].tolist() == [-0.5, 7.25]
        assert np.isinf(read[1, 1]).all()
    pictures.write_picture(tmp_path / "a.png", small)
    assert np.isfinite(pictures.read_picture(tmp_path / "a.png")[0]).all()


def test_eight_bits_are_dithered_the_same_each_time(tmp_path):
    level = np.full((64, 64, 3), 100.5 / 255, np.float32)
    for name in ("a.png", "b.png"):
        pictures.write_picture(tmp_path / name, level, bits=8)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    read = pictures.read_picture(tmp_path / "a.png")[0] * 255
    assert sorted(np.unique(read.round())) == [100, 101]
    assert read.mean() == pytest.approx(100.5, abs=0.05)


def test_mattes_are_grey(tmp_path, small):
    for suffix in SUFFIXES:
        path = tmp_path / f"matte{suffix}"
        pictures.write_matte(path, small[..., 0])
        assert library().ImageInput.open(str(path)).spec().nchannels == 1
        assert np.abs(references.read_matte(path) - small[..., 0]).max() < (0.03 if suffix == ".jpg" else 1e-3)


# --- what the file says of itself ---------------------------------------------------------------------------


@pytest.mark.parametrize(("suffix", "premultiplied"), [(".png", False), (".tif", False), (".exr", True)])
def test_alpha_passes_unmultiplied_or_not(tmp_path, small, suffix, premultiplied):
    rgba = np.dstack([small, np.full((48, 64), 0.25, np.float32)])
    pictures.write_picture(tmp_path / f"a{suffix}", rgba)
    read, info = pictures.read_picture(tmp_path / f"a{suffix}")
    assert np.abs(read - rgba).max() < 1e-3
    assert info.premultiplied is premultiplied
    pictures.write_picture(tmp_path / f"b{suffix}", read, like=info)
    assert np.array_equal(pictures.read_picture(tmp_path / f"b{suffix}")[0], read)


def test_jpeg_keeps_its_exif_and_profile(tmp_path, small):
    image = importlib.import_module("PIL.Image")
    exif = image.Exif()
    exif[274], exif[315] = 6, "the workshop"
    codes = (small * 255).astype(np.uint8)
    image.fromarray(codes).save(tmp_path / "a.jpg", exif=exif, icc_profile=b"a profile", quality=95)
    picture, info = pictures.read_picture(tmp_path / "a.jpg")
    assert picture.shape == (64, 48, 3)
    pictures.write_picture(tmp_path / "b.jpg", picture, like=info)
    with image.open(tmp_path / "b.jpg") as copy:
        assert copy.size == (48, 64)
        assert (copy.getexif()[274], copy.getexif()[315]) == (1, "the workshop")
        assert copy.info["icc_profile"] == b"a profile"


@pytest.mark.parametrize("suffix", [".jpg", ".dpx"])
def test_alpha_is_left_out_where_the_format_has_none(tmp_path, small, suffix):
    rgba = np.dstack([small, small[..., 0]])
    pictures.write_picture(tmp_path / f"a{suffix}", rgba)
    read = pictures.read_picture(tmp_path / f"a{suffix}")[0]
    assert read.shape == (48, 64, 3)
    assert np.abs(read - small).max() < 0.03


def test_exr_keeps_other_channels_windows_and_metadata(tmp_path):
    oiio = library()
    pixels = np.random.default_rng(1).random((8, 10, 6)).astype(np.float32)
    spec = oiio.ImageSpec(10, 8, 6, "half")
    spec.channelnames = ("Z", "R", "G", "B", "A", "motion.X")
    spec.channelformats = ("float", "half", "half", "half", "half", "half")
    spec.x, spec.y, spec.full_x, spec.full_y, spec.full_width, spec.full_height = -2, 3, 0, 0, 20, 16
    spec.attribute("smpte:TimeCode", oiio.TypeDesc("timecode"), (16909060, 0))
    spec.attribute("framesPerSecond", oiio.TypeDesc("rational"), (24000, 1001))
    spec.attribute("Artist", "the workshop")
    target = oiio.ImageOutput.create(str(tmp_path / "a.exr"))
    target.open(str(tmp_path / "a.exr"), spec)
    target.write_image(pixels)
    target.close()

    picture, info = pictures.read_picture(tmp_path / "a.exr")
    assert picture.shape == (8, 10, 4)
    assert np.abs(picture - pixels[..., 1:5]).max() < 1e-3
    pictures.write_picture(tmp_path / "b.exr", picture * np.float32(0.5), like=info, bits=16)
    copy = oiio.ImageInput.open(str(tmp_path / "b.exr"))
    spec = copy.spec()
    read = copy.read_image("float")
    assert sorted(spec.channelnames) == ["A", "B", "G", "R", "Z", "motion.X"]
    assert np.array_equal(read[..., spec.channelnames.index("Z")], pixels[..., 0])
    assert (spec.x, spec.y, spec.full_width, spec.full_height) == (-2, 3, 20, 16)
    attributes = {item.name: item.value for item in spec.extra_attribs}
    assert attributes["smpte:TimeCode"] == (16909060, 0)
    assert attributes["framesPerSecond"] == (24000, 1001)
    assert attributes["Artist"] == "the workshop"


def test_whole_number_channels_are_left_out_with_a_note(tmp_path):
    oiio = library()
    spec = oiio.ImageSpec(4, 4, 4, "half")
    spec.channelnames, spec.channelformats = ("R", "G", "B", "id"), ("half", "half", "half", "uint")
    target = oiio.ImageOutput.create(str(tmp_path / "a.exr"))
    target.open(str(tmp_path / "a.exr"), spec)
    target.write_image(np.zeros((4, 4, 4), np.float32))
    target.close()
    picture, info = pictures.read_picture(tmp_path / "a.exr")
    assert picture.shape == (4, 4, 3)
    assert "id" in info.notes[0]
    pictures.write_picture(tmp_path / "b.exr", picture, like=info)


def test_layers_are_found_by_name(tmp_path):
    names = ("depth.Z", "beauty.R", "beauty.G", "beauty.B")
    pixels = np.random.default_rng(1).random((4, 4, 4)).astype(np.float32)
    write_raw(tmp_path / "a.exr", pixels, "float", names)
    assert np.array_equal(pictures.read_picture(tmp_path / "a.exr")[0], pixels[..., 1:])
    write_raw(tmp_path / "b.exr", pixels, "float", ("a", "b", "c", "d"))
    with pytest.raises(InputError, match="no channels R, G and B"):
        pictures.read_picture(tmp_path / "b.exr")


@pytest.mark.parametrize("orientation", range(1, 9))
def test_pictures_are_read_upright(tmp_path, orientation):
    # Pillow's own handling of the tag (EXIF 2.3, tag 274) is the reference.
    image, ops = importlib.import_module("PIL.Image"), importlib.import_module("PIL.ImageOps")
    pixels = np.random.default_rng(3).integers(0, 256, (6, 9, 3)).astype(np.uint8)
    write_raw(tmp_path / "a.tif", pixels, "uint8", attributes=[("Orientation", orientation)])
    with image.open(tmp_path / "a.tif") as opened:
        reference = np.asarray(ops.exif_transpose(opened))
    picture, info = pictures.read_picture(tmp_path / "a.tif")
    assert np.array_equal((picture * 255).round().astype(np.uint8), reference)
    assert (info.height, info.width) == reference.shape[:2]
    pictures.write_picture(tmp_path / "b.tif", picture, like=info)
    with image.open(tmp_path / "b.tif") as opened:
        assert opened.getexif().get(274, 1) == 1
    assert np.array_equal(pictures.read_picture(tmp_path / "b.tif")[0], picture)


# --- inputs that go wrong -----------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("part", [0.05, 0.5, 0.95])
def test_a_truncated_picture_is_named(tmp_path, small, suffix, part):
    whole, cut = tmp_path / f"a{suffix}", tmp_path / f"cut{suffix}"
    pictures.write_picture(whole, small)
    cut.write_bytes(whole.read_bytes()[: int(whole.stat().st_size * part)])
    with pytest.raises(InputError, match=f"cut{suffix} .*again"):
        pictures.read_picture(cut)


@pytest.mark.parametrize("channels", [1, 2])
def test_grey_is_refused_with_the_mend(tmp_path, channels):
    write_raw(tmp_path / "grey.png", np.zeros((4, 4, channels), np.uint8), "uint8")
    with pytest.raises(InputError, match=rf"grey\.png has {channels} channel.*give the one in colour"):
        pictures.read_picture(tmp_path / "grey.png")


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_missing_empty_folder_and_text(tmp_path, suffix):
    path = tmp_path / f"a{suffix}"
    with pytest.raises(InputError, match="does not exist"):
        pictures.read_picture(path)
    path.write_bytes(b"")
    with pytest.raises(InputError, match="is empty"):
        pictures.read_picture(path)
    path.write_text("not a picture at all, but long enough to hold a header of some sort" * 99)
    with pytest.raises(InputError, match="not a readable picture"):
        pictures.read_picture(path)
    with pytest.raises(InputError, match="is a folder"):
        pictures.read_picture(tmp_path)


def test_links_that_lead_nowhere_or_in_a_circle_say_so(tmp_path):
    (tmp_path / "shot.png").symlink_to("card/shot.png")
    (tmp_path / "one.png").symlink_to("other.png")
    (tmp_path / "other.png").symlink_to("one.png")
    with pytest.raises(InputError, match=r"shot\.png is a link to card/shot\.png, which does not exist: mend the link"):
        pictures.read_picture(tmp_path / "shot.png")
    with pytest.raises(InputError, match=r"one\.png cannot be read: .*Links lead in a circle"):
        pictures.read_picture(tmp_path / "one.png")


def test_a_wrong_suffix_is_named(tmp_path, small):
    pictures.write_picture(tmp_path / "a.exr", small)
    (tmp_path / "a.exr").rename(tmp_path / "a.png")
    with pytest.raises(InputError, match=r"openexr, not png: rename it to end in \.exr"):
        pictures.read_picture(tmp_path / "a.png")


# --- outputs that go wrong ----------------------------------------------------------------------------------


def test_output_errors_say_what_is_wrong(tmp_path, small):
    with pytest.raises(OutputError, match="folder does not exist"):
        pictures.write_picture(tmp_path / "none" / "a.png", small)
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="part of the path is a file"):
        pictures.write_picture(tmp_path / "file" / "a.png", small)
    with pytest.raises(OutputError, match=r"'\.bmpx'.*\.exr"):
        pictures.write_picture(tmp_path / "a.bmpx", small)
    with pytest.raises(OutputError, match="8 or 16"):
        pictures.write_picture(tmp_path / "a.png", small, bits=10)
    (tmp_path / "folder.png").mkdir()
    with pytest.raises(OutputError, match="it is a folder"):
        pictures.write_picture(tmp_path / "folder.png", small)


def test_inputs_are_never_overwritten(tmp_path, small):
    path = tmp_path / "a.png"
    pictures.write_picture(path, small)
    before = path.read_bytes()
    picture, info = pictures.read_picture(path)
    (tmp_path / "link.png").symlink_to(path)
    os.link(path, tmp_path / "hard.png")
    for name in ("a.png", "link.png", "hard.png", f"../{tmp_path.name}/a.png"):
        with pytest.raises(OutputError, match="is an input as well"):
            pictures.write_picture(tmp_path / name, picture, like=info)
    assert path.read_bytes() == before


def write_half(path, error):
    with writes.atomic(path) as temporary:
        temporary.write_text("half")
        raise error


def test_atomic_outputs_are_whole_or_absent(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("old")
    with writes.atomic(path) as temporary:
        assert temporary.parent == tmp_path
        assert temporary.suffix == ".txt"
        temporary.write_text("new")
        assert path.read_text() == "old"
    assert path.read_text() == "new"
    stops = (
        (RuntimeError("stop"), RuntimeError),
        (OSError(28, "full"), OutputError),
        (KeyboardInterrupt(), KeyboardInterrupt),
    )
    for error, expected in stops:
        with pytest.raises(expected, match=r"stop|disk is full|^$"):
            write_half(path, error)
        assert path.read_text() == "new"
    with pytest.raises(OutputError, match="cannot be written"), writes.atomic(path):
        pass
    assert path.read_text() == "new"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_exit_codes():
    assert (exit_code(InputError("x")), exit_code(OutputError("x"))) == (3, 5)


FULL_DISK = """
import resource, sys, numpy as np
from pathlib import Path
from inkarnat.host_adapters.media import pictures
from inkarnat.host_adapters.writes import OutputError
path, short = Path(sys.argv[1]), int(sys.argv[2])
picture = np.random.default_rng(1).random((48, 64, 3)).astype(np.float32)
pictures.write_picture(path, picture)
whole = path.read_bytes()
resource.setrlimit(resource.RLIMIT_FSIZE, (len(whole) - short, resource.RLIM_INFINITY))
try:
    pictures.write_picture(path, picture)
except OutputError as error:
    print(error)
    assert path.read_bytes() == whole, "the earlier file survives"
    assert [p.name for p in path.parent.iterdir()] == [path.name], "nothing half-written stays"
else:
    sys.exit("written to a full disk")
"""


@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("short", [1, 30, 3000])
def test_a_full_disk_is_noticed_and_the_earlier_file_survives(tmp_path, suffix, short):
    path = tmp_path / f"a{suffix}"
    arguments = [sys.executable, "-c", FULL_DISK, str(path), str(short)]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert path.name in done.stdout
    assert "disk" in done.stdout or "larger than is allowed" in done.stdout


def test_imports_stay_light():
    script = "import sys, inkarnat.host_adapters.media.clips; print(*sys.modules.keys() & {'OpenImageIO', 'PIL', 'av'})"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


@pytest.mark.parametrize("suffix", [".exr", ".tif", ".png", ".dpx"])
def test_the_time_of_writing_is_not_put_in_as_that_of_the_take(tmp_path, suffix):
    """So the same pictures make the same files, whenever and wherever they are written."""
    path = tmp_path / f"still{suffix}"
    pictures.write_picture(path, np.full((4, 6, 3), 0.5, np.float32))
    assert time.strftime("%Y:%m").encode() not in path.read_bytes()
