"""inkarnat warm: compiles every kernel now, so that the first frame of a shot is not slow."""

from __future__ import annotations

import time

import click

from ...kernels import jit
from ...nodes import NODES
from ..warm_up import helped, warm_files_and_scopes, warm_node, warm_solvers
from . import console


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def command(as_json: bool) -> None:
    """Compile everything now, so that the first frame is not slow.

    Done once after an installation or an update; what is compiled is kept on disk for all later runs.
    """
    began = time.perf_counter()
    with helped("warm"):
        for node in NODES.values():
            warm_node(node())
        warm_solvers()
        warm_files_and_scopes()
    answer = {
        "nodes": len(NODES),
        "kernels": len(jit.SHEETS),
        "compiled": sum(bool(getattr(kernel, "signatures", ())) for kernel in jit.SHEETS),
        "seconds": round(time.perf_counter() - began, 2),
        "folder": str(jit.CACHE_FOLDER) if jit.CACHE_FOLDER else None,
    }
    if as_json:
        console.print_json(answer)
        return
    console.say(f"{answer['nodes']} nodes, {answer['compiled']} of {answer['kernels']} kernels: {answer['seconds']} s")
    console.say(f"kept in {answer['folder']}" if answer["folder"] else "kept nowhere: no folder is writable")
