"""inkarnat farm: runs a graph over many machines, or one part of such a run."""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

import click

from ..graphs.errors import SOME_FRAMES_FAILED, GraphError
from ..graphs.rendering import check_range
from ..media.clips import parse_frames
from ..writes import always, claim, never
from . import console
from .render import check_names, open_run, read_run, render_job, run_options, submitted_before, tell


@click.command()
@run_options
@click.option("--scheduler", metavar="ADDRESS", help="A Dask scheduler, tcp://host:8786 (a cluster on this machine).")
@click.option("--workers", type=click.IntRange(1, 512), help="Processes of the cluster on this machine (one a core).")
@click.option("--retries", type=click.IntRange(0, 20), default=2, show_default=True, help="Tries after the first.")
@click.option("--resume", is_flag=True, help="Skip what an earlier run of the same job completed.")
@click.option("--part", metavar="RANGE", help="Work here on these frames, as one part of a larger run.")
@click.option("--join", is_flag=True, help="Join the video that the parts of a run have left.")
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON.")
def command(graph: str, sources: tuple[str, ...], outputs: tuple[str, ...], as_json: bool, **options: Any) -> int:
    """Run a graph over many machines.

    Chunks of frames go to the workers of a Dask scheduler; they see the same paths and have the same version
    installed. What a lost worker had goes to another. A frame that fails is named and the rest is done: exit code 4.
    Ctrl-C leaves complete frames only.

    \b
    Four processes on this machine, and the farm:
      inkarnat farm workshop.json --in plate=take3.mov --out result=skin.%05d.exr --workers 4
      inkarnat farm workshop.json --in plate=take3.mov --out result=skin.mov --scheduler tcp://farm:8786
    By hand or by another queue (`inkarnat job` writes such a job): parts of a video in any order, then the join:
      inkarnat farm workshop.json --in plate=take3.mov --out result=skin.mov --part 1-240
      inkarnat farm workshop.json --in plate=take3.mov --out result=skin.mov --join
    """
    if options["part"] and options["join"]:
        raise GraphError("--part and --join are two steps: give one of them.")
    paths, files, footage, loaded = read_run(graph, sources, outputs, options)
    check_names(loaded, files, paths)
    from ..farm.chunks import Job

    with ExitStack() as stack:
        clips, main, loaded, frames, numbers = open_run(stack, footage, files, loaded, options["frames"])
        step = bool(options["part"] or options["join"])  # of a run that was decided on when it was submitted
        resumed = submitted_before(paths.values()) if options["resume"] else never
        claim(paths.values(), frames=numbers, decided=always if step else resumed, lock=not step)
        job = Job.of(loaded, clips, paths, options["codec"], None if step else _device(options))
        if options["part"]:
            from ..farm.run import render_part

            part = check_range(parse_frames(options["part"]), main)
            report = render_part(job, clips, part, on_error=console.tell_failure)
        elif options["join"]:
            from ..farm.run import join_videos

            report = join_videos(job, clips, numbers)
        else:
            report = render_job(job, clips, frames, _engine(clips, options), options["resume"], as_json)
        suspect = footage.tell_damage(clips.values(), report.done, elsewhere=True)
    for frame, reason in report.failed.items() if options["join"] else ():
        console.tell_failure(frame, reason)
    return tell(report, graph, files, paths, as_json) or (SOME_FRAMES_FAILED if suspect else 0)


def _device(options: dict[str, Any]) -> str:
    """Return what a run that begins here works on: what this machine, or all workers of the scheduler, can use."""
    from ...kernels import devices
    from ..farm import cluster

    if options["scheduler"] is None:
        return devices.settled(console.note)
    return cluster.settled(options["scheduler"], devices.asked_for(), console.note)


def _engine(clips: dict[str, Any], options: dict[str, Any]) -> Any:
    from ...kernels.strips import thread_count
    from ..farm import cluster, local

    wanted = options["workers"] or thread_count()
    workers = local.affordable(wanted, next(iter(clips.values())))
    if workers < wanted and options["scheduler"] is None:
        console.warn(f"{workers} of {wanted} processes are used: the memory holds no more pictures of this size")
    return cluster.dask(options["scheduler"], workers, max(1, thread_count() // workers), options["retries"])
