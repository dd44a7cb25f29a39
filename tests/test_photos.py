"""A folder of pictures with drawn masks: every marking is scored, and what is wrong with a folder is named."""

from __future__ import annotations

import json
import shutil
import struct
import zlib
from dataclasses import replace

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.bench import pictures
from inkarnat.host_adapters.bench.pictures import PhotoCase, PhotoResults, photos
from inkarnat.host_adapters.bench.scores import score_matte
from inkarnat.host_adapters.bench.shots import STROKE_RADIUS, BenchError
from inkarnat.host_adapters.commands import bench, bench_accuracy
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.detect import person
from inkarnat.host_adapters.workshop import camera, portrait
from PIL import Image
from scipy import stats
from scipy.spatial import distance

SIZE = 320, 180


def in_pixels(*places):
    return [[round(x * SIZE[0], 1), round(y * SIZE[1], 1)] for x, y in places]


@pytest.fixture(scope="module")
def people(tmp_path_factory):
    """A folder with one generated portrait, marked and masked as a person would do it."""
    folder = tmp_path_factory.mktemp("people")
    scene = portrait("tan", 7, *SIZE)
    Image.fromarray((camera(scene.light, 7).clip(0, 1) * 255 + 0.5).astype(np.uint8)).save(folder / "ada.png")
    skin = np.where(scene.matte > 0.5, 255, 0)
    Image.fromarray(np.where(scene.ignore, 128, skin).astype(np.uint8)).save(folder / "ada_mask.png")
    left, top, right, bottom = scene.places["face"]
    cheek, stroke = scene.places["cheek"], scene.places["stroke"]
    marks = {
        "points": in_pixels(cheek, stroke[0], stroke[-1]),
        "stroke": in_pixels(*stroke),
        "box": in_pixels((left, top), (right, bottom)),
        "skin_depth": "tan",
    }
    (folder / "ada.json").write_text(json.dumps(marks), encoding="utf-8")
    return folder


def measured(*arguments):
    return CliRunner().invoke(bench.command, ["accuracy", "--pictures", *map(str, arguments)])


# --- scoring ------------------------------------------------------------------------------------------------


def test_every_marking_without_faces_is_scored_and_shown(people, tmp_path):
    overlays = tmp_path / "looked" / "at"
    told = measured(people, "--without-faces", "--overlays", overlays, "--json")
    assert told.exit_code == 0, told.output
    cases = {case["marking"]: case for case in json.loads(told.stdout)["cases"]}
    assert set(cases) == {name for name in pictures.MARKINGS if name not in ("faces", "1 point + face")}
    assert min(case["score"]["f1"] for case in cases.values()) > 0.85
    assert max(case["angle_error"] for case in cases.values()) < 2
    assert {case["depth"] for case in cases.values()} == {"tan"}
    shown = {path.name for path in overlays.iterdir()}
    assert shown == {f"{round(c['score']['f1'] * 1000):04d} ada {name}.png" for name, c in cases.items()}
    earlier, other = overlays / "0123 ada stroke.png", overlays / "0123 adam stroke.png"
    for path in (earlier, other):
        path.write_text("of another run")
    again = measured(people, "--without-faces", "--overlays", overlays, "--marking", "stroke")
    assert again.exit_code == 0, again.output
    assert {path.name for path in overlays.iterdir()} == shown | {other.name}, (
        "one overlay a case, and no other file gone"
    )
    assert "warned of F1 below .6: there is none" in again.output
    assert again.output.count("\nof\tcases\trefused\tF1") == 3, "a table by marking, by picture and by depth"


def test_a_stroke_of_the_truth_itself_scores_what_score_matte_says(people):
    """The matte of a case is the one that its overlay shows: scored anew it gives the same."""
    (photo,) = photos(people)
    seen = []
    (case,) = pictures.run_photo(photo, ("stroke",), show=lambda case, matte: seen.append(matte))
    assert case.score == score_matte(seen[0], photo.truth, photo.ignore)
    shown = np.asarray(pictures.overlay(photo, seen[0])).astype(int)
    green = shown[..., 1] - shown[..., [0, 2]].max(axis=2)
    found = (photo.truth > 0.5) & (seen[0] > 0.5)
    assert green[found].mean() > green[~found].mean() + 60


def test_the_scores_are_those_of_the_matte_that_correct_writes_by_scipys_measures(people, tmp_path):
    """The command as a person runs it, its file of 16 bits, and scipy: F1 is 1 less ``dice``, IoU 1 less ``jaccard``.

    The formulas: L. R. Dice 1945 and P. Jaccard 1912. The hue is the luma-weighted median that the corrected picture's
    own skin has, with Cb and Cr by BT.709-6.
    """
    (case,) = json.loads(measured(people, "--marking", "stroke", "--json").stdout)["cases"]
    marks = json.loads((people / "ada.json").read_text(encoding="utf-8"))["stroke"]
    places = ";".join(f"{(x + 0.5) / SIZE[0]:.9f},{(y + 0.5) / SIZE[1]:.9f}" for x, y in marks)
    arguments = ["correct", people / "ada.png", "--add", f"stroke:{places}/{STROKE_RADIUS}"]
    arguments += ["-o", tmp_path / "ada.tif", "--matte-out", tmp_path / "matte.tif"]
    told = CliRunner().invoke(cli, [*map(str, arguments)])
    assert told.exit_code == 0, told.output
    with Image.open(people / "ada_mask.png") as drawn:
        mask = np.asarray(drawn)
    matte = levels(tmp_path / "matte.tif")[mask != 128]
    skin, found = mask[mask != 128] == 255, matte > 0.5
    expected = {
        "f1": 1 - distance.dice(skin, found),
        "iou": 1 - distance.jaccard(skin, found),
        "mae": np.abs(matte - skin).mean(),
        "recall": found[skin].mean(),
        "precision": skin[found].mean(),
    }
    for name, value in expected.items():
        assert case["score"][name] == pytest.approx(value, abs=5e-4), name
    assert case["angle_error"] == pytest.approx(
        abs(median_hue(levels(tmp_path / "ada.tif")[mask == 255]) - 123), abs=0.3
    )


def test_a_picture_without_a_face_or_a_mark_is_sought_or_refused_as_correct_does_it(people, tmp_path):
    """Whatever the natural range would have keyed scores nothing."""
    (photo,) = photos(people)
    seen = []
    if person.available():
        (case,) = pictures.run_photo(photo, ("faces",), lambda image: ())
        assert case.warnings == ("sought",)
        assert case.score.f1 > 0.8
    photo = replace(photo, image=np.ascontiguousarray(photo.image[..., ::-1]))  # nobody's skin is blue
    (case,) = pictures.run_photo(photo, ("faces",), lambda image: (), show=lambda case, matte: seen.append(matte))
    assert case.refused
    assert case.warnings == ("refused",)
    assert case.score.f1 == case.score.recall == 0
    assert not seen[0].any()
    Image.new("RGB", SIZE, (168, 128, 105)).save(tmp_path / "skin.png")
    told = CliRunner().invoke(cli, ["correct", f"{tmp_path / 'skin.png'}", "-o", f"{tmp_path / 'out.png'}"])
    assert told.exit_code == 2
    assert "Nothing says what is skin" in " ".join(told.output.split())


def levels(path):
    """A written picture as OpenCV reads it, 0 to 1; a matte as one plane."""
    read = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    return read.astype(np.float64) / np.iinfo(read.dtype).max


def median_hue(bgr):
    """The hue of the luma-weighted medians of Cb/Y′ and Cr/Y′ by BT.709-6, degrees."""
    luma = bgr @ (0.0722, 0.7152, 0.2126)
    along, across = (bgr[:, 0] - luma) / 1.8556 / luma, (bgr[:, 2] - luma) / 1.5748 / luma

    def median(values):
        order = np.argsort(values)
        heap = np.cumsum(luma[order])
        return values[order][np.searchsorted(heap, heap[-1] / 2)]

    return np.degrees(np.arctan2(median(across), median(along)))


def test_the_hue_of_all_true_skin_counts_what_another_light_falls_on(tmp_path):
    """Two thirds of the skin in violet light, not keyed: its hue lies where BT.709-6 puts it, not where the key is."""
    picture = np.full((180, 320, 3), (90, 96, 100), np.float64)
    picture[:, :60], picture[:, 60:180] = (176, 132, 108), (140, 96, 150)
    picture += np.random.default_rng(3).normal(0, 2, picture.shape)
    Image.fromarray(picture.clip(0, 255).astype(np.uint8)).save(tmp_path / "ada.png")
    mask = np.zeros((180, 320), np.uint8)
    mask[:, :180] = 255
    Image.fromarray(mask).save(tmp_path / "ada_mask.png")
    marks = {"points": [[30, 90], [20, 40], [40, 140]], "stroke": [[20, 80], [40, 80]], "box": [[5, 20], [55, 160]]}
    (tmp_path / "ada.json").write_text(json.dumps(marks), encoding="utf-8")
    (photo,) = photos(tmp_path)
    (case,) = pictures.run_photo(photo, ("1 point",))
    assert case.score.recall < 0.4
    arguments = ["correct", tmp_path / "ada.png", "-o", tmp_path / "out.tif", "--add"]
    told = CliRunner().invoke(cli, [*map(str, arguments), "point:{:.9f},{:.9f}".format(*photo.points[0])])
    assert told.exit_code == 0, told.output
    assert case.angle_error == pytest.approx(123 - median_hue(levels(tmp_path / "out.tif")[mask == 255]), abs=0.5)
    assert case.angle_error > 60


def test_true_skin_without_a_hue_to_read_leaves_the_score_of_its_matte(people, tmp_path):
    """Nine pixels of skin are too few to read: the matte was made all the same and is no refusal."""
    folder = shutil.copytree(people, tmp_path / "people")
    ((x, y), *_) = json.loads((folder / "ada.json").read_text(encoding="utf-8"))["points"]
    mask = np.zeros((SIZE[1], SIZE[0]), np.uint8)
    mask[int(y) - 1 : int(y) + 2, int(x) - 1 : int(x) + 2] = 255
    Image.fromarray(mask).save(folder / "ada_mask.png")
    with_(points=[[x, y]] * 3, stroke=[[x, y]] * 2, box=[[x - 9, y - 9], [x + 9, y + 9]])(folder)
    (photo,) = photos(folder)
    (case,) = pictures.run_photo(photo, ("1 point",))
    assert not case.refused
    assert case.angle_error is None
    assert case.score.recall == 1


def test_pictures_that_nothing_goes_with_are_told_and_not_counted(people, tmp_path):
    folder = shutil.copytree(people, tmp_path / "people")
    for name in ("bea", "cleo", "dora", "eve"):
        shutil.copy(folder / "ada.png", folder / f"{name}.png")
    arguments = folder, "--without-faces", "--marking", "1 point", "--marking", "1 point"
    told = measured(*arguments)
    assert "left out, as neither a mask nor marks go with them: bea.png, cleo.png, dora.png and 1 more" in told.output
    as_data = json.loads(measured(*arguments, "--json").stdout)
    assert as_data["left_out"] == ["bea.png", "cleo.png", "dora.png", "eve.png"]
    assert [case["picture"] for case in as_data["cases"]] == ["ada"], "a marking that is named twice counts once"
    assert as_data["warnings"]["bad"] == 0
    assert as_data["warnings"]["bad_warned"] is None, "a share of none is none"


def test_rates_of_warnings_count_bad_and_good_mattes_alone():
    """Five cases by hand: of two bad ones one is warned of, of two good ones none; one lies between."""
    score = score_matte(np.ones((2, 2), np.float32), np.ones((2, 2), np.float32), np.zeros((2, 2), bool))
    cases = [
        PhotoCase("a", "tan", "stroke", replace(score, f1=f1), ("leak",) if warned else ())
        for f1, warned in ((0.3, True), (0.59, False), (0.7, True), (0.81, False), (0.9, False))
    ]
    refused = PhotoCase("b", "tan", "faces", replace(score, f1=0.0), ("refused",), "no face")
    results = PhotoResults((*cases, refused))
    assert results.warning_rates() == {
        **{"bad": 2, "bad_warned": 0.5, "silent_pictures": 1},
        **{"good": 2, "good_warned": 0.0, "falsely_warned_pictures": 0},
    }
    row = next(row for row in results.table("marking") if row["of"] == "faces")
    assert (row["f1"], row["refused"]) == (0, 1)
    assert not {"f1_keyed", "warned"} & set(row), "nothing was keyed: no mean of it, nothing to warn of"


def test_the_interval_of_a_mean_is_scipys_and_no_narrower_where_a_picture_has_several_cases():
    """It is the percentile bootstrap of ``scipy.stats``, and four equal cases a picture tell no more than one."""
    score = score_matte(np.ones((2, 2), np.float32), np.ones((2, 2), np.float32), np.zeros((2, 2), bool))
    f1 = np.random.default_rng(5).uniform(0.3, 1, 30)
    once = [PhotoCase(f"{n}", "tan", "stroke", replace(score, f1=v), ()) for n, v in enumerate(f1)]
    low, high = pictures.f1_interval(once)
    theirs = stats.bootstrap((f1,), np.mean, n_resamples=10_000, method="percentile", rng=1).confidence_interval
    assert (low, high) == pytest.approx((theirs.low, theirs.high), abs=0.004)
    assert pictures.f1_interval([*once, *once, *once, *once]) == pytest.approx((low, high), abs=1e-9)
    assert pictures.f1_interval(once[:1]) is None


# --- folders that are wrong ---------------------------------------------------------------------------------


def grey(path, change):
    with Image.open(path) as drawn:
        levels = np.asarray(drawn)
    Image.fromarray(change(levels.copy())).save(path)


def rewritten(change):
    def write(folder):
        path = folder / "ada.json"
        marks = json.loads(path.read_text(encoding="utf-8"))
        path.write_text(json.dumps(change(marks)), encoding="utf-8")

    return write


def deepened(folder):
    picture = cv2.imread(str(folder / "ada.png"))
    cv2.imwrite(str(folder / "ada.png"), picture.astype(np.uint16) * 257)


def tagged(path, primaries, transfer):
    """Put a cICP chunk before all others but the header: full range, RGB (PNG Third Edition, 11.3.2.6; ITU-T H.273)."""
    said = b"cICP" + bytes([primaries, transfer, 0, 1])
    raw, header = path.read_bytes(), 33
    chunk = struct.pack(">I", 4) + said + struct.pack(">I", zlib.crc32(said))
    path.write_bytes(raw[:header] + chunk + raw[header:])


def cut(path):
    path.write_bytes(path.read_bytes()[:300])


def without(key):
    return rewritten(lambda marks: {name: value for name, value in marks.items() if name != key})


def with_(**values):
    return rewritten(lambda marks: marks | values)


SKIN = [[160, 70]] * 3

WRONG = {
    "no picture": (lambda f: (f / "ada.png").unlink(), r"ada\.png does not exist"),
    "no mask": (lambda f: (f / "ada_mask.png").unlink(), r"ada_mask\.png does not exist"),
    "no marks": (lambda f: (f / "ada.json").unlink(), r"ada\.json does not exist"),
    "cut picture": (lambda f: cut(f / "ada.png"), r"ada\.png is not a readable picture"),
    "cut mask": (lambda f: cut(f / "ada_mask.png"), r"ada_mask\.png is not a readable picture"),
    "no PNG": (lambda f: (f / "ada.png").write_text("no picture"), r"ada\.png is not a readable picture"),
    "smaller mask": (lambda f: grey(f / "ada_mask.png", lambda m: m[:90]), "320×90 pixels and its picture 320×180"),
    "soft mask": (lambda f: grey(f / "ada_mask.png", lambda m: m // 2), r"other levels \(64, 127\) than 255"),
    "deep mask": (lambda f: grey(f / "ada_mask.png", lambda m: m.astype(np.uint16) * 257), "more than 8 bits"),
    "coloured mask": (
        lambda f: grey(f / "ada_mask.png", lambda m: np.dstack([m, m * 0, m])),
        r"ada_mask\.png is coloured",
    ),
    "no skin": (lambda f: grey(f / "ada_mask.png", lambda m: m * 0), "marks no skin"),
    "no points": (without("points"), r"ada\.json lacks points: it holds points \(three or more"),
    "no stroke": (without("stroke"), r"ada\.json lacks stroke"),
    "no box": (without("box"), r"ada\.json lacks box"),
    "deep picture": (deepened, r"ada\.png has more than 8 bits a channel"),
    "another signal": (lambda f: tagged(f / "ada.png", 9, 16), r"says that it holds pq:bt2020 \(its cICP chunk\)"),
    "transparent": (lambda f: grey(f / "ada.png", lambda m: np.dstack([m, m[..., :1]])), "has transparent pixels"),
    "a giant": (lambda f: Image.new("1", (20_000, 10_000)).save(f / "ada_mask.png"), r"ada_mask\.png has more pixels"),
    "nested JSON": (lambda f: (f / "ada.json").write_text("[" * 100_000), "is not readable JSON"),
    "a number too large": (with_(points=[[10**400, 1], *SKIN]), "points has to be 3 or more places"),
    "box on the wall": (with_(box=[[0, 0], [4, 4]]), r"box \[\[0, 0\], \[4, 4\]\] holds no skin by the mask"),
    "box between pixels": (with_(box=[[160, 70], [160.4, 70.4]]), "holds no skin by the mask"),
    "depth in figures": (with_(skin_depth=3), "skin_depth has to be a word in quotes"),
    "a list": (rewritten(lambda marks: [marks]), "lacks points, stroke, box"),
    "two points": (with_(points=SKIN[:2]), "points has to be 3 or more places"),
    "points in words": (with_(points="cheek"), "points has to be 3 or more places"),
    "not a number": (with_(points=[[float("nan"), 1], *SKIN]), "points has to be 3 or more places"),
    "point outside": (with_(points=[[320, 70], *SKIN]), r"points has \(320, 70\) outside the picture of 320×180"),
    "point on the wall": (with_(points=[[2, 2], *SKIN]), r"points has \(2, 2\), where the mask says no skin"),
    "stroke of one place": (with_(stroke=SKIN[:1]), "stroke has to be 2 or more places"),
    "box of four numbers": (with_(box=[10, 10, 90, 90]), r"box has to be \[\[left, top\], \[right, bottom\]\]"),
    "box turned round": (with_(box=[[90, 90], [10, 10]]), r"box has to be \[\[left, top\], \[right, bottom\]\]"),
    "broken JSON": (lambda f: (f / "ada.json").write_text('{"points": ['), "is not readable JSON"),
    "other bytes": (lambda f: (f / "ada.json").write_bytes(b"\xff\xfe\x00"), "is not readable JSON"),
    "an empty folder": (lambda f: [path.unlink() for path in f.iterdir()], "holds no NAME.json"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_is_wrong_with_a_folder_is_named(people, tmp_path, wrong):
    folder = shutil.copytree(people, tmp_path / "people")
    spoil, words = WRONG[wrong]
    spoil(folder)
    with pytest.raises(BenchError, match=words) as caught:
        list(photos(folder))
    assert str(folder) in str(caught.value)


def test_a_folder_that_is_wrong_ends_the_command_before_anything_is_measured_or_written(people, tmp_path):
    folder = shutil.copytree(people, tmp_path / "people")
    for end in (".png", "_mask.png", ".json"):  # the first of two pictures is sound
        shutil.copy(folder / f"ada{end}", folder / f"bea{end}")
    (folder / "bea_mask.png").unlink()
    told = measured(folder, "--overlays", tmp_path / "shown")
    assert isinstance(told.exception, BenchError)
    assert not (tmp_path / "shown").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--overlays", "shown"], "--overlays goes with --pictures"),
        (["--marking", "stroke"], "--marking goes with --pictures"),
        (["--without-faces"], "--without-faces goes with --pictures"),
        (["--pictures", ".", "--pan"], "--pictures is measured alone, without --clip and --pan"),
        (["--pictures", ".", "--jobs", "2"], "--jobs goes with portraits, not with --pictures"),
        (["--pan", "--scene", "cast"], "--scene goes with portraits, not with --clip and --pan"),
        (["--pictures", ".", "--without-faces", "--marking", "faces"], "needs faces: leave --without-faces out"),
    ],
)
def test_options_that_would_do_nothing_are_refused(people, monkeypatch, arguments, words):
    monkeypatch.chdir(people)
    told = CliRunner().invoke(bench.command, ["accuracy", *arguments])
    assert told.exit_code == 2
    assert words in " ".join(told.output.split())


def test_without_the_extra_it_says_that_faces_are_left_out(people, monkeypatch):
    monkeypatch.setattr(bench_accuracy.faces, "available", lambda: False)
    told = measured(people, "--marking", "1 point")
    assert told.exit_code == 0, told.output
    assert "faces: left out" in told.output
