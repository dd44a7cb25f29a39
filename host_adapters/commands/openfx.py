"""inkarnat openfx: builds the bundle that OpenFX hosts load, puts it where they look, or takes it away."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import click

from . import console

_PLACE = click.Choice(["user", "system"])


@click.command()
@click.argument("folder", required=False, type=click.Path(file_okay=False, path_type=Path))
@click.option("--install", "place", type=_PLACE, help="Build it where hosts look: for this user, or for everybody.")
@click.option(
    "--remove", is_flag=True, help="Take the bundle away: from FOLDER, or from all folders that hosts look in."
)
@click.option("--check", is_flag=True, help="Load the bundle in a small host afterwards and report what it finds.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def command(folder: Path | None, place: str | None, remove: bool, check: bool, as_json: bool) -> None:
    """Build Inkarnat.ofx.bundle in FOLDER, every node an effect.

    \b
    For this user:        inkarnat openfx --install user --check
    For everybody:        sudo inkarnat openfx --install system
    Into any folder:      inkarnat openfx ~/openfx-plugins
    Remove it:            inkarnat openfx --remove

    A user's folder is the first one of OFX_PLUGIN_PATH, or OFX/Plugins at home, which that variable must then name; the
    system's is the one in which the standard lets every host look. The bundle runs on the Python environment that built
    it. Build it again after an update; nothing is written where nothing has changed. `inkarnat nodes --openfx` lists
    the controls of the effects.
    """
    if sum((folder is not None, place is not None, remove and folder is None)) != 1 or (remove and check):
        raise click.UsageError(
            "Say one thing: a FOLDER, --install user, --install system, or --remove (with a FOLDER or without).",
            click.get_current_context(),
        )
    from ..openfx import bundle

    if remove:
        _remove([folder] if folder else [*bundle.own_folders(), bundle.user_folder(), bundle.system_folder()], as_json)
        return
    target = folder or (bundle.system_folder() if place == "system" else bundle.user_folder())
    built = bundle.build(target)
    found = bundle.try_out([built.path]) if check else []
    if as_json:
        console.print_json(
            {
                "bundle": str(built.path),
                "rebuilt": built.rebuilt,
                "architecture": bundle.architecture(),
                "tested": bundle.architecture() in bundle.TESTED,
                "effects": dict(built.effects),
                "found by hosts": _is_looked_in(target, bundle.system_folder(), bundle.own_folders()),
                "check": found,
            }
        )
        return
    console.say(f"{built.path} {'is built' if built.rebuilt else 'is up to date'}: {len(built.effects)} effects.")
    if not _is_looked_in(target, bundle.system_folder(), bundle.own_folders()):
        also = f"{target.absolute()}{os.pathsep}$OFX_PLUGIN_PATH" if bundle.own_folders() else str(target.absolute())
        console.say(f"So that hosts look there: export OFX_PLUGIN_PATH={also}")
    if bundle.architecture() not in bundle.TESTED:
        console.warn(f"The launcher is untested on {bundle.architecture()}.")
    for line in found:
        console.say(line)


def _is_looked_in(folder: Path, system: Path, own: Sequence[Path]) -> bool:
    """Tell whether hosts look in a folder: the standard's own or one of OFX_PLUGIN_PATH, or below these."""
    place = folder.absolute()
    return any(place == known.absolute() or known.absolute() in place.parents for known in (system, *own))


def _remove(folders: Sequence[Path], as_json: bool) -> None:
    from ..openfx import bundle

    removed = bundle.remove(folders)
    if as_json:
        console.print_json({"removed": [str(path) for path in removed]})
        return
    if not removed:
        looked = ", ".join(dict.fromkeys(str(folder) for folder in folders))
        raise bundle.NoBundleError(f"There is no Inkarnat.ofx.bundle in {looked}: name the folder that it lies in.")
    for path in removed:
        console.say(f"{path} is removed.")
