"""Stills: pictures for looking at a correction, their names, what they show, and one sheet of all."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.host_adapters.shots import evidence
from inkarnat.host_adapters.shots.evidence import Witness
from inkarnat.host_adapters.shots.stills import Shown, still_files
from inkarnat.nodes import Region, SheetRow, Vectorscope, Waveform, clipped, contact_sheet
from PIL import Image
from takes import Reel, film, write

NAMES = (
    "as-shot", "light-only", "final", "matte", "dimmed", "clipped", "vectorscope", "waveform-skin", "parade-skin",
    "waveform", "parade",
)  # fmt: skip


def run(*words):
    done = CliRunner().invoke(cli, [str(word) for word in words])
    return done.exit_code, done.stdout, done.output


def plain(picture):
    return picture


@pytest.fixture(scope="module")
def solved(tmp_path_factory):
    """A clip of four frames, corrected, with stills of two of them."""
    folder = tmp_path_factory.mktemp("stills")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(evidence, "available", lambda: False)
        shot = film("plank", 0, 0, green=0.3, frames=4, width=320)
        words = ("correct", write(shot, folder), "--add", shot.face())
        code, _, output = run(
            *words, "--graph-out", folder / "g.json", "--stills", folder / "looked", "--stills-frames", "1,3"
        )
    assert code == 0, output
    return folder, shot, words


def test_a_correction_writes_stills_of_the_frames_of_ones_choice(solved):
    folder, shot, _ = solved
    written = {path.name for path in (folder / "looked").iterdir() if not path.name.startswith(".")}
    expected = {f"plank.{frame:04d}.{name}.png" for frame in (1, 3) for name in NAMES} | {"plank.sheet.png"}
    assert written == expected
    witness = Witness(Graph.load(folder / "g.json"), plain)
    pictures = witness.pictures(shot.clip, 3)
    for name, word in (("as_shot", "as-shot"), ("light_only", "light-only"), ("final", "final")):
        still = read_picture(folder / "looked" / f"plank.0003.{word}.png")[0]
        assert np.abs(still - np.clip(pictures[name], 0, 1)).max() < 1.01 / 255, name
    with Image.open(folder / "looked" / "plank.0003.vectorscope.png") as scope:
        assert scope.size == (640, 640)


def test_the_same_stills_come_from_the_graph_by_two_verbs(solved):
    folder, _, words = solved
    clip = words[1]
    code, stdout, output = run(
        "stills", clip, "--graph", folder / "g.json", "-o", folder / "again", "--frames", "1,3", "--json"
    )
    assert code == 0, output
    told = json.loads(stdout)
    assert told["frames"] == [1, 3]
    code, _, output = run(
        "render", folder / "g.json", "--in", f"plate={clip}", "--stills", folder / "third", "--stills-frames", "1,3"
    )
    assert code == 0, output
    for name in NAMES:
        first = (folder / "looked" / f"plank.0003.{name}.png").read_bytes()
        assert (folder / "again" / f"plank.0003.{name}.png").read_bytes() == first, name
        assert (folder / "third" / f"plank.0003.{name}.png").read_bytes() == first, name
    code, stdout, output = run("stills", clip, "--graph", folder / "g.json", "-o", folder / "few", "--json")
    assert json.loads(stdout)["frames"] == [1, 3, 4] or json.loads(stdout)["frames"] == [1, 2, 4]
    assert "of an earlier run" not in output
    _, _, output = run("stills", clip, "--graph", folder / "g.json", "-o", folder / "few", "--frames", "1")
    assert "plank.0004.waveform.png (22 files): of an earlier run" in output, (
        "stills of other frames may show another state"
    )


def test_the_reference_lies_beneath_in_grey_and_the_trace_over_it():
    scope = Vectorscope(size=320, zoom="2")
    red, green = (
        np.broadcast_to(np.array(c, np.float32), (40, 40, 3)).copy() for c in ((0.6, 0.3, 0.3), (0.3, 0.6, 0.3))
    )
    alone = scope.over(red)
    both = scope.over(red, None, scope.counts(green), "frame 1")
    changed = np.abs(both - alone).max(axis=2) > 0.05
    changed[:60, 160:] = False  # its name
    assert changed.any()
    spread = both[changed].max(axis=1) - both[changed].min(axis=1)
    assert np.median(spread) < 0.15, "grey"
    counts = scope.counts(green)
    rows, columns = np.nonzero(counts)
    where = np.argwhere(changed)
    scale = 320 / counts.shape[0]
    assert abs(where[:, 0].mean() - rows.mean() * scale) < 6
    assert abs(where[:, 1].mean() - columns.mean() * scale) < 6
    assert np.array_equal(scope.over(red, None), scope.process(red))


def test_levels_of_the_skin_are_weighted_percentiles():
    """Against a sorted list in which every pixel counts by its matte."""
    random = np.random.default_rng(4)
    picture = random.random((60, 80, 3)).astype(np.float32)
    matte = (random.random((60, 80)) > 0.7).astype(np.float32)
    parade = Waveform(view="parade").skin_levels(picture, matte)
    for channel, levels in enumerate(parade):
        wanted = np.percentile(picture[..., channel][matte > 0], (5, 50, 95))
        assert levels == pytest.approx(wanted, abs=0.01)
    (luma,) = Waveform().skin_levels(picture, matte)
    assert luma[1] == pytest.approx(np.median(picture[matte > 0] @ [0.2126, 0.7152, 0.0722]), abs=0.01)
    marked = Waveform(view="parade").marked(picture, None, parade)
    bare = Waveform(view="parade").marked(picture, None, ())
    assert np.abs(marked - bare).max() > 0.5


def test_clipped_pixels_are_shown_and_counted():
    picture = np.full((200, 200, 3), 0.5, np.float32)
    picture[100:110, 100:110, 0] = 1.0
    picture[120:130, 100:120, 2] = 0.0
    picture[150, 150] = np.nan
    picture[160, 160] = [1.2, -0.1, 0.5]
    shown = clipped(picture)
    assert (shown[105, 105] == np.array([1.0, 0.35, 0.1], np.float32)).all()
    assert (shown[125, 110] == np.array([0.2, 0.45, 1.0], np.float32)).all()
    assert (shown[160, 160] == shown[105, 105]).all()
    assert shown[150, 150].max() == 0
    assert shown[180, 20] == pytest.approx([0.25] * 3, abs=1e-6)


def test_a_sheet_holds_every_tile_under_its_name():
    tiles = {f"t{i}": np.full((50, 420, 3), (i + 1) / 10, np.float32) for i in range(8)}
    made = contact_sheet([SheetRow("frame 1", tiles), SheetRow("frame 9", {"t0": tiles["t0"]})])
    for i in range(8):
        assert (np.abs(made - np.float32((i + 1) / 10)).max(axis=2) < 1e-6).sum() >= 50 * 420 - 1
    assert made.shape[1] == 6 * 428 + 8


def test_several_people_and_a_look_have_names_of_their_own():
    names = Shown(("left", "right"), True).names()
    assert {"without-look", "vectorscope-left", "vectorscope-right", "parade-skin-right"} <= set(names)
    files = still_files(Shown(), "shots/planing.%04d.exr", [7], "out")
    assert str(files["7 final"]).endswith("out/planing.0007.final.png")
    assert str(files["sheet"]).endswith("out/planing.sheet.png")


def test_measure_draws_the_scopes_of_what_it_reads(solved):
    folder, shot, words = solved
    write_picture(folder / "one.png", shot.clip.read(1), None, bits=8)
    code, stdout, output = run(
        "measure", folder / "one.png", "--add", shot.face(), "--scope", folder / "scope.png", "--json"
    )
    assert code == 0, output
    with Image.open(folder / "scope.png") as drawn:
        assert drawn.size == (640 + 2 * 960, 640)
    assert "scopes of frame 1" in json.loads(stdout)["notes"][-1]
    code, _, output = run("measure", words[1], "--graph", folder / "g.json", "--scope", folder / "graph.png")
    assert code == 0, output
    code, _, output = run("measure", folder / "one.png", "--add", shot.face(), "--scope", folder / "scope.mov")
    assert (code, "scope.mov" in output) == (5, True), output


def test_nobody_keyed_still_gives_stills(tmp_path):
    """A matte that is empty on a frame: the scopes say so, and nothing fails."""
    from inkarnat.host_adapters.graphs.graph import Step
    from inkarnat.host_adapters.shots.stills import write_stills
    from inkarnat.nodes import SteerSkin

    graph = Graph.of(
        Step.of("nobody", Region(centre=(5.0, 5.0), width=0.01, height=0.01, feather=0.0), image="plate"),
        Step.of("steer", SteerSkin(angle=3.0), image="plate", matte="nobody"),
        result="steer", matte="nobody",
    )  # fmt: skip
    clip = Reel("dark", [np.full((90, 160, 3), 0.2, np.float32)])
    files = still_files(Shown.of(graph), "dark.mov", [1], tmp_path / "stills")
    write_stills(graph, clip, files, [1], plain)
    assert all(path.exists() for path in files.values())


@pytest.mark.parametrize(
    ("words", "code", "part"),
    [
        (("--stills-frames", "1"), 2, "--stills-frames is for stills: give --stills DIR too"),
        (("--stills", "DIR", "--stills-frames", "9"), 2, "Frame 9 is not there to be drawn: there are 1 to 4"),
        (("--stills", "FILE"), 2, "is a file: name a folder"),
    ],
)
def test_wrong_use_is_one_line(solved, tmp_path, words, code, part):
    folder, _, base = solved
    (tmp_path / "file").write_text("mine")
    names = {"DIR": tmp_path / "dir", "FILE": tmp_path / "file"}
    done = run(*base, "-o", tmp_path / "o.%04d.png", *(names.get(w, w) for w in words))
    assert (done[0], part in done[2], done[2].strip().count("\n")) == (code, True, 0), done
    assert (tmp_path / "file").read_text() == "mine"
    code, _, output = run("stills", base[1], "--graph", folder / "g.json", "-o", tmp_path / "d", "--reference", "77")
    assert (code, "frame 77, is not in" in output) == (2, True), output


def test_foreign_pictures_are_not_replaced(solved, tmp_path):
    folder, _, base = solved
    mine = tmp_path / "plank.0001.final.png"
    mine.write_bytes(b"mine")
    code, _, output = run("stills", base[1], "--graph", folder / "g.json", "-o", tmp_path, "--frames", "1")
    assert (code, "--overwrite" in output) == (5, True), output
    assert mine.read_bytes() == b"mine"
    assert [path.name for path in tmp_path.iterdir()] == ["plank.0001.final.png"]
