"""inkarnat bench: how fast, how soon and how accurate the program is, measured on this machine."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

import click

from . import console

if TYPE_CHECKING:
    from ..bench.speed import Speed

_ELSEWHERE = {"accuracy": "bench_accuracy"}
"""Measurements whose options need the whole program: the module that holds each, loaded when it is used."""


_CARD_SIZES = {"360p": (640, 360), "1080p": (1920, 1080), "2160p": (3840, 2160), "4320p": (7680, 4320)}


class Measurements(click.Group):
    """The measurements by name; without a name, the speed."""

    def list_commands(self, context: click.Context) -> list[str]:
        """Return the names in alphabetical order."""
        return sorted([*self.commands, *_ELSEWHERE])

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        """Return a measurement; None where there is no such one."""
        if name not in _ELSEWHERE:
            return super().get_command(context, name)
        module = importlib.import_module(f".{_ELSEWHERE[name]}", __package__)
        command: click.Command = getattr(module, name)
        return command

    def parse_args(self, context: click.Context, args: list[str]) -> list[str]:
        """Measure the speed where no measurement is named."""
        named = args and (args[0] in self.list_commands(context) or args[0] in context.help_option_names)
        return super().parse_args(context, args if named or (args and args[0][0] != "-") else ["speed", *args])


@click.group(cls=Measurements)
def command() -> None:
    """Measure the program itself."""


@command.command(short_help="Time a graphics card, and compare it with the processor.")
@click.option("--size", type=click.Choice(list(_CARD_SIZES)), default="2160p", show_default=True)
@click.option("--device", default="cuda", show_default=True, metavar="cuda[:N]", help="The card.")
@click.option("--rounds", type=click.IntRange(3, 200), default=20, show_default=True, help="Times that each is timed.")
@click.option("--accuracy", is_flag=True, help="Compare with the processor on every accuracy case; time nothing.")
@click.option(
    "--pictures",
    type=click.Path(exists=True, file_okay=False),
    help="With --accuracy: further pictures, as `bench accuracy --pictures` takes them.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the run as JSON.")
def gpu(size: str, device: str, rounds: int, accuracy: bool, pictures: str | None, as_json: bool) -> None:
    """Correct 10-bit 4:2:2 frames on a graphics card, and compare with the card's own copy rate.

    Matte and picture are compared with the processor's first. The time of a step is the device's own.

    \b
    inkarnat bench gpu --size 4320p
    inkarnat bench gpu --accuracy --pictures people
    """
    from ..bench.card import measure_card

    if pictures is not None and not accuracy:
        raise click.UsageError("--pictures goes with --accuracy.")
    if accuracy:
        _compare_card(device, pictures, as_json)
        return

    run = measure_card(*_CARD_SIZES[size], rounds, device)
    if as_json:
        console.print_json(run.as_dict())
        return
    console.say(f"{run.card}, {run.software}, {run.size[0]}×{run.size[1]}, 10-bit 4:2:2, {rounds} rounds")
    rows = [
        (step.name, f"{step.ms:.3f} ms", f"{step.bytes / 1e6:.0f} MB", f"{step.share_of_copy:.2f}")
        for step in run.steps
    ]
    rows.append(("planes to planes", f"{run.chain_ms:.3f} ms", "", ""))
    console.print_table(("step", "a frame", "bytes to move", "of the copy's rate"), rows)
    console.say(f"copy: {run.copy_bytes_per_second / 1e9:.0f} GB/s, read and written")
    console.say(f"from and to planes of the processor: {run.frames_per_second:.0f} frames a second")
    console.say(
        f"largest difference from the processor: matte {run.matte_difference:.1e}, "
        f"picture {run.picture_difference:.1e}, codes {run.code_difference} ({run.other_codes:.1e} of them differ)"
    )
    console.say("two runs: " + ("the same bits" if run.again_same_bits else "DIFFERENT BITS"))


def _compare_card(device: str, pictures: str | None, as_json: bool) -> None:
    """Compare a card's results with the processor's. Raises DeviceError without a card, or where they differ."""
    from ...kernels import devices
    from ...kernels.cuda.found import find_card, software
    from ..bench.card_accuracy import card_cases
    from ..bench.pictures import photos
    from ..detect import faces

    name = devices.parse(device)
    card = devices.opened(name)
    if card is None:
        raise click.UsageError("--device must name a graphics card: cuda, or cuda:1 for the second.")
    cuda, card_name = find_card(int(name.partition(":")[2]))
    found = [] if pictures is None else list(photos(pictures))
    cases = list(card_cases(card, found, faces.find_face_mattes if faces.available() else None))
    if as_json:
        console.print_json({"card": card_name, "software": software(cuda), "cases": [c.as_dict() for c in cases]})
    else:
        console.say(f"{card_name}, {software(cuda)}: {len(cases)} pictures against the processor")
        rows = []
        for group, input in dict.fromkeys((case.group, case.input) for case in cases):
            own = [case for case in cases if (case.group, case.input) == (group, input)]
            largest = (f"{max(case.matte for case in own):.1e}", f"{max(case.picture for case in own):.1e}")
            same, alike = (all(getattr(case, name) for case in own) for name in ("again_same_bits", "bad_pixels_alike"))
            words = ("the same" if same else "DIFFERENT", "stay where they are" if alike else "SPREAD")
            rows.append((f"{group}, {input}", str(len(own)), *largest, *words))
        console.print_table(("pictures", "number", "matte", "picture", "bits of two runs", "bad pixels"), rows)
    off = [case for case in cases if not case.holds]
    if off:
        worst = max(off, key=lambda case: case.matte)
        raise devices.DeviceError(
            f"{len(off)} of {len(cases)} pictures differ from the processor's by more than 0.001 in the matte or half "
            f"a 10-bit code: {worst.name} ({worst.input}) by {worst.matte:.2g} and {worst.picture:.2g}."
        )


@command.command(short_help="Time kernels and chains beside other libraries.")
@click.option("--size", type=click.Choice(["360p", "1080p", "2160p", "4320p"]), default="2160p", show_default=True)
@click.option("--threads", default="1,2", show_default=True, help="Thread counts, separated by commas, or all.")
@click.option("--channels", type=click.Choice(["RGB", "RGBA"]), default="RGB", show_default=True)
@click.option(
    "--input",
    "kind",
    type=click.Choice(["float32", "float16", "uint8", "uint16"]),
    default="float32",
    show_default=True,
    help="What the picture comes as.",
)
@click.option("--library", "libraries", multiple=True, help="Compare with this library alone; none: inkarnat. (all)")
@click.option("--quick", is_flag=True, help="Three rounds and one size.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--markdown", is_flag=True, help="Print the table as Markdown, with date, machine and command.")
def speed(
    size: str,
    threads: str,
    channels: str,
    kind: str,
    libraries: tuple[str, ...],
    quick: bool,
    as_json: bool,
    markdown: bool,
) -> None:
    """Time kernels and chains, ours and those of other libraries, against a copy of the frame.

    All rows are timed in turn in one run; every other library is checked to compute the same before it is timed.

    \b
    inkarnat bench
    inkarnat bench speed --size 1080p --input uint8 --quick
    inkarnat bench speed --markdown
    """
    from ..bench import speed as measuring
    from ..bench import telling

    if as_json and markdown:
        raise click.UsageError("Give --json or --markdown, not both.")
    setting = measuring.Setting(size, _counts(threads), channels, kind, quick, _libraries(libraries))
    tell = (lambda line: None) if as_json or markdown else console.warn
    result = measuring.measure_speed(setting, tell)
    if as_json:
        console.print_json(result.as_dict())
    elif markdown:
        console.say(telling.speed_markdown(result))
    else:
        _print_speed(result)


def _libraries(names: tuple[str, ...]) -> tuple[str, ...]:
    from ..bench.peers import PEERS
    from ..bench.timing import OURS

    known = [OURS, *(peer.name for peer in PEERS)]
    for name in names:
        if name not in known:
            raise click.UsageError(f"--library must be one of {'; '.join(known)}, not {name!r}.")
    return names


def _counts(text: str) -> tuple[int, ...]:
    if text.strip() == "all":
        from ...kernels.strips import thread_count

        most = thread_count()
        return tuple(sorted({1, most, *(2**power for power in range(most.bit_length()) if 2**power <= most)}))
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isdigit() and 1 <= int(part) <= 256 for part in parts):
        raise click.UsageError(f"--threads must be numbers from 1 to 256 separated by commas, or all, not {text!r}.")
    return tuple(sorted({1, *(int(part) for part in parts)}))


def _print_speed(result: Speed) -> None:
    from ..bench import telling

    console.print_table(telling.SPEED_COLUMNS, telling.speed_rows(result), title=result.setting.words())
    if len(result.setting.threads) > 1:
        columns, rows = telling.scaling(result)
        console.print_table(columns, rows, title="milliseconds by threads")
    console.print_table(telling.TARGET_COLUMNS, telling.target_rows(result), title="targets")
    for line in result.left_out:
        console.say(line)


@command.command(short_help="Time how soon the program is there.")
@click.option("--rounds", type=click.IntRange(1, 20), default=3, show_default=True, help="Runs of each warm start.")
@click.option("--json", "as_json", is_flag=True, help="Print the times as JSON.")
def start(rounds: int, as_json: bool) -> None:
    """Time how soon the program is there: imports, verbs and the first corrected frame, warm and cold.

    Each start is a process of its own; the cold one begins with an empty cache of compiled kernels.
    """
    from ..bench.start import measure_start

    starts = measure_start(rounds, (lambda line: None) if as_json else console.warn)
    if as_json:
        console.print_json([start.as_dict() for start in starts])
        return
    rows = [(s.name, f"{s.seconds:.2f} s", f"≤ {s.wanted:g} s", s.verdict) for s in starts]
    console.print_table(("start", "takes", "wanted", "verdict"), rows)


@command.command(short_help="Time whole clips from file to file.")
@click.option("--frames", type=click.IntRange(4, 10000), default=100, show_default=True, help="Frames of the clip.")
@click.option("--codec", default="prores", show_default=True, help="The codec that is written.")
@click.option("--rounds", type=click.IntRange(1, 20), default=3, show_default=True, help="Times that each is rendered.")
@click.option("--json", "as_json", is_flag=True, help="Print the run as JSON.")
def footage(frames: int, codec: str, rounds: int, as_json: bool) -> None:
    """Render a 1080p H.264 clip to another codec, without and with the graph of `inkarnat correct`, and by ffmpeg.

    The ffmpeg command line is compared with where it is installed: the same encoder and settings, its own threads.
    """
    from ..bench import telling
    from ..bench.footage import measure_footage

    tell = (lambda line: None) if as_json else console.warn
    run = measure_footage(frames, codec=codec, rounds=rounds, tell=tell)
    if as_json:
        console.print_json(run.as_dict())
        return
    console.say(f"{run.frames} frames of {run.size[0]}×{run.size[1]}, H.264 to {run.codec}")
    console.say(f"without a graph {run.plain:.1f} frames/s, with it {run.corrected:.1f}")
    if run.ffmpeg is not None and run.ffmpeg_cpu is not None:
        console.say(f"the ffmpeg command line {run.ffmpeg:.1f} frames/s, {run.ffmpeg_cpu:.1f} s of processor time")
    of_work = "" if run.of_work is None else f", {run.of_work:.2f} of ffmpeg's and the graph's"
    console.say(
        f"with the graph {run.corrected_cpu:.1f} s of processor time{of_work}, the cores {run.busy:.2f} busy; "
        f"a run of one frame takes {run.one_frame:.2f} s"
    )
    console.print_table(telling.TARGET_COLUMNS, run.judged())
