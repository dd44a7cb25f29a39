"""Looks on top of a correction: read as OpenColorIO reads them, baked, kept off skin, carried and judged."""

from __future__ import annotations

import dataclasses
import html
import json
import math

import numpy as np
import PyOpenColorIO as ocio
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.desk.solving import read_skin
from inkarnat.host_adapters.desk.state import State
from inkarnat.host_adapters.desk.work import Workbench
from inkarnat.host_adapters.graphs.export import tetrahedral
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.host_adapters.shots import evidence
from inkarnat.host_adapters.shots.carry import PARTS, Carrier, Shot, part_of, parts_of
from inkarnat.host_adapters.shots.looks import LookError, Under, open_look
from inkarnat.host_adapters.workshop import Thing
from inkarnat.kernels.colour import rgb_to_ycbcr
from inkarnat.kernels.look_up import look_up
from inkarnat.nodes import (
    Aim,
    BakedLook,
    Cdl,
    CorrectSkin,
    Cube,
    FaceMatte,
    JoinFaces,
    KeepSkin,
    ParamError,
    Part,
    ProtectMatte,
    ReadingError,
    Sample,
    SkinTarget,
    SoftenMatte,
    SteerSkin,
    ToneCurve,
    learn_skin_key,
    measure_skin,
    read_cube,
    solve_steer,
    standard_chain,
)
from inkarnat.nodes.declare import LANDMARKS, PRESENCE
from scipy import ndimage
from takes import SAWDUST, take

COLD = (0.92, 0.98, 1.08), (-0.01, 0.0, 0.02), (1.04, 1.0, 0.97), 0.95
"""Slope, offset, power and saturation of a cold look."""
ICE = (0.80, 0.95, 1.20), (-0.02, 0.0, 0.06), (1.1, 1.0, 0.92), 0.9
"""Those of a look under which skin turns blue."""


def run(*words):
    done = CliRunner().invoke(cli, [str(word) for word in words])
    return done.exit_code, done.stdout, done.output


def cold_list(folder):
    slope, offset, power, saturation = COLD
    numbers = (" ".join(f"{v:g}" for v in values) for values in (slope, offset, power))
    text = "<Slope>{}</Slope><Offset>{}</Offset><Power>{}</Power>".format(*numbers)
    path = folder / "cold.cc"
    path.write_text(
        f'<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="cold"><SOPNode>{text}</SOPNode>'
        f"<SatNode><Saturation>{saturation}</Saturation></SatNode></ColorCorrection>"
    )
    return path


def cold_cube(folder, size=33):
    """A Common LUT Format file written by OpenColorIO: the cold look with a curve and crossed channels."""
    lut = ocio.Lut3DTransform(gridSize=size)
    lut.setFileOutputBitDepth(ocio.BIT_DEPTH_F32)
    edge = np.linspace(0, 1, size)
    grid = np.stack(np.meshgrid(edge, edge, edge, indexing="ij"), axis=-1)
    colours = np.clip(grid * COLD[0] + COLD[1], 0, None) ** COLD[2]
    colours = 0.9 * colours + 0.1 * colours[..., ::-1] ** 1.5
    lut.setData(np.ascontiguousarray(colours, np.float32).ravel())
    group = ocio.GroupTransform([lut])
    path = folder / "cold.clf"
    path.write_text(group.write("Academy/ASC Common LUT Format", ocio.Config.CreateRaw()))
    return path


def through(transform, picture):
    made = np.ascontiguousarray(picture, np.float32).copy()
    ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor().applyRGB(made)
    return made


def worked(look, picture):
    graph = Graph.of(*look.steps, result=look.result)
    return Runner(graph).run_frame(1, {"plate": picture})["result"]


@pytest.fixture
def colours():
    return np.random.default_rng(3).random((40, 60, 3)).astype(np.float32)


# --- cubes --------------------------------------------------------------------------------------------------


def test_a_cube_is_read_as_opencolorio_and_as_the_formula_read_it(colours):
    cube = np.random.default_rng(0).random((9, 9, 9, 3)).astype(np.float32)
    lut = ocio.Lut3DTransform(gridSize=9)
    lut.setInterpolation(ocio.INTERP_TETRAHEDRAL)
    lut.setData(cube.ravel())
    made = look_up(colours, cube)
    assert np.abs(made - through(lut, colours)).max() < 2e-6
    beyond = colours * 3 - 1
    slow = tetrahedral(cube.astype(np.float64), (beyond.reshape(-1, 3) + 0.5) / 2).reshape(beyond.shape)
    assert np.abs(look_up(beyond, cube, -0.5, 1.5) - slow).max() < 1e-5


def test_a_cube_keeps_alpha_bad_pixels_and_neutral_colours(colours):
    n = 5
    edge = np.linspace(0, 1, n)
    grey = np.stack(np.meshgrid(edge, edge, edge, indexing="ij"), axis=-1).astype(np.float32) ** 2
    with_alpha = np.dstack([colours, np.full(colours.shape[:2], 0.3, np.float32)])
    with_alpha[3, 4, 0], with_alpha[5, 6, 2] = np.nan, np.inf
    made = look_up(with_alpha, grey)
    assert np.array_equal(made[..., 3], with_alpha[..., 3])
    assert np.array_equal(made[3, 4].view(np.uint32), with_alpha[3, 4].view(np.uint32))
    assert np.array_equal(made[5, 6], with_alpha[5, 6])
    ramp = np.repeat(np.linspace(-0.2, 1.3, 60, dtype=np.float32)[None, :, None], 3, axis=2)
    neutral = look_up(ramp, grey)
    assert np.array_equal(neutral[..., 0], neutral[..., 1])
    assert np.array_equal(neutral[..., 0], neutral[..., 2])
    wide = np.repeat(colours, 9, axis=0)
    assert np.array_equal(look_up(wide, grey)[:40:9], look_up(np.ascontiguousarray(wide[:40:9]), grey))


def test_a_baked_look_survives_its_text_and_damage_is_one_error():
    cube = Cube(np.random.default_rng(1).random((7, 7, 7, 3)).astype(np.float32) * 2 - 0.5, -0.1, 1.2)
    text = cube.to_text()
    again = read_cube(text)
    assert np.abs(again.colours - cube.colours).max() <= 1.01 * (cube.colours.max() - cube.colours.min()) / 65535
    assert (again.low, again.high) == (-0.1, 1.2)
    assert BakedLook.from_config(BakedLook(text).config()) == BakedLook(text)
    for damaged in ("2." + text[2:], text[:-9], text[:40] + "A" * 20 + text[60:], "1.", "1.!!"):
        with pytest.raises(ParamError, match=r"baked_look.cube cannot be read"):
            BakedLook(damaged)


# --- reading looks ------------------------------------------------------------------------------------------


def test_a_decision_list_stays_one_and_equals_opencolorio(tmp_path, colours):
    look = open_look(str(cold_list(tmp_path)), "bt709")
    (step,) = look.steps
    assert step.node == Cdl(*COLD, clamp=False)
    slope, offset, power, saturation = COLD
    reference = ocio.CDLTransform(slope=slope, offset=offset, power=power, sat=saturation)
    reference.setStyle(ocio.CDL_NO_CLAMP)
    assert np.abs(worked(look, colours) - through(reference, colours)).max() < 2e-5


def test_a_decision_list_for_another_space_is_applied_there(tmp_path, colours):
    """Between conversions whose values are OpenColorIO's own: BT.709 curve and its inverse, through a power of 2.2."""
    look = open_look(str(cold_list(tmp_path)), "gamma22")
    assert [step.id for step in look.steps] == ["look-in", "look", "look-out"]
    inside = look.steps[0].node.process(colours)
    slope, offset, power, saturation = COLD
    reference = ocio.CDLTransform(slope=slope, offset=offset, power=power, sat=saturation)
    reference.setStyle(ocio.CDL_NO_CLAMP)
    wanted = look.steps[2].node.process(through(reference, inside))
    assert np.abs(worked(look, colours) - wanted).max() < 5e-5


@pytest.mark.parametrize("space", ["bt709", "acescct"])
def test_a_look_up_is_baked_within_what_is_told(tmp_path, colours, space):
    path = cold_cube(tmp_path)
    look = open_look(str(path), space)
    (step,) = look.steps
    assert isinstance(step.node, BakedLook)
    before = look.steps[0]
    assert before.inputs == (("image", "plate"),)
    file = ocio.FileTransform(src=str(path), interpolation=ocio.INTERP_BEST)
    if space == "bt709":
        wanted = through(file, colours)
    else:
        from inkarnat.nodes import enter_space, leave_space

        wanted = enter_space(space).process(through(file, leave_space(space).process(colours)))
    off = np.abs(worked(look, colours) - wanted).max(axis=2)
    assert off.max() <= look.differs[0] * 1.5 + 1e-4
    assert np.quantile(off, 0.95) <= look.differs[1] * 1.5 + 1e-4
    assert look.differs[1] < 0.004


def test_a_look_of_a_configuration_and_a_graph(tmp_path, colours, monkeypatch):
    config = ocio.Config.CreateRaw()
    transform = ocio.CDLTransform(slope=COLD[0])
    config.addLook(ocio.Look(name="winter", processSpace="raw", transform=transform))
    monkeypatch.setattr(ocio, "GetCurrentConfig", lambda: config)
    look = open_look("ocio:winter", "bt709")
    assert np.abs(worked(look, colours) - through(transform, colours)).max() < 3e-4
    with pytest.raises(LookError, match=r"calls it 'raw'"):
        open_look("ocio:winter", None)
    with pytest.raises(LookError, match="no look 'summer': it has winter"):
        open_look("ocio:summer", "bt709")
    with pytest.raises(LookError, match="is a view"):
        open_look("ocio:a/b/c", "bt709")
    grade = Graph.of(
        Step.of("warm", Cdl(slope=(1.1, 1, 0.9), clamp=False), image="plate"),
        Step.of("curve", ToneCurve(black=0.05), image="warm"),
        result="curve",
    )
    grade.save(tmp_path / "grade.json")
    as_graph = open_look(str(tmp_path / "grade.json"), None)
    assert np.array_equal(worked(as_graph, colours), Runner(grade).run_frame(1, {"plate": colours})["result"])


# --- the protection matte -----------------------------------------------------------------------------------


def test_holes_are_filled_as_a_library_fills_them():
    """Against scipy.ndimage.binary_fill_holes on the grid itself, where a pixel is a cell; open bays stay open."""
    matte = np.zeros((120, 200), np.float32)
    matte[20:100, 30:150] = 1
    matte[40:50, 50:70] = 0  # an eye
    matte[60:70, 100:110] = 0
    matte[80:100, 120:130] = 0  # a bay that is open below
    made = ProtectMatte(bridge=0.0).process(matte)
    reference = ndimage.binary_fill_holes(matte > 0.5)
    assert np.array_equal(made > 0.5, reference)
    assert made[90, 125] == 0
    assert np.array_equal(ProtectMatte(largest=0.0).process(matte) > 0.5, matte > 0.5)


def test_openings_are_bridged_and_large_holes_and_the_outside_stay():
    y, x = np.mgrid[0:256, 0:256]
    face = ((x - 128) ** 2 + (y - 128) ** 2 < 80**2).astype(np.float32)
    mouth = (abs(y - 170) < 6) & (abs(x - 128) < 25)
    beard = (abs(x - 128) < 3) & (y > 170)  # a thin line leads out of the mouth
    made = ProtectMatte().process(np.where(mouth | beard, 0, face).astype(np.float32))
    assert made[mouth].mean() > 0.95
    assert made[face == 0].mean() < 0.01
    arm = face.copy()
    arm[90:170, 90:170] = 0  # the gap between an arm and a body
    assert ProtectMatte().process(arm)[100:160, 100:160].max() == 0


def hue(picture, where):
    """The hue of the median chroma of some pixels, and its part of their luma."""
    y, cb, cr = rgb_to_ycbcr(np.ascontiguousarray(picture[where][None]))[0].T
    u, v = float(np.median(cb / y)), float(np.median(cr / y))
    return math.degrees(math.atan2(v, u)) % 360, math.hypot(u, v)


@pytest.mark.parametrize("depth", ["light", "tan", "dark"])
def test_lips_and_eyes_keep_their_colour_under_a_cold_look_though_no_face_is_known(depth):
    """Skin keyed without eyes and lips, as a sample on a cheek keys it; the truth comes from the generated portrait."""
    scene = workshop.portrait(depth, seed=31, width=960, height=540)
    natural = workshop.camera(scene.light, noise=0.0)
    lips = scene.objects == Thing.LIP
    features = lips | (scene.objects == Thing.EYE)
    matte = (scene.matte * ~ndimage.binary_dilation(features, iterations=2)).astype(np.float32)
    graded = Cdl(*ICE, clamp=False).process(natural)
    protected = ProtectMatte().process(matte)
    assert protected[features].mean() > 0.97
    outside = ndimage.binary_dilation(scene.matte > 0.02, iterations=12) | ndimage.binary_dilation(
        features | scene.ignore, iterations=12
    )
    assert protected[~outside].max() == 0
    keep = KeepSkin(amount=0.8)
    was, _ = hue(natural, lips)
    blue, _ = hue(keep.process(graded, natural, matte), lips)
    kept, _ = hue(keep.process(graded, natural, protected), lips)
    off = {name: abs((each - was + 180) % 360 - 180) for name, each in (("before", blue), ("now", kept))}
    assert off["before"] > 45, off
    assert off["now"] < 25, off
    everywhere = KeepSkin(amount=0.8).process(graded, natural, np.ones_like(matte))
    assert abs(kept - hue(everywhere, lips)[0]) < 1


@pytest.mark.parametrize("known", [True, False])
def test_the_effect_protects_what_a_graph_protects(known, tmp_path):
    """The same key and face in the all-in-one effect and in the standard chain under a look, matte and picture."""
    scene = workshop.portrait("light", seed=31, width=640, height=360)
    picture = workshop.camera(scene.light, noise=0.0)
    left, top, right, bottom = scene.places["face"]

    def at(x, y):
        return left + x * (right - left), top + y * (bottom - top)

    marks = zip(LANDMARKS, (at(0.3, 0.4), at(0.7, 0.4), at(0.5, 0.6), at(0.35, 0.8), at(0.65, 0.8)), strict=True)
    face = FaceMatte(**dict(marks), presence=float(known), turns=False)  # a text without turns tells of none
    skin = learn_skin_key(picture, [Sample.point(*at(0.3, 0.6))])
    effect = CorrectSkin(
        model=skin.model, angle=6.0, **{f"face_1_{name}": getattr(face, name) for name in (*LANDMARKS, PRESENCE)}
    )
    nodes = {"skin": skin, "steer": SteerSkin(angle=6.0), "soften": SoftenMatte(softness=effect.softness)}
    nodes |= {"face1": face, "join": JoinFaces()} if known else {}
    chain = standard_chain({}, [Part(lambda word: word, nodes)])
    graph = chain_graph(chain.links, {"result": chain.result, "matte": chain.matte})
    graph = Under(open_look(str(cold_list(tmp_path)), "bt709"), 0.8).on(graph)
    made = Runner(graph).run_frame(1, {"plate": picture})
    assert np.array_equal(effect.protection(picture), made["protection"])
    assert effect.protection(picture).sum() > effect.matte(picture).sum()

    def look(natural):
        return Cdl(*COLD, clamp=False).process(natural)

    assert np.abs(effect.under_look(look, 1.0, 0.8, picture) - made["result"]).max() < 1e-4


# --- on the command line ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def solved(tmp_path_factory):
    """Take 1, corrected under a cold decision list: the folder, the words, what was told."""
    folder = tmp_path_factory.mktemp("looks")
    shot = take("take1")
    write_picture(folder / "plate.tif", shot.clip.read(1), None, bits=16)
    look = cold_list(folder)
    words = (
        "correct", folder / "plate.tif", "--add", shot.face(), "--neutral", shot.card(), "--subtract", SAWDUST,
        "--under", look, "--look-input", "bt709",
    )  # fmt: skip
    done = (*words, "-o", folder / "skin.tif", "--graph-out", folder / "g.json", "--overwrite")
    code, stdout, output = run(*done, "--json")
    assert code == 0, output
    return folder, words, json.loads(stdout)


def test_skin_with_and_without_the_look_is_told_and_judged_in_between(solved):
    folder, words, told = solved
    assert told["look"]["keep_skin"] == 0.6
    assert told["after"]["angle"] == pytest.approx(123, abs=0.1)
    under = told["under_look"]
    assert abs((under["angle"] - 123 + 180) % 360 - 180) > 3
    assert told["verdict"]["status"] in ("holds", "check"), told["verdict"]["findings"]
    finding = next(f for f in told["verdict"]["findings"] if "kept 60% from the look" in f["sentence"])
    assert finding["status"] == "holds"
    code, stdout, output = run(*words, "-o", folder / "text.tif", "--overwrite")
    assert code == 0, output
    assert "without the look\t123.0°" in stdout
    assert "under the look\t" in stdout
    assert "skin kept from it by 60%" in stdout


def test_one_graph_renders_the_same_and_measure_says_the_same(solved):
    folder, _, told = solved
    graph, picture = Graph.load(folder / "g.json"), open_clip(folder / "plate.tif").read(1)
    made = Runner(graph).run_frame(1, {"plate": picture})["result"]
    assert np.abs(read_picture(folder / "skin.tif")[0] - np.clip(made, 0, 1)).max() < 2 / 65535
    assert graph.notes()["look"]["name"].endswith("cold.cc")
    code, stdout, output = run("measure", folder / "plate.tif", "--graph", folder / "g.json", "--json")
    assert code == 0, output
    found = json.loads(stdout)
    assert found["verdict"]["findings"] == told["verdict"]["findings"]
    (reading,) = found["readings"]
    assert reading["without_look"]["angle"] == pytest.approx(123, abs=0.2)
    assert reading["final"]["angle"] == pytest.approx(told["under_look"]["angle"], abs=0.01)
    _, stdout, _ = run("measure", folder / "plate.tif", "--graph", folder / "g.json")
    assert [row.split("\t")[0] for row in stdout.splitlines()[1:5]] == [
        "1 as shot", "1 light only", "1 without the look", "1 under the look",
    ]  # fmt: skip


def test_a_look_whose_file_was_changed_since_is_told_and_stays_as_it_was(solved, tmp_path):
    folder, _, _ = solved
    words = ("render", folder / "g.json", "--in", f"plate={folder / 'plate.tif'}", "--out")
    look = folder / "cold.cc"
    before = look.read_text()
    assert "was changed since" not in run(*words, f"result={tmp_path / 'a.png'}")[2]
    try:
        look.write_text(before.replace("0.92", "0.5"))
        code, _, output = run(*words, f"result={tmp_path / 'b.png'}")
        assert code == 0, output
        assert f"The look {look} was changed since" in " ".join(output.split())
        for verb in (("measure",), ("stills", "-o", tmp_path / "stills")):
            code, _, output = run(*verb, folder / "plate.tif", "--graph", folder / "g.json")
            assert code == 0, output
            assert f"The look {look} was changed since" in " ".join(output.split()), verb
        page = tmp_path / "page.html"
        code, _, output = run("report", folder / "g.json", "--clip", folder / "plate.tif", "-o", page)
        assert code == 0, output
        assert f"The look {look} was changed since" in html.unescape(page.read_text())
        with open_clip(folder / "plate.tif") as clip:
            on_desk = read_skin(Workbench(clip), State.of_graph(Graph.load(folder / "g.json")), "", 1)
        assert any(f"The look {look} was changed since" in each["message"] for each in on_desk["warnings"])
        look.unlink()
        assert "was changed since" not in run(*words, f"result={tmp_path / 'c.png'}")[2]
    finally:
        look.write_text(before)
    one, *others = (read_picture(tmp_path / f"{name}.png")[0] for name in "abc")
    assert all(np.array_equal(one, other) for other in others)


def test_a_ruined_face_under_a_look_is_off_and_one_that_nothing_keeps_is_not_judged(solved):
    folder, _, _ = solved
    graph = Graph.load(folder / "g.json")

    def judged(name, id, **changes):
        step = graph.by_id[id]
        bent = dataclasses.replace(step, node=dataclasses.replace(step.node, **changes))
        steps = tuple(bent if s.id == id else s for s in graph.steps)
        dataclasses.replace(graph, steps=steps).save(folder / name)
        code, stdout, output = run("measure", folder / "plate.tif", "--graph", folder / name, "--json")
        assert code == 0, output
        return json.loads(stdout)["verdict"]

    green = judged("green.json", "steer", angle=60.0)
    assert green["status"] == "off"
    assert any("kept 60% from the look" in f["sentence"] and f["status"] == "off" for f in green["findings"])
    none = judged("none.json", "keep", amount=0.0)
    assert any(f["status"] == "not judged" and "skin kept 0%" in f["sentence"] for f in none["findings"])
    little = judged("little.json", "keep", amount=0.1)
    assert any("still takes skin" in f["sentence"] and f["status"] == "off" for f in little["findings"]), little


def test_a_target_is_reached_through_a_view_that_turns_skin_farther_than_it_is_turned():
    """Read anew by the measure alone; a view behind which no turn of the skin reaches it is told, not guessed."""
    shade = np.linspace(0.7, 1.2, 160, dtype=np.float32)[:, None]
    skin = np.ascontiguousarray(np.broadcast_to(np.array([0.62, 0.48, 0.40], np.float32) * shade, (90, 160, 3)))
    matte, aim = np.ones((90, 160), np.float32), Aim(SkinTarget())
    skin = solve_steer(skin, matte).process(skin, matte)

    def cool(picture):
        return Cdl((0.944, 0.986, 1.056), (-0.007, 0.0, 0.014), (1.028, 1.0, 0.979), clamp=False).process(picture)

    assert measure_skin(cool(skin), matte).angle < 112
    seen = cool(evidence._on_target(skin, matte, aim, cool))
    assert measure_skin(seen, matte).angle == pytest.approx(123, abs=0.05)
    with pytest.raises(ReadingError, match="cannot be brought to its target"):
        evidence._on_target(skin, matte, aim, lambda picture: np.ascontiguousarray(picture[..., ::-1]))


def test_a_finished_file_under_a_look_is_not_judged_without_its_plate(solved):
    folder, _, _ = solved
    code, stdout, output = run("measure", folder / "skin.tif", "--graph", folder / "g.json", "--corrected", "--json")
    assert code == 0, output
    findings = json.loads(stdout)["verdict"]["findings"]
    assert any(f["status"] == "not judged" and "not judged, skin kept 60%" in f["sentence"] for f in findings), stdout
    assert not any(f["status"] == "holds" for f in findings)


def test_carry_keeps_the_look_and_solves_again_before_it(solved, monkeypatch):
    folder, _, _ = solved
    monkeypatch.setattr(evidence, "available", lambda: False)
    graph, first, second = Graph.load(folder / "g.json"), take("take1"), take("take4")
    with open_clip(folder / "plate.tif") as clip:
        carrier = Carrier(graph, Shot("take1", clip, 1, first.card()), lambda seen: seen)
        shot = Shot("take4", second.clip, 1, second.card(), (second.face(),), (SAWDUST,))
        carried, again = carrier.carry(shot), carrier.carry(shot, again=True)
    for each in (carried, again):
        assert {"look", "keep", "protect"} <= set(each.graph.by_id)
        assert each.graph.by_id["look"] == graph.by_id["look"]
        assert each.graph.by_id["keep"].node == graph.by_id["keep"].node
    assert again.surveyed.without_look.angle == pytest.approx(123, abs=0.5)
    assert any("kept 60% from the look" in f.sentence for f in again.verdict.findings)
    assert part_of(graph, graph.by_id["look"]) == part_of(graph, graph.by_id["protect"]) == "look"
    without = parts_of(graph, [part for part in PARTS if part != "look"])
    plate = open_clip(folder / "plate.tif").read(1)
    made = Runner(without).run_frame(1, {"plate": plate})["result"]
    natural = dict(graph.by_id["keep"].inputs)["natural"]
    wanted = Runner(graph).values(1, {"plate": plate}, {"": natural})[""]
    assert np.array_equal(made, wanted)


def test_several_people_are_protected_together(tmp_path):
    first = Graph.of(
        Step.of("steer", Cdl(clamp=False), image="plate"),
        Step.of("a", ProtectMatte(), matte="b"),
        Step.of("b", _shape(0.3), image="plate"),
        Step.of("c", _shape(0.7), image="plate"),
        result="steer", **{"matte": "b", "matte-left": "b", "matte-right": "c"},
    )  # fmt: skip
    look = open_look(str(cold_list(tmp_path)), "bt709")
    graph = Under(look, 0.5).on(first)
    made = Runner(graph).run_frame(1, {"plate": np.full((90, 160, 3), 0.4, np.float32)})
    assert made["protection"][45, 48] == made["protection"][45, 112] == 1
    assert made["protection"][45, 80] == 0
    with pytest.raises(LookError, match="has a look already"):
        Under(look, 0.5).on(graph)


def _shape(x):
    from inkarnat.nodes import Region

    return Region(centre=(x, 0.5), width=0.3, height=0.3, feather=0.0)


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("--under", "none.clf", "--look-input", "bt709"), "The look cannot be read: none.clf does not exist"),
        (("--under", "COLD"), "does not say which colour space it is made for: give --look-input"),
        (("--under", "COLD", "--look-input", "bt790"), "'bt790' is unknown. Did you mean 'bt709'?"),
        (("--under", "BAD", "--look-input", "bt709"), "cannot be read"),
        (("--under", "COLD", "--look-input", "bt709", "--keep-skin", "60"), "--keep-skin must be 0 to 1, not 60"),
        (("--under", "COLD", "--look-input", "bt709", "--view", "COLD"), "stands in both --view and --under"),
        (("--keep-skin", ".5"), "--keep-skin is for a look: give --under LOOK too"),
        (("--look-input", "bt709"), "--look-input is for a look"),
    ],
)
def test_a_wrong_look_is_one_line_before_anything_is_decoded(tmp_path, words, part):
    """The clip does not exist: it is not looked for before the look is right."""
    cold = cold_list(tmp_path)
    bad = tmp_path / "bad.clf"
    bad.write_text("<ProcessList>")
    names = {"COLD": str(cold), "BAD": str(bad)}
    code, _, output = run("correct", "no-clip.mov", "-o", tmp_path / "o.mov", *(names.get(w, w) for w in words))
    assert (code, part in output, output.strip().count("\n")) == (2, True, 0), output


def test_the_look_on_top_is_refused_as_a_view_too(solved):
    folder, _, _ = solved
    words = "measure", folder / "plate.tif", "--graph", folder / "g.json", "--view", folder / "cold.cc"
    code, _, output = run(*words)
    assert (code, "on top already" in output) == (2, True), output
