"""inkarnat desk: sample, look, solve and save, in a browser on this machine."""

from __future__ import annotations

import functools
import webbrowser
from pathlib import Path
from typing import Any

import click

from ..graphs.errors import GraphError
from . import console
from . import footage as read
from .footage import footage_options
from .report import write_report


@click.command()
@click.argument("target", metavar="CLIP_OR_FOLDER", type=click.Path(path_type=Path))
@click.option(
    "--results",
    type=click.Path(file_okay=False, exists=True, path_type=Path),
    metavar="DIR",
    help="Where graphs, notes, stills and renders go (beside the clip).",
)
@footage_options
@click.option("--view", metavar="TRANSFORM", help="See, read and solve through this: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port of the page (any that is free).")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def command(target: Path, results: Path | None, view: str | None, port: int, no_browser: bool, **options: Any) -> None:
    """Open a page in the browser: point at skin, look, solve, save the graph, render.

    The page talks to this machine alone, until this command ends (Ctrl-C); an address that is printed works
    once. Every change is kept beside the clip, so nothing is lost.

    \b
    One clip:            inkarnat desk planing.mov
    All clips of a day:  inkarnat desk footage/ --results grades/
    Under a look:        inkarnat desk planing.mov --view film.clf
    HLG, as it says:     inkarnat desk footage/ --input-space auto

    With --input-space every clip is brought to BT.709 for the work and back in what is written. Without it, a clip is
    read as its own graph says.
    """
    footage = read.Footage.of(options)
    try:
        from ..desk.desk import Desk
        from ..desk.folder import Folder
        from ..desk.reel import Footage
        from ..desk.seeing import Seeing
        from ..desk.server import Served
    except ImportError as error:
        if error.name not in ("starlette", "uvicorn", "anyio"):
            raise
        raise GraphError("The desk needs starlette and uvicorn: pip install 'inkarnat[desk]'.") from None
    seeing = Seeing.through(view)
    folder, name = Folder.holding(target, results, Footage(footage.assumed, footage.input_space))
    served = Served(Desk(folder, name, seeing, functools.partial(write_report, quiet=True)), port)
    console.warn_if_cold("desk")
    console.say(f"the desk is at {served.address}")
    console.say("end it with Ctrl-C")
    served.guard.told = lambda: console.say(f"opened; for another browser, or once more: {served.address}")
    if not no_browser:
        webbrowser.open(served.address)
    served.run()
