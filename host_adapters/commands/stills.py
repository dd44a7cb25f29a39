"""inkarnat stills: pictures for looking at a correction, and one sheet of all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from ..graphs.errors import GraphError
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..media.clips import Clip, Frames, parse_frames
from ..shots.aims import aims_of
from ..shots.evidence import mattes_of
from ..shots.looks import check_view
from ..shots.stills import Shown, chosen_frames, earlier_stills, still_files, write_stills
from ..shots.viewing import open_view, view_id
from ..writes import claim, make_folder
from . import console
from .footage import Footage, footage_options, own_faces, tell_changed_look
from .options import project_option, read_line

Command = Callable[..., Any]


def stills_options(command: Command) -> Command:
    """Add --stills and --stills-frames to a verb that renders a correction; :class:`Stills` draws them."""
    for option in (
        click.option(
            "--stills-frames", metavar="RANGE", help="With --stills: the frames to draw (first, middle and last)."
        ),
        click.option(
            "--stills",
            metavar="DIR",
            help="Write pictures for looking at the correction there: the three befores, matte, scopes, clipped "
            "pixels, and a sheet of all.",
        ),
    ):
        command = option(command)
    return command


@dataclass(frozen=True)
class Stills:
    """Where stills go, and which frames they show; what a verb was asked."""

    folder: str
    frames: tuple[int, ...] | None

    @classmethod
    def read(cls, options: dict[str, Any]) -> Stills | None:
        """Take the options of :func:`stills_options` out of ``options``. Raises GraphError, FrameRangeError."""
        folder, frames = options.pop("stills"), options.pop("stills_frames")
        if folder is None:
            if frames is not None:
                raise GraphError("--stills-frames is for stills: give --stills DIR too.")
            return None
        return cls(folder, tuple(parse_frames(frames)) if frames else None)

    def chosen(self, clip: Clip, written: Sequence[int] | Frames | None = None) -> list[int]:
        """Return the frames that are drawn. Raises GraphError for one that is not there."""
        return chosen_frames(self.frames, list(written if written is not None else clip.frames), clip.missing)

    def files(self, shown: Shown, clip: Clip, frames: Sequence[int]) -> dict[str, Path]:
        """Make the folder, and return what will be written there, by name. Raises OutputError."""
        check_stills_names(self.folder)
        make_folder(self.folder)
        return still_files(shown, clip.path, frames, self.folder)

    def draw(
        self,
        graph: Graph,
        clip: Clip,
        frames: Sequence[int],
        view: str | None,
        reference: int | None,
        line: float,
        quiet: bool,
    ) -> Path:
        """Draw them, and return the sheet. Raises as :func:`~..shots.stills.write_stills`."""
        files = self.files(Shown.of(graph), clip, frames)
        aim = next(iter(aims_of(graph, mattes_of(graph), line=line).values()))
        with console.progress(len(frames), quiet, "stills") as advance:
            write_stills(graph, clip, files, frames, open_view(view), reference, aim.angle, advance)
        if earlier := earlier_stills(files):
            which = earlier[0] if len(earlier) == 1 else f"{earlier[0]} to {earlier[-1]} ({len(earlier)} files)"
            console.note(f"in {self.folder}, {which}: of an earlier run, perhaps of another state; remove what is old")
        return files["sheet"]


@click.command()
@click.argument("clip", metavar="FILE")
@click.option("--graph", "graph_file", required=True, metavar="G.json", help="The correction to look at.")
@click.option("-o", "--out", "folder", required=True, metavar="DIR", help="Where the pictures go; it is made.")
@click.option("--frames", metavar="RANGE", help="Frames to draw, such as 1,24,48 (first, middle and last).")
@click.option(
    "--reference", type=int, metavar="FRAME", help="The frame whose trace lies beneath the others' (the first drawn)."
)
@click.option("--view", metavar="TRANSFORM", help="Draw through this transform: a CLF or ocio:SPACE/DISPLAY/VIEW.")
@footage_options
@project_option
@click.option("--json", "as_json", is_flag=True, help="Print the names of the pictures as JSON.")
def command(clip: str, graph_file: str, folder: str, as_json: bool, **options: Any) -> None:
    """Write pictures for looking at a correction: of each frame the three befores, the matte, the scopes.

    FILE is what the graph corrects: a picture, a sequence or a clip. Of each frame there are as shot, light only (with
    levels and saturation, before skin is moved) and final (and without the look, where there is one); the matte, and
    the picture with its surroundings dimmed; clipped pixels in colour; the vectorscope of the keyed skin, magnified
    twice, with the reference's trace beneath; and waveforms of luma and parade, of the whole picture and of the skin,
    its median level marked. The sheet shows all.

    \b
    Three frames of a clip:     inkarnat stills planing.mov --graph planing.json -o stills
    Frames that you choose:     inkarnat stills planing.mov --graph planing.json -o stills --frames 1,17,40
    """
    seen, view = view_id(options["view"]), options["view"]
    open_view(view)
    footage = Footage.of(options).meant({STANDARD_SOURCE: clip})
    graph = Graph.load(graph_file)
    check_view(graph, seen)
    tell_changed_look(graph)
    stills = Stills(folder, tuple(parse_frames(options["frames"])) if options["frames"] else None)
    graph, line = footage.around(graph), read_line(options)
    with footage.open(clip, graph) as opened:
        graph = own_faces(graph, opened)
        frames = stills.chosen(opened)
        reference = options["reference"]
        if reference is not None and reference not in opened.frames:
            raise GraphError(f"The reference, frame {reference}, is not in {clip}.")
        files = stills.files(Shown.of(graph), opened, frames)
        claim(files.values())
        sheet = stills.draw(graph, opened, frames, view, reference, line, as_json)
    if as_json:
        names: Mapping[str, str] = {name: str(path) for name, path in files.items()}
        console.print_json({"input": clip, "graph": graph_file, "frames": frames, "sheet": str(sheet), "stills": names})
        return
    console.say(f"{len(files) - 1} stills of {len(frames)} frame{'s' * (len(frames) != 1)}: {folder}")
    console.say(f"sheet: {sheet}")


def check_stills_names(folder: str) -> None:
    """Raise GraphError where the folder's name is that of a file."""
    if Path(folder).is_file():
        raise GraphError(f"{folder} is a file: name a folder for the stills.")
