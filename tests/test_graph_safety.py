"""Graphs from strangers: whatever stands in one, it gives a picture or a clean error, in bounded time and memory.

INKARNAT_MUTANTS sets how many mutated graphs are tried; the figures are printed.
"""

from __future__ import annotations

import copy
import gc
import json
import os
import random
import resource
import time
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from inkarnat.host_adapters.graphs.errors import GraphError, NodeError
from inkarnat.host_adapters.graphs.graph import MOST_BYTES, Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.kernels.errors import InkarnatError
from inkarnat.nodes import NODES, Blend, ToneCurve, Waveform
from inkarnat.nodes.declare import Param

MUTANTS = int(os.environ.get("INKARNAT_MUTANTS", "400"))
LONGEST = 30.0
"""Seconds of processor for one graph on a tiny picture, with what it still has to compile."""
MOST_MEMORY = 1 << 30

PLATE = np.random.default_rng(1).random((24, 32, 3), np.float32)


def everything() -> dict[str, Any]:
    """A graph with every node, each fed by the plate or the key."""
    return graph_of(name for name in NODES if name != "skin_key")


def graph_of(names: Iterable[str]) -> dict[str, Any]:
    nodes = [entry("key", NODES["skin_key"])] + [entry(name.replace("_", "-"), NODES[name]) for name in names]
    outputs = {f"out-{node['id']}": node["id"] for node in nodes}
    return {"inkarnat": 1, "sources": ["plate"], "nodes": nodes, "outputs": outputs}


def seed_graph(chance: random.Random) -> dict[str, Any]:
    """A graph of a few nodes, one behind the other where they fit, a parameter changing over time."""
    data = graph_of(chance.sample([name for name in NODES if name != "skin_key"], chance.randint(1, 4)))
    nodes = data["nodes"]
    for before, node in pairwise(nodes[1:]):
        kinds = {"picture": "image", "matte": "matte"}
        port = kinds[NODES[before["node"]].output().kind]
        if port in node["inputs"]:
            node["inputs"][port] = before["id"]
    for node in nodes:
        for name, param in NODES[node["node"]].params().items():
            if chance.random() < 0.4:
                node["params"][name] = anything(param, node["params"][name], chance)
    numbers = [(node, name) for node in nodes for name, value in node["params"].items() if type(value) is float]
    if numbers:
        node, name = chance.choice(numbers)
        value = node["params"][name]
        node["params"][name] = {"knots": [[1, value], [9, value]], "between": chance.choice(("linear", "smooth"))}
    return data


def entry(id: str, kind: Any) -> dict[str, Any]:
    inputs = {name: "plate" if port.kind == "picture" else "key" for name, port in kind.inputs().items()}
    return {"id": id, "inputs": inputs, **kind().config()}


def anything(param: Param, value: Any, chance: random.Random) -> Any:
    """A value that the declaration allows, often at an end of its range."""
    low, high = max(param.low, -1e6), min(param.high, 1e6)

    def number() -> float:
        return chance.choice((low, high, chance.uniform(low, high), chance.uniform(low, high)))

    kinds: dict[str, Callable[[], Any]] = {
        "number": number,
        "angle": number,
        "whole": lambda: round(number()),
        "toggle": lambda: chance.random() < 0.5,
        "choice": lambda: chance.choice(list(param.options)),
        "point": lambda: [number(), number()],
        "colour": lambda: [number(), number(), number()],
        "points": lambda: [[number(), number()] for _ in range(chance.choice((0, 1, 3, 40, 4096)))],
    }
    return kinds[param.kind]() if param.kind in kinds else value


EVIL: list[Any] = [
    None, True, False, 0, -1, 1, 2, 3, 1e-45, 1e38, -1e38, 1e308, 10**30, -(10**30), 0.5, 4096, 2**31, 2**63,
    float("inf"), float("nan"), "", " ", "plate", "key", "result", "../../etc/passwd", "/etc/passwd", "a/../b", "\0",
    "C:\\Windows\\win.ini", "__import__('os').system('true')", "{{Param.Graph}}", "${HOME}", "$(true)", "%s%n%d",
    "x" * 5000, "‮", "é" * 100, [], {}, [[]], [None], [0, 0], [1e300] * 3, [[0, 0]] * 5000, list(range(200)),
    {"knots": []}, {"knots": [[0, 0]]}, {"knots": [[1, 2], [1, 3]]}, {"knots": [[i, i] for i in range(3000)]},
    {"knots": [[-1e308, 1], [1e308, 0]], "between": "smooth"}, {"__class__": "Graph"}, {"$ref": "#"},
]  # fmt: skip


def places(data: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to every place inside nested lists and dictionaries."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [spot for key, item in items for spot in ((*way, key), *places(item, (*way, key)))]


def mutant(data: dict[str, Any], chance: random.Random) -> Any:
    """Change a few places: another value, an evil one, something doubled, lost, scaled or renamed."""
    data = copy.deepcopy(data)
    for _ in range(chance.choice((0, 0, 0, 1, 1, 2, 4))):
        ways = places(data)
        way = chance.choice(ways)
        holder: Any = data
        for part in way[:-1]:
            holder = holder[part]
        value, kind = holder[way[-1]], chance.randrange(9)
        if kind == 0:
            del holder[way[-1]]
        elif kind == 1 and isinstance(holder, dict):
            holder[chance.choice(("id", "knots", "../x", "x" * 300, "inputs", "tracks"))] = holder.pop(way[-1])
        elif kind == 2 and isinstance(holder, list):
            holder.insert(chance.randrange(len(holder) + 1), copy.deepcopy(value))
        elif kind in (3, 7, 8) and isinstance(value, int | float) and not isinstance(value, bool):
            holder[way[-1]] = chance.choice((-value, 0, 1, value * 0.5, value * 2, value + 0.1, value * 1000, 1e20))
        elif kind == 4:
            other = data
            for part in chance.choice(ways):
                other = other[part] if isinstance(other, list | dict) and _has(other, part) else other
            # A place may be put into itself, but not so often that it is the test that fills the memory.
            holder[way[-1]] = copy.deepcopy(other) if len(repr(other)) < 20_000 else None
        else:
            holder[way[-1]] = copy.deepcopy(chance.choice(EVIL))
    return data


def _has(holder: Any, part: Any) -> bool:
    return part in holder if isinstance(holder, dict) else isinstance(part, int) and part < len(holder)


def text_mutant(text: bytes, chance: random.Random) -> bytes:
    """Change a few bytes."""
    changed = bytearray(text)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(changed))
        kind = chance.randrange(3)
        if kind == 0:
            changed[at] = chance.randrange(256)
        elif kind == 1:
            del changed[at : at + chance.randint(1, 40)]
        else:
            changed[at:at] = chance.choice(
                (b"9", b"e9", b"null", b"[" * 50, b"-", b'""', b"1e999", b"true,", b"\\ud800")
            )
    return bytes(changed)


def try_graph(path: Any, frame: int) -> str:
    """Load and run a graph as a host does; "picture", or the kind of the clean error. Anything else is raised."""
    try:
        graph = Graph.load(path)
        made = Runner(graph).run_frame(frame, dict.fromkeys(graph.sources, PLATE))
    except InkarnatError as caught:
        error = caught
    else:
        assert set(made) == {name for name, _ in graph.outputs}
        assert all(array.dtype == np.float32 and array.ndim in (2, 3) for array in made.values())
        return "picture"
    assert "\n" not in str(error)
    assert len(str(error)) < 2000, str(error)[:300]
    # A node that fails says why in words of ours; any other cause is a fault that was only wrapped.
    assert not isinstance(error, NodeError) or isinstance(error.__cause__, InkarnatError), repr(error.__cause__)
    return "node" if isinstance(error, NodeError) else "refused"


def memory(word: str) -> int:
    """Bytes of this process: VmRSS what it holds, VmHWM the most since the last forget_peak()."""
    with open("/proc/self/status", encoding="ascii") as lines:
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(word))


def forget_peak() -> None:
    with open("/proc/self/clear_refs", "w", encoding="ascii") as file:
        file.write("5")


@pytest.mark.large
def test_mutated_graphs_give_a_picture_or_a_clean_error(tmp_path):
    path = tmp_path / "graph.json"
    path.write_text(json.dumps(everything()))
    assert try_graph(path, 1) == "picture"
    counts, slowest, largest = {"picture": 0, "refused": 0, "node": 0}, 0.0, 0
    for number in range(MUTANTS):
        chance = random.Random(number)
        seed = seed_graph(chance)
        if number % 4 == 0:
            path.write_bytes(text_mutant(json.dumps(seed).encode(), chance))
        else:
            path.write_text(json.dumps(mutant(seed, chance)))
        forget_peak()
        before, began = memory("VmRSS"), time.process_time()
        try:
            counts[try_graph(path, chance.choice((1, 5, -3, 10**8)))] += 1
        except Exception as error:
            raise AssertionError(f"mutant {number}: {type(error).__name__}: {error}") from error
        slowest, largest = max(slowest, time.process_time() - began), max(largest, memory("VmHWM") - before)
    print(f"{MUTANTS} mutants: {counts}, slowest {slowest:.2f} s of processor, largest {largest / 2**20:.0f} MB")
    assert counts["picture"] > MUTANTS / 10
    assert counts["refused"] > MUTANTS / 10
    assert largest < MOST_MEMORY
    assert slowest < LONGEST


@pytest.mark.parametrize("chained", ["first", "second"])
def test_a_graph_that_would_fill_the_memory_is_refused(chained):
    """Two hundred large scopes, joined so that all of them have to wait for the last one."""
    count, other = 200, "second" if chained == "first" else "first"
    steps = [Step.of(f"w{n}", Waveform(width=3840, height=2160), image="plate") for n in range(count)]
    steps.append(Step.of("b0", Blend(), first="w0", second="w0"))
    steps += [Step.of(f"b{n}", Blend(), **{chained: f"w{n}", other: f"b{n - 1}"}) for n in range(1, count)]
    graph = Graph.of(*steps, result=f"b{count - 1}", again="w0")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    runner = Runner(graph)
    if chained == "first":
        with pytest.raises(GraphError, match="MB are allowed"):
            runner.run_frame(1, {"plate": PLATE}, ["result"])
    else:
        outputs = {f"o{n}": f"w{n}" for n in range(90)}
        with pytest.raises(GraphError, match="MB are allowed"):
            Runner(Graph(graph.steps, tuple(outputs.items()))).run_frame(1, {"plate": PLATE})
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - before < MOST_MEMORY


def test_a_long_chain_of_nodes_is_not_taken_for_a_flood():
    steps = [Step.of("n0", ToneCurve(), image="plate")]
    steps += [Step.of(f"n{n}", ToneCurve(), image=f"n{n - 1}") for n in range(1, 1000)]
    graph = Graph.of(*steps, result="n999")
    assert Runner(graph).run_frame(1, {"plate": PLATE})["result"].shape == PLATE.shape


@pytest.mark.parametrize(
    "name", ["../x", "/etc/passwd", "a/b", "a\\b", "..", ".", "", "a\0", "a" * 65, "ä", "a b", "-a"]
)
@pytest.mark.parametrize("place", ["source", "id", "output"])
def test_no_name_can_be_a_path(name, place):
    data = everything()
    if place == "source":
        data["sources"].append(name)
    elif place == "id":
        data["nodes"][-1]["id"] = name
    else:
        data["outputs"][name] = "plate"
    with pytest.raises(GraphError):
        Graph.from_dict(data)


def test_a_graph_opens_no_file_and_runs_no_code(tmp_path, monkeypatch):
    """Loading and running touches the graph file alone: Python's audit events tell of every file and process."""
    import sys

    path = tmp_path / "graph.json"
    path.write_text(json.dumps(everything()), encoding="utf-8")
    try_graph(path, 1)  # imports and compiling are over
    gc.collect()  # what earlier tests have left may open and remove files where it is let go
    seen: list[tuple[str, Any]] = []
    on = [True]
    watched = ("open", "os.", "subprocess.", "socket.", "exec", "compile", "import", "shutil.", "ctypes.dlopen")

    def watch(event: str, details: tuple[Any, ...]) -> None:
        if on[0] and event.startswith(watched):
            seen.append((event, details[0] if details else None))

    sys.addaudithook(watch)
    try:
        assert try_graph(path, 1) == "picture"
    finally:
        on[0] = False
    assert [(event, str(what)) for event, what in seen if str(what) != str(path)] == []


def test_a_file_too_large_is_refused_before_it_is_read_whole(tmp_path):
    path = tmp_path / "graph.json"
    with path.open("wb") as file:
        file.truncate(MOST_BYTES * 100)  # sparse: three gigabytes that take no room
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(GraphError, match="may have at most"):
        Graph.load(path)
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024 < 200 * 2**20
