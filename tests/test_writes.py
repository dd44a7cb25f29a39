"""The one door for writes: originals stay, what was made here is replaced, and everything refused is named at once."""

from __future__ import annotations

import ast
import json
import multiprocessing
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import made, writes
from inkarnat.host_adapters.commands.cli import WRITING, cli
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media.clips import open_writer
from inkarnat.host_adapters.media.pictures import FORMATS, read_picture, write_picture
from inkarnat.host_adapters.media.video_format import READ_SUFFIXES, SUFFIXES
from inkarnat.host_adapters.sequences import FOOTAGE, PICTURES, VIDEOS
from inkarnat.nodes import Cdl, RangeKey

BOX = ("--add", "box:.2,.2,.8,.8")


def run(*words, code: int = 0):
    """Run the command line in this process and return what it said."""
    result = CliRunner().invoke(cli, [str(word) for word in words])
    assert result.exit_code == code, result.output + result.stderr
    return result.stdout + result.stderr


def skin(frame: int = 1, height: int = 48, width: int = 64) -> np.ndarray:
    grain = np.random.default_rng(frame).normal(0, 0.01, (height, width, 3))
    return (np.array([0.72, 0.52, 0.43]) + grain).astype(np.float32)


@pytest.fixture
def shot(tmp_path, monkeypatch):
    """A folder with a clip, a still, a sequence and a graph, none of them known to be made here."""
    with open_writer(tmp_path / "in.mp4") as writer:
        for frame in (1, 2, 3):
            writer.write(frame, skin(frame))
    write_picture(tmp_path / "in.png", skin(), None, bits=8)
    for frame in range(1, 5):
        write_picture(tmp_path / f"pl.{frame:04d}.png", skin(frame), None, bits=8)
    graph = Graph.of(
        Step.of("grade", Cdl(slope=(0.9, 1, 1)), image="plate"), Step.of("key", RangeKey(), image="plate"),
        result="grade", matte="key",
    )  # fmt: skip
    graph.save(tmp_path / "g.json")
    (tmp_path / "film.clf").write_text("<a look from elsewhere/>")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(writes.OVERWRITE, raising=False)
    return tmp_path


def files_of(folder: Path) -> dict[str, bytes]:
    paths = (path for path in folder.rglob("*") if path.is_file() and path.name != made.LEDGER)
    return {str(path.relative_to(folder)): path.read_bytes() for path in paths}


@pytest.fixture
def untouched(shot):
    before = files_of(shot)
    yield shot
    after = files_of(shot)
    assert {name: after.get(name) for name in before} == before, "an original was changed"
    assert not [name for name in after if ".lock" in name], "a lock is left"


# --- originals ------------------------------------------------------------------------------------------------

NEVER = {
    "graph over the clip": (("correct", "in.mp4", "-o", "out.mp4", *BOX, "--graph-out", "in.mp4"), "in.mp4"),
    "clip over itself": (("correct", "in.mp4", "-o", "in.mp4", *BOX), "in.mp4 is an input"),
    "matte over the clip": (("correct", "in.mp4", "-o", "out.mp4", *BOX, "--matte-out", "./in.mp4"), "is an input"),
    "table over the clip": (("measure", "in.mp4", *BOX, "--csv", "in.mp4"), "in.mp4"),
    "table over the graph": (("measure", "in.mp4", "--graph", "g.json", "--csv", "g.json"), "g.json is an input"),
    "page over the clip": (("report", "g.json", "--clip", "in.mp4", "-o", "in.mp4"), "in.mp4"),
    "page over the graph": (("report", "g.json", "--clip", "in.mp4", "-o", "g.json"), "g.json is an input"),
    "region over the clip": (("track", "in.mp4", "--region", "rectangle:.5,.5,.5,.5", "-o", "in.mp4"), "in.mp4"),
    "look-up over footage": (("export", "g.json", "-o", "pl.0001.png"), "pl.0001.png"),
    "render over the clip": (("render", "g.json", "--in", "plate=in.mp4", "--out", "result=in.mp4"), "is an input"),
    "render over the plates": (
        ("render", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=pl.####.png"), "is an input",
    ),
    "a part over the plates": (
        ("farm", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=pl.%04d.png", "--part", "1-2"), "is an input",
    ),
    "a job over the plates": (
        ("job", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=pl.%04d.png"), "is an input",
    ),
    "graph under the name of notes": (
        ("correct", "in.png", *BOX, "--graph-out", "in.png.desk.json"), "the desk's notes",
    ),
}  # fmt: skip
"""Command lines that write over what they read, or text under the name of footage."""


@pytest.mark.parametrize(("words", "said"), NEVER.values(), ids=NEVER.keys())
@pytest.mark.parametrize("allowed", [(), ("--overwrite",)], ids=["", "overwrite"])
def test_what_is_read_is_never_overwritten(untouched, words, said, allowed):
    assert said in run(*words, *allowed, code=5)


def test_an_input_is_known_by_any_name(untouched):
    os.symlink("in.mp4", "linked.mp4")
    os.link("in.png", "hard.png")
    (untouched / "sub").symlink_to(untouched)
    plates = ("render", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=sub/pl.%04d.png", "--overwrite")
    assert "is an input" in run(*plates, code=5)
    for source, name in (("in.mp4", "linked.mp4"), ("in.png", "hard.png"), ("in.mp4", "sub/in.mp4")):
        words = ("render", "g.json", "--in", f"plate={source}", "--out", f"result={name}", "--overwrite")
        assert f"{name} is an input as well" in run(*words, code=5)


UNASKED = {
    "corrected picture": (("correct", "in.png", "-o", "other.png", *BOX), "other.png"),
    "its graph": (("correct", "in.png", "-o", "new.png", *BOX, "--graph-out", "notes.json"), "notes.json"),
    "rendered picture": (("render", "g.json", "--in", "plate=in.png", "--out", "result=other.png"), "other.png"),
    "table over another graph": (("measure", "in.png", *BOX, "--csv", "kept.json"), "kept.json"),
    "look-up": (("export", "g.json", "-o", "film.clf"), "film.clf"),
    "region": (("track", "in.mp4", "--region", "rectangle:.5,.5,.5,.5", "-o", "notes.json"), "notes.json"),
    "page": (("report", "g.json", "--clip", "in.mp4", "-o", "page.html"), "page.html"),
    "carried graph": (("carry", "g.json", "--from", "in.mp4", "--to", "in.png", "-o", "takes"), "takes/in.json"),
    "demo": (("demo", "mine"), "mine/before.png"),
    "job": (("job", "g.json", "--in", "plate=in.mp4", "--out", "result=o.mp4", "-o", "page.html"), "page.html"),
    "its result": (("job", "g.json", "--in", "plate=in.mp4", "--out", "result=other.mov"), "other.mov"),
}  # fmt: skip
"""Command lines that would write over files of somebody else's."""


@pytest.mark.parametrize(("words", "named"), UNASKED.values(), ids=UNASKED.keys())
def test_what_was_not_made_here_is_not_overwritten_unasked(shot, words, named):
    shutil.copy("in.png", "other.png")
    shutil.copy("in.mp4", "other.mov")
    Path("notes.json").write_text('{"shopping": ["planks"]}')
    Graph.load("g.json").save("kept.json")
    Path("page.html").write_text("<p>mine</p>")
    for folder, name in (("takes", "in.json"), ("mine", "before.png")):
        Path(folder).mkdir()
        (Path(folder) / name).write_bytes(b"made by hand")
    before = files_of(shot)
    said = run(*words, code=5)
    assert named in said
    assert "not made by Inkarnat" in said
    assert "--overwrite" in said
    assert files_of(shot) == before


def test_all_refused_names_are_told_at_once_and_before_anything_is_decoded(shot, monkeypatch):
    from inkarnat.host_adapters.media.clips import Clip

    monkeypatch.setattr(Clip, "read", lambda *_: pytest.fail("a frame was decoded"))
    shutil.copy("in.png", "matte.png")
    Path("kept.json").write_text("{}")
    words = ("correct", "in.mp4", *BOX, "-o", "in.mp4", "--matte-out", "matte.png", "--graph-out", "kept.json")
    said = run(*words, code=5)
    assert all(name in said for name in ("in.mp4 is an input", "matte.png", "kept.json"))


def test_files_of_a_sequence_are_counted(shot):
    for frame in (2, 3):
        shutil.copy("in.png", f"out.{frame:04d}.png")
    words = ("render", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=out.%04d.png")
    assert "2 files from out.0002.png to out.0003.png are there already" in run(*words, code=5)
    run(*words, "--frames", "1")  # what it does not write does not matter
    assert (shot / "out.0002.png").read_bytes() == (shot / "in.png").read_bytes()


@pytest.mark.parametrize("way", ["switch", "environment"])
def test_it_can_be_allowed(shot, monkeypatch, way):
    shutil.copy("in.png", "other.png")
    if way == "environment":
        monkeypatch.setenv("INKARNAT_OVERWRITE", "1")
    words = ("render", "g.json", "--in", "plate=in.png", "--out", "result=other.png")
    run(*words, *(["--overwrite"] if way == "switch" else []))
    assert (shot / "other.png").read_bytes() != (shot / "in.png").read_bytes()


# --- what was made here -----------------------------------------------------------------------------------------

AGAIN = {
    "picture": ("render", "g.json", "--in", "plate=in.png", "--out", "result=out.png"),
    "sequence": ("render", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=out.%04d.png"),
    "video": ("render", "g.json", "--in", "plate=in.mp4", "--out", "result=out.mov"),
    "in processes": ("render", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=out.%04d.png", "--resume"),
    "graph, matte": ("correct", "in.png", "-o", "out.png", *BOX, "--graph-out", "o.json", "--matte-out", "m.png"),
    "table": ("measure", "in.png", *BOX, "--csv", "t.csv"),
    "look-up": ("export", "g.json", "-o", "own.clf"),
    "job": ("job", "g.json", "--in", "plate=in.mp4", "--out", "result=o.mp4", "-o", "job.yaml"),
    "report": ("report", "g.json", "--clip", "in.mp4", "-o", "own.html", "--most", "1"),
}


@pytest.mark.parametrize("words", AGAIN.values(), ids=AGAIN.keys())
def test_the_same_again_is_no_question(shot, words):
    run(*words)
    first = files_of(shot)
    run(*words)
    shutil.rmtree("again", ignore_errors=True)
    assert files_of(shot).keys() == first.keys()


def test_a_plate_that_a_link_leads_to_is_an_input_under_its_own_name_too(shot):
    """Frames of a sequence are often links into a store; what lies there was perhaps made here, in an earlier run."""
    run(*AGAIN["sequence"])
    before = files_of(shot)
    (shot / "links").mkdir()
    for number in (1, 2, 3):
        os.symlink(f"../out.000{number}.png", f"links/a.000{number}.png")
    words = ("render", "g.json", "--in", "plate=links/a.%04d.png", "--out")
    assert "out.0001.png is an input as well" in run(*words, "result=out.%04d.png", "--overwrite", code=5)
    assert "out.0002.png is an input as well" in run(*words, "result=out.0002.png", "--frames", "1", code=5)
    assert {name: data for name, data in files_of(shot).items() if name in before} == before


def test_what_was_made_here_and_changed_since_is_somebodys(shot):
    words = AGAIN["sequence"]
    run(*words)
    changed = shot / "out.0003.png"
    before = os.stat(changed)
    data = bytearray(changed.read_bytes())
    data[-20] ^= 1
    changed.write_bytes(data)
    os.utime(changed, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert "out.0003.png is there already" in run(*words, code=5)
    assert changed.read_bytes() == data


def test_metadata_that_was_copied_along_proves_nothing(shot):
    run(*AGAIN["picture"])
    shutil.copy2("out.png", "copy.png")
    words = ("render", "g.json", "--in", "plate=in.png", "--out", "result=copy.png")
    assert "copy.png is there already" in run(*words, code=5)


def test_a_run_killed_before_its_file_took_its_name_leaves_the_earlier_one_known(shot):
    run(*AGAIN["picture"])
    for _ in range(2):
        (shot / ".out.0123456789ab.png").write_bytes(b"newer")
        made.note(shot / "out.png", shot / ".out.0123456789ab.png")
    assert made.is_noted(shot / "out.png")
    run(*AGAIN["picture"])
    (shot / "out.png").write_bytes(b"older")
    assert not made.is_noted(shot / "out.png")


def test_a_file_that_was_copied_back_is_known_by_its_content(shot):
    run(*AGAIN["picture"])
    shutil.copy("out.png", "elsewhere")
    os.replace("elsewhere", "out.png")
    run(*AGAIN["picture"])


def test_files_that_a_journal_knows_are_ours(shot):
    run(*AGAIN["in processes"])
    (shot / made.LEDGER).unlink()
    made._ledgers.clear()
    run(*AGAIN["sequence"])


@pytest.mark.parametrize("kind", ["graph", "readings", "look-up", "page"])
def test_texts_are_known_by_their_own_mark(shot, kind):
    """As where version 0.1.0 wrote them, which kept no ledger."""
    name, words = {
        "graph": ("o.json", AGAIN["graph, matte"]),
        "readings": ("t.csv", AGAIN["table"]),
        "look-up": ("own.clf", AGAIN["look-up"]),
        "page": ("own.html", AGAIN["report"]),
    }[kind]
    run(*words)
    (shot / made.LEDGER).unlink()
    made._ledgers.clear()
    for path in shot.glob("*.png"):
        if path.name in ("out.png", "m.png"):
            path.unlink()
    text = (shot / name).read_text().replace('<meta name="generator" content="inkarnat">\n', "")
    (shot / name).write_text(text)
    run(*words)


def test_an_empty_file_a_device_and_a_pipe_are_no_files(shot):
    Path("out.png").touch()
    run(*AGAIN["picture"])
    assert read_picture("out.png")[0].shape == (48, 64, 3)
    run("measure", "in.png", *BOX, "--csv", "/dev/null")
    assert not Path("/dev/null").is_file()
    os.mkfifo("pipe")
    reader = multiprocessing.get_context("fork").Process(target=lambda: Path("read").write_bytes(_all_of("pipe")))
    reader.start()
    run("measure", "in.png", *BOX, "--csv", "pipe")
    reader.join(20)
    assert Path("read").read_text().startswith("frame,angle_degrees")
    assert not Path("pipe").is_file()


def _all_of(path):
    with open(path, "rb") as file:
        return file.read()


@pytest.mark.parametrize(
    ("result", "matte"),
    [
        ("q.%04d.png", "q.####.png"),
        ("q.%d.png", "q.#.png"),
        ("q.%04d.png", "q.0002.png"),
        ("q.%d.png", "./q.%01d.png"),
        ("q.%04d.png", "Q.####.PNG"),
        ("q.%04d.png", "Q.0002.png"),
        ("q-\N{LATIN SMALL LETTER E WITH ACUTE}.png", "q-e\N{COMBINING ACUTE ACCENT}.png"),
    ],
)
def test_outputs_that_share_a_file_are_refused_however_they_are_spelled(shot, result, matte):
    words = ("render", "g.json", "--in", "plate=pl.%04d.png", "--out", f"result={result}", "--out", f"matte={matte}")
    assert f"{result} and {Path(matte)} are one file, or share some" in run(*words, code=5)
    assert not list(shot.glob("q[.-]*"))


@pytest.mark.parametrize(("way", "name"), [("job", "job.yaml"), ("table", "t.csv"), ("look-up", "own.clf")])
def test_a_text_that_was_changed_for_those_who_go_on_with_it_is_theirs(shot, way, name):
    run(*AGAIN[way])
    theirs = (shot / name).read_text() + "\n"
    (shot / name).write_text(theirs)
    assert f"{name} is there already" in run(*AGAIN[way], code=5)
    assert (shot / name).read_text() == theirs


def test_one_picture_for_several_frames_is_refused_before_the_first(shot):
    words = ("render", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=one.png")
    assert "one.png holds one picture, and there are 4 frames: name a sequence such as one.%04d" in run(*words, code=5)
    assert not (shot / "one.png").exists()
    run(*words, "--frames", "2")
    assert (shot / "one.png").exists()


def test_a_ledger_that_is_a_link_or_damaged_costs_itself_alone(shot):
    notes = shot / "notes.txt"
    notes.write_text("mine")
    for name in ("linked", "damaged"):
        (shot / name).mkdir()
    (shot / "linked" / made.LEDGER).symlink_to(notes)
    (shot / "damaged" / made.LEDGER).write_bytes(b'\xff{}\n[1]\nnull\n{"name": 5}\n"x"\n')
    for folder in ("linked", "damaged"):
        words = ("render", "g.json", "--in", "plate=in.png", "--out", f"result={folder}/o.png")
        run(*words)
        run(*words, code=5 if folder == "linked" else 0)
    assert notes.read_text() == "mine"


def test_files_of_an_earlier_longer_clip_are_named(shot):
    words = ("render", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=q.%04d.png")
    assert "beside the result" not in run(*words)
    (shot / "pl.0004.png").unlink()
    assert "q.0004.png lies beside the result and belongs to no frame of pl.%04d.png" in run(*words)
    (shot / "pl.0003.png").unlink()
    assert "q.0003.png to q.0004.png (2 files) lie beside the result and belong to no frame" in run(*words)


def test_frames_of_another_graph_beside_new_ones_are_told(shot):
    """One sequence of two states looks like a jump of the light."""
    shutil.copy("g.json", "own.json")
    words = ("render", "own.json", "--in", "plate=pl.%04d.png", "--out", "result=q.%04d.png")
    assert "another graph" not in run(*words)
    assert "another graph" not in run(*words, "--frames", "1")
    run("graph", "set", "own.json", "grade.saturation=.5")
    assert "q.%04d.png holds frames that another graph made, 2–4: render them as well" in run(*words, "--frames", "1")
    assert "another graph" not in run(*words)


def test_a_plate_that_is_a_result_already_is_told(shot):
    """Else a correction is made twice unseen, and a look put on twice."""
    once = ("render", "g.json", "--in", "plate=in.png", "--out", "result=once.png")
    twice = ("render", "g.json", "--in", "plate=once.png", "--out", "result=twice.png")
    assert "result of a graph" not in run(*once)
    assert "once.png is itself a result of a graph" in run(*twice)
    shutil.copy("in.png", "once.png")
    assert "result of a graph" not in run(*twice)


def test_behind_a_link_the_file_is_written_that_it_points_to(shot):
    """Links put results on a larger disk, and one graph into several folders: both names stay one file."""
    (shot / "large").mkdir()
    os.symlink("large/o.mov", "o.mov")
    os.symlink("../g.json", "large/g.json")
    for _ in range(2):
        run("render", "g.json", "--in", "plate=in.mp4", "--out", "result=o.mov")
    run("graph", "set", "large/g.json", "grade.saturation=.5")
    assert (Path("o.mov").is_symlink(), Path("large/o.mov").is_file(), Path("large/g.json").is_symlink()) == (True,) * 3
    assert '"saturation": 0.5' in (shot / "g.json").read_text()
    (shot / "theirs.mov").write_bytes(b"theirs")
    os.symlink("theirs.mov", "link.mov")
    assert "link.mov is there already" in run(
        "render", "g.json", "--in", "plate=in.mp4", "--out", "result=link.mov", code=5
    )
    assert {path.name for path in shot.rglob(".*")} == {made.LEDGER}


def test_the_ledger_stays_short(shot, monkeypatch):
    monkeypatch.setattr(made, "_SPARE_LINES", 3)
    for _ in range(8):
        run(*AGAIN["picture"])
    lines = (shot / made.LEDGER).read_text().splitlines()
    assert len(lines) <= 2 * len({json.loads(line)["name"] for line in lines}) + 4
    run(*AGAIN["picture"])


# --- resuming, parts --------------------------------------------------------------------------------------------


def test_a_resumed_run_replaces_what_it_had_begun(shot):
    words = AGAIN["in processes"]
    run(*words)
    (shot / "out.0002.png").write_bytes(b"cut off")
    run(*words)
    assert read_picture("out.0002.png")[0].shape == (48, 64, 3)


@pytest.mark.parametrize(
    ("way", "more", "name", "theirs"),
    [("in processes", (), "out.0002.png", "in.png"), ("video", ("--resume",), "out.mov", "in.mp4")],
)
def test_a_resumed_run_asks_before_it_replaces_what_somebody_made_of_its_result(shot, way, more, name, theirs):
    """A frame that was painted, or a clip that was cut anew, under the name it had."""
    words = (*AGAIN[way], *more)
    run(*words)
    shutil.copy(theirs, name)
    assert f"{name} is there already" in run(*words, code=5)
    assert Path(name).read_bytes() == Path(theirs).read_bytes()
    run(*words, "--overwrite")
    assert Path(name).read_bytes() != Path(theirs).read_bytes()


def test_a_first_run_with_resume_overwrites_nobodys_files(shot):
    shutil.copy("in.png", "out.0002.png")
    assert "out.0002.png is there already" in run(*AGAIN["in processes"], code=5)


def test_parts_of_a_run_do_not_ask_again(shot):
    shutil.copy("in.png", "out.0002.png")
    words = ("farm", "g.json", "--in", "plate=pl.%04d.png", "--out", "result=out.%04d.png")
    assert "out.0002.png" in run(*words, "--workers", "1", code=5)
    run(*words, "--part", "1-2")
    assert (shot / "out.0002.png").read_bytes() != (shot / "in.png").read_bytes()


# --- two at once ------------------------------------------------------------------------------------------------


def test_a_refused_second_run_leaves_the_graph_of_the_first(shot):
    run("correct", "in.png", *BOX, "-o", "out.png", "--graph-out", "o.json")
    before = files_of(shot)
    with writes.Lock(Path("out.png")):
        said = run("correct", "in.png", *BOX, "--bias", "3", "-o", "out.png", "--graph-out", "o.json", code=5)
    assert "out.png is being written by another run" in said
    assert files_of(shot) == before


# --- the rules --------------------------------------------------------------------------------------------------


def test_every_verb_that_writes_takes_the_switch():
    for verb in WRITING:
        assert "--overwrite" in run(verb, "--help")


def test_suffixes_of_footage_are_those_that_are_read_and_written():
    assert set(FORMATS) == set(PICTURES)
    assert set(SUFFIXES) == set(VIDEOS)
    assert set(FORMATS) | set(READ_SUFFIXES) <= FOOTAGE


def test_outside_a_verb_footage_is_still_no_place_for_text(tmp_path):
    with pytest.raises(writes.OutputError, match=r"suffix of footage.*choose another suffix"):
        writes.write_text(tmp_path / "a.MOV", "text", made.GRAPH)


# --- nobody goes round the door ---------------------------------------------------------------------------------

ROOT = Path(writes.__file__).parent

EXCEPTIONS = {
    "writes.py": "the door itself",
    "locks.py": "locks are files that are taken before anything is written",
    "made.py": "the ledger is only added to",
    "farm/journal.py": "a journal is only added to",
    "media/pictures.py": "libraries write pictures under the door's temporary name",
    "media/boxes.py": "fills in what the library leaves out, under the door's temporary name",
    "media/companions.py": "asks the library what a container takes, in memory",
    "media/video_write.py": "the library writes video under the door's temporary name",
    "openfx/plugin.py": "an empty file beside compiled code says that an effect has been prepared",
    "openfx/bundle.py": "the bundle is a folder, built aside and put into place whole",
    "commands/cli.py": "standard streams that are closed are pointed nowhere",
    "commands/console.py": "the output is pointed nowhere once its reader has gone",
    "desk/owner.py": "says who owns notes, as locks do",
    "media/files.py": "a link in a temporary folder, for libraries that take UTF-8 alone",
    "desk/secret.py": "under the door's temporary name, readable for its owner alone from the first byte",
    "bench/footage.py": "clips in a temporary folder",
}
"""Files that write otherwise, and why."""

_MODE = {"open": 1, "fdopen": 1}
_WRITERS = {"write_text", "write_bytes", "touch", "tofile", "symlink_to", "hardlink_to", "rename", "writelines"}
_MOVERS = {
    "os": {"replace", "rename", "renames", "link", "symlink", "truncate", "mkfifo", "write", "pwrite"},
    "shutil": {"copy", "copy2", "copyfile", "copytree", "move", "copyfileobj"},
    "np": {"save", "savez", "savetxt", "savez_compressed"},
}


def writing_calls(text: str) -> list[tuple[int, str]]:
    """Return where a source writes to a file by itself: line and what is called."""
    found = []
    for call in (node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Call)):
        name = ast.unparse(call.func)
        owner, _, last = name.rpartition(".")
        at = 0 if last == "open" and owner not in ("", "os", "io", "av", "Image", "oiio", "webbrowser") else 1
        modes = [*call.args[at : at + 1], *(word.value for word in call.keywords if word.arg in ("mode", "flags"))]
        said = " ".join(ast.unparse(mode) for mode in modes)
        if last in ("open", "fdopen") and (
            any(isinstance(m, ast.Constant) and set("wax+") & set(str(m.value)) for m in modes)
            or any(flag in said for flag in ("O_CREAT", "O_WRONLY", "O_RDWR", "O_APPEND"))
        ):
            found.append((call.lineno, f"{name}({said})"))
        elif (owner and last in _WRITERS) or last in _MOVERS.get(owner, ()) or "ImageOutput" in name:
            found.append((call.lineno, name))
        elif last == "save" and call.args and not isinstance(call.args[0], ast.Name | ast.Attribute):
            found.append((call.lineno, name)) if owner == "Image" else None
        elif last in ("NamedTemporaryFile", "mkstemp"):
            found.append((call.lineno, name))
    return found


def test_everything_is_written_through_the_door():
    around = {}
    for path in sorted(ROOT.rglob("*.py")):
        calls = writing_calls(path.read_text(encoding="utf-8"))
        if calls:
            around[path.relative_to(ROOT).as_posix()] = calls
    assert {name: calls for name, calls in around.items() if name not in EXCEPTIONS} == {}
    assert set(EXCEPTIONS) == set(around), "an exception that is none any more"


@pytest.mark.parametrize(
    "source",
    [
        "open(path, 'w')", "open(path, mode='ab')", "path.open('wb')", "path.write_text(text)", "path.write_bytes(b'')",
        "os.open(path, os.O_RDWR | os.O_CREAT)", "av.open(str(path), 'w', options={})", "os.replace(a, b)",
        "oiio.ImageOutput.create(name)", "shutil.copyfile(a, b)", "a.rename(b)", "np.save(path, array)",
    ],
)  # fmt: skip
def test_ways_round_the_door_are_seen(source):
    assert writing_calls(source)


@pytest.mark.parametrize(
    "source",
    ["open(path)", "path.open('rb')", "write_text(path, text, kind)", "name.replace('a', 'b')", "av.open(str(path))"],
)
def test_reading_is_not_taken_for_writing(source):
    assert not writing_calls(source)


def test_a_folder_that_may_not_be_entered_is_an_output_that_cannot_be_written(tmp_path, monkeypatch):
    """`Path.is_dir` raises where a folder on the way may not be entered, which root never sees."""

    def refused(self: Path) -> bool:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "is_dir", refused)
    with pytest.raises(writes.OutputError, match=r"rights|ermission"):
        writes.check_output(tmp_path / "closed" / "a.png")


def test_what_was_written_is_brought_to_the_disk_meanwhile_each_part_once(tmp_path, monkeypatch):
    begun: list[tuple[int, int]] = []
    monkeypatch.setattr(writes, "_WORTH_BRINGING", 100)
    monkeypatch.setattr(writes, "_begin_sync", lambda _, first, count, __: begun.append((first, count)))
    output = writes.Atomic(tmp_path / "a.mkv")
    output.bring()  # nothing is there yet
    with output.temporary.open("wb") as file:
        for count in (60, 60, 10, 300):
            file.write(bytes(count))
            file.flush()
            output.bring()
    assert begun == [(0, 120), (120, 310)]
    monkeypatch.setattr(writes, "_begin_sync", None)  # as on systems without that function
    output.bring()
    output.commit()
    assert (tmp_path / "a.mkv").stat().st_size == 430
