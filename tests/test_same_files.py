"""Several processes write the very files that one process writes: tags, mattes in the alpha, assumed matrix."""

from __future__ import annotations

from fractions import Fraction

import pytest
from click.testing import CliRunner
from inkarnat.host_adapters import workshop
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.farm import local
from inkarnat.host_adapters.farm.chunks import Job
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.nodes import SkinKey, SteerSkin

FRAMES = 26


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    """A clip of more frames than a chunk has, and a graph that keys and steers."""
    folder = tmp_path_factory.mktemp("take")
    picture = next(iter(workshop.clip(1, "light", 5, cast=workshop.skin_cast(0.45, 0.12), width=96, height=64)))[0]
    with open_writer(folder / "take.mov", codec="prores", rate=Fraction(25)) as writer:
        for number in range(1, FRAMES + 1):
            writer.write(number, picture * (0.8 + 0.01 * number))
    graph = Graph.of(
        Step.of("skin", SkinKey(), image="plate"),
        Step.of("steer", SteerSkin(angle=6), image="plate", matte="skin"),
        result="steer",
        matte="skin",
    )
    graph.save(folder / "g.json")
    return folder


def run(take, out, verb, outputs, *more):
    words = [verb, str(take / "g.json"), "--in", f"plate={take / 'take.mov'}", *more]
    for output, file in outputs.items():
        words += ["--out", f"{output}={out / file}"]
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 0, (words, result.output)
    return result.stdout


def rendered(take, out, outputs, *more):
    out.mkdir()
    run(take, out, "render", outputs, *more)
    return {path.name: path.read_bytes() for path in sorted(out.iterdir()) if not path.name.startswith(".")}


@pytest.mark.parametrize(
    ("outputs", "more"),
    [
        ({"result+matte": "skin.mov"}, ()),
        ({"result+matte": "skin.mkv"}, ("--codec", "ffv1")),
        ({"result+matte": "skin.%04d.exr"}, ()),
        ({"result": "skin.mov", "matte": "matte.mov"}, ("--output-space", "pq")),
        ({"result": "skin.mov"}, ("--input-space", "hlg", "--output-space", "p3_d65")),
        ({"result": "skin.mov"}, ("--matrix", "601", "--range", "full")),
    ],
    ids=["alpha", "alpha in Matroska", "alpha in pictures", "tags", "tags of another space", "assumed matrix"],
)
def test_two_processes_write_the_files_of_one(take, tmp_path, outputs, more):
    one = rendered(take, tmp_path / "one", outputs, *more)
    two = rendered(take, tmp_path / "two", outputs, *more, "--jobs", "2")
    assert one.keys() - {"journal"} <= two.keys()
    assert all(two[name] == content for name, content in one.items())


SPACES = ("--input-space", "hlg", "--output-space", "p3_d65", "--matrix", "601", "--range", "full")


def test_parts_that_are_read_as_they_are_told_join_to_the_file_of_one(take, tmp_path):
    outputs = {"result": "skin.mov"}
    one = rendered(take, tmp_path / "one", outputs, *SPACES)
    (tmp_path / "farm").mkdir()
    for part in ("14-26", "1-13"):
        run(take, tmp_path / "farm", "farm", outputs, *SPACES, "--part", part)
    run(take, tmp_path / "farm", "farm", outputs, *SPACES, "--join")
    assert (tmp_path / "farm" / "skin.mov").read_bytes() == one["skin.mov"]


def test_a_job_hands_on_how_the_footage_is_read(take, tmp_path):
    words = (*SPACES, "--siting", "left", "--fields", "whole")
    template = run(take, tmp_path, "job", {"result": "skin.mov"}, *words)
    tasks = [line.strip().removeprefix("- ").strip('"') for line in template.splitlines()]
    for name, value in zip(words[::2], words[1::2], strict=True):
        places = [at for at, word in enumerate(tasks) if word == name]
        assert [tasks[at + 1] for at in places] == [value, value], "in the step that renders and in the one that joins"


def test_what_is_assumed_is_part_of_the_run_s_identity(take):
    graph = Graph.load(take / "g.json")
    plain, other = (
        Job.of(graph, {"plate": open_clip(take / "take.mov", standard=matrix)}, {"result": "skin.mov"})
        for matrix in (None, "601")
    )
    assert plain.identity != other.identity
    assert other.assumed == (("plate", (("standard", "601"),)),)


def test_an_output_that_joins_what_does_not_fit_is_refused_before_a_process_starts(take, monkeypatch):
    monkeypatch.setattr(local, "processes", lambda *_: pytest.fail("a process was started"))
    clips = {"plate": open_clip(take / "take.mov")}
    with pytest.raises(GraphError, match="name of a picture"):
        Job.of(Graph.load(take / "g.json"), clips, {"matte+result": "skin.mov"})
