"""Pictures that still lie in planes: a chain that reads them there gives the very bits of one that reads pictures."""

from __future__ import annotations

import footage
import numpy as np
import pytest
from inkarnat.host_adapters.graphs import runner
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.rendering import render_files
from inkarnat.host_adapters.media import video_format
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.video_read import VideoReader
from inkarnat.kernels import codes, strips
from inkarnat.kernels.codes import CodedPicture, Coding, IntoPlanes, picture_to_planes, planes_to_picture
from inkarnat.kernels.colour import luma
from inkarnat.kernels.errors import PictureError
from inkarnat.nodes import Cdl, CombineMattes, SkinKey, SoftenMatte, SteerSkin

KEY, SOFTEN, STEER = SkinKey(form="compact"), SoftenMatte(), SteerSkin(angle=-7.5, saturation=1.1)
HASHED = [
    pytest.param(Coding(8, True, "709", "4:2:0", "left"), None, id="8-420"),
    pytest.param(Coding(8, False, "601", "4:2:0", "corner"), None, id="8-420-corner-full"),
    pytest.param(Coding(8, True, "709", "4:1:1", "left"), None, id="8-411"),
    pytest.param(Coding(8, True, "709", "4:4:0", "left"), None, id="8-440"),
    pytest.param(Coding(8, False, "rgb", "4:4:4"), None, id="8-rgb"),
    pytest.param(Coding(10, True, "709", "4:2:2", "left"), None, id="10-422"),
    pytest.param(Coding(10, False, "2020", "4:2:0", "centre"), None, id="10-420-centre-full"),
    pytest.param(Coding(12, True, "709", "4:4:4", "left"), None, id="12-444"),
    pytest.param(Coding(8, True, "709", "4:2:0", "left"), Coding(10, True, "709", "4:2:2", "left"), id="8-420-to-10"),
    pytest.param(Coding(10, True, "709", "4:4:4", "left"), Coding(12, True, "709", "4:2:0", "corner"), id="10-to-12"),
]


def skin(height: int, width: int, seed: int = 5) -> np.ndarray:
    """A wall with two soft patches of skin, one of which runs over an edge of the frame, and grain."""
    y, x = np.mgrid[:height, :width] / np.float32(height)
    near = np.maximum(np.exp(-((x - 0.6) ** 2 + (y - 0.5) ** 2) * 20), np.exp(-(x**2 + (y - 0.9) ** 2) * 30))
    share = np.clip(near * 3 - 1, 0, 1)[..., None]
    flat = share * np.array([0.72, 0.52, 0.43]) + (1 - share) * np.array([0.3, 0.45, 0.5])
    return (flat + np.random.default_rng(seed).normal(0, 0.02, flat.shape)).astype(np.float32)


def corrected(picture, before, coding, whole=False):
    """Key, soften and steer a picture into planes; return the key's matte and the planes."""
    height, width = picture.shape[:2]
    planes = tuple(np.zeros(shape, coding.dtype) for shape in coding.shapes(height, width))
    matte = KEY.process(picture)
    rows = SOFTEN.rows(matte, picture)
    STEER.process_into(IntoPlanes(coding, planes, before), picture, rows.whole() if whole else rows)
    return matte, planes


def same(first, second):
    return all(a.dtype == b.dtype and np.array_equal(a, b) for a, b in zip(first, second, strict=True))


@pytest.mark.parametrize(("coding", "other"), HASHED)
@pytest.mark.parametrize("size", [(144, 256), (271, 483), (97, 131)])
def test_planes_to_planes_has_the_bits_of_the_way_over_a_picture(coding, other, size):
    planes = picture_to_planes(skin(*size), coding)
    before, to = (planes, coding) if other is None else (None, other)
    picture = planes_to_picture(planes, coding)
    matte, expected = corrected(picture, before, to)
    assert 0.05 < matte.mean() < 0.8
    assert other is not None or not same(expected, planes)
    for threads in (1, 2, 3, 7, 16):
        with strips.threads(threads):
            own, got = corrected(CodedPicture(planes, coding), before, to)
        assert own.tobytes() == matte.tobytes()
        assert same(got, expected)
    assert same(corrected(CodedPicture(planes, coding), before, to, whole=True)[1], expected)


def test_a_picture_too_large_for_one_ring_is_no_other():
    """1081 lines with one thread: the ring between the stages is used several times over."""
    coding = Coding(8, True, "709", "4:2:0", "left")
    planes = picture_to_planes(skin(1081, 401), coding)
    expected = corrected(planes_to_picture(planes, coding), planes, coding)[1]
    for threads in (1, 2, 16):
        with strips.threads(threads):
            assert same(corrected(CodedPicture(planes, coding), planes, coding)[1], expected)


def test_what_the_matte_does_not_touch_keeps_codes_beyond_the_limits():
    coding = Coding(8, True, "709", "4:4:4", "left")
    planes = tuple(np.full((64, 400), code, np.uint8) for code in (255, 0, 255))
    matte = np.zeros((64, 400), np.float32)
    matte[:, 200:] = 0.5
    new = tuple(np.empty_like(plane) for plane in planes)
    IntoPlanes(coding, new, planes).turn(CodedPicture(planes, coding), matte, -20.0)
    assert all((plane[:, :200] == old[:, :200]).all() for plane, old in zip(new, planes, strict=True))
    assert (new[1][:, 200:] != planes[1][:, 200:]).any()


@pytest.mark.parametrize(("coding", "other"), [HASHED[0].values, HASHED[5].values, HASHED[7].values])
def test_luma_is_that_of_the_picture(coding, other):
    planes = picture_to_planes(skin(91, 131), coding)
    coded = CodedPicture(planes, coding)
    assert coded.luma.shape == (91, 131, 1)
    assert coded.luma[..., 0].tobytes() == luma(planes_to_picture(planes, coding)).tobytes()
    assert coded.luma is coded.luma
    assert np.asarray(coded).tobytes() == planes_to_picture(planes, coding).tobytes()
    assert coded.nbytes == np.asarray(coded).nbytes


def test_planes_that_change_another_picture_are_made_over_the_picture():
    coding = Coding(8, True, "709", "4:2:0", "left")
    planes, others = (picture_to_planes(skin(96, 128, seed), coding) for seed in (1, 2))
    expected = corrected(planes_to_picture(planes, coding), others, coding)[1]
    assert same(corrected(CodedPicture(planes, coding), others, coding)[1], expected)


def test_planes_that_do_not_fit_are_refused():
    coding = Coding(8, True, "709", "4:2:0", "left")
    planes = picture_to_planes(skin(16, 16), coding)
    with pytest.raises(PictureError, match="second plane"):
        CodedPicture((planes[0], planes[0], planes[2]), coding)
    matte = np.ones((8, 8), np.float32)
    with pytest.raises(PictureError, match="same size"):
        IntoPlanes(coding, tuple(map(np.empty_like, planes)), planes).turn(CodedPicture(planes, coding), matte, 5.0)


# --- through clips ------------------------------------------------------------------------------------------

CHAIN = (
    Step.of("skin", KEY, image="plate"),
    Step.of("soften", SOFTEN, matte="skin", guide="plate"),
    Step.of("steer", STEER, image="plate", matte="soften"),
)
PLAIN = Graph.of(*CHAIN, result="steer")


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("coded") / "take.mkv"
    footage.make(path, "ffv1", "yuv420p", frames=3, size=(322, 182), flat=(140, 110, 150))
    return path


def rendered(graph, clip, output, codec):
    with open_clip(clip) as opened:
        render_files(graph, {"plate": opened}, {"result": str(output)}, None, codec)
    return output.read_bytes()


@pytest.mark.parametrize(("codec", "suffix"), [("ffv1", "mkv"), ("prores", "mov")])
def test_a_clip_goes_over_without_a_picture_and_has_the_bytes_that_it_had(tmp_path, monkeypatch, clip, codec, suffix):
    made = []
    real = codes.planes_to_picture
    monkeypatch.setattr(video_format, "planes_to_picture", lambda *given: (made.append(1), real(*given))[1])
    monkeypatch.setattr(codes, "planes_to_picture", lambda *given: (made.append(1), real(*given))[1])
    files = [rendered(PLAIN, clip, tmp_path / f"a.{suffix}", codec)]
    with strips.threads(16):  # some frames side by side
        files.append(rendered(PLAIN, clip, tmp_path / f"b.{suffix}", codec))
    assert not made
    monkeypatch.setattr(video_format.VideoFrame, "coded", None)
    files.append(rendered(PLAIN, clip, tmp_path / f"c.{suffix}", codec))
    assert len(made) == 3
    assert files[0] == files[1] == files[2]
    assert not all(
        same(a.original.planes, b.original.planes)
        for a, b in zip(VideoReader(clip), VideoReader(tmp_path / f"a.{suffix}"), strict=True)
    )


@pytest.mark.parametrize(
    ("steps", "outputs"),
    [
        ((Step.of("light", Cdl(slope=(1.1, 1.0, 0.9)), image="plate"),), {"result": "steer", "other": "light"}),
        (
            (Step.of("twice", CombineMattes(), first="soften", second="skin"),),
            {"result": "steer", "other": "twice"},
        ),
        ((), {"result": "steer", "other": "plate"}),
        ((Step.of("again", STEER, image="steer", matte="soften"),), {"result": "again"}),
    ],
)
def test_who_reads_pictures_gets_pictures(clip, steps, outputs):
    """Other readers, mattes that are wanted whole, the plate itself, and a second steering behind the first."""
    graph = Graph.of(*CHAIN, *steps, **outputs)
    with open_clip(clip) as opened:
        taken = opened.take(2)
        coded = runner.Runner(graph).run_frame(2, lambda source, frame: taken.coded, unmade=["result"])
        whole = runner.Runner(graph).run_frame(2, {"plate": taken.picture})
    for name, picture in whole.items():
        got = getattr(coded[name], "picture", coded[name])
        assert isinstance(got, np.ndarray)
        assert got.tobytes() == picture.tobytes()
