"""inkarnat warm: compiles every kernel now, so that the first frame of a shot is not slow."""

from __future__ import annotations

import time
from typing import Any

import click

from ...kernels import jit, kept_code
from ...nodes import NODES
from ..warm_up import helped, warm_files_and_scopes, warm_node, warm_rest, warm_solvers
from ..writes import OutputError
from . import console


@click.command()
@click.option("--repair", is_flag=True, help="First remove what is damaged or cut off among what is kept.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def command(repair: bool, as_json: bool) -> None:
    """Compile everything now, so that the first frame is not slow.

    Run this once after an installation or an update. The compiled code is kept on disk for all later runs.
    """
    repaired = kept_code.repair(jit.CACHE_FOLDER) if repair and jit.CACHE_FOLDER is not None else None
    if repaired is not None and not as_json:
        console.say(f"{repaired.kept} files are whole, {len(repaired.dropped)} removed")
    if repaired is not None and repaired.left:
        name, reason = next(iter(repaired.left.items()))
        raise OutputError(
            f"{jit.CACHE_FOLDER}: {len(repaired.left)} damaged files cannot be removed, the first {name} ({reason}): "
            "change the folder's rights, or set INKARNAT_CACHE_DIR to another folder."
        )
    began = time.perf_counter()
    if not as_json:
        console.warn_if_cold("warm")
    with helped("warm"):
        for node in NODES.values():
            warm_node(node())
        warm_solvers()
        warm_files_and_scopes()
        warm_rest()
    answer: dict[str, Any] = {
        "nodes": len(NODES),
        "kernels": len(jit.STRIP_KERNELS),
        "compiled": sum(bool(getattr(kernel, "signatures", ())) for kernel in jit.STRIP_KERNELS),
        "seconds": round(time.perf_counter() - began, 2),
        "folder": str(jit.CACHE_FOLDER) if jit.CACHE_FOLDER else None,
    }
    if repaired is not None:
        answer |= {"whole": repaired.kept, "removed": repaired.dropped}
    if as_json:
        console.print_json(answer)
        return
    console.say(f"{answer['nodes']} nodes, {answer['compiled']} of {answer['kernels']} kernels: {answer['seconds']} s")
    console.say(f"kept in {answer['folder']}" if answer["folder"] else "kept nowhere: no folder is writable")
