"""Speed: that the benchmark compares like with like, tells what it measured, and that nothing has become far slower.

The limits here are wide, for a busy machine and a small picture: they catch a loop that is no longer vector code or a
second copy of everything, not a few per cent. The figures that are aimed at are those of `inkarnat bench speed`.
"""

from __future__ import annotations

import json
import shutil
import statistics
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.bench import chains, footage, peers, speed, targets, telling, timing
from inkarnat.host_adapters.bench.frames import skin_frame
from inkarnat.host_adapters.commands import bench
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.kernels.strips import threads

PEERS = {peer.name: peer for peer in peers.PEERS}


# --- fair comparisons -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PEERS)
def test_every_library_computes_what_we_compute(name):
    peer = PEERS[name]
    if peer.missing():
        pytest.skip(peer.missing())
    found = peers.check_peer(peer, peers.Scene.of(640, 360))
    assert found.keys() <= peers.TOLERANCES.keys()
    assert found


def test_a_library_that_computes_something_else_is_refused(monkeypatch):
    peer = PEERS["NumPy/SciPy"]
    monkeypatch.setattr(peers.Peer, "rows", lambda self, scene: {"steer": lambda: scene.image * np.float32(1.01)})
    with pytest.raises(peers.DisagreementError, match=r"NumPy/SciPy does not compute 'steer' as we do: it differs by"):
        peers.check_peer(peer, peers.Scene.of(64, 36))


def test_a_missing_library_is_a_line_and_not_an_error():
    absent = replace(PEERS["OpenCV"], imports=("no_such_module",))
    assert absent.missing() == (
        "OpenCV: left out, no_such_module is not installed (pip install opencv-python-headless)."
    )


def test_the_graph_gives_what_the_nodes_give():
    image = peers.Scene.of(320, 180).image
    for chain in (chains.STANDARD, chains.PLAIN, chains.full_quality()):
        np.testing.assert_array_equal(chain.as_run()(image), chain.node_by_node(image))
        np.testing.assert_array_equal(chain.as_fused()(image), chain.node_by_node(image))


# --- timing ---------------------------------------------------------------------------------------------------


def test_rows_are_taken_in_turn_and_the_warming_round_does_not_count():
    order, now = [], [0.0]

    def work(name, takes):
        def run():
            order.append(name)
            now[0] += takes

        return run

    rows = [timing.Row("a", "x", 1, work("a", 0.1)), timing.Row("b", "x", 1, work("b", 1.0))]
    timed = timing.time_rows(rows, 4, clock=lambda: now[0])
    assert order == ["a", "b", "a", "b", "a", "b", "a", "a"], "a slow row sits out all but the first rounds"
    assert [len(t.seconds) for t in timed] == [4, 2]
    assert timed[0].median == pytest.approx(0.1)


def test_what_prepares_a_row_is_not_timed():
    now = [0.0]
    row = timing.Row("a", "x", 1, lambda: None, prepare=lambda: now.__setitem__(0, now[0] + 5))
    assert timing.time_rows([row], 2, clock=lambda: now[0])[0].seconds == (0.0, 0.0)


# --- targets and telling --------------------------------------------------------------------------------------


def measured(**milliseconds: float) -> speed.Speed:
    rows = {"copy": 5.0, **{name.replace("_", " "): value for name, value in milliseconds.items()}}
    timed = [
        timing.Timed(timing.Row(name, timing.OURS, count, lambda: None), (value / 1e3 / count,))
        for name, value in rows.items()
        for count in (1, 2)
    ]
    opencv = timing.Timed(timing.Row("chain", "OpenCV", 2, lambda: None), (0.65,))
    return speed.Speed(speed.Setting(), [*timed, opencv])


def test_targets_are_judged_from_the_rows():
    result = measured(chain=100.0, run_of_the_chain=100.0, range_key=9.0)
    verdicts = {j.target.says: (j.value, j.verdict) for j in result.judged()}
    assert verdicts["range key, of a copy"] == (pytest.approx(0.9), "met")
    assert verdicts["chain node by node, of a copy"] == (pytest.approx(10), "not met")
    assert verdicts["chain, times faster than OpenCV"] == (pytest.approx(13), "met")
    assert verdicts["two threads, times one"] == (pytest.approx(2), "met")
    assert verdicts["full quality, of a copy"] == (None, "not measured")


def test_the_fused_chain_is_what_others_are_compared_with():
    result = measured(chain=100.0, run_of_the_chain=90.0, fused_chain=40.0)
    verdicts = {j.target.says: j.value for j in result.judged()}
    assert verdicts["chain, times faster than OpenCV"] == pytest.approx(650 / 20)
    assert result.times_ours(result.timed[-1]) == pytest.approx(650 / 20)


def test_gains_by_threads_are_judged_where_memory_is_no_bound():
    result = measured(chain=100.0)
    late = {"slow": (40.0, 25.0), "steer": (6.0, 3.4)}
    for name, times in late.items():
        for count, value in zip((1, 2), times, strict=True):
            row = timing.Row(name, timing.OURS, count, lambda: None)
            result.timed.append(timing.Timed(row, (value / 1e3,)))
    columns, rows = telling.scaling(result)
    assert columns == ("what", "1", "2", "gain", "verdict")
    assert rows == [
        ("copy", "5.00", "2.50", "", ""),
        ("chain", "100.00", "50.00", "2.00", "met: 1.85"),
        ("slow", "40.00", "25.00", "1.60", "not met: 1.85"),
        ("steer", "6.00", "3.40", "1.76", "bound by memory"),
    ]
    assert telling.judged_gain([8.0, None], [1, 2], 1.0) == ("", "")
    assert telling.judged_gain([8.0, 3.0, 2.0], [1, 2, 4], 1.0) == ("4.00", "")


def test_targets_are_stated_for_one_setting_alone():
    result = measured(chain=100.0)
    result.setting = replace(result.setting, input="uint8")
    assert result.judged() == []


def test_the_section_for_the_handbook_names_date_machine_and_command():
    text = telling.speed_markdown(measured(chain=100.0, run_of_the_chain=100.0))
    first = text.splitlines()[0]
    assert first.startswith("`inkarnat bench speed --markdown`, 20")
    assert "2160p RGB float32" in first
    assert "| chain | 100.0 ms, 20.00 × | 50.0 ms, 10.00 × |" in text
    assert "| what | OpenCV, 2 threads |\n| --- | --- |\n| chain | 650.0, 13.0 × |" in text
    assert "| chain node by node, of a copy | ≤ 4.5 | 10.00 | not met |" in text


def test_every_target_has_its_row(monkeypatch):
    """A renamed row would leave a target unmeasured for ever."""
    monkeypatch.setitem(speed.SIZES, "2160p", (320, 180))
    for size in ("1080p", "4320p"):
        monkeypatch.setitem(speed.SIZES, size, (160, 90))
    result = speed.measure_speed(speed.Setting(libraries=("OpenCV", "OpenCV, tuned", "NumPy/SciPy")))
    missing = [j.target.says for j in result.judged() if j.value is None]
    assert missing == [says for says in missing if any(name in says and PEERS[name].missing() for name in PEERS)]


@pytest.mark.parametrize("arguments", [("--input", "uint8"), ("--input", "float16", "--channels", "RGBA")])
def test_the_verb_measures_the_speed_where_nothing_is_named(arguments):
    command = ["--size", "360p", "--threads", "2", "--quick", "--library", "inkarnat", "--json", *arguments]
    result = CliRunner().invoke(bench.command, command)
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    rows = {(row["row"], row["threads"]) for row in told["rows"]}
    assert {("copy", 1), ("chain", 1), ("chain", 2), (f"read {arguments[1]}", 2)} <= rows
    assert told["setting"]["input"] == arguments[1]
    assert told["machine"]["cores"] >= 1
    assert all(row["ms"] > 0 for row in told["rows"])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--threads", "two"), "--threads must be numbers from 1 to 256 separated by commas, or all, not 'two'."),
        (("--library", "abacus"), "--library must be one of inkarnat; NumPy/SciPy; "),
        (("--json", "--markdown"), "Give --json or --markdown, not both."),
    ],
)
def test_wrong_use_is_named(arguments, says):
    result = CliRunner().invoke(bench.command, ["speed", *arguments])
    assert result.exit_code == 2
    assert says in result.output


# --- nothing has become far slower ----------------------------------------------------------------------------

LIMITS = {
    "range key": 8,
    "steer": 5,
    "steer everywhere": 5,
    "balance": 7,
    "tone curve": 7,
    "cdl": 7,
    "levels": 2,
    "blur σ 2": 7,
    "blur σ 3.2": 5,
    "blur σ 12": 3,
    "blur σ 200": 3,
    "grow r 4": 5,
    "grow r 24": 6,
    "specks": 5,
    "measure": 14,
    "measure skin": 25,
    "count of chroma": 4,
    "vectorscope": 12,
    "waveform": 9,
    "plain chain": 24,
    "chain": 48,
    "full quality": 65,
}
"""Row → multiples of one thread's copy of the same frame, with one thread; about three times what a quiet machine
takes. Falling out of vector code costs five to fourteen times."""


def fastest(*works, rounds=5):
    """The least time of each, in seconds, all taken in turn: what a busy machine disturbs least."""
    rows = [timing.Row(str(number), "x", 1, work) for number, work in enumerate(works)]
    return [min(timed.seconds) for timed in timing.time_rows(rows, rounds)]


@pytest.fixture(scope="module")
def ratios():
    with threads(1):
        rows = [row for row in speed._own_rows(speed.Setting("1080p", (1,))) if row.name in (*LIMITS, "copy")]
        best = {timed.row.name: min(timed.seconds) for timed in timing.time_rows(rows, 5)}
    return {name: seconds / best["copy"] for name, seconds in best.items()}


@pytest.mark.parametrize("name", LIMITS)
def test_a_row_stays_near_its_copy(ratios, name):
    assert ratios[name] < LIMITS[name]


def test_a_wide_blur_costs_what_a_narrower_one_costs(ratios):
    """Target 1.5 times; the same reduced grid serves both."""
    assert ratios["blur σ 200"] < 2.5 * ratios["blur σ 12"]


def test_the_cost_of_a_pixel_does_not_grow_with_the_frame():
    """Target 10 %; a plane too many for the caches, or a strip as tall as the frame, would show as more than twice."""
    small, large = (peers.Scene.of(*size).image for size in ((640, 360), (2560, 1440)))
    run = chains.PLAIN.node_by_node
    few, many = fastest(lambda: run(small), lambda: run(large))
    assert many / few < 2.5 * (2560 * 1440) / (640 * 360)


def test_the_chain_beats_the_same_chain_in_whole_picture_expressions():
    """Target 18 times; temporaries of the whole picture are what it is meant to beat."""
    peer = PEERS["NumPy/SciPy"]
    if peer.missing():
        pytest.skip(peer.missing())
    scene, run = peers.Scene.of(1280, 720), chains.STANDARD.as_run()
    ours, theirs = fastest(lambda: run(scene.image), peer.rows(scene)["chain"], rounds=4)
    assert theirs / ours > 3


def test_the_median_is_one_of_the_middle():
    assert timing.Timed(timing.Row("a", "x", 1, lambda: None), (3.0, 1.0, 2.0)).median == statistics.median([1, 2, 3])


def test_there_is_one_target_of_each_name():
    names = [target.says for target in targets.TARGETS]
    assert len(names) == len(set(names))


# --- footage --------------------------------------------------------------------------------------------------


def test_footage_is_rendered_without_and_with_the_graph(tmp_path):
    """Target .8 of the pace without a graph, at 1080p; here the frames are tiny and the limit is wide."""
    run = footage.measure_footage(frames=6, width=320, height=180, rounds=2)
    told = run.as_dict()
    assert told["codec"] == "prores"
    assert run.plain > 0
    assert 0.1 < run.ratio == pytest.approx(run.corrected / run.plain)
    assert told["verdict"] == ("met" if run.ratio >= 0.8 else "not met")
    assert run.graph_cpu > 0
    assert 0 < run.corrected_cpu == pytest.approx(run.busy * run.cores * run.frames / run.corrected)
    assert run.one_frame > 0
    assert (run.ffmpeg is None) == (shutil.which("ffmpeg") is None)
    assert len(run.judged()) == (1 if run.ffmpeg is None else 3)


def test_what_footage_is_judged_by():
    """100 frames: 10 s with the graph, where ffmpeg's 6 s and the graph's 12 s of work fill two cores for 9 s.

    The run takes 19 s of processor time: one more than both, and both cores are busy for 9.5 of the 10 s.
    """
    peer = {"ffmpeg": 20, "ffmpeg_cpu": 6.0}
    run = footage.FootageRun(100, (1920, 1080), "prores", 18, 10, 10 / 18, 2, 12.0, 19.0, 0.3, **peer)
    assert [row[2:] for row in run.judged()] == [("0.56", "not met"), ("0.90", "met"), ("1.11", "met")]
    assert (run.busy, run.of_work) == (pytest.approx(0.95), pytest.approx(19 / 18))
    assert run.of_cores == pytest.approx(run.of_work / run.busy)


def test_all_threads_are_powers_of_two_and_the_most():
    with threads(6):
        assert bench._counts("all") == (1, 2, 4, 6)
    with threads(1):
        assert bench._counts("all") == (1,)


def test_the_clip_that_is_rendered_is_h264_in_bt709(tmp_path):
    path = tmp_path / "clip.mov"
    footage.write_clip(path, 3, 320, 180)
    with open_clip(path) as clip:
        assert len(clip.frames) == 3
        difference = clip.read(clip.frames[0]) - skin_frame(320, 180)
    assert np.abs(difference).mean() < 0.02
