"""Options about a look on top of a correction: which one, what it is made for, and by how much skin is kept from it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from ...nodes import KeepSkin
from ..graphs.errors import GraphError
from ..shots.looks import Under, open_look, same_place

Command = Callable[..., Any]

_FAR = "look_far"
"""Whether the footage comes from another space, so that what lies beyond white is to be covered."""
_KEEP = KeepSkin.params()["amount"]


def under_options(command: Command) -> Command:
    """Add --under, --look-input, --look-output and --keep-skin to a verb; :func:`read_under` reads them."""
    for option in reversed(
        (
            click.option(
                "--under",
                metavar="LOOK",
                help="Put this look on top and bring natural skin back under it: a CLF or another look-up, an ASC CDL, "
                "a graph, or ocio:NAME for a look of the configuration in $OCIO. It is written into the picture, which "
                "--view is not.",
            ),
            click.option(
                "--look-input",
                metavar="SPACE",
                help="The colour space that the look is made for, as with --input-space; a graph needs none.",
            ),
            click.option(
                "--look-output", metavar="SPACE", help="The colour space that the look gives (that of --look-input)."
            ),
            click.option(
                "--keep-skin",
                type=float,
                metavar="AMOUNT",
                help=f"With --under, {_KEEP.low:g} to {_KEEP.high:g}: {_lower(_KEEP.help)} ({_KEEP.default:g})",
            ),
        )
    ):
        command = option(command)
    return command


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:].rstrip(".")


def read_under(options: dict[str, Any]) -> Under | None:
    """Read the look, None where there is none. Raises GraphError for wrong use, LookError for a look that is none."""
    name, keep = options["under"], options["keep_skin"]
    if name is None:
        for option in ("look_input", "look_output", "keep_skin"):
            if options[option] is not None:
                raise GraphError(f"--{option.replace('_', '-')} is for a look: give --under LOOK too.")
        return None
    if keep is not None and not _KEEP.low <= keep <= _KEEP.high:
        raise GraphError(f"--keep-skin must be {_KEEP.low:g} to {_KEEP.high:g}, not {keep:g}.")
    far = options.setdefault(_FAR, options.get("input_space") is not None)  # which is taken out when footage is opened
    look = open_look(name, options["look_input"], options["look_output"], far)
    if options["view"] and same_place(options["view"], name):
        raise GraphError(
            f"{name} stands in both --view and --under, so it would be looked through twice: --under writes it into "
            "the picture, --view does not; give one of them."
        )
    return Under(look, float(_KEEP.default) if keep is None else keep)  # type: ignore[arg-type]
