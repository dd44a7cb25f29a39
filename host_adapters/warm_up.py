"""Further processes that compile the end of a first correction while this one compiles its beginning.

In one process numba compiles one function at a time, whatever its threads; but what any process compiled is found in
the folder of compiled kernels. Helpers work on what is needed late and are ended with what they help, or when that
process is gone. Where one cannot start, fails or comes too late, this process compiles everything itself.
"""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import json
import math
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..kernels import codes, colour, jit, join, measure, planes, prefilter, qualify, strips, tiles
from ..kernels import guided as guided_filter
from ..kernels.arrays import Floats
from ..kernels.clean import remove_specks
from ..kernels.errors import InkarnatError
from ..kernels.fused import in_single_steps
from ..kernels.gaussian import gaussian
from ..kernels.guided import guided, guided_coefficients
from ..kernels.look_up import look_up
from ..kernels.median import median
from ..kernels.morphology import grow
from ..nodes import (
    EARLIER,
    NODES,
    REST,
    FaceMatte,
    JoinFaces,
    Sample,
    SoftenMatte,
    SteerSkin,
    learn_skin_key,
    measure_skin,
    solve_balance,
    solve_steer,
)
from ..nodes.declare import Node, Param, ParamError

_SIZE = (216, 384)


def warm_node(rest: Node, most: int | None = None) -> None:
    """Run a node on tiny pictures with 3 and 4 channels, with every optional input connected and open.

    :param most: settings to run it with, all where None: two are as it rests and with its first parameter moved.
    """
    ports = rest.inputs()
    needed = [name for name, port in ports.items() if not port.optional]
    for node in itertools.islice(settings(rest), most):
        for channels in (3, 4):
            for connected in (list(ports), needed):
                with contextlib.suppress(InkarnatError):  # a setting that this picture does not allow compiles nothing
                    run(node, {name: _tiny(ports[name].kind, channels) for name in connected})


def warm_solvers() -> None:
    """Run what learns, measures and solves on a tiny picture of a skin tone beside a grey card."""
    for channels in (3, 4):
        picture = np.full((*_SIZE, channels), 0.5, np.float32)
        picture[:, : _SIZE[1] // 2, :3] = 0.72, 0.52, 0.43
        picture[::7, ::5, :3] *= np.float32(0.9)
        skin, grey = Sample.box(0.05, 0.1, 0.4, 0.9), Sample.box(0.6, 0.1, 0.9, 0.9)
        with contextlib.suppress(InkarnatError):
            matte = learn_skin_key(picture, [skin], [grey]).process(picture)
            measure_skin(picture, matte)
            measure.degree_counts(picture, measure.core_matte(picture, matte, measure.Core()), measure.Core(), 0.0)
            solve_steer(picture, matte)
        with contextlib.suppress(InkarnatError):
            solve_balance(picture, grey)
            solve_balance(picture)


def warm_files_and_scopes() -> None:
    """Turn a tiny picture into the integer codes of files and back, and draw its scopes."""
    for channels in (3, 4):
        picture = _tiny("picture", channels)
        for bits in (8, 10):
            for subsampling in codes.SUBSAMPLING:
                coding = codes.Coding(bits, subsampling=subsampling)
                planes = codes.picture_to_planes(picture, coding, alpha=channels == 4)
                codes.planes_to_picture(planes, coding)
                codes.change_to_planes(picture, planes, coding)
                codes.recode(planes, coding, codes.Coding(10))
                if channels == 3:
                    _warm_planes(codes.CodedPicture(planes, coding))
        for bits in (8, 16):
            codes.dequantise(codes.quantise(picture, bits), bits)
        measure.vectorscope(picture)


def warm_rest() -> None:
    """Run what no node and no file takes at the sizes above: looks, hosts' alpha, sums of many threads."""
    cube = np.zeros((2, 2, 2, 3), np.float32)
    for channels in (3, 4):
        picture = _tiny("picture", channels)
        look_up(picture, cube)
        colour.rgb_to_ycbcr(picture)
        colour.is_opaque(picture)
    plane, pixels = _tiny("matte", 1), _tiny("picture", 4)
    colour.premultiply(pixels.copy())
    gaussian(plane, 0.2 * _SIZE[0])
    median(plane, 1)
    planes.put_beside(_tiny("picture", 3), planes.plane_of(pixels), pixels)
    with strips.threads(_MANY):
        measure.tally(np.zeros((_MANY * strips.STRIP, 16, 3), np.float32))


_MANY = 8
"""Threads whose counts are added up by several of them."""


def _warm_planes(coded: Any) -> None:
    """Key and turn a picture that lies in planes, into planes of its own coding and of ProRes's; see its luma."""
    codes.seen_by_luma(codes.CodedPicture(coded.planes, coded.coding))
    prefilter.ratio_prefilter(coded, 2)
    height, width = coded.shape[:2]
    for coding, before in ((coded.coding, coded.planes), (codes.Coding(10, subsampling="4:2:2"), None)):
        new = tuple(np.empty(shape, coding.dtype) for shape in coding.shapes(height, width))
        codes.IntoPlanes(coding, new, before).turn(coded, np.ones((height, width), np.float32), 5.0)


def settings(rest: Node) -> Iterator[Node]:
    """Yield the node as it is, then with one parameter at a time set to something else, then with all of them."""
    yield rest
    everything: dict[str, Any] = {}
    for name, param in rest.params().items():
        for value in _other_values(param):
            everything.setdefault(name, value)
            yield from _try(rest, {name: value})
    yield from _try(rest, everything)


def _try(rest: Node, values: dict[str, Any]) -> Iterator[Node]:
    try:
        yield dataclasses.replace(rest, **values)  # type: ignore[type-var]
    except InkarnatError:
        return  # the node's own rules forbid this one


def _other_values(param: Param) -> list[Any]:
    low, high = param.shown or (param.low, param.high)
    middle = (low + high) / 2 if math.isfinite(low) and math.isfinite(high) else 0.5
    several = param.kind in ("point", "colour")
    if param.default == ((middle,) * len(param.default) if several else middle) and math.isfinite(high):  # type: ignore[arg-type]
        middle = (middle + high) / 2
    if param.kind in ("number", "angle"):
        return [end for end in (middle, low, high) if math.isfinite(end)]
    if param.kind == "whole":
        return [int(low) if low != param.default else int(low) + 1]  # small: a size or count costs time, not kernels
    if param.kind == "toggle":
        return [not param.default]
    if param.kind == "choice":
        return [word for word in param.options if word != param.default]
    if several:
        return [(middle,) * len(param.default)]  # type: ignore[arg-type]
    return []


def _tiny(kind: str, channels: int) -> Floats:
    """A small ramp: no picture of anything, but every pixel differs."""
    height, width = _SIZE
    shape = (height, width) if kind == "matte" else (height, width, channels)
    return np.linspace(0.05, 0.95, math.prod(shape), dtype=np.float32).reshape(shape)


FIRST_KERNELS: Mapping[str, int] = {"demo": 38, "correct": 52, "desk": 48, "warm": 123}
"""How many kernels a first use compiles, by verb, each for every kind of picture, with a face in it where one is
corrected; a test counts those that it runs."""


def is_cold_for(work: str) -> bool:
    """Tell whether kernels of a first use have yet to be compiled, some at least."""
    compiles = jit.CACHE_FOLDER is not None and not jit.numba_config.DISABLE_JIT
    return compiles and kernels_kept() < FIRST_KERNELS[work]


def kernels_kept() -> int:
    """Return how many compiled kernels lie on disk for this version and machine."""
    if jit.CACHE_FOLDER is None:
        return 0
    with contextlib.suppress(OSError):
        return sum(name.endswith(".code") for name in os.listdir(jit.CACHE_FOLDER))
    return 0


LATER: Mapping[str, Sequence[tuple[str, ...]]] = {
    "correct": (
        (
            *("guided", "written", "turned", "solve_steer", "tallied", "softened_in_steps"),
            *("key_edge", "follow_picture", "edge_across", "cleaned", "judged_face", "joined_face"),
        ),
    ),
    "demo": (
        (
            *("guided", "soften_matte_plainly", "tallied", "turned", "written", "solve_steer", "key_edge"),
            *("judged_face", "joined_face"),
        ),
    ),
    "desk": (("chain",), ("solvers",)),
    "warm": (tuple(reversed(NODES)),),
}
"""What helpers compile, by verb: nodes, or work that is named in :data:`PARTLY`. Each helper gets a list.

What one compiles the other waits for (:func:`~..kernels.kept_code.claimed`): they meet where they meet, whatever else
they have to do. A helper takes what filters mattes, which has pieces in common that need no compiling twice, then what
comes last, single kernels of it first: in the same order it would wait for the process that it helps. What a face takes
comes after all that every picture takes.
"""
_SHARED: Mapping[str, Sequence[tuple[str, ...]]] = {
    "correct": (
        ("guided", "key_edge", "follow_picture", "cleaned", "joined_face"),
        ("written", "turned", "solve_steer", "tallied", "softened_in_steps", "edge_across", "judged_face"),
    ),
    "demo": (
        ("guided", "key_edge", "follow_picture", "cleaned", "tallied", "joined_face"),
        ("soften_matte_plainly", "turned", "written", "solve_steer", "judged_face"),
    ),
}
"""The same for two helpers, where three cores may be used."""


@contextlib.contextmanager
def helped(work: str) -> Iterator[Sequence[subprocess.Popen[bytes]]]:
    """Let helpers compile the later part of some work, where :data:`LATER` has any, while the block does the work.

    Gives the helpers. What compiles many kernels holds two hundred megabytes more from then on, whatever is freed: a
    process that lives for hours waits for its helpers instead, and loads what they leave.
    """
    lists = (_SHARED if strips.thread_count() > 2 and work in _SHARED else LATER).get(work, ())
    children = [child for child in map(_started, lists if _can_help() else ()) if child is not None]
    try:
        yield children
    finally:
        for child in children:
            child.kill()
        for child in children:
            child.communicate()


# --- all that an effect needs, before it is used ------------------------------------------------------------

Report = Callable[[float], bool]
"""Is told the share that is done, 0 to 1, and returns False where the rest is not wanted any more."""

_MADE_OF: Mapping[str, tuple[str, ...]] = {
    "correct_skin": ("skin_key", "follow_picture", "key_edge", "softened_turn"),
    "soften_matte": ("soften_matte_plainly",),
}
"""The parts of which a first render is made: two processes compile them from either end."""
_REST_OF: Mapping[str, tuple[str, ...]] = {
    "correct_skin": ("balance", "tone_curve", "cdl", "steer_skin"),
    "soften_matte": ("move_edge", "follow_picture"),
}
"""What other settings take, the likelier first."""
_TOUCHED: Mapping[str, Mapping[str, Any]] = {"correct_skin": {"angle": 5.0}}
"""What a person sets first, of nodes that change nothing as they rest."""
_FIRST, _ACTIONS = ":first", ":actions"
_WEIGHTS = {"skin_key": 8.0, "softened_turn": 5.0, "soften_matte_plainly": 6.0, "correct_skin:first": 0.5}
"""About how long pieces take beside each other, where that is not 1."""
_HOST_PIXELS = "host_pixels"
_EVENT = b"."
_PAUSE = 0.1
"""Seconds between two looks at how far the processes are."""


def pieces_of(kind: type[Node]) -> tuple[str, ...]:
    """Return all the pieces in which an effect is compiled, what a first render needs before the rest."""
    return (*_first_pieces(kind), *_later_pieces(kind))


def _first_pieces(kind: type[Node]) -> tuple[str, ...]:
    """What a first render needs: the pixels of hosts, its parts, and the render itself."""
    return (_HOST_PIXELS, *_MADE_OF.get(kind.name, ()), kind.name + _FIRST)


def _later_pieces(kind: type[Node]) -> tuple[str, ...]:
    """What buttons need, then what other settings do."""
    buttons = (kind.name + _ACTIONS,) if kind.actions() else ()
    return (*buttons, *_REST_OF.get(kind.name, ()), kind.name)


def compile_ahead(
    kind: type[Node], report: Report, finished: Callable[[], None] = lambda: None, now: Node | None = None
) -> bool:
    """Compile what a first render of an effect needs, in processes of their own where that can be.

    One works from the beginning and one from the end; the first goes on with what its buttons and other settings need,
    which nobody waits for here. ``finished`` is told when that is done as well.

    :param now: the effect as it is set: that is rendered first. :return: False where ``report`` broke it off.
    """
    names, later = _first_pieces(kind), _later_pieces(kind)
    rendered = json.dumps((kind() if now is None else now).config())
    orders = (names + later, (*names[-2::-1], names[-1])) if _can_help() else ()  # the whole holds all parts: last
    workers = [worker for worker in (_worker(order, rendered) for order in orders) if worker]
    if not workers:
        names += later
        for index, name in enumerate(names):
            if not report(index / len(names)):
                return False
            compile_first_uses([name], now=rendered)
        finished()
        return report(1.0)
    going_on = False
    try:
        going_on = _watch(workers, names, report)
        return going_on
    finally:
        for worker in workers:
            if going_on and worker is workers[0]:
                worker.when_ended(finished)
            else:
                worker.end()


def _watch(workers: Sequence[_Worker], names: Sequence[str], report: Report) -> bool:
    """Report until every piece is done by one of the processes, or both have ended."""
    weights = {name: _WEIGHTS.get(name, 1.0) for name in names}
    whole, shown = sum(weights.values()), 0.0
    while True:
        done = set().union(*(worker.done for worker in workers))
        if done.issuperset(names) or not any(worker.is_running() for worker in workers):
            report(1.0)
            return True
        partly = {worker.current: worker.part for worker in workers if worker.current in weights.keys() - done}
        share = sum(weights[name] for name in done) + sum(weights[name] * part for name, part in partly.items())
        shown = max(shown, share / whole)
        if not report(shown):
            return False
        time.sleep(_PAUSE)


class _Worker:
    """A process that compiles pieces and says which are done."""

    def __init__(self, process: subprocess.Popen[bytes], names: Sequence[str]) -> None:
        self._process, self._names = process, names
        self.done: set[str] = set()
        self._compiled = 0  # functions since the last piece was done
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        for line in self._process.stdout or ():
            if line.startswith(_EVENT):
                self._compiled += 1
            else:
                self._compiled = 0
                self.done.add(line.decode().strip())

    @property
    def current(self) -> str:
        """The piece that it works on."""
        return self._names[min(len(self.done), len(self._names) - 1)]

    @property
    def part(self) -> float:
        """About how much of that is done: it grows with every function that is compiled, and never reaches 1."""
        return float(0.9 * (1 - 0.97**self._compiled))

    def is_running(self) -> bool:
        return self._process.poll() is None

    def when_ended(self, then: Callable[[], None]) -> None:
        """Leave it at work, and call ``then`` from a thread when it has done all its pieces."""

        def wait() -> None:
            self._listener.join()
            self._process.wait()
            if self.done.issuperset(self._names):
                then()

        threading.Thread(target=wait, daemon=True).start()

    def end(self) -> None:
        self._process.kill()
        self._process.wait()


def _worker(names: Sequence[str], now: str) -> _Worker | None:
    process = _started(("--tell", now, *names), stdout=subprocess.PIPE)
    return None if process is None else _Worker(process, names)


def _tell_progress(now: str, names: Sequence[str]) -> None:
    """Compile pieces and write a line for each that is done, and for each function on the way."""

    def say(line: bytes) -> None:
        sys.stdout.buffer.write(line + b"\n")
        sys.stdout.buffer.flush()

    with contextlib.suppress(ImportError, AttributeError):
        from numba.core import event

        class Listener(event.Listener):
            def on_start(self, happened: Any) -> None:
                pass

            def on_end(self, happened: Any) -> None:
                say(_EVENT)

        event.register("numba:compile", Listener())  # type: ignore[no-untyped-call]
    for name in names:
        compile_first_uses([name], now=now)
        say(name.encode())


# --- another process ----------------------------------------------------------------------------------------


def _can_help() -> bool:
    """Tell whether there is a place that two may write to, a second core, and a Python that is no host program."""
    shared = jit.CACHE_FOLDER is not None and sys.platform != "win32"
    return shared and strips.thread_count() > 1 and Path(sys.executable or "").name.startswith("python")


def _started(names: Sequence[str], stdout: int = subprocess.DEVNULL) -> subprocess.Popen[bytes] | None:
    path = os.pathsep.join(filter(None, sys.path))
    surroundings = {name: value for name, value in os.environ.items() if name != "PYTHONHOME"}
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", __name__, *names],
            env=surroundings | {"PYTHONPATH": path, "INKARNAT_THREADS": "1"},
            stdin=subprocess.PIPE,
            stdout=stdout,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return None


# --- what is run to have it compiled ------------------------------------------------------------------------

_TALL = 1080
"""Rows of the frame: what is compiled depends on the height, what it costs on the width."""


def first_use(kind: type[Node], channels: int = 4) -> Any:
    """Run a node as a first render would, a host's if nothing else is said, on a narrow frame; return the result."""
    return _rendered(_changed(kind), list(kind.inputs()), channels)


def _rendered(node: Node, connected: Sequence[str], channels: int = 4) -> Any:
    ramp = np.linspace(0, 1, _TALL * 64 * channels, dtype=np.float32).reshape(_TALL, 64, channels)
    ports = node.inputs()
    return run(node, {n: ramp if ports[n].kind == "picture" else ramp[..., 0].copy() for n in connected})


def _first_render(config: Mapping[str, Any]) -> None:
    """Run a node as it is set, with what must be connected; one that changes nothing as a person first sets it."""
    kinds = (kind for kind in (*NODES.values(), *EARLIER) if kind.name == config["node"])
    kind = next(kind for kind in kinds if kind.version == config["version"])
    node = kind.from_config(config)
    if node.is_identity():
        touched = _TOUCHED.get(kind.name)
        node = _changed(kind) if touched is None else dataclasses.replace(node, **touched)  # type: ignore[type-var]
    _rendered(node, [name for name, port in kind.inputs().items() if not port.optional])


def run(node: Node, arrays: Mapping[str, Floats]) -> Any:
    """Run a node on the same pictures and mattes at every frame that it needs, and return the result."""
    frames = sum(node.frames_needed()) + 1
    inputs: dict[str, Any] = {name: array if frames == 1 else (array,) * frames for name, array in arrays.items()}
    return node.process(**inputs)  # type: ignore[attr-defined]


def _changed(kind: type[Node]) -> Node:
    """Return the node with its numbers moved a little: a neutral one has nothing to do, and so nothing to compile."""
    values: dict[str, Any] = {}
    for name, param in kind.params().items():
        low, high = param.shown or (param.low, param.high)
        if param.kind in ("number", "angle") and isinstance(param.default, float):
            values[name] = 0.95 * param.default + 0.05 * (high if param.default < high else low)
    try:
        return kind(**values)
    except ParamError:
        return kind()


def _warm_chain(_: int) -> None:
    """What the desk shows: the standard chain, and what is drawn of it."""
    for node in (*REST.values(), *(NODES[name]() for name in ("show_matte", "compare", "vectorscope", "waveform"))):
        warm_node(node, most=2)


def _draw_edge(channels: int) -> None:
    """Draw the edge of a key at full size, as its last stage does."""
    picture, keyed = _skin(channels)
    edge = qualify.Edge(np.ones_like(keyed), np.zeros_like(keyed), 2, tiles.unknown(keyed.shape))
    strips.over_rows(qualify._edge_strips, len(keyed), picture, *edge, keyed)


def _across(channels: int) -> None:
    """Enlarge across what the edge of a key follows the picture by."""
    low = np.ones((2, _TALL // 4, 16), np.float32)
    strips.over_rows(guided_filter._across_strips, _TALL // 4, low, np.empty((2, _TALL // 4, 64), np.float32), 4)


def _solve(channels: int) -> None:
    solve_steer(*_skin(channels))


def _tally(channels: int) -> None:
    measure.tally(*_skin(channels))


def _turn(channels: int) -> None:
    SteerSkin(angle=5.0).process(*_skin(channels))


def _soften(channels: int) -> None:
    picture, keyed = _skin(channels)
    SoftenMatte(pinholes=0, follow=0).process(keyed, picture)


def _soften_in_steps(channels: int) -> None:
    """Soften a matte as where there is one picture alone."""
    picture, keyed = _skin(channels)
    with in_single_steps():
        SoftenMatte().process(keyed, picture)


def _soften_and_turn(channels: int) -> None:
    """Soften a matte on the way to what turns by it, as one node does both."""
    picture, keyed = _skin(channels)
    SteerSkin(angle=5.0).process(picture, SoftenMatte().rows(keyed, picture))


def _guide(channels: int) -> None:
    """Let an edge follow as learning does, on a small grid."""
    plane = np.ones((_TALL // 4, 64), np.float32)
    guided(plane, plane, 1, 4e-4)


def _clean(channels: int) -> None:
    """Clean a matte, as a key does its own."""
    remove_specks(_skin(channels)[1], 4.0)


def _write(channels: int) -> None:
    """What a picture goes through on its way to a file, and where its matte is judged."""
    picture, keyed = _skin(channels)
    codes.quantise(picture, 8)
    colour.luma(picture)
    join.on_grid(keyed, (_TALL // 4, 16))


def _judge_face(channels: int) -> None:
    """What the matte of a face is judged by."""
    picture, keyed = _skin(channels)
    measure.degree_counts(picture, keyed, measure.Core(), 0.0)
    colour.rgb_to_ycbcr(picture[:1])


def _join_face(channels: int) -> None:
    """Begin to join a matte with a large face, and compile the rest from its end on: others begin at the beginning."""
    picture = np.full((_TALL // 2, _TALL, channels), 0.5, np.float32)
    face = FaceMatte((0.4, 0.35), (0.6, 0.35), (0.5, 0.5), (0.42, 0.65), (0.58, 0.65))
    joined = JoinFaces(likeness=1.0).unwritten(np.ones(picture.shape[:2], np.float32), face.unwritten(picture), picture)
    for stage in reversed(joined.stages):
        strips.compile_for(stage)
    strips.settle()


def _move_edge(channels: int) -> None:
    grow(_skin(channels)[1], 1.5)


def _follow_picture(channels: int) -> None:
    keyed = _skin(channels)[1]
    line = guided_coefficients(keyed, keyed, 4, 4e-4)
    strips.over_stages([tiles.line_stage(*line, 4, tiles.unknown((4 * _TALL, 256)))])


def _act(kind: type[Node]) -> None:
    """Do on a picture of skin beside a grey card what the buttons of a node do, each after the first of them."""
    picture = np.full((_TALL, 128, 4), (0.72, 0.52, 0.43, 1.0), np.float32)
    picture[:, 100:, :3] = 0.5
    shades = np.random.default_rng(1).normal(0.9, 0.05, (_TALL, 128, 1))  # of one colour alone nothing can be learned
    picture[..., :3] *= shades.astype(np.float32)
    inputs = {name: picture for name, port in kind.inputs().items() if not port.optional}
    asked: dict[str, Any] = {}
    for name, ask in kind.asks().items():
        if isinstance(ask, Param):
            asked[name] = ask.default
        else:
            asked[name] = (Sample.point(*ask.at) if ask.shape == "point" else Sample.box(*ask.at)) if ask.used else None
    node: Any = kind()
    for index, action in enumerate(kind.actions().values()):
        with contextlib.suppress(InkarnatError):  # what does not suit this picture compiles what it can
            changed, _ = action.run(node, asked, **inputs)
            node = changed if index == 0 else node


def _turn_pixels(channels: int = 4) -> None:
    """Take and give pixels as hosts keep them: whole numbers, mattes inside pictures."""
    for type_, bits in ((np.uint8, 8), (np.uint16, 16)):
        pixels = np.zeros((64, 64, 4), type_)
        codes.quantise(codes.dequantise(pixels, bits), bits, dither=False)
    picture = np.zeros((64, 64, 4), np.float32)
    planes.spread(planes.plane_of(picture, np.empty((64, 64), np.float32)), picture)


def _skin(channels: int) -> tuple[Floats, Floats]:
    colour = np.array((0.72, 0.52, 0.43, 1.0)[:channels], np.float32)
    return np.full((_TALL, 64, channels), colour), np.ones((_TALL, 64), np.float32)


PARTLY: Mapping[str, Callable[[int], None]] = {
    "chain": _warm_chain,
    "cleaned": _clean,
    "edge_across": _across,
    "follow_picture": _follow_picture,
    "guided": _guide,
    "host_pixels": _turn_pixels,
    "joined_face": _join_face,
    "judged_face": _judge_face,
    "key_edge": _draw_edge,
    "move_edge": _move_edge,
    "soften_matte_plainly": _soften,
    "softened_in_steps": _soften_in_steps,
    "softened_turn": _soften_and_turn,
    "solve_steer": _solve,
    "solvers": lambda _: warm_solvers(),
    "tallied": _tally,
    "turned": _turn,
    "written": _write,
}
"""Work of which the process that is helped compiles little itself, on pixels of some components."""


def compile_first_uses(names: Sequence[str], channels: int = 4, now: str = "") -> None:
    """Run nodes, or parts of their work, by name; errors surface on use.

    :param channels: components of the pixels: hosts hand over 4, files and clips mostly hold 3.
    :param now: configuration of the node whose first render is named, as JSON; empty: as it rests.
    """
    for name in names:
        with contextlib.suppress(Exception):
            if name.endswith(_FIRST):
                _first_render(json.loads(now) if now else NODES[name.removesuffix(_FIRST)]().config())
            elif name.endswith(_ACTIONS):
                _act(NODES[name.removesuffix(_ACTIONS)])
            elif name in PARTLY:
                PARTLY[name](channels)
            else:
                first_use(NODES[name], channels)


def _end_with(stream: Any) -> None:
    """Wait until the other end of a pipe is closed, as it is when its process is gone, and end this process."""
    stream.read()
    os._exit(0)


if __name__ == "__main__":
    threading.Thread(target=_end_with, args=(sys.stdin.buffer,), daemon=True).start()
    if sys.argv[1:2] == ["--tell"]:
        _tell_progress(sys.argv[2], sys.argv[3:])
    else:
        compile_first_uses(sys.argv[1:], channels=3)
