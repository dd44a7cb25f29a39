"""Starting: what is imported only where it is used, and what is said while kernels are compiled."""

from __future__ import annotations

import itertools
import json
import os
import re
import subprocess
import sys

import numpy as np
import pytest
from inkarnat.host_adapters.bench import start
from inkarnat.host_adapters.commands import console
from inkarnat.host_adapters.detect import faces
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.kernels import jit
from inkarnat.nodes import Cdl

HEAVY = (
    "colour",
    "OpenImageIO",
    "av",
    "rich",
    "PIL",
    "cv2",
    "distributed",
    "dask",
    "starlette",
    "jinja2",
    "PyOpenColorIO",
)
"""What only some of the work needs; colour-science alone takes a second."""

RUN = """
import sys
from inkarnat.host_adapters.commands.cli import main
sys.argv = ["inkarnat", *sys.argv[1:]]
try:
    main()
finally:
    print("\\nIMPORTED", *[name for name in {heavy!r} if name in sys.modules])
"""


def imported(code: str, *arguments: str) -> set[str]:
    """Run code in a process of its own and return which of the heavy packages it imported."""
    child = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=300, env=dict(os.environ)
    )
    assert child.returncode == 0, child.stderr
    return set(child.stdout.rpartition("IMPORTED")[2].split())


def verb(*arguments: str) -> set[str]:
    return imported(RUN.format(heavy=HEAVY), *arguments)


def test_the_probe_sees_an_import():
    assert imported(f"import PIL\nprint('IMPORTED', *[n for n in {HEAVY!r} if n in __import__('sys').modules])") == {
        "PIL"
    }


@pytest.mark.parametrize(
    "arguments", [("--help",), ("--version",), ("nodes",), ("nodes", "skin_key"), ("correct", "-h")]
)
def test_what_reads_no_file_imports_nothing_heavy(arguments):
    assert verb(*arguments) == set()


def test_the_overview_imports_no_kernels():
    code = RUN.format(heavy=("numba", "numpy"))
    assert imported(code, "--help") == set()


def test_a_script_that_imports_the_nodes_imports_nothing_heavy():
    code = f"import sys, inkarnat.nodes\nprint('IMPORTED', *[name for name in {HEAVY!r} if name in sys.modules])"
    assert imported(code) == set()


def test_a_still_is_corrected_without_video(tmp_path):
    picture = np.full((90, 160, 3), 0.4, np.float32)
    picture[20:70, 40:100] = (0.62, 0.46, 0.37)
    still = tmp_path / "still.png"
    write_picture(still, picture, bits=8)
    found = verb("correct", str(still), "-o", str(tmp_path / "out.png"), "--add", "box:.30,.30,.55,.70")
    assert "OpenImageIO" in found, "the file is read with it"
    expected = {"OpenImageIO", "PIL", "rich"}  # what a PNG says of its colours is read with Pillow
    assert found <= (expected | {"cv2"} if faces.available() else expected)
    assert (tmp_path / "out.png").exists()


# --- compiling ------------------------------------------------------------------------------------------------


@pytest.fixture
def asked_anew():
    console._cold_told.clear()
    yield
    console._cold_told.clear()


def test_an_empty_cache_is_told_once(tmp_path, monkeypatch, capsys, asked_anew):
    monkeypatch.setattr(jit, "CACHE_FOLDER", tmp_path)
    console.warn_if_cold("demo")
    console.listener().progress(2).__enter__()
    said = capsys.readouterr().err
    assert said.count("compiling for this machine") == 1
    assert "inkarnat warm" in said


def test_compiled_kernels_are_counted_until_all_are_there(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(jit, "CACHE_FOLDER", tmp_path)
    monkeypatch.setattr(console, "_LOOK", 0.01)
    monkeypatch.setattr(console, "_TELL", 0.0)
    say, names = console._line, iter(("1.code", "2.code"))

    def said(line):
        """Keep one more kernel as soon as those before are told."""
        say(line)
        for name in itertools.islice(names, 1):
            (tmp_path / name).touch()

    monkeypatch.setattr(console, "_line", said)
    (tmp_path / "0.code").touch()
    console.count_compiled(3).join(60)
    first, second, third = capsys.readouterr().err.splitlines()
    assert re.fullmatch(r"inkarnat: compiled 1 of about 3 kernels, about \d+:\d\d left", first)
    assert re.fullmatch(r"inkarnat: compiled 2 of about 3 kernels, about \d+:\d\d left", second)
    assert third == "inkarnat: compiled 3 of about 3 kernels"


def test_counting_ends_where_no_more_comes(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(jit, "CACHE_FOLDER", tmp_path)
    monkeypatch.setattr(console, "_LOOK", 0.01)
    monkeypatch.setattr(console, "_REST", 0.05)
    console.count_compiled(3).join(10)
    assert capsys.readouterr().err == ""


def test_the_cache_of_this_very_run_counts_as_filled(capsys, asked_anew):
    Cdl(slope=(1.1, 1, 1)).process(np.full((4, 4, 3), 0.5, np.float32))
    if jit.CACHE_FOLDER is None:
        pytest.skip("nothing is kept on disk here")
    console.warn_if_cold()
    assert capsys.readouterr().err == ""


def test_a_filled_cache_is_not_told(tmp_path, monkeypatch, capsys, asked_anew):
    (tmp_path / "steer._turn_strips-0123.code").touch()
    monkeypatch.setattr(jit, "CACHE_FOLDER", tmp_path)
    console.warn_if_cold()
    assert capsys.readouterr().err == ""


# --- the measurement ------------------------------------------------------------------------------------------


def test_a_process_that_fails_is_named(tmp_path):
    with pytest.raises(start.StartError, match=r"`-c import no_such_module` ended with 1: .*no_such_module"):
        start._seconds((sys.executable, "-c", "import no_such_module"), tmp_path)


def test_starts_are_judged():
    late, soon = start.Start("a", 2.0, 1.5), start.Start("b", 1.5, 1.5)
    assert [s.as_dict()["verdict"] for s in (late, soon)] == ["not met", "met"]
    assert json.loads(json.dumps(soon.as_dict()))["at_most"] == 1.5


COUNT = """
import sys
counts = dict.fromkeys(("open", "os.scandir", "subprocess.Popen", "socket.connect"), 0)
before = len(sys.modules)

def count(event, arguments):
    if event in counts:
        counts[event] += 1

sys.addaudithook(count)
{code}
modules = list(sys.modules)[before:]
outside = {{name.partition(".")[0] for name in modules}} - sys.stdlib_module_names
print("\\nCOUNTED", __import__("json").dumps([counts, len(modules), sorted(outside)]))
"""


def counted(code: str) -> tuple[dict[str, int], int, list[str]]:
    """Return what code did by Python's audit events, how many modules it imported, and from which packages."""
    child = subprocess.run([sys.executable, "-c", COUNT.format(code=code)], capture_output=True, text=True, timeout=300)
    assert child.returncode == 0, child.stderr
    counts, modules, outside = json.loads(child.stdout.rpartition("COUNTED")[2])
    return counts, modules, outside


def test_the_overview_is_there_at_once():
    """It opens few files and imports few modules, as that takes the time: `inkarnat bench start` measures the seconds.

    Twice the modules that it took, 93, and what these come to: 80 files opened, 134 where no bytecode is kept.
    """
    code = (
        "from inkarnat.host_adapters.commands.cli import main\n"
        "sys.argv = ['inkarnat', '--help']\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code"
    )
    counts, modules, outside = counted(code)
    assert {"click", "inkarnat"} <= set(outside) <= {"click", "inkarnat", "_distutils_hack"}
    assert counts["open"] <= 200
    assert modules <= 186
    assert [counts[event] for event in ("os.scandir", "subprocess.Popen", "socket.connect")] == [0] * 3


def test_the_counts_see_what_is_slow_to_start():
    counts, modules, outside = counted("import inkarnat.nodes")
    assert counts["open"] > 400
    assert modules > 372
    assert "numba" in outside
