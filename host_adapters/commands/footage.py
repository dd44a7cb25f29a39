"""Options about the footage itself: how a clip is to be read, and in which colour space it comes and goes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import click

from ...kernels.codes import SITING
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.parts import accepted_keys
from ..media.clips import Clip, VideoClip, open_clip, runs
from ..media.video_read import DAMAGED
from ..shots.runs import reading_words
from . import console

Command = Callable[..., Any]

AUTO = "auto"

FIELDS = {"refuse": False, "whole": True}


def footage_options(command: Command) -> Command:
    """Add the options of :func:`reading_options` and --input-space to a verb; :class:`Footage` reads them."""
    space = click.option(
        "--input-space",
        metavar="SPACE",
        help="Colour space of the footage, brought to BT.709 for the work and back: a short name such as hlg, pq or "
        "p3_d65, a name registered in colour-science, or CURVE:PRIMARIES; with :codes behind it where the curve counts "
        "on the whole scale of codes and the clip is studio range; or auto: the one that the clip states (plain BT.709 "
        "stays as it is).",
    )
    return reading_options(space(command))


def reading_options(command: Command) -> Command:
    """Add --matrix, --range, --siting, --fields and --damaged to a verb."""
    for option in reversed(
        (
            click.option(
                "--matrix",
                type=click.Choice(["601", "709", "2020"]),
                help="What the clip's Y′CbCr is made with, instead of its tag (untagged: 709 from 720 lines, or 601).",
            ),
            click.option(
                "--range",
                "extent",
                type=click.Choice(["studio", "full"]),
                help="Range of the clip's code values, instead of its tag (untagged: studio).",
            ),
            click.option(
                "--siting",
                type=click.Choice(list(SITING)),
                help="Where the clip's chroma sits (by codec: centre for JPEG, corner for BT.2020 4:2:0, or left).",
            ),
            click.option(
                "--fields",
                type=click.Choice(list(FIELDS)),
                default="refuse",
                show_default=True,
                help="Interlaced frames: refuse them, or take each whole, as if it were progressive.",
            ),
            click.option(
                "--damaged",
                type=click.Choice(list(DAMAGED)),
                default=DAMAGED[0],
                show_default=True,
                help="Frames that damage may reach: stop before the first, mark them (write them as they are decoded "
                "and name them), or drop them. The exit code is 4 with each.",
            ),
        )
    ):
        command = option(command)
    return command


def tell_changed_look(graph: Graph) -> None:
    """Say where the file of a graph's look is another now than the one that the graph took in."""
    if "look" in graph.notes():
        from ..shots.looks import changed_look

        note = changed_look(graph)
        if note is not None:
            console.note(note)


def own_faces(graph: Graph, clip: Clip, finished: bool = False) -> Graph:
    """Return the graph without what is true of another clip alone, and say so. Raises GraphError and InputError.

    A look whose file was changed since is told too.
    """
    tell_changed_look(graph)
    if not any(step.node.name == "face_matte" for step in graph.steps) and not accepted_keys(graph):
        return graph
    from ..shots.whose_faces import without_foreign_faces

    graph, note = without_foreign_faces(graph, clip, finished)
    if note is not None:
        console.note(note)
    return graph


def output_options(command: Command) -> Command:
    """Add --output-space to a verb that writes pictures."""
    return click.option(
        "--output-space", metavar="SPACE", help="Colour space of the output, where it is not that of the input."
    )(command)


@dataclass(frozen=True)
class Footage:
    """How the footage of a verb is to be read, and in which colour space it comes and goes."""

    assumed: dict[str, Any] = field(default_factory=dict)
    input_space: str | None = None
    output_space: str | None = None
    resolved: bool = False
    """Whether the colour space is the clip's own word, and was told."""

    @classmethod
    def of(cls, options: dict[str, Any]) -> Footage:
        """Take the options of :func:`footage_options` and :func:`output_options` out of ``options``."""
        extent = options.pop("extent")
        assumed = {
            "standard": options.pop("matrix"),
            "studio": None if extent is None else extent == "studio",
            "siting": options.pop("siting"),
            "interlaced": FIELDS[options.pop("fields")],
            **({} if (damaged := options.pop("damaged")) == DAMAGED[0] else {"damaged": damaged}),
        }
        return cls(assumed, options.pop("input_space", None), options.pop("output_space", None))

    def said(self) -> dict[str, Any]:
        """Return what was said of how clips are read, for a run file; empty where nothing was."""
        rest = {"interlaced": False}
        return {name: value for name, value in self.assumed.items() if value is not None and value != rest.get(name)}

    def words(self) -> list[str]:
        """Return it as the command line takes it."""
        spaces = {"--input-space": self.input_space, "--output-space": self.output_space}
        named = [word for name, value in spaces.items() if value is not None for word in (name, value)]
        return [*reading_words(self.assumed), *named]

    def open(self, path: str, through: Graph | None = None) -> Clip:
        """Open a clip and say what had to be assumed of it. Raises InputError.

        :param through: the graph that it is the plate of; one that converts it knows what it holds.
        """
        from ..graphs.colour_spaces import WORKING
        from ..media.colour_tags import space_notes

        clip = open_clip(path, **self.assumed)
        told = self.resolved or (through is not None and WORKING in through.by_id)
        for note in (*clip.notes, *(() if told else space_notes(clip, self.input_space))):
            console.note(note)
        return clip

    def meant(self, files: Mapping[str, str]) -> Footage:
        """Put the colour space that a clip states in place of ``auto``, and say which. Raises InputError.

        :param files: by the names of their sources; the clip is the one that :meth:`around` converts.
        """
        if self.input_space != AUTO or not files:
            return self
        with open_clip(files.get(STANDARD_SOURCE) or next(iter(files.values())), **self.assumed) as clip:
            from ..media.colour_tags import meaning_of

            meaning = meaning_of(clip)
        console.note(meaning.line())
        return replace(self, input_space=meaning.space, resolved=True)

    def tell_damage(self, clips: Iterable[Clip], frames: Collection[int], elsewhere: bool = False) -> bool:
        """Name written frames that damage may reach, one line a range, and tell whether there are any.

        :param frames: that were written. :param elsewhere: other processes read the clips.
        """
        if self.assumed.get("damaged") != "mark":
            return False
        written, found = set(frames), False
        for clip in clips:
            if isinstance(clip, VideoClip):
                for line in runs(number for number in clip.suspect(survey=elsewhere) if number in written):
                    found = True
                    console.warn(f"frames {line} of {clip.path} are suspect: damage may reach them; written as decoded")
        return found

    def around(self, graph: Graph) -> Graph:
        """Put the conversions around a graph. Raises ParamError, GraphError."""
        from ..graphs.colour_spaces import convert_around

        return convert_around(graph, self.input_space, self.output_space)

    def working(self, clip: Clip) -> Clip:
        """Return the clip in the working signal, for solving. Raises ParamError."""
        from ..graphs.colour_spaces import in_working

        working: Clip = in_working(clip, self.input_space)
        return working
