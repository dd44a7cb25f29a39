"""Bytes that are no UTF-8 in names and metadata, streams that take nothing, and terminals with no room."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands import console
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.farm.job_template import as_yaml
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.host_adapters.shots.runs import Run
from inkarnat.nodes import Cdl, RangeKey

ODD = "h\udcfctte"
"""The bytes of a hut in Latin-1, as Python holds them."""

posix = pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names there are always Unicode")


def skin(seed: int = 1) -> np.ndarray:
    grain = np.random.default_rng(seed).normal(0, 0.01, (36, 64, 3))
    return (np.array([0.72, 0.52, 0.43]) + grain).astype(np.float32)


@pytest.fixture
def shot(tmp_path):
    """A folder with a graph and stills, one of them by an odd name."""
    for name in ("in.png", f"{ODD}.png"):
        write_picture(tmp_path / name, skin(), None, bits=8)
    graph = Graph.of(
        Step.of("grade", Cdl(slope=(0.9, 1, 1)), image="plate"), Step.of("key", RangeKey(), image="plate"),
        result="grade", matte="key",
    )  # fmt: skip
    graph.save(tmp_path / "g.json")
    return tmp_path


def program(shot: Path, *words: str, **named) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "inkarnat.host_adapters.commands.cli", *words]
    named.setdefault("stdout", subprocess.PIPE)
    named.setdefault("stderr", subprocess.PIPE)
    env = os.environ | {"INKARNAT_THREADS": "1", "PYTHONUTF8": "1"}
    return subprocess.run(command, cwd=shot, env=env, timeout=120, **named)


RENDER = ("render", "g.json", "--in", "plate=in.png", "--out", "result=out.png")


# --- metadata ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".exr", ".tif", ".dpx"])
def test_metadata_in_another_encoding_passes_as_the_bytes_it_is(tmp_path, suffix):
    import OpenImageIO as oiio

    latin = "Jürgen".encode("latin-1")
    source, target = tmp_path / f"in{suffix}", tmp_path / f"out{suffix}"
    spec = oiio.ImageSpec(16, 9, 3, "half" if suffix == ".exr" else "uint16")
    for name in ("Artist", "Copyright") + (("gaffer",) if suffix == ".exr" else ()):
        spec.attribute(name, latin)
    out = oiio.ImageOutput.create(str(source))
    out.open(str(source), spec)
    out.write_image(np.full((9, 16, 3), 0.5, np.float32))
    out.close()
    assert latin in source.read_bytes()
    picture, info = read_picture(source)
    write_picture(target, picture, info)
    assert latin in target.read_bytes()
    again = read_picture(target)[1]
    assert again.metadata["Copyright"][1].encode("utf-8", "surrogateescape") == latin
    assert not info.notes


def test_metadata_that_cannot_be_passed_on_costs_itself_alone_and_is_named(tmp_path):
    import OpenImageIO as oiio

    source, target = tmp_path / "in.exr", tmp_path / "out.exr"
    spec = oiio.ImageSpec(16, 9, 3, "half")
    spec.attribute("harbour", 3)
    spec.attribute("boat", 7)
    out = oiio.ImageOutput.create(str(source))
    out.open(str(source), spec)
    out.write_image(np.full((9, 16, 3), 0.5, np.float32))
    out.close()
    source.write_bytes(source.read_bytes().replace(b"harbour", b"harb\xfcur"))
    picture, info = read_picture(source)
    assert [note for note in info.notes if "harb\\xfcur" in note and "cannot be passed on" in note]
    write_picture(target, picture, info)
    assert read_picture(target)[1].metadata["boat"][1] == 7


# --- names ------------------------------------------------------------------------------------------------------


def inside(*words: str) -> str:
    """Run the command line in this process."""
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 0, ascii(result.output)
    return result.stdout


@posix
def test_a_name_that_is_no_utf8_goes_through_the_whole_job(shot, monkeypatch):
    monkeypatch.chdir(shot)
    box = ("--add", "box:.2,.2,.8,.8")
    said = inside("correct", f"{ODD}.png", "-o", f"{ODD}-skin.png", *box, "--graph-out", f"{ODD}.json", "--json")
    assert json.loads(said)["outputs"] == {"result": f"{ODD}-skin.png", "graph": f"{ODD}.json"}
    assert read_picture(f"{ODD}-skin.png")[0].shape == (36, 64, 3)
    inside("carry", f"{ODD}.json", "--from", f"{ODD}.png", "--to", "in.png", "-o", "takes", "--json")
    run = Run.load(shot / "takes" / "carry.json")
    assert [os.path.basename(clip.files) for clip in run.clips] == [f"{ODD}.png", "in.png"]
    assert all((shot / "takes" / clip.graph).is_file() or Path(clip.graph).is_file() for clip in run.clips)
    assert (shot / "takes" / "report.html").stat().st_size > 1000


@posix
def test_a_job_leaves_an_odd_name_open_and_says_so(shot):
    done = program(shot, "job", "g.json", "--in", f"plate={ODD}.png", "--out", "result=out.png")
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode("utf-8")
    assert '"default": ' not in text
    assert os.fsencode(f"In_plate={shot}/{ODD}.png") in done.stderr
    assert "out.png" in text


@pytest.mark.parametrize("name", ["a\x7fb", "a\x85b", "a\u2028b", "a\x9fb", "boat 🚤", "é"])
def test_yaml_holds_what_yaml_allows(name):
    """YAML 1.2.2, production 1: of C0 and C1 only tab, line ends and NEL are printable; DEL is not."""
    text = as_yaml({"name": name})
    assert all(sign == "\n" or sign.isprintable() for sign in text)
    assert json.loads(text.partition(":")[2]) == name


# --- streams ----------------------------------------------------------------------------------------------------


@posix
@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-", "<&- >&- 2>&-"])
def test_closed_streams_cost_nothing(shot, closed):
    words = " ".join(RENDER)
    shell = ["bash", "-c", f"exec {sys.executable} -m inkarnat.host_adapters.commands.cli {words} {closed}"]
    done = subprocess.run(shell, cwd=shot, env=os.environ | {"INKARNAT_THREADS": "1"}, timeout=120)
    assert done.returncode == 0
    assert read_picture(shot / "out.png")[0].shape == (36, 64, 3), "nothing that is printed gets into a file"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_output_is_told_and_the_work_stands(shot):
    with open("/dev/full", "w") as full:
        done = program(shot, *RENDER, stdout=full)
        assert done.returncode == 0
        assert b"cannot be printed (No space left on device)" in done.stderr
        assert b"fault of the program" not in done.stderr
        assert read_picture(shot / "out.png")[0].shape == (36, 64, 3)
        done = program(shot, *RENDER, "--json", stdout=full)
    assert done.returncode == 5
    assert done.stderr.count(b"inkarnat: error: The answer cannot be printed") == 1
    assert b"Exception ignored" not in done.stderr


def test_a_reader_that_has_gone_is_no_error(shot):
    ours, theirs = os.pipe()
    os.close(ours)
    done = program(shot, "nodes", "--markdown", stdout=theirs)
    os.close(theirs)
    assert done.returncode == 0
    assert done.stderr == b""


# --- little room ------------------------------------------------------------------------------------------------


def test_a_narrow_terminal_gets_lines_instead_of_dots(monkeypatch, capsys):
    monkeypatch.setattr(console, "is_terminal", lambda: True)
    monkeypatch.setenv("COLUMNS", "20")
    console.print_table(("clip", "hue off", "ΔE00"), [("planing", "+1.25°", "0.41")])
    assert capsys.readouterr().out == "clip: planing\nhue off: +1.25°\nΔE00: 0.41\n\n"


def test_a_name_moves_no_terminal(capsys, tmp_path):
    """Escape sequences, a bell and a turn of direction (ECMA-48; Unicode UAX 9) are spelled out."""
    name = "a\x1b[31m\x07\u202egnp.mov"
    console.say(f"result: {name}")
    console.warn(f"warning: {name}")
    monkeyed = CliRunner().invoke(cli, ["measure", str(tmp_path / name)])
    told = capsys.readouterr()
    for text in (told.out, told.err, monkeyed.stderr):
        assert "a\\x1b[31m\\x07\\u202egnp.mov" in text
        assert not set(name) & {"\x1b", "\x07", "\u202e"} & set(text)
