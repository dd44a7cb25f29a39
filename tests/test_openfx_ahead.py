"""OpenFX, before the first render: compiling in other processes, with progress, cancel and buttons that are ready."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap
import threading
import time

import numpy as np
import pytest
from inkarnat.host_adapters import warm_up
from inkarnat.kernels import jit, strips
from inkarnat.nodes import NODES
from ofx_host import Host
from ofx_host.bundles import built, by_name, loaded


@pytest.fixture
def fresh(monkeypatch, tmp_path):
    """An empty folder of compiled kernels for what is prepared, and nothing prepared yet."""
    from inkarnat.host_adapters.openfx import plugin

    monkeypatch.setattr(jit, "CACHE_FOLDER", tmp_path)
    monkeypatch.setattr(plugin, "_prepared", set())
    monkeypatch.setenv("INKARNAT_CACHE_DIR", str(tmp_path))  # of the processes that compile
    return tmp_path


def test_progress_moves_and_ends(fresh):
    host, effects = loaded()
    host.progress.clear(), host.shares.clear()
    for _ in range(2):
        assert effects["blend"].instance().status == 0
    assert host.progress == ["Preparing Blend for its first use on this computer", "end"], "once"
    assert host.shares == sorted(host.shares)
    assert host.shares[-1] == 1.0
    assert len(set(host.shares)) > 2, "it moves"
    end = time.monotonic() + 300
    while not (fresh / "openfx-blend").exists():  # the process goes on with what other settings take
        assert time.monotonic() < end
        time.sleep(0.1)


def test_it_can_be_cancelled(fresh):
    host = Host()
    host.cancel = lambda: True
    instance = by_name(host, built())["soften_matte"].instance()
    assert instance.status == 0, "the effect works without"
    assert host.progress[-1] == "end"
    assert len(host.shares) == 1
    assert "Preparing was cancelled" in host.messages[-1][1]
    assert not (fresh / "openfx-soften_matte").exists()


def test_where_no_process_can_be_started_it_goes_on_here(fresh, monkeypatch):
    monkeypatch.setattr(warm_up, "_can_help", lambda: False)
    shares: list[float] = []
    assert warm_up.compile_ahead(NODES["blend"], lambda share: shares.append(share) is None)
    assert shares == [0.0, 1 / 3, 2 / 3, 1.0]
    assert not warm_up.compile_ahead(NODES["blend"], lambda share: False)


def test_processes_end_with_what_they_help(monkeypatch):
    made = []
    real = warm_up._started
    monkeypatch.setattr(warm_up, "_started", lambda *words, **more: made.append(real(*words, **more)) or made[-1])
    with strips.threads(2):
        assert not warm_up.compile_ahead(NODES["correct_skin"], lambda share: False)
    assert len(made) == 2
    assert all(process.poll() is not None for process in made)


def test_a_first_render_waits_for_what_it_needs_alone(monkeypatch):
    """Not for what buttons and other settings need: one process goes on with that."""

    class Worker:
        current, part = "correct_skin:actions", 0.5
        ended, then = False, None

        def __init__(self, names, now):
            self.names, self.now = names, now
            self.done = set(names[: names.index("correct_skin:first") + 1])
            made.append(self)

        def is_running(self):
            return True

        def end(self):
            self.ended = True

        def when_ended(self, then):
            self.then = then

    made: list[Worker] = []
    told: list[bool] = []
    monkeypatch.setattr(warm_up, "_can_help", lambda: True)
    monkeypatch.setattr(warm_up, "_worker", Worker)
    shares: list[float] = []
    assert warm_up.compile_ahead(
        NODES["correct_skin"],
        lambda share: shares.append(share) is None,
        lambda: told.append(1),
        NODES["correct_skin"](exposure=1.0),
    )
    first, second = made
    assert shares == [1.0]
    now = first.names.index("correct_skin:first")
    assert set(first.names[now + 1 :]) >= {"correct_skin:actions", "correct_skin", "balance", "cdl"}
    assert sorted(first.names[: now + 1]) == sorted(second.names)
    assert first.names[now] == second.names[-1] == "correct_skin:first", "the whole comes when its parts are there"
    assert json.loads(first.now)["params"]["exposure"] == 1.0, "as the effect is set"
    assert second.ended
    assert not first.ended, "it goes on"
    assert not told
    first.then()
    assert told


KEPT = "print(*sorted(k.py_func.__name__ for k in warm_up.jit.STRIP_KERNELS if k.overloads))"


def test_what_a_first_render_waits_for_is_what_it_needs(tmp_path):
    """What is compiled by parts is what two renders compile: no kernel more but pixels of hosts, and none less.

    Threads begin with the second while it is prepared, which they do not before its kernels are compiled.
    """

    def compiled(work):
        program = (
            "from inkarnat.host_adapters import warm_up\nfrom inkarnat.nodes import NODES\nimport numpy as np\n"
            f"{work}\n{KEPT}"
        )
        run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
        return set(run.stdout.split())

    pixels = compiled("warm_up.compile_first_uses(['host_pixels'])")
    waited = compiled("warm_up.compile_first_uses(warm_up._first_pieces(NODES['correct_skin']))")
    render = "NODES['correct_skin'](angle=3.0).process(np.full((1080, 64, 4), 0.5, np.float32))"
    used = compiled(f"{render}\n{render}")
    assert used <= waited <= used | pixels
    assert "_cut_strips" not in waited, "no face is set"


def test_a_first_render_is_of_the_effect_as_it_is_set():
    program = (
        "import json\nfrom inkarnat.host_adapters import warm_up\nfrom inkarnat.nodes import EARLIER, NODES\n"
        "kinds = [NODES['correct_skin'], *(kind for kind in EARLIER if kind.name == 'correct_skin')]\n"
        "for kind in kinds:\n"
        "    warm_up.compile_first_uses(['correct_skin:first'], now=json.dumps(kind(tint=0.01).config()))\n"
        f"{KEPT}"
    )
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    names = set(run.stdout.split())
    assert "_adapt_strips" in names, "the light that is set"
    assert "_split_strips" not in names, "nothing is keyed where only the light is set"


def test_a_process_is_told_to_be_done_once_all_its_pieces_are(monkeypatch):
    def process(text):
        return subprocess.Popen([sys.executable, "-c", f"print({text!r})"], stdout=subprocess.PIPE)

    for text, done in (("blend", True), ("", False)):
        told = threading.Event()
        worker = warm_up._Worker(process(text), ("blend",))
        worker.when_ended(told.set)
        assert told.wait(60 if done else 1) is done


@pytest.mark.parametrize("name", [name for name, kind in NODES.items() if kind.actions()])
def test_what_is_prepared_holds_all_that_buttons_and_renders_need(name):
    """In a process that has done the pieces, an action and a render compile nothing more."""
    program = textwrap.dedent(
        f"""
        from numba.core import event
        from inkarnat.host_adapters import warm_up
        from inkarnat.nodes import NODES
        kind = NODES[{name!r}]
        warm_up.compile_first_uses(warm_up.pieces_of(kind))
        compiled = []
        class Listener(event.Listener):
            def on_start(self, happened): pass
            def on_end(self, happened): compiled.append(str(happened.data))
        event.register("numba:compile", Listener())
        import contextlib, numpy as np
        from inkarnat.nodes import Sample, SampleError
        picture = np.full((720, 200, 4), (0.7, 0.5, 0.42, 1), np.float32)
        picture[:, :60, :3] = 0.3, 0.35, 0.45
        picture[..., :3] += np.random.default_rng(2).normal(0, 0.02, (720, 200, 1)).astype(np.float32)
        asked = {{n: getattr(a, "default", None) for n, a in kind.asks().items()}}
        asked |= {{n: Sample.point(0.6, 0.5) for n in asked if n == "skin_1"}}
        node = kind()
        for index, action in enumerate(kind.actions().values()):
            with contextlib.suppress(SampleError):  # nothing black is marked
                changed, _ = action.run(node, asked, image=picture)
                node = changed if index == 0 else node
        node.process(picture)
        print(len(compiled), compiled[:3])
        """
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("0 "), done.stdout


def test_pieces_are_known_work():
    for kind in NODES.values():
        for piece in warm_up.pieces_of(kind):
            assert piece in warm_up.PARTLY or piece.removesuffix(":actions").removesuffix(":first") in NODES
    warm_up._turn_pixels()
    assert np.isfinite(warm_up.first_use(NODES["cdl"])).all()
