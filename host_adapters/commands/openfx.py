"""inkarnat openfx: builds the bundle that OpenFX hosts load."""

from __future__ import annotations

from pathlib import Path

import click

from . import console


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--check", is_flag=True, help="Load the bundle in a small host afterwards and report what it finds.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def command(folder: Path, check: bool, as_json: bool) -> None:
    """Build Inkarnat.ofx.bundle in FOLDER, every node an effect.

    \b
    inkarnat openfx ~/openfx-plugins --check
    export OFX_PLUGIN_PATH=~/openfx-plugins

    The bundle runs on the Python environment that built it. Build it again after an update; nothing is written where
    nothing has changed. `inkarnat nodes --openfx` lists the controls of the effects.
    """
    from ..openfx import bundle

    built = bundle.build(folder)
    found = bundle.try_out([built.path]) if check else []
    if as_json:
        console.print_json(
            {
                "bundle": str(built.path),
                "rebuilt": built.rebuilt,
                "architecture": bundle.architecture(),
                "tested": bundle.architecture() in bundle.TESTED,
                "effects": dict(built.effects),
                "check": found,
            }
        )
        return
    console.say(f"{built.path} {'is built' if built.rebuilt else 'is up to date'}: {len(built.effects)} effects.")
    if bundle.architecture() not in bundle.TESTED:
        console.warn(f"The launcher is untested on {bundle.architecture()}.")
    for line in found:
        console.say(line)
