"""inkarnat render: runs a graph over pictures, sequences or clips."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from ...kernels import devices
from ...nodes.declare import nearest
from ..graphs import runner
from ..graphs.errors import SOME_FRAMES_FAILED, GraphError
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.outputs import claim_outputs, output_names
from ..graphs.rendering import check_range, render_files
from ..media.clips import Clip, Frames, parse_frames
from ..shots.stills import Shown
from ..writes import Decided, never
from . import console
from .footage import Command, Footage, footage_options, output_options, own_faces
from .options import named_files, project_option, read_line
from .stills import Stills, stills_options

if TYPE_CHECKING:
    from ..farm.chunks import Engine, Job


def run_options(command: Command) -> Command:
    """Add GRAPH, --in, --out, how the footage is read, --frames and --codec to a verb that runs a graph."""
    for option in reversed(
        (
            click.argument("graph", metavar="GRAPH", type=click.Path()),
            click.option(
                "--in", "sources", multiple=True, metavar="NAME=FILES", help="What a source of the graph reads."
            ),
            click.option(
                "--out", "outputs", multiple=True, metavar="NAME=FILES", help="Where an output of the graph goes."
            ),
            footage_options,
            output_options,
            click.option("--frames", metavar="RANGE", help="Frames to render, such as 1-100, 1-100x2 or 1,5,9 (all)."),
            click.option("--codec", metavar="NAME", help="Codec of video outputs (a sensible one for their suffix)."),
        )
    ):
        command = option(command)
    return command


@click.command()
@run_options
@stills_options
@project_option
@click.option("--jobs", type=click.IntRange(1, 512), default=1, show_default=True, help="Processes to work in.")
@click.option("--resume", is_flag=True, help="Skip what an earlier run of the same job completed.")
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON.")
def command(
    graph: str,
    sources: tuple[str, ...],
    outputs: tuple[str, ...],
    frames: str | None,
    codec: str | None,
    jobs: int,
    resume: bool,
    as_json: bool,
    **options: Any,
) -> int:
    """Run a graph over pictures or video.

    FILES is a picture (still.tif), a numbered sequence (planing.%04d.exr) or a clip (planing.mov). `inkarnat check
    GRAPH` lists the names of sources and outputs. A frame that fails is named and the rest is done: exit code 4.

    \b
    The planing shot, corrected, with its matte beside it:
      inkarnat render workshop.json --in plate=planing.mov --out result=planing-skin.mov --out matte=matte.%04d.exr
    Every second frame of a take, to look at:
      inkarnat render workshop.json --in plate=take2.%04d.exr --out result=take2.%04d.jpg --frames 1001-1100x2
    A long take in eight processes, and once more after the power came back:
      inkarnat render workshop.json --in plate=take3.mov --out result=take3-skin.%05d.exr --jobs 8 --resume
    The matte in the alpha channel of the picture:
      inkarnat render workshop.json --in plate=planing.mov --out result+matte=planing-skin.mov

    With --jobs or --resume a journal beside the first output lists what is complete, with sizes and hashes.
    """
    paths, files, footage, loaded = read_run(graph, sources, outputs, options)
    stills, line = Stills.read(options), read_line(options)
    if paths or stills is None:
        check_names(loaded, files, paths)
    shown = None if stills is None else Shown.of(loaded)
    with ExitStack() as stack:
        clips, main, loaded, chosen, numbers = open_run(stack, footage, files, loaded, frames)
        looked_at = [] if stills is None else stills.chosen(main, numbers)
        pictures = {} if stills is None or shown is None else stills.files(shown, main, looked_at)
        decided = submitted_before(paths.values()) if resume else never
        claim_outputs(paths.values(), main, numbers, console.note, pictures.values(), decided=decided)
        if not paths:
            report = runner.Report()
        elif jobs > 1 or resume:
            report = _render_in_processes(loaded, clips, paths, chosen, codec, jobs, resume, as_json)
        else:
            report = render_files(loaded, clips, paths, chosen, codec, console.listener(as_json))
        if stills is not None:
            paths = {**paths, "stills": str(stills.draw(loaded, main, looked_at, None, None, line, as_json))}
        suspect = footage.tell_damage(clips.values(), report.done, elsewhere=jobs > 1 or resume)
    return tell(report, graph, files, paths, as_json) or (SOME_FRAMES_FAILED if suspect else 0)


def read_run(
    graph: str, sources: Sequence[str], outputs: Sequence[str], options: dict[str, Any]
) -> tuple[dict[str, str], dict[str, str], Footage, Graph]:
    """Return what the options of a run name: outputs and inputs, how the footage is meant, and the graph between.

    Raises GraphError and InputError.
    """
    paths, files = named_files(outputs, "--out"), named_files(sources, "--in")
    footage = Footage.of(options).meant(files)
    return paths, files, footage, footage.around(Graph.load(graph))


def open_files(stack: ExitStack, footage: Footage, files: Mapping[str, str], graph: Graph) -> dict[str, Clip]:
    """Open the inputs of a run until the stack ends. Raises InputError."""
    plate = STANDARD_SOURCE if STANDARD_SOURCE in graph.sources else next(iter(graph.sources), "")
    return {
        name: stack.enter_context(footage.open(path, graph if name == plate else None)) for name, path in files.items()
    }


class Opened(NamedTuple):
    """A run whose inputs are open.

    :ivar clips: by source. :ivar main: the first, whose frames are written. :ivar graph: without faces of another clip.
    :ivar chosen: the frames that were asked for, None for all. :ivar numbers: those that are written.
    """

    clips: dict[str, Clip]
    main: Clip
    graph: Graph
    chosen: Frames | None
    numbers: Frames | Sequence[int]


def open_run(stack: ExitStack, footage: Footage, files: Mapping[str, str], graph: Graph, frames: str | None) -> Opened:
    """Open the inputs of a run until the stack ends. Raises InputError, and FrameRangeError for other frames."""
    clips = open_files(stack, footage, files, graph)
    main = next(iter(clips.values()))
    chosen = parse_frames(frames) if frames else None
    numbers = check_range(chosen, main)
    return Opened(clips, main, own_faces(graph, clips.get(STANDARD_SOURCE) or main), chosen, numbers)


def tell(report: runner.Report, graph: str, files: Mapping[str, str], paths: Mapping[str, str], as_json: bool) -> int:
    """Say what was done, and return the exit code."""
    if as_json:
        console.print_json({"graph": graph, "inputs": dict(files), "outputs": dict(paths), **report.as_dict()})
    else:
        if report.done or report.failed:
            made = len(report.done) - report.kept
            kept = f"{report.kept} complete before, " if report.kept else ""
            frames = f"{made} frame{'' if made == 1 else 's'}"
            console.say(f"{frames} in {report.seconds:.1f} s, {kept}{len(report.failed)} failed")
        for name, path in paths.items():
            console.say(f"{name}: {path}")
    return SOME_FRAMES_FAILED if report.failed else 0


def _render_in_processes(
    graph: Graph,
    clips: Mapping[str, Clip],
    outputs: Mapping[str, str],
    frames: Frames | None,
    codec: str | None,
    jobs: int,
    resume: bool,
    quiet: bool,
) -> runner.Report:
    """Render with the engine of one machine, in as many processes as the memory holds."""
    from ..farm import local
    from ..farm.chunks import Job

    main = next(iter(clips.values()))
    fitting = local.affordable(jobs, main)
    if fitting < jobs:
        console.warn(f"{fitting} of {jobs} processes are used: the memory holds no more pictures of this size")
    engine = local.here if jobs == 1 else local.processes(fitting)
    device = devices.settled(console.note)
    return render_job(Job.of(graph, clips, outputs, codec, device), clips, frames, engine, resume, quiet)


def submitted_before(outputs: Iterable[str]) -> Decided:
    """Return what tells which files an earlier run was to write: a resumed one replaces them."""
    from ..farm.journal import submitted

    return submitted(outputs)


def render_job(
    job: Job, clips: Mapping[str, Clip], frames: Frames | None, engine: Engine, resume: bool, quiet: bool
) -> runner.Report:
    """Render a job with an engine, and say how far it is."""
    from ..farm.run import run

    numbers = check_range(frames, next(iter(clips.values())))
    with console.progress(len(numbers), quiet) as advance:
        return run(job, clips, numbers, engine, resume=resume, progress=advance, on_error=console.tell_failure)


def check_names(graph: Graph, files: Mapping[str, str], paths: Mapping[str, str]) -> None:
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
