"""inkarnat report: one page that shows and judges corrected clips."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from ...nodes import NOT_JUDGED
from .. import made
from ..graphs.errors import SOME_FRAMES_FAILED, GraphError
from ..shots.runs import Run, RunClip
from ..writes import claim, reads
from . import console
from .footage import Footage, reading_options
from .options import person_options, read_line, read_person
from .person import split_frame


@click.command()
@click.argument("run", metavar="RUN")
@click.option("-o", "--output", required=True, metavar="PAGE.html", help="Where the page goes.")
@click.option("--clip", "clips", multiple=True, metavar="CLIP[@FRAME]", help="Where RUN is a graph: what it corrects.")
@click.option("--title", help="The heading of the page.")
@click.option("--most", type=click.IntRange(1), default=240, show_default=True, help="Frames of a clip to measure.")
@click.option("--view", metavar="TRANSFORM", help="See and read through this: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@person_options
@reading_options
@click.option("--json", "as_json", is_flag=True, help="Print the statuses as JSON.")
def command(
    run: str, output: str, clips: tuple[str, ...], title: str | None, most: int, as_json: bool, **options: Any
) -> int:
    """Write one HTML page on which corrected clips can be seen and judged: it needs no network and prints well.

    A sheet of faces, the worst first, each with its status; figures, scopes and limits are one click away. Exit code 4
    where a clip cannot be read or judged; the page shows the rest.

    RUN is what `inkarnat carry` left behind (carry.json), or a graph with the clips it corrects.

    \b
    inkarnat report takes/carry.json -o takes.html
    inkarnat report planing.json --clip planing.mov@12 -o planing.html --person Ada
    """
    for path in (run, *(split_frame(text)[0] for text in clips)):
        reads(path)
    claim(texts={output: made.PAGE})
    found = _read(run, clips, title, options)
    findings = _gather(found, most, quiet=as_json)
    from ..report import write_page

    write_page(output, findings)
    statuses = {found.clip.name: found.verdict for found in findings.clips}
    is_partly = findings.unread or any(verdict.status == NOT_JUDGED for verdict in statuses.values())
    code = SOME_FRAMES_FAILED if is_partly else 0
    if as_json:
        data = {"run": run, "page": output, "clips": [{"name": n} | v.as_dict() for n, v in statuses.items()]}
        failed = [{"name": name, "error": error} for name, error in findings.unread.items()]
        console.print_json(data | ({"failed": failed} if failed else {}))
        return code
    for name, error in findings.unread.items():
        console.warn(f"{name} is left out: {error}")
    for name, verdict in statuses.items():
        console.say_verdict(verdict, name)
    console.say(f"page: {output} ({Path(output).stat().st_size / 1e6:.1f} MB)")
    return code


def _gather(run: Run, most: int, quiet: bool) -> Any:
    from ..report import gather

    done = 0

    def advance(frame: int) -> None:
        nonlocal done
        done += 1
        if not quiet and done % 100 == 0:
            console.warn(f"{done} frames measured")

    return gather(run, most, advance)


def write_report(run: Run, output: Path, most: int = 240, quiet: bool = False) -> Mapping[str, str]:
    """Write the page of a run, and return by name the clips that it leaves out, and why.

    Raises what gathering and writing raise.
    """
    from ..report import write_page

    findings = _gather(run, most, quiet)
    write_page(output, findings)
    left_out: Mapping[str, str] = findings.unread
    return left_out


def _read(path: str, clips: tuple[str, ...], title: str | None, options: dict[str, Any]) -> Run:
    person, line = read_person(options), read_line(options)
    view, read_as = options["view"], Footage.of(options).said()
    if clips:
        names = _names([split_frame(text)[0] for text in clips])
        entries = []
        for name, text in zip(names, clips, strict=True):
            files, frame = split_frame(text)
            entries.append(RunClip(name, files, path, frame, read_as=read_as))
        return Run(tuple(entries), title or "", names[0], person, view, line=line)
    run = Run.load(path) if not _is_graph(path) else None
    if run is None:
        raise GraphError(f"{path} is a graph: name the clips that it corrects with --clip.")
    if view is not None and not view.startswith("ocio:"):
        view = str(Path(view).resolve())
    if read_as:
        run = dataclasses.replace(run, clips=tuple(dataclasses.replace(clip, read_as=read_as) for clip in run.clips))
    return dataclasses.replace(run, title=title or run.title, person=person or run.person, view=view or run.view)


def _names(paths: list[str]) -> list[str]:
    from ..shots.carry import named_shots

    return named_shots(paths)


def _is_graph(path: str) -> bool:
    try:
        data = json.loads(Path(path).read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return False  # reading it as a run says what is wrong
    return isinstance(data, dict) and "inkarnat" in data
