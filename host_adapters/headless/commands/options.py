"""Options that several verbs share: samples on frames, the target, how footage is read, and what they mean."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import click

from ....kernels.codes import SITING
from ....nodes import MarkedFrame, Sample, SampleError, SkinTarget
from .. import console
from ..clips import Clip, open_clip
from ..errors import GraphError
from ..graph import Graph

Command = Callable[..., Any]

SAMPLE_HELP = (
    "point:x,y, box:x0,y0,x1,y1 or stroke:x,y;x,y;…/radius, in parts of the frame (0 to 1, from the top left corner); "
    "@frame behind it names the frame it is marked on."
)


def sample_options(command: Command) -> Command:
    """Add --add, --subtract, --neutral and --frame to a verb."""
    for option in reversed(
        (
            click.option("--add", multiple=True, metavar="SAMPLE", help=f"Skin: {SAMPLE_HELP}"),
            click.option("--subtract", multiple=True, metavar="SAMPLE", help="What must stay out of the key."),
            click.option("--neutral", metavar="SAMPLE", help="Something grey or white, to balance the light by."),
            click.option("--frame", type=int, help="The frame that samples without @frame are on (the first)."),
        )
    ):
        command = option(command)
    return command


def target_options(command: Command) -> Command:
    """Add --target-angle, --bias, --target-ratio and --landing to a verb."""
    for option in reversed(
        (
            click.option(
                "--target-angle",
                type=float,
                default=SkinTarget.angle,
                show_default=True,
                metavar="DEGREES",
                help="Where the skin should rest on the vectorscope: the skin line, or an approved reading.",
            ),
            click.option(
                "--bias",
                type=float,
                default=0.0,
                show_default=True,
                metavar="DEGREES",
                help="To one side of it: above 0 yellower, below 0 redder.",
            ),
            click.option(
                "--target-ratio",
                type=float,
                metavar="RATIO",
                help="Chroma/luma to reach, from an approved reading; without it the saturation stays.",
            ),
            click.option(
                "--landing",
                type=click.Choice(["centre", "redder", "yellower"]),
                default="centre",
                show_default=True,
                help="Rest the centre of the skin's energy on the target, or its edge with the energy on that side.",
            ),
        )
    ):
        command = option(command)
    return command


FIELDS = {"refuse": False, "whole": True}


def footage_options(command: Command) -> Command:
    """Add --matrix, --range, --siting, --fields and --input-space to a verb; :class:`Footage` reads them."""
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
                "--input-space",
                metavar="SPACE",
                help="Colour space of the footage, brought to BT.709 for the work and back: a short name such as hlg, "
                "pq or p3_d65, a name registered in colour-science, or CURVE:PRIMARIES; with :codes behind it where "
                "the curve counts on the whole scale of codes and the clip is studio range.",
            ),
        )
    ):
        command = option(command)
    return command


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

    @classmethod
    def of(cls, options: dict[str, Any]) -> Footage:
        """Take the options of :func:`footage_options` and :func:`output_options` out of ``options``."""
        extent = options.pop("extent")
        assumed = {
            "standard": options.pop("matrix"),
            "studio": None if extent is None else extent == "studio",
            "siting": options.pop("siting"),
            "interlaced": FIELDS[options.pop("fields")],
        }
        return cls(assumed, options.pop("input_space"), options.pop("output_space", None))

    def open(self, path: str) -> Clip:
        """Open a clip and say what had to be assumed of it. Raises InputError."""
        from ..colour_spaces import space_notes

        clip = open_clip(path, **self.assumed)
        for note in (*clip.notes, *space_notes(clip, self.input_space)):
            console.warn(f"note: {note}")
        return clip

    def around(self, graph: Graph) -> Graph:
        """Put the conversions around a graph. Raises ParamError, GraphError."""
        from ..colour_spaces import convert_around

        return convert_around(graph, self.input_space, self.output_space)

    def working(self, clip: Clip) -> Clip:
        """Return the clip in the working signal, for solving. Raises ParamError."""
        from ..colour_spaces import in_working

        working: Clip = in_working(clip, self.input_space)
        return working


@dataclass(frozen=True)
class Marks:
    """Samples by frame, as they stand on the command line."""

    add: tuple[tuple[int | None, Sample], ...]
    subtract: tuple[tuple[int | None, Sample], ...]
    neutral: tuple[int | None, Sample] | None
    frame: int | None

    @classmethod
    def read(cls, add: Sequence[str], subtract: Sequence[str], neutral: str | None, frame: int | None = None) -> Marks:
        """Read the options. Raises SampleError for one that cannot be read."""
        return cls(
            tuple(_at_frame(text) for text in add),
            tuple(_at_frame(text) for text in subtract),
            _at_frame(neutral) if neutral else None,
            frame,
        )

    def on(self, clip: Clip) -> list[MarkedFrame]:
        """Read the marked frames of a clip, the reference first. Raises SampleError for a frame it does not have."""
        first = self.frame if self.frame is not None else clip.frames[0]
        named = [self.neutral] if self.neutral else []
        frames = {first: None} | {first if at is None else at: None for at, _ in (*self.add, *self.subtract, *named)}
        for number in frames:
            if number not in clip.frames:
                raise SampleError(
                    f"Frame {number} is not in {clip.path}: it has the frames {clip.frames[0]} to {clip.frames[-1]}."
                )

        def chosen(marks: Sequence[tuple[int | None, Sample]], number: int) -> tuple[Sample, ...]:
            return tuple(sample for at, sample in marks if (first if at is None else at) == number)

        return [
            MarkedFrame(
                number,
                clip.read(number),
                chosen(self.add, number),
                chosen(self.subtract, number),
                next(iter(chosen(named, number)), None),
            )
            for number in frames
        ]


def _at_frame(text: str) -> tuple[int | None, Sample]:
    body, at, number = text.rpartition("@")
    if not at:
        return None, Sample.parse(text)
    try:
        return int(number), Sample.parse(body)
    except ValueError as error:
        if isinstance(error, SampleError):
            raise
        raise SampleError(f"Sample {text!r} must name a whole frame number behind @, not {number!r}.") from None


def read_target(target_angle: float, bias: float, target_ratio: float | None, landing: str) -> SkinTarget:
    """Return the target that the options describe."""
    return SkinTarget(angle=target_angle, bias=bias, ratio=target_ratio, landing=landing)


def named_files(pairs: Sequence[str], option: str) -> dict[str, str]:
    """Read NAME=FILES pairs. Raises GraphError for one without a name or given twice."""
    files: dict[str, str] = {}
    for pair in pairs:
        name, sign, path = pair.partition("=")
        if not sign or not name or not path:
            raise GraphError(f"{option} wants NAME=FILES, such as plate=shot.mov, not {pair!r}.")
        if name in files:
            raise GraphError(f"{option} names {name!r} twice.")
        files[name] = path
    return files
