"""People: the project file, distances against reference libraries, and two cameras matched through a person."""

from __future__ import annotations

import hashlib
import json
import os

import colour
import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.sequences import SequencePattern
from inkarnat.host_adapters.shots.marks import MarkedPicture, with_marks
from inkarnat.host_adapters.shots.people import People, PeopleError, Person, frame_hash
from inkarnat.host_adapters.writes import OutputError
from inkarnat.nodes import (
    CorrectionOptions,
    MarkedFrame,
    Sample,
    Skin,
    SteerSkin,
    distance,
    measure_skin,
    solve_correction,
)
from skimage.color import deltaE_ciede2000
from takes import SAWDUST, approved, film, write

ADA = Person(122.4, 0.214, 0.52, 0.0, "Ada", "approved.mov", 12, "ab" * 32)


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


# --- the project file ---------------------------------------------------------------------------------------


def test_a_project_file_survives_a_round_trip(tmp_path):
    people = People().adding(ADA).adding(Person(119.0, 0.2, 0.3, 0.01, "Ngozi Ó", "b.%04d.exr", 1001, "cd" * 32))
    people.save(tmp_path / "p.json")
    assert People.load(tmp_path / "p.json") == people
    assert [person.name for person in people.known] == ["Ada", "Ngozi Ó"]
    assert people.removing("Ada").known == people.known[1:]


def test_a_taken_name_is_only_replaced_when_asked():
    people = People().adding(ADA)
    with pytest.raises(PeopleError, match=r"approved reading already.*--replace"):
        people.adding(ADA)
    darker = Person(122.4, 0.214, 0.3, 0.0, "Ada")
    assert People().adding(ADA).adding(darker, replace=True).known == (darker,)


@pytest.mark.parametrize("name", ["", "   ", "a\nb", "x" * 81])
def test_unusable_names_are_refused(name):
    with pytest.raises(PeopleError, match="1 to 80 printable"):
        People().adding(Person(120, 0.2, 0.5, 0, name))


@pytest.mark.parametrize("name", ["ada", "ADA ", "Ａda", "A da"])
def test_a_name_that_reads_like_another_is_refused(name):
    """Else `--person ada` matches another skin than `--person Ada` (capitals, blanks, Unicode UAX 15 NFKC)."""
    people = People().adding(Person(122.0, 0.2, 0.5, 0.0, "Ada"))
    with pytest.raises(PeopleError, match="reads like 'Ada', who is there"):
        people.adding(Person(130.0, 0.3, 0.2, 0.0, name))
    assert len(people.adding(Person(130.0, 0.3, 0.2, 0.0, "Adam")).known) == 2


def test_an_unknown_person_names_the_nearest():
    with pytest.raises(PeopleError, match=r"no person 'Adda'\. Did you mean 'Ada'"):
        People().adding(ADA).find("Adda")
    with pytest.raises(PeopleError, match="holds nobody yet"):
        People().find("Ada")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("{", "not valid JSON"),
        ("[]", "begins"),
        ('{"inkarnat_people": 2}', "begins"),
        ('{"inkarnat_people": 1, "people": []}', "names in braces"),
        ('{"inkarnat_people": 1, "people": {"Ada": 3}}', "figures in braces"),
        ('{"inkarnat_people": 1, "people": {"Ada": {"angel": 3}}}', "no entry 'angel'. Did you mean 'angle'"),
        ('{"inkarnat_people": 1, "people": {"Ada": {"angle": 120, "ratio": true}}}', "ratio must be a number"),
        ('{"inkarnat_people": 1, "people": {"Ada": {"angle": NaN}}}', "angle must be a number"),
        ("[" * 100_000, "not valid JSON"),
    ],
)
def test_damaged_project_files_are_one_clear_error(tmp_path, content, message):
    path = tmp_path / "p.json"
    path.write_text(content)
    with pytest.raises(PeopleError, match=message):
        People.load(path)


def test_a_missing_project_file_is_a_missing_input(tmp_path):
    with pytest.raises(InputError, match="person add"):
        People.load(tmp_path / "none.json")
    assert People.load(tmp_path / "none.json", may_lack=True) == People()
    with pytest.raises(OutputError):
        People().save(tmp_path / "no folder" / "p.json")


# --- distances ----------------------------------------------------------------------------------------------


def test_the_colour_of_a_skin_has_its_angle_ratio_and_luma():
    """BT.709 Y′CbCr through colour-science."""
    for skin in (Skin(123.0, 0.2, 0.5), Skin(95.0, 0.35, 0.3), Skin(140.0, 0.1, 0.7, 0.05)):
        weights = colour.WEIGHTS_YCBCR["ITU-R BT.709"]
        y, cb, cr = colour.RGB_to_YCbCr(skin.rgb(), K=weights, out_range=(0, 1, -0.5, 0.5))
        assert y == pytest.approx(skin.luma, abs=1e-9)
        assert np.degrees(np.arctan2(cr, cb)) == pytest.approx(skin.angle, abs=1e-6)
        assert np.hypot(cb, cr) / (y - skin.black) == pytest.approx(skin.ratio, abs=1e-9)


def test_distances_agree_with_scikit_image():
    """CIEDE2000 of scikit-image at one lightness; BT.1886 with black 0 is a power of 2.4 (BT.1886, annex 1)."""
    first, second = Skin(118.0, 0.25, 0.45), Skin(127.0, 0.2, 0.55)
    matrix = colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ
    white = np.array([0.3127, 0.3290])
    first_lab, second_lab = (
        colour.XYZ_to_Lab(matrix @ rgb**2.4, white) for rgb in (first.rgb(second.luma), second.rgb())
    )
    first_lab[0] = second_lab[0]
    found = distance(first, second)
    assert found.delta_e == pytest.approx(float(deltaE_ciede2000(first_lab, second_lab)), abs=0.01)
    assert found.angle == pytest.approx(-9.0)
    assert found.ratio == pytest.approx(1.25)
    assert found.luma == pytest.approx(-0.1)


def test_exposure_alone_is_no_distance():
    assert distance(Skin(123, 0.2, 0.3), Skin(123, 0.2, 0.6)).delta_e == pytest.approx(0, abs=1e-6)


def test_the_frame_hash_is_that_of_the_pixels():
    picture = np.arange(24, dtype=np.float32).reshape(2, 4, 3)
    by_hand = hashlib.sha256("2×4×3 float32\n".encode() + picture.tobytes()).hexdigest()
    assert frame_hash(picture) == by_hand == frame_hash(np.repeat(picture, 2, axis=1)[:, ::2])
    assert frame_hash(picture.reshape(4, 2, 3)) != by_hand


# --- two cameras --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [5, 12])
def test_two_cameras_of_one_person_match_through_the_person(seed):
    """Both see skin wrong, each in its own way and light; matched to one approved reading they agree, under the truth.

    ΔE00 ≤ 1 between the two, measured with the generator's own matte.
    """
    first = film("a", -14, 0.003, green=0.30, seed=seed)
    second = film("b", 12, -0.002, green=0.12, seed=seed)
    person = approved(first)
    skins = []
    for shot in (first, second):
        marked = MarkedFrame(1, shot.clip.read(1), (shot.face(),), (SAWDUST,), shot.card())
        correction = solve_correction([marked], CorrectionOptions(target=person.target()))
        picture = shot.clip.read(1)
        for link in correction.links():
            if link.id == "balance":
                picture = link.node.process(picture)
        matte = correction.soften.process(correction.key.process(picture), picture)
        result = correction.steer.process(picture, matte)
        skins.append(Skin.of(measure_skin(result, shot.scenes[0].matte)))
    plain = [Skin.of(measure_skin(s.clip.read(1), s.scenes[0].matte)) for s in (first, second)]
    assert distance(*plain).delta_e > 2  # the cameras do differ
    assert distance(*skins).delta_e <= 1
    assert all(distance(skin, person).delta_e <= 1 for skin in skins)


# --- the verbs ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def workplace(tmp_path_factory):
    """A folder with two cameras' pictures of one person."""
    folder = tmp_path_factory.mktemp("people")
    shots = {"a": film("a", 0, 0, green=0.0), "b": film("b", 12, -0.002, green=0.30)}
    return folder, {name: write(shot, folder) for name, shot in shots.items()}, shots


def marks(shot):
    return ("--add", shot.face(), "--subtract", SAWDUST)


def test_add_list_use_and_remove(workplace):
    folder, files, shots = workplace
    project = folder / "people.json"
    added = run("person", "add", "Ada", "--from", f"{files['a']}@2", *marks(shots["a"]), "--project", project, "--json")
    assert added.exit_code == 0, added.output
    data = json.loads(added.stdout)
    assert data["frame"] == 2
    assert data["angle"] == pytest.approx(approved(shots["a"]).angle, abs=1.0)
    listed = json.loads(run("person", "list", "--project", project, "--json").stdout)
    assert [p["name"] for p in listed["people"]] == ["Ada"]
    assert "Ada" in run("person", "list", "--project", project).output

    corrected = run(
        "correct", files["b"], "--graph-out", folder / "b.json", *marks(shots["b"]),
        "--person", "Ada", "--project", project, "--json",
    )  # fmt: skip
    assert corrected.exit_code == 0, corrected.output
    person = json.loads(corrected.stdout)["person"]
    assert person["before"]["delta_e"] > 1 > 0.1 > person["after"]["delta_e"]

    measured = run("measure", files["b"], "--graph", folder / "b.json", "--person", "Ada", "--project", project)
    assert "ΔE00" in measured.output
    again = run("person", "add", "Ada", "--from", files["a"], *marks(shots["a"]), "--project", project)
    assert again.exit_code == 2
    assert "--replace" in again.output
    assert run("person", "remove", "Ada", "--project", project).exit_code == 0
    assert People.load(project) == People()


def test_a_corrected_frame_is_approved_through_its_graph(workplace):
    folder, files, shots = workplace
    graph, project = folder / "line.json", folder / "corrected.json"
    assert run("correct", files["b"], "--graph-out", graph, *marks(shots["b"])).exit_code == 0
    added = run("person", "add", "Ada", "--from", files["b"], "--graph", graph, "--project", project, "--json")
    assert json.loads(added.stdout)["angle"] == pytest.approx(123.0, abs=0.05)
    assert json.loads(added.stdout)["warnings"] == []
    marked = MarkedPicture(1, (Sample.point(0.75, 0.05),), strange=((Sample.point(0.75, 0.05), 0.0),))
    with_marks(Graph.load(graph), "skin", [marked]).save(folder / "wall.json")
    doubted = run("person", "add", "Eve", "--from", files["b"], "--graph", folder / "wall.json", "--project", project)
    assert "warning: The point at 75 % across and 5 % down does not lie on what looks like bare skin" in doubted.output
    assert run("person", "remove", "Eve", "--project", project).exit_code == 0
    assert standing(project) == ["is as approved"]
    assert run("graph", "set", graph, "steer.turn=by:-1").exit_code == 0
    assert standing(project) == ["has changed since"]


def standing(project):
    """Return what the list says of each person's picture."""
    return [p["picture"] for p in json.loads(run("person", "list", "--project", project, "--json").stdout)["people"]]


def test_an_approved_frame_without_the_hue_of_skin_is_warned_of(workplace, tmp_path):
    """And what is matched to it never holds, however well it hits."""
    _, _, shots = workplace
    picture, project = shots["a"].clip.read(1), ("--project", tmp_path / "p.json")
    turned = SteerSkin(angle=60).process(picture, np.ones(picture.shape[:2], np.float32))
    write_picture(tmp_path / "green.png", turned, None)
    added = run("person", "add", "Ada", "--from", tmp_path / "green.png", *marks(shots["a"]), *project)
    assert "no skin in white light has that hue: approve another frame" in added.output
    words = ("correct", tmp_path / "green.png", "-o", tmp_path / "out.png", *marks(shots["a"]), "--person", "Ada")
    assert json.loads(run(*words, *project, "--json").stdout)["verdict"]["status"] == "check"


def test_the_list_tells_of_a_picture_that_was_replaced(workplace, tmp_path):
    _, _, shots = workplace
    plate, project = write(shots["a"], tmp_path), tmp_path / "p.json"
    first = SequencePattern.parse(plate).path(1)
    assert run("person", "add", "Ada", "--from", plate, *marks(shots["a"]), "--project", project).exit_code == 0
    assert standing(project) == ["is as approved"]
    stamp = first.stat()
    other = SequencePattern.parse(plate).path(2).read_bytes()
    first.write_bytes(other)
    os.utime(first, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert standing(project) == ["has changed since"]
    assert "warning: " in run("person", "list", "--project", project).output
    first.unlink()
    assert standing(project) == ["cannot be read from here"]


def test_a_person_is_read_through_a_view(workplace):
    """A view that takes colour away halfway: the hue stays, the ratio halves (BT.709 luma, so that luma stays)."""
    folder, files, shots = workplace
    luma, half = np.array([0.2126, 0.7152, 0.0722]), np.eye(3) / 2
    numbers = " ".join(f"{value:.7f}" for value in (half + luma / 2).ravel())
    (folder / "half.clf").write_text(
        '<?xml version="1.0"?><ProcessList id="half" compCLFversion="3.0"><Matrix inBitDepth="32f" outBitDepth="32f">'
        f'<Array dim="3 3">{numbers}</Array></Matrix></ProcessList>'
    )
    plain, seen = (
        json.loads(
            run(
                "person", "add", name, "--from", files["a"], *marks(shots["a"]), "--project", folder / "view.json",
                "--json", *more,
            ).stdout
        )
        for name, more in (("Ada", ()), ("Seen", ("--view", folder / "half.clf")))
    )  # fmt: skip
    assert seen["ratio"] == pytest.approx(plain["ratio"] / 2, rel=0.02)
    assert seen["angle"] == pytest.approx(plain["angle"], abs=0.1)
    assert seen["frame_sha256"] == plain["frame_sha256"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--add", "box:.1,.1,.2,.2", "--graph", "x.json"], "not both"),
        ([], "--add SAMPLE"),
    ],
)
def test_adding_needs_samples_or_a_graph(workplace, words, message):
    _, files, _ = workplace
    result = run("person", "add", "Ada", "--from", files["a"], *words)
    assert result.exit_code == 2
    assert message in result.output


def test_a_person_and_a_target_exclude_each_other(workplace, tmp_path):
    _, files, _ = workplace
    People().adding(ADA).save(tmp_path / "p.json")
    result = run(
        "correct", files["a"], "--graph-out", tmp_path / "g.json", "--person", "Ada", "--project", tmp_path / "p.json",
        "--target-angle", 120,
    )  # fmt: skip
    assert result.exit_code == 2
    assert "not both" in result.output
    unknown = run("measure", files["a"], "--person", "Bo", "--project", tmp_path / "p.json")
    assert unknown.exit_code == 2
    assert run("measure", files["a"], "--person", "Bo", "--project", tmp_path / "none.json").exit_code == 3
