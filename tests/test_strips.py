"""Row strips over threads: every row once, errors that surface, and no lock-up in any host."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
import time
import weakref

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from inkarnat.kernels import colour, hand_out, jit, measure, strips
from inkarnat.kernels.errors import ValueRangeError
from llvmlite import binding
from numba.core.errors import TypingError

needs_threads = pytest.mark.skipif(
    bool(strips.numba_config.DISABLE_JIT), reason="without compilation the caller works alone"
)


def count_rows(rows: np.ndarray, y0: int, y1: int) -> None:
    """A strip kernel in plain Python: adds one to each of its rows."""
    rows[y0:y1] += 1


@jit.strip_kernel
def fail_at(rows, bad, y0, y1):
    """A compiled kernel that fails at one row."""
    for y in range(y0, y1):
        if rows[y] == bad:
            raise ValueError("row 40 is bad")


@pytest.mark.slice
@given(st.integers(0, 300), st.integers(1, 100), st.integers(1, 5))
def test_every_row_is_worked_on_once(rows, strip, count):
    visits = np.zeros(rows, int)
    with strips.threads(count):
        strips.over_rows(count_rows, rows, visits, strip=strip)
    assert (visits == 1).all()


@pytest.mark.slice
@pytest.mark.parametrize(("count", "expected"), [(1, [22, 64, 64]), (2, [6, *[16] * 9]), (16, [6, *[8] * 18])])
def test_strips_keep_to_their_sizes(count, expected):
    """At most 64 rows and at least 8; between, four strips a thread, of a multiple of 8 rows."""
    sizes = []
    with strips.threads(count):
        strips.over_rows(lambda y0, y1: sizes.append(y1 - y0), 150)
    assert sorted(sizes) == expected


@needs_threads
def test_several_threads_take_part():
    """Each of three strips waits for the other two: only three threads at once can finish."""
    meeting = threading.Barrier(3)
    with strips.threads(3):
        strips.over_rows(lambda y0, y1: meeting.wait(timeout=30), 3, strip=1)
    assert meeting.n_waiting == 0


@pytest.mark.slice
def test_one_thread_means_the_caller_alone():
    seen = set()
    with strips.threads(1):
        strips.over_rows(lambda y0, y1: seen.add(threading.get_ident()), 300)
    assert seen == {threading.get_ident()}


@needs_threads
def test_sets_of_counters_are_shared_out_however_few_they_are(monkeypatch):
    """A set for each thread is a row of its own: two of them are no strip that one thread had better do alone."""
    shared, real = [], strips._Work.end

    def end(work):
        shared.append((work.stages[0].kernel, work.helpers))
        real(work)

    monkeypatch.setattr(strips._Work, "end", end)
    picture, matte = np.zeros((512, 16, 3), np.float32), np.ones((512, 16), np.float32)
    for count in (2, 3, 8):
        shared.clear()
        with strips.threads(count):
            measure.degree_counts(picture, matte, measure.Core(), 0.0)
        assert (measure._degree_strips, count - 1) in shared, "with all helpers"


@pytest.mark.slice
@pytest.mark.parametrize("count", [1, 2, 4])
@pytest.mark.parametrize("bad_row", [0, 5, 9])
def test_an_error_in_any_strip_is_raised_here(count, bad_row):
    def fail(y0: int, y1: int) -> None:
        if y0 == bad_row:
            raise KeyError(f"row {y0}")

    with strips.threads(count), pytest.raises(KeyError, match=f"row {bad_row}"):
        strips.over_rows(fail, 10, strip=1)


@needs_threads
def test_an_error_in_a_worker_thread_is_raised_here():
    here = threading.get_ident()
    meeting = threading.Barrier(2)

    def fail_elsewhere(y0: int, y1: int) -> None:
        meeting.wait(timeout=30)
        if threading.get_ident() != here:
            raise KeyError("from a worker")

    with strips.threads(2), pytest.raises(KeyError, match="from a worker"):
        strips.over_rows(fail_elsewhere, 2, strip=1)


@pytest.mark.slice
def test_no_strip_runs_on_after_an_error():
    """When the error reaches the caller its arrays are its own again."""
    running = []

    def fail_first(y0: int, y1: int) -> None:
        if y0 == 0:
            raise KeyError
        running.append(y0)
        time.sleep(0.02)
        running.remove(y0)

    with strips.threads(4), pytest.raises(KeyError):
        strips.over_rows(fail_first, 12, strip=1)
    assert running == []


@pytest.mark.slice
def test_work_goes_on_after_an_error():
    with strips.threads(3):
        with pytest.raises(ZeroDivisionError):
            strips.over_rows(lambda y0, y1: 1 // 0, 6, strip=1)
        visits = np.zeros(6, int)
        strips.over_rows(count_rows, 6, visits, strip=1)
    assert (visits == 1).all()


@pytest.mark.slice
def test_nested_use_does_not_lock_up():
    visits = np.zeros((8, 8), int)

    def outer(y0: int, y1: int) -> None:
        for y in range(y0, y1):
            strips.over_rows(count_rows, 8, visits[y], strip=1)

    with strips.threads(3):
        strips.over_rows(outer, 8, strip=1)
    assert (visits == 1).all()


def in_threads(count: int, work) -> None:
    """Run ``work(index)`` in host threads; raise the first error; fail on a lock-up."""
    errors = []

    def guarded(index: int) -> None:
        try:
            work(index)
        except BaseException as error:
            errors.append(error)

    hosts = [threading.Thread(target=guarded, args=(index,), daemon=True) for index in range(count)]
    for host in hosts:
        host.start()
    for host in hosts:
        host.join(timeout=60)
        assert not host.is_alive(), "locked up"
    if errors:
        raise errors[0]


def test_two_host_threads_at_once(make_picture, same_bits):
    images = [make_picture(height=400, width=16, seed=seed) for seed in (1, 2)]
    expected = [colour.decode(image, "srgb") for image in images]

    def host(index: int) -> None:
        for _ in range(20):
            same_bits(colour.decode(images[index], "srgb"), expected[index])

    with strips.threads(3):
        in_threads(2, host)


@pytest.mark.slice
def test_the_thread_count_may_change_while_others_work():
    def host(index: int) -> None:
        end = time.monotonic() + 0.5
        count = 1
        while time.monotonic() < end:
            if index == 0:
                count = count % 4 + 1
                strips.set_thread_count(count)
            else:
                visits = np.zeros(40, int)
                strips.over_rows(count_rows, 40, visits, strip=1)
                assert (visits == 1).all()

    in_threads(3, host)


@needs_threads
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_forked_child_has_threads_of_its_own():
    """The pool's threads do not live on in a child: it has to make new ones, or it would wait for ever."""
    code = (
        "import os, threading, numpy as np\n"
        "from inkarnat.kernels import strips\n"
        "def work(): \n"
        "    meeting = threading.Barrier(2)\n"
        "    strips.over_rows(lambda y0, y1: meeting.wait(timeout=30), 2, strip=1)\n"
        "strips.set_thread_count(2)\n"
        "work()\n"
        "child = os.fork()\n"
        "if child == 0:\n"
        "    work()\n"
        "    os._exit(10 + strips.thread_count())\n"
        "work()\n"
        "print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))\n"
    )
    result = subprocess.run(
        [sys.executable, "-W", "ignore::DeprecationWarning", "-c", code], capture_output=True, text=True, timeout=120
    )
    assert result.stdout.strip() == "12", result.stderr


@pytest.mark.slice
@pytest.mark.parametrize("count", [0, -1])
def test_an_impossible_thread_count_is_named(count):
    before = strips.thread_count()
    with pytest.raises(ValueRangeError, match=f"thread count must be 1 or more, not {count}"):
        strips.set_thread_count(count)
    with pytest.raises(ValueRangeError), strips.threads(count):
        pass
    assert strips.thread_count() == before


@pytest.mark.slice
def test_threads_are_restored_after_an_error():
    before = strips.thread_count()
    inside = []

    def fail(y0: int, y1: int) -> None:
        inside.append(strips.thread_count())
        raise KeyError

    with pytest.raises(KeyError), strips.threads(before + 2):
        strips.over_rows(fail, 1)
    assert inside == [before + 2]
    assert strips.thread_count() == before


def add_above(source: np.ndarray, out: np.ndarray, reach: int, y0: int, y1: int) -> None:
    """A strip kernel that reads rows round its own, as a filter does."""
    for y in range(y0, y1):
        out[y] = source[max(y - reach, 0) : y + reach + 1].sum()


@pytest.mark.slice
@given(st.integers(1, 60), st.lists(st.tuples(st.integers(1, 20), st.integers(0, 9)), min_size=1, max_size=5))
@pytest.mark.parametrize("count", [1, 3])
def test_every_stage_finds_what_it_needs(count, rows, plan):
    first = np.arange(1, rows + 1)
    planes = [first] + [np.zeros(rows, int) for _ in plan]
    stages = [
        strips.Stage(add_above, (planes[k], planes[k + 1], reach), rows, strip, lambda y1, reach=reach: y1 + reach)
        for k, (strip, reach) in enumerate(plan)
    ]
    with strips.threads(count):
        strips.over_stages(stages)
    for _, reach in plan:
        expected = np.zeros(rows, int)
        add_above(first, expected, reach, 0, rows)
        first = expected
    assert (planes[-1] == first).all()


@pytest.mark.slice
@given(st.integers(1, 80), st.integers(4, 40), st.integers(1, 9), st.integers(1, 9))
@pytest.mark.parametrize("count", [1, 3])
def test_rows_in_a_ring_are_read_before_others_are_written_over_them(count, rows, size, strip, following):
    ring, found = np.zeros(size, int), np.zeros(rows, int)

    def write(y0: int, y1: int) -> None:
        for y in range(y0, y1):
            ring[y % size] = y + 1

    def read(y0: int, y1: int) -> None:
        for y in range(y0, y1):
            found[y] = ring[y % size]

    most = max(1, size // strips.RING)
    stages = (
        strips.Stage(write, (), rows, min(strip, most)),
        strips.Stage(read, (), rows, min(following, most), keeps=lambda y1: np.maximum(y1 - size, 0)),
    )
    with strips.threads(count):
        strips.over_stages(stages)
    assert found.tolist() == list(range(1, rows + 1))


@pytest.mark.slice
@pytest.mark.parametrize("count", [1, 3])
def test_a_stage_waits_for_another_before_the_one_before_it_as_well(count):
    done, seen = [], []

    def slowly(y0: int, y1: int) -> None:
        time.sleep(0.002)
        done.append(y0)

    stages = (
        strips.Stage(slowly, (), 8, 1),
        strips.Stage(lambda y0, y1: None, (), 2, 1, strips.none_of_it),
        strips.Stage(lambda y0, y1: seen.append(len(done)), (), 3, 1, strips.none_of_it, whole=2),
    )
    with strips.threads(count):
        strips.over_stages(stages)
    assert seen == [8] * 3


@needs_threads
def test_arguments_that_cannot_be_packed_end_what_helpers_have_begun():
    """Of many stages helpers begin with the first ones while the others are packed."""
    rows = np.zeros(4000, int)
    stages = [strips.Stage(count_rows, (rows,), len(rows), 1, strips.none_of_it, 1) for _ in range(5)]
    with strips.threads(3):
        for _ in range(20):
            with pytest.raises(TypingError):
                strips.over_stages([*stages, strips.Stage(fail_at, (object(), 1), 40)])
            before = rows.copy()
            strips.over_stages(stages)
            assert (rows - before == 5).all()


def begin_and_settle(*stages: strips.Stage) -> None:
    for stage in stages:
        strips.begin([stage])
    strips.settle()


@pytest.mark.slice
@pytest.mark.parametrize("count", [1, 3])
def test_what_is_begun_ends_before_the_next_kernel_of_its_thread(count, make_picture, same_bits):
    """The next kernel comes after it, and raises what went wrong in it; only then may others look at it."""
    rows, order, picture = np.zeros(40, int), [], make_picture(height=40, width=8)

    def slowly(y0: int, y1: int) -> None:
        time.sleep(0.001)
        rows[y0:y1] += 1

    with strips.threads(count):
        strips.begin([strips.Stage(slowly, (), 40, 4, least=4)])
        strips.over_rows(lambda y0, y1: order.append(rows.sum()), 1)
        assert order == [40]
        strips.begin([strips.Stage(slowly, (), 40, 4, least=4)])
        strips.begin([strips.Stage(slowly, (), 40, 4, least=4)])
        strips.settle()
        assert (rows == 3).all()
        seen: list[int] = []
        for _ in range(3):  # in line: each begins when the one before is done
            strips.begin([strips.Stage(lambda y0, y1: seen.append(rows.sum()), (), 1)])
            strips.begin([strips.Stage(slowly, (), 40, 4, least=4)])
        strips.over_rows(lambda y0, y1: seen.append(rows.sum()), 1)
        assert seen == [120, 160, 200, 240]
        rows -= 3
        plane = np.zeros((40, 8), np.float32)
        unwritten = strips.Unwritten(plane, [strips.Stage(lambda y0, y1: plane[y0:y1].fill(1), (), 40)])
        assert unwritten.begun() is plane
        same_bits(colour.luma(picture), colour.luma(picture.copy()))
        assert (plane == 1).all()
        with pytest.raises(ZeroDivisionError):
            begin_and_settle(strips.Stage(lambda y0, y1: 1 // (y0 - 4), (), 40, 4, least=4))
        failing = strips.Stage(lambda y0, y1: 1 // y0, (), 40, 4, least=4)
        with pytest.raises(ZeroDivisionError):
            begin_and_settle(failing, strips.Stage(count_rows, (rows,), 40))  # what waits behind it is left
        strips.over_rows(count_rows, 40, rows)
        assert (rows == 4).all()


@pytest.mark.slice
def test_a_stage_follows_close_behind():
    order = []
    stages = [
        strips.Stage(lambda y0, y1: order.append(("first", y0)), (), 40, 10, least=10),
        strips.Stage(lambda y0, y1: order.append(("second", y0)), (), 20, 10, lambda y1: 2 * y1, least=10),
    ]
    with strips.threads(1):
        strips.over_stages(stages)
    assert order == [("first", 0), ("first", 10), ("second", 0), ("first", 20), ("first", 30), ("second", 10)]


@needs_threads
def test_stages_of_many_threads_run_beside_each_other():
    """A strip of the second stage waits for a later one of the first, which another thread has to take meanwhile."""
    later = threading.Event()
    stages = [
        strips.Stage(lambda y0, y1: later.set() if y0 == 2 else None, (), 3, 1),
        strips.Stage(lambda y0, y1: later.wait(30), (), 1, 1),
    ]
    with strips.threads(2):
        strips.over_stages(stages)
    assert later.is_set()


@pytest.mark.slice
@pytest.mark.parametrize("count", [1, 2, 4])
@pytest.mark.parametrize("bad_stage", [0, 1])
def test_an_error_in_any_stage_is_raised_here_and_no_other_strip_begins(count, bad_stage):
    """Of thousands: a thread that the system stops before it raises does not hold the others up."""
    running, begun = [], []

    def work(at: int, y0: int, y1: int) -> None:
        begun.append((at, y0))
        if (at, y0) == (bad_stage, 2):
            raise KeyError("a bad strip")
        running.append((at, y0))
        time.sleep(0.005)
        running.remove((at, y0))

    with strips.threads(count), pytest.raises(KeyError, match="a bad strip"):
        strips.over_stages([strips.Stage(work, (at,), 4000, 1) for at in range(2)])
    assert running == []
    assert len(begun) < 4000
    with strips.threads(count):
        strips.over_stages([strips.Stage(lambda y0, y1: None, (), 4, 1)])


@pytest.mark.slice
def test_nested_stages_do_not_lock_up():
    visits = np.zeros((8, 8), int)

    def outer(y0: int, y1: int) -> None:
        for y in range(y0, y1):
            strips.over_stages([strips.Stage(count_rows, (visits[y],), 8, 1)] * 2)

    with strips.threads(3):
        strips.over_rows(outer, 8, strip=1)
    assert (visits == 2).all()


def test_a_helper_that_stands_still_holds_nobody_up():
    """One helper is stopped in its strip: all others are worked meanwhile, and other calls end without it."""
    meeting, go_on, seen = threading.Barrier(2), threading.Event(), []
    here = threading.get_ident()

    def stop_once(y0: int, y1: int) -> None:
        seen.append(y0)
        if len(seen) <= 2:
            meeting.wait(30)
            if threading.get_ident() != here:
                assert go_on.wait(30)

    def meanwhile() -> None:
        while len(seen) < 12:
            time.sleep(0.001)
        visits = np.zeros((8, 100), int)
        for row in visits:
            strips.over_rows(count_rows, 100, row, strip=1)
        assert (visits == 1).all()
        go_on.set()

    with strips.threads(2):
        other = threading.Thread(target=meanwhile, daemon=True)
        other.start()
        strips.over_rows(stop_once, 12, strip=1)
        other.join(30)
    assert sorted(seen) == list(range(12))
    assert go_on.is_set()


def test_the_arrays_of_a_call_that_has_ended_are_free():
    array = np.zeros((1080, 64), np.float32)
    gone = weakref.ref(array)
    with strips.threads(3):
        strips.over_rows(count_rows, len(array), array, strip=8)
        colour.luma(np.zeros((300, 40, 3), np.float32))
        del array
        assert gone() is None


@needs_threads
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_fork_during_a_picture_of_another_thread():
    """The child has none of the threads that worked; its own pictures are whole, and so is the parent's."""
    code = (
        "import os, threading, time, numpy as np\n"
        "from inkarnat.kernels import colour, strips\n"
        "strips.set_thread_count(3)\n"
        "picture = np.random.default_rng(1).random((600, 64, 3), np.float32)\n"
        "expected = colour.decode(picture, 'srgb')\n"
        "stop, wrong = threading.Event(), []\n"
        "def go_on():\n"
        "    while not stop.is_set():\n"
        "        wrong.append(not (colour.decode(picture, 'srgb') == expected).all())\n"
        "other = threading.Thread(target=go_on)\n"
        "other.start()\n"
        "codes = []\n"
        "while not wrong: time.sleep(0.001)\n"
        "for _ in range(12):\n"
        "    child = os.fork()\n"
        "    if child == 0:\n"
        "        good = all((colour.decode(picture, 'srgb') == expected).all() for _ in range(3))\n"
        "        os._exit(0 if good else 1)\n"
        "    codes.append(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))\n"
        "stop.set(); other.join()\n"
        "print(sum(codes), any(wrong), len(wrong) > 0)\n"
    )
    command = [sys.executable, "-W", "ignore::DeprecationWarning", "-c", code]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert result.stdout.split() == ["0", "False", "True"], result.stderr


def test_more_host_threads_than_jobs_have_places(make_picture, same_bits):
    image = make_picture(height=300, width=16, seed=5)
    expected = colour.decode(image, "srgb")

    def host(index: int) -> None:
        for _ in range(5):
            same_bits(colour.decode(image, "srgb"), expected)

    with strips.threads(3):
        in_threads(hand_out.SLOTS + 4, host)


@needs_threads
def test_an_error_of_a_compiled_kernel_is_raised_as_it_is(monkeypatch):
    """numba's own exception, out of a strip that any thread may have worked on."""
    with strips.threads(3), pytest.raises(ValueError, match="row 40 is bad"):
        strips.over_rows(fail_at, 300, np.arange(300), 40, strip=8)
    visits = np.zeros(64, int)
    strips.over_rows(count_rows, 64, visits, strip=1)
    assert (visits == 1).all()


@needs_threads
def test_the_hand_out_takes_no_instruction_of_one_processor_family():
    """What LLVM makes of it for 64-bit Arm: instructions of that family for every atomic operation."""
    compiled = jit._dispatcher(jit._Entry, hand_out.enter.py_func)
    nothing = strips._Job(-1)
    compiled(strips._team.address, nothing.address, -1)
    (code,) = compiled.inspect_llvm().values()
    assert "x86" not in re.sub(r"target triple.*|target datalayout.*|\"target-[^\"]*\"=\"[^\"]*\"", "", code)
    binding.initialize_all_targets()
    binding.initialize_all_asmprinters()
    try:
        target = binding.Target.from_triple("aarch64-unknown-linux-gnu")
    except RuntimeError:
        pytest.skip("this llvmlite knows no 64-bit Arm")
    code = re.sub(r"target (triple|datalayout).*|attributes #\d+ = .*", "", code)
    code = re.sub(r" #\d+", "", code)
    module = binding.parse_assembly(code)
    module.triple = "aarch64-unknown-linux-gnu"
    assembly = target.create_target_machine().emit_assembly(module)
    for instruction in ("ldaxr", "stlxr"):  # Arm Architecture Reference Manual: load-acquire, store-release exclusive
        assert instruction in assembly


def ask_thread_count(given: str | None) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if name != "INKARNAT_THREADS"}
    if given is not None:
        environment["INKARNAT_THREADS"] = given
    code = "from inkarnat.kernels import strips; print(strips.thread_count())"
    return subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=120)


def test_the_environment_sets_the_thread_count():
    assert ask_thread_count("3").stdout.strip() == "3"


@pytest.mark.skipif(not hasattr(os, "sched_getaffinity"), reason="needs processor affinity")
def test_by_default_every_processor_of_the_process_counts():
    assert ask_thread_count(None).stdout.strip() == str(len(os.sched_getaffinity(0)))
    assert ask_thread_count("").stdout.strip() == str(len(os.sched_getaffinity(0)))


@pytest.mark.parametrize("given", ["0", "-2", "many", "1.5"])
def test_a_bad_environment_is_named(given):
    result = ask_thread_count(given)
    assert result.returncode != 0
    assert f"INKARNAT_THREADS must be a whole number from 1 up, not {given!r}" in result.stderr
