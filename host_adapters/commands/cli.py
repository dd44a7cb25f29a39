"""The command line: one verb, one module, loaded only when the verb is used.

Exit codes: 0 done · 2 wrong use or invalid graph · 3 an input is missing or unreadable · 4 some frames failed (the
rest are done) · 5 an output cannot be written · 130 stopped by the user · 143 ended by the system
or a queue · 1 a fault of the program itself.
"""

from __future__ import annotations

import contextlib
import functools
import importlib
import io
import json
import logging
import os
import signal
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

import click

from ...kernels.errors import InkarnatError
from .. import logs
from ..graphs.errors import ENDED, STOPPED, WRONG_USE, exit_code
from ..writes import OutputError, writing
from . import console, start

COMMANDS = {
    "bench": "Measure speed, start-up and accuracy on this machine.",
    "carry": "Carry a correction to other clips of the same camera and light, and judge each.",
    "check": "Check a graph file, and list its inputs and outputs.",
    "correct": "Key the skin, steer it to the skin line, write picture, matte and numbers.",
    "export": "Write the colour part of a graph as a look-up (CLF, ASC CDL).",
    "demo": "Try the whole job on a generated clip.",
    "desk": "Sample, look, solve and save, in a browser on this machine.",
    "farm": "Run a graph over many machines.",
    "graph": "Begin, show, change and compare graph files, and keep versions of them.",
    "job": "Describe a job for the queue of a render farm.",
    "measure": "Read the skin on the vectorscope and waveform, frame by frame.",
    "nodes": "List the nodes, or explain one of them.",
    "openfx": "Build the bundle that OpenFX hosts load.",
    "person": "Keep approved readings of people, to match other shots to.",
    "render": "Run a graph over pictures or video.",
    "report": "Write one page that shows and judges corrected clips.",
    "stills": "Draw stills of a correction: befores, matte, scopes, clipped pixels, one sheet.",
    "track": "Follow a region through a clip and keep it as keyframes.",
    "warm": "Compile everything now, so that the first frame is not slow.",
}
"""Verb → its line in the overview; the verb lives in the module of the same name beside this one."""


WRITING = frozenset(
    ("carry", "correct", "demo", "export", "farm", "job", "measure", "render", "report", "stills", "track")
)
"""The verbs that write where they are told to: each claims its outputs, and takes ``--overwrite``."""

RENDERING = frozenset(("carry", "correct", "farm", "job", "render"))
"""The verbs that work frames out: each takes ``--device``."""

_OVERWRITE, _DEVICE = "overwrite", "device"


def _overwrite_option() -> click.Option:
    def enter(context: click.Context, param: click.Parameter, allowed: bool) -> None:
        context.with_resource(writing(allowed))

    return click.Option(
        ["--overwrite"], is_flag=True, expose_value=False, is_eager=True, callback=enter,
        help="Replace files that were not made here; inputs never.",
    )  # fmt: skip


def _device_option() -> click.Option:
    def enter(context: click.Context, param: click.Parameter, name: str | None) -> None:
        if name is not None:
            from ...kernels import devices

            context.with_resource(devices.asking(name))

    return click.Option(
        ["--device"], metavar="cpu|cuda[:N]", expose_value=False, is_eager=True, callback=enter,
        help="Work on the processor, or on a graphics card (INKARNAT_DEVICE, or cpu).",
    )  # fmt: skip


class Verbs(click.Group):
    """The group of verbs: loads each when it is used, and turns every error into one line and an exit code."""

    def list_commands(self, context: click.Context) -> list[str]:
        """Return the verbs in alphabetical order."""
        return sorted(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        """Load a verb; None where there is no such verb."""
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f".{name}", __package__)
        start.loaded()
        command: click.Command = module.command
        if name in WRITING and not any(param.name == _OVERWRITE for param in command.params):
            command.params.append(_overwrite_option())
        if name in RENDERING and not any(param.name == _DEVICE for param in command.params):
            command.params.append(_device_option())
        return command

    def resolve_command(
        self, context: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the verb, or name the nearest one."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from ...nodes.declare import nearest

            fix = nearest(args[0], COMMANDS) or f"There are: {', '.join(sorted(COMMANDS))}."
            raise click.UsageError(f"There is no verb {args[0]!r}. {fix}", context)
        return super().resolve_command(context, args)

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the overview from the table, without loading a single verb."""
        with formatter.section("Verbs"):
            formatter.write_dl(sorted(COMMANDS.items()))

    def main(  # type: ignore[override]
        self, args: Sequence[str] | None = None, prog_name: str | None = None, **extra: Any
    ) -> NoReturn:
        """Run the command line and leave the process with its exit code."""
        args = list(sys.argv[1:] if args is None else args)
        extra["standalone_mode"] = False
        _listen()
        logs.show()
        console.begin_run()
        try:
            code = super().main(args, prog_name or "inkarnat", **extra)
        except Exception as error:
            sys.exit(_report(error, "--json" in args))
        sys.exit(code if isinstance(code, int) else 0)


class _Told(logging.Handler):
    """Prints what the rooms below tell through :mod:`logging` as notes on the error stream."""

    def emit(self, record: logging.LogRecord) -> None:
        if not logs.is_shown():  # then the log says it
            console.once(record.getMessage())


@functools.cache
def _listen() -> None:
    logging.getLogger("inkarnat").addHandler(_Told(logging.WARNING))


def _report(error: Exception, as_json: bool) -> int:
    """Say on one line what went wrong, for machines as JSON too, and return the exit code."""
    if isinstance(error, click.exceptions.Abort) and isinstance(error.__cause__, EOFError):
        error = error.__cause__  # nobody stopped anything: something ended too soon
    if isinstance(error, click.exceptions.Abort):
        click.echo("inkarnat: stopped.", err=True)
        return ENDED if isinstance(error.__cause__ or error.__context__, Terminated) else STOPPED
    if isinstance(error, BrokenPipeError):
        console.silence_output()
        return 0
    if logs.is_shown():
        import traceback

        traceback.print_exception(error)
    code, message = _explain(error)
    problems = tuple(map(_one_line, getattr(error, "problems", ())))
    with contextlib.suppress(OSError):
        for line in problems if len(problems) > 1 else (message,):
            click.echo(console.plain(f"inkarnat: error: {line}"), err=True)
    if as_json and not (isinstance(error, OutputError) and type(error).__name__ == "PrintError"):
        told = {"kind": type(error).__name__, "message": message, "exit": code}
        click.echo(json.dumps({"error": told | ({"problems": problems} if len(problems) > 1 else {})}))
    return code


def _explain(error: Exception) -> tuple[int, str]:
    if isinstance(error, click.ClickException):
        context = getattr(error, "ctx", None)
        hint = f" Try: {context.command_path} --help" if context is not None else ""
        return WRONG_USE, _one_line(error.format_message()) + hint
    if isinstance(error, InkarnatError):
        return exit_code(error), _one_line(str(error))
    hint = "This is a fault of the program; set INKARNAT_DEBUG=1 to see where."
    return exit_code(error), _one_line(f"{type(error).__name__}: {error}. {hint}")


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _is_open(number: int) -> bool:
    try:
        os.fstat(number)
    except OSError:
        return False
    return True


def _ready_streams() -> None:
    """Fill standard streams that are closed, before an output gets their number; let names pass as they are."""
    missing = [number for number in range(3) if not _is_open(number)]
    for _ in missing:
        os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="surrogateescape")


def _ask_for_the_log(context: click.Context, option: click.Parameter, wanted: bool) -> None:
    if wanted:
        logs.ask()
        logs.show()


@click.group(
    "inkarnat",
    cls=Verbs,
    subcommand_metavar="VERB [ARGS]...",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="inkarnat", message="inkarnat %(version)s")
@click.option(
    "-v",
    "--verbose",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_ask_for_the_log,
    help=f"Show the log, with where every error came from (as {logs.VARIABLE}=1 does).",
)
def cli() -> None:
    """Natural skin in moving pictures: key it, measure it against the skin line, steer it, carry it on.

    \b
    Try it on a generated clip:     inkarnat demo workshop-demo
    Correct a shot:                 inkarnat correct planing.mov -o planing-skin.mov --add box:.45,.30,.52,.42
    Point with the mouse instead:   inkarnat desk planing.mov
    Carry it to another take:       inkarnat carry planing.json --from planing.mov --to take2.mov -o takes
    List the skin key's controls:   inkarnat nodes skin_key

    A verb explains itself: inkarnat VERB --help

    Readings are guides: judge on a calibrated display in a controlled surround. Delivery limits are your facility's.
    """


class Terminated(KeyboardInterrupt):
    """The system or a queue asks the program to end (SIGTERM)."""


def _end_in_order() -> None:
    """Take a request to end as Ctrl-C is taken: what is half written goes; a second request ends at once."""

    def end(number: int, _: object) -> NoReturn:
        signal.signal(number, signal.SIG_DFL)
        raise Terminated

    if signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
        signal.signal(signal.SIGTERM, end)


def main() -> NoReturn:
    """Run the command line; :mod:`.start` begins it."""
    _end_in_order()
    _ready_streams()
    cli.main()


if __name__ == "__main__":
    start.run(main)
