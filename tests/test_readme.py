"""README.md and DEVELOPERS.md: their blocks run as they stand, in the order given; their pictures and links exist."""

from __future__ import annotations

import json
import re
import runpy
import shlex
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.M | re.S)


def commands(block: str) -> list[list[str]]:
    """The commands of a shell block as words; those that install or test are another's to try."""
    joined = block.replace("\\\n", " ")
    lines = [part.strip() for line in joined.splitlines() for part in line.split("&&")]
    return [shlex.split(line) for line in lines if line.startswith(("inkarnat ", "cd "))]


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("readme")
    (command,) = (words for block in blocks("sh") for words in commands(block) if words[1] == "demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        done = CliRunner().invoke(cli, command[1:])
    assert done.exit_code == 0, done.output
    names = {path.name for path in (folder / command[-1]).iterdir()}
    return folder / command[-1], names, done.stdout


def test_the_demo_leaves_everything_it_names(demo):
    _, names, output = demo
    assert names >= {"planing.mp4", "planing-skin.mov", "planing.json", "before.png", "after.png", "matte.png"}
    assert {"vectorscope-before.png", "vectorscope-after.png"} <= names
    assert {name for name in names if name.startswith(".")} <= {".inkarnat-made.jsonl"}
    assert "holds: The skin reads" in output


def test_the_shell_commands_run_one_after_the_other(demo, monkeypatch):
    first, *rest = (words for block in blocks("sh") for words in commands(block) if words[1] != "demo")
    folder = demo[0]
    monkeypatch.chdir(folder.parent / first[1])
    assert len(rest) >= 12
    for words in rest:
        done = CliRunner().invoke(cli, words[1:])
        assert done.exit_code == 0, f"{shlex.join(words)}: {done.output}"
    assert (folder / "takes" / "report.html").is_file()


def test_the_python_block_runs(demo, monkeypatch, capsys):
    monkeypatch.chdir(demo[0])
    (block,) = blocks("python")
    exec(compile(block, "README.md", "exec"), {})
    assert "holds" in capsys.readouterr().out


def test_the_first_node_of_the_developers_page_runs(tmp_path, capsys):
    (block,) = re.findall(r"^```python\n(.*?)^```", DEVELOPERS, re.M | re.S)
    (tmp_path / "glow.py").write_text(block, encoding="utf-8")
    with np.printoptions(legacy=False):  # colour-science, once imported, has numpy print as it did years ago
        runpy.run_path(str(tmp_path / "glow.py"), run_name="first_node")
    assert capsys.readouterr().out.strip() == block.strip().splitlines()[-1].partition("# ")[2]


def test_the_graph_is_one():
    (block,) = blocks("json")
    graph = Graph.from_dict(json.loads(block))
    assert [step.id for step in graph.order()] == ["balance", "skin", "soften", "steer"]


@pytest.mark.parametrize("path", ["README.md", "DEVELOPERS.md", "test_images/README.md"])
def test_pictures_and_links_exist(path):
    text = (ROOT / path).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert ((ROOT / path).parent / target).exists(), target
