"""inkarnat job: writes a run as an Open Job Description for the queue of a render farm."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from ...kernels import devices
from .. import made
from ..graphs.rendering import check_range
from ..media.clips import parse_frames
from ..writes import claim, write_text
from . import console
from .render import check_names, open_files, read_run, run_options


@click.command()
@run_options
@click.option("--chunk", type=click.IntRange(1), metavar="FRAMES", help="Frames in a task (what suits the job).")
@click.option(
    "--timeout", type=click.IntRange(1), default=3600, show_default=True, metavar="SECONDS", help="Time for a task."
)
@click.option("--name", default="", metavar="TEXT", help="Name of the job in the queue.")
@click.option("-o", "--output", metavar="FILE", type=click.Path(path_type=Path), help="Write it here, not to stdout.")
def command(
    graph: str,
    sources: tuple[str, ...],
    outputs: tuple[str, ...],
    frames: str | None,
    codec: str | None,
    chunk: int | None,
    timeout: int,
    name: str,
    output: Path | None,
    **options: Any,
) -> None:
    """Describe a job for the queue of a render farm.

    What is printed is a job template of the Open Job Description, format 2023-09: a task for each chunk of frames,
    and for video a last step that joins the parts. Graph, inputs and outputs are parameters that can be given anew
    when the job is submitted. Paths below the folder of the template (this
    one, or that of -o) are its defaults; the format allows no others, so they have to be given then.

    \b
      inkarnat job workshop.json --in plate=take3.mov --out result=skin.mov > job.yaml
    """
    paths, files, footage, loaded = read_run(graph, sources, outputs, options)
    check_names(loaded, files, paths)
    from ..farm.chunks import Job
    from ..farm.job_template import as_yaml, job_template, left_open

    with ExitStack() as stack:
        clips = open_files(stack, footage, files, loaded)
        numbers = check_range(parse_frames(frames) if frames else None, next(iter(clips.values())))
        claim(paths.values(), {output: made.JOB} if output is not None else {}, numbers, lock=False)
        job = Job.of(loaded, clips, paths, codec)
        folder = (output.parent if output is not None else Path()).absolute()
        template = job_template(
            job,
            Path(graph).absolute(),
            numbers,
            folder=folder,
            name=name,
            chunk=chunk,
            timeout=timeout,
            words=[*footage.words(), *_device_words()],
        )
    for parameter, path in left_open(template, job, Path(graph)).items():
        console.warn(f"give this when the job is submitted: {parameter}={path}")
    text = as_yaml(template)
    if output is None:
        console.say(text)
        return
    write_text(output, text + "\n", made.JOB, [graph, *files.values()])


def _device_words() -> list[str]:
    """Return the device that is asked for as the command line takes it."""
    name = devices.asked_for()
    return [] if name == devices.PROCESSOR else ["--device", name]
