"""The pipeline: reading, working and writing overlap, in order, with bounded memory, and errors come as without it."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
import tiny
from inkarnat.host_adapters.commands import console
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.pipeline import ReadAhead, WriteBehind
from inkarnat.host_adapters.graphs.runner import render
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.writes import OutputError
from inkarnat.kernels import strips

GAIN = Graph.of(Step.of("light", tiny.Gain(2.0), image="plate"), result="light")


MEET = 30.0
"""Seconds in which work that goes on at the same time meets on the busiest machine; a run that waits so long fails."""


class Clip:
    """A clip in memory whose readings are remembered; frame n shows the value n."""

    def __init__(self, count: int, missing: tuple[int, ...] = ()) -> None:
        self.frames, self.missing = range(1, count + 1), missing
        self.asked: list[int] = []

    def read(self, frame: int) -> np.ndarray:
        self.asked.append(frame)
        if frame in self.missing:
            raise InputError(f"frame {frame} is missing")
        return np.full((2, 2, 3), frame, np.float32)


class Writer:
    def __init__(self, full_at: int | None = None) -> None:
        self.full_at = full_at
        self.written: list[int] = []

    def write(self, frame: int, picture: np.ndarray) -> None:
        if frame == self.full_at:
            raise OutputError("the disk is full")
        assert picture[0, 0, 0] == 2 * frame
        self.written.append(frame)


def value(picture: np.ndarray) -> float:
    return float(picture[0, 0, 0])


# --- reading ------------------------------------------------------------------------------------------------


def test_one_frame_is_read_ahead_and_none_beyond_the_run():
    clip = Clip(9)
    ahead = ReadAhead(clip, range(1, 5), 1)
    assert [value(ahead.read(frame)) for frame in (1, 2, 3, 4)] == [1, 2, 3, 4]
    ahead.close()
    assert clip.asked == [1, 2, 3, 4]


@pytest.mark.parametrize("frames", [[1, 3, 5, 7], [1, 2, 9, 8, 3, 3], [5]])
def test_any_order_of_frames_gives_the_right_pictures(frames):
    clip = Clip(9)
    ahead = ReadAhead(clip, frames, 2)
    assert [value(ahead.read(frame)) for frame in frames] == frames
    ahead.close()


def test_a_bad_frame_fails_only_where_it_is_asked_for():
    ahead = ReadAhead(Clip(5, missing=(3,)), range(1, 6), 1)
    assert [value(ahead.read(frame)) for frame in (1, 2)] == [1, 2]
    with pytest.raises(InputError, match="frame 3 is missing"):
        ahead.read(3)
    assert value(ahead.read(4)) == 4
    ahead.close()


# --- writing ------------------------------------------------------------------------------------------------


def test_the_next_frame_is_taken_when_the_one_before_is_written():
    gate, begun, taken = threading.Event(), threading.Event(), []

    def write(frame, pictures):
        taken.append(frame)
        begun.set()
        gate.wait(MEET)

    told = []
    with WriteBehind(write, lambda frame, result: told.append(frame)) as behind:
        behind.put(1, {})
        second = threading.Thread(target=behind.put, args=(2, {}))
        second.start()
        assert begun.wait(MEET)
        second.join(0.3)
        assert second.is_alive()
        assert taken == [1]
        gate.set()
        second.join(MEET)
    assert taken == told == [1, 2]


def test_failures_keep_their_place_among_the_frames_that_are_written():
    told = []
    with WriteBehind(lambda frame, pictures: None, lambda *report: told.append(report)) as behind:
        for frame in range(1, 6):
            behind.put(frame, "no light" if frame in (2, 5) else {})
    assert told == [(1, {}), (2, "no light"), (3, {}), (4, {}), (5, "no light")]


def test_nothing_is_written_after_an_error_and_it_is_raised():
    written = []

    def write(frame, pictures):
        if frame == 2:
            raise OutputError("the disk is full")
        written.append(frame)

    def run():
        with WriteBehind(write, lambda *report: None) as behind:
            for frame in range(1, 9):
                behind.put(frame, {})

    with pytest.raises(OutputError, match="disk is full"):
        run()
    assert written == [1]


def test_a_run_that_is_stopped_ends_with_the_frame_that_is_being_written():
    gate, written = threading.Event(), []

    def write(frame, pictures):
        gate.wait(MEET)
        written.append(frame)

    def run():
        with WriteBehind(write, lambda *report: None) as behind:
            behind.put(1, {})
            gate.set()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run()
    assert written == [1]


# --- progress -----------------------------------------------------------------------------------------------


def test_progress_says_the_pace_and_the_time_left(capsys, monkeypatch):
    monkeypatch.setattr(console.time, "monotonic", lambda: 0.0)
    with console.progress(200) as tell:
        for frame in range(1001, 1021):
            monkeypatch.setattr(console.time, "monotonic", lambda frame=frame: (frame - 1000) * 0.5)
            tell(frame)
    assert capsys.readouterr().err == "inkarnat: 20 of 200 frames, last 1020, 2 frames/s, 1:30 left\n"


@pytest.mark.parametrize(("seconds", "shown"), [(0.4, "0:00"), (59.6, "1:00"), (3599, "59:59"), (3661, "1:01:01")])
def test_times_as_people_read_them(seconds, shown):
    assert console._clock(seconds) == shown


# --- a whole run --------------------------------------------------------------------------------------------


def test_each_frame_is_read_while_the_one_before_is_written():
    """The two wait for each other: a run that does one after the other never comes to the second frame."""
    both = threading.Barrier(2, timeout=MEET)
    clip, writer, met = Clip(12), Writer(), []
    read, write = clip.read, writer.write

    def reading(frame):
        if frame > 1:
            met.append((frame, both.wait()))
        return read(frame)

    def writing(frame, picture):
        if frame < 12:
            both.wait()
        write(frame, picture)

    clip.read, writer.write = reading, writing  # type: ignore[method-assign]
    with strips.threads(2):
        report = render(GAIN, {"plate": clip}, {"result": writer}, clip.frames)
    assert report.failed == {}
    assert writer.written == report.done == list(clip.frames)
    assert [frame for frame, _ in met] == list(range(2, 13))


def test_without_overlap_each_frame_is_written_before_the_next_is_read():
    clip, writer, order = Clip(5), Writer(), []
    read, write = clip.read, writer.write
    clip.read = lambda frame: (order.append(("read", frame)), read(frame))[1]  # type: ignore[method-assign]
    writer.write = lambda frame, picture: (order.append(("written", frame)), write(frame, picture))[1]  # type: ignore[method-assign]
    render(GAIN, {"plate": clip}, {"result": writer}, clip.frames, overlap=False)
    assert order == [(what, frame) for frame in clip.frames for what in ("read", "written")]


class Preparing(Writer):
    """A writer that does most of its work for frames in any order, and counts how many at once.

    The frames of each of ``meetings`` wait until all of them are in work at the same time.
    """

    def __init__(self, seconds: float = 0.0, broken_at: int | None = None, meetings: tuple[range, ...] = ()) -> None:
        super().__init__()
        self.preparing, self.most, self.broken_at, self.takes = 0, 0, broken_at, seconds
        self.counting = threading.Lock()
        self.meetings = [(frames, threading.Barrier(len(frames), timeout=MEET)) for frames in meetings]

    def prepared(self, frame: int, picture: np.ndarray) -> np.ndarray:
        with self.counting:
            self.preparing += 1
            self.most = max(self.most, self.preparing)
        for frames, meeting in self.meetings:
            if frame in frames:
                meeting.wait()
        time.sleep(self.takes)
        with self.counting:
            self.preparing -= 1
        if frame == self.broken_at:
            raise OutputError("no such codec")
        return picture


def test_with_many_cores_frames_are_worked_on_side_by_side_and_written_in_order():
    """Four frames at once, no more and no fewer, again after one that failed."""
    together = (range(1, 5), range(8, 12), range(12, 16))
    clip, writer = Clip(16, missing=(7,)), Preparing(0.01, meetings=together)
    with strips.threads(16):
        report = render(GAIN, {"plate": clip}, {"result": writer}, clip.frames)
    assert clip.asked == list(clip.frames)
    assert writer.written == report.done == [frame for frame in clip.frames if frame != 7]
    assert report.failed == {7: "frame 7 is missing"}
    assert writer.most == 4


def test_with_two_cores_one_frame_is_worked_on_at_a_time():
    writer = Preparing(0.01)
    with strips.threads(2):
        render(GAIN, {"plate": Clip(6)}, {"result": writer}, range(1, 7))
    assert writer.most == 1


def test_side_by_side_a_node_over_several_frames_gets_them_in_order():
    graph = Graph.of(Step.of("mean", tiny.Average(1, 1), image="plate"), result="mean")
    clip, writer = Clip(9), Preparing()
    writer.write = lambda frame, picture: writer.written.append((frame, value(picture)))  # type: ignore[method-assign]
    with strips.threads(16):
        render(graph, {"plate": clip}, {"result": writer}, clip.frames)
    assert writer.most == 1
    assert [frame for frame, _ in writer.written] == list(clip.frames)
    assert [v for _, v in writer.written][1:-1] == pytest.approx(range(2, 9))


@pytest.mark.parametrize("count", [2, 16])
def test_what_cannot_be_prepared_ends_the_run(count):
    clip, writer = Clip(40), Preparing(broken_at=9)
    before = set(threading.enumerate())
    with strips.threads(count), pytest.raises(OutputError, match="no such codec"):
        render(GAIN, {"plate": clip}, {"result": writer}, clip.frames)
    assert writer.written == list(range(1, len(writer.written) + 1))
    assert len(writer.written) < 9
    assert set(threading.enumerate()) <= before


def test_a_run_leaves_no_thread_behind():
    before = set(threading.enumerate())  # those of an earlier test may end meanwhile
    render(GAIN, {"plate": Clip(3)}, {"result": Writer()}, range(1, 4))
    with pytest.raises(OutputError):
        render(GAIN, {"plate": Clip(9)}, {"result": Writer(full_at=2)}, range(1, 10))
    assert set(threading.enumerate()) <= before


def test_an_interrupt_between_frames_ends_the_run_at_once():
    writer = Writer()

    def stop(frame: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render(GAIN, {"plate": Clip(50)}, {"result": writer}, range(1, 51), progress=stop)
    assert len(writer.written) < 6


def test_frames_may_come_from_a_generator_or_be_none_at_all():
    writer = Writer()
    assert render(GAIN, {"plate": Clip(5)}, {"result": writer}, (f for f in (2, 4))).done == [2, 4]
    assert render(GAIN, {"plate": Clip(5)}, {"result": writer}, []).done == []
