"""A second process that compiles the end of a first correction while this one compiles its beginning.

In one process numba compiles one function at a time, whatever its threads; but what any process compiled is found in
the folder of compiled kernels. The helper works from the end and is ended with what it helps, or when that process
is gone. Where it cannot start, fails or comes too late, this process compiles everything itself.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..kernels import jit, soften, strips, tiles
from ..kernels.arrays import Floats
from ..nodes import NODES, SoftenMatte, solve_steer
from ..nodes.declare import Node, ParamError

LATER: Mapping[str, tuple[str, ...]] = {
    "correct": ("solve_steer", "soften_matte_plainly"),
    "correct_skin": ("soften_matte_plainly", "tone_curve", "cdl"),
    "soften_matte": ("move_edge", "follow_picture"),
    "warm": tuple(reversed(NODES)),
}
"""What is left to the helper, by verb or effect: nodes, or work that is named in :data:`PARTLY`."""


@contextlib.contextmanager
def helped(work: str) -> Iterator[None]:
    """Let a helper compile the later part of some work, where :data:`LATER` has any, while the block does the work."""
    child = _started(LATER[work]) if work in LATER and _can_help() else None
    try:
        yield
    finally:
        if child is not None:
            child.kill()
            child.communicate()


def _can_help() -> bool:
    """Tell whether there is a place that two may write to, a second core, and a Python that is no host program."""
    shared = jit.CACHE_FOLDER is not None and sys.platform != "win32"
    return shared and strips.thread_count() > 1 and Path(sys.executable or "").name.startswith("python")


def _started(names: Sequence[str]) -> subprocess.Popen[bytes] | None:
    path = os.pathsep.join(filter(None, sys.path))
    surroundings = {name: value for name, value in os.environ.items() if name != "PYTHONHOME"}
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", __name__, *names],
            env=surroundings | {"PYTHONPATH": path, "INKARNAT_THREADS": "1"},
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return None


# --- what is run to have it compiled ------------------------------------------------------------------------

_TALL = 1080
"""Rows of the frame: what is compiled depends on the height, what it costs on the width."""


def first_use(kind: type[Node]) -> Any:
    """Run a node as a host's first render would, on a narrow frame, and return the result."""
    ramp = np.linspace(0, 1, _TALL * 64 * 4, dtype=np.float32).reshape(_TALL, 64, 4)
    ports = kind.inputs().items()
    return run(_changed(kind), {name: ramp if port.kind == "picture" else ramp[..., 0].copy() for name, port in ports})


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


def _solve() -> None:
    solve_steer(*_skin())


def _soften() -> None:
    picture, keyed = _skin()
    SoftenMatte(pinholes=0, follow=0).process(keyed, picture)


def _move_edge() -> None:
    soften.grow(_skin()[1], 1.5)


def _follow_picture() -> None:
    keyed = _skin()[1]
    tiles.of_line(*soften.guided_coefficients(keyed, keyed, 4, 4e-4), 4, (4 * _TALL, 256))


def _skin() -> tuple[Floats, Floats]:
    return np.full((_TALL, 64, 3), (0.72, 0.52, 0.43), np.float32), np.ones((_TALL, 64), np.float32)


PARTLY: Mapping[str, Callable[[], None]] = {
    "follow_picture": _follow_picture,
    "move_edge": _move_edge,
    "soften_matte_plainly": _soften,
    "solve_steer": _solve,
}
"""Work of which the process that is helped compiles little itself."""


def compile_first_uses(names: Sequence[str]) -> None:
    """Run nodes, or parts of their work, by name; what is wrong with one is told where it is used in earnest."""
    for name in names:
        with contextlib.suppress(Exception):
            PARTLY[name]() if name in PARTLY else first_use(NODES[name])


def _end_with(stream: Any) -> None:
    """Wait until the other end of a pipe is closed, as it is when its process is gone, and end this process."""
    stream.read()
    os._exit(0)


if __name__ == "__main__":
    threading.Thread(target=_end_with, args=(sys.stdin.buffer,), daemon=True).start()
    compile_first_uses(sys.argv[1:])
