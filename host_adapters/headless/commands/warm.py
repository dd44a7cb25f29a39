"""inkarnat warm: compiles every kernel now, so that the first frame of a shot is not slow."""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import math
import time
from collections.abc import Iterator
from typing import Any

import click
import numpy as np

from ....kernels import jit
from ....kernels.arrays import Floats
from ....kernels.errors import InkarnatError
from ....nodes import NODES, Sample, learn_skin_key, measure_skin, solve_balance, solve_steer
from ....nodes.declare import Node, Param
from ...helper import helped, run
from .. import console

_SIZE = (216, 384)


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def command(as_json: bool) -> None:
    """Compile everything now, so that the first frame is not slow.

    Done once after an installation or an update; what is compiled is kept on disk for all later runs.
    """
    began = time.perf_counter()
    with helped("warm"):
        for node in NODES.values():
            warm_node(node())
        warm_solvers()
        warm_files_and_scopes()
    answer = {
        "nodes": len(NODES),
        "kernels": len(jit.SHEETS),
        "compiled": sum(bool(getattr(kernel, "signatures", ())) for kernel in jit.SHEETS),
        "seconds": round(time.perf_counter() - began, 2),
        "folder": str(jit.CACHE_FOLDER) if jit.CACHE_FOLDER else None,
    }
    if as_json:
        console.print_json(answer)
        return
    console.say(f"{answer['nodes']} nodes, {answer['compiled']} of {answer['kernels']} kernels: {answer['seconds']} s")
    console.say(f"kept in {answer['folder']}" if answer["folder"] else "kept nowhere: no folder is writable")


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
    from ....kernels import measure

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
    from ....kernels import codes, measure

    for channels in (3, 4):
        picture = _tiny("picture", channels)
        for bits in (8, 10):
            for subsampling in codes.SUBSAMPLING:
                coding = codes.Coding(bits, subsampling=subsampling)
                planes = codes.picture_to_planes(picture, coding, alpha=channels == 4)
                codes.change_to_planes(codes.planes_to_picture(planes, coding), picture, planes, coding)
        for bits in (8, 16):
            codes.dequantise(codes.quantise(picture, bits), bits)
        measure.vectorscope(picture)


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
