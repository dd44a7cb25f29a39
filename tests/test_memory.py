"""Memory: how many frames a graph holds at once, no hidden float64 frame, and the same memory from frame to frame."""

from __future__ import annotations

import gc
import sys
import tracemalloc
from itertools import combinations

import footage
import numpy as np
import pytest
from inkarnat.host_adapters.bench import chains
from inkarnat.host_adapters.bench.frames import SKIN_BOX, skin_frame
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.rendering import render_files
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.kernels import arrays, memory
from inkarnat.kernels.memory import Memory
from inkarnat.kernels.strips import threads
from inkarnat.nodes import (
    Cdl,
    CorrectionOptions,
    CorrectSkin,
    MarkedFrame,
    Sample,
    SteerSkin,
    ToneCurve,
    solve_correction,
)

WIDTH, HEIGHT = 1280, 720
MOST = 7
"""Frames of float32 RGB that a run may hold at once, the source among them."""
LESS_IN_FOOTAGE = 0.4
"""Frames that footage holds less where its last picture goes into planes strip by strip."""


@pytest.fixture(autouse=True)
def forget_idle(monkeypatch):
    """Let no memory lie idle: of earlier work it would be taken without being counted."""

    def forget():
        monkeypatch.setattr(memory, "RESULTS", Memory())

    forget()
    return forget


@pytest.fixture(scope="module")
def frame():
    return skin_frame(WIDTH, HEIGHT)


@pytest.fixture(scope="module")
def graphs(frame):
    """The standard graph as it is solved, with everything that can follow it, and the chains of the benchmarks."""
    marked = [MarkedFrame(1, frame, (Sample.box(*SKIN_BOX),), neutral=Sample.box(0.02, 0.1, 0.1, 0.3))]
    plain = solve_correction(marked)
    full = solve_correction(
        marked, CorrectionOptions(tone=ToneCurve(black=0.02), saturation=1.1, split=True, even_out=0.2)
    )
    correct = CorrectSkin(model=chains.learned_key().model, temperature=12, angle=8, black=0.01, saturation=1.1)
    light = Cdl(slope=(1.1, 1, 0.9))
    return {
        "standard": chain_graph(plain.links(), plain.outputs()),
        "standard, all steps": chain_graph(full.links(), full.outputs()),
        "one effect": Graph.of(Step.of("skin", correct, image="plate"), result="skin"),
        "ranges": chains.STANDARD.graph(),
        "learned key": chains.full_quality().graph(),
        "a row of grades": Graph.of(
            *(Step.of(f"c{n}", light, image=f"c{n - 1}" if n else "plate") for n in range(8)), result="c7"
        ),
    }


NAMES = ("standard", "standard, all steps", "one effect", "ranges", "learned key", "a row of grades")


def test_all_graphs_are_named(graphs):
    assert tuple(graphs) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_frame_needs_seven_frames_of_memory_at_most(graphs, frame, name, forget_idle):
    Runner(graphs[name]).run_frame(1, {"plate": frame})
    forget_idle()
    gc.collect()
    tracemalloc.start()
    try:
        outputs = Runner(graphs[name]).run_frame(2, {"plate": frame})
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert outputs["result"].dtype == np.float32
    assert peak > frame.nbytes / 2, "numpy must report what it allocates"
    assert 1 + peak / frame.nbytes <= MOST


def wide_arrays(work, size):
    """Run work; return where arrays of more than four bytes a value and of ``size`` values or more were held."""
    found = []

    def look(running, event, value):
        if event == "return":
            for name, held in (*running.f_locals.items(), ("result", value)):
                if isinstance(held, np.ndarray) and held.dtype.itemsize > 4 and held.size >= size:
                    found.append(f"{running.f_code.co_filename}:{running.f_lineno} {name} {held.dtype}{held.shape}")

    before = sys.getprofile()
    sys.setprofile(look)
    try:
        work()
    finally:
        sys.setprofile(before)
    return found


def test_the_probe_sees_a_hidden_float64_frame(frame):
    def hides():
        wide = frame.astype(np.float64)
        return wide.astype(np.float32)

    (found,) = [line for line in wide_arrays(hides, WIDTH * HEIGHT) if "wide" in line]
    assert f"float64({HEIGHT}, {WIDTH}, 3)" in found


@pytest.mark.parametrize("name", NAMES)
def test_no_frame_or_matte_is_held_in_float64(graphs, frame, name):
    with threads(1):
        assert wide_arrays(lambda: Runner(graphs[name]).run_frame(1, {"plate": frame}), WIDTH * HEIGHT) == []


@pytest.fixture
def one_thread():
    """A helping thread may hold an array a moment longer than the frame; then another is made, and let go later."""
    with threads(1):
        yield


EIGHT, SPANS, MOST_GROWN = 8, 7, 32 * 1024
"""Frames of a span, spans that are counted, and bytes by which memory may grow in the middle one of them."""


def counted(run):
    """Run frames; return the memory held after each, and what making each took beyond what was held before it."""
    run(1)
    gc.collect()
    gc.freeze()  # what was there before is not looked through after each frame
    tracemalloc.start()
    try:
        held, taken = [], []
        for number in range(2, EIGHT * SPANS + 4):
            before, _ = tracemalloc.get_traced_memory()
            tracemalloc.reset_peak()
            run(number)
            taken.append(tracemalloc.get_traced_memory()[1] - before)
            gc.collect()
            held.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
    # what the first counted frame lets go is lent from then on, and counted with the others
    return np.array(held[1:]), np.array(taken[1:])


def grown(held):
    """Return by how much memory grew in eight frames: the median of seven spans.

    Tables of Python are made anew once in many frames, and where the old one is older than the counting, the new one
    is a step: that of `weakref.finalize` takes 37 KB, 74, 148 or 295, by how much of it the process holds. Three steps
    spoil three spans at most, however large they are, and the median is one of the others; what is lost in every
    eighth frame, or oftener, is in all seven.
    """
    return np.median(np.diff(held[..., ::EIGHT]), axis=-1)


def test_what_is_lost_once_is_told_from_what_is_lost_again_and_again():
    """At every place of three single steps, over the few bytes that come and go; in every phase of what comes back."""
    frames = np.arange(EIGHT * SPANS + 1)
    few = np.random.default_rng(2).integers(-1200, 1500, len(frames)).cumsum()
    steps = np.array(list(combinations(frames[1:], 3)))
    sizes = (100_000, 300_000, 1 << 20)
    once = few + sum(size * (frames >= at[:, None]) for size, at in zip(sizes, steps.T, strict=True))
    assert (grown(once) < MOST_GROWN).all()
    for every, size in ((1, 5000), (4, 40_000), (8, 40_000)):
        for phase in range(every):
            assert (grown(once + size * ((frames + phase) // every)) >= MOST_GROWN).all()


def test_memory_does_not_grow_from_frame_to_frame(graphs, frame, one_thread):
    runner = Runner(graphs["standard, all steps"])
    held, taken = counted(lambda number: runner.run_frame(number, {"plate": frame}))
    least, *_, most_else, _, _, most = np.sort(taken)  # all but the three in which a table may be made anew
    assert most_else <= least * 1.05
    assert most <= least * 1.5
    assert grown(held) < MOST_GROWN, np.diff(held)


@pytest.mark.parametrize(
    ("lost", "grows"),
    [
        (lambda number: 5000, True),
        (lambda number: 40_000 * (number % 4 == 2), True),
        (lambda number: (1 << 20) * (number == 20), False),
    ],
    ids=["in every frame", "in every fourth", "once"],
)
def test_what_leaks_from_frame_to_frame_is_seen(graphs, frame, one_thread, lost, grows):
    runner, leaked, half = Runner(graphs["one effect"]), [], np.ascontiguousarray(frame[::2])

    def run(number):
        runner.run_frame(number, {"plate": half})
        leaked.append(bytearray(lost(number)))

    held, _ = counted(run)
    assert (grown(held) >= MOST_GROWN) == grows, np.diff(held)


def test_memory_stays_bounded_with_helping_threads(graphs, frame):
    runner = Runner(graphs["standard, all steps"])
    with threads(2):
        runner.run_frame(1, {"plate": frame})
        tracemalloc.start()
        try:
            for number in range(2, 22):
                runner.run_frame(number, {"plate": frame})
            gc.collect()
            kept, _ = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
    assert kept <= MOST * frame.nbytes


def test_footage_holds_one_picture_and_its_matte(frame, tmp_path, forget_idle, monkeypatch):
    """What is turned last goes into the planes of the output strip by strip, to the bytes of whole pictures."""
    solved = solve_correction([MarkedFrame(1, frame, (Sample.box(*SKIN_BOX),))])
    graph = chain_graph(solved.links(), solved.outputs())
    clip = tmp_path / "clip.mkv"
    footage.make(clip, frames=4, size=(WIDTH, HEIGHT))

    def rendered(name, whole):
        monkeypatch.setattr(SteerSkin, "gives_strips", lambda node: not whole)
        with threads(2), open_clip(clip) as opened:
            forget_idle()
            gc.collect()
            tracemalloc.start()
            try:
                report = render_files(graph, {"plate": opened}, {"result": str(tmp_path / name)})
                _, peak = tracemalloc.get_traced_memory()
            finally:
                tracemalloc.stop()
        assert len(report.done) == 4
        return (tmp_path / name).read_bytes(), peak / frame.nbytes

    rendered("first.mkv", False)
    (strips, held), (whole, more) = rendered("strips.mkv", False), rendered("whole.mkv", True)
    assert strips == whole
    assert more - held > LESS_IN_FOOTAGE, (held, more)


# --- the same memory again ------------------------------------------------------------------------------------


def place(array):
    return array.__array_interface__["data"][0]


def test_the_next_frame_lies_where_the_last_one_lay(frame, one_thread):
    runner = Runner(chains.STANDARD.graph())
    first = runner.run_frame(1, {"plate": frame})["result"]
    expected, where = first.copy(), place(first)
    del first
    again = runner.run_frame(2, {"plate": frame})["result"]
    assert place(again) == where
    np.testing.assert_array_equal(again, expected)


def test_a_picture_that_somebody_holds_is_left_alone(frame):
    runner = Runner(chains.STANDARD.graph())
    held = runner.run_frame(1, {"plate": frame})["result"]
    view = runner.run_frame(2, {"plate": frame})["result"][:, :, 0]
    before, before_view = held.copy(), view.copy()
    for number in range(3, 6):
        runner.run_frame(number, {"plate": frame * np.float32(0.5)})
    np.testing.assert_array_equal(held, before)
    np.testing.assert_array_equal(view, before_view)


def test_a_value_that_nobody_holds_makes_room_for_the_next():
    memory.RESULTS.reserve({(1080, 1920, 3): 1})
    assert memory.RESULTS.idle() == 1080 * 1920 * 12
    lent = arrays.output(None, (1080, 1920, 3))
    assert (lent.shape, lent.dtype, lent.flags.c_contiguous, lent.flags.writeable) == (
        (1080, 1920, 3),
        "f4",
        True,
        True,
    )
    where, view = place(lent), lent[10:, ::2, 1]
    del lent
    assert memory.RESULTS.idle() == 0
    view = view[3:]
    assert place(arrays.output(None, (1080, 1920, 3))) != where, "a view holds it"
    del view
    assert memory.RESULTS.idle() == 2 * 1080 * 1920 * 12
    assert place(arrays.output(None, (1080, 1920, 3))) == where


def test_small_results_are_not_kept():
    arrays.output(None, (512, 511))
    assert memory.RESULTS.idle() == 0
    arrays.output(None, (512, 512))
    assert memory.RESULTS.idle() == 1 << 20


def test_what_lies_idle_is_limited_and_gives_way_to_another_size(monkeypatch):
    monkeypatch.setattr(memory, "_MOST_IDLE", 5 * 4000)
    blocks = Memory()
    held = [blocks.lent((10, 100)) for _ in range(7)]
    held.clear()
    assert blocks.idle() == 5 * 4000
    blocks.lent((30, 100))
    assert blocks.idle() == 2 * 4000 + 12000
    held = [blocks.lent((60, 100)) for _ in range(6)]
    held.clear()
    assert blocks.idle() == 4 * 24000, "four of one size, however large: a frame's own steps"


def test_what_is_reserved_may_lie_idle(monkeypatch):
    monkeypatch.setattr(memory, "_MOST_IDLE", 5 * 4000)
    blocks = Memory()
    blocks.lent((50, 100))
    blocks.reserve({(10, 100): 6, (5, 100): 3})
    assert blocks.idle() == 6 * 4000 + 3 * 2000
    held = [blocks.lent((10, 100)) for _ in range(6)]
    held.clear()
    blocks.reserve({(10, 100): 6, (5, 100): 3})
    assert blocks.idle() == 6 * 4000 + 3 * 2000
