"""The desk on footage in another colour space: worked on in BT.709, written as it came, and judged as elsewhere."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.desk.desk import Desk
from inkarnat.host_adapters.desk.folder import Folder
from inkarnat.host_adapters.desk.reel import Footage
from inkarnat.host_adapters.desk.session import Session
from inkarnat.host_adapters.graphs.colour_spaces import WORKING, without_conversions
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.nodes import leave_space
from inkarnat.nodes.declare import ParamError
from takes import take

pytestmark = pytest.mark.usefixtures("own_state_folder")

HLG = "hlg:bt2020"


@pytest.fixture
def folder(tmp_path):
    """Two frames of a take in HLG, and what they are in the working signal."""
    pictures = take("take1").clip.pictures[:2]
    for number, picture in enumerate(pictures, 1):
        write_picture(tmp_path / f"take.{number:02d}.tif", leave_space("hlg").process(picture), None, bits=16)
        write_picture(tmp_path / "plain" / f"take.{number:02d}.tif", picture, None, bits=16)
    return tmp_path


@pytest.fixture(autouse=True)
def _plain_folder(tmp_path):
    (tmp_path / "plain").mkdir()


def run(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


def solved(opened: Session) -> dict:
    """Mark the face, solve, and return the reading."""
    face = take("take1").face()
    opened.mark(1, "", "skin", face.kind, face.points, face.radius)
    opened.solve("everything", 1)
    return opened.reading(1)


def finished(desk: Desk) -> None:
    desk.render._thread.join(60)
    assert desk.render.state == "done", desk.render.message


def test_it_is_seen_solved_and_judged_as_the_same_pictures_in_bt709(folder):
    there = Desk(Folder(folder, footage=Footage(space="hlg")), "take.%02d.tif")
    plain = Desk(Folder(folder / "plain"), "take.%02d.tif")
    try:
        one, other = there.session.picture(1, "original"), plain.session.picture(1, "original")
        np.testing.assert_allclose(one.clip(0.05, 0.95), other.clip(0.05, 0.95), atol=2e-3)
        read, meant = solved(there.session), solved(plain.session)
        assert read["verdict"]["status"] == meant["verdict"]["status"] == "holds", read["words"]
        assert read["after"]["angle"] == pytest.approx(meant["after"]["angle"], abs=0.1)
        assert there.as_dict()["space"] == HLG
        assert plain.as_dict()["space"] is None
    finally:
        there.close()
        plain.close()


def test_what_it_writes_holds_the_way_there_and_back(folder):
    desk = Desk(Folder(folder, footage=Footage(space="hlg")), "take.%02d.tif")
    try:
        solved(desk.session)
        saved = desk.session.save()
        assert desk.as_dict()["graph"]["saved"]
        graph = Graph.load(saved)
        assert without_conversions(graph) == (desk.session.state.graph, HLG, HLG)
        desk.order("desk.%02d.tif", "", "", "", False)
        finished(desk)
        still = desk.session.still(2, "still.png")
    finally:
        desk.close()
    done = run(
        "render", saved, "--in", f"plate={folder / 'take.%02d.tif'}", "--out", f"result={folder / 'verb.%02d.tif'}"
    )
    assert done.exit_code == 0, done.output
    for number in (1, 2):
        assert (folder / f"desk.{number:02d}.tif").read_bytes() == (folder / f"verb.{number:02d}.tif").read_bytes()
    with open_clip(still) as one, open_clip(folder / "verb.%02d.tif") as other:
        np.testing.assert_allclose(one.read(1), other.read(2), atol=1e-4)
    read = run("measure", folder / "take.%02d.tif", "--graph", saved, "--json")
    assert json.loads(read.stdout)["verdict"]["status"] == "holds", read.output


def test_it_goes_on_from_a_graph_that_says_its_space(folder):
    """Opened without a word, as `correct --input-space` wrote it; and the notes remember it."""
    face = take("take1").face()
    done = run(
        "correct", folder / "take.%02d.tif", "--add", face, "--input-space", "hlg", "--graph-out", folder / "take.json"
    )
    assert done.exit_code == 0, done.output
    opened = Session(Folder(folder), "take.%02d.tif")
    try:
        told = opened.as_dict()
        assert (told["space"], told["canAdd"]) == (HLG, True)
        assert WORKING not in opened.state.graph.by_id
        assert opened.reading(1)["verdict"]["status"] == "holds"
        opened.set("steer", "amount", 0.9)
        opened.keeper.flush()
    finally:
        opened.close()
    (folder / "take.json").unlink()
    again = Session(Folder(folder), "take.%02d.tif")
    try:
        assert again.as_dict()["space"] == HLG
    finally:
        again.close()
    other = Session(Folder(folder, footage=Footage(space="bt709")), "take.%02d.tif")
    try:
        assert any("was brought from hlg:bt2020 when it was left" in words for words in other.notices)
    finally:
        other.close()


def test_a_graph_of_another_space_is_opened_with_a_word(folder):
    opened = Session(Folder(folder, footage=Footage(space="hlg")), "take.%02d.tif")
    try:
        solved(opened)
        opened.save("in-hlg.json")
    finally:
        opened.close()
    plain = Session(Folder(folder, footage=Footage(space="bt709")), "take.%02d.tif")
    try:
        plain.open_graph("in-hlg.json")
        assert any("brings its footage from hlg:bt2020" in words for words in plain.notices), plain.notices
    finally:
        plain.close()


def test_a_space_that_is_none_is_refused_before_the_page_opens(folder):
    with pytest.raises(ParamError, match="Did you mean 'hlg'"):
        Folder(folder, footage=Footage(space="hlgg"))
    done = run("desk", folder, "--no-browser", "--input-space", "hlgg")
    assert (done.exit_code, "Did you mean 'hlg'" in done.output) == (2, True), done.output
