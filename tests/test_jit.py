"""The compile decorator: where compiled kernels are kept, when they are made anew, and life without them."""

from __future__ import annotations

import ast
import gc
import os
import re
import shutil
import subprocess
import sys
import time
import types
from pathlib import Path

import pytest
from inkarnat.kernels import jit, kept_code

TESTS = Path(__file__).parent
KERNELS = Path(jit.__file__).parent

SHOW_FOLDER = "from kernels import jit; print(jit.CACHE_FOLDER)"


def run(code: str, home: Path, seconds: int = 300, **environment: str) -> str:
    """Run Python code in a new process that imports the copied kernels of ``home``; return what it prints."""
    result = subprocess.run(
        [sys.executable, "-c", code],
        env=surroundings(PYTHONPATH=str(home), **environment),
        capture_output=True,
        text=True,
        timeout=seconds,
        cwd=home,
    )
    assert result.returncode == 0, result.stderr
    return result.stdout.strip()


def surroundings(**environment: str) -> dict[str, str]:
    """This process's environment without what steers the cache, and with what is given."""
    steering = ("INKARNAT_CACHE_DIR", "XDG_CACHE_HOME", "TMPDIR", "NUMBA_DISABLE_JIT", "NUMBA_CACHE_DIR", "PYTHONPATH")
    return {name: value for name, value in os.environ.items() if name not in steering} | environment


@pytest.fixture
def home(tmp_path) -> Path:
    """A folder with a copy of the kernels that a test may change, under the plain name ``kernels``."""
    shutil.copytree(KERNELS, tmp_path / "kernels", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


@pytest.mark.parametrize("changed", ["colour.py", "strips.py", "new.py"])
def test_the_folder_changes_with_any_source(home, changed):
    cache = str(home / "cache")
    before = run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=cache)
    assert run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=cache) == before
    with (home / "kernels" / changed).open("a") as source:
        source.write("\nANOTHER = 1\n")
    assert run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=cache) != before


def test_the_folder_stays_where_only_words_change(home):
    cache = str(home / "cache")
    before = run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=cache)
    source = home / "kernels" / "colour.py"
    text = source.read_text()
    changed = re.sub(r'(\n@inline\ndef luma_row.*\n +""").*"""', r'\1Other words.\n\n    In two lines.\n    """', text)
    assert changed != text
    source.write_text("# A comment.\n" + changed.replace('"""', '"""Now: ', 1))
    assert run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=cache) == before
    source.write_text(changed.replace("def luma_row(row, out, n)", "def luma_row(row, out,  n)"))
    assert run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=cache) != before


def without_docstrings(tree: ast.AST) -> str:
    """A syntax tree as text, without the texts that stand alone in it."""
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            kept = [line for line in body if not (isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant))]
            node.body = kept or [ast.Pass()]
    return ast.dump(tree)


@pytest.mark.parametrize("path", sorted(KERNELS.rglob("*.py")), ids=lambda path: path.name)
def test_words_are_told_from_code(path):
    """What is left out of the hash is what Python's own parser knows to be comments and texts that nobody reads."""
    source = path.read_bytes()
    left = kept_code.code_of(source)
    assert without_docstrings(ast.parse(filled(left))) == without_docstrings(ast.parse(source))
    assert not [line for line in left.splitlines() if line.lstrip().startswith((b'"""', b"#"))]


def filled(source: bytes) -> bytes:
    """A source in which a function or class that holds a docstring alone holds `pass`."""
    lines = source.split(b"\n")
    for number, line in enumerate(lines):
        after = next((later for later in lines[number + 1 :] if later.strip()), b"")
        depth = len(line) - len(line.lstrip())
        opens = line.lstrip().startswith((b"def ", b"class ")) and line.endswith(b":")
        if opens and len(after) - len(after.lstrip()) <= depth:
            lines[number] = line + b" pass"
    return b"\n".join(lines)


def test_a_changed_callee_in_another_file_is_never_stale(home):
    """numba's own cache looks at the caller's file only and would go on returning 1."""
    (home / "kernels" / "callee.py").write_text(
        "from .jit import inline\n\n@inline\ndef answer_px(x):\n    return x + 1\n"
    )
    (home / "kernels" / "caller.py").write_text(
        "from .callee import answer_px\nfrom .jit import strip_kernel\n\n"
        "@strip_kernel\ndef answer(x):\n    return answer_px(x)\n"
    )
    ask = (
        "from kernels.caller import answer; "
        "print(answer(0), sum(answer.stats.cache_hits.values()), sum(answer.stats.cache_misses.values()))"
    )
    # Python's own bytecode goes by a source's time and size, which stay as they are below, so none is kept.
    kept = {"INKARNAT_CACHE_DIR": str(home / "cache"), "PYTHONDONTWRITEBYTECODE": "1"}
    assert run(ask, home, **kept) == "1 0 1"
    assert run(ask, home, **kept) == "1 1 0", "the second process must load, not compile"
    callee = home / "kernels" / "callee.py"
    times = callee.stat()
    callee.write_text(callee.read_text().replace("x + 1", "x + 2"))
    os.utime(callee, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert run(ask, home, **kept) == "2 0 1"


def test_the_chosen_folder_is_honoured(home):
    chosen = home / "deep" / "inside"
    folder = Path(run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=str(chosen)))
    assert folder.parent == chosen
    assert folder.is_dir()
    assert folder.name == run("from kernels import jit; print(jit.source_digest())", home)


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="the places are those of Linux")
def test_the_users_cache_comes_first(home):
    folder = Path(run(SHOW_FOLDER, home, XDG_CACHE_HOME=str(home / "user")))
    assert folder.parent == home / "user" / "inkarnat"


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="the places are those of Linux")
def test_unwritable_places_fall_back(home):
    blocked = home / "blocked"
    blocked.write_text("a file where a folder would have to be")
    temporary = home / "temporary"
    temporary.mkdir()
    folder = Path(run(SHOW_FOLDER, home, XDG_CACHE_HOME=str(blocked), TMPDIR=str(temporary)))
    assert folder.parent == temporary / f"inkarnat-{os.getuid()}"


def test_kernels_run_where_nothing_can_be_written(home):
    blocked = home / "blocked"
    blocked.write_text("a file where a folder would have to be")
    code = (
        "import numpy as np\n"
        "from kernels import colour, jit\n"
        "print(jit.CACHE_FOLDER, colour.luma(np.ones((2, 2, 3), np.float32))[0, 0])"
    )
    assert run(code, home, INKARNAT_CACHE_DIR=str(blocked)) == "None 1.0"


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="needs file owners")
@pytest.mark.parametrize("mode", [0o777, 0o770])
def test_a_folder_that_others_may_write_is_not_used(home, mode):
    shared = home / "shared"
    shared.mkdir()
    shared.chmod(mode)
    assert run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=str(shared)) == "None"
    shared.chmod(0o700)
    assert run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=str(shared)) != "None"


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="needs file owners")
def test_a_folder_of_someone_else_is_not_used(home):
    theirs = home / "theirs"
    theirs.mkdir(mode=0o700)
    pretend = f"import os; os.getuid = lambda: {os.getuid() + 1}; {SHOW_FOLDER}"
    assert run(pretend, home, INKARNAT_CACHE_DIR=str(theirs)) == "None"


def test_without_compilation_nothing_is_kept(home):
    cache = home / "cache"
    assert run(SHOW_FOLDER, home, INKARNAT_CACHE_DIR=str(cache), NUMBA_DISABLE_JIT="1") == "None"
    assert not cache.exists()


def test_the_same_results_without_compilation(home):
    """Plain Python and compiled code take the same float32 steps."""
    code = (
        "import numpy as np\n"
        "from kernels import colour\n"
        "image = np.linspace(-0.5, 2, 36, dtype=np.float32).reshape(3, 4, 3)\n"
        "print(colour.decode(image, 'srgb').round(5).tolist(), colour.luma(image).round(5).tolist())"
    )
    assert run(code, home, INKARNAT_CACHE_DIR=str(home / "cache")) == run(code, home, NUMBA_DISABLE_JIT="1")


def test_the_slice_passes_without_compilation():
    """Run every test marked ``slice`` once more with NUMBA_DISABLE_JIT=1."""
    # Only files that carry the mark are collected: without compilation the others take half a minute to import.
    marked = [str(path) for path in sorted(TESTS.glob("test_*.py")) if "mark.slice" in path.read_text(encoding="utf-8")]
    assert len(marked) > 15
    # Compiled code raises no warning on NaN and overflow; numpy's scalars do, and are right to.
    command = [sys.executable, "-m", "pytest", *marked, "-m", "slice", "-p", "no:cacheprovider", "-n", "0"]
    result = subprocess.run(
        [*command, "-W", "ignore::RuntimeWarning"],
        env=surroundings(NUMBA_DISABLE_JIT="1"),
        capture_output=True,
        text=True,
        timeout=600,
        cwd=TESTS.parent,
    )
    assert result.returncode == 0, result.stdout[-4000:] + result.stderr[-2000:]
    assert " passed" in result.stdout


BITS = """
import hashlib
import numpy as np
from kernels import clean, codes, colour, gaussian, jit, qualify, steer, strips

strips.set_thread_count(2)
r = np.random.default_rng(5)
image = (0.5 + r.normal(0, 0.4, (70, 45, 4))).astype(np.float32)
image[0, :3] = [[0, 0, 0, 0], [-0.25, 1.6, 2.5, 1], [np.nan, np.inf, -np.inf, 0.5]]
matte = r.random((70, 45)).astype(np.float32)
coding = codes.Coding(10, True, "709", "4:2:0")
planes = tuple(r.integers(64, 900, shape).astype(np.uint16) for shape in coding.shapes(70, 45))
made = [
    colour.decode(image, "srgb"),
    colour.luma(image),
    steer.turn(image, matte, 7.0, 0.9, shadow_angle=-3.0),
    qualify.range_key(image, (350, 40), (0.02, 0.5), (0.1, 0.9), 0.1),
    gaussian.gaussian(matte, 3.3),
    clean.levels(matte, 0.1, 0.8),
    codes.planes_to_picture(planes, coding),
]
print([hashlib.sha256(each.tobytes()).hexdigest()[:16] for each in made])
print(jit.__doc__.splitlines()[0])
"""


@pytest.mark.large
@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")
def test_numbas_public_interface_alone_gives_the_same_bits(home):
    """Should a new numba take away what ``jit.py`` builds on, plain decorators can stand in, and no picture changes."""
    # Never in the cache of other tests: what is kept there names its classes, and these lie in another package.
    bits, usual = run(BITS, home, INKARNAT_CACHE_DIR=str(home / "cache")).splitlines()
    shutil.copy(TESTS / "plain_jit.py", home / "kernels" / "jit.py")
    (home / "kernels" / "kept_code.py").unlink()
    private = [line for path in (home / "kernels").glob("*.py") for line in path.read_text().splitlines()]
    private = {line for line in private if line.startswith("from numba.core")}
    assert private <= {"from numba.core import cgutils"}, "what builders of instructions are shown in numba's own guide"
    plain_bits, plain = run(BITS, home, seconds=900).splitlines()
    assert usual != plain
    assert plain_bits == bits


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")
def test_python_is_told_not_to_call_a_piece():
    @jit.inline
    def third_px(x):
        return x / 3

    with pytest.raises(TypeError, match=r"third_px.*py_func"):
        third_px(1.0)
    assert third_px.py_func(3.0) == 1.0


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")
def test_what_numba_puts_for_a_function_is_a_piece_which_others_can_use(tmp_path):
    """It does not become machine code by itself, and a function that somebody else compiles later works as ever."""
    program = (
        "import numba, numpy as np\nfrom inkarnat.kernels import jit\nfrom numba.core.codegen import JITCodeLibrary\n"
        "made, finalize = [], JITCodeLibrary._finalize_specific\n"
        "JITCodeLibrary._finalize_specific = lambda library: (made.append(library.name), finalize(library))[1]\n"
        "@jit.strip_kernel\ndef larger(values, y0, y1):\n    room = np.empty(2, np.float64)\n"
        "    room[0] = max(values[0], 2.5)\n    values[0] = room[0]\n"
        "values = np.ones(3)\nlarger(values, 0, 1)\nprint(*made, values[0])\n"
        "print(numba.njit(lambda a: max(a, 1.5) + np.empty(2).size)(1.0))\n"
    )
    around = surroundings(INKARNAT_CACHE_DIR=str(tmp_path), PYTHONPATH=os.environ.get("PYTHONPATH", ""))
    run = subprocess.run([sys.executable, "-c", program], env=around, capture_output=True, text=True)
    *made, larger, other = run.stdout.split()
    assert (larger, other) == ("2.5", "3.5"), run.stderr
    assert "larger" in made
    assert not [name for name in made if name.endswith("<locals>.impl")], "as numba names what it puts"


def test_no_kernel_imports_linear_algebra_and_numba_finds_it_later():
    """numba imports SciPy's to see whether it is there; what multiplies matrices does so when it is compiled."""
    program = (
        "import sys, numba, numpy as np\nfrom inkarnat.kernels import mix\nplane = np.ones((8, 8), np.float32)\n"
        "mix.blend(*[np.ones((8, 8, 3), np.float32)] * 2, plane, 0.5)\nprint('scipy.linalg' in sys.modules)\n"
        "print(numba.njit(lambda a: np.dot(a, a))(plane)[0, 0], 'scipy.linalg' in sys.modules)\n"
    )
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["False", "8.0", "True"]


@pytest.fixture
def at_rest(monkeypatch):
    """The garbage collector as a new process has it, with a short rest after compiling."""
    collection, before = jit._Collection(), gc.isenabled()
    collection.REST = 0.2
    monkeypatch.setattr(jit, "_collection", collection)
    gc.enable()
    yield collection
    (gc.enable if before else gc.disable)()


def compiled_with(seen):
    """A kernel that notes whether garbage is looked for while it is compiled, and calls it."""

    @jit.inline
    def half_px(x):
        return x / 2

    @jit.subroutine
    def part(x):
        return half_px(x)

    def whole(x):
        return part(x)

    kernel = jit._dispatcher(jit._Entry, whole)
    compile_ = kernel._compiler.compile
    kernel._compiler.compile = lambda *given: seen.append(gc.isenabled()) or compile_(*given)
    assert kernel(3.0) == 1.5


def wait_for(ready) -> bool:
    end = time.monotonic() + 20
    while not ready() and time.monotonic() < end:
        time.sleep(0.01)
    return ready()


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")
def test_garbage_is_looked_for_when_nothing_is_compiled_any_more(at_rest):
    seen = []
    compiled_with(seen)
    assert seen == [False]
    assert wait_for(gc.isenabled)


@pytest.mark.skipif(jit.numba_config.DISABLE_JIT, reason="nothing is compiled")
def test_the_search_for_garbage_is_left_off_where_it_was_off(at_rest):
    gc.disable()
    seen = []
    compiled_with(seen)
    time.sleep(2 * at_rest.REST)
    assert seen == [False]
    assert not gc.isenabled()


def test_garbage_is_looked_for_after_many_kernels(at_rest):
    at_rest.REST = 60
    for _ in range(2 * at_rest.MOST):
        with at_rest:
            pass  # one that was kept and is loaded leaves no garbage
    for _ in range(at_rest.MOST - 1):
        with at_rest:
            at_rest.compiled()
    assert not gc.isenabled()
    with at_rest, at_rest:
        at_rest.compiled()
        assert not gc.isenabled()
    assert gc.isenabled()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no processes of this kind")
def test_a_forked_process_looks_for_garbage(at_rest):
    with at_rest:
        assert not gc.isenabled()
        child = os.fork()
        if child == 0:
            at_rest.forked()
            os._exit(0 if gc.isenabled() else 1)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def test_a_package_that_another_one_stands_in_for_is_not_there(monkeypatch):
    """Where SciPy is missing, colour-science puts modules without an origin in its place."""
    assert jit._is_installed("numpy")
    assert not jit._is_installed("no_such_package")
    monkeypatch.setitem(sys.modules, "scipy", types.ModuleType("scipy"))
    assert not jit._is_installed("scipy")
