"""The command line: exit codes, one-line errors, JSON for machines, and quick help."""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import interrupts
import numpy as np
import pytest
import references
from click.testing import CliRunner
from inkarnat.host_adapters import describe
from inkarnat.host_adapters.commands import cli as cli_module
from inkarnat.host_adapters.commands import console
from inkarnat.host_adapters.commands.cli import COMMANDS, cli
from inkarnat.host_adapters.commands.render import tell
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Report, Runner
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.kernels import jit
from inkarnat.nodes import NODES, Balance, SkinKey, SteerSkin

GRAPH = Graph.of(
    Step.of("light", Balance(temperature=-20.0), image="plate"),
    Step.of("skin", SkinKey(), image="light"),
    Step.of("steer", SteerSkin(angle=4.0), image="light", matte="skin"),
    Step.of("spare", SkinKey(), image="plate"),
    result="steer",
    matte="skin",
)


@pytest.fixture
def graph_file(tmp_path):
    GRAPH.save(tmp_path / "workshop.json")
    return str(tmp_path / "workshop.json")


def run(*words: object):
    return CliRunner().invoke(cli, [str(word) for word in words])


def fails(code: int, *words: object) -> str:
    """Run a command that must fail, and return its one line on the error stream."""
    result = run(*words)
    assert result.exit_code == code, result.output
    assert result.stderr.startswith("inkarnat: error: ")
    assert result.stderr.count("\n") == 1
    assert "Traceback" not in result.output
    return result.stderr


# --- overview -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("verb", sorted(COMMANDS))
def test_every_verb_is_in_the_overview_and_explains_itself(verb):
    overview, own = run("--help"), run(verb, "--help")
    assert overview.exit_code == own.exit_code == 0
    assert f"{verb} {COMMANDS[verb]}" in " ".join(overview.stdout.split())
    assert own.stdout.startswith(f"Usage: inkarnat {verb} ")
    assert len(COMMANDS[verb]) <= 80


def test_every_module_that_holds_a_verb_is_in_the_table():
    folder = Path(cli_module.__file__).parent
    holders = {path.stem for path in folder.glob("*.py") if "\ndef command(" in path.read_text(encoding="utf-8")}
    assert holders == set(COMMANDS)


def test_version():
    from importlib.metadata import version

    assert run("--version").stdout == f"inkarnat {version('inkarnat')}\n"


def test_no_verb_shows_the_overview():
    result = run()
    assert result.exit_code == 2
    assert "Verbs:" in result.output


def test_wrong_use_names_the_mend():
    assert "There is no verb 'chek'. Did you mean 'check'" in fails(2, "chek")
    assert f"There is no verb 'zzz'. There are: {sorted(COMMANDS)[0]}" in fails(2, "zzz")
    assert "No such option" in fails(2, "check", "--jsn")
    assert "Name a graph to look through, or give --limits" in fails(2, "check")
    assert "--json or --markdown, not both" in fails(2, "nodes", "--json", "--markdown")


# --- nodes --------------------------------------------------------------------------------------------------


def test_nodes_lists_every_node():
    columns, *lines = run("nodes").stdout.splitlines()
    assert columns == "step\tnode\tin → out\twhat it does"
    assert {line.split("\t")[1] for line in lines} == set(NODES)
    assert len(lines) == len(NODES)


@pytest.mark.parametrize("name", list(NODES))
def test_one_node_is_explained_with_every_parameter(name):
    assert run("nodes", name).stdout.rstrip() == describe.command_help(NODES[name])
    assert json.loads(run("nodes", name, "--json").stdout) == describe.json_schema(NODES[name])


def test_nodes_for_machines_and_for_the_handbook():
    assert json.loads(run("nodes", "--json").stdout) == describe.graph_schema()
    assert run("nodes", "--markdown").stdout.rstrip() == describe.markdown().rstrip()


def test_unknown_node_names_the_nearest():
    assert "There is no node 'skin_kye'. Did you mean 'skin_key'" in fails(2, "nodes", "skin_kye")


def test_tables_are_ruled_on_a_terminal(monkeypatch):
    monkeypatch.setattr("inkarnat.host_adapters.commands.console.is_terminal", lambda: True)
    for words in (["nodes"], ["nodes", "skin_key"]):
        result = run(*words)
        assert result.exit_code == 0
        assert "───" in result.stdout
        assert "skin_key" in result.stdout


# --- check --------------------------------------------------------------------------------------------------


def test_check_says_what_a_graph_reads_and_gives(graph_file):
    lines = run("check", graph_file).stdout.splitlines()
    assert lines[0].endswith("workshop.json is valid.")
    assert lines[1:4] == ["reads  plate", "gives  result (picture) from steer", "gives  matte (matte) from skin"]
    assert lines[4:] == [
        "id\tnode\treads\tchanges over time\t",
        "light\tbalance\timage=plate\t\t",
        "skin\tskin_key\timage=light\t\t",
        "steer\tsteer_skin\timage=light, matte=skin\t\t",
        "spare\tskin_key\timage=plate\t\tunused",
    ]


def test_check_for_machines(graph_file):
    answer = json.loads(run("check", graph_file, "--json").stdout)
    assert answer["valid"] is True
    assert answer["sources"] == ["plate"]
    assert answer["outputs"]["matte"] == {"from": "skin", "kind": "matte"}
    assert {node["id"]: node["used"] for node in answer["nodes"]} == {
        "light": True,
        "skin": True,
        "steer": True,
        "spare": False,
    }


def test_invalid_graph_is_wrong_use(tmp_path):
    path = tmp_path / "bad.json"
    data = GRAPH.to_dict()
    data["nodes"][2]["params"]["angle"] = 999
    path.write_text(json.dumps(data))
    message = fails(2, "check", path)
    assert "bad.json: Node 'steer': steer_skin.angle must be an angle" in message
    assert "not 999" in message


def test_missing_graph_is_a_missing_input(tmp_path):
    assert "missing.json does not exist. Check the name." in fails(3, "check", tmp_path / "missing.json")


def test_errors_for_machines(tmp_path):
    result = run("check", tmp_path / "missing.json", "--json")
    error = json.loads(result.stdout)["error"]
    assert (result.exit_code, error["exit"], error["kind"]) == (3, 3, "InputError")
    assert result.stderr == f"inkarnat: error: {error['message']}\n"
    assert json.loads(run("check", "--json").stdout)["error"]["exit"] == 2


# --- faults and stops ---------------------------------------------------------------------------------------


@pytest.fixture
def raising(monkeypatch):
    """Put a verb in the table that raises what it is given."""

    def install(error: BaseException) -> None:
        @click.command()
        @click.option("--json", is_flag=True)
        def command(json: bool) -> None:
            raise error

        monkeypatch.setattr(cli_module.Verbs, "get_command", lambda self, context, name: command)

    return install


def test_fault_of_the_program_is_one_line_and_code_1(raising, monkeypatch):
    monkeypatch.delenv("INKARNAT_DEBUG", raising=False)
    raising(RuntimeError("two\nlines"))
    assert "RuntimeError: two lines. This is a fault of the program; set INKARNAT_DEBUG=1" in fails(1, "check")


def test_debug_shows_the_traceback(raising, monkeypatch):
    monkeypatch.setenv("INKARNAT_DEBUG", "1")
    raising(RuntimeError("broken"))
    result = run("check")
    assert result.exit_code == 1
    assert "Traceback" in result.stderr


@pytest.fixture
def no_log(monkeypatch):
    """The log as it is in a fresh process, put back afterwards."""
    root = logging.getLogger("inkarnat")
    monkeypatch.setattr(root, "handlers", [])
    monkeypatch.setattr(root, "level", root.level)
    monkeypatch.delenv("INKARNAT_DEBUG", raising=False)
    monkeypatch.setenv("INKARNAT_DEBUG", "")  # so that what a verb sets is taken back
    yield
    cli_module._listen.cache_clear()


def test_the_failing_line_of_a_render_is_shown_on_demand_alone(tmp_path, graph_file, monkeypatch, no_log):
    write_picture(tmp_path / "plate.png", np.full((8, 8, 3), 0.5, np.float32), None)

    def broken(self, image, matte):
        raise ValueError("too far")

    monkeypatch.setattr(SteerSkin, "process", broken)
    words = ["render", graph_file, "--in", f"plate={tmp_path / 'plate.png'}", "--out", f"result={tmp_path / 'o.png'}"]
    quiet = run(*words)
    assert quiet.exit_code == 4
    assert "Traceback" not in quiet.stderr
    loud = run("-v", *words)
    assert loud.exit_code == 4
    assert 'raise ValueError("too far")' in loud.stderr
    assert "DEBUG inkarnat.run: frame 1 failed" in loud.stderr


def test_stop_by_the_user_is_clean(raising):
    raising(KeyboardInterrupt())
    result = run("check")
    assert result.exit_code == 130
    assert result.stderr.strip() == "inkarnat: stopped."


# --- warm ---------------------------------------------------------------------------------------------------


@pytest.mark.skipif(jit.CACHE_FOLDER is None, reason="nothing is compiled or kept")
def test_warm_compiles_nearly_everything_and_says_where():
    answer = json.loads(run("warm", "--json").stdout)
    assert answer["nodes"] == len(NODES)
    assert answer["folder"] == str(jit.CACHE_FOLDER)
    assert answer["kernels"] == len(jit.STRIP_KERNELS)
    assert answer["compiled"] >= 0.8 * answer["kernels"]
    assert run("warm").stdout.splitlines()[1] == f"kept in {jit.CACHE_FOLDER}"


# --- the real process ---------------------------------------------------------------------------------------


def process(*words: str, **extra: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-X", "importtime", "-m", "inkarnat.host_adapters.commands.cli", *words]
    return subprocess.run(command, capture_output=True, text=True, env=os.environ | extra, check=False, timeout=120)


def loaded(result: subprocess.CompletedProcess[str]) -> set[str]:
    """The modules that a process imported."""
    return {line.rpartition("|")[2].strip() for line in result.stderr.splitlines() if line.startswith("import time:")}


def test_help_loads_neither_numba_nor_any_verb():
    result = process("--help")
    assert result.returncode == 0
    assert "Verbs:" in result.stdout
    names = loaded(result)
    assert "click" in names
    assert not {"numba", "numpy", "rich", "inkarnat.nodes"} & names
    allowed = {f"inkarnat.host_adapters.commands.{name}" for name in ("console", "start")}
    assert {name for name in names if ".commands." in name} <= allowed


def test_nodes_loads_no_library_that_only_pictures_need():
    result = process("nodes", "skin_key")
    assert result.returncode == 0
    assert result.stdout.startswith("skin_key")
    assert not {"colour", "av", "OpenImageIO", "PIL"} & loaded(result)


def test_process_ends_with_the_exit_code(tmp_path):
    assert process("check", str(tmp_path / "missing.json")).returncode == 3
    (tmp_path / "empty.json").write_text("{}")
    result = process("check", str(tmp_path / "empty.json"))
    assert result.returncode == 2
    errors = [line for line in result.stderr.splitlines() if not line.startswith("import time:")]
    assert len(errors) == 1
    assert errors[0].startswith("inkarnat: error: ")
    assert result.stdout == ""


def test_a_reader_that_leaves_early_is_no_error():
    command = f"{sys.executable} -m inkarnat.host_adapters.commands.cli nodes --markdown | head -1"
    result = subprocess.run(["bash", "-c", f"set -o pipefail; {command}"], capture_output=True, text=True, check=False)
    assert result.stdout == "# Nodes\n"
    assert result.stderr == ""


# --- render -------------------------------------------------------------------------------------------------


@pytest.fixture
def sequence(tmp_path, make_picture):
    """Five numbered 16-bit pictures, 1001 to 1005."""
    for frame in range(1001, 1006):
        picture = np.clip(make_picture(24, 32, seed=frame), 0, 1)
        write_picture(tmp_path / f"planing.{frame}.tif", picture, bits=16)
    return tmp_path


def test_render_writes_pictures_and_mattes_as_the_runner_gives_them(sequence, graph_file):
    plate = f"plate={sequence}/planing.%04d.tif"
    outputs = ["--out", f"result={sequence}/skin.%04d.exr", "--out", f"matte={sequence}/matte.%04d.exr"]
    result = run("render", graph_file, "--in", plate, *outputs, "--frames", "1001-1005x2", "--json")
    assert result.exit_code == 0, result.output
    answer = json.loads(result.stdout)
    assert (answer["done"], answer["failed"]) == (3, [])
    assert len(list(sequence.glob("skin.*"))) == len(list(sequence.glob("matte.*"))) == 3
    for frame in (1001, 1003, 1005):
        picture = read_picture(sequence / f"planing.{frame}.tif")[0]
        expected = Runner(GRAPH).run_frame(frame, {"plate": picture})
        got = read_picture(sequence / f"skin.{frame}.exr")[0]
        np.testing.assert_allclose(got, expected["result"], rtol=1e-3, atol=1e-3)
        matte = references.read_matte(sequence / f"matte.{frame}.exr")
        np.testing.assert_allclose(matte, expected["matte"], rtol=1e-3, atol=1e-3)


def test_render_goes_on_after_a_damaged_frame(sequence, graph_file):
    (sequence / "planing.1003.tif").write_bytes(b"no picture")
    words = ["render", graph_file, "--in", f"plate={sequence}/planing.%04d.tif"]
    result = run(*words, "--out", f"result={sequence}/skin.%04d.png", "--json")
    assert result.exit_code == 4
    answer = json.loads(result.stdout)
    assert answer["done"] == 4
    assert [failed["frame"] for failed in answer["failed"]] == [1003]
    assert "planing.1003.tif" in answer["failed"][0]["reason"]
    assert "inkarnat: frame 1003 failed: " in result.stderr
    assert sorted(path.name for path in sequence.glob("skin.*")) == [f"skin.{n}.png" for n in (1001, 1002, 1004, 1005)]


def test_what_was_complete_before_is_not_told_as_rendered(capsys):
    report = Report([1, 2, 3, 4, 5], kept=4, seconds=0.4)
    assert tell(report, "g.json", {}, {"result": "skin.####.png"}, as_json=False) == 0
    assert capsys.readouterr().out.splitlines()[0] == "1 frame in 0.4 s, 4 complete before, 0 failed"
    assert report.as_dict()["complete_before"] == 4


def test_render_to_video_and_nothing_is_kept_where_every_frame_fails(sequence, graph_file):
    words = ["render", graph_file, "--in", f"plate={sequence}/planing.####.tif"]
    result = run(*words, "--out", f"result={sequence}/skin.mov", "--codec", "prores")
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[0].startswith("5 frames in ")
    assert "5 of 5 frames, last 1005" in result.stderr
    clip = open_clip(sequence / "skin.mov")
    assert (len(clip.frames), clip.width, clip.height) == (5, 32, 24)
    (sequence / "skin.mov").unlink()
    for path in sequence.glob("planing.*"):
        path.write_bytes(b"no picture" if path.name != "planing.1001.tif" else path.read_bytes())
    message = run(*words, "--out", f"result={sequence}/skin.mov", "--frames", "1002-1003")
    assert message.exit_code == 4
    assert "No frame could be rendered" in message.stderr
    assert not list(sequence.glob("*skin*"))


def test_render_refuses_wrong_names_and_places(sequence, graph_file):
    plate, out = f"plate={sequence}/planing.%04d.tif", f"result={sequence}/skin.%04d.tif"

    def refused(code: int, *words: str) -> str:
        message = fails(code, "render", graph_file, *words)
        assert not list(sequence.glob("skin*"))
        return message

    assert "nothing to write: give --out result=FILES" in refused(2, "--in", plate)
    assert "give --in plate=FILES" in refused(2, "--out", out)
    assert "no source 'plat'; it reads plate. Did you mean 'plate'" in refused(2, "--in", "plat=x.tif", "--out", out)
    assert "no output 'reslt'" in refused(2, "--in", plate, "--out", "reslt=x.tif")
    assert "wants NAME=FILES" in refused(2, "--in", plate, "--out", "skin.tif")
    assert "names 'plate' twice" in refused(2, "--in", plate, "--in", plate, "--out", out)
    assert "same files" in refused(2, "--in", plate, "--out", out, "--out", out.replace("result", "matte"))
    assert "Frame 1009 is not in" in refused(2, "--in", plate, "--out", out, "--frames", "1001-1009")
    assert "not understood" in refused(2, "--in", plate, "--out", out, "--frames", "a-b")
    assert "No file is named like" in refused(3, "--in", f"plate={sequence}/sanding.%04d.tif", "--out", out)
    assert "folder does not exist" in refused(5, "--in", plate, "--out", f"result={sequence}/no/skin.%04d.tif")
    assert "is an input" in refused(5, "--in", plate, "--out", plate.replace("plate=", "result="))
    assert "suffix" in refused(5, "--in", plate, "--out", f"result={sequence}/skin")


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_stopping_a_render_leaves_nothing_half_written(sequence, graph_file, number, code):
    """A queue that ends a job sends SIGTERM; 128 and the signal's number is what shells report (POSIX.1-2017)."""
    for frame in range(1006, 1400):
        (sequence / f"planing.{frame}.tif").write_bytes((sequence / "planing.1001.tif").read_bytes())
    words = ["render", graph_file, "--in", f"plate={sequence}/planing.%04d.tif", "--out", f"result={sequence}/skin.mov"]
    command = [sys.executable, "-m", "inkarnat.host_adapters.commands.cli", *words]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, preexec_fn=interrupts.hear) as running:
        line = next(line for line in running.stderr if "note:" not in line)
        assert "frames, last" in line
        running.send_signal(number)
        rest = running.stderr.read()
    assert running.returncode == code
    assert rest.splitlines()[-1] == "inkarnat: stopped."
    assert "Traceback" not in rest
    assert not [path.name for path in sequence.iterdir() if "skin" in path.name]


INTERRUPTED = """
import importlib, os, signal, sys
class Interrupt:
    def find_spec(self, name, path=None, target=None):
        if name == "{name}":
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Interrupt())
sys.argv = ["inkarnat", "measure", "none.mov"]
getattr(importlib.import_module("{module}"), "{function}")()
"""


@pytest.mark.parametrize("name", ["click", "inkarnat.host_adapters.commands.measure", "numpy", "numpy.linalg"])
def test_an_interrupt_while_it_is_loaded_ends_it_quietly(name):
    scripts = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]["scripts"]
    module, function = scripts["inkarnat"].split(":")
    code = INTERRUPTED.format(name=name, module=module, function=function)
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=120, preexec_fn=interrupts.hear
    )
    assert (done.returncode, done.stdout, done.stderr.strip()) == (130, "", "inkarnat: stopped.")


def test_the_same_note_many_times_is_one_line(capsys):
    console.tell_failures()  # what an earlier test has left
    capsys.readouterr()
    console.begin_run()
    for line in ("note: the light drifts", "note: the light drifts", "note: a gap", "warning: look", "warning: look"):
        console.warn(line)
    told = capsys.readouterr().err.splitlines()
    assert [line.removeprefix("inkarnat: ") for line in told] == [
        "note: the light drifts", "note: a gap", "warning: look", "warning: look",
    ]  # fmt: skip
    console.begin_run()
    console.warn("note: a gap")
    assert "a gap" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("code", "status", "taken"), [(0, 0, ""), (4, 4, ""), (None, 0, ""), ("'why'", 1, "why|apart")]
)
def test_a_process_ends_at_once_when_all_that_was_asked_for_is_done(code, status, taken):
    """A thread is waited for and what was registered is called; only then nothing is taken apart piece by piece."""
    text = f"""
import atexit, sys, threading, time
from inkarnat.host_adapters.commands.start import run
class Piece:
    def __del__(self, write=sys.stderr.write):
        write("|apart")
piece = Piece()
def program():
    atexit.register(print, "at the end")
    threading.Thread(target=lambda: (time.sleep(0.05), print("thread"))).start()
    sys.exit({code})
run(program)
"""
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stdout) == (status, "thread\nat the end\n")
    assert done.stderr.replace("\n", "") == taken
