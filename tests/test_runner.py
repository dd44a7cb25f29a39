"""The runner: right pictures, read as often as needed and no more, forgotten when nothing reads them any more."""

from __future__ import annotations

import gc
import logging
import traceback
import weakref
from collections import Counter
from dataclasses import dataclass

import numpy as np
import pytest
import tiny
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.host_adapters.bench.frames import skin_frame
from inkarnat.host_adapters.graphs import errors, runner
from inkarnat.host_adapters.graphs.errors import GraphError, NodeError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.keyframes import Keyframes
from inkarnat.host_adapters.graphs.runner import Runner, render
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.writes import OutputError
from inkarnat.kernels import strips
from inkarnat.nodes import Cdl, FaceMatte, JoinFaces, SkinKey, SoftenMatte, SteerSkin
from inkarnat.nodes.declare import Node, Picture, number


def flat(value: float) -> np.ndarray:
    return np.full((2, 3, 3), value, np.float32)


MATTED = Graph.of(
    Step.of("light", tiny.Gain(2.0), image="plate"),
    Step.of("key", tiny.Threshold(0.0, 1.0), image="light"),
    Step.of("joined", tiny.Mix(), first="plate", second="light", matte="key"),
    Step.of("unused", tiny.Breaks(), image="plate"),
    result="joined",
    matte="key",
    before="plate",
)


def test_outputs_are_what_the_nodes_give_by_hand(picture):
    outputs = Runner(MATTED).run_frame(1, {"plate": picture})
    light = tiny.Gain(2.0).process(picture)
    matte = tiny.Threshold(0.0, 1.0).process(light)
    np.testing.assert_array_equal(outputs["matte"], matte)
    np.testing.assert_array_equal(outputs["result"], tiny.Mix().process(picture, light, matte))
    assert outputs["before"] is picture


def test_what_is_the_same_at_every_frame_is_planned_once(picture, monkeypatch):
    planned = []
    real = runner._Plan.made
    monkeypatch.setattr(runner._Plan, "made", lambda plan, *given: planned.append(1) or real(plan, *given))
    runs = Runner(MATTED)
    first = runs.run_frame(1, {"plate": picture})
    for frame in range(2, 6):
        again = runs.run_frame(frame, {"plate": picture + np.float32(0.1)}, held={})
        fresh = Runner(MATTED).run_frame(frame, {"plate": picture + np.float32(0.1)})
        assert all(np.array_equal(again[name], fresh[name]) for name in first)
    assert len(planned) == 1 + 4, "once by the one, and by each of the fresh ones"
    runs.run_frame(7, {"plate": picture}, wanted=["matte"])
    assert len(planned) == 6, "other outputs want other work"
    moving = MATTED.with_step(
        Step("light", tiny.Gain(2.0), (("image", "plate"),), (("factor", Keyframes(((0, 1.0), (10, 3.0)))),))
    )
    runs = Runner(moving)
    values = [runs.run_frame(frame, {"plate": picture})["result"].max() for frame in (0, 10)]
    assert values[0] != values[1]
    assert len(planned) == 8, "keyframes are looked at for every frame"


def test_mattes_that_one_node_reads_are_written_along_with_its_own_work(monkeypatch):
    """Two faces, a key and what joins them: the planes of single nodes, and no hand-out for each of them."""
    plate = skin_frame(160, 90)
    key, one, other = SkinKey(), FaceMatte(), FaceMatte(*[(x - 0.3, y) for x, y in FaceMatte().landmarks])
    join = JoinFaces(likeness=1.0, soft_pieces=True, usual_face=0.02, keep=((0.5, 0.5),))
    graph = Graph.of(
        Step.of("skin", key, image="plate"),
        Step.of("one", one, image="plate"),
        Step.of("other", other, image="plate", faces="one"),
        Step.of("join", join, matte="skin", faces="other", image="plate"),
        Step.of("soft", SoftenMatte(), matte="join", guide="plate"),
        Step.of("steer", SteerSkin(angle=5.0), image="plate", matte="soft"),
        result="steer",
        matte="soft",
        keyed="skin",
    )
    told = other.process(plate, one.process(plate))
    joined = join.process(key.process(plate), told, plate)
    expected = SoftenMatte().process(joined, plate)
    by_hand, counted, worked = [], [], strips._Work.end
    monkeypatch.setattr(strips._Work, "end", lambda work: counted.append(work) or worked(work))
    for count in (1, 3):
        with strips.threads(count):
            counted.clear()
            join.process(key.process(plate), other.process(plate, one.process(plate)), plate)
            by_hand.append(len(counted))
            counted.clear()
            made = Runner(graph).run_frame(1, {"plate": plate}, ("matte", "result"))
            np.testing.assert_array_equal(made["matte"], expected)
            np.testing.assert_array_equal(made["result"], SteerSkin(angle=5.0).process(plate, expected))
            assert all(np.array_equal(Runner(graph).run_frame(1, {"plate": plate})[name], made[name]) for name in made)
    with strips.threads(3):
        counted.clear()
        Runner(graph).run_frame(1, {"plate": plate}, ("result",))
    assert by_hand[1] == 0 or len(counted) < by_hand[1], "softening and turning included"
    with pytest.raises(NodeError, match=r"'skin'.* failed at frame 3"):
        Runner(graph).run_frame(3, {"plate": plate[..., :2]}, ("result",))


def test_only_what_is_wanted_is_worked_out(picture):
    graph = Graph.of(
        Step.of("light", tiny.Gain(), image="plate"),
        Step.of("broken", tiny.Breaks(), image="look"),
        sources=["plate", "look"],
        result="light",
        bad="broken",
    )
    assert list(Runner(graph).run_frame(1, {"plate": picture}, ["result"])) == ["result"]
    with pytest.raises(GraphError, match="reads the source 'look'"):
        Runner(graph).run_frame(1, {"plate": picture})
    with pytest.raises(GraphError, match="no output 'matte'"):
        Runner(graph).run_frame(1, {"plate": picture}, ["matte"])


def test_failure_names_the_node_and_the_frame(picture):
    graph = Graph.of(Step.of("bad", tiny.Breaks(), image="plate"), result="bad")
    with pytest.raises(NodeError, match=r"Node 'bad' .breaks. failed at frame 7: IndexError: no such row") as caught:
        Runner(graph).run_frame(7, {"plate": picture})
    assert isinstance(caught.value.__cause__, IndexError)


def test_keyframes_move_the_parameter():
    keyed = (("factor", Keyframes(((1, 0.0), (5, 4.0)))),)
    graph = Graph((Step("light", tiny.Gain(0.0), (("image", "plate"),), keyed),), (("result", "light"),))
    values = [Runner(graph).run_frame(frame, {"plate": flat(1)})["result"][0, 0, 0] for frame in (0, 1, 2, 5, 9)]
    assert values == [0, 0, 1, 4, 4]


# --- memory -------------------------------------------------------------------------------------------------

ALIVE: list[weakref.ref] = []
MOST: list[int] = []


@dataclass(frozen=True)
class Watched(Node):
    """Copy the picture and count how many pictures are alive."""

    name = "watched"
    label = "Watched"
    group = "light"

    factor: float = number(1.0, 0, 2, "Factor.")

    def process(self, image: Picture) -> Picture:
        result = image * np.float32(self.factor)
        ALIVE.append(weakref.ref(result))
        MOST.append(sum(reference() is not None for reference in ALIVE))
        return result


@pytest.fixture
def watched():
    ALIVE.clear()
    MOST.clear()
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("watched")
def test_a_chain_holds_two_pictures_however_long_it_is():
    steps = [Step.of(f"n{i}", Watched(), image=f"n{i - 1}" if i else "plate") for i in range(40)]
    Runner(Graph.of(*steps, result="n39")).run_frame(1, lambda source, frame: flat(1))
    assert len(MOST) == 40
    assert max(MOST) == 2
    assert sum(reference() is not None for reference in ALIVE) == 0


@pytest.mark.usefixtures("watched")
def test_a_picture_read_late_is_held_until_then():
    steps = [Step.of(f"n{i}", Watched(), image=f"n{i - 1}" if i else "plate") for i in range(10)]
    joined = Step.of("joined", tiny.Mix(), first="n9", second="n0")
    outputs = Runner(Graph.of(*steps, joined, result="joined")).run_frame(1, {"plate": flat(1)})
    assert max(MOST) == 3
    assert outputs["result"][0, 0, 0] == 1


# --- several frames -----------------------------------------------------------------------------------------


def averages(*spans: tuple[int, int]) -> Graph:
    names = ["plate", *(f"a{i}" for i in range(len(spans)))]
    steps = [Step.of(names[i + 1], tiny.Average(*span), image=names[i]) for i, span in enumerate(spans)]
    return Graph.of(*steps, Step.of("joined", tiny.Mix(), first="plate", second=names[-1]), result="joined")


def box(values: dict[int, float], before: int, after: int) -> dict[int, float]:
    """The mean over a window, straight from its definition, where all of it is known."""
    known = {}
    for frame in values:
        window = [values.get(frame + offset) for offset in range(-before, after + 1)]
        if None not in window:
            known[frame] = sum(window) / len(window)
    return known


SPANS = st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=1, max_size=3)


@given(SPANS, st.lists(st.integers(0, 12), min_size=1, max_size=8))
def test_nodes_over_several_frames_in_a_row_whatever_the_order_of_frames(spans, frames):
    plate = {frame: float((frame * 37) % 11) for frame in range(-10, 24)}
    expected = plate
    for span in spans:
        expected = box(expected, *span)
    reads: Counter[int] = Counter()

    def fetch(source: str, frame: int) -> np.ndarray:
        reads[frame] += 1
        return flat(plate[frame])

    held: dict = {}
    runner = Runner(averages(*spans))
    before, after = (sum(span[side] for span in spans) for side in (0, 1))
    for frame in frames:
        result = runner.run_frame(frame, fetch, held=held)["result"][0, 0, 0]
        assert result == pytest.approx((plate[frame] + expected[frame]) / 2, abs=1e-5)
        assert len(held) <= (before + after + 1) * len(spans)
    assert all(reads[frame] <= len(frames) for frame in reads)


def test_neighbours_are_read_once_over_a_whole_run():
    reads: Counter[int] = Counter()

    def fetch(source: str, frame: int) -> np.ndarray:
        reads[frame] += 1
        return flat(frame)

    held: dict = {}
    for frame in range(20):
        Runner(averages((2, 1), (1, 1))).run_frame(frame, fetch, held=held)
    assert set(reads) == set(range(-3, 22))
    assert set(reads.values()) == {1}


def test_a_still_stands_for_its_neighbours():
    result = Runner(averages((2, 2))).run_frame(1, {"plate": flat(0.25)})["result"]
    np.testing.assert_array_equal(result, flat(0.25))


# --- whole clips --------------------------------------------------------------------------------------------


class Clip:
    """A clip in memory: frame n shows the value n."""

    def __init__(self, first: int, last: int, missing: tuple[int, ...] = ()) -> None:
        self.frames = range(first, last + 1)
        self.missing = missing

    def read(self, frame: int) -> np.ndarray:
        if frame in self.missing or frame not in self.frames:
            raise InputError(f"frame {frame} is missing")
        return flat(frame)


class Writer:
    """Remembers what is written."""

    def __init__(self, full_at: int | None = None) -> None:
        self.full_at = full_at
        self.written: dict[int, float] = {}

    def write(self, frame: int, picture: np.ndarray) -> None:
        if frame == self.full_at:
            raise OutputError("the disk is full")
        self.written[frame] = float(picture[0, 0, 0])


GAIN = Graph.of(Step.of("light", tiny.Gain(2.0), image="plate"), result="light")


def test_render_writes_every_frame():
    writer, told = Writer(), []
    report = render(GAIN, {"plate": Clip(1, 5)}, {"result": writer}, [2, 3, 5], progress=told.append)
    assert writer.written == {2: 4, 3: 6, 5: 10}
    assert told == report.done == [2, 3, 5]
    assert report.failed == {}
    assert report.as_dict() == {"done": 3, "failed": [], "seconds": round(report.seconds, 3)}


def test_render_goes_on_after_frames_that_fail():
    writer, told = Writer(), []
    clip = Clip(1, 5, missing=(2, 4))
    report = render(GAIN, {"plate": clip}, {"result": writer}, clip.frames, on_error=lambda *error: told.append(error))
    assert list(writer.written) == report.done == [1, 3, 5]
    assert report.failed == {2: "frame 2 is missing", 4: "frame 4 is missing"}
    assert told == list(report.failed.items())


def test_the_first_error_is_kept_with_the_line_that_raised_it_and_without_its_pictures(caplog):
    graph = Graph.of(Step.of("bad", tiny.Breaks(), image="plate"), result="bad")
    given = []
    with caplog.at_level(logging.DEBUG, "inkarnat"):
        report = render(
            graph, {"plate": Clip(1, 2)}, {"result": Writer()}, [1, 2], caught=lambda *error: given.append(error)
        )
    assert list(report.failed) == [1, 2]
    assert [frame for frame, _ in given] == [1, 2]
    assert report.error is given[0][1]
    assert not errors.is_fault(errors.GraphError("x"))
    assert errors.is_fault(report.error), "the node raised what is no error of ours"
    assert errors.place_of(errors.root_of(report.error)).startswith("tiny.py:")
    frames = list(traceback.walk_tb(report.error.__cause__.__traceback__))
    assert frames[-1][0].f_code.co_name == "process"
    assert not any(isinstance(value, np.ndarray) for frame, _ in frames for value in frame.f_locals.values())
    shown = "".join(traceback.format_exception(report.error))
    assert "tiny.py" in shown
    assert "IndexError: no such row" in shown
    assert [record.exc_info[1] for record in caplog.records if record.name == "inkarnat.run"] == [e for _, e in given]


class Kept:
    """A store that remembers everything, and what it was asked for."""

    def __init__(self):
        self.values, self.worked = {}, []

    def find(self, origin, frame):
        return self.values.get((origin, frame))

    def keep(self, origin, frame, value):
        self.worked.append((origin, frame))
        self.values[origin, frame] = value


def test_a_store_is_asked_before_a_step_is_worked_out(picture):
    graph = Graph.of(
        Step.of("one", tiny.Gain(2.0), image="plate"),
        Step.of("two", tiny.Gain(3.0), image="one"),
        Step.of("three", tiny.Gain(0.5), image="one"),
        result="two",
    )
    store, runner = Kept(), Runner(graph)
    first = runner.values(4, {"plate": picture}, {"a": "two"}, store=store)["a"]
    assert np.array_equal(first, runner.run_frame(4, {"plate": picture})["result"])
    assert store.worked == [("one", 4), ("two", 4)]
    again = runner.values(4, {"plate": picture}, {"a": "two", "b": "three", "c": "plate"}, store=store)
    assert store.worked[2:] == [("three", 4)]
    assert again["a"] is first
    assert again["c"] is picture


def test_with_a_store_steps_that_pass_their_picture_on_are_left_out(picture):
    graph = Graph.of(
        Step.of("still", Cdl(clamp=False), image="plate"), Step.of("gain", tiny.Gain(2.0), image="still"), x="gain"
    )
    store = Kept()
    assert Runner(graph).values(1, {"plate": picture}, {"x": "still"}, store=store)["x"] is picture
    made = Runner(graph).values(1, {"plate": picture}, {"x": "gain"}, store=store)["x"]
    assert store.worked == [("gain", 1)]
    assert np.array_equal(made, Runner(graph).run_frame(1, {"plate": picture})["x"])


def test_render_reads_the_ends_of_a_clip_again_beyond_them():
    writer = Writer()
    render(averages((2, 2)), {"plate": Clip(1, 3)}, {"result": writer}, [1, 2, 3])
    window = {1: (1, 1, 1, 2, 3), 2: (1, 1, 2, 3, 3), 3: (1, 2, 3, 3, 3)}
    assert writer.written == pytest.approx({f: (f + sum(w) / 5) / 2 for f, w in window.items()})


def test_a_still_stands_beside_a_moving_clip_but_a_clip_that_ends_fails():
    graph = Graph.of(Step.of("j", tiny.Mix(), first="plate", second="look"), sources=["plate", "look"], result="j")
    writer = Writer()
    report = render(graph, {"plate": Clip(1, 3), "look": Clip(7, 7)}, {"result": writer}, [1, 2, 3])
    assert writer.written == {1: 4, 2: 4.5, 3: 5}
    report = render(graph, {"plate": Clip(1, 3), "look": Clip(1, 2)}, {"result": Writer()}, [1, 2, 3])
    assert list(report.failed) == [3]


def test_render_stops_where_an_output_cannot_be_written():
    writer = Writer(full_at=3)
    with pytest.raises(OutputError, match="disk is full"):
        render(GAIN, {"plate": Clip(1, 5)}, {"result": writer}, range(1, 6))
    assert list(writer.written) == [1, 2]


def test_render_asks_for_every_source_before_it_begins():
    with pytest.raises(GraphError, match="reads the source 'plate'"):
        render(GAIN, {}, {"result": Writer()}, [1])
    with pytest.raises(GraphError, match=r"no output 'reslt'.*Did you mean 'result'"):
        render(GAIN, {"plate": Clip(1, 1)}, {"reslt": Writer()}, [1])
