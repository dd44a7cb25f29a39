"""Options that several verbs share: people, samples on frames, regions and targets, and how they are read."""

from __future__ import annotations

import dataclasses
import itertools
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import click
from click.core import ParameterSource

from ...nodes import Correction, MarkedFrame, Region, Sample, SampleError, SkinTarget, Subject
from ..graphs.errors import GraphError
from ..graphs.graph import Step
from ..graphs.standard import Keyed
from ..media.clips import Clip
from ..shots.faces import Seeded, seed
from ..shots.people import PROJECT_FILE, People, Person
from ..shots.regions import REGION_HELP, read_region

Command = Callable[..., Any]

SAMPLE_HELP = (
    "point:x,y, box:x0,y0,x1,y1 or stroke:x,y;x,y;…/radius, in parts of the frame (0 to 1, from the top left corner); "
    "@frame behind it names the frame it is marked on."
)


def sample_options(command: Command) -> Command:
    """Add --subject, --add, --subtract, --region, --neutral and --frame to a verb."""
    return _with(command, *_PERSON_SAMPLES, *_COMMON_SAMPLES)


def target_options(command: Command) -> Command:
    """Add --target-angle, --bias, --target-ratio and --rest to a verb."""
    return _with(command, *_PERSON_TARGET)


def person_options(command: Command) -> Command:
    """Add --person and --project to a verb."""
    return project_option(_with(command, *_PERSON_APPROVED))


def project_option(command: Command) -> Command:
    """Add --project to a verb."""
    option = click.option(
        "--project", default=PROJECT_FILE, show_default=True, metavar="FILE", help="The project file with the people."
    )
    return option(command)


def read_person(options: Mapping[str, Any]) -> Person | None:
    """Return the approved person that the options name, or None. Raises InputError and PeopleError."""
    name = options.get("person")
    return People.load(options["project"]).find(name) if name else None


def _with(command: Command, *options: Callable[[Command], Command]) -> Command:
    for option in reversed(options):
        command = option(command)
    return command


_PERSON_SAMPLES = (
    click.option("--add", multiple=True, metavar="SAMPLE", help=f"Skin: {SAMPLE_HELP}"),
    click.option("--subtract", multiple=True, metavar="SAMPLE", help="What must stay out of the key."),
    click.option(
        "--region",
        metavar="SHAPE",
        help=f"Limit the key to a region: {REGION_HELP} Or a REGION.json of `inkarnat track`.",
    ),
)

_COMMON_SAMPLES = (
    click.option(
        "--subject",
        multiple=True,
        expose_value=False,
        metavar="NAME",
        help="Begin another person: the options about skin that follow are about NAME alone. Where two people overlap, "
        "the likelier of them wins softly.",
    ),
    click.option("--neutral", metavar="SAMPLE", help="Something grey or white, to balance the light by."),
    click.option("--frame", type=int, help="The frame that samples without @frame are on (the first)."),
)

_PERSON_TARGET = (
    click.option(
        "--target-angle",
        type=float,
        metavar="DEGREES",
        help="Where the skin should rest on the vectorscope (the line that the project uses, 123 where it names none).",
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
        "--rest",
        type=click.Choice(["centre", "edge"]),
        default="centre",
        show_default=True,
        help="Rest the centre of the skin's energy on the target, or its edge: the energy then lies on the side that "
        "--bias names.",
    ),
)

_PERSON_APPROVED = (
    click.option("--person", metavar="NAME", help="Match the approved reading of this person: see `inkarnat person`."),
)


# --- several people -----------------------------------------------------------------------------------------

Named = tuple[str, dict[str, Any]]
"""A name and what was given for that subject alone, by parameter name."""

_PERSON = click.Command(
    "person", params=click.command()(_with(lambda: None, *_PERSON_SAMPLES, *_PERSON_TARGET, *_PERSON_APPROVED)).params
)
_PERSON_WORDS = frozenset(word for param in _PERSON.params for word in param.opts)
_SUBJECT = "--subject"
_SUBJECT_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")


class SubjectsCommand(click.Command):
    """A verb that takes several people: options behind ``--subject NAME`` go to that person.

    The command receives them as ``people``, a list of (name, options given); empty where nobody is named.
    """

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Take out what is said about people, then read the rest as usual."""
        common, groups = _grouped(args)
        rest = super().parse_args(ctx, common)
        ctx.params["people"] = [(name, self._given(ctx, name, words)) for name, words in groups]
        return rest

    def _given(self, ctx: click.Context, name: str, words: list[str]) -> dict[str, Any]:
        own = {param.name for param in self.params}
        inner = _PERSON.make_context(f"{ctx.command_path} {_SUBJECT} {name}", words, parent=None)
        given = {
            key: value
            for key, value in inner.params.items()
            if inner.get_parameter_source(key) == ParameterSource.COMMANDLINE
        }
        for key in given:
            if key not in own:
                raise click.UsageError(f"No such option for {_SUBJECT} {name}: --{key.replace('_', '-')}.", ctx)
        return given


def _grouped(args: Sequence[str]) -> tuple[list[str], list[tuple[str, list[str]]]]:
    """Part the words of a command line into those about the whole job and those about each person."""
    common: list[str] = []
    groups: dict[str, list[str]] = {}
    words, current = iter(args), common
    for word in words:
        option, sign, value = word.partition("=")
        if option == _SUBJECT:
            name = value if sign else next(words, "")
            if not _SUBJECT_NAME.fullmatch(name):
                raise click.UsageError(f"{_SUBJECT} wants a name of letters, digits, _ and -, not {name!r}.")
            current = groups.setdefault(name, [])
        elif option in _PERSON_WORDS:
            current += [word] if sign else [word, *itertools.islice(words, 1)]
        else:
            common.append(word)
    return common, list(groups.items())


@dataclass(frozen=True)
class Cast:
    """Everyone to be corrected in a clip, with their regions.

    :ivar subjects: one without a name, or several with names. :ivar regions: the step of each one's region, by name.
    :ivar approved: the approved person that each is matched to, by name. :ivar seeded: the faces that were added where
        little or nothing was marked, by name.
    """

    subjects: tuple[Subject, ...]
    regions: Mapping[str, Step]
    approved: Mapping[str, Person]
    seeded: Mapping[str, Seeded]

    @classmethod
    def read(
        cls,
        clip: Clip,
        options: Mapping[str, Any],
        people: Sequence[Named] = (),
        follow: Callable[[Step, int], Step] | None = None,
    ) -> Cast:
        """Read who is in a clip from the options of a verb.

        :param options: those for everyone; a person's own go before them, but --subtract adds up.
        :param follow: makes a region that stands still follow the clip, from the frame on which it is drawn.

        Raises GraphError for samples that belong to nobody, SampleError and whatever reading a region raises.
        """
        if people and options["add"]:
            raise GraphError(f"--add {options['add'][0]} stands before the first --subject: say whose skin it is.")
        subjects, regions, approved, seeded = [], {}, {}, {}
        for name, given in people or [("", {})]:
            own = {**options, **given, "subtract": (*options["subtract"], *given.get("subtract", ()))}
            marks = Marks.read(own["add"], own["subtract"], options["neutral"], options["frame"])
            marked = marks.on(clip)
            # Faces stand in for samples of everyone; of whom they are, nobody can tell.
            seeded[name] = Seeded(marked) if name and not own["add"] else seed(marked)
            frames = seeded[name].frames
            step = read_region(own["region"]) if own["region"] else None
            if step is not None and follow is not None and not step.keyed:
                step = follow(step, frames[0].frame)
            if step is not None:
                regions[name] = step
            person = read_person(own)
            if person is not None:
                approved[name] = person
            target = read_target(own, person) if "target_angle" in own else None
            subjects.append(Subject(name, frames, target, _region_at(step)))
        return cls(tuple(subjects), regions, approved, seeded)

    def faces(self) -> list[dict[str, Any]]:
        """Return the faces that seeded a key, as plain JSON data."""
        return [face for seeded in self.seeded.values() for face in seeded.as_dict()]

    def warned(self, correction: Correction) -> Correction:
        """Return the correction with what there is to say about faces among its warnings."""
        people = tuple(
            dataclasses.replace(person, warnings=(*person.warnings, *self.seeded[person.name].warnings))
            for person in correction.people
        )
        return dataclasses.replace(correction, people=people)

    def keyed(self) -> dict[str, Keyed]:
        """Return what changes over time in the regions, by the id of their nodes."""
        return {f"region-{name}" if name else "region": step.keyed for name, step in self.regions.items()}


def _region_at(step: Step | None) -> Callable[[int], Region] | None:
    if step is None:
        return None

    def region_at(frame: int) -> Region:
        node = step.node_at(frame)
        assert isinstance(node, Region)
        return node

    return region_at


# --- samples ------------------------------------------------------------------------------------------------


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


def read_target(options: Mapping[str, Any], person: Person | None = None) -> SkinTarget:
    """Return the target that the options describe: with the hue and saturation of an approved person, where given.

    Raises ReadingError, GraphError where the options name another angle or ratio beside the person, or an edge without
    its side, and PeopleError for a damaged project file.
    """
    bias, angle, ratio = options["bias"], options["target_angle"], options["target_ratio"]
    landing = "centre"
    if options["rest"] == "edge":
        if not bias:
            raise GraphError("--rest edge needs a side: give --bias, above 0 for yellower and below 0 for redder.")
        landing = "yellower" if bias > 0 else "redder"
    if person is None:
        line = read_line(options) if angle is None else angle
        return SkinTarget(angle=line, bias=bias, ratio=ratio, landing=landing)
    if (angle, ratio) != (None, None):
        raise GraphError("Give --person, or --target-angle and --target-ratio, not both: the person brings its own.")
    return SkinTarget(angle=person.angle, ratio=person.ratio, bias=bias, landing=landing)


def read_line(options: Mapping[str, Any]) -> float:
    """Return the line that the project uses, degrees. Raises PeopleError for a damaged project file."""
    return People.load(options["project"], may_lack=True).line


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
