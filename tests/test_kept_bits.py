"""Bits that stay: nodes and figures give what version 0.1.0 gave, in any number of threads.

Keys are learned otherwise since, so what is learned, and `inkarnat correct` with it, is compared over threads alone.

The table holds hashes alone (`fixtures/store_bits.py` wrote it). The pictures are made of whole numbers, so they are
the same on every machine; their hashes are kept as well, and compared first. What rests on NumPy's own float64
functions is compared where these give what they gave then: see `kept.arithmetic`.
"""

from __future__ import annotations

import json

import pytest
from kept import (
    BY_NUMPY,
    CORRECT,
    CORRECTED,
    LETTERED,
    NODE_CASES,
    SIZES,
    TABLE,
    THREADS,
    Graph,
    arithmetic,
    correct,
    drawn_with,
    kept,
    made,
    nodes,
    pictures,
    read_plate,
    rendered,
    same,
    solved,
)

STORED = json.loads(TABLE.read_text())
CASES = Graph.load(NODE_CASES)
"""Loaded like any graph of its time, so that old settings are upgraded."""


def test_every_node_is_among_the_cases_and_each_case_has_a_row():
    rows = STORED["sizes"]["1080 lines"]["nodes"]
    assert {name.split("-")[0] for name in rows} == {step.node.name for step in CASES.steps if step.id in rows}
    assert set(rows) == set(STORED["sizes"]["odd"]["nodes"]) == set(CASES.by_id) - {"matte", "second"}
    assert {name.split("-")[0] for name in rows} <= set(nodes.NODES)


@pytest.mark.parametrize("size", SIZES)
def test_the_pictures_are_those_of_the_table(size):
    assert pictures(size).hashes() == STORED["sizes"][size]["pictures"]


ROWS = [
    (size, name)
    for size in SIZES
    for name in sorted({CASES.by_id[id].node.name for id in STORED["sizes"][size]["nodes"]})
]


def skip_where_not_comparable(*, letters: bool = False, figures: bool = False) -> None:
    """Skip, with the reason, where a difference can come from what other libraries do on this machine."""
    then = STORED["letters drawn with"]
    if letters and drawn_with() != then:
        pytest.skip(f"letters were drawn with Pillow {then}, not {drawn_with()}")
    if figures and arithmetic() != STORED["arithmetic of NumPy"]:
        pytest.skip("NumPy's float64 functions give other last digits on this processor")


@pytest.mark.parametrize(("size", "name"), ROWS)
def test_a_node_gives_the_kept_bits(size, name):
    rows = STORED["sizes"][size]["nodes"]
    steps = [CASES.by_id[id] for id in rows if CASES.by_id[id].node.name == name]
    changed, by_threads = [], []
    for step in steps:
        first, *others = (made(step, pictures(size), count) for count in THREADS)
        by_threads += [step.id for other in others if not same(first, other)]
        changed += [step.id] if kept(first) != rows[step.id] else []
    assert not by_threads, "the bits depend on the number of threads"
    if changed:
        skip_where_not_comparable(letters=name in LETTERED, figures=name in BY_NUMPY)
    assert not changed


def counts(size: str) -> tuple[int, ...]:
    """Return in how many threads whole solves are compared: at the largest size in the fewest and the most."""
    return THREADS if size != "2160 lines" else (THREADS[0], THREADS[-1])


@pytest.mark.parametrize("size", CORRECTED)
def test_the_figures_are_the_kept_ones(size):
    first, *others = (solved(pictures(size).by_name, count) for count in counts(size))
    assert all(other == first for other in others)
    stored = {name: row for name, row in STORED["sizes"][size]["solved"].items() if name != "learn_skin_key"}
    found = {name: kept(first[name]) for name in stored}
    if found != stored:
        skip_where_not_comparable(figures=True)
    assert found == stored


@pytest.mark.parametrize("size", CORRECTED)
def test_correct_writes_one_graph_which_gives_the_same_bits_in_any_number_of_threads(size, tmp_path):
    plate = read_plate(size, tmp_path)
    for way in CORRECT:
        first, *others = (correct(way, tmp_path, count) for count in counts(size))
        assert all(other == first for other in others), way
        results = [rendered(first, plate, count) for count in counts(size)]
        assert all(same(result[name], each) for result in results for name, each in results[0].items()), way
