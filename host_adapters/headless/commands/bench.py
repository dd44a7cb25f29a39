"""inkarnat bench: how fast, how soon and how accurate the program is, measured on this machine."""

from __future__ import annotations

import importlib

import click

from .. import console

_ELSEWHERE = {"accuracy": "bench_accuracy"}
"""Measurements whose options need the whole program: the module that holds each, loaded when it is used."""


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


@command.command()
@click.option("--frames", type=click.IntRange(1, 64), default=8, show_default=True, help="Frames in one launch.")
@click.option("--json", "as_json", is_flag=True, help="Print the run as JSON.")
def gpu(frames: int, as_json: bool) -> None:
    """Key and steer 2160p pictures on an NVIDIA card, and compare with the card's own copy rate.

    The pixel functions are those of the processor, compiled for the card; the results are checked first.
    """
    from ...bench.card import measure_card

    run = measure_card(frames=frames)
    if as_json:
        console.print_json(run.as_dict())
        return
    console.say(f"{run.card}, {run.software}, {run.size[0]}×{run.size[1]} RGB float32, {run.frames} frames at once")
    rows = [
        ("copy", f"{run.copy_ms:.4f} ms", f"{run.copy_bytes_per_second / 1e9:.0f} GB/s", "1"),
        (
            "key and steer",
            f"{run.key_and_steer_ms:.4f} ms",
            f"{run.key_and_steer_bytes_per_second / 1e9:.0f} GB/s",
            f"{run.ratio:.2f}",
        ),
    ]
    console.print_table(("what", "a frame", "memory traffic", "of the copy's rate"), rows)
    console.say(f"one frame alone: {run.alone_ms:.3f} ms")
    console.say(f"largest difference from the processor: {run.matte_difference:.1e}, {run.result_difference:.1e}")
