"""Options that several verbs share: people, samples on frames, regions and targets, and how they are read."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import click
from click.core import ParameterSource

from ...nodes import Sample, SampleError, SkinTarget
from ..graphs.errors import GraphError
from ..graphs.graph import Step
from ..graphs.parts import Hand
from ..graphs.typed import CONTROLS, read_typed
from ..shots.people import PROJECT_FILE, People, Person
from ..shots.regions import REGION_HELP, read_as_before, read_region
from ..shots.solving import Mark, SolveOptions, SubjectMarks
from . import console

Command = Callable[..., Any]

SAMPLE_HELP = (
    "point:x,y, box:x0,y0,x1,y1 (two corners) or stroke:x,y;x,y;…/radius, in parts of the frame (0 to 1, from the top "
    "left corner); "
    "@frame behind it names the frame it is marked on."
)


def sample_options(command: Command) -> Command:
    """Add --subject, --add, --subtract, --keep-in, --keep-out, --neutral and --frame to a verb."""
    return _with(command, *_PERSON_SAMPLES, *_COMMON_SAMPLES)


def target_options(command: Command) -> Command:
    """Add --target-angle, --bias, --target-ratio and --rest to a verb."""
    return _with(command, *_PERSON_TARGET)


def person_options(command: Command) -> Command:
    """Add --person and --project to a verb."""
    return project_option(_with(command, *_PERSON_APPROVED))


def typed_options(command: Command) -> Command:
    """Add every option that sets a value by hand, from :data:`~..graphs.typed.CONTROLS`."""
    return _with(command, *_TYPED, *_TYPED_SKIN)


def black_option(command: Command) -> Command:
    """Add --neutral-black to a verb."""
    return click.option(
        "--neutral-black",
        metavar="SAMPLE",
        help="Something black or in deep shadow: its colour is taken out of the blacks, component by component.",
    )(command)


def _typed(subject: bool) -> tuple[Any, ...]:
    return tuple(
        click.option(f"--{control.option}", control.name, metavar=control.metavar(), help=control.help())
        for control in CONTROLS
        if control.subject == subject
    )


_TYPED, _TYPED_SKIN = _typed(False), _typed(True)


def read_hands(options: Mapping[str, Any], lines: int | None = None) -> dict[str, Hand]:
    """Read what is set by hand, by option. Raises GraphError that names the option.

    :param lines: the frame's height, for sizes in pixels; None checks all else and leaves those out.
    """
    found = {}
    for control in CONTROLS:
        text = options.get(control.name)
        hand = None if text is None else read_typed(control, text, lines)
        if hand is not None:
            found[control.option] = hand
    return found


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
        "--keep-in",
        multiple=True,
        metavar="SHAPE",
        help=f"Limit the key to a shape, or to several together: {REGION_HELP} Or a REGION.json of `inkarnat track`.",
    ),
    click.option("--keep-out", multiple=True, metavar="SHAPE", help="Take a shape out of the key; as --keep-in."),
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
    "person",
    params=click.command()(
        _with(lambda: None, *_PERSON_SAMPLES, *_PERSON_TARGET, *_PERSON_APPROVED, *_TYPED_SKIN)
    ).params,
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
        common, groups = _grouped(_renamed(args))
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


_OLD_NAMES = {"--region": "--keep-in"}
_SHAPES = ("--keep-in", "--keep-out")


def _renamed(args: Sequence[str]) -> list[str]:
    """Return the words with today's names for options of version 0.1.0; say so, and what a box may be mistaken for."""
    renamed, option = [], ""
    for word in args:
        name, sign, value = word.partition("=")
        if name in _OLD_NAMES:
            console.warn(f"{name} is now called {_OLD_NAMES[name]}; the old name goes with the next release.")
            name = _OLD_NAMES[name]
        shape = value if sign and name in _SHAPES else word if option in _SHAPES else ""
        if said := read_as_before(shape):
            console.note(f"{name if sign else option} {said}")
        option = "" if sign else name
        renamed.append(name + sign + value)
    return renamed


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
                raise click.UsageError(f"{_SUBJECT} wants a name of letters a to z, digits, _ and -, not {name!r}.")
            current = groups.setdefault(name, [])
        elif option in _PERSON_WORDS:
            current += [word] if sign else [word, *itertools.islice(words, 1)]
        else:
            common.append(word)
    return common, list(groups.items())


def read_subjects(
    options: Mapping[str, Any], people: Sequence[Named] = (), lines: int | None = None
) -> tuple[SubjectMarks, ...]:
    """Read who is in a clip, and where they are marked, from the options of a verb.

    A person's own options go before those for everyone, but --subtract and --keep-out add up.

    Raises GraphError for samples that belong to nobody, SampleError and whatever reading a region or person raises.
    """
    if people and options["add"]:
        raise GraphError(f"--add {options['add'][0]} stands before the first --subject: say whose skin it is.")
    subjects = []
    for name, given in people or [("", {})]:
        own = {**options, **given, "subtract": (*options["subtract"], *given.get("subtract", ()))}
        own["keep_out"] = (*options["keep_out"], *given.get("keep_out", ()))
        add, subtract = (tuple(parse_mark(text) for text in own[kind]) for kind in ("add", "subtract"))
        person = read_person(own)
        target = read_target(own, person) if "target_angle" in own else None
        hands = read_hands(given, lines)
        subjects.append(SubjectMarks(name, add, subtract, target, person, _shapes(own), hands))
    return tuple(subjects)


def _shapes(own: Mapping[str, Any]) -> dict[str, Step]:
    """Return the shapes of a person by the words of their ids. Raises as :func:`read_region`."""
    given = {"in": own["keep_in"], "out": own["keep_out"]}
    return {
        f"{word}{number}": read_region(text) for word, texts in given.items() for number, text in enumerate(texts, 1)
    }


def solve_options(
    options: Mapping[str, Any], people: Sequence[Named] = (), lines: int | None = None, **others: Any
) -> SolveOptions:
    """Return how a clip is to be solved: who is marked where, and what else the verb asks. Raises as above.

    :param lines: the frame's height; None where nothing but what is wrong is of interest.
    """
    neutral, black = (parse_mark(options[name]) if options.get(name) else None for name in ("neutral", "neutral_black"))
    others.setdefault("line", read_line(options))
    others.setdefault("typed", read_hands(options, lines))
    return SolveOptions(read_subjects(options, people, lines), neutral, options["frame"], black=black, **others)


def parse_mark(text: str) -> Mark:
    """Read ``SAMPLE`` or ``SAMPLE@FRAME``. Raises SampleError for one that cannot be read."""
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
