"""inkarnat render: runs a graph over pictures, sequences or clips."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from typing import Any

import click

from ....nodes.declare import nearest
from .. import console, runner
from ..clips import Clip, FrameRangeError, Frames, parse_frames
from ..errors import SOME_FRAMES_FAILED, FramesError, GraphError
from ..graph import Graph
from ..outputs import open_outputs, output_names
from .options import Footage, footage_options, named_files, output_options


@click.command()
@click.argument("graph", metavar="GRAPH", type=click.Path())
@click.option("--in", "sources", multiple=True, metavar="NAME=FILES", help="What a source of the graph reads.")
@click.option("--out", "outputs", multiple=True, metavar="NAME=FILES", help="Where an output of the graph goes.")
@footage_options
@output_options
@click.option("--frames", metavar="RANGE", help="Frames to render, such as 1-100, 1-100x2 or 1,5,9 (all).")
@click.option("--codec", metavar="NAME", help="Codec of video outputs (a sensible one for their suffix).")
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON.")
def command(
    graph: str,
    sources: tuple[str, ...],
    outputs: tuple[str, ...],
    frames: str | None,
    codec: str | None,
    as_json: bool,
    **options: Any,
) -> int:
    """Run a graph over pictures or video.

    FILES is a picture (still.tif), a numbered sequence (planing.%04d.exr) or a clip (planing.mov). `inkarnat check
    GRAPH` lists the names of sources and outputs. A frame that fails is named and the rest is done: exit code 4.

    \b
    The planing shot, graded, with its matte beside it:
      inkarnat render workshop.json --in plate=planing.mov --out result=planing-skin.mov --out matte=matte.%04d.exr
    Every second frame of a take, to look at:
      inkarnat render workshop.json --in plate=take2.%04d.exr --out result=look.%04d.jpg --frames 1001-1100x2
    The matte in the alpha channel of the picture:
      inkarnat render workshop.json --in plate=planing.mov --out result+matte=planing-skin.mov
    """
    footage = Footage.of(options)
    loaded = footage.around(Graph.load(graph))
    paths, files = named_files(outputs, "--out"), named_files(sources, "--in")
    _check_names(loaded, files, paths)
    with ExitStack() as stack:
        clips = {name: stack.enter_context(footage.open(path)) for name, path in files.items()}
        report = render_files(loaded, clips, paths, parse_frames(frames) if frames else None, codec, quiet=as_json)
    if as_json:
        console.print_json({"graph": graph, "inputs": files, "outputs": paths, **report.as_dict()})
    else:
        console.say(f"{len(report.done)} frames in {report.seconds:.1f} s, {len(report.failed)} failed")
        for name, path in paths.items():
            console.say(f"{name}: {path}")
    return SOME_FRAMES_FAILED if report.failed else 0


def render_files(
    graph: Graph,
    clips: Mapping[str, Clip],
    outputs: Mapping[str, str],
    frames: Sequence[int] | Frames | None = None,
    codec: str | None = None,
    quiet: bool = False,
) -> runner.Report:
    """Render a graph's outputs to files, which appear when all frames are done, and say how far it is.

    :param clips: clips by source name; the first gives size, rate and, where ``frames`` is None, the frames.
    :param codec: for outputs that are pictures; mattes take what suits their suffix.

    Raises GraphError for names that the graph does not have, FrameRangeError for frames beyond the clip, OutputError
    where an output is an input or cannot be written, FramesError where every frame fails (nothing is kept then).
    """
    main = next(iter(clips.values()))
    numbers = main.frames if frames is None else frames
    _check_range(numbers, main)
    inputs = [path for clip in clips.values() for path in clip.paths()]
    with ExitStack() as stack:
        writers = open_outputs(stack, graph, main, outputs, codec, inputs)
        advance = stack.enter_context(console.progress(len(numbers), quiet))
        report = runner.render(graph, clips, writers, numbers, progress=advance, on_error=_tell_failure)
        if not report.done:
            raise FramesError(f"No frame could be rendered. {next(iter(report.failed.values()))}")
        return report


def _tell_failure(frame: int, reason: str) -> None:
    console.warn(f"frame {frame} failed: {reason}")


def _check_names(graph: Graph, files: Mapping[str, str], paths: Mapping[str, str]) -> None:
    """Refuse names that the graph does not have, sources left open, and one file for two outputs."""
    if not paths:
        raise GraphError(f"There is nothing to write: give --out {graph.outputs[0][0]}=FILES.")
    names = output_names(paths)
    graph.origins(names)
    for name in files:
        if name not in graph.sources:
            known = ", ".join(graph.sources) or "nothing"
            raise GraphError(f"The graph has no source {name!r}; it reads {known}. {nearest(name, graph.sources)}")
    for name in graph.sources_of(names):
        if name not in files:
            raise GraphError(f"The graph reads the source {name!r}: give --in {name}=FILES.")
    if not files:
        raise GraphError("Give --in NAME=FILES: its size and frames are those of the output.")
    real = [os.path.realpath(path) for path in paths.values()]
    if len(set(real)) < len(real):
        raise GraphError("Two outputs have the same files: give each its own.")


def _check_range(frames: Sequence[int] | Frames, clip: Clip) -> None:
    first, last = clip.frames[0], clip.frames[-1]
    for frame in (frames[0], frames[-1]):
        if not first <= frame <= last:
            raise FrameRangeError(f"Frame {frame} is not in {clip.path}: it has the frames {first} to {last}.")
