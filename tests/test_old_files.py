"""Files that version 0.1.0 wrote: all load, graphs give the bits they gave then, and what goes on from them works.

`fixtures/store_files.py` wrote them by running the commands of its time on the kept clips.
"""

from __future__ import annotations

import json
import re
import shutil
import sys
import sysconfig

import old_files as old
import pytest
from kept import BY_NUMPY, TABLE, Graph, arithmetic, run

STORED = json.loads(old.BITS.read_text())["graphs"]


@pytest.fixture(scope="module")
def clips():
    return old.clips()


# --- graphs -------------------------------------------------------------------------------------------------


def test_every_kept_graph_has_its_bits():
    assert set(STORED) == set(old.graph_names())
    assert len(STORED) >= 16


@pytest.mark.parametrize("name", STORED)
def test_an_old_graph_gives_its_bits(name, clips):
    found = old.outputs_of(old.FOLDER / name, clips["shot"])
    steps = Graph.load(old.FOLDER / name).steps
    if found != STORED[name] and any(step.node.name in BY_NUMPY for step in steps):
        then = json.loads(TABLE.read_text())["arithmetic of NumPy"]
        if arithmetic() != then:
            pytest.skip("NumPy's float64 functions give other last digits on this processor")
    assert found == STORED[name]


@pytest.mark.parametrize("name", STORED)
def test_an_old_graph_gives_its_bits_when_it_is_saved_anew(name, clips, tmp_path):
    path = tmp_path / "again.json"
    first = Graph.load(old.FOLDER / name)
    first.save(path)
    assert Graph.load(path) == first
    assert old.outputs_of(path, clips["shot"]) == old.outputs_of(old.FOLDER / name, clips["shot"])


def test_the_kept_graphs_show_what_there_was_to_save():
    """So that nobody takes a fixture for more than it is: keyframes, regions, people, another space, an empty model."""
    read = {name: json.loads((old.FOLDER / name).read_text()) for name in STORED}
    nodes = {name: [node["node"] for node in data["nodes"]] for name, data in read.items()}
    keyed = {name for name, data in read.items() if '"knots"' in json.dumps(data)}
    assert keyed == {"graphs/drift.json", "graphs/track.json"}
    assert nodes["graphs/people.json"].count("steer_skin") == 2
    assert {"convert_colour", "return_colour"} <= set(nodes["graphs/hlg.json"])
    assert {"region", "steady_matte"} <= set(nodes["graphs/region.json"])
    empty = {name for name, data in read.items() if any(n["params"].get("model") == "" for n in data["nodes"])}
    assert empty == {"graphs/natural.json"}


# --- people, runs, journals, notes --------------------------------------------------------------------------


def test_an_old_people_file_is_read_and_matched_to(clips, tmp_path, monkeypatch):
    path = old.FOLDER / "inkarnat-people.json"
    (ada,) = old.People.load(path).known
    entry = json.loads(path.read_text())["people"]["Ada"]
    assert (ada.name, ada.angle, ada.ratio, ada.luma) == ("Ada", entry["angle"], entry["ratio"], entry["luma"])
    assert (ada.clip, ada.frame, ada.frame_sha256) == (entry["clip"], entry["frame"], entry["frame_sha256"])
    old.write_shots(tmp_path, {"shot": clips["shot"]})
    monkeypatch.chdir(tmp_path)
    run("person", "list", "--project", path)
    samples = ("--add", "box:.36,.40,.42,.46", "--person", "Ada", "--project", path)
    run("correct", "shot.001.png", *samples, "--graph-out", "matched.json")
    assert Graph.load("matched.json").outputs


def test_the_folder_of_an_old_carried_run_makes_a_report(clips, tmp_path):
    old.write_shots(tmp_path, clips)
    shutil.copytree(old.FOLDER / "takes", tmp_path / "takes")
    carried = old.Run.load(tmp_path / "takes" / "carry.json")
    assert [clip.name for clip in carried.clips] == ["shot", "warmer", "other"]
    assert [clip.solved_again for clip in carried.clips] == [False, False, True]
    assert (carried.reference, carried.person.name) == ("shot", "Ada")
    assert all(Graph.load(carried.path(clip.graph)).outputs for clip in carried.clips)
    run("report", tmp_path / "takes" / "carry.json", "-o", tmp_path / "page.html")
    page = (tmp_path / "page.html").read_text()
    assert all(name in page for name in ("shot", "warmer", "other", "Ada"))


def test_an_old_journal_tells_which_frames_are_complete():
    folder = old.FOLDER / "run"
    (path,) = folder.glob("*.journal.jsonl")
    identity = json.loads(path.read_text().splitlines()[0])["run"]
    journal = old.Journal(path, identity)
    assert journal.read()
    assert set(journal.frames) == {(name, frame) for name in ("result", "matte") for frame in (1, 2)}
    files = {"result": "skin", "matte": "matte"}
    for (name, frame), stamp in journal.frames.items():
        assert stamp.fits(folder / f"{files[name]}.{frame:03d}.png"), (name, frame)
    other = old.Journal(path, "another run")
    assert other.read()
    assert not other.frames, "what another job completed does not count"


def test_old_notes_of_the_desk_bring_everything_back(clips, tmp_path):
    old.write_shots(tmp_path, {"shot": clips["shot"]})
    for path in (old.FOLDER / "desk").iterdir():
        shutil.copy(path, tmp_path / path.name)
    noted = json.loads((tmp_path / "shot.%03d.png.desk.json").read_text())
    work = old.session(tmp_path, "shot.%03d.png")
    try:
        state = work.state
        assert any("Restored" in notice for notice in work.notices)
        assert not list(tmp_path.glob("*.damaged"))
        assert [person.name for person in state.people] == ["Ada", "Ngozi"]
        assert state.people[0].target.bias == -1.5
        assert [mark.purpose for mark in state.marks] == ["skin", "neutral", "keep out", "skin"]
        assert [mark.sample.kind for mark in state.marks] == [mark["sample"]["kind"] for mark in noted["marks"]]
        assert state.graph == Graph.load(old.FOLDER / "desk" / "shot.json")
        assert dict(state.views)["waveform"].view == "parade"
        assert work.picture(1, "result").shape[2] == 3
    finally:
        work.close()


# --- bundle -------------------------------------------------------------------------------------------------


def old_bundle(folder, text):
    """Build a bundle and put an old launch.cfg into it, as one that was installed then."""
    path = old.bundle.build(folder).path
    (path / "Contents" / "Resources" / "launch.cfg").write_text(text)
    return path


@pytest.fixture(scope="module")
def configuration():
    return (old.FOLDER / "launch.cfg").read_text()


def test_an_old_bundle_still_starts_every_effect_it_offered(configuration, tmp_path):
    """The configuration as it was, but for the places of Python, which are those of this machine."""
    here = {
        "program": sys.executable,
        "library": old.bundle.find_library(),
        "standard_library": sysconfig.get_path("stdlib"),
        "path": sysconfig.get_path("purelib"),
        "version": f"{sys.version_info[0]}.{sys.version_info[1]}",
    }
    text = configuration
    for key, place in here.items():
        text, count = re.subn(rf"^{key}=.*$", f"{key}={place}", text, flags=re.MULTILINE)
        assert count == 1, key
    offered = [line.split() for line in old.plugin.configuration_lines(configuration)["plugin"]]
    told = old.bundle.try_out([old_bundle(tmp_path, text)])
    effects = {line.split()[1]: line.split()[2] for line in told if line.startswith("effect ")}
    assert effects == {name: f"{major}.{minor}" for name, major, minor, _ in offered}
    assert all("status=0" in line for line in told if line.startswith("effect "))


def test_building_over_an_old_bundle_raises_the_version_of_what_is_declared_anew(configuration, tmp_path):
    built = old.bundle.build(tmp_path).effects
    old_bundle(tmp_path, configuration)
    rebuilt = old.bundle.build(tmp_path)
    assert rebuilt.rebuilt
    now = {line.split()[0]: line.split()[3] for line in plugin_lines(rebuilt.path)}
    for name, major, minor, digest in (line.split() for line in plugin_lines_of(configuration)):
        if name in built and built[name].split(".")[0] == major:
            expected = f"{major}.{int(minor) + (now[name] != digest)}"
            assert rebuilt.effects[name] == expected, name


def plugin_lines(path):
    return plugin_lines_of((path / "Contents" / "Resources" / "launch.cfg").read_text())


def plugin_lines_of(text):
    return old.plugin.configuration_lines(text)["plugin"]
