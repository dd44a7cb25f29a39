"""The generated workshop: its skins against measured ones, its truth, its camera and its repeatability."""

from __future__ import annotations

import importlib
import subprocess
import sys
from itertools import pairwise

import numpy as np
import pytest
import references as oracle
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.workshop import SKIN_DEPTHS, Thing
from inkarnat.host_adapters.workshop import paint as painting
from inkarnat.host_adapters.workshop import relief as reliefs
from inkarnat.host_adapters.workshop import skin as skins

colour = pytest.importorskip("colour")

D65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
SMALL = {"width": 320, "height": 180}


@pytest.fixture(scope="module")
def scene() -> workshop.Scene:
    return workshop.portrait("light", seed=3)


def box_of(plane: np.ndarray, box: tuple[float, float, float, float]) -> np.ndarray:
    height, width = plane.shape[:2]
    x0, y0, x1, y1 = box
    return plane[round(y0 * height) : round(y1 * height), round(x0 * width) : round(x1 * width)]


def at(plane: np.ndarray, point: tuple[float, float]) -> np.ndarray:
    height, width = plane.shape[:2]
    return plane[int(point[1] * height), int(point[0] * width)]


# --- skin ---------------------------------------------------------------------------------------------------


def test_spectral_weights_are_those_of_the_standard_observer_under_d65():
    """CIE 1931 2° observer and illuminant D65 as colour-science keeps them (ISO/CIE 11664-1 and -2)."""
    fine = colour.SpectralShape(380, 780, 1)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(fine)
    daylight = colour.SDS_ILLUMINANTS["D65"].copy().align(fine)
    product = observer.values * daylight.values[:, None]
    product /= product[:, 1].sum()
    tents = np.stack([np.interp(observer.wavelengths, skins.WAVELENGTHS, one) for one in np.eye(41)])
    np.testing.assert_allclose(skins._SPECTRUM[:, 3:6], tents @ product, atol=2e-6)


def measured_skins() -> dict[str, np.ndarray]:
    """Reflectance of skins and skin test colours at the model's wavelengths; published sets in colour-science."""
    charts, samples = colour.SDS_COLOURCHECKERS["ISO 17321-1"], colour.quality.SDS_TCS["CIE 2024"]
    cfi2017 = importlib.import_module("colour.quality.cfi2017")
    colour_samples = cfi2017.load_TCS_CIE2017(colour.SpectralShape(380, 780, 5)).to_sds()
    spectra = {
        "ISO 17321-1 dark skin": charts["dark skin"],
        "ISO 17321-1 light skin": charts["light skin"],
        "CIE 13.3 TCS13": samples["TCS13"],
        "JIS Z 8726 TCS15": samples["TCS15"],
        "CIE 224 CES15": colour_samples[14],
        "CIE 224 CES18": colour_samples[17],
    }
    shape = colour.SpectralShape(380, 780, 10)
    return {name: spectrum.copy().align(shape).values for name, spectrum in spectra.items()}


LARGEST_DISTANCE = {
    "ISO 17321-1 dark skin": 1.4,
    "ISO 17321-1 light skin": 3.0,
    "CIE 13.3 TCS13": 9.1,
    "JIS Z 8726 TCS15": 1.4,
    "CIE 224 CES15": 1.6,
    "CIE 224 CES18": 0.5,
}
"""ΔE00 from each measured skin to the nearest colour that the model can make, rounded up from what was measured.

Test colour 13 is a paint, lighter and yellower than any skin that was measured: the model does not reach it."""


@pytest.mark.parametrize("name", LARGEST_DISTANCE)
def test_the_model_reaches_measured_skins(name):
    """ISO 17321-1, CIE 13.3, JIS Z 8726 and CIE 224 spectra; ΔE00 of ISO/CIE 11664-6 through colour-science."""
    xyz = measured_skins()[name] @ skins._SPECTRUM[:, 3:6]
    target = colour.XYZ_to_Lab(xyz, D65)
    melanin, blood = np.meshgrid(np.linspace(0.1, 4, 157), np.linspace(0.02, 1.3, 129), indexing="ij")
    made = workshop.skin_colour(melanin, blood).astype(np.float64) @ painting.LINEAR_TO_XYZ.T
    distances = colour.delta_E(colour.XYZ_to_Lab(made, D65), target, method="CIE 2000")
    assert distances.min() <= LARGEST_DISTANCE[name]


def test_the_six_depths_are_the_six_classes_of_the_typology_angle():
    """Class limits 55, 41, 28, 10, −30: Chardon 1991, from memory."""
    angles = [workshop.typology_angle(depth) for depth in SKIN_DEPTHS.values()]
    limits = [90, 55, 41, 28, 10, -30, -90]
    for angle, high, low in zip(angles, limits, limits[1:], strict=False):
        assert low < angle < high
    lab = colour.XYZ_to_Lab(workshop.skin_colour(*SKIN_DEPTHS["tan"]).astype(float) @ painting.LINEAR_TO_XYZ.T, D65)
    assert angles[3] == pytest.approx(np.degrees(np.arctan((lab[0] - 50) / lab[2])), abs=0.1)


def test_lab_colours_agree_with_the_reference():
    """CIE L*a*b*, ISO/CIE 11664-4, through colour-science."""
    lab = np.array([[50, 20, -30], [3, 1, -2], [91, -5, 40], [100, 0, 0]], float)
    xyz = colour.Lab_to_XYZ(lab, D65)
    np.testing.assert_allclose(painting.lab_to_linear(lab) @ painting.LINEAR_TO_XYZ.T, xyz, atol=2e-4)
    np.testing.assert_allclose(painting.linear_to_lab(painting.lab_to_linear(lab)), lab, atol=2e-3)


def test_skin_angles_lie_where_measured_skins_do():
    """Clean pictures: 118° to 130° in BT.709 Cb/Cr, the range of measured skins under D65 (116.7° to 131.0°)."""
    for depth in SKIN_DEPTHS:
        shown = workshop.portrait(depth, seed=1, **SMALL)
        clean = workshop.camera(shown.light, noise=0, subsampled=False)
        broken = workshop.camera(shown.light, noise=0, subsampled=False, cast=workshop.skin_cast())
        core = (shown.matte > 0.99) & ~shown.ignore
        angle, off = (float(np.median(oracle.angle(picture[core]))) for picture in (clean, broken))
        assert 118 < angle < 130
        assert off > angle + 4
        chroma = [np.hypot(*oracle.ycbcr(picture[core]).mean(axis=0)[1:]) for picture in (clean, broken)]
        assert chroma[1] < 0.8 * chroma[0]


# --- truth --------------------------------------------------------------------------------------------------


def test_truth_has_the_promised_shapes_and_ranges(scene):
    assert scene.light.shape == (360, 640, 3)
    assert scene.light.dtype == scene.matte.dtype == np.float32
    assert scene.ignore.dtype == np.bool_
    assert scene.objects.dtype == np.uint8
    assert scene.matte.shape == scene.ignore.shape == scene.objects.shape == (360, 640)
    assert np.isfinite(scene.light).all()
    assert scene.light.min() >= 0
    assert 0 == scene.matte.min() < scene.matte.max() == 1
    assert np.percentile(scene.light, 99.9) < 1


@pytest.mark.parametrize("hair_seed", [0, 1, 2])
def test_matte_and_object_ids_agree(hair_seed):
    shown = workshop.portrait("tan", seed=hair_seed, **SMALL)
    sure = ~shown.ignore
    assert ((shown.objects == Thing.SKIN) & sure)[shown.matte > 0.9].sum() == (sure & (shown.matte > 0.9)).sum()
    people = np.isin(shown.objects, [Thing.SKIN, Thing.BROW, Thing.EYE, Thing.LIP, Thing.HAIR])
    # An id is that of one sample inside the pixel: on an edge it may miss what covers most of it.
    assert (shown.matte[~people & sure] > 0.75).mean() < 0.001
    assert shown.ignore[np.isin(shown.objects, [Thing.BROW, Thing.EYE, Thing.LIP])].all()
    assert 0.05 < shown.matte.mean() < 0.15
    edges = (shown.matte > 0) & (shown.matte < 1)
    assert 0.002 < edges.mean() < 0.04


def test_every_thing_is_in_the_picture():
    seen = set()
    for seed in range(4):
        seen |= set(np.unique(workshop.portrait(seed=seed, **SMALL).objects))
    assert seen == {int(thing) for thing in Thing}


@pytest.mark.parametrize("faces", [1, 2])
@pytest.mark.parametrize("size", [(640, 360), (300, 300), (256, 108)])
def test_places_show_what_they_name(faces, size):
    shown = workshop.portrait("brown", seed=4, faces=faces, width=size[0], height=size[1])
    for card, thing in (("grey_card", Thing.GREY_CARD), ("white_card", Thing.WHITE_CARD)):
        assert (box_of(shown.objects, shown.places[card]) == thing).all()
        light = box_of(shown.light, shown.places[card])
        assert np.ptp(light) < 1e-6
    ratio = (
        box_of(shown.light, shown.places["white_card"]).mean() / box_of(shown.light, shown.places["grey_card"]).mean()
    )
    assert ratio == pytest.approx(0.80 / 0.18, rel=1e-4)
    for person in ("", "second_")[:faces]:
        points = [shown.places[person + "cheek"], shown.places[person + "forehead"], *shown.places[person + "stroke"]]
        assert all(at(shown.matte, point) == 1 for point in points)
        assert size[1] < 360 or not any(at(shown.ignore, point) for point in points)
        x0, y0, x1, y1 = shown.places[person + "face"]
        assert 0 < x0 < x1 < 1
        assert 0 < y0 < y1 < 1
        assert box_of(shown.matte, (x0, y0, x1, y1)).mean() > 0.5
    if size[0] >= 1.5 * size[1]:
        assert at(shown.matte, shown.places["hand"]) == 1


def test_the_composition_is_the_same_at_any_size():
    large, small = workshop.portrait(seed=2), workshop.portrait(seed=2, **SMALL)
    assert large.places == small.places
    halved = reliefs.gathered(large.matte, 2)
    assert np.abs(halved - small.matte).mean() < 0.002
    assert np.abs(reliefs.gathered(large.light, 2) - small.light).mean() < 0.01


def test_options_do_what_they_say():
    plain = workshop.portrait(seed=1, **SMALL)
    wall = plain.objects == Thing.WALL
    skin = (plain.matte == 1) & ~plain.ignore

    def hue(light: np.ndarray) -> np.ndarray:
        total = light.sum(axis=0)
        return total / total.sum()

    near = workshop.portrait(seed=1, similar=1.0, **SMALL)
    gap, closed = (np.abs(hue(s.light[wall]) - hue(s.light[skin])).max() for s in (plain, near))
    assert closed < 0.4 * gap
    np.testing.assert_allclose(workshop.portrait(seed=1, exposure=2.0, **SMALL).light, 2 * plain.light, rtol=1e-5)
    assert workshop.portrait(seed=1, fill=0.5, **SMALL).light[skin].mean() > plain.light[skin].mean()
    assert workshop.portrait(seed=1, key=0.5, **SMALL).light[skin].mean() < 0.7 * plain.light[skin].mean()
    shaved = workshop.portrait(seed=1, beard=False, **SMALL)
    assert shaved.light[skin].mean() > plain.light[skin].mean()
    patchy = workshop.portrait(seed=1, blotch=1.0, **SMALL)
    redness = [(s.light[skin][:, 1] / s.light[skin][:, 0]).std() for s in (shaved, patchy)]
    assert redness[1] > redness[0]
    moved = workshop.portrait(seed=1, move=(0.1, 0.0), **SMALL)
    assert moved.places["cheek"][0] == pytest.approx(plain.places["cheek"][0] + 0.1 * 9 / 16)
    from_right = workshop.portrait(seed=1, light_direction=(0.62, -0.5, 0.6), **SMALL)
    assert at(from_right.light, plain.places["cheek"]).mean() < at(plain.light, plain.places["cheek"]).mean()


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"depth": "pale"}, "very light"),
        ({"second_depth": "pale"}, "very light"),
        ({"wall": "brick"}, "cedar"),
        ({"width": 100, "height": 200}, "width"),
        ({"height": 10}, "height"),
        ({"faces": 3}, "faces"),
        ({"similar": float("nan")}, "similar"),
        ({"seed": -1}, "seed"),
        ({"light_direction": (1, 0, 0)}, "light_direction"),
    ],
)
def test_wrong_settings_are_named(wrong, words):
    with pytest.raises(workshop.WorkshopError, match=words):
        workshop.portrait(**{**SMALL, **wrong})


# --- the same bits ------------------------------------------------------------------------------------------


def test_same_seed_same_bits_in_another_process(scene, same_bits, tmp_path):
    code = (
        "import numpy, sys; from inkarnat.host_adapters import workshop; s = workshop.portrait('light', seed=3);"
        "numpy.savez(sys.argv[1], light=s.light, matte=s.matte, picture=workshop.camera(s.light, seed=5));"
        "assert 'colour' not in sys.modules and 'cv2' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "again.npz")], check=True)
    again = np.load(tmp_path / "again.npz")
    same_bits(scene.light, again["light"])
    same_bits(scene.matte, again["matte"])
    same_bits(workshop.camera(scene.light, seed=5), again["picture"])


def test_another_seed_gives_another_picture(scene):
    other = workshop.portrait("light", seed=4)
    assert np.abs(other.light - scene.light).mean() > 0.005


def test_a_clip_moves_and_any_frame_stands_alone(same_bits):
    frames = list(workshop.clip(3, "brown", seed=7, **SMALL))
    assert len(frames) == 3
    for (first, before), (second, after) in pairwise(frames):
        assert not np.array_equal(first, second)
        assert not np.array_equal(before.matte, after.matte)
        assert before.places["cheek"] != after.places["cheek"]
        assert before.places["grey_card"] == after.places["grey_card"]
        # The head moves by less than a hundredth of the height between frames: no jumps.
        assert np.hypot(*np.subtract(before.places["cheek"], after.places["cheek"])) < 0.01
    ((picture, alone),) = workshop.clip(range(2, 3), "brown", seed=7, **SMALL)
    same_bits(picture, frames[2][0])
    same_bits(alone.light, frames[2][1].light)


def test_room_is_not_spoilt_between_scenes(same_bits):
    first = workshop.portrait(seed=1, **SMALL)
    first.light[:] = 0
    second = workshop.portrait(seed=1, **SMALL)
    assert second.light.mean() > 0.05
    same_bits(second.light, workshop.portrait(seed=1, **SMALL).light)


# --- camera -------------------------------------------------------------------------------------------------


def test_skin_cast_keeps_greys_and_turns_skin():
    cast = workshop.skin_cast()
    np.testing.assert_allclose(cast.sum(axis=1), 1, atol=1e-12)
    grey = np.linspace(0.01, 0.9, 24, dtype=np.float32)[:, None, None] * np.ones(3, np.float32)
    picture = workshop.camera(grey, noise=0, subsampled=False, cast=cast)
    assert np.ptp(picture, axis=2).max() < 1e-6
    skin = np.asarray(workshop.skin_colour(*SKIN_DEPTHS["light"]))
    seen = cast @ skin
    assert seen[0] / seen[1] < 0.85 * skin[0] / skin[1]
    np.testing.assert_array_equal(workshop.skin_cast(0, 0), np.eye(3))


def test_cards_stay_neutral_under_the_cast(scene):
    picture = workshop.camera(scene.light, noise=0, cast=workshop.skin_cast())
    for card in ("grey_card", "white_card"):
        assert np.ptp(box_of(picture, scene.places[card]), axis=2).max() < 2e-6


@pytest.mark.parametrize("bits", [8, 10])
def test_codes_are_whole_and_legal(scene, bits):
    """16 + 219 Y′ and 128 + 224 C at 8 bits, four times that at 10: ITU-R BT.709-6, item 3.4."""
    picture = workshop.camera(scene.light, seed=1, bits=bits, subsampled=False, cast=workshop.skin_cast())
    unit = 2 ** (bits - 8)
    scaled = oracle.ycbcr(picture) * np.array([219, 224, 224]) * unit
    assert np.abs(scaled - np.round(scaled)).max() < 2e-3 * unit
    codes = np.round(scaled) + np.array([16, 128, 128]) * unit
    assert codes[..., 0].min() >= 16 * unit
    assert codes[..., 0].max() <= 235 * unit
    assert codes[..., 1:].min() >= 16 * unit
    assert codes[..., 1:].max() <= 240 * unit


def test_subsampled_luma_is_whole_and_chroma_is_softer(scene):
    sharp, soft = (workshop.camera(scene.light, noise=0, subsampled=s) for s in (False, True))
    luma = oracle.luma(soft) * 219 * 4
    assert np.abs(luma - np.round(luma)).max() < 0.01
    detail = [np.abs(np.diff(oracle.ycbcr(picture)[..., 1], axis=1)).mean() for picture in (sharp, soft)]
    assert detail[1] < detail[0]


def test_noise_grows_with_light_and_repeats_by_seed(same_bits):
    flat = np.repeat(np.array([0.02, 0.5], np.float32), 64)[:, None, None] * np.ones((1, 256, 3), np.float32)
    noisy = workshop.camera(flat, seed=1, transfer="linear", subsampled=False)
    dark, bright = noisy[:64, :, 1].std(), noisy[64:, :, 1].std()
    assert bright == pytest.approx(0.008 * np.sqrt(0.25 + 0.09), rel=0.15)
    assert dark < 0.6 * bright
    same_bits(noisy, workshop.camera(flat, seed=1, transfer="linear", subsampled=False))
    assert not np.array_equal(noisy, workshop.camera(flat, seed=2, transfer="linear", subsampled=False))


@pytest.mark.parametrize(
    ("mired", "duv"), [(0, 0), (30, 0), (-30, 0), (0, 0.01), (0, -0.01), (60, 0.006), (150, -0.004)]
)
def test_light_change_agrees_with_the_reference(mired, duv):
    """Bradford adaptation (ICC.1, annex E) and Ohno 2013 colour temperature through colour-science."""
    white = painting.LINEAR_TO_XYZ.sum(axis=1)
    temperature, distance = colour.temperature.uv_to_CCT_Ohno2013(colour.UCS_to_uv(colour.XYZ_to_UCS(white)))
    changed = colour.temperature.CCT_to_uv_Ohno2013(np.array([1e6 / (1e6 / temperature + mired), distance + duv]))
    changed = colour.xy_to_XYZ(colour.UCS_uv_to_xy(changed))
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, changed, "Bradford")
    expected = painting.XYZ_TO_LINEAR @ adapt @ painting.LINEAR_TO_XYZ
    np.testing.assert_allclose(workshop.light_change(mired, duv), expected, atol=0.004)


def test_light_change_has_the_right_sense():
    np.testing.assert_allclose(workshop.light_change(0, 0), np.eye(3), atol=1e-9)
    warm, green = workshop.light_change(40, 0).sum(axis=1), workshop.light_change(0, 0.01).sum(axis=1)
    assert warm[0] > 1 > warm[2]
    assert green[1] > green[0]
    assert green[1] > green[2]
